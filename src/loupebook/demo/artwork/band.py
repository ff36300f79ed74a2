"""Draws a band from its plan: wings, frame, medallion, emblem, ribbon and name.

The face lies in the middle; the wings run round the cigar and overlap at the back, where
the glue joint carries a mark in UV ink.
"""

from __future__ import annotations

import math

import numpy as np
import skia

from loupebook.demo.artwork import guilloche, lettering
from loupebook.demo.artwork.band_centre import centre_parts
from loupebook.demo.artwork.band_plan import BandPlan
from loupebook.demo.artwork.band_wings import Wing, border_parts, both_wings, wing_motifs
from loupebook.demo.artwork.geometry import (
    ellipse_points,
    frame,
    joined,
    mirrored,
    polygon,
    smooth,
    united,
)
from loupebook.demo.artwork.marks import drawn, gilt_line, over, reversed_out, solid
from loupebook.demo.artwork.model import Artwork, Mark, Part, Plate, PlateKind
from loupebook.demo.artwork.palette import FOILS, UV_GREEN
from loupebook.records.model import Element

TAB_MM = 5.0
"""Plain paper at each end, under the overlap."""


def band_plates(plan: BandPlan) -> tuple[Plate, ...]:
    """Plates of a band, in printing order."""
    p = plan.palette
    return (
        Plate("ground", PlateKind.INK, p.ground),
        Plate("tint", PlateKind.INK, p.tint),
        Plate("accent", PlateKind.INK, p.accent),
        Plate("dark", PlateKind.INK, p.dark),
        Plate("foil", PlateKind.FOIL, FOILS[p.foil]),
        Plate("emboss", PlateKind.EMBOSS),
        Plate("uv", PlateKind.UV, UV_GREEN),
    )


def draw_band(plan: BandPlan) -> Artwork:
    """Artwork of a band."""
    cx, cy = plan.width / 2, plan.height / 2
    half = plan.wing_height / 2
    wing = Wing(TAB_MM, cx - plan.frame_width / 2 + 1.0, cy - half, cy + half)
    parts = [
        _ground(plan, wing),
        *border_parts(plan, wing),
        *wing_motifs(plan, wing),
        *centre_parts(plan),
        _joint_mark(plan, wing),
        _imprint(plan, wing),
    ]
    return Artwork(
        element=Element.BAND,
        width=plan.width,
        height=plan.height,
        outline=band_outline(plan),
        paper=plan.palette.paper,
        plates=band_plates(plan),
        parts=tuple(p for p in parts if p.marks),
        emboss_mm=plan.emboss_mm,
        radius_mm=plan.radius_mm,
        facts={"marque": plan.marque, "edition": plan.edition, "palette": plan.palette.name},
    )


def band_outline(plan: BandPlan, grow: float = 0.0) -> skia.Path:
    """Cut outline: strip and frame in one, `grow` mm larger all round."""
    cx, cy, half = plan.width / 2, plan.height / 2, plan.wing_height / 2
    left, notch = -grow, 2.4
    ends = {
        "square": [(left, -1.0), (left, 1.0)],
        "swallow": [(left, -1.0), (left + notch, 0.0), (left, 1.0)],
        "round": [
            (left + half * (1 - math.cos(a)), math.sin(a)) for a in np.linspace(-1.57, 1.57, 17)
        ],
    }[plan.wing_end]
    side = [(x, cy + s * (half + grow)) for x, s in ends]
    other = [(plan.width - x, y) for x, y in side[::-1]]
    strip = polygon([*side, *other])
    if plan.layout == "straight":
        return strip
    centre = frame(plan.frame, cx, cy, plan.frame_width + 2 * grow, plan.height + 2 * grow)
    shoulders = []
    for s in (-1, 1):
        y = cy + s * half
        reach = 0.62 * (plan.height / 2 - half)
        flank = cx - plan.frame_width / 2
        curve = smooth(
            [
                (flank - 6.5, y),
                (flank - 2.5, y + s * 0.22 * reach),
                (flank + 0.10 * plan.frame_width, y + s * reach),
                (cx, y + s * reach),
                (cx, y - s * 2),
                (flank - 6.5, y - s * 0.5),
            ]
        )
        shoulders += [polygon(curve), mirrored(polygon(curve), cx)]
    return united([strip, centre, *shoulders])


def _ground(plan: BandPlan, wing: Wing) -> Part:
    cx = plan.width / 2
    area = (wing.left, wing.top + 1.5, cx, wing.bottom - 1.5)
    light = sum(plan.palette.ground) > 1.2
    bleed = band_outline(plan, 0.6)
    tabs = joined(
        [
            skia.Path.Rect(skia.Rect(-2, -2, TAB_MM, 60)),
            skia.Path.Rect(skia.Rect(plan.width - TAB_MM, -2, plan.width + 2, 60)),
        ]
    )
    marks = [solid(bleed, "ground")]
    if plan.ground == "moire":
        lines = guilloche.moire_ground(*area, pitch=0.34, swing=0.42, period=4.4)
    elif plan.ground == "engine":
        lines = guilloche.engine_turned(*area, pitch=0.95)
    elif plan.ground == "lattice":
        lines = guilloche.lattice(*area, pitch=1.15)
    elif plan.ground == "waves":
        rows = np.arange(area[1] + 0.8, area[3], 1.6)
        lines = joined(
            [guilloche.wave_border(area[0], area[2], y, 0.75, period=2.1, lines=5) for y in rows]
        )
    else:
        lines = skia.Path()
    plate = "dark" if light else "tint"
    marks += both_wings(plan, [drawn(lines, plate, 0.055, overprints=light)])
    marks += [*_glory(plan), reversed_out(tabs)]
    return Part("ground", f"{plan.palette.name} wings with {plan.ground} ground", tuple(marks))


def _glory(plan: BandPlan) -> list[Mark]:
    """Fan of rays behind the frame, which fills the shoulders of the outline."""
    if plan.layout == "straight":
        return []
    cx, cy = plan.width / 2, plan.height / 2
    edge = ellipse_points(cx, cy, plan.frame_width / 2 + 6.0, plan.height * 0.56)
    base, top = ("dark", "foil") if plan.glory == "foil" else ("accent", "tint")
    fan = guilloche.rays(cx, cy, edge, count=132, share=0.36 if plan.glory == "foil" else 0.5)
    return [
        solid(polygon(edge), base),
        Mark(fan, top),
        *gilt_line(polygon(edge), 0.3),
        *gilt_line(band_outline(plan), 0.8, relief=0.5),
    ]


def _joint_mark(plan: BandPlan, wing: Wing) -> Part:
    """UV mark near the glue joint."""
    x, y = TAB_MM / 2, (wing.top + wing.bottom) / 2
    text = lettering.line(plan.monogram, plan.name_face, 2.6, at=(x, y))
    lines = guilloche.rosette(x, y, 2.3, 1.9, petals=10, lines=2)
    return Part(
        "uv-joint",
        "UV ink: monogram in a ring near the glue joint",
        (over(text, "uv"), drawn(lines, "uv", 0.1)),
    )


def _imprint(plan: BandPlan, wing: Wing) -> Part:
    """Say on its face that the item is invented."""
    x = plan.width - TAB_MM / 2
    turned = lettering.line(
        "INVENTED FOR A DEMONSTRATION", "gothic", 0.62, at=(0.0, 0.0), tracking=0.08
    )
    matrix = skia.Matrix.Translate(x, (wing.top + wing.bottom) / 2)
    matrix.preRotate(90)
    path = skia.Path()
    turned.transform(matrix, path)
    return Part(
        "imprint",
        "printer's imprint on the end tab: invented for a demonstration",
        (over(path, "dark"),),
    )
