"""Cut outline: the paper's edge against the print: margins and proportions.

A print stretched by a per cent, or cut beside its place, shows where the paper ends. The
edge is looked for along the normals of the consensus' own outline; a shift and two stretches
about the middle are fitted to what is found, robustly.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from loupebook.compare.consensus import Consensus
from loupebook.compare.frame import Framed
from loupebook.compare.measures._model import Measured, cannot

NAME = "cut outline"
UNIT = "%"
SAYS = "the paper is cut to other proportions than the print has on the known ones"

LEAST_PX_PER_MM = 3.5
_REACH_MM = 0.9
_STEPS = 31
_FEWEST = 60


def measure(framed: Framed) -> Measured:
    """Return the greater of the two stretches of the outline against the print."""
    scale = framed.px_per_mm
    if scale is None or scale < LEAST_PX_PER_MM:
        return cannot("the photo is too coarse, or its scale is not known")
    points, normals = framed.consensus.outline
    if len(points) < _FEWEST:
        return cannot("the outline of the known ones is not known well enough")
    ours, strength = edge_along(framed.level[0], framed.shown, points, normals, framed.consensus)
    theirs, steady = edge_along(
        framed.consensus.middle, np.ones_like(framed.shown), points, normals, framed.consensus
    )
    found = np.isfinite(ours) & np.isfinite(theirs) & (strength > 0.25) & (steady > 0.25)
    if found.sum() < _FEWEST:
        return cannot("the paper's edge is not seen against what lies behind")
    shift = (ours - theirs)[found]
    middle = points.mean(axis=0)
    half = np.ptp(points, axis=0) / 2
    away = (points[found] - middle) / half
    normal = normals[found]
    design = np.column_stack([normal, away * normal])
    weight: NDArray[Any] = np.ones(len(shift))
    fitted = np.zeros(4)
    for _ in range(8):
        ridge = np.diag([0, 0, 1.0, 1.0])
        left = design.T @ (design * weight[:, None]) + ridge
        fitted = np.linalg.solve(left + 1e-6 * np.eye(4), design.T @ (weight * shift))
        miss = shift - design @ fitted
        weight = 1 / (1 + (miss / (0.08 * framed.consensus.unit)) ** 2)
    stretch = np.abs(fitted[2:]) / half
    seen = [(np.abs(away[:, k] * normal[:, k]) * weight).sum() > 12 for k in range(2)]
    if not any(seen):
        return cannot("no two opposite edges are seen")
    return Measured(100 * float(max(s for s, known in zip(stretch, seen, strict=True) if known)))


def edge_along(
    colour: NDArray[np.float32],
    valid: NDArray[np.bool_],
    points: NDArray[np.float64],
    normals: NDArray[np.float64],
    consensus: Consensus,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return where along each normal the strongest edge lies (px, NaN unseen), and its step."""
    reach = _REACH_MM * consensus.unit
    along = np.linspace(-reach, reach, _STEPS)
    at = points[:, None] + normals[:, None] * along[None, :, None]
    x, y = at[..., 0].astype(np.float32), at[..., 1].astype(np.float32)
    profile = cv2.remap(colour, x, y, cv2.INTER_LINEAR)
    step = np.abs(np.gradient(cv2.GaussianBlur(profile, (5, 1), 1.0), axis=1)).sum(axis=2)
    seen = cv2.remap(valid.astype(np.float32), x, y, cv2.INTER_NEAREST).mean(axis=1) > 0.5
    inner = step[:, 1:-1]
    best = inner.argmax(axis=1) + 1
    rows = np.arange(len(points))
    low, mid, high = (step[rows, best + k] for k in (-1, 0, 1))
    finer = (
        0.5
        * (low - high)
        / np.where(np.abs(low - 2 * mid + high) < 1e-9, 1e-9, low - 2 * mid + high)
    )
    place = along[best] + np.clip(finer, -0.5, 0.5) * (along[1] - along[0])
    return np.where(seen, place, np.nan), mid / np.maximum(step.sum(axis=1), 1e-6) * 2
