"""A reference's picture bent on a cylinder and seen by a second camera: few parameters.

A reference point ``(x, y)`` is lifted to ``(x, y, depth)``, the depth being that of a
cylinder whose axis lies at an unknown angle in the reference's picture; a projective camera
(3 × 4) then maps it into the query. For a flat item the depth falls away and what is left is
a homography. At most 14 numbers: enough for any pose of a band, far too few to bend one
drawing into another, so that wrong proportions stay visible.

Conventions: points are (x, y) px. Inside, reference points are scaled to ±1 about the middle
of the reference, query points by the spread of what they were fitted to.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

Points = NDArray[np.float64]

LEAST_RADIUS = 0.55
"""Least radius of the cylinder, in half sizes of the reference."""
_BENT = 14
_RIDGE = 0.02
_EDGE = 0.12
"""Least depth (share of the radius): beyond it the surface turns away and cannot be seen."""


@dataclass(frozen=True, eq=False)
class LiftedMap:
    """A map from reference to query.

    Parameters
    ----------
    camera : ndarray
        (3, 4), acts on normalised lifted points; the third column is zero for a plane.
    axis : float
        Direction across the cylinder, radians.
    offset, radius : float
        Where its ridge lies and how round it is, normalised; an infinite radius is a plane.
    middle : ndarray
        (2,) px of the reference that is the origin.
    unit : float
        Reference px a normalised unit.
    """

    camera: NDArray[np.float64]
    axis: float
    offset: float
    radius: float
    middle: NDArray[np.float64]
    unit: float

    @property
    def bent(self) -> bool:
        """Whether it is more than a homography."""
        return bool(np.isfinite(self.radius))

    @property
    def homography(self) -> NDArray[np.float64]:
        """The map with its bend left out, (3, 3), reference px to query px."""
        flat = self.camera[:, [0, 1, 3]]
        scale = np.array(
            [
                [1 / self.unit, 0, -self.middle[0] / self.unit],
                [0, 1 / self.unit, -self.middle[1] / self.unit],
                [0, 0, 1],
            ]
        )
        matrix = flat @ scale
        normalised: NDArray[np.float64] = matrix / matrix[2, 2]
        return normalised

    def __call__(self, points: NDArray[Any]) -> Points:
        """Map reference points (…, 2) to query points."""
        flat = (np.asarray(points, np.float64) - self.middle) / self.unit
        depth = depth_of(flat, self.axis, self.offset, self.radius)
        across = flat[..., 0, None] * self.camera[:, 0] + flat[..., 1, None] * self.camera[:, 1]
        across = across + depth[..., None] * self.camera[:, 2] + self.camera[:, 3]
        beyond = np.where(np.abs(across[..., 2:]) < 1e-9, 1e-9, across[..., 2:])
        mapped: Points = across[..., :2] / beyond
        return mapped

    def on_grid(
        self, x: NDArray[np.float64], y: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Map the points of a grid of columns and rows, several times faster than one by one.

        Parameters
        ----------
        x, y : ndarray
            (columns,) and (rows,) reference px.

        Returns
        -------
        tuple
            x and y of the query, (rows, columns) each.
        """
        right = (np.asarray(x, np.float64) - self.middle[0]) / self.unit
        down = (np.asarray(y, np.float64)[:, None] - self.middle[1]) / self.unit
        planes = [row[0] * right + (row[1] * down + row[3]) for row in self.camera]
        if self.bent:
            across = np.cos(self.axis) * right + np.sin(self.axis) * down - self.offset
            depth = _depth_at(across, self.radius)
            planes = [
                plane + row[2] * depth for plane, row in zip(planes, self.camera, strict=True)
            ]
        beyond = np.where(np.abs(planes[2]) < 1e-9, 1e-9, planes[2])
        return planes[0] / beyond, planes[1] / beyond

    def seen(self, points: NDArray[Any]) -> NDArray[np.bool_]:
        """Say which reference points lie on the side of the cylinder that it describes."""
        flat = (np.asarray(points, np.float64) - self.middle) / self.unit
        if not self.bent:
            return np.ones(flat.shape[:-1], bool)
        across = flat @ np.array([np.cos(self.axis), np.sin(self.axis)]) - self.offset
        near: NDArray[np.bool_] = np.abs(across) < self.radius * np.sqrt(1 - _EDGE**2)
        return near

    def stretch(self, points: NDArray[Any]) -> NDArray[np.float64]:
        """Return the query px a reference px at points (…, 2): root of the area's change."""
        right, down = self._steps(points)
        area = right[..., 0] * down[..., 1] - right[..., 1] * down[..., 0]
        scale: NDArray[np.float64] = np.sqrt(np.maximum(area, 0))
        return scale

    def narrowest(self, points: NDArray[Any]) -> NDArray[np.float64]:
        """Return the query px a reference px at points (…, 2), in the direction that shows least.

        The lesser singular value of the map's derivative: where a round item turns away from the
        camera, its print is pressed together in one direction.
        """
        right, down = self._steps(points)
        least: NDArray[np.float64] = np.linalg.svd(
            np.stack([right, down], axis=-1), compute_uv=False
        )[..., 1]
        return least

    def _steps(self, points: NDArray[Any]) -> tuple[Points, Points]:
        """Return what a step of one reference px to the right, and one down, is in the query."""
        half = np.array([0.5, 0]), np.array([0, 0.5])
        right, down = (self(points + step) - self(points - step) for step in half)
        return right, down


def depth_of(flat: Points, axis: float, offset: float, radius: float) -> NDArray[np.float64]:
    """Return the depth of normalised points on a cylinder, 0 along its ridge."""
    if not np.isfinite(radius):
        return np.zeros(flat.shape[:-1])
    return _depth_at(flat @ np.array([np.cos(axis), np.sin(axis)]) - offset, radius)


def _depth_at(across: NDArray[np.float64], radius: float) -> NDArray[np.float64]:
    """Return the depth at distances from the ridge."""
    inside = np.maximum(1 - (across / radius) ** 2, _EDGE**2)
    depth: NDArray[np.float64] = radius * (np.sqrt(inside) - 1)
    return depth


def plane_map(matrix: NDArray[np.float64], middle: Points, unit: float) -> LiftedMap:
    """Wrap a homography (reference px to query px)."""
    back = np.array([[unit, 0, middle[0]], [0, unit, middle[1]], [0, 0, 1]])
    flat = matrix @ back
    flat = flat / flat[2, 2]
    camera = np.column_stack([flat[:, 0], flat[:, 1], np.zeros(3), flat[:, 2]])
    return LiftedMap(camera, 0.0, 0.0, np.inf, np.asarray(middle, np.float64), float(unit))


def fit_plane(
    source: Points, target: Points, *, threshold: float, middle: Points, unit: float
) -> tuple[LiftedMap, NDArray[np.bool_]] | None:
    """Fit a homography by MAGSAC++ (Barath et al. 2020, doi:10.1109/CVPR42600.2020.00138).

    Returns
    -------
    tuple or None
        The map and which pairs agree; None where there is none, or it mirrors or collapses.
    """
    if len(source) < 4:
        return None
    matrix, inside = cv2.findHomography(
        source, target, cv2.USAC_MAGSAC, threshold, maxIters=4000, confidence=0.9999
    )
    if matrix is None or not np.isfinite(matrix).all() or abs(matrix[2, 2]) < 1e-12:
        return None
    return plane_map(matrix, middle, unit), np.asarray(inside).ravel().astype(bool)


def refine(
    start: LiftedMap,
    source: Points,
    target: Points,
    weight: NDArray[np.float64],
    *,
    bend: bool,
    loss_px: float,
) -> LiftedMap:
    """Refine a map on pairs by robust least squares (Cauchy loss).

    Parameters
    ----------
    start : LiftedMap
        Where to begin.
    source, target : ndarray
        (n, 2) reference and query px.
    weight : ndarray
        (n,) ≥ 0.
    bend : bool
        Whether to fit the cylinder; a plane otherwise.
    loss_px : float
        Miss, in query px, from which a pair loses influence.
    """
    flat = (source - start.middle) / start.unit
    centre = target.mean(axis=0)
    spread = float(np.abs(target - centre).mean()) + 1e-9
    to_unit = np.array(
        [[1 / spread, 0, -centre[0] / spread], [0, 1 / spread, -centre[1] / spread], [0, 0, 1]]
    )
    goal = (target - centre) / spread
    root = np.sqrt(weight / max(float(weight.mean()), 1e-12))[:, None]
    first = to_unit @ start.camera
    first = first / first[2, 3]

    def unpack(values: NDArray[np.float64]) -> tuple[NDArray[np.float64], float, float, float]:
        camera = np.zeros((3, 4))
        camera[:, :2] = values[:6].reshape(3, 2)
        camera[:2, 3] = values[6:8]
        camera[2, 3] = 1.0
        if not bend:
            return camera, 0.0, 0.0, np.inf
        camera[:, 2] = values[8:11]
        return camera, values[11], values[12], LEAST_RADIUS + float(np.exp(values[13]))

    def misses(values: NDArray[np.float64]) -> NDArray[np.float64]:
        camera, axis, offset, radius = unpack(values)
        depth = depth_of(flat, axis, offset, radius)
        lifted = np.column_stack([flat, depth, np.ones(len(flat))]) @ camera.T
        lifted[:, 2] = np.where(lifted[:, 2] < 0.05, 0.05, lifted[:, 2])
        miss = (lifted[:, :2] / lifted[:, 2:] - goal) * root
        if not bend:
            return np.asarray(miss.ravel())
        held = _RIDGE * np.array([values[8], values[9], values[10], values[12]])
        return np.asarray(np.concatenate([miss.ravel(), held]))

    plain = np.concatenate([first[:, :2].ravel(), first[:2, 3]])
    starts = [plain] if not bend else bent_starts(start, first, plain, flat)
    best = None
    for values in starts:
        found = least_squares(
            misses, values, loss="cauchy", f_scale=loss_px / spread, max_nfev=25, method="trf"
        )
        if best is None or found.cost < best.cost:
            best = found
    assert best is not None
    camera, axis, offset, radius = unpack(best.x)
    back = np.array([[spread, 0, centre[0]], [0, spread, centre[1]], [0, 0, 1]])
    return LiftedMap(back @ camera, axis, offset, radius, start.middle, start.unit)


def bent_starts(
    start: LiftedMap, first: NDArray[np.float64], plain: NDArray[np.float64], flat: Points
) -> list[NDArray[np.float64]]:
    """Return starting values: where it stands, or four directions that a band can lie in.

    From upright and level alone one that lies aslant ends in a false minimum.
    """
    if start.bent:
        shape = [start.axis, start.offset, np.log(max(start.radius - LEAST_RADIUS, 1e-3))]
        return [np.concatenate([plain, first[:, 2], shape])]
    reach = float(np.percentile(np.abs(flat), 95))
    starts = []
    for axis in np.arange(4) * np.pi / 4:
        shape = [axis, 0.0, np.log(max(1.3 * reach - LEAST_RADIUS, 0.1))]
        starts.append(np.concatenate([plain, np.zeros(3), shape]))
    return starts
