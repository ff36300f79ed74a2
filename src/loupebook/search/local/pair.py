"""One query against one reference: how far they agree, and where the item lies.

:func:`match_pair` is a pure function of two :class:`Features`; any room to the right may use
it. Points are (x, y), px of the picture they lie in.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull, QhullError
from scipy.stats import binom

from loupebook.search.arm import Outline
from loupebook.search.local import geometry, matching
from loupebook.search.local.features import Features
from loupebook.search.local.geometry import Placements, Smooth
from loupebook.search.local.matching import STRONG, Distances, Matches

CHANCE = 0.01
"""Chance that a match by accident falls in with a pose: its share of the places (a disc of
about a tenth of the item's size), turns (a fifth) and sizes (a half) that it could have."""
FEWEST_INLIERS = 5
LEAST_SPREAD = 0.02
"""Least area of the inliers' hull, as a share of the reference, not to be a line or a point."""
MOST_ORDERS = 300.0
COPIES = 3
"""Items of one kind looked for in one query."""


@dataclass(frozen=True)
class PairMatch:
    """What two pictures have in common.

    Parameters
    ----------
    score : float
        Decimal orders by which chance is ruled out as the cause of the agreement, weighed by
        how telling the patches are; 0 where none was found. Comparable between queries.
    inliers : int
        One-to-one matches that agree.
    inlier_ratio : float
        Their share of all putative matches.
    covered_query, covered_reference : float
        Area of the inliers' hull as a share of each picture.
    points : ndarray
        float32 (n, 4): x, y in the query and x, y in the reference of the inliers.
    outline : Outline, optional
        Where the reference's item lies in the query.
    homography : ndarray, optional
        (3, 3), reference to query; `None` where the agreement bears no more than an affine
        map.
    others : tuple of Outline
        Where further items of the same kind lie in the query.
    reason : str
        Why there is no match, or ``""``.
    """

    score: float = 0.0
    inliers: int = 0
    inlier_ratio: float = 0.0
    covered_query: float = 0.0
    covered_reference: float = 0.0
    points: NDArray[np.float32] = field(default_factory=lambda: np.empty((0, 4), np.float32))
    outline: Outline | None = None
    homography: NDArray[np.float64] | None = None
    others: tuple[Outline, ...] = ()
    reason: str = ""


def match_pair(
    query: Features, reference: Features, *, background: NDArray[np.float32] | None = None
) -> PairMatch:
    """Match a query with a reference.

    Parameters
    ----------
    query, reference : Features
        Their features.
    background : ndarray, optional
        (query,) squared distance at which each query patch finds unrelated references, where
        a set is at hand to tell; patches that many references share then weigh little.

    Returns
    -------
    PairMatch
        With score 0 and the reason where nothing agrees; never raises for poor pictures.
    """
    if min(len(query), len(reference)) < FEWEST_INLIERS:
        return PairMatch(reason="too little texture")
    distances = matching.measure(query, reference, background)
    found = matching.putative(distances)
    if len(found) < FEWEST_INLIERS:
        return PairMatch(reason="too few patches look alike")
    placed = geometry.place(found, query, reference)
    poses: list[tuple[Smooth, Placements]] = []
    rest = placed
    for _ in range(COPIES):
        if len(rest.matches) < FEWEST_INLIERS:
            break
        grown = geometry.grow(rest, geometry.best_hypothesis(rest))
        if grown is None:
            break
        model, inside = grown
        poses.append((model, rest.take(geometry.one_to_one(rest, inside))))
        rest = rest.take(~inside)
    poses = [p for p in poses if len(p[1].matches) >= FEWEST_INLIERS]
    if not poses:
        return PairMatch(reason="the patches that look alike do not agree on a place")
    poses.sort(key=lambda p: -float(p[1].matches.weight.sum()))
    return describe(query, reference, distances, found, poses)


def describe(
    query: Features,
    reference: Features,
    distances: Distances,
    putative: Matches,
    poses: list[tuple[Smooth, Placements]],
) -> PairMatch:
    """Put the best pose into figures, and find further copies of the item."""
    model, first = poses[0]
    guided = geometry.place(geometry.guided(distances, query, reference, model), query, reference)
    guided = guided.take(geometry.one_to_one(guided, np.ones(len(guided.matches), bool)))
    inliers = guided if len(guided.matches) > len(first.matches) else first
    covered = hull_share(inliers.source, reference)
    if covered < LEAST_SPREAD:
        return PairMatch(reason="the agreement lies on a line or a point")
    matrix = sane(geometry.homography_of(inliers, model.scale), model, reference)
    outline = outline_of(model, matrix, reference)
    return PairMatch(
        score=score_of(first.matches, putative, guided.matches, covered),
        inliers=len(inliers.matches),
        inlier_ratio=min(1.0, len(first.matches) / len(putative)),
        covered_query=hull_share(inliers.target, query),
        covered_reference=covered,
        points=np.hstack([inliers.target, inliers.source]).astype(np.float32),
        outline=outline,
        homography=matrix,
        others=further(poses, reference),
    )


def score_of(first: Matches, putative: Matches, guided: Matches, covered: float) -> float:
    """Return the score; see :class:`PairMatch`."""
    among = int((putative.weight >= STRONG).sum())
    count = int((first.weight >= STRONG).sum())
    if count < 3:
        return 0.0
    beyond = -float(binom.logsf(count - 2, among - 1, CHANCE)) / math.log(10) - math.log10(among)
    if not math.isfinite(beyond):
        beyond = MOST_ORDERS
    telling = float(first.weight.sum()) + 0.5 * float(guided.weight[guided.weight >= STRONG].sum())
    return max(0.0, min(beyond, 1.5 * telling)) * (0.5 + 0.5 * min(1.0, covered / 0.3))


def hull_share(points: NDArray[np.float64], picture: Features) -> float:
    """Return the area of the points' hull as a share of the picture."""
    try:
        area = float(ConvexHull(points).volume)
    except (QhullError, ValueError):
        return 0.0
    return min(1.0, area / (picture.width * picture.height))


def corners_of(reference: Features) -> NDArray[np.float64]:
    """Return the reference's corners, clockwise from the top left."""
    right, bottom = reference.width - 1.0, reference.height - 1.0
    return np.array([[0, 0], [right, 0], [right, bottom], [0, bottom]])


def sane(
    matrix: NDArray[np.float64] | None, model: Smooth, reference: Features
) -> NDArray[np.float64] | None:
    """Return the homography if it is no mirror, convex, and of the pose's size."""
    if matrix is None:
        return None
    corners = corners_of(reference)
    depth = np.c_[corners, np.ones(4)] @ matrix[2]
    if (depth <= 0.2 * depth.max()).any():
        return None
    mapped = cv2.perspectiveTransform(corners[None], matrix)[0]
    if not clockwise(mapped):
        return None
    area = cv2.contourArea(mapped.astype(np.float32))
    expected = model.scale**2 * reference.width * reference.height
    return matrix if expected / 3 < area < expected * 3 else None


def clockwise(corners: NDArray[np.float64]) -> bool:
    """Say whether four corners are convex and run clockwise on the screen."""
    edges = np.roll(corners, -1, axis=0) - corners
    following = np.roll(edges, -1, axis=0)
    return bool((edges[:, 0] * following[:, 1] - edges[:, 1] * following[:, 0] > 0).all())


def outline_of(model: Smooth, matrix: NDArray[np.float64] | None, reference: Features) -> Outline:
    """Map the reference's corners into the query."""
    corners = corners_of(reference)
    if matrix is not None:
        mapped = cv2.perspectiveTransform(corners[None], matrix)[0]
    else:
        middle = np.array([[reference.width - 1.0, reference.height - 1.0]]) / 2
        mapped = model(middle) + (corners - middle) @ model.linear.T
    first, second, third, fourth = ((float(x), float(y)) for x, y in mapped)
    return first, second, third, fourth


def further(poses: list[tuple[Smooth, Placements]], reference: Features) -> tuple[Outline, ...]:
    """Return the outlines of poses that are other items, not other planes of the first."""
    middle = np.array([[reference.width, reference.height]]) / 2.0
    model = poses[0][0]
    reach = 0.6 * model.scale * max(reference.width, reference.height)
    found = []
    for other, inliers in poses[1:]:
        apart = float(np.linalg.norm(other(middle) - model(middle)))
        if apart > reach and hull_share(inliers.source, reference) >= 2 * LEAST_SPREAD:
            matrix = sane(geometry.homography_of(inliers, other.scale), other, reference)
            found.append(outline_of(other, matrix, reference))
    return tuple(found)
