"""What guards a seal: hologram patch, bar code, numbers, and the UV crest."""

from __future__ import annotations

import math

import skia

from loupebook.demo.artwork import barcode, guilloche, lettering
from loupebook.demo.artwork.crest import quarters
from loupebook.demo.artwork.foliage import laurel
from loupebook.demo.artwork.geometry import (
    ellipse_points,
    frame_points,
    joined,
    polygon,
)
from loupebook.demo.artwork.marks import drawn, over, reversed_out
from loupebook.demo.artwork.model import Mark, Part
from loupebook.demo.artwork.ornaments import emblem_marks, star
from loupebook.demo.artwork.seal_plan import BOTTOM, OVER_CODE, SealPlan

CODE_WIDTH_MM = (95 + barcode.QUIET_LEFT + barcode.QUIET_RIGHT) * barcode.X_DIMENSION_MM


def hologram_part(plan: SealPlan, x: float, y: float) -> Part:
    """Patch of metal with gratings of several pitches and directions, centred on x, y."""
    outline = frame_points(plan.hologram, x, y, 9.4, 11.6)
    patch = polygon(outline)
    marks = [Mark(patch, "foil"), Mark(patch, "hologram", grating=(1.35, 0.0))]
    for k, scale in enumerate((0.86, 0.70, 0.54)):
        inner = polygon((outline - (x, y)) * scale + (x, y))
        marks.append(Mark(inner, "hologram", grating=(1.05 + 0.16 * k, 0.5 + 0.9 * k)))
    for k in range(12):
        a = 2 * math.pi * k / 12
        ray = polygon(
            [
                (x, y),
                (x + 5.2 * math.cos(a), y + 5.2 * math.sin(a)),
                (x + 5.2 * math.cos(a + 0.2), y + 5.2 * math.sin(a + 0.2)),
            ]
        )
        cut = skia.Op(ray, patch, skia.PathOp.kIntersect_PathOp)
        marks.append(Mark(cut, "hologram", grating=(0.95 + 0.05 * k, a)))
    marks.append(Mark(star(x, y, 2.7, 8), "hologram", grating=(1.62, 0.4)))
    letter = lettering.line(plan.island[0], "roman", 2.2, at=(x, y))
    marks += [Mark(letter, "hologram", grating=(0.88, 1.57)), drawn(patch, "dark", 0.05)]
    return Part("hologram", f"hologram patch, {plan.hologram} shape, with a star", tuple(marks))


def code_parts(plan: SealPlan, x: float) -> list[Part]:
    """Bar code with its quiet zones and digits, centred on x."""
    left = x - CODE_WIDTH_MM / 2
    top, height = 11.4, 9.4
    first = left + barcode.QUIET_LEFT * barcode.X_DIMENSION_MM
    panel = skia.Path.Rect(skia.Rect(left, top - 0.9, left + CODE_WIDTH_MM, top + height + 2.6))
    lines = barcode.bars(plan.gtin, left=first, top=top, height=height)
    digits = joined(
        [
            lettering.line(
                text,
                "numerals",
                1.45,
                at=(first + at * barcode.X_DIMENSION_MM, top + height + 1.25),
                tracking=0.25,
            )
            for text, at in ((plan.gtin[0], -5.5), (plan.gtin[1:7], 24.5), (plan.gtin[7:], 70.5))
        ]
    )
    return [
        Part(
            "barcode",
            f"EAN-13 bar code {plan.gtin}",
            (reversed_out(panel), over(lines, "dark"), over(digits, "dark")),
        )
    ]


def serial_parts(plan: SealPlan, text_x: float, code_x: float) -> list[Part]:
    """Numbers under the vignette and over the bar code."""
    places = {BOTTOM: (text_x, 25.75), OVER_CODE: (code_x, 7.4)}
    parts = []
    for where, number in plan.serials:
        if where in places:
            path = lettering.line(
                number, "numerals", 2.0 if where == BOTTOM else 2.5, at=places[where], tracking=0.22
            )
            parts.append(
                Part(
                    f"serial-{where.replace(' ', '-')}",
                    f"number {number}, printed {where}",
                    (drawn(path, "paper", 0.4, overprints=False), over(path, "serial")),
                )
            )
    return parts


def uv_parts(plan: SealPlan, x: float) -> list[Part]:
    """Rays, crest and name of the island in UV inks; a number only on careless copies."""
    y, size = plan.height / 2, 21.0
    shield, fields = quarters(x, y + 1.4, size * 0.62, size * 0.74)
    disc = ellipse_points(x, y, 17.0, 12.0)
    lines = [
        drawn(shield, "uv", 0.35),
        over(fields[0], "uv", tint=0.35),
        over(fields[3], "uv", tint=0.35),
        *[drawn(f, "uv", 0.18) for f in fields],
    ]
    arms = emblem_marks(
        plan.emblem,
        plan.emblem_seed,
        at=(x, y + 1.2),
        size=size * 0.46,
        ink="uv",
        fill=None,
        pitch=0.3,
        relief=0.0,
    )
    lines += [m for m in arms if m.plate == "uv"]
    wreath = laurel(
        x, y + 1.2, size * 0.43, size * 0.40, pairs=8, fill="uv", ink="uv", size=size * 0.10
    )
    lines += [Mark(m.path, "uv", m.stroke, m.value, True) for m in wreath if m.plate == "uv"]
    rays = guilloche.rays(x, y, disc, count=plan.uv_rays, share=0.14)
    words = lettering.line(
        plan.island, plan.legend_face, 2.2, at=(x, plan.height - 5.2), tracking=0.7
    )
    parts = [
        Part(
            "uv-rays", "UV ink: orange rays behind the crest", (over(rays, "uv-orange", tint=0.7),)
        ),
        Part("uv-crest", "UV ink: complete crest without a number", tuple(lines)),
        Part("uv-island", "UV ink: name of the island", (over(words, "uv-orange"),)),
    ]
    if plan.uv_number:
        number = lettering.line(plan.uv_number, "numerals", 2.6, at=(x, y + 3.0))
        parts.append(
            Part("uv-number", "UV ink: a number inside the crest", (over(number, "uv-orange"),))
        )
    return parts
