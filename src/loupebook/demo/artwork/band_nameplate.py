"""Middle of a band that carries its name large on a plate."""

from __future__ import annotations

import numpy as np

from loupebook.demo.artwork import guilloche, lettering
from loupebook.demo.artwork.band_plan import BandPlan
from loupebook.demo.artwork.foliage import scroll_marks
from loupebook.demo.artwork.geometry import (
    circle,
    ellipse_points,
    joined,
    offset,
    polygon,
)
from loupebook.demo.artwork.marks import drawn, gilded, gilt_line, over, raised, solid
from loupebook.demo.artwork.model import Mark, Part
from loupebook.demo.artwork.ornaments import emblem_marks


def nameplate_parts(plan: BandPlan) -> list[Part]:
    """Plate, name, badge and scrolls, in drawing order."""
    cx, cy = plan.width / 2, plan.height / 2
    w, h = plan.frame_width, plan.height
    plate = ellipse_points(cx, cy + 0.06 * h, w * 0.405, h * 0.185, 200)
    box = np.column_stack(
        [
            cx
            + np.sign(plate[:, 0] - cx)
            * np.abs((plate[:, 0] - cx) / (w * 0.405)) ** 0.55
            * w
            * 0.405,
            plate[:, 1],
        ]
    )
    path = polygon(box)
    panel = [
        solid(path, "ground"),
        *gilt_line(path, 0.3),
        drawn(polygon(offset(box, -0.4)), "tint", 0.07, overprints=False),
    ]
    cap = h * 0.2
    natural = lettering.text_width(plan.name, plan.name_face, cap, tracking=0.03)
    cap *= min(1.0, w * 0.70 / natural)
    text = lettering.line(plan.name, plan.name_face, cap, at=(cx, cy + 0.06 * h), tracking=0.03)
    light = sum(plan.palette.ground) > 1.2
    name = [
        drawn(text, "dark", 0.34, overprints=False),
        *([Mark(text, "accent"), raised(text, 1.0)] if light else gilded(text, relief=1.0)),
        drawn(text, "dark", 0.05),
    ]
    size = h * 0.30
    top = cy - 0.5 * h + 2.3 + size / 2
    disc = ellipse_points(cx, top, size * 0.62, size * 0.56)
    badge = [
        solid(polygon(disc), "tint"),
        over(guilloche.rays(cx, top, disc, count=48, share=0.4), "accent", tint=0.5),
        *gilt_line(polygon(disc), 0.22),
        drawn(polygon(offset(disc, -0.25)), "dark", 0.05),
    ]
    sides: list[Mark] = []
    for s in (-1, 1):
        sides += scroll_marks(
            (cx + s * size * 0.66, top + 0.1), size * 0.86, fill="foil", ink="dark", flip=(s, 1)
        )
    cap2 = min(1.4, h * 0.062)
    low = lettering.fitted(
        plan.low_legend,
        plan.legend_face,
        cap2,
        at=(cx, cy + 0.30 * h),
        width=w * 0.5,
        tracking=0.12,
    )
    legend = [drawn(low, "tint", 0.7, overprints=False), Mark(low, "dark"), raised(low, 0.5)]
    return [
        Part("nameplate", "coloured plate that carries the name", tuple(panel)),
        Part("name", f"the name {plan.name} large across the middle", tuple(name)),
        Part("side-scrolls", "foil acanthus scrolls beside the badge", tuple(sides)),
        Part("badge", "small rayed badge above the name", tuple(badge)),
        Part(
            "emblem",
            f"small engraved {plan.emblem} in the badge",
            tuple(
                emblem_marks(
                    plan.emblem,
                    plan.emblem_seed,
                    at=(cx, top),
                    size=size * 0.98,
                    ink="dark",
                    fill="paper",
                    pitch=0.12,
                )
            ),
        ),
        Part("low-legend", f"legend under the name: {plan.low_legend}", tuple(legend)),
        Part(
            "low-dots",
            "three foil dots at the foot",
            tuple(
                gilded(
                    joined(
                        [
                            circle(cx + d, cy + 0.41 * h, 0.32 - 0.05 * abs(d))
                            for d in (-1.1, 0.0, 1.1)
                        ]
                    )
                )
            ),
        ),
    ]
