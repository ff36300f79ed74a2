"""Middle of a band: frame, pearls, medallion with legend, emblem, laurel, ribbon and name."""

from __future__ import annotations

import math

import numpy as np
import skia

from loupebook.demo.artwork import guilloche, lettering
from loupebook.demo.artwork.band_nameplate import nameplate_parts
from loupebook.demo.artwork.band_plan import BandPlan
from loupebook.demo.artwork.crest import crest_marks
from loupebook.demo.artwork.foliage import laurel
from loupebook.demo.artwork.geometry import (
    ellipse_points,
    frame_points,
    joined,
    offset,
    polygon,
    ring,
)
from loupebook.demo.artwork.marks import drawn, gilded, gilt_line, over, raised, solid
from loupebook.demo.artwork.model import Mark, Part
from loupebook.demo.artwork.ornaments import emblem_marks, pearls, star
from loupebook.demo.artwork.ribbons import ribbon


def centre_parts(plan: BandPlan) -> list[Part]:
    """All parts of the middle, in drawing order."""
    if plan.layout == "nameplate":
        return [*_frame(plan), *nameplate_parts(plan)]
    if plan.layout == "crest":
        return [*_frame(plan), *_arms(plan), *_ribbon(plan)]
    ribbon_parts = [] if plan.wing_motif == "name" else _ribbon(plan)
    return [*_frame(plan), *_medallion(plan), *ribbon_parts]


def _middle(plan: BandPlan) -> tuple[float, float]:
    return plan.width / 2, plan.height / 2


def _frame(plan: BandPlan) -> list[Part]:
    cx, cy = _middle(plan)
    height = plan.wing_height - 0.8 if plan.layout == "straight" else plan.height - 0.9
    width = plan.frame_width - 0.9
    outer = frame_points(plan.frame, cx, cy, width, height)
    edge, groove, inner = (polygon(offset(outer, -d)) for d in (0.0, 0.75, 1.75))
    frame_marks = [
        solid(polygon(offset(outer, 0.25)), "dark"),
        *gilded(ring(edge, groove)),
        drawn(polygon(offset(outer, -0.38)), "dark", 0.06),
        solid(groove, "accent"),
        *gilt_line(inner, 0.18),
        drawn(groove, "dark", 0.08),
    ]
    beads = pearls(
        offset(outer, -1.24),
        count=plan.pearls,
        radius=0.36,
        ink="dark",
        missing=plan.missing_pearls,
    )
    inside = offset(outer, -1.84)
    panel = polygon(inside)
    lines = guilloche.concentric(inside, cx, cy, count=22, inner=0.45)
    spandrel = [solid(panel, "tint"), drawn(lines, "dark", 0.045)]
    return [
        Part("frame", f"{plan.frame} frame in foil with a coloured channel", tuple(frame_marks)),
        Part("frame-pearls", f"ring of {plan.pearls} foil pearls round the frame", tuple(beads)),
        Part("spandrel", "engraved echo lines inside the frame", tuple(spandrel)),
    ]


def _medallion_size(plan: BandPlan) -> tuple[float, float]:
    """Half axes of the medallion in the frame."""
    height = plan.wing_height - 0.8 if plan.layout == "straight" else plan.height - 0.9
    inset = {"oval": 1.9, "circle": 1.9, "shield": 2.9, "arch": 2.9, "octagon": 2.5}.get(
        plan.frame, 3.5
    )
    ry = height / 2 - inset
    rx = (plan.frame_width - 0.9) / 2 - inset
    if plan.frame not in ("oval", "cartouche"):
        rx = ry = min(rx, ry)
    return min(rx, ry * 1.35), min(ry, rx * 1.3)


def _medallion(plan: BandPlan) -> list[Part]:
    cx, cy = _middle(plan)
    rx, ry = _medallion_size(plan)
    cap = min(1.35, ry * 0.15)
    rim = ellipse_points(cx, cy, rx, ry)
    band = cap * 1.9
    field = ellipse_points(cx, cy, rx - band, ry - band)
    legend_ring = [
        solid(polygon(rim), "ground"),
        *gilt_line(polygon(rim), 0.26),
        drawn(polygon(offset(rim, -0.28)), "dark", 0.05),
    ]
    parts = [
        Part("legend-ring", "coloured ring that carries the legend", tuple(legend_ring)),
        *_ring_text(plan, rx, ry, cap, band),
        _field(plan, field),
    ]
    inner = min(rx, ry) - band
    if plan.leaf_pairs:
        branch = laurel(
            cx,
            cy,
            rx - band - 0.95,
            ry - band - 0.85,
            pairs=plan.leaf_pairs,
            fill="foil",
            ink="dark",
            size=max(1.0, inner * 0.30),
            missing=plan.missing_leaves,
        )
        parts.append(
            Part("laurel", f"laurel of {plan.leaf_pairs} leaf pairs a branch", tuple(branch))
        )
    size = inner * (1.62 if plan.leaf_pairs else 1.78)
    parts.append(_emblem(plan, cx, cy - 0.04 * size, size))
    return parts


def _arms(plan: BandPlan) -> list[Part]:
    """Large crest on a field of lines that fills the frame."""
    cx, cy = _middle(plan)
    rx, ry = plan.frame_width / 2 - 2.6, plan.height / 2 - 2.6
    field = ellipse_points(cx, cy, rx * 0.94, ry * 0.96)
    size = min(plan.height * 0.66, plan.frame_width * 0.80)
    y = cy - 0.055 * plan.height
    arms = crest_marks(
        (cx, y),
        size,
        seed=plan.emblem_seed,
        kind=plan.emblem,
        pairs=plan.leaf_pairs,
        missing=plan.missing_leaves,
    )
    return [
        _field(plan, field),
        Part(
            "emblem", f"crest: quartered shield with {plan.emblem}, crown and laurel", tuple(arms)
        ),
    ]


def _ring_text(plan: BandPlan, rx: float, ry: float, cap: float, band: float) -> list[Part]:
    cx, cy = _middle(plan)
    radius, stretch = ry - band / 2, (rx - band / 2) / (ry - band / 2)
    natural = lettering.text_width(plan.top_legend, plan.legend_face, cap, tracking=0.16)
    cap *= min(1.0, 2.35 * radius * (1 + stretch) / 2 / natural)
    top = lettering.arc(
        plan.top_legend,
        plan.legend_face,
        cap,
        centre=(cx, cy),
        radius=radius,
        middle=-math.pi / 2,
        tracking=0.16,
        stretch=stretch,
    )
    light = sum(plan.palette.ground) > 1.2
    ink = "dark" if light else "foil"
    marks = [Mark(top, ink), raised(top, 0.7)]
    angles = [a * s for a in (0.0, 0.32, 0.64) for s in (1, -1)]
    places = [
        (cx + s * (rx - band / 2) * math.cos(a), cy + radius * math.sin(a))
        for a in angles
        for s in (-1, 1)
    ]
    end = abs(_legend_end(plan, radius, stretch, cap))
    stars = joined(
        [
            star(x, y, cap * (0.5 if y == cy else 0.3))
            for x, y in places
            if math.asin(min(1.0, max(-1.0, (cy - y) / radius))) < end - 0.17
        ]
    )
    marks += gilded(stars) if not light else [Mark(stars, "accent")]
    return [Part("ring-legend", f"legend on the ring: {plan.top_legend}", tuple(marks))]


def _legend_end(plan: BandPlan, radius: float, stretch: float, cap: float) -> float:
    """Elevation angle (radians above the middle) at which the legend stops."""
    width = lettering.text_width(plan.top_legend, plan.legend_face, cap, tracking=0.16)
    return math.pi / 2 - width / 2 / (radius * max(1.0, (1 + stretch) / 2))


def _field(plan: BandPlan, outline: np.ndarray) -> Part:
    cx, cy = _middle(plan)
    path = polygon(outline)
    rx, ry = float(np.ptp(outline[:, 0])) / 2, float(np.ptp(outline[:, 1])) / 2
    marks = [solid(path, "tint")]
    if plan.field == "rays":
        marks.append(
            over(guilloche.rays(cx, cy, outline, count=72, share=0.42), "accent", tint=0.55)
        )
    elif plan.field == "rosette":
        lines = guilloche.rosette(cx, cy, ry * 0.98, ry * 0.2, petals=18, lines=10, stretch=rx / ry)
        marks.append(drawn(lines, "accent", 0.05))
    elif plan.field == "engine":
        clip = guilloche.engine_turned(cx - rx, cy - ry, cx + rx, cy + ry, pitch=0.7)
        marks.append(drawn(_within(clip, outline, cx, cy), "accent", 0.05))
    elif plan.field == "echo":
        marks.append(
            drawn(guilloche.concentric(outline, cx, cy, count=26, inner=0.1), "accent", 0.05)
        )
    else:
        spiro = guilloche.hypotrochoid(
            cx, cy, ry * 0.97, big=96, small=47, reach=0.94, stretch=rx / ry
        )
        marks.append(drawn(spiro, "accent", 0.05))
    marks += [*gilt_line(path, 0.24), drawn(polygon(offset(outline, -0.3)), "dark", 0.06)]
    return Part("field", f"field behind the emblem filled with {plan.field} lines", tuple(marks))


def _within(lines: skia.Path, outline: np.ndarray, cx: float, cy: float) -> skia.Path:
    """Vertices pulled back onto the outline where lines would leave it."""
    rx, ry = float(np.ptp(outline[:, 0])) / 2, float(np.ptp(outline[:, 1])) / 2
    out = skia.Path()
    points = np.array([(p.x(), p.y()) for p in lines.getPoints(lines.countPoints())])
    inside = ((points[:, 0] - cx) / rx) ** 2 + ((points[:, 1] - cy) / ry) ** 2 < 0.985
    gap = np.flatnonzero(np.diff(inside.astype(int)) != 0) + 1
    jump = np.flatnonzero(np.hypot(*np.diff(points, axis=0).T) > 0.5) + 1
    for run in np.split(np.arange(len(points)), np.unique(np.concatenate([gap, jump]))):
        if len(run) > 1 and inside[run[0]]:
            out.addPath(polygon(points[run], closed=False))
    return out


def _emblem(plan: BandPlan, x: float, y: float, size: float) -> Part:
    if plan.layout == "monogram":
        path = lettering.fitted(
            plan.monogram, plan.name_face, size * 0.8, at=(x, y), width=size * 1.1
        )
        marks = [
            drawn(path, "dark", 0.7, overprints=False),
            *gilded(path, relief=1.0),
            drawn(path, "dark", 0.06),
        ]
        return Part("emblem", f"monogram {plan.monogram} in foil", tuple(marks))
    what = {"profile": "engraved head in profile"}.get(plan.emblem, f"engraved {plan.emblem}")
    return Part(
        "emblem",
        what,
        tuple(
            emblem_marks(
                plan.emblem, plan.emblem_seed, at=(x, y), size=size, ink="dark", fill="paper"
            )
        ),
    )


def _ribbon(plan: BandPlan) -> list[Part]:
    cx, cy = _middle(plan)
    height = min(4.3, plan.height * 0.17)
    width = plan.frame_width * (1.12 if plan.layout != "straight" else 1.3)
    drop = 0.31 * (plan.wing_height if plan.layout == "straight" else plan.height)
    light = sum(plan.palette.ground) > 1.2
    cap = height * 0.54
    natural = lettering.text_width(plan.name, plan.name_face, cap, tracking=0.06)
    cap *= min(1.0, width * 0.86 / natural)
    width = min(width, natural + 5.0)
    marks, radius = ribbon(
        cx, cy + drop, width, height, sag=0.055 * width, fill="paper", ink="dark", back="accent"
    )
    middle = cy + drop - radius
    text = lettering.arc(
        plan.name,
        plan.name_face,
        cap,
        centre=(cx, middle),
        radius=radius,
        middle=math.pi / 2,
        tracking=0.06,
        inward=True,
    )
    name = [
        Mark(text, "accent" if light else "ground"),
        raised(text, 0.9),
        drawn(text, "dark", 0.06),
    ]
    return [
        Part("ribbon", "ribbon with folded ends across the foot of the frame", tuple(marks)),
        Part("name", f"the name {plan.name} on the ribbon", tuple(name)),
    ]
