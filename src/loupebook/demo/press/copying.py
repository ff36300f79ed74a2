"""How copies are made: what a forger's redrawing loses, and how a forger's press prints.

Each alteration takes a plan and a generator and returns the changed plan with plain words,
or `None` where it makes no sense for that plan.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import fields, replace
from typing import TypeVar

import numpy as np

from loupebook.demo.artwork.band_plan import BandPlan
from loupebook.demo.artwork.cap import CapPlan
from loupebook.demo.artwork.lettering import NEAR_FACE
from loupebook.demo.artwork.palette import Palette
from loupebook.demo.artwork.seal_plan import SealPlan

P = TypeVar("P", BandPlan, SealPlan, CapPlan)
Altered = tuple[P, str] | None
Alteration = Callable[[P, np.random.Generator], Altered[P]]


def alter(
    plan: P, alterations: Sequence[Alteration[P]], count: int, rng: np.random.Generator
) -> tuple[P, tuple[str, ...]]:
    """Apply `count` alterations, drawn without replacement; the words tell what is left of them.

    Where one undoes another, as microtext that is replaced and then lost, only the later shows.
    """
    applied: list[tuple[set[str], str]] = []
    for k in rng.permutation(len(alterations)):
        if len(applied) == count:
            break
        result = alterations[k](plan, rng)
        if result is not None:
            altered, said = result
            applied.append((_differing(plan, altered), said))
            plan = altered
    words = [
        said
        for place, (parts, said) in enumerate(applied)
        if not any(parts & later for later, _ in applied[place + 1 :])
    ]
    return plan, tuple(words)


def _differing(one: P, other: P) -> set[str]:
    """Return the names of the fields in which two plans differ."""
    names = (field.name for field in fields(one))
    return {name for name in names if getattr(one, name) != getattr(other, name)}


def _mixed(palette: Palette, rng: np.random.Generator, by: float) -> Palette:
    def off(colour: tuple[float, float, float]) -> tuple[float, float, float]:
        r, g, b = (float(np.clip(c * np.exp(rng.normal(0, by)), 0.004, 0.95)) for c in colour)
        return (r, g, b)

    return replace(
        palette, ground=off(palette.ground), accent=off(palette.accent), tint=off(palette.tint)
    )


def near_name_face(plan: BandPlan, rng: np.random.Generator) -> Altered[BandPlan]:
    """Set the name in a near typeface."""
    del rng
    return replace(plan, name_face=NEAR_FACE[plan.name_face]), "name set in a near typeface"


def near_legend_face(plan: BandPlan, rng: np.random.Generator) -> Altered[BandPlan]:
    """Set the legends in a near typeface."""
    del rng
    if plan.layout == "crest" and plan.wing_motif not in ("legend", "name"):
        return None
    return replace(plan, legend_face=NEAR_FACE[plan.legend_face]), "legends set in a near typeface"


def lost_microtext(plan: BandPlan, rng: np.random.Generator) -> Altered[BandPlan]:
    """Leave the microtext out."""
    del rng
    return replace(plan, microtext=""), "microtext lost"


def invented_microtext(plan: BandPlan, rng: np.random.Generator) -> Altered[BandPlan]:
    """Fill the microtext line with letters that look busy enough."""
    letters = "".join(rng.choice(list("AEIMNORSTUVL "), 26))
    return replace(plan, microtext=letters.strip()), "microtext replaced by meaningless letters"


def fewer_pearls(plan: BandPlan, rng: np.random.Generator) -> Altered[BandPlan]:
    """Miscount the pearls of the frame."""
    by = int(rng.choice([-5, -4, -3, -2, 2, 3]))
    return replace(
        plan, pearls=plan.pearls + by
    ), f"{plan.pearls + by} pearls instead of {plan.pearls}"


def missing_pearls(plan: BandPlan, rng: np.random.Generator) -> Altered[BandPlan]:
    """Lose single pearls."""
    lost = tuple(
        sorted(int(k) for k in rng.choice(plan.pearls, int(rng.integers(1, 4)), replace=False))
    )
    said = "1 pearl" if len(lost) == 1 else f"{len(lost)} pearls"
    return replace(plan, missing_pearls=lost), f"{said} missing from the frame"


def missing_leaves(plan: BandPlan, rng: np.random.Generator) -> Altered[BandPlan]:
    """Lose leaves of the laurel."""
    if plan.layout == "nameplate" or plan.leaf_pairs == 0:
        return None
    lost = tuple(int(k) for k in rng.choice(2 * plan.leaf_pairs, 2, replace=False))
    return replace(plan, missing_leaves=lost), "two leaf pairs missing from the laurel"


def other_field(plan: BandPlan, rng: np.random.Generator) -> Altered[BandPlan]:
    """Draw another pattern behind the emblem."""
    if plan.layout == "nameplate":
        return None
    swap = {
        "rays": "echo",
        "echo": "engine",
        "engine": "echo",
        "rosette": "lattice",
        "lattice": "rosette",
    }
    del rng
    return replace(plan, field=swap[plan.field]), f"{swap[plan.field]} lines behind the emblem"


def redrawn_emblem(plan: BandPlan, rng: np.random.Generator) -> Altered[BandPlan]:
    """Draw the emblem anew, not quite the same."""
    return replace(plan, emblem_seed=int(rng.integers(1 << 20))), "emblem redrawn by another hand"


def off_palette(plan: BandPlan, rng: np.random.Generator) -> Altered[BandPlan]:
    """Mix the inks by eye."""
    return replace(plan, palette=_mixed(plan.palette, rng, 0.22)), "inks mixed by eye"


def slightly_off_palette(plan: BandPlan, rng: np.random.Generator) -> Altered[BandPlan]:
    """Mix the inks nearly right."""
    return replace(plan, palette=_mixed(plan.palette, rng, 0.08)), "inks a little off"


COARSE_BAND = (
    near_name_face,
    near_legend_face,
    lost_microtext,
    fewer_pearls,
    other_field,
    redrawn_emblem,
    off_palette,
    missing_leaves,
)
FINE_BAND = (
    invented_microtext,
    lost_microtext,
    missing_pearls,
    missing_leaves,
    fewer_pearls,
    slightly_off_palette,
    near_legend_face,
)


def near_title_face(plan: SealPlan, rng: np.random.Generator) -> Altered[SealPlan]:
    """Set the title in a near typeface."""
    del rng
    return replace(plan, title_face=NEAR_FACE[plan.title_face]), "title set in a near typeface"


def no_seal_microtext(plan: SealPlan, rng: np.random.Generator) -> Altered[SealPlan]:
    """Leave the microtext out."""
    del rng
    return replace(plan, microtext=""), "microtext lost"


def other_petals(plan: SealPlan, rng: np.random.Generator) -> Altered[SealPlan]:
    """Lay the rosettes out anew."""
    lobes = plan.petals + int(rng.choice([-2, -1, 1, 2]))
    return replace(plan, petals=lobes), f"rosettes of {lobes} lobes instead of {plan.petals}"


def other_weave(plan: SealPlan, rng: np.random.Generator) -> Altered[SealPlan]:
    """Weave the border of another number of lines."""
    lines = plan.border_lines + int(rng.choice([-1, 1]))
    return replace(plan, border_lines=lines), f"border woven of {lines} lines"


def numbered_uv(plan: SealPlan, rng: np.random.Generator) -> Altered[SealPlan]:
    """Print a number into the UV crest, which never has one."""
    return replace(
        plan, uv_number=f"{int(rng.integers(10000)):04d}"
    ), "UV crest printed with a number"


def seal_leaves(plan: SealPlan, rng: np.random.Generator) -> Altered[SealPlan]:
    """Lose leaves of the crest's laurel."""
    lost = tuple(int(k) for k in rng.choice(2 * plan.leaf_pairs, 2, replace=False))
    return replace(plan, missing_leaves=lost), "leaves missing from the crest"


def other_uv_rays(plan: SealPlan, rng: np.random.Generator) -> Altered[SealPlan]:
    """Miscount the UV rays."""
    rays = plan.uv_rays + int(rng.choice([-6, -4, 4, 6]))
    return replace(plan, uv_rays=rays), f"{rays} UV rays instead of {plan.uv_rays}"


def seal_palette(plan: SealPlan, rng: np.random.Generator) -> Altered[SealPlan]:
    """Mix the inks by eye."""
    return replace(plan, palette=_mixed(plan.palette, rng, 0.15)), "inks mixed by eye"


COARSE_SEAL = (
    near_title_face,
    no_seal_microtext,
    other_petals,
    other_weave,
    numbered_uv,
    seal_palette,
)
FINE_SEAL = (numbered_uv, seal_leaves, no_seal_microtext, other_uv_rays, other_weave)


def fewer_turns(plan: CapPlan, rng: np.random.Generator) -> Altered[CapPlan]:
    """Wind fewer turns."""
    del rng
    if plan.turns == 1:
        return None
    return replace(plan, turns=plan.turns - 1), f"{plan.turns - 1} turns instead of {plan.turns}"


def careless_gum(plan: CapPlan, rng: np.random.Generator) -> Altered[CapPlan]:
    """Let gum show at the seams."""
    return replace(plan, glue=float(rng.uniform(0.5, 1.0))), "gum shows at the seams"


def ragged_cut(plan: CapPlan, rng: np.random.Generator) -> Altered[CapPlan]:
    """Cut with a blunt knife."""
    return replace(plan, ragged_mm=float(rng.uniform(0.15, 0.3))), "edges cut unevenly"


def off_centre(plan: CapPlan, rng: np.random.Generator) -> Altered[CapPlan]:
    """Set the round beside the middle."""
    return replace(plan, off_centre_mm=float(rng.uniform(0.9, 1.5))), "round set off centre"


def coarse_leaf(plan: CapPlan, rng: np.random.Generator) -> Altered[CapPlan]:
    """Use a lower leaf, with thick veins."""
    thick = replace(plan, vein_depth=float(rng.uniform(0.85, 1.0)), vein_mm=plan.vein_mm * 0.75)
    return thick, "coarse leaf with thick veins"


def dry_leaf(plan: CapPlan, rng: np.random.Generator) -> Altered[CapPlan]:
    """Use a dry leaf of another shade."""
    shade = float(rng.uniform(0.75, 1.3))
    r, g, b = (min(0.9, c * shade) for c in plan.leaf)
    return replace(plan, leaf=(r, g, b), oil=plan.oil * 0.3), "dry leaf of another shade"


def wide_seams(plan: CapPlan, rng: np.random.Generator) -> Altered[CapPlan]:
    """Space the turns otherwise."""
    step = plan.seam_step_mm * float(rng.choice([0.72, 1.3]))
    return replace(plan, seam_step_mm=step), "turns spaced otherwise"


COARSE_CAP = (fewer_turns, careless_gum, ragged_cut, off_centre, coarse_leaf, dry_leaf)
FINE_CAP = (wide_seams, careless_gum, off_centre, dry_leaf, ragged_cut)
