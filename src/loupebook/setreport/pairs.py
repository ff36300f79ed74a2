"""Are two photos the same picture? Hash and embedding propose, geometry decides.

Two photos of *different* specimens of one edition look alike, because the print is the
same. What tells a copied picture from another picture of the same print is that everything
in the frame fits one plane mapping: background, glare and grain as well as print.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from loupebook.search.arm import Pixels

SIDE = 400
"""Longest side, px, at which pairs are compared."""
HASH_BITS = 10
"""Perceptual hashes that differ in at most this many of 64 bits propose a pair."""
LEAST_INLIERS = 12
LEAST_OVERLAP = 0.35
"""Share of the smaller picture that must be shown in both."""
LEAST_COARSE = 0.90
LEAST_FINE = 0.45
"""Correlations of both pictures laid over each other: grey values, and detail alone."""


@dataclass(frozen=True)
class PairCheck:
    """How well one picture fits onto another.

    Parameters
    ----------
    same : bool
        Whether both are the same picture, cropped, turned, re-saved or photographed again.
    inliers : int
        Points that agree with one plane mapping.
    overlap : float
        Share of the smaller picture that both show.
    coarse, fine : float
        Correlation of grey values and of detail over the overlap, -1..1.
    """

    same: bool
    inliers: int = 0
    overlap: float = 0.0
    coarse: float = 0.0
    fine: float = 0.0


@dataclass(frozen=True)
class Prepared:
    """A picture made ready for checks: grey values and features."""

    grey: NDArray[np.uint8]
    points: NDArray[np.float32]
    descriptors: NDArray[np.float32]


def prepare(pixels: Pixels) -> Prepared:
    """Make a picture ready; uint8 sRGB (height, width, 3)."""
    grey = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
    scale = SIDE / max(grey.shape)
    size = (max(16, round(grey.shape[1] * scale)), max(16, round(grey.shape[0] * scale)))
    grey = cv2.resize(grey, size, interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC)
    found, raw = cv2.SIFT.create(400, 3, 0.01, 12.0, 1.6).detectAndCompute(grey, None)
    if not found:
        return Prepared(grey, np.empty((0, 2), np.float32), np.empty((0, 128), np.float32))
    rows = np.sqrt(raw / (raw.sum(axis=1, keepdims=True) + 1e-9))
    return Prepared(grey, np.array([p.pt for p in found], np.float32), rows)


def check_pair(one: Prepared, other: Prepared) -> PairCheck:
    """Lay `other` over `one` and say whether they are the same picture."""
    mapping, inliers = _plane_mapping(one, other)
    if mapping is None:
        return PairCheck(same=False, inliers=inliers)
    height, width = one.grey.shape
    laid = cv2.warpPerspective(other.grey, mapping, (width, height), flags=cv2.INTER_LINEAR)
    shown = cv2.warpPerspective(np.full(other.grey.shape, 255, np.uint8), mapping, (width, height))
    mask = cv2.erode(shown, np.ones((5, 5), np.uint8)) > 254
    scale = abs(float(np.linalg.det(mapping[:2, :2]))) or 1e-9
    smaller = min(one.grey.size, other.grey.size * scale)
    overlap = float(mask.sum()) / max(1.0, smaller)
    if overlap < LEAST_OVERLAP:
        return PairCheck(same=False, inliers=inliers, overlap=overlap)
    base, top = (cv2.GaussianBlur(p.astype(np.float32), (0, 0), 1.0) for p in (one.grey, laid))
    coarse = _correlation(base, top, mask)
    fine = _correlation(_detail(base), _detail(top), mask)
    same = coarse >= LEAST_COARSE and fine >= LEAST_FINE
    return PairCheck(same, inliers, overlap, coarse, fine)


def hash_pairs(hashes: NDArray[np.uint64], bits: int = HASH_BITS) -> Iterator[tuple[int, int]]:
    """Yield positions (i, j), i < j, of hashes that differ in at most `bits` bits."""
    for start in range(0, hashes.size, 256):
        block = hashes[start : start + 256]
        apart = np.bitwise_count(block[:, None] ^ hashes[None, :])
        rows, columns = np.nonzero(apart <= bits)
        for row, column in zip((rows + start).tolist(), columns.tolist(), strict=True):
            if row < column:
                yield row, column


def _plane_mapping(one: Prepared, other: Prepared) -> tuple[NDArray[np.float64] | None, int]:
    if min(len(one.points), len(other.points)) < LEAST_INLIERS:
        return None, 0
    nearness = other.descriptors @ one.descriptors.T
    best = nearness.argmax(axis=1)
    mutual = nearness.argmax(axis=0)[best] == np.arange(len(best))
    first = nearness[np.arange(len(best)), best]
    nearness[np.arange(len(best)), best] = -1
    # Unit rows: squared distance is 2 - 2 * cosine; Lowe's ratio of 0.85 on distances.
    clear = (2 - 2 * first) < 0.85**2 * (2 - 2 * nearness.max(axis=1))
    keep = mutual & clear
    if keep.sum() < LEAST_INLIERS:
        return None, int(keep.sum())
    mapping, fits = cv2.findHomography(
        other.points[keep], one.points[best[keep]], cv2.USAC_MAGSAC, 2.0, maxIters=2000
    )
    inliers = int(fits.sum()) if fits is not None else 0
    if (
        mapping is None
        or inliers < LEAST_INLIERS
        or not 0.05 < abs(float(np.linalg.det(mapping[:2, :2]))) < 20
    ):
        return None, inliers
    return mapping, inliers


def _detail(grey: NDArray[np.float32]) -> NDArray[np.float32]:
    return np.asarray(grey - cv2.GaussianBlur(grey, (0, 0), 3.0), dtype=np.float32)


def _correlation(
    one: NDArray[np.float32], other: NDArray[np.float32], mask: NDArray[np.bool_]
) -> float:
    a, b = one[mask] - one[mask].mean(), other[mask] - other[mask].mean()
    size = float(np.sqrt((a * a).sum() * (b * b).sum()))
    return float((a * b).sum()) / size if size > 1e-6 else 0.0
