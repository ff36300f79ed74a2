"""Two near designs told apart by where they differ more than the photos of either differ.

One photo of each shows not only how two editions differ, but also how they were lit and what
lay behind them. With several photos of each, all laid over the query, what is print can be told
from what is not: a place speaks where the photos of either edition agree with each other and
those of one disagree with those of the other. There the query goes with one of them or not.

Photos of a cigar are bent over each other: the outline that search knows is flat. The bend is
a polynomial of third order that follows optical flow where flow and its reverse agree, so that
it cannot bend one detail into another.

The constants were chosen on rendered world 960101 at three times the demo set's size;
``tests/benchmarks/results/retrieval.md`` has figures on others.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from itertools import combinations, product
from typing import NamedTuple, TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from loupebook.search.arm import Pixels
from loupebook.search.laying import Matrix, Seen, cut_out, lay_over

SIDE = 720
"""Longest side of the item, px, at which all photos are laid over each other."""
MOST_ENLARGED = 1.5
BLOCK = 23
"""Side of the square about a px in which photos are correlated."""
FLOW_SHARE = 0.6
"""Share of `SIDE` at which the bend is found."""
DEGREE = 3
STEP = 8
"""Every how many px the flow is asked for the bend."""
FLOW_AGREES = 1.5
"""How far, px, flow and its reverse may be apart."""
FEWEST_PLACES = 60
PLAIN = 4.0
"""Spread of grey values, 0..255, below which a block has no print."""
SAME_PRINT = 0.55
"""Mean correlation across editions from which a block is print that both bear."""
MORE = 0.08
"""By how much photos of either edition must agree better than those of both."""
LEAST_LIKE = 0.3
"""Correlation with the query below which a photo says nothing about it."""
EDGE = 9
"""Px that the print is drawn in, so that what lies behind it stays out."""
THREADS = 2
"""Photos laid at once."""
SAMPLED = 6
"""Every how many px places are counted."""

Floats: TypeAlias = NDArray[np.float32]
Mask: TypeAlias = NDArray[np.bool_]


class Told(NamedTuple):
    """How a query goes with one design rather than another.

    Parameters
    ----------
    speaks : float
        Mean difference of the correlations, -2..2, greater than 0 for the first design.
    weight : float
        How much there is that speaks: the sum over all places of how much they tell.
    """

    speaks: float
    weight: float


NOTHING = Told(0.0, 0.0)


class _Blocks(NamedTuple):
    """Grey values with the mean and variance of the block about each px."""

    grey: Floats
    mean: Floats
    variance: Floats


class _Laid(NamedTuple):
    """A photo laid over the query: its blocks, and where whole blocks of it are seen."""

    blocks: _Blocks
    shown: Mask


def told_by_many(query: Pixels, one: Sequence[Seen], other: Sequence[Seen]) -> Told:
    """Tell by several photos of each which of two designs a query goes with.

    Parameters
    ----------
    query : ndarray
        uint8 sRGB (height, width, 3).
    one, other : sequence of Seen
        At least two photos of each design, the nearest first.

    Returns
    -------
    Told
        Nothing, where the item is too small or the photos cannot be laid over it.
    """
    grey = np.asarray(cv2.cvtColor(query, cv2.COLOR_RGB2GRAY), np.uint8)
    framed = cut_out(grey, one[0].outline, side=SIDE, most_enlarged=MOST_ENLARGED, least=2 * BLOCK)
    if framed is None or min(framed.item.shape) < 4 * BLOCK:
        return NOTHING
    item, onto = np.asarray(framed.item, np.float32), framed.onto
    with ThreadPoolExecutor(THREADS) as threads:
        laid = list(threads.map(lambda photo: _laid(photo, item, onto), [*one, *other]))
    mine = [photo for photo in laid[: len(one)] if photo]
    theirs = [photo for photo in laid[len(one) :] if photo]
    if min(len(mine), len(theirs)) < 2:
        return NOTHING
    return _weighed(_blocks(item), mine, theirs)


def _weighed(query: _Blocks, one: Sequence[_Laid], other: Sequence[_Laid]) -> Told:
    margin = slice(BLOCK // 2, -(BLOCK // 2), SAMPLED)
    places = (margin, margin)
    across = _mean([_like(a, b) for a, b in product(one, other)])
    within = np.minimum(*(_mean([_like(a, b)[places] for a, b in combinations(laid, 2)])
                          for laid in (one, other)))  # fmt: skip
    printed = query.variance >= PLAIN**2
    counts = (printed & _print(across, printed))[places]
    tells = np.where(counts, within - across[places] - MORE, 0.0).clip(0)
    near = [_best([_correlation(query, photo.blocks, photo.shown)[places] for photo in laid])
            for laid in (one, other)]  # fmt: skip
    weight = np.nan_to_num(tells * (np.maximum(*near) - LEAST_LIKE).clip(0))
    speaks = np.nan_to_num(near[0] - near[1])
    total = float(weight.sum())
    return Told(float((weight * speaks).sum()) / total, total) if total > 0 else NOTHING


def _laid(photo: Seen, item: Floats, onto: Matrix) -> _Laid | None:
    """Lay a photo over the item and bend it; `None` where the two do not meet."""
    grey = np.asarray(cv2.cvtColor(photo.pixels, cv2.COLOR_RGB2GRAY), np.uint8)
    over, shown = lay_over(grey, photo.outline, onto, item.shape)
    flat = np.asarray(over, np.float32)
    bend = _bend(item, flat, shown)
    if bend is None:
        return None
    laid = cv2.remap(flat, *bend, cv2.INTER_LINEAR)
    seen = cv2.remap(shown.astype(np.uint8), *bend, cv2.INTER_NEAREST)
    whole = cv2.erode(seen, np.ones((BLOCK, BLOCK), np.uint8)) > 0
    return _Laid(_blocks(np.asarray(laid, np.float32)), np.asarray(whole, np.bool_))


def _bend(item: Floats, flat: Floats, shown: Mask) -> tuple[Floats, Floats] | None:
    """Return where in the laid photo each px of the item lies, x and y."""
    small = [cv2.resize(one, None, fx=FLOW_SHARE, fy=FLOW_SHARE, interpolation=cv2.INTER_AREA)
             for one in (item, flat)]  # fmt: skip
    mine, theirs = (_even(np.asarray(one, np.float32)) for one in small)
    forth, back = _flow(mine, theirs), _flow(theirs, mine)
    height, width = mine.shape
    y, x = np.mgrid[STEP // 2 : height : STEP, STEP // 2 : width : STEP]
    moved = forth[y, x]
    to_x = np.clip(np.rint(x + moved[..., 0]).astype(int), 0, width - 1)
    to_y = np.clip(np.rint(y + moved[..., 1]).astype(int), 0, height - 1)
    agrees = np.linalg.norm(moved + back[to_y, to_x], axis=-1) < FLOW_AGREES
    seen = cv2.resize(shown.astype(np.uint8), (width, height), interpolation=cv2.INTER_NEAREST)
    kept = agrees & (seen[y, x] > 0)
    if int(kept.sum()) < FEWEST_PLACES:
        return None
    terms = _terms(x / width - 0.5, y / height - 0.5)
    shares = _robust(terms[kept], moved[kept])
    return _field(shares, item.shape)


def _even(grey: Floats) -> NDArray[np.uint8]:
    """Take out slow changes of light and contrast."""
    detail = grey - cv2.GaussianBlur(grey, (0, 0), 12)
    spread = np.sqrt(cv2.GaussianBlur(detail * detail, (0, 0), 12) + 16)
    return np.asarray(np.clip(detail / spread * 40 + 128, 0, 255), np.uint8)


def _flow(mine: NDArray[np.uint8], theirs: NDArray[np.uint8]) -> Floats:
    found = cv2.DISOpticalFlow.create(cv2.DISOPTICAL_FLOW_PRESET_FAST).calc(mine, theirs, None)
    return np.asarray(found, np.float32)


def _terms(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    powers = [(i, j) for i in range(DEGREE + 1) for j in range(DEGREE + 1 - i)]
    return np.stack([x**i * y**j for i, j in powers], axis=-1)


def _robust(terms: NDArray[np.float64], moved: Floats) -> NDArray[np.float64]:
    """Fit the polynomial to the flow that goes with it."""
    kept = np.ones(len(terms), np.bool_)
    shares = np.zeros((terms.shape[1], 2))
    for _ in range(5):
        shares = np.asarray(np.linalg.lstsq(terms[kept], moved[kept], rcond=None)[0], np.float64)
        off = np.linalg.norm(moved - terms @ shares, axis=1)
        kept = off < max(1.0, 2.5 * float(np.median(off[kept])))
    return shares


def _field(shares: NDArray[np.float64], shape: Sequence[int]) -> tuple[Floats, Floats]:
    """Return the polynomial at every px of the item."""
    height, width = shape
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    coarse = 16
    down, across = -(-height // coarse), -(-width // coarse)
    # Sampled where cv2.resize takes the middle of each coarse px to lie.
    at_y, at_x = np.mgrid[0:down, 0:across]
    at_y = (at_y + 0.5) * height / down - 0.5
    at_x = (at_x + 0.5) * width / across - 0.5
    moved = _terms(at_x / width - 0.5, at_y / height - 0.5) @ shares / FLOW_SHARE
    whole = cv2.resize(moved.astype(np.float32), (width, height), interpolation=cv2.INTER_LINEAR)
    return x + whole[..., 0], y + whole[..., 1]


def _box(values: Floats) -> Floats:
    return np.asarray(
        cv2.boxFilter(values, -1, (BLOCK, BLOCK), borderType=cv2.BORDER_REPLICATE), np.float32
    )


def _blocks(grey: Floats) -> _Blocks:
    soft = np.asarray(cv2.GaussianBlur(grey, (0, 0), 1.0), np.float32)
    mean = _box(soft)
    return _Blocks(soft, mean, (_box(soft * soft) - mean * mean).clip(0))


def _correlation(one: _Blocks, other: _Blocks, shown: Mask) -> Floats:
    """Correlation of the blocks about each px; not a number where they are not seen."""
    both = _box(one.grey * other.grey) - one.mean * other.mean
    noise = np.float32(9.0)  # grey values squared: so that plain blocks correlate with nothing
    like = both / np.sqrt((one.variance + noise) * (other.variance + noise))
    return np.where(shown, like, np.float32(np.nan))


def _like(one: _Laid, other: _Laid) -> Floats:
    return _correlation(one.blocks, other.blocks, one.shown & other.shown)


def _mean(likes: Sequence[Floats]) -> Floats:
    """Mean of those that are numbers; not a number where none is."""
    stack = np.stack(likes)
    seen = ~np.isnan(stack)
    count = seen.sum(axis=0)
    total = np.where(seen, stack, 0).sum(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), np.float32(np.nan))


def _best(likes: Sequence[Floats]) -> Floats:
    """Return the greatest of those that are numbers; not a number where none is."""
    return np.asarray(np.fmax.reduce(np.stack(likes)), np.float32)


def _print(across: Floats, printed: Mask) -> Mask:
    """Say where the item lies: within the hull of the print that both designs bear."""
    common = (printed & (np.nan_to_num(across) > SAME_PRINT)).astype(np.uint8)
    common = cv2.morphologyEx(common, cv2.MORPH_OPEN, np.ones((7, 7), np.uint8))
    near = cv2.dilate(common, np.ones((2 * BLOCK + 1, 2 * BLOCK + 1), np.uint8))
    count, parts, facts, _ = cv2.connectedComponentsWithStats(near)
    inside = np.zeros(common.shape, np.uint8)
    if count > 1:
        largest = 1 + int(facts[1:, cv2.CC_STAT_AREA].argmax())
        places = cv2.findNonZero(common * (parts == largest).astype(np.uint8))
        if places is not None:
            cv2.fillConvexPoly(inside, cv2.convexHull(places), 1)
    drawn_in = cv2.erode(
        inside, np.ones((EDGE, EDGE), np.uint8), borderType=cv2.BORDER_CONSTANT, borderValue=0
    )
    return np.asarray(drawn_in > 0, np.bool_)
