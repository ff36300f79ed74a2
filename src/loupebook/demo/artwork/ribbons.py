"""Ribbons with folded tails, as marks."""

from __future__ import annotations

import math

import numpy as np

from loupebook.demo.artwork.geometry import (
    joined,
    polygon,
)
from loupebook.demo.artwork.marks import drawn, raised
from loupebook.demo.artwork.model import Mark


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
