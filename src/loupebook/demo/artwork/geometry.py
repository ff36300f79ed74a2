"""Shapes as paths: curves through points, frames, tapered strokes, mirrored halves.

Millimetres, y downwards, angles in radians from +x towards +y (clockwise on the page).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import skia

Points = npt.NDArray[np.float64]

FRAMES = ("oval", "circle", "shield", "cartouche", "lozenge", "octagon", "quatrefoil", "arch")
"""Kinds of frame that :func:`frame` knows."""


def polygon(points: npt.ArrayLike, *, closed: bool = True) -> skia.Path:
    """Path through points of shape (n, 2)."""
    path = skia.Path()
    rows: Any = np.asarray(points, dtype=float).tolist()
    path.addPoly([skia.Point(x, y) for x, y in rows], closed)
    return path


def joined(paths: Sequence[skia.Path]) -> skia.Path:
    """One path of all contours (winding fill)."""
    path = skia.Path()
    for each in paths:
        path.addPath(each)
    return path


def smooth(points: npt.ArrayLike, *, closed: bool = True, per_span: int = 12) -> Points:
    """Catmull-Rom curve through control points, shape (n, 2)."""
    p = np.asarray(points, dtype=float)
    before, after = (
        (np.roll(p, 1, 0), np.roll(p, -1, 0))
        if closed
        else (np.vstack([p[:1], p[:-1]]), np.vstack([p[1:], p[-1:]]))
    )
    tangent = (after - before) / 2
    ends = np.roll(p, -1, 0) if closed else p[1:]
    end_tangent = np.roll(tangent, -1, 0) if closed else tangent[1:]
    starts, start_tangent = (p, tangent) if closed else (p[:-1], tangent[:-1])
    t = np.linspace(0, 1, per_span, endpoint=False)[None, :, None]
    h00, h10 = 2 * t**3 - 3 * t**2 + 1, t**3 - 2 * t**2 + t
    h01, h11 = -2 * t**3 + 3 * t**2, t**3 - t**2
    curve = (
        h00 * starts[:, None]
        + h10 * start_tangent[:, None]
        + h01 * ends[:, None]
        + h11 * end_tangent[:, None]
    ).reshape(-1, 2)
    return curve if closed else np.vstack([curve, p[-1:]])


def united(paths: Sequence[skia.Path]) -> skia.Path:
    """Union of areas, whichever way their contours run."""
    builder = skia.OpBuilder()
    for each in paths:
        builder.add(each, skia.PathOp.kUnion_PathOp)
    return builder.resolve()


def transformed(
    path: skia.Path,
    *,
    scale: float | tuple[float, float] = 1.0,
    turn: float = 0.0,
    move: tuple[float, float] = (0.0, 0.0),
) -> skia.Path:
    """Scale, then turn (radians), then move."""
    sx, sy = (scale, scale) if isinstance(scale, int | float) else scale
    matrix = skia.Matrix.Translate(*move)
    matrix.preRotate(math.degrees(turn))
    matrix.preScale(sx, sy)
    out = skia.Path()
    path.transform(matrix, out)
    return out


def mirrored(path: skia.Path, x: float) -> skia.Path:
    """Mirror image in the upright line at x."""
    return transformed(path, scale=(-1.0, 1.0), move=(2 * x, 0.0))


def circle(x: float, y: float, radius: float) -> skia.Path:
    """Full circle."""
    return skia.Path.Circle(x, y, radius)


def ellipse_points(cx: float, cy: float, rx: float, ry: float, count: int = 240) -> Points:
    """Points on an ellipse, clockwise from +x."""
    t = np.linspace(0, 2 * np.pi, count, endpoint=False)
    return np.column_stack([cx + rx * np.cos(t), cy + ry * np.sin(t)])


def ring(outer: skia.Path, inner: skia.Path) -> skia.Path:
    """Area between two outlines."""
    path = skia.Path(outer)
    path.addPath(inner)
    path.setFillType(skia.PathFillType.kEvenOdd)
    return path


def frame_points(kind: str, cx: float, cy: float, width: float, height: float) -> Points:
    """Outline of a frame of a kind in :data:`FRAMES`, shape (n, 2), clockwise."""
    a, b = width / 2, height / 2
    if kind in ("oval", "circle"):
        return ellipse_points(cx, cy, a, b)
    if kind == "lozenge":
        t = np.linspace(0, 2 * np.pi, 240, endpoint=False)
        c, s = np.cos(t), np.sin(t)
        unit = np.column_stack([np.sign(c) * np.abs(c) ** 1.45, np.sign(s) * np.abs(s) ** 1.45])
        return unit * (a, b) + (cx, cy)
    if kind == "octagon":
        k = 0.42
        unit = np.array([(-k, -1), (k, -1), (1, -k), (1, k), (k, 1), (-k, 1), (-1, k), (-1, -k)])
        return _resampled(unit * (a, b) + (cx, cy))
    if kind == "quatrefoil":
        t = np.linspace(0, 2 * np.pi, 320, endpoint=False)
        r = 0.86 + 0.14 * np.abs(np.cos(2 * t)) ** 0.6
        return np.column_stack([cx + a * r * np.cos(t), cy + b * r * np.sin(t)])
    half = {
        "shield": [
            (0, -1),
            (0.35, -0.93),
            (0.72, -0.98),
            (1, -0.88),
            (0.93, -0.55),
            (0.97, 0.0),
            (0.84, 0.46),
            (0.5, 0.78),
            (0.16, 0.93),
            (0, 1.0),
        ],
        "cartouche": [
            (0, -1),
            (0.3, -0.97),
            (0.5, -0.84),
            (0.62, -0.86),
            (0.8, -0.9),
            (0.97, -0.66),
            (0.9, -0.36),
            (1.0, 0),
            (0.9, 0.36),
            (0.97, 0.66),
            (0.8, 0.9),
            (0.62, 0.86),
            (0.5, 0.84),
            (0.3, 0.97),
            (0, 1),
        ],
        "arch": [
            (0, -1),
            (0.42, -0.93),
            (0.78, -0.7),
            (0.98, -0.34),
            (1, 0.2),
            (1, 0.62),
            (0.93, 0.86),
            (0.7, 0.93),
            (0.35, 0.96),
            (0, 1),
        ],
    }[kind]
    right = np.array(half, dtype=float)
    left = right[-2:0:-1] * (-1, 1)
    return smooth(np.vstack([right, left])) * (a, b) + (cx, cy)


def frame(kind: str, cx: float, cy: float, width: float, height: float) -> skia.Path:
    """Path of :func:`frame_points`."""
    return polygon(frame_points(kind, cx, cy, width, height))


def _resampled(corners: Points, per_side: int = 24) -> Points:
    ends = np.roll(corners, -1, 0)
    t = np.linspace(0, 1, per_side, endpoint=False)[None, :, None]
    return (corners[:, None] * (1 - t) + ends[:, None] * t).reshape(-1, 2)


def along(points: Points, *, closed: bool, step: float) -> tuple[Points, npt.NDArray[np.float64]]:
    """Evenly spaced points on a polyline, and its direction (radians) there.

    The step is adjusted so that a whole number fits.
    """
    p = np.vstack([points, points[:1]]) if closed else points
    lengths = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(p, axis=0).T))])
    count = max(2, round(lengths[-1] / step))
    at = np.arange(count) * lengths[-1] / count if closed else np.linspace(0, lengths[-1], count)
    place = np.column_stack([np.interp(at, lengths, p[:, k]) for k in (0, 1)])
    ahead = np.minimum(at + 0.02, lengths[-1])
    behind = np.maximum(at - 0.02, 0.0)
    d = np.column_stack(
        [np.interp(ahead, lengths, p[:, k]) - np.interp(behind, lengths, p[:, k]) for k in (0, 1)]
    )
    return place, np.arctan2(d[:, 1], d[:, 0])


def offset(points: Points, by: float) -> Points:
    """Move a closed clockwise outline outwards by `by` mm along its normals (small `by`)."""
    tangent = np.roll(points, -1, 0) - np.roll(points, 1, 0)
    tangent /= np.hypot(*tangent.T)[:, None] + 1e-12
    return points + by * np.column_stack([tangent[:, 1], -tangent[:, 0]])


def tapered(points: Points, widths: npt.ArrayLike) -> skia.Path:
    """Stroke along a polyline whose width (mm) changes from point to point."""
    tangent = np.gradient(points, axis=0)
    tangent /= np.hypot(*tangent.T)[:, None] + 1e-12
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]])
    half = np.asarray(widths, dtype=float)[:, None] / 2
    return polygon(np.vstack([points + normal * half, (points - normal * half)[::-1]]))


def dots(centres: Points, radius: float) -> skia.Path:
    """Circles of one radius."""
    path = skia.Path()
    for x, y in centres.tolist():
        path.addCircle(x, y, radius)
    return path


def leaf_shape(length: float, plump: float = 0.36) -> skia.Path:
    """Pointed leaf from the origin along +x."""
    t = np.linspace(0, np.pi, 14)
    s = (1 - np.cos(t)) / 2
    half = 0.5 * plump * length * np.sin(t) ** 1.2 * (1.15 - 0.3 * s)
    return polygon(np.vstack([np.column_stack([s * length, -half]),
                              np.column_stack([s * length, half])[::-1]]))  # fmt: skip
