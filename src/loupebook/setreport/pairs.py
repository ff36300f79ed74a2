"""Are two photos the same picture? Hash and embedding propose, geometry decides.

Two photos of *different* specimens of one edition look alike, because the print is the
same. What tells a copied picture from another picture of the same print is that everything
in the frame fits one plane mapping: background, glare and grain as well as print. Where the
frame's edge is plain, it tells nothing; then only pictures that fit by shift and scale alone
count as the same, because nobody lays two items down at exactly one angle. A picture of a
plain background that was photographed again, at an angle, is missed.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from loupebook.search.arm import Pixels
from loupebook.search.local.features import sift

SIDE = 400
"""Longest side, px, at which pairs are compared."""
HASH_BITS = 14
"""Perceptual hashes that differ in at most this many of 64 bits propose a pair."""
LEAST_INLIERS = 12
LEAST_OVERLAP = 0.35
"""Share of the smaller picture that must be shown in both."""
LEAST_COARSE = 0.96
LEAST_FINE = 0.55
"""Correlations of both pictures laid over each other: in the worst colour channel, and of
detail alone. On
drawn prints: copies at least 0.966 and 0.74, other pictures on other backgrounds at most
0.94."""
QUARTER = 4
LEAST_SMALL = 0.93
"""Correlation in the worst channel that both pictures must reach laid over each other at a
quarter of their size. It costs a tenth of the look at full size and ends 98 % of all pairs that
are not the same (474 of the demo set); copies re-saved, cropped or photographed again reach at
least 0.964 (354 of the demo set)."""
LEAST_TURNED = 0.9885
"""Correlation in the worst channel that a picture must reach that fits only turned or seen at an
angle. Like items on like tables come near it: photos of different seals of the demo set reach
0.9875, pictures that were photographed again at least 0.989 (60 of drawn prints, 120 of the
demo set)."""
LEAST_ANYWHERE = 0.9
"""Correlation of detail that such a picture must reach nearly everywhere (in all but the worst
twentieth of its places): two items on one table at one angle differ in numbers and foil. Of the
demo set two such reach 0.83, pictures that were photographed again at least 0.96 (79)."""
_PLACE, _LEAST_DETAIL, _FEWEST_PX = 15, 8.0, 200
"""Side of a place, px; spread of values, 0..255, from which it shows detail; least px that do."""
LEAST_SPREAD = 10.0
"""Spread of a colour channel, 0..255, below which noise would spoil its correlation."""
PLAIN_EDGE = 3.0
"""Spread of values along the frame's edge, 0..255, below which it is plain."""
MOST_TURN = 0.6
"""Degrees of turn, or as much of any other distortion, that shift and scale may leave."""


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
        Correlation in the worst colour channel and of detail over the overlap, -1..1. Looking
        ends at what settles it: of a pair that fails early, what comes later stays 0.
    """

    same: bool
    inliers: int = 0
    overlap: float = 0.0
    coarse: float = 0.0
    fine: float = 0.0


@dataclass(frozen=True)
class Prepared:
    """A picture made ready for checks: colours, the same at a quarter of the size, features."""

    colour: NDArray[np.uint8]
    small: NDArray[np.uint8]
    points: NDArray[np.float32]
    descriptors: NDArray[np.float32]


def prepare(pixels: Pixels) -> Prepared:
    """Make a picture ready; uint8 sRGB (height, width, 3)."""
    height, width = pixels.shape[:2]
    scale = SIDE / max(height, width)
    size = (max(16, round(width * scale)), max(16, round(height * scale)))
    how = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    colour = cv2.resize(pixels, size, interpolation=how)
    quarter = tuple(max(8, side // QUARTER) for side in size)
    small = np.asarray(cv2.resize(colour, quarter, interpolation=cv2.INTER_AREA), np.uint8)
    grey = cv2.cvtColor(colour, cv2.COLOR_RGB2GRAY)
    found, raw = sift(400, 0.01, 12.0).detectAndCompute(grey, None)
    if not found:
        none = np.empty((0, 2), np.float32)
        return Prepared(colour, small, none, np.empty((0, 128), np.float32))
    rows = np.sqrt(raw / (raw.sum(axis=1, keepdims=True) + 1e-9))
    return Prepared(colour, small, np.array([p.pt for p in found], np.float32), rows)


def check_pair(one: Prepared, other: Prepared) -> PairCheck:
    """Lay `other` over `one` and say whether they are the same picture."""
    mapping, inliers = _plane_mapping(one, other)
    if mapping is None:
        return PairCheck(same=False, inliers=inliers)
    roughly = _small_correlation(one, other, mapping)
    if roughly < LEAST_SMALL:
        return PairCheck(same=False, inliers=inliers, coarse=roughly)
    height, width = one.colour.shape[:2]
    laid = cv2.warpPerspective(other.colour, mapping, (width, height), flags=cv2.INTER_LINEAR)
    whole = np.full(other.colour.shape[:2], 255, np.uint8)
    shown = cv2.warpPerspective(whole, mapping, (width, height))
    mask = cv2.erode(shown, np.ones((5, 5), np.uint8)) > 254
    scale = abs(float(np.linalg.det(mapping[:2, :2]))) or 1e-9
    smaller = min(one.colour[..., 0].size, whole.size * scale)
    overlap = float(mask.sum()) / max(1.0, smaller)
    if overlap < LEAST_OVERLAP:
        return PairCheck(same=False, inliers=inliers, overlap=overlap)
    base, top = (cv2.GaussianBlur(p.astype(np.float32), (0, 0), 1.0) for p in (one.colour, laid))
    coarse = _worst_channel(base, top, mask)
    if coarse < LEAST_COARSE:
        return PairCheck(False, inliers, overlap, coarse)
    fine = _correlation(_detail(base.mean(axis=2)), _detail(top.mean(axis=2)), mask)
    same = fine >= LEAST_FINE
    if same and not _shift_and_scale(mapping, other.colour.shape):
        plain = min(_edge_spread(one.colour), _edge_spread(other.colour)) < PLAIN_EDGE
        same = coarse >= LEAST_TURNED and not plain
        same = same and _least_alike(base.mean(axis=2), top.mean(axis=2), mask) >= LEAST_ANYWHERE
    return PairCheck(same, inliers, overlap, coarse, fine)


def near_by_hash(
    hashes: NDArray[np.uint64], most: int, bits: int = HASH_BITS
) -> set[tuple[int, int]]:
    """Return positions (i, j), i < j, where one is among the nearest of the other.

    Parameters
    ----------
    hashes : ndarray, shape (n,)
        Perceptual hashes of 64 bits.
    most : int
        How many nearest count for each; of those as near, the ones that come first.
    bits : int
        Most bits in which two may differ.
    """
    found: set[tuple[int, int]] = set()
    count = hashes.size
    kept = min(most, count - 1)
    if kept < 1:
        return found
    # One number orders by distance, then by place: no choice among equals is left to chance.
    places = np.arange(count, dtype=np.int64)
    for start in range(0, count, 256):
        block = hashes[start : start + 256]
        apart = np.bitwise_count(block[:, None] ^ hashes[None, :]).astype(np.int64)
        apart[np.arange(block.size), places[start : start + 256]] = 65
        order = apart * count + places
        nearest = np.argpartition(order, kept - 1, axis=1)[:, :kept]
        rows, columns = np.nonzero(np.take_along_axis(apart, nearest, axis=1) <= bits)
        ends = np.stack([rows + start, nearest[rows, columns]])
        found.update(zip(*np.sort(ends, axis=0).tolist(), strict=True))
    return found


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


def _small_correlation(one: Prepared, other: Prepared, mapping: NDArray[np.float64]) -> float:
    """Return the least correlation of the channels at a quarter of the size."""
    height, width = one.small.shape[:2]
    shrunk = _shrinking(one) @ mapping @ np.linalg.inv(_shrinking(other))
    laid = cv2.warpPerspective(other.small, shrunk, (width, height), flags=cv2.INTER_LINEAR)
    whole = np.full(other.small.shape[:2], 255, np.uint8)
    shown = cv2.warpPerspective(whole, shrunk, (width, height)) > 254
    mask = cv2.erode(shown.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    if not mask.any():
        return -1.0
    base, top = one.small.astype(np.float32), laid.astype(np.float32)
    return _worst_channel(base, top, mask)


def _shrinking(picture: Prepared) -> NDArray[np.float64]:
    """Return the mapping of px of a picture onto px of its small copy; centres count from 0."""
    (height, width), (rows, columns) = picture.colour.shape[:2], picture.small.shape[:2]
    x, y = columns / width, rows / height
    return np.array([[x, 0, (x - 1) / 2], [0, y, (y - 1) / 2], [0, 0, 1]])


def _worst_channel(
    base: NDArray[np.float32], top: NDArray[np.float32], mask: NDArray[np.bool_]
) -> float:
    """Return the least correlation of the channels, or the first that settles it."""
    worst = 1.0
    for channel in _speaking_channels(base, mask):
        worst = min(worst, _correlation(base[..., channel], top[..., channel], mask))
        if worst < LEAST_COARSE:
            break
    return worst


def _speaking_channels(base: NDArray[np.float32], mask: NDArray[np.bool_]) -> list[int]:
    """Return the channels that vary enough to be compared; at least the one that varies most."""
    spread = cv2.meanStdDev(base, mask=mask.astype(np.uint8))[1][:, 0]
    return [c for c in range(3) if spread[c] >= min(LEAST_SPREAD, float(spread.max()))]


def _edge_spread(colour: NDArray[np.uint8]) -> float:
    """Return the spread of values in the outer 6 % of the frame, uneven light taken off."""
    height, width = colour.shape[:2]
    smooth = cv2.GaussianBlur(colour, (0, 0), 2.0).astype(np.float64)
    across, along = max(1, height * 6 // 100), max(1, width * 6 // 100)
    edge = np.ones((height, width), dtype=bool)
    edge[across:-across, along:-along] = False
    rows, columns = np.nonzero(edge)
    light = np.stack([np.ones(rows.size), rows / height, columns / width], axis=1)
    values = smooth[edge]
    left = values - light @ np.linalg.lstsq(light, values, rcond=None)[0]
    low, high = np.quantile(left, [0.16, 0.84], axis=0)
    return float((high - low).max()) / 2


def _shift_and_scale(mapping: NDArray[np.float64], shape: tuple[int, ...]) -> bool:
    """Tell whether a mapping turns and distorts next to nothing over a picture of `shape`."""
    height, width = shape[:2]
    corners = np.array([[0, 0], [width, 0], [width, height], [0, height]], dtype=np.float64)
    placed = cv2.perspectiveTransform(corners[None], mapping)[0]
    top, right = placed[1] - placed[0], placed[2] - placed[1]
    scale = (top[0] / width + right[1] / height) / 2
    straight = placed[0] + corners * scale
    moved = np.linalg.norm(placed - straight, axis=1).max()
    return bool(scale > 0 and moved <= np.deg2rad(MOST_TURN) * scale * max(height, width))


def _least_alike(
    base: NDArray[np.float32], top: NDArray[np.float32], mask: NDArray[np.bool_]
) -> float:
    """Return the correlation that all but a twentieth of the places with detail reach."""
    side = (_PLACE, _PLACE)
    ours, theirs = cv2.boxFilter(base, -1, side), cv2.boxFilter(top, -1, side)
    own = cv2.boxFilter(base * base, -1, side) - ours * ours
    other = cv2.boxFilter(top * top, -1, side) - theirs * theirs
    both = cv2.boxFilter(base * top, -1, side) - ours * theirs
    whole = cv2.erode(mask.astype(np.uint8), np.ones(side, np.uint8)) > 0
    shown = whole & (np.maximum(own, other) > _LEAST_DETAIL**2)
    if shown.sum() < _FEWEST_PX:
        return 1.0
    alike = both[shown] / np.sqrt(np.maximum(own[shown] * other[shown], 1e-3))
    return float(np.percentile(alike, 5))


def _detail(grey: NDArray[np.float32]) -> NDArray[np.float32]:
    return np.asarray(grey - cv2.GaussianBlur(grey, (0, 0), 3.0), dtype=np.float32)


def _correlation(
    one: NDArray[np.float32], other: NDArray[np.float32], mask: NDArray[np.bool_]
) -> float:
    a, b = one[mask] - one[mask].mean(), other[mask] - other[mask].mean()
    size = float(np.sqrt((a * a).sum() * (b * b).sum()))
    return float((a * b).sum()) / size if size > 1e-6 else 0.0
