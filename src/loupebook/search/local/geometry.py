"""Whether the matches of two pictures agree on one item, and how well.

Conventions: points are (x, y), px of the picture they lie in. A pose maps reference points
to query points. Each match alone gives a similarity (place, size and turn of its two
patches), so every match is tried as a hypothesis: no sampling, the same answer each time,
and a mirrored item gathers no agreement because a similarity never mirrors (its patches turn
the wrong way). The best hypotheses grow to an affine map, to a quadratic map that follows a
cylinder, and end in a homography by MAGSAC (Barath et al. 2020,
doi:10.1109/CVPR42600.2020.00138) for the outline.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from loupebook.search.local.features import Features
from loupebook.search.local.matching import Distances, Matches

OCTAVES = 0.85
"""How far (log2) the patch sizes of one match may lie from the pose's scale."""
TURN_SLACK = 0.6
"""The same for the turn, radians."""
HYPOTHESES = 120
"""Matches tried as a pose, the most telling ones."""
GUIDED = 0.45
"""Greatest squared distance where the place is known."""
FEWEST = 4
CURVE_FROM = 14
"""Inliers from which a quadratic map is fitted."""


@dataclass(frozen=True)
class Placements:
    """Matches with the similarity that each stands for; arrays of one length."""

    matches: Matches
    source: NDArray[np.float64]
    target: NDArray[np.float64]
    log_scale: NDArray[np.float64]
    turn: NDArray[np.float64]
    span: float
    """Longest side of the reference, px."""

    def take(self, which: NDArray[np.intp] | NDArray[np.bool_]) -> Placements:
        """Return some of them, by position or mask."""
        return Placements(
            self.matches.take(which),
            self.source[which],
            self.target[which],
            self.log_scale[which],
            self.turn[which],
            self.span,
        )


def place(matches: Matches, query: Features, reference: Features) -> Placements:
    """Work out what similarity each match stands for."""
    q, r = matches.query, matches.reference
    return Placements(
        matches=matches,
        source=reference.xy[r].astype(np.float64),
        target=query.xy[q].astype(np.float64),
        log_scale=np.log2(query.size[q] / reference.size[r]).astype(np.float64),
        turn=(query.angle[q] - reference.angle[r]).astype(np.float64),
        span=float(max(reference.width, reference.height)),
    )


def wrapped(turn: NDArray[Any]) -> NDArray[Any]:
    """Bring turns to -π..π."""
    return np.mod(turn + np.pi, 2 * np.pi) - np.pi


def best_hypothesis(placed: Placements) -> NDArray[np.bool_]:
    """Return the matches that agree with the match that most weight agrees with.

    Matches come most telling first; the :data:`HYPOTHESES` first are tried.
    """
    first = slice(0, HYPOTHESES)
    scale = np.exp2(placed.log_scale).astype(np.float32)
    facing = np.exp(1j * placed.turn).astype(np.complex64)
    source = (placed.source @ np.array([1, 1j])).astype(np.complex64)
    target = (placed.target @ np.array([1, 1j])).astype(np.complex64)
    apart = source[None, :] - source[first, None]
    spin = (scale * facing)[first, None]
    miss = np.abs(target[None, :] - target[first, None] - spin * apart)
    agree = miss < scale[first, None] * (0.03 * placed.span + 0.22 * np.abs(apart))
    agree &= np.abs(placed.log_scale[None, :] - placed.log_scale[first, None]) < OCTAVES
    agree &= (facing[None, :] * facing[first, None].conj()).real > np.cos(TURN_SLACK)
    weight = agree @ placed.matches.weight
    found: NDArray[np.bool_] = agree[int(weight.argmax())]
    return found


def terms(points: NDArray[np.float64], span: float, degree: int) -> NDArray[np.float64]:
    """Return the polynomial terms of points, (n, 3) or (n, 6)."""
    x, y = (points / span - 0.5).T
    columns = [np.ones_like(x), x, y]
    if degree == 2:
        columns += [x * x, x * y, y * y]
    return np.stack(columns, axis=1)


@dataclass(frozen=True)
class Smooth:
    """A polynomial map from reference to query."""

    coefficients: NDArray[np.float64]
    span: float
    degree: int

    def __call__(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Map points, (n, 2)."""
        mapped: NDArray[np.float64] = terms(points, self.span, self.degree) @ self.coefficients
        return mapped

    @property
    def linear(self) -> NDArray[np.float64]:
        """The map's derivative at the reference's middle, (2, 2), query px a reference px."""
        return self.coefficients[1:3].T / self.span

    @property
    def scale(self) -> float:
        """Query px a reference px; 0 where the map mirrors or collapses."""
        first, second = np.linalg.svd(self.linear, compute_uv=False)
        if np.linalg.det(self.linear) <= 0 or second < first / 8:
            return 0.0
        return float(np.sqrt(first * second))

    @property
    def turn(self) -> float:
        """Rotation part of :attr:`linear`, radians."""
        a = self.linear
        return float(np.arctan2(a[1, 0] - a[0, 1], a[0, 0] + a[1, 1]))


def fit(placed: Placements, degree: int) -> Smooth:
    """Fit a map by weighted least squares; the bend is held down by a small ridge."""
    weight = np.sqrt(placed.matches.weight.astype(np.float64))[:, None]
    design = terms(placed.source, placed.span, degree)
    target = placed.target
    if degree == 2:
        ridge = np.zeros((3, 6))
        ridge[:, 3:] = np.eye(3) * 0.3
        design = np.vstack([design * weight, ridge])
        target = np.vstack([target * weight, np.zeros((3, 2))])
    else:
        design, target = design * weight, target * weight
    coefficients = np.linalg.lstsq(design, target, rcond=None)[0]
    return Smooth(np.asarray(coefficients, np.float64), placed.span, degree)


def gather(placed: Placements, model: Smooth, tolerance: float) -> NDArray[np.bool_]:
    """Return the matches that agree with a map, `tolerance` in shares of the item's size."""
    scale = model.scale
    if scale <= 0:
        return np.zeros(len(placed.matches), bool)
    miss = np.linalg.norm(model(placed.source) - placed.target, axis=1)
    agree: NDArray[np.bool_] = miss < max(tolerance * scale * placed.span, 3.0)
    agree &= np.abs(placed.log_scale - np.log2(scale)) < OCTAVES + 0.15
    agree &= np.abs(wrapped(placed.turn - model.turn)) < TURN_SLACK + 0.15
    return agree


def grow(placed: Placements, seed: NDArray[np.bool_]) -> tuple[Smooth, NDArray[np.bool_]] | None:
    """Grow a hypothesis to a map and its inliers; `None` where it falls apart."""
    inside, model = seed, None
    for tolerance in (0.08, 0.06, 0.04, 0.04):
        if inside.sum() < FEWEST:
            return None
        degree = 2 if inside.sum() >= CURVE_FROM and model is not None else 1
        model = fit(placed.take(inside), degree)
        inside = gather(placed, model, tolerance)
    if model is None or inside.sum() < FEWEST:
        return None
    return model, inside


def one_to_one(placed: Placements, inside: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Keep one match a place on either side, the most telling."""
    order = np.flatnonzero(inside)
    order = order[np.argsort(-placed.matches.weight[order], kind="stable")]
    for points in (placed.source, placed.target):
        cells = np.round(points[order] / 2).astype(np.int64)
        _, first = np.unique(cells, axis=0, return_index=True)
        order = order[np.sort(first)]
    return order


def guided(distances: Distances, query: Features, reference: Features, model: Smooth) -> Matches:
    """Match again, now only where `model` says that the patch should lie."""
    scale, span = model.scale, float(max(reference.width, reference.height))
    expected = model(reference.xy.astype(np.float64))
    reach = max(0.035 * scale * span, 3.0)
    pairs = cKDTree(query.xy).query_ball_point(expected, reach)
    r = np.repeat(np.arange(len(reference)), [len(near) for near in pairs])
    q = np.fromiter((i for near in pairs for i in near), np.intp, len(r))
    squared = distances.squared(q, r)
    kept = squared < GUIDED
    kept &= np.abs(np.log2(query.size[q] / reference.size[r] / scale)) < OCTAVES
    kept &= np.abs(wrapped(query.angle[q] - reference.angle[r] - model.turn)) < TURN_SLACK
    q, r, squared = q[kept], r[kept], squared[kept]
    order = np.argsort(squared, kind="stable")
    q, r = q[order], r[order]
    first = np.sort(np.unique(q, return_index=True)[1])
    q, r = q[first], r[first]
    first = np.sort(np.unique(r, return_index=True)[1])
    return Matches(q[first], r[first], distances.weight(q[first], r[first]))


def homography_of(placed: Placements, scale: float) -> NDArray[np.float64] | None:
    """Fit a homography by MAGSAC; `None` where it cannot be or makes no sense."""
    if len(placed.matches) < 6:
        return None
    threshold = max(2.0, 0.012 * scale * placed.span)
    matrix, _ = cv2.findHomography(placed.source, placed.target, cv2.USAC_MAGSAC, threshold)
    return None if matrix is None else np.asarray(matrix, np.float64)
