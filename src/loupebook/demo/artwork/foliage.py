"""Laurel branches and acanthus scrolls as marks."""

from __future__ import annotations

import math
from collections.abc import Collection

import numpy as np
import skia

from loupebook.demo.artwork.geometry import (
    circle,
    joined,
    leaf_shape,
    mirrored,
    polygon,
    smooth,
    tapered,
    transformed,
    united,
)
from loupebook.demo.artwork.marks import drawn, raised
from loupebook.demo.artwork.model import Mark


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
