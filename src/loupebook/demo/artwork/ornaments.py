"""Ornaments as marks: pearls, laurel, coins, scrolls, ribbons, stars, engraved emblems.

Each function returns the marks of one motif. `ink` names the plate of the engraving ink,
`fill` that of the body, `FOIL` and `EMBOSS` the plates that every edition has.
"""

from __future__ import annotations

import math
from collections.abc import Collection

import numpy as np
import skia

from loupebook.demo.artwork.emblems import EMBLEMS, leaf_shape
from loupebook.demo.artwork.geometry import (
    Points,
    along,
    circle,
    dots,
    ellipse_points,
    joined,
    mirrored,
    polygon,
    ring,
    smooth,
    tapered,
    transformed,
    united,
)
from loupebook.demo.artwork.model import PAPER, Mark
from loupebook.demo.artwork.relief import engrave, shade_of

FOIL, EMBOSS = "foil", "emboss"


def solid(path: skia.Path, plate: str, *, tint: float = 1.0) -> Mark:
    """Filled area that knocks out what lies below."""
    return Mark(path, plate, value=tint)


def over(path: skia.Path, plate: str, *, tint: float = 1.0) -> Mark:
    """Filled area printed over what lies below."""
    return Mark(path, plate, value=tint, overprints=True)


def drawn(path: skia.Path, plate: str, width: float, *, overprints: bool = True) -> Mark:
    """Line work of a width in mm."""
    return Mark(path, plate, stroke=width, overprints=overprints)


def raised(path: skia.Path, value: float = 1.0, stroke: float | None = None) -> Mark:
    """Embossed area or line."""
    return Mark(path, EMBOSS, stroke=stroke, value=value, overprints=True)


def gilded(path: skia.Path, *, relief: float = 0.7) -> list[Mark]:
    """Area in foil, raised."""
    return [Mark(path, FOIL), raised(path, relief)]


def gilt_line(path: skia.Path, width: float, *, relief: float = 0.6) -> list[Mark]:
    """Line in foil, raised."""
    return [drawn(path, FOIL, width, overprints=False), raised(path, relief, width)]


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


def laurel(
    cx: float,
    cy: float,
    rx: float,
    ry: float,
    *,
    pairs: int,
    fill: str,
    ink: str,
    start: float = 1.45,
    end: float = -0.75,
    size: float = 1.0,
    missing: Collection[int] = (),
) -> list[Mark]:
    """Two branches that rise from below; leaf pairs count from the bottom of the left branch."""
    leaves: list[skia.Path] = []
    ribs: list[skia.Path] = []
    berries: list[skia.Path] = []
    angles = np.linspace(start, end, pairs)
    for side in (0, 1):
        for k, a in enumerate(angles):
            if side * pairs + k in missing:
                continue
            x, y = cx + rx * math.cos(a), cy + ry * math.sin(a)
            heading = math.atan2(-ry * math.cos(a), rx * math.sin(a))
            length = size * (1.15 - 0.35 * k / pairs)
            for lean in (-0.55, 0.55, 0.0):
                if lean == 0.0 and k < pairs - 1:
                    continue
                leaf = transformed(leaf_shape(length), turn=heading + lean, move=(x, y))
                rib = polygon(
                    [
                        (x, y),
                        (
                            x + 0.8 * length * math.cos(heading + lean),
                            y + 0.8 * length * math.sin(heading + lean),
                        ),
                    ],
                    closed=False,
                )
                leaves.append(mirrored(leaf, cx) if side else leaf)
                ribs.append(mirrored(rib, cx) if side else rib)
            if k % 2:
                berry = circle(
                    x + 0.35 * size * math.cos(a), y + 0.35 * size * math.sin(a), 0.13 * size
                )
                berries.append(mirrored(berry, cx) if side else berry)
    stem = polygon(
        np.column_stack(
            [
                cx + rx * np.cos(np.linspace(1.62, end, 40)),
                cy + ry * np.sin(np.linspace(1.62, end, 40)),
            ]
        ),
        closed=False,
    )
    body = joined(leaves)
    return [
        drawn(joined([stem, mirrored(stem, cx)]), ink, 0.14, overprints=False),
        Mark(body, fill),
        raised(body, 0.6),
        drawn(body, ink, 0.06),
        drawn(joined(ribs), ink, 0.05),
        Mark(joined(berries), fill),
        drawn(joined(berries), ink, 0.05),
    ]


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


def scroll(size: float) -> tuple[skia.Path, skia.Path]:
    """Acanthus scroll, about `size` square round (0.55 size, 0): body, and its inner lines."""
    t = np.linspace(0, 4.2 * np.pi, 160)
    r = 0.40 * np.exp(-0.155 * t)
    spiral = np.column_stack([0.55 - r * np.cos(t), r * np.sin(t)])
    body = [tapered(spiral, 0.085 * np.exp(-0.09 * t)), circle(0.55, 0.0, 0.055)]
    lines = [polygon(spiral[8:130], closed=False)]
    for k, at in enumerate(np.linspace(2, 112, 20).astype(int)):
        heading = math.atan2(*(spiral[at + 1] - spiral[at])[::-1])
        for side, share in ((1, 1.0), (-1, 0.42)):
            length = share * (0.30 - 0.0095 * k) * (1.0 if k % 2 else 0.82)
            turn = heading + side * 0.72
            body.append(transformed(leaf_shape(length, 0.62), turn=turn, move=tuple(spiral[at])))
            tip = spiral[at] + 0.8 * length * np.array([math.cos(turn), math.sin(turn)])
            lines.append(polygon([spiral[at], tip], closed=False))
    tail = smooth([(0.15, 0.0), (0.10, -0.28), (0.20, -0.46), (0.42, -0.54)], closed=False)
    body.append(tapered(tail, 0.075 * np.linspace(1, 0.1, len(tail))))
    for at in range(6, len(tail) - 4, 5):
        heading = math.atan2(*(tail[at + 1] - tail[at])[::-1])
        for side in (1, -1):
            body.append(
                transformed(leaf_shape(0.19, 0.6), turn=heading + side * 0.75, move=tuple(tail[at]))
            )
    return transformed(united(body), scale=size), transformed(joined(lines), scale=size)


def scroll_marks(
    at: tuple[float, float],
    size: float,
    *,
    fill: str,
    ink: str,
    flip: tuple[int, int] = (1, 1),
    turn: float = 0.0,
) -> list[Mark]:
    """Acanthus scroll placed, mirrored by `flip` (x, y) first."""
    body, lines = scroll(size)
    body, lines = (
        transformed(transformed(p, scale=flip), turn=turn, move=at) for p in (body, lines)
    )
    return [Mark(body, fill), raised(body, 0.6), drawn(body, ink, 0.05), drawn(lines, ink, 0.04)]


def ribbon(
    cx: float,
    cy: float,
    width: float,
    height: float,
    *,
    sag: float,
    fill: str,
    ink: str,
    back: str,
) -> tuple[list[Mark], float]:
    """Banner with folded tails; returns its marks and the radius of its middle line.

    `sag` mm is how far its middle hangs below its ends.
    """
    half = width / 2
    radius = (half**2 + sag**2) / (2 * max(sag, 0.02))
    x = np.linspace(-half, half, 60)
    y = cy + np.sqrt(radius**2 - x**2) - radius
    face = polygon(
        np.vstack(
            [
                np.column_stack([cx + x, y - height / 2]),
                np.column_stack([cx + x, y + height / 2])[::-1],
            ]
        )
    )
    marks: list[Mark] = []
    end_y = float(y[0])
    for side in (-1, 1):
        x0, drop = cx + side * half, -0.36 * height
        tail = polygon(
            [
                (x0 - side * 0.16 * width, end_y - height / 2 + drop),
                (x0 + side * 0.15 * width, end_y - height / 2 + drop * 1.5),
                (x0 + side * 0.10 * width, end_y + drop * 1.3),
                (x0 + side * 0.155 * width, end_y + height / 2 + drop * 1.3),
                (x0 - side * 0.16 * width, end_y + height / 2 + drop),
            ]
        )
        fold = polygon(
            [
                (x0, end_y + height / 2),
                (x0 - side * 0.16 * width, end_y + height / 2 + drop),
                (x0 - side * 0.16 * width, end_y + 0.1 * height),
            ]
        )
        hatch = joined(
            [
                polygon(
                    [
                        (x0 + side * s * width, end_y - 0.36 * height + drop * 1.25),
                        (x0 + side * s * width, end_y + 0.36 * height + drop * 1.25),
                    ],
                    closed=False,
                )
                for s in np.linspace(0.0, 0.075, 7)
            ]
        )
        marks += [
            Mark(tail, back),
            drawn(tail, ink, 0.08),
            drawn(hatch, ink, 0.05),
            Mark(fold, ink),
        ]
    shade = joined(
        [
            polygon(
                [
                    (
                        cx + s * half * (1 - d),
                        cy + _sagged(s * half * (1 - d), radius) - 0.42 * height,
                    ),
                    (
                        cx + s * half * (1 - d),
                        cy + _sagged(s * half * (1 - d), radius) + 0.42 * height,
                    ),
                ],
                closed=False,
            )
            for s in (-1, 1)
            for d in np.linspace(0.012, 0.07, 7)
        ]
    )
    inner = [
        polygon(np.column_stack([cx + x * 0.985, y + d * height]), closed=False)
        for d in (-0.41, 0.41)
    ]
    marks += [
        Mark(face, fill),
        raised(face, 0.5),
        drawn(shade, ink, 0.045),
        drawn(face, ink, 0.10),
        drawn(joined(inner), ink, 0.05),
    ]
    return marks, radius


def _sagged(x: float, radius: float) -> float:
    return math.sqrt(radius**2 - x**2) - radius


def star(x: float, y: float, radius: float, points: int = 5) -> skia.Path:
    """Mullet with one point up."""
    t = np.arange(2 * points) * np.pi / points - np.pi / 2
    r = np.where(np.arange(2 * points) % 2 == 0, radius, radius * 0.42)
    return polygon(np.column_stack([x + r * np.cos(t), y + r * np.sin(t)]))


def reversed_out(path: skia.Path, stroke: float | None = None) -> Mark:
    """Bare paper."""
    return Mark(path, PAPER, stroke=stroke)
