"""House styles: plans of bands, seals and caps for one marque, from a seed.

A marque keeps one face through its editions; a redesign changes three details.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from loupebook.demo.artwork.band_plan import BORDERS, FIELDS, GROUNDS, WING_MOTIFS, BandPlan
from loupebook.demo.artwork.barcode import check_digit
from loupebook.demo.artwork.cap import CapPlan
from loupebook.demo.artwork.emblems import EMBLEMS
from loupebook.demo.artwork.names import MICROTEXT
from loupebook.demo.artwork.palette import PALETTES, linear
from loupebook.demo.artwork.seal_plan import SealPlan

LEAVES = tuple(linear(c) for c in ("7a4a28", "4b2a17", "a9733c", "8c5730", "613720", "966238"))
"""Wrapper leaf from dark to light brown."""

_FRAMES = {
    "medallion": ("oval", "circle", "arch", "octagon", "quatrefoil"),
    "nameplate": ("cartouche", "lozenge", "oval", "octagon"),
    "straight": ("circle", "oval", "quatrefoil"),
    "crest": ("shield", "arch", "oval"),
    "monogram": ("lozenge", "circle", "quatrefoil", "shield"),
}
_CAPITAL_FACES = (
    "roman",
    "fat",
    "transitional",
    "engraved",
    "didone",
    "wide",
    "uncial",
    "roman-swash",
)
_MIXED_FACES = ("blackletter", "fraktur", "script", "round-hand")
_LEGEND_FACES = (
    "didone",
    "bookletter",
    "condensed",
    "gothic",
    "roman-light",
    "transitional",
    "engraved",
)
_LEGENDS = ("ISLE OF {}", "FIRST LEAF OF {}", "OLD HOUSE OF {}", "{} HARBOUR", "MADE IN {}")
_WINGS = ("{}|BY HAND", "LONG LEAF|{}", "TOTAL|HANDWORK", "OLD LEAF|NEW FIRE", "{}|HARBOUR")


@dataclass(frozen=True)
class HouseStyle:
    """What a marque's items have in common.

    Parameters
    ----------
    layout, palette, emblem : str, int, str
        Layout of the band, number of the palette, subject.
    frame, motif, border, face : str
        Frame, wing motif, border and typeface of the name.
    """

    layout: str
    palette: int
    emblem: str
    frame: str
    motif: str
    border: str
    face: str


STYLES = (
    HouseStyle("medallion", 0, "profile", "oval", "coins", "beads", "roman"),
    HouseStyle("nameplate", 1, "ship", "cartouche", "scrolls", "weave", "blackletter"),
    HouseStyle("crest", 6, "heron", "shield", "rosettes", "chain", "engraved"),
    HouseStyle("straight", 2, "tower", "circle", "name", "beads", "fat"),
    HouseStyle("monogram", 3, "sun", "lozenge", "stars", "weave", "roman-swash"),
    HouseStyle("medallion", 9, "palm", "arch", "legend", "chain", "transitional"),
    HouseStyle("nameplate", 13, "sun", "octagon", "rosettes", "beads", "script"),
    HouseStyle("crest", 12, "ship", "arch", "legend", "weave", "didone"),
    HouseStyle("medallion", 11, "profile", "oval", "coins", "beads", "transitional"),
    HouseStyle("straight", 10, "heron", "quatrefoil", "name", "chain", "wide"),
)
"""Styles of the ten named marques, in the order of ``names.MARQUES``; two of them
(first and ninth) are sisters that a hurried eye takes for each other."""


def invent_style(rng: np.random.Generator) -> HouseStyle:
    """Style of a marque of no name."""

    def one_of(options: Sequence[str]) -> str:
        return str(rng.choice(list(options)))

    layout = one_of(tuple(_FRAMES))
    faces = _CAPITAL_FACES + (_MIXED_FACES if layout == "nameplate" else ())
    motif = "name" if layout == "straight" and rng.random() < 0.6 else one_of(WING_MOTIFS)
    return HouseStyle(
        layout,
        int(rng.integers(len(PALETTES))),
        one_of(tuple(EMBLEMS)),
        one_of(_FRAMES[layout]),
        motif,
        one_of(BORDERS),
        one_of(faces),
    )


def design_band(marque: str, island: str, style: HouseStyle, rng: np.random.Generator) -> BandPlan:
    """First band edition of a marque."""
    layout = style.layout
    frame, mixed = style.frame, style.face in _MIXED_FACES
    height = {"straight": rng.uniform(18, 21), "nameplate": rng.uniform(22, 25)}.get(
        layout, rng.uniform(25, 28)
    )
    strip = height if layout == "straight" else height * rng.uniform(0.56, 0.64)
    wide = {"nameplate": 1.5, "straight": 0.98}.get(
        layout, {"lozenge": 1.1, "oval": 0.88}.get(frame, 0.96)
    )
    radius = float(rng.uniform(8.8, 10.4))
    wing = str(rng.choice(_WINGS)).format(island)
    return BandPlan(
        marque=marque,
        edition="",
        layout=layout,
        palette=PALETTES[style.palette],
        width=float(2 * np.pi * radius + 11.5),
        height=float(height),
        wing_height=float(strip),
        frame=frame,
        frame_width=float(height * wide),
        emblem=style.emblem,
        emblem_seed=int(rng.integers(1 << 20)),
        name=marque if mixed else marque.upper(),
        top_legend=str(rng.choice(_LEGENDS)).format(island),
        low_legend="TOTALLY BY HAND",
        wing_legend=wing,
        monogram=marque[0],
        name_face=style.face,
        legend_face=str(rng.choice(_LEGEND_FACES)),
        ground=str(rng.choice(GROUNDS[:-1])),
        field=str(rng.choice(FIELDS)),
        wing_motif=style.motif,
        border=style.border,
        pearls=int(rng.integers(56, 84)),
        leaf_pairs=int(rng.integers(6, 10)),
        coins=int(rng.integers(2, 4)),
        microtext=MICROTEXT + marque.upper(),
        radius_mm=radius,
        emboss_mm=float(rng.uniform(0.08, 0.14)),
        wing_end=str(rng.choice(["square", "swallow", "round"])),
        glory=str(rng.choice(["foil", "tint"])),
    )


def redesign_band(plan: BandPlan, rng: np.random.Generator) -> tuple[BandPlan, tuple[str, ...]]:
    """Later edition: three details change; what they are, in plain words."""

    def another(options: tuple[str, ...], now: str) -> str:
        return str(rng.choice([o for o in options if o != now]))

    pearls = plan.pearls + int(rng.choice([-8, -6, 6, 8]))
    leaves = plan.leaf_pairs + int(rng.choice([-1, 1]))
    field, ground = another(FIELDS, plan.field), another(GROUNDS[:-1], plan.ground)
    legend = another(_LEGEND_FACES, plan.legend_face)
    wing_end = another(("square", "swallow", "round"), plan.wing_end)
    border = another(BORDERS, plan.border)
    options: list[tuple[str, Callable[[BandPlan], BandPlan]]] = [
        (f"{pearls} pearls in the frame", lambda p: replace(p, pearls=pearls)),
        (f"{ground} ground on the wings", lambda p: replace(p, ground=ground)),
        (f"wing ends {wing_end}", lambda p: replace(p, wing_end=wing_end)),
        (f"{border} along the border", lambda p: replace(p, border=border)),
    ]
    if plan.layout != "nameplate":
        options += [
            (f"{field} lines behind the emblem", lambda p: replace(p, field=field)),
            (f"{leaves} leaf pairs", lambda p: replace(p, leaf_pairs=leaves)),
        ]
        if plan.layout != "crest":
            options.append(("legend in another typeface", lambda p: replace(p, legend_face=legend)))
    chosen = rng.choice(len(options), 3, replace=False)
    for k in chosen:
        plan = options[k][1](plan)
    return plan, tuple(options[k][0] for k in sorted(chosen))


def design_seal(
    marque: str, island: str, number: int, style: HouseStyle, rng: np.random.Generator
) -> SealPlan:
    """Seal that the guarantee body issues to a marque."""
    item = f"29{number:04d}{int(rng.integers(1_000_000)):06d}"
    return SealPlan(
        marque=marque,
        edition="",
        palette=PALETTES[style.palette],
        body=f"LEAF WARDENS OF {island}",
        title=str(rng.choice(["SEAL OF ORIGIN", "SEAL OF THE LEAF", "WARDENS' SEAL"])),
        island=island,
        emblem=style.emblem if style.emblem != "profile" else "palm",
        emblem_seed=int(rng.integers(1 << 20)),
        title_face=str(rng.choice(_CAPITAL_FACES[:6])),
        legend_face=str(rng.choice(_LEGEND_FACES)),
        petals=int(rng.integers(9, 20)),
        border_lines=int(rng.integers(3, 6)),
        gtin=item + str(check_digit(item)),
        hologram=str(rng.choice(["oval", "octagon", "shield", "lozenge"])),
        microtext=f"LEAF WARDENS OF {island}",
        serials=(),
        leaf_pairs=int(rng.integers(8, 11)),
        uv_rays=int(rng.choice([28, 36, 44])),
        mirrored=bool(rng.random() < 0.4),
    )


def design_cap(marque: str, rng: np.random.Generator, radius_mm: float) -> CapPlan:
    """How a marque's rollers finish the head; commonly in three turns."""
    turns = int(rng.choice([2, 3, 3, 3, 4]))
    first = float(rng.uniform(6.2, 7.4))
    return CapPlan(
        marque=marque,
        edition="",
        radius_mm=radius_mm,
        shoulder_mm=float(radius_mm * rng.uniform(0.5, 0.8)),
        turns=turns,
        round_mm=float(rng.uniform(3.2, 4.6)),
        first_seam_mm=first,
        seam_step_mm=float(rng.uniform(2.2, 3.2)),
        leaf=LEAVES[int(rng.integers(len(LEAVES)))],
        vein_mm=float(rng.uniform(4.5, 6.5)),
        vein_depth=float(rng.uniform(0.35, 0.65)),
        tooth=float(rng.uniform(0.2, 0.8)),
        oil=float(rng.uniform(0.35, 0.85)),
        lay=float(rng.uniform(0.3, 0.9)),
        off_centre_mm=float(rng.uniform(0.15, 0.35)),
    )
