"""Puts a query over a reference, or says why that cannot be done.

Local features give a first homography (MAGSAC++); the cylinder's few parameters and a dense
comparison on a coarse grid refine it (:mod:`.lifted`, :mod:`.grid`). A registration holds
only if the two pictures, laid over each other, really look alike: agreement of features alone
is not enough.

Conventions: points are (x, y) px. `frame` is the reference's working picture; homographies
map px of the reference handed in to px of the query handed in.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from loupebook.compare.grid import Cells, corners, flatten_light, follow
from loupebook.compare.lifted import LiftedMap, fit_plane, refine
from loupebook.compare.picture import Picture
from loupebook.search.local.pair import PairMatch, match_pair

FEWEST_INLIERS = 8
"""Feature matches that must agree."""
FEWEST_SOFTENED = 2 * FEWEST_INLIERS
"""The same of a softened query: less is left in it to contradict a chance agreement."""
LEAST_LIKENESS = 0.45
"""Least median correlation of cells laid over each other; unrelated pictures lie near 0.1."""
LEAST_AGREEING = 0.30
"""Least share of structured cells that are alike."""
WORST_RESIDUAL = 0.012
"""Greatest residual, as a share of the frame's longest side."""
LEAST_COVERED = 0.02
SURE = 0.7
"""Correlation from which a point is taken for the same print."""
LEAST_FACING = 0.4
"""Px that a query spends on a place, in the direction that it spends least in, of those that it
spends on most of the item; below it the item turns away and what is seen cannot be compared."""
_FACING_STEPS = 48
"""Places along the longest side at which that is told; between them it is smooth."""
_RAYLEIGH = 1.2011
"""Root mean square over median of a Rayleigh distribution."""
DENSE_SIDE = 640
"""Longest side, px, of the frame in which displacements are measured."""
_PLENTY = 150
"""Matches that agree from which a second look at the item adds nothing."""
_PART_ROOM = 0.2
"""Room left about the part of a query that is looked at again, of the item's longest side."""
_LARGEST_PART = 0.65
"""Longest side of such a part, of the photo's: a larger one shows little more by itself."""
_SMALLEST_PART = 32
"""Shortest side, px of the photo, in which print could be told."""
_ROUNDS = 3
_BEND_FROM = 30
_BEND_GAIN = 0.8


class Start(NamedTuple):
    """A first map, and the places in the reference and in the query that it rests on."""

    warp: LiftedMap
    source: NDArray[np.float64]
    target: NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Registration:
    """How a query lies over a reference.

    Parameters
    ----------
    registered : bool
        Whether it holds.
    reason : str
        Why not, in plain words; ``""`` where it holds.
    inliers : int
        Feature matches that agree with the map.
    residual_px, residual_mm : float, optional
        Root of the mean square of what displacement is left, in px of the reference handed
        in, and in mm where its scale is known.
    likeness : float
        Median correlation of the cells laid over each other.
    agreeing : float
        Share of structured cells that are alike.
    covered : float
        Share of the reference that takes part.
    warp : LiftedMap, optional
        Frame px to working px of the query.
    cells : Cells, optional
        What displacement is left, frame px.
    homography : ndarray, optional
        (3, 3), the plane that comes nearest to the map.
    bent : bool
        Whether a cylinder was needed.
    """

    registered: bool
    reason: str = ""
    inliers: int = 0
    residual_px: float | None = None
    residual_mm: float | None = None
    likeness: float = 0.0
    agreeing: float = 0.0
    covered: float = 0.0
    warp: LiftedMap | None = None
    cells: Cells | None = field(default=None, repr=False)
    homography: NDArray[np.float64] | None = None
    bent: bool = False

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {
            "registered": self.registered,
            "reason": self.reason or None,
            "inliers": self.inliers,
            "residual_px": None if self.residual_px is None else round(self.residual_px, 3),
            "residual_mm": None if self.residual_mm is None else round(self.residual_mm, 4),
            "likeness": round(self.likeness, 3),
            "covered": round(self.covered, 3),
            "bent": self.bent,
            "homography": None if self.homography is None else self.homography.tolist(),
        }


def register(
    query: Picture,
    reference: Picture,
    *,
    px_per_mm: float | None = None,
    softened: bool = True,
) -> Registration:
    """Lay a query over a reference.

    Where few matches agree and the item fills a small part of the query, that part is looked at
    again by itself, at the photo's own resolution. Where the query cannot be laid over the
    reference as it is, it is tried softened.

    Parameters
    ----------
    query, reference : Picture
        The reference's working picture is the frame.
    px_per_mm : float, optional
        Scale of the reference handed in.
    softened : bool
        Whether to try the query softened too: not worth its time where it lies over another
        reference as it is.

    Returns
    -------
    Registration
        Never raises for poor pictures; `registered` is False then and `reason` says why.
    """
    found = match_pair(query.features, reference.features)
    start = first_map(found, reference)
    laid = None if start is None else _laid_as_it_is(query, reference, found, start, px_per_mm)
    if laid is not None and laid.registered:
        return laid
    softly = _laid_softened(query, reference, px_per_mm) if softened else None
    if softly is not None:
        return softly
    if laid is not None:
        return laid
    return Registration(False, why_not(found, query, reference), inliers=found.inliers)


def _laid_softened(
    query: Picture, reference: Picture, px_per_mm: float | None
) -> Registration | None:
    """Lay a softened query over a reference; `None` where that does not hold either."""
    if len(query.features) < FEWEST_INLIERS:
        return None
    for softer in query.softened:
        start = first_map(match_pair(softer.features, reference.features), reference)
        laid = None if start is None else lay_over(softer, reference, start, px_per_mm=px_per_mm)
        if laid is not None and laid.registered and laid.inliers >= FEWEST_SOFTENED:
            return laid
    return None


def _laid_as_it_is(
    query: Picture,
    reference: Picture,
    found: PairMatch,
    start: Start,
    px_per_mm: float | None,
) -> Registration:
    """Lay a query over a reference, by its part that shows the item where that is better."""
    part = _Part.about(start.target, query) if found.inliers < _PLENTY else None
    if part is not None:
        again = match_pair(part.picture.features, reference.features)
        nearer = first_map(again, reference)
        if nearer is not None and again.inliers >= found.inliers:
            laid = lay_over(part.picture, reference, nearer, px_per_mm=px_per_mm)
            if laid.registered:
                return part.moved_back(laid)
    return lay_over(query, reference, start, px_per_mm=px_per_mm)


def lay_over(
    query: Picture, reference: Picture, start: Start, *, px_per_mm: float | None = None
) -> Registration:
    """Refine a first map, and judge whether it holds; see :func:`register`."""
    warp, source, target = start
    laid, plane = settle(query, reference, warp, source, target)
    miss = np.linalg.norm(laid.warp(source) - target, axis=1)
    stretch = float(np.median(laid.warp.stretch(source))) or 1.0
    inliers = int((miss < max(3.0, 0.012 * reference.longest) * max(stretch, 0.2)).sum())
    result = judge(laid, plane.homography, reference, inliers, px_per_mm, query)
    if result.registered and repeats(reference):
        return replace(
            result,
            registered=False,
            reason="the pattern repeats itself, so its place cannot be told",
        )
    return result


@dataclass(frozen=True, eq=False)
class _Part:
    """The part of a query that shows the item, at the photo's own resolution."""

    picture: Picture
    corner: NDArray[np.float64]
    """Left and top, px of the photo handed in."""
    photo: Picture

    @classmethod
    def about(cls, places: NDArray[np.float64], query: Picture) -> _Part | None:
        """Return the part about some places (n, 2), working px.

        `None` where the whole shows as much, or the part nothing.
        """
        at = query.to_full(places)
        low, high = np.percentile(at, [2, 98], axis=0)
        room = _PART_ROOM * float((high - low).max())
        height, width = query.finest.shape[:2]
        left, top = (max(0, math.floor(edge)) for edge in low - room)
        right, bottom = (
            min(side, math.ceil(edge))
            for side, edge in zip((width, height), high + room, strict=True)
        )
        small = min(right - left, bottom - top) < _SMALLEST_PART
        if small or max(right - left, bottom - top) > _LARGEST_PART * max(width, height):
            return None
        picture = Picture.of(np.ascontiguousarray(query.finest[top:bottom, left:right]))
        return cls(picture, np.array([left, top], float), query)

    def moved_back(self, found: Registration) -> Registration:
        """Return a registration of the part as one of the photo."""
        assert found.warp is not None
        assert found.homography is not None
        beside = np.array([[1, 0, self.corner[0]], [0, 1, self.corner[1]], [0, 0, 1]])
        of_part, of_photo = self.picture.full_from_working, self.photo.full_from_working
        to_photo = np.linalg.inv(of_photo) @ beside @ of_part
        matrix = beside @ found.homography
        return replace(
            found,
            warp=replace(found.warp, camera=to_photo @ found.warp.camera),
            homography=matrix / matrix[2, 2],
        )


def first_map(match: PairMatch, reference: Picture) -> Start | None:
    """Return a first plane and the matches that it rests on."""
    if match.inliers < FEWEST_INLIERS or match.covered_reference < LEAST_COVERED / 2:
        return None
    target, source = (match.points[:, k : k + 2].astype(np.float64) for k in (0, 2))
    size = np.ptp(target, axis=0).max()
    unit = reference.longest / 2.0
    found = fit_plane(
        source, target, threshold=max(2.0, 0.02 * size), middle=reference.middle, unit=unit
    )
    if found is None or found[1].sum() < 6:
        return None
    plane = found[0]
    if not upright(plane, source[found[1]]):
        return None
    bend = len(source) >= _BEND_FROM
    weight = np.ones(len(source))
    warp = refine(plane, source, target, weight, bend=bend, loss_px=max(1.0, 0.006 * size))
    return Start(warp, source, target)


def upright(plane: LiftedMap, points: NDArray[np.float64]) -> bool:
    """Say whether a plane neither mirrors nor collapses nor runs through the horizon."""
    stretch = plane.stretch(points)
    return bool((stretch > 0).all() and stretch.max() < 20 * stretch.min())


def why_not(match: PairMatch, query: Picture, reference: Picture) -> str:
    """Say in plain words why no pose was found."""
    if len(query.features) < 3 * FEWEST_INLIERS:
        return "the query shows too little print to hold on to (blank, blurred or dark)"
    if len(reference.features) < 3 * FEWEST_INLIERS:
        return "the reference shows too little print to hold on to"
    mirrored = match_pair(query.mirrored_features, reference.features)
    if mirrored.inliers >= max(2 * FEWEST_INLIERS, 2 * match.inliers):
        return "the query shows the item mirrored"
    return "the two photos do not show the same print: " + (
        match.reason or "too few patches agree on one place"
    )


@dataclass(frozen=True, eq=False)
class _Laid:
    """A query laid over a frame, and how well it fits."""

    warp: LiftedMap
    cells: Cells
    followed: int
    """Points that could have been followed."""
    covered: float
    residual: float
    scale: NDArray[np.float64]
    """Dense px a frame px, across and down: sides are rounded to whole px each by itself."""


def settle(
    query: Picture,
    reference: Picture,
    warp: LiftedMap,
    source: NDArray[np.float64],
    target: NDArray[np.float64],
) -> tuple[_Laid, LiftedMap]:
    """Refine by dense comparison, bent only where a plane is clearly worse.

    Returns
    -------
    tuple
        What fits best, and the best plane.
    """
    dense = _Dense(query, reference, source)
    plane = refine(
        replace(warp, axis=0.0, offset=0.0, radius=np.inf), source, target,
        np.ones(len(source)), bend=False, loss_px=2.0,
    )  # fmt: skip
    flat = dense.refine(plane, source, target, bend=False)
    if not warp.bent or len(flat.cells) < _BEND_FROM // 3:
        return flat, flat.warp
    curved = dense.refine(warp, source, target, bend=True)
    fewer = len(curved.cells) < 0.8 * len(flat.cells)
    better = curved.residual <= _BEND_GAIN * flat.residual and not fewer
    return (curved if better else flat), flat.warp


class _Dense:
    """The dense comparison of one query with one reference."""

    def __init__(self, query: Picture, reference: Picture, source: NDArray[np.float64]) -> None:
        whole = np.array([reference.width, reference.height])
        wide = min(1.0, DENSE_SIDE / reference.longest)
        size: tuple[int, int] = tuple(max(1, round(side * wide)) for side in whole.tolist())
        self.scale = np.array(size) / whole
        shrunk = cv2.resize(reference.grey, size, interpolation=cv2.INTER_AREA)
        self.reach = max(4.0, 0.02 * max(size))
        if reference.mask is not None:
            self.mask = cv2.resize(reference.mask.astype(np.uint8), size) > 0
        else:
            self.mask = hull_of((source + 0.5) * self.scale - 0.5, size)
        self.first = flatten_light(shrunk, self.reach, self.mask)
        self.query = query
        self.points = corners(self.first, self.mask, cell=max(10, round(max(size) / 45)))
        rows, columns = np.mgrid[0 : size[1], 0 : size[0]].astype(np.float64)
        self.at = (np.stack([columns, rows], -1) + 0.5) / self.scale - 0.5

    def refine(
        self,
        warp: LiftedMap,
        source: NDArray[np.float64],
        target: NDArray[np.float64],
        *,
        bend: bool,
    ) -> _Laid:
        """Alternate measuring displacements and fitting the few parameters to them."""
        best = self.measure(warp)
        for _ in range(_ROUNDS):
            if len(best.cells) < 12:
                break
            at = (best.cells.at + 0.5) / self.scale - 0.5
            goal = best.warp((best.cells.at + best.cells.shift + 0.5) / self.scale - 0.5)
            stretch = float(np.median(best.warp.stretch(at))) or 1.0
            # Matches hold the map where no cell could be measured.
            trust = 0.1 * best.cells.weight.sum() / max(1, len(source))
            fitted = refine(
                best.warp,
                np.vstack([at, source]),
                np.vstack([goal, target]),
                np.concatenate([best.cells.weight, np.full(len(source), trust)]),
                bend=bend,
                loss_px=0.7 * stretch / float(self.scale.mean()),
            )
            again = self.measure(fitted)
            worse = again.residual > 0.97 * best.residual
            if again.residual < best.residual and len(again.cells) >= 0.7 * len(best.cells):
                best = again
            if worse:
                break
        return best

    def measure(self, warp: LiftedMap) -> _Laid:
        """Lay the query over the frame and measure what displacement is left."""
        second, valid = sample(self.query.grey, warp, self.at)
        mask = self.mask & valid
        flat = flatten_light(second, self.reach, mask)
        column, row = self.points.astype(int).T
        points = self.points[mask[row, column]]
        cells = follow(self.first, flat, points, mask)
        covered = len(cells) / max(1, len(self.points))
        return _Laid(warp, cells, len(points), covered, residual_of(cells), self.scale)


def sample_photo(
    photo: Picture, warp: LiftedMap, at: NDArray[np.float64]
) -> tuple[NDArray[Any], NDArray[np.bool_]]:
    """Sample a photo at its own size, as :func:`sample` does a working plane."""
    return sample(photo.finest, warp, at, finer=1 / photo.shrunk)


def sample(
    plane: NDArray[Any], warp: LiftedMap, at: NDArray[np.float64], *, finer: float = 1.0
) -> tuple[NDArray[Any], NDArray[np.bool_]]:
    """Sample a plane at frame points, smoothed first where the frame is coarser.

    Parameters
    ----------
    plane : ndarray
        (height, width) or (height, width, 3) of the query.
    warp : LiftedMap
        Frame to working px of the query.
    at : ndarray
        (rows, columns, 2) frame points: a grid of columns and rows.
    finer : float
        Px of the plane a working px.

    Returns
    -------
    tuple
        Samples, and where they lie in the query and on the side that is seen.
    """
    x, y = (
        np.clip((one + 0.5) * finer - 0.5, -3e4, 3e4).astype(np.float32)
        for one in warp.on_grid(at[0, :, 0], at[:, 0, 1])
    )
    valid = warp.seen(at)
    valid &= (x > 1) & (y > 1) & (x < plane.shape[1] - 2) & (y < plane.shape[0] - 2)
    step = np.abs(at[0, 1, 0] - at[0, 0, 0])
    some = (
        slice(None, None, max(1, at.shape[0] // 12)),
        slice(None, None, max(1, at.shape[1] // 12)),
    )
    stretch = warp.stretch(at[some])[valid[some]]
    shrink = float(np.median(stretch)) * step * finer if stretch.size else 1.0
    if not valid.any():
        return np.zeros(at.shape[:2] + plane.shape[2:], plane.dtype), valid
    (left, right), (top, bottom) = (_span(one, valid) for one in (x, y))
    left, top = max(left - 8, 0), max(top - 8, 0)
    part = plane[top : bottom + 9, left : right + 9]
    if shrink > 1.05:
        part = cv2.GaussianBlur(part, (0, 0), 0.42 * np.sqrt(shrink**2 - 1) + 0.05)
    out = cv2.remap(part, x - left, y - top, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return out, valid


def facing(
    warp: LiftedMap, at: NDArray[np.float64], inside: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Say where an item faces the camera that took the query, rather than turns away.

    A band goes round: towards its sides print is pressed together, foil gleams, and neither line
    work nor colour can be held against one that was seen from the front.

    Parameters
    ----------
    warp : LiftedMap
        Frame to working px of the query.
    at : ndarray
        (rows, columns, 2) frame points: a grid of columns and rows.
    inside : ndarray
        bool (rows, columns), the item as the query shows it.
    """
    rows, columns = inside.shape
    step = max(1, max(rows, columns) // _FACING_STEPS)
    narrow = warp.narrowest(at[::step, ::step]).astype(np.float32)
    known = narrow[inside[::step, ::step]]
    if not known.size:
        return np.ones_like(inside)
    x, y = np.meshgrid(
        np.arange(columns, dtype=np.float32) / step, np.arange(rows, dtype=np.float32) / step
    )
    there = cv2.remap(narrow, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(there >= LEAST_FACING * np.median(known))


def _span(values: NDArray[np.float32], where: NDArray[np.bool_]) -> tuple[int, int]:
    """Return the whole numbers about the values that count."""
    low, high, _, _ = cv2.minMaxLoc(values, where.view(np.uint8))
    return math.floor(low), math.ceil(high)


def hull_of(
    points: NDArray[np.float64], size: tuple[int, int], *, grow: float = 0.05
) -> NDArray[np.bool_]:
    """Return a mask (height, width) of the points' hull, grown by a share of the frame."""
    mask = np.zeros(size[::-1], np.uint8)
    hull = cv2.convexHull(np.rint(points).astype(np.int32))
    cv2.fillConvexPoly(mask, hull, 1)
    near = 2 * round(max(size) * grow) + 1
    ring = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (near, near))
    return np.asarray(cv2.dilate(mask, ring) > 0)


def residual_of(cells: Cells) -> float:
    """Return the root mean square displacement, px, from the median (Rayleigh distributed).

    Points that are not clearly the same print, as on background and in glare, do not count.
    """
    sure = cells.likeness > SURE
    if sure.sum() < 6:
        return np.inf
    return float(_RAYLEIGH * np.median(np.linalg.norm(cells.shift[sure], axis=1)))


def judge(
    laid: _Laid,
    plane: NDArray[np.float64],
    reference: Picture,
    inliers: int,
    px_per_mm: float | None,
    query: Picture,
) -> Registration:
    """Decide whether what was laid over the reference really fits."""
    cells = laid.cells
    likeness = float(np.median(cells.likeness)) if len(cells) else 0.0
    agreeing = float((cells.likeness > LEAST_LIKENESS).sum()) / max(1, laid.followed)
    to_full = 1 / float(laid.scale.mean()) / reference.shrunk
    residual = laid.residual * to_full if np.isfinite(laid.residual) else None
    matrix = query.full_from_working @ plane @ np.linalg.inv(reference.full_from_working)
    reason = ""
    if inliers < FEWEST_INLIERS:
        reason = "too few points agree with one pose"
    elif len(cells) < 8 or laid.covered < LEAST_COVERED:
        reason = "too little of the print can be laid over the reference"
    elif likeness < LEAST_LIKENESS or agreeing < LEAST_AGREEING:
        reason = "laid over each other, the two prints do not look alike"
    elif laid.residual > WORST_RESIDUAL * min(DENSE_SIDE, reference.longest):
        reason = "the print cannot be laid over the reference without bending it"
    dense = Cells(
        (cells.at + 0.5) / laid.scale - 0.5, cells.shift / laid.scale, cells.weight, cells.likeness
    )
    return Registration(
        registered=not reason,
        reason=reason,
        inliers=inliers,
        residual_px=residual,
        residual_mm=residual / px_per_mm if residual is not None and px_per_mm else None,
        likeness=likeness,
        agreeing=agreeing,
        covered=laid.covered,
        warp=laid.warp,
        cells=dense,
        homography=matrix / matrix[2, 2],
        bent=laid.warp.bent,
    )


def repeats(picture: Picture) -> bool:
    """Say whether a picture is like itself moved: then no place in it can be told.

    The correlation of the picture with itself at every shift of at most half its size and at
    least a twentieth, over what then overlaps.
    """
    side = 192
    scale = side / picture.longest
    size = (max(8, round(picture.width * scale)), max(8, round(picture.height * scale)))
    small = cv2.resize(picture.grey, size, interpolation=cv2.INTER_AREA)
    mask = np.ones(small.shape, bool)
    if picture.mask is not None:
        mask = cv2.resize(picture.mask.astype(np.uint8), size) > 0
    flat = flatten_light(small, 8.0, mask)
    shape = (2 * size[1], 2 * size[0])

    def against(first: NDArray[Any], second: NDArray[Any]) -> NDArray[np.float64]:
        spectrum = np.fft.rfft2(first, shape) * np.conj(np.fft.rfft2(second, shape))
        return np.asarray(np.fft.irfft2(spectrum, shape))

    known = mask.astype(np.float64)
    cross = against(flat, flat)
    power = against(flat**2, known) * against(known, flat**2)
    likeness = cross / np.sqrt(np.maximum(power, 1e-6))
    overlap = against(known, known) / max(1.0, known.sum())
    rows = np.fft.fftfreq(shape[0], 1 / shape[0])[:, None]
    columns = np.fft.fftfreq(shape[1], 1 / shape[1])[None]
    far = np.hypot(rows, columns) > side / 20
    return bool((likeness[far & (overlap > 0.4)] > REPEATED).any())


REPEATED = 0.8
"""Correlation with itself, moved, from which a picture is a repeated pattern."""
