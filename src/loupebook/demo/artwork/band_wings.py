"""Wings of a band: borders, beads, microtext, and what stands between them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import skia

from loupebook.demo.artwork import guilloche, lettering
from loupebook.demo.artwork.band_plan import BandPlan
from loupebook.demo.artwork.foliage import scroll_marks
from loupebook.demo.artwork.geometry import (
    circle,
    joined,
    mirrored,
    polygon,
)
from loupebook.demo.artwork.marks import drawn, gilded, gilt_line, solid
from loupebook.demo.artwork.model import Mark, Part
from loupebook.demo.artwork.ornaments import coin, pearls, star


@dataclass(frozen=True)
class Wing:
    """Strip between the end tab and the frame, on the left side."""

    left: float
    right: float
    top: float
    bottom: float

    @property
    def middle(self) -> tuple[float, float]:
        """Its centre in mm."""
        return (self.left + self.right) / 2, (self.top + self.bottom) / 2


def both_wings(plan: BandPlan, marks: list[Mark]) -> list[Mark]:
    """Repeat the marks of the left wing as mirror images on the right."""
    cx = plan.width / 2
    twin = [Mark(mirrored(m.path, cx), m.plate, m.stroke, m.value, m.overprints) for m in marks]
    return marks + twin


def border_parts(plan: BandPlan, wing: Wing) -> list[Part]:
    """Rules, motifs and microtext along both borders."""
    cx = plan.width / 2
    rules: list[Mark] = []
    beads: list[Mark] = []
    micro: list[Mark] = []
    for s, edge in ((1, wing.top), (-1, wing.bottom)):
        strip = skia.Path.Rect(
            skia.Rect(wing.left, min(edge - s, edge + 1.75 * s), cx, max(edge - s, edge + 1.75 * s))
        )
        rules.append(solid(strip, "dark"))
        for y, w in ((0.45, 0.26), (1.68, 0.20)):
            rules += gilt_line(_level(wing.left, cx, edge + s * y), w)
        rules.append(drawn(_level(wing.left, cx, edge + s * 1.90), "tint", 0.07, overprints=False))
        row = np.array([(wing.left + 0.4, edge + s * 1.08), (cx, edge + s * 1.08)])
        if plan.microtext and s == -1:
            text = lettering.micro_lines(
                plan.microtext, "gothic", 0.36, length=wing.right - wing.left - 3
            )
            path = lettering.line(
                text, "gothic", 0.36, at=((wing.left + wing.right) / 2, edge + s * 1.07)
            )
            micro.append(Mark(path, "tint"))
        if s == 1 or not plan.microtext:
            beads += _border_motif(plan, wing.left, cx, edge + s * 1.07, row)
    end = _upright(wing.left, wing.top, wing.bottom)
    rules += gilt_line(end, 0.5)
    second = [Mark(m.path, m.plate, m.stroke, m.value, m.overprints) for m in micro]
    if second:
        text = lettering.micro_lines(
            plan.microtext, "gothic", 0.36, length=wing.right - wing.left - 3
        )
        at = (plan.width - (wing.left + wing.right) / 2, wing.bottom - 1.07)
        second.append(Mark(lettering.line(text, "gothic", 0.36, at=at), "tint"))
    return [
        Part(
            "borders",
            "dark border rules edged in foil along the wings",
            tuple(both_wings(plan, rules)),
        ),
        Part(
            "border-motif",
            f"{plan.border} in foil along the upper border",
            tuple(both_wings(plan, beads)),
        ),
        Part("microtext", f"microtext along the lower border: {plan.microtext}", tuple(second)),
    ]


def _border_motif(
    plan: BandPlan, left: float, right: float, y: float, row: np.ndarray
) -> list[Mark]:
    if plan.border == "weave":
        weave = guilloche.wave_border(left + 0.3, right, y, 0.46, period=1.5, lines=4)
        return gilt_line(weave, 0.07)
    if plan.border == "chain":
        xs = np.arange(left + 0.8, right, 1.05)
        lozenges = joined(
            [polygon([(x - 0.42, y), (x, y - 0.3), (x + 0.42, y), (x, y + 0.3)]) for x in xs]
        )
        between = joined([circle(x + 0.525, y, 0.1) for x in xs])
        return [*gilded(lozenges), drawn(lozenges, "dark", 0.05), *gilded(between)]
    return pearls(row, count=int((right - left) / 0.92), radius=0.25, ink="dark", closed=False)


def wing_motifs(plan: BandPlan, wing: Wing) -> list[Part]:
    """Medals, scrolls, stars, rosettes, legends or the name, as the plan has it."""
    x0, x1 = wing.left + 1.0, wing.right - 0.6
    cy = (wing.top + wing.bottom) / 2
    room = (wing.bottom - wing.top) / 2 - 2.1
    count = plan.coins
    xs = np.linspace(x0, x1, 2 * count + 1)[1::2].tolist()
    if plan.wing_motif == "coins":
        r = min(room * 0.96, (x1 - x0) / count / 2 * 0.94)
        return [
            Part(
                f"coin-{side}-{k + 1}",
                f"gold medal with a head, {side} wing, number {k + 1}",
                tuple(
                    coin(
                        x if side == "left" else plan.width - x,
                        cy,
                        r,
                        seed=plan.emblem_seed + 7 * k,
                        ink="dark",
                    )
                ),
            )
            for side in ("left", "right")
            for k, x in enumerate(xs)
        ]
    if plan.wing_motif == "scrolls":
        pieces = max(1, round((x1 - x0) / (room * 1.9)))
        size = min(room * 1.55, (x1 - x0) / pieces / 1.25)
        marks: list[Mark] = []
        for k in range(pieces):
            x = x0 + (k + 0.5) * (x1 - x0) / pieces - 0.55 * size
            marks += scroll_marks(
                (x, cy), size, fill="foil", ink="dark", flip=(1, -1 if k % 2 else 1)
            )
        return [
            Part("scrolls", "foil acanthus scrolls on the wings", tuple(both_wings(plan, marks)))
        ]
    if plan.wing_motif == "stars":
        r = min(room * 0.62, (x1 - x0) / count / 2 * 0.8)
        body = joined([star(x, cy, r) for x in xs])
        small = joined(
            [star(x, cy, r * 0.34) for x in np.linspace(x0, x1, 2 * count + 1)[::2].tolist()]
        )
        marks = [*gilded(body), drawn(body, "dark", 0.07), *gilded(small)]
        return [Part("stars", f"{count} foil stars on each wing", tuple(both_wings(plan, marks)))]
    if plan.wing_motif == "rosettes":
        r = min(room, (x1 - x0) / count / 2)
        marks = []
        for x in xs:
            marks += [
                solid(circle(x, cy, r), "dark"),
                drawn(
                    guilloche.rosette(x, cy, r * 0.95, r * 0.30, petals=12, lines=6),
                    "tint",
                    0.05,
                    overprints=False,
                ),
                *gilt_line(circle(x, cy, r), 0.2),
                *gilded(star(x, cy, r * 0.3, 8)),
            ]
        return [
            Part(
                "rosettes",
                f"{count} lathe-work rosettes on each wing",
                tuple(both_wings(plan, marks)),
            )
        ]
    if plan.wing_motif == "name":
        return _wing_names(plan, x0, x1, cy, room)
    return _legends(plan, x0, x1, cy, room)


def _wing_names(plan: BandPlan, x0: float, x1: float, cy: float, room: float) -> list[Part]:
    parts = []
    for side, x in (("left", (x0 + x1) / 2), ("right", plan.width - (x0 + x1) / 2)):
        name = lettering.fitted(
            plan.name,
            plan.name_face,
            min(4.6, room * 0.8),
            at=(x, cy - 0.6),
            width=(x1 - x0) * 0.9,
            tracking=0.05,
        )
        under = lettering.fitted(
            plan.wing_legend.split("|")[0 if side == "left" else 1],
            plan.legend_face,
            1.1,
            at=(x, cy + room * 0.62),
            width=(x1 - x0) * 0.6,
            tracking=0.2,
        )
        panel = skia.Path.RRect(under.getBounds().makeOutset(0.7, 0.4), 0.4, 0.4)
        marks = [
            drawn(name, "dark", 0.36, overprints=False),
            *gilded(name, relief=1.0),
            drawn(name, "dark", 0.05),
            solid(panel, "dark"),
            *gilt_line(panel, 0.14),
            *gilded(under),
        ]
        parts.append(
            Part(
                f"wing-name-{side}", f"{plan.name} in large foil letters, {side} wing", tuple(marks)
            )
        )
    return parts


def _legends(plan: BandPlan, x0: float, x1: float, cy: float, room: float) -> list[Part]:
    words = plan.wing_legend.split("|")
    parts = []
    for side, text in zip(("left", "right"), words, strict=True):
        x = (x0 + x1) / 2 if side == "left" else plan.width - (x0 + x1) / 2
        path = lettering.fitted(
            text,
            plan.legend_face,
            min(2.6, room * 1.0),
            at=(x, cy),
            width=(x1 - x0) * 0.86,
            tracking=0.1,
        )
        bounds = path.getBounds()
        plate = skia.Path.RRect(bounds.makeOutset(1.1, 0.75), 0.9, 0.9)
        inner = skia.Path.RRect(bounds.makeOutset(0.85, 0.5), 0.7, 0.7)
        marks = [
            solid(plate, "dark"),
            *gilt_line(plate, 0.22),
            drawn(inner, "tint", 0.06, overprints=False),
            *gilded(path, relief=0.9),
        ]
        parts.append(
            Part(f"legend-{side}", f"{text} in foil on a dark label, {side} wing", tuple(marks))
        )
    return parts


def _level(left: float, right: float, y: float) -> skia.Path:
    return polygon([(left, y), (right, y)], closed=False)


def _upright(x: float, top: float, bottom: float) -> skia.Path:
    return polygon([(x, top), (x, bottom)], closed=False)
