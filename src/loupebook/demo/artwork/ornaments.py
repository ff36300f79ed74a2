"""Ornaments as marks: pearls, laurel, coins, scrolls, ribbons, stars, engraved emblems.

Each function returns the marks of one motif. `ink` names the plate of the engraving ink,
`fill` that of the body, `FOIL` and `EMBOSS` the plates that every edition has.
"""

from __future__ import annotations

import math
from collections.abc import Collection

import numpy as np
import skia

from loupebook.demo.artwork.emblems import EMBLEMS
from loupebook.demo.artwork.geometry import (
    Points,
    along,
    circle,
    dots,
    ellipse_points,
    joined,
    polygon,
    ring,
    tapered,
    transformed,
)
from loupebook.demo.artwork.marks import FOIL, drawn, over, raised
from loupebook.demo.artwork.model import Mark
from loupebook.demo.artwork.relief import engrave, shade_of


def pearls(
    outline: Points,
    *,
    count: int,
    radius: float,
    ink: str,
    closed: bool = True,
    missing: Collection[int] = (),
    plate: str = FOIL,
) -> list[Mark]:
    """Beads along an outline, each with a shaded side; `missing` are left out."""
    length = float(np.hypot(*np.diff(outline, axis=0).T).sum())
    places, _ = along(outline, closed=closed, step=length / count)
    kept = np.array([p for k, p in enumerate(places) if k not in missing])
    beads = dots(kept, radius)
    shade = joined(
        [
            tapered(
                np.column_stack(
                    [x + radius * 0.78 * np.cos(_CRESCENT), y + radius * 0.78 * np.sin(_CRESCENT)]
                ),
                radius * 0.36 * np.sin(np.linspace(0, np.pi, len(_CRESCENT))),
            )
            for x, y in kept.tolist()
        ]
    )
    return [
        Mark(beads, plate),
        raised(beads, 0.9),
        over(shade, ink),
        drawn(beads, ink, min(0.05, radius / 4)),
    ]


_CRESCENT = np.linspace(-0.35, 1.95, 9)


def emblem_marks(
    kind: str,
    seed: int,
    *,
    at: tuple[float, float],
    size: float,
    ink: str,
    fill: str | None,
    pitch: float = 0.15,
    relief: float = 0.8,
) -> list[Mark]:
    """Engraved emblem, centred on `at`; `fill` lies under the lines."""
    figure = EMBLEMS[kind][1](np.random.default_rng(seed))
    dark = shade_of(figure.height)
    lines = engrave(figure.height, figure.mask, dark, pitch=pitch / size, lift=0.032)
    move = (at[0] - size / 2, at[1] - size / 2)
    outline, lines, accents = (
        transformed(p, scale=size, move=move) for p in (figure.outline, lines, figure.accents)
    )
    ground = [Mark(outline, fill)] if fill else []
    return [
        *ground,
        over(lines, ink),
        over(accents, ink),
        drawn(outline, ink, 0.07),
        raised(outline, relief),
    ]


def coin(
    x: float, y: float, radius: float, *, seed: int, ink: str, kind: str = "profile"
) -> list[Mark]:
    """Medal in foil: reeded rim, ring of beads, engraved emblem."""
    rim = circle(x, y, radius)
    t = np.arange(64) * 2 * np.pi / 64
    reeds = joined(
        [
            polygon(
                [(x + a * math.cos(v), y + a * math.sin(v)) for a in (0.93 * radius, radius)],
                closed=False,
            )
            for v in t.tolist()
        ]
    )
    beads = dots(ellipse_points(x, y, radius * 0.82, radius * 0.82, 40), radius * 0.035)
    return [
        Mark(rim, FOIL),
        raised(ring(rim, circle(x, y, radius * 0.9)), 1.0),
        drawn(reeds, ink, 0.04),
        drawn(rim, ink, 0.06),
        drawn(circle(x, y, radius * 0.9), ink, 0.04),
        over(beads, ink),
        *emblem_marks(
            kind,
            seed,
            at=(x, y + 0.04 * radius),
            size=radius * 1.42,
            ink=ink,
            fill=None,
            pitch=max(0.11, radius / 26),
        ),
    ]


def star(x: float, y: float, radius: float, points: int = 5) -> skia.Path:
    """Mullet with one point up."""
    t = np.arange(2 * points) * np.pi / points - np.pi / 2
    r = np.where(np.arange(2 * points) % 2 == 0, radius, radius * 0.42)
    return polygon(np.column_stack([x + r * np.cos(t), y + r * np.sin(t)]))
