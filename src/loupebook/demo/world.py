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
from loupebook.demo.press.edition import Edition
from loupebook.demo.press.origin import Plan, PrintOrigin
from loupebook.demo.press.printing import check_print_scale, print_artwork
from loupebook.demo.press.runs import fake_origin, house_origin, specimen_serials
from loupebook.demo.press.truth import TRUTH_PX_PER_MM, Difference, difference_mask
from loupebook.demo.surface import PrintedSurface
from loupebook.errors import WorldInvalid
from loupebook.records.model import Element, Serial

DEMO_SEED = 20_261
FAKES_PER_EDITION = 4


@dataclass(frozen=True)
class Specimen:
    """One physical object of an origin.

    Parameters
    ----------
    name : str
        Unique in its world.
    seed : int
        Which specimen; hand it to :func:`print_specimen`.
    serials : tuple of Serial
        Numbers printed on it, place by place; empty for bands and caps.
    """

    name: str
    seed: int
    serials: tuple[Serial, ...]


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
        house = [house_origin(self.seed, place, edition, run) for run in range(2)]
        fakes = [fake_origin(self.seed, place, edition, k) for k in range(FAKES_PER_EDITION)]
        return (*house, *fakes)

    def specimens(self, origin: PrintOrigin, count: int, *, first: int = 0) -> tuple[Specimen, ...]:
        """Specimens `first` to `first + count - 1` of an origin.

        Raises
        ------
        WorldInvalid
            A negative count or first number.
        """
        if count < 0 or first < 0:
            raise WorldInvalid(f"specimens are counted from 0 up, not {count} from {first}")
        return tuple(
            Specimen(f"{origin.name}, no. {k + 1}", k, specimen_serials(origin, k))
            for k in range(first, first + count)
        )


def demo_world() -> World:
    """Return the world of the ten named marques."""
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


def specimen_artwork(origin: PrintOrigin, specimen_seed: int = 0) -> Artwork:
    """Artwork of one specimen of an origin, seals with their numbers.

    Raises
    ------
    WorldInvalid
        Caps have no artwork.
    """
    plan = origin.plan
    if isinstance(plan, SealPlan):
        numbers = specimen_serials(origin, specimen_seed)
        plan = replace(plan, serials=tuple((n.place or "", n.value) for n in numbers))
    return _plain_artwork(plan)


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
    metadata: dict[str, object] = {
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
    check_print_scale(px_per_mm)
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
    ours, theirs = (_plain_artwork(plan) for plan in (edition.plan, origin.plan))
    return difference_mask(ours, theirs, origin.press, px_per_mm=px_per_mm)


def _plain_artwork(plan: Plan) -> Artwork:
    """Artwork as the plan has it, seals without numbers."""
    if isinstance(plan, BandPlan):
        return _band_artwork(plan)
    if isinstance(plan, SealPlan):
        return _seal_artwork(plan)
    raise WorldInvalid("a cap is rolled, not printed: it has no artwork")
