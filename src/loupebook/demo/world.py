"""An invented world of makers, editions, print origins and specimens, all from one seed.

>>> world = demo_world()
>>> edition = world.editions[0]
>>> origin = world.origins(edition)[0]
>>> surface = print_specimen(edition, origin, specimen_seed=1, px_per_mm=16)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from loupebook.demo.artwork.band import draw_band
from loupebook.demo.artwork.band_plan import BandPlan
from loupebook.demo.artwork.cap import CapPlan, draw_cap
from loupebook.demo.artwork.designs import (
    STYLES,
    HouseStyle,
    design_band,
    design_cap,
    design_seal,
    invent_style,
    redesign_band,
)
from loupebook.demo.artwork.model import Artwork
from loupebook.demo.artwork.names import ISLAND, MARQUES, NOTICE, invent_island, invent_name
from loupebook.demo.artwork.seal import draw_seal
from loupebook.demo.artwork.seal_plan import SealPlan
from loupebook.demo.press.copying import (
    COARSE_BAND,
    COARSE_CAP,
    COARSE_SEAL,
    FINE_BAND,
    FINE_CAP,
    FINE_SEAL,
    alter,
)
from loupebook.demo.press.origin import Numbering, Plan, PrintOrigin
from loupebook.demo.press.presses import SKILLS, forger_press, house_press
from loupebook.demo.press.printing import print_artwork
from loupebook.demo.press.truth import TRUTH_PX_PER_MM, Difference, difference_mask
from loupebook.demo.surface import PrintedSurface
from loupebook.errors import WorldInvalid
from loupebook.records.model import Element, Serial, Standing

DEMO_SEED = 20_261
FAKES_PER_EDITION = 4


@dataclass(frozen=True)
class Edition:
    """A design of one element of one marque.

    Parameters
    ----------
    name, marque : str
        Names; the edition's is unique in its world.
    element : Element
        Band, seal or cap.
    years : str
        In force, as ``1994–2006``.
    plan : BandPlan, SealPlan or CapPlan
        What genuine items are made from.
    changes : tuple of str
        What a redesign changed, in plain words; empty for a first edition.
    """

    name: str
    marque: str
    element: Element
    years: str
    plan: Plan
    changes: tuple[str, ...] = ()


class World:
    """Invented makers and what they print.

    Parameters
    ----------
    seed : int
        Everything follows from it; another seed gives entirely other designs.
    marques : int or sequence of str
        How many makers of invented names, or their names.

    Raises
    ------
    WorldInvalid
        No marque, more than 200, or a name twice.
    """

    def __init__(self, seed: int, *, marques: int | Sequence[str] = 10) -> None:
        if seed < 0:
            raise WorldInvalid(f"the seed of a world cannot be negative ({seed})")
        count = marques if isinstance(marques, int) else len(marques)
        if not 1 <= count <= 200:
            raise WorldInvalid(f"a world holds 1 to 200 marques, not {count}")
        self.seed = seed
        self.notice = NOTICE
        rng = np.random.default_rng([seed, 0])
        if isinstance(marques, int):
            self.island = invent_island(rng)
            self.marques = _distinct_names(count, rng)
            styles = [invent_style(rng) for _ in range(count)]
        else:
            self.island = ISLAND
            self.marques = tuple(marques)
            styles = [STYLES[k % len(STYLES)] for k in range(count)]
        if len(set(self.marques)) != count:
            raise WorldInvalid("two marques of one name")
        self.editions: tuple[Edition, ...] = tuple(
            edition
            for number, (name, style) in enumerate(zip(self.marques, styles, strict=True))
            for edition in _editions(seed, number, name, self.island, style)
        )

    def edition(self, name: str) -> Edition:
        """Edition of a name.

        Raises
        ------
        WorldInvalid
            There is none.
        """
        for edition in self.editions:
            if edition.name == name:
                return edition
        raise WorldInvalid(f"this world has no edition {name!r}")

    def origins(self, edition: Edition) -> tuple[PrintOrigin, ...]:
        """Print origins of an edition: two runs of the house, then fakes, worst first."""
        place = self.editions.index(edition)
        house = [_house_origin(self.seed, place, edition, run) for run in range(2)]
        fakes = [_fake_origin(self.seed, place, edition, k) for k in range(FAKES_PER_EDITION)]
        return (*house, *fakes)


def demo_world() -> World:
    """The world of the ten named marques."""
    return World(DEMO_SEED, marques=MARQUES)


def _distinct_names(count: int, rng: np.random.Generator) -> tuple[str, ...]:
    names: dict[str, None] = {}
    while len(names) < count:
        names[invent_name(rng)] = None
    return tuple(names)


def _editions(seed: int, number: int, marque: str, island: str, style: HouseStyle) -> list[Edition]:
    rng = np.random.default_rng([seed, 1, number])
    first = design_band(marque, island, style, rng)
    second, changes = redesign_band(first, rng)
    start = int(rng.integers(1978, 1999))
    change = start + int(rng.integers(7, 15))
    years = (f"{start}–{change}", f"{change + 1}–", f"{start}–")
    seal = design_seal(marque, island, number, style, rng)
    cap = design_cap(marque, rng, first.radius_mm)

    def named(
        suffix: str, element: Element, when: str, plan: Plan, said: tuple[str, ...] = ()
    ) -> Edition:
        name = f"{marque} {suffix}"
        return Edition(name, marque, element, when, replace(plan, edition=name), said)

    return [
        named("band I", Element.BAND, years[0], first),
        named("band II", Element.BAND, years[1], second, changes),
        named("seal", Element.SEAL, years[2], seal),
        named("cap", Element.CAP, years[2], cap),
    ]


def _house_origin(seed: int, place: int, edition: Edition, run: int) -> PrintOrigin:
    rng = np.random.default_rng([seed, 2, place, run])
    return PrintOrigin(
        name=f"{edition.name}, house run {run + 1}",
        edition=edition.name,
        standing=Standing.GENUINE,
        skill="house",
        plan=edition.plan,
        changes=(),
        press=house_press(rng, edition.element),
        numbering=Numbering.UNIQUE,
        seed=int(rng.integers(1 << 30)),
    )


def _fake_origin(seed: int, place: int, edition: Edition, k: int) -> PrintOrigin:
    rng = np.random.default_rng([seed, 3, place, k])
    skill = SKILLS[k % len(SKILLS)]
    plan, changes = _copied(edition.plan, skill, rng)
    press = forger_press(rng, edition.element, skill)
    numbering = Numbering.UNIQUE
    if isinstance(plan, SealPlan):
        if plan.uv_number:
            press = replace(press, uv=max(press.uv, 0.6))
        numbering = (
            Numbering.ONE_FOR_ALL,
            Numbering.DISAGREEING,
            Numbering.ONE_FOR_ALL,
            Numbering.UNIQUE,
        )[k % 4]
    return PrintOrigin(
        name=f"{edition.name}, copy {'ABCDEFGH'[k]}",
        edition=edition.name,
        standing=Standing.FAKE,
        skill=skill,
        plan=plan,
        changes=changes,
        press=press,
        numbering=numbering,
        seed=int(rng.integers(1 << 30)),
    )


def _copied(plan: Plan, skill: str, rng: np.random.Generator) -> tuple[Plan, tuple[str, ...]]:
    """Plan of a copy. A scan keeps the drawing, so screened copies change little in it."""
    coarse = skill in ("clumsy", "good")
    count = {"clumsy": 3, "fair": 1, "good": 3, "very good": 2}[skill]
    if isinstance(plan, BandPlan):
        return alter(plan, COARSE_BAND if coarse else FINE_BAND, count, rng)
    if isinstance(plan, SealPlan):
        return alter(plan, COARSE_SEAL if coarse else FINE_SEAL, count, rng)
    return alter(plan, COARSE_CAP if coarse else FINE_CAP, min(count, 2), rng)


def specimen_serials(origin: PrintOrigin, specimen_seed: int) -> tuple[Serial, ...]:
    """Numbers on one seal, place by place; none on bands and caps."""
    if not isinstance(origin.plan, SealPlan):
        return ()
    one = origin.numbering is Numbering.ONE_FOR_ALL
    rng = np.random.default_rng([origin.seed, 4, 0 if one else specimen_seed])
    left, right = _number(rng), _number(rng)
    if origin.numbering is not Numbering.DISAGREEING:
        right = left
    return (Serial(left, "left"), Serial(right, "right"), Serial(left[-4:], "crest"))


def _number(rng: np.random.Generator) -> str:
    letters = "".join(str(c) for c in rng.choice(list("ABDEFHKLMNPRTVXY"), 2))
    return f"{letters} {int(rng.integers(100_000_000)):08d}"


def specimen_artwork(origin: PrintOrigin, specimen_seed: int = 0) -> Artwork:
    """Artwork of one specimen of an origin, seals with their numbers.

    Raises
    ------
    WorldInvalid
        Caps have no artwork.
    """
    if isinstance(origin.plan, CapPlan):
        raise WorldInvalid("a cap is rolled, not printed: it has no artwork")
    if isinstance(origin.plan, BandPlan):
        return _band_artwork(origin.plan)
    serials = tuple((s.place or "", s.value) for s in specimen_serials(origin, specimen_seed))
    return _seal_artwork(replace(origin.plan, serials=serials))


@lru_cache(maxsize=8)
def _band_artwork(plan: BandPlan) -> Artwork:
    return draw_band(plan)


@lru_cache(maxsize=2)
def _seal_artwork(plan: SealPlan) -> Artwork:
    return draw_seal(plan)


def print_specimen(
    edition: Edition, origin: PrintOrigin, specimen_seed: int, *, px_per_mm: float = 20.0
) -> PrintedSurface:
    """One physical specimen of an origin.

    Parameters
    ----------
    edition, origin : Edition, PrintOrigin
        What, and from which press.
    specimen_seed : int
        Which one; the same numbers always give the same specimen.
    px_per_mm : float
        Scale of the maps.

    Raises
    ------
    WorldInvalid
        An origin of another edition, a negative seed or an impossible scale.
    """
    if origin.edition != edition.name:
        raise WorldInvalid(f"{origin.name!r} prints {origin.edition!r}, not {edition.name!r}")
    if specimen_seed < 0:
        raise WorldInvalid(f"the seed of a specimen cannot be negative ({specimen_seed})")
    metadata = {
        "marque": edition.marque,
        "edition": edition.name,
        "origin": origin.name,
        "standing": origin.standing.value,
        "specimen_seed": specimen_seed,
        "notice": NOTICE,
    }
    if isinstance(origin.plan, CapPlan):
        return _cap_surface(origin.plan, origin, specimen_seed, px_per_mm, metadata)
    return print_artwork(
        specimen_artwork(origin, specimen_seed),
        origin.press,
        px_per_mm=px_per_mm,
        origin_seed=origin.seed,
        specimen_seed=specimen_seed,
        metadata=metadata,
    )


def _cap_surface(
    plan: CapPlan,
    origin: PrintOrigin,
    specimen_seed: int,
    px_per_mm: float,
    metadata: dict[str, object],
) -> PrintedSurface:
    if not 2 <= px_per_mm <= 60:
        raise WorldInvalid(f"px_per_mm must lie between 2 and 60, not {px_per_mm}")
    maps = draw_cap(plan, px_per_mm, np.random.default_rng([origin.seed, 2, specimen_seed]))
    shape = maps.roughness.shape
    zero = np.broadcast_to(np.float32(0), shape)
    one = np.broadcast_to(np.float32(1), shape)
    return PrintedSurface(
        element=Element.CAP,
        geometry="dome",
        px_per_mm=px_per_mm,
        albedo=maps.albedo,
        coverage=one,
        metal=zero,
        metal_tint=np.broadcast_to(np.float32(1), (*shape, 3)),
        roughness=maps.roughness,
        relief_mm=maps.relief_mm,
        fluorescence=np.broadcast_to(np.float32(0.004), (*shape, 3)),
        hologram=zero,
        grating_pitch_um=one,
        grating_angle=zero,
        radius_mm=plan.radius_mm,
        shoulder_mm=plan.shoulder_mm,
        metadata=metadata,
    )


def origin_difference(
    edition: Edition, origin: PrintOrigin, *, px_per_mm: float = TRUTH_PX_PER_MM
) -> Difference:
    """Where an origin's design differs from the genuine edition (numbers left out)."""
    if isinstance(edition.plan, CapPlan) or isinstance(origin.plan, CapPlan):
        raise WorldInvalid("a cap is rolled, not printed: it has no artwork to compare")
    draw = {BandPlan: _band_artwork, SealPlan: _seal_artwork}[type(edition.plan)]
    return difference_mask(
        draw(edition.plan),
        draw(origin.plan),
        origin.press,
        px_per_mm=px_per_mm,  # type: ignore[arg-type]
    )
