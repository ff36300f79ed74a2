"""Crests: a quartered shield with charges, crown above, serial panel for seals."""

from __future__ import annotations

from collections.abc import Collection

import skia

from loupebook.demo.artwork import lettering
from loupebook.demo.artwork.foliage import laurel
from loupebook.demo.artwork.geometry import (
    circle,
    frame_points,
    joined,
    offset,
    polygon,
)
from loupebook.demo.artwork.marks import drawn, over, raised, solid
from loupebook.demo.artwork.model import Mark
from loupebook.demo.artwork.ornaments import emblem_marks, star


def quarters(x: float, y: float, w: float, h: float) -> tuple[skia.Path, list[skia.Path]]:
    """Shield outline of size w × h, and its four fields cut to it."""
    shield = polygon(frame_points("shield", x, y, w, h))
    fields = []
    for sx, sy in ((-1, -1), (1, -1), (-1, 1), (1, 1)):
        left, top = min(x, x + sx * w), min(y, y + sy * h)
        half = skia.Path.Rect(skia.Rect(left, top, left + w, top + h))
        fields.append(skia.Op(shield, half, skia.PathOp.kIntersect_PathOp))
    return shield, fields


def crown(x: float, y: float, w: float, points: int = 5) -> tuple[skia.Path, skia.Path]:
    """Coronet with its base at y: body, and gems."""
    tips = []
    for k in range(points):
        a = -1 + 2 * k / (points - 1)
        tips += [(a, -0.62 + 0.10 * a * a), (a + 1 / (points - 1), -0.26)]
    body = polygon(
        [(x + px * w / 2, y + py * w * 0.62) for px, py in [(-0.86, 0.0), *tips[:-1], (0.86, 0.0)]]
    )
    balls = [
        circle(
            x + (-1 + 2 * k / (points - 1)) * w / 2,
            y + (-0.66 + 0.10 * (-1 + 2 * k / (points - 1)) ** 2) * w * 0.62,
            w * 0.05,
        )
        for k in range(points)
    ]
    gems = [circle(x + d * w * 0.16, y - 0.055 * w, w * 0.030) for d in (-2, -1, 0, 1, 2)]
    return joined([body, *balls]), joined(gems)


def _metal(path: skia.Path, plate: str) -> list[Mark]:
    return [Mark(path, plate), raised(path, 0.7)]


def crest_marks(
    at: tuple[float, float],
    size: float,
    *,
    seed: int,
    kind: str,
    number: str = "",
    metal: str = "foil",
    pairs: int = 9,
    missing: Collection[int] = (),
) -> list[Mark]:
    """Crest about `size` mm high.

    Parameters
    ----------
    kind : str
        Emblem of the first quarter; `seed` says which.
    number : str
        Printed across the middle, as seals do; empty for none.
    metal : str
        Plate of crown, laurel and stars.
    pairs, missing
        Leaves of the laurel, and those left out.
    """
    ink, fill = "dark", "accent"
    x, y = at
    w, h = size * 0.60, size * 0.70
    sy = y + size * 0.12
    shield, fields = quarters(x, sy, w, h)
    marks = laurel(
        x,
        sy,
        w * 0.70,
        h * 0.60,
        pairs=pairs,
        fill=metal,
        ink=ink,
        size=size * 0.15,
        missing=missing,
    )
    marks += [solid(shield, "paper"), Mark(fields[1], fill), Mark(fields[2], fill)]
    for k, field in enumerate(fields):
        b = field.getBounds()
        cx, cy, s = b.centerX(), b.centerY() - 0.02 * size, min(b.width(), b.height()) * 0.92
        if k in (0, 3):
            subject = kind if k == 0 else "palm"
            shift = -0.05 * w if k == 3 else 0.0
            marks += emblem_marks(
                subject,
                seed + k,
                at=(cx + shift, cy),
                size=s,
                ink=ink,
                fill=None,
                pitch=max(0.10, s / 26),
            )
        elif k == 1:
            marks += _metal(
                joined([star(cx, cy + d * s * 0.3, s * 0.17) for d in (-1, 0, 1)]),
                "paper" if metal != "foil" else metal,
            )
        else:
            bars = joined(
                [
                    skia.Path.Rect(
                        skia.Rect(
                            b.left(),
                            b.top() + b.height() * t,
                            b.right(),
                            b.top() + b.height() * (t + 0.09),
                        )
                    )
                    for t in (0.15, 0.42, 0.69)
                ]
            )
            marks += [
                Mark(
                    skia.Op(bars, field, skia.PathOp.kIntersect_PathOp),
                    "paper" if metal != "foil" else metal,
                )
            ]
    cross = joined(
        [
            polygon([(x, sy - h / 2), (x, sy + h / 2)], closed=False),
            polygon([(x - w / 2, sy), (x + w / 2, sy)], closed=False),
        ]
    )
    outline = frame_points("shield", x, sy, w, h)
    marks += [
        drawn(cross, ink, 0.09),
        Mark(polygon(outline), metal, stroke=0.30),
        raised(polygon(outline), 0.6, 0.30),
        drawn(polygon(offset(outline, 0.17)), ink, 0.06),
    ]
    body, gems = crown(x, sy - h / 2 - 0.02 * size, w * 0.86)
    marks += [*_metal(body, metal), drawn(body, ink, 0.06), over(gems, ink)]
    if number:
        text = lettering.line(number, "numerals", size * 0.105, at=(x, sy + 0.02 * h))
        bounds = text.getBounds()
        marks += [
            solid(skia.Path.Rect(bounds.makeOutset(0.25, 0.2)), "paper"),
            over(text, "serial"),
        ]
    return marks
