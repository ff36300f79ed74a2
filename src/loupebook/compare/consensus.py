"""The consensus image: all genuine photos of one edition, view and lighting in one frame.

One photo, the anchor, gives the frame; the others are laid over it, freed of light and
camera, and combined px by px: the robust middle, and how far single photos of genuine items
lie from it. What varies among genuine ones (foil that gleams, numbers, wear, the leaf behind
the band) thereby weighs little when a query is compared.

The same is made of the photos of one print origin of fakes.

Conventions: arrays are ``[row, column]`` in the frame; colour is the logarithm of linear
light (:func:`.light.log_colour`).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from loupebook.compare.grid import Cells
from loupebook.compare.light import log_colour, match_light, to_srgb
from loupebook.compare.look import distances, lightness, look_of
from loupebook.compare.picture import Picture
from loupebook.compare.registration import (
    SURE,
    Registration,
    facing,
    hull_of,
    register,
    sample_photo,
)
from loupebook.errors import ComparisonError
from loupebook.search.local.features import Features

RECIPE = "8"
"""Changed whenever the same photos would give another consensus."""
FRAME_AREA = 720 * 720
"""Area of the frame, px, unless its scale is known and more are needed for `FINE`."""
LARGEST_FRAME, LONGEST_FRAME = 1_300_000, 2400
"""Area and longest side up to which the frame goes, px."""
FINE = 18.0
"""Px a mm that show what sets good copies apart. A band has them in `FRAME_AREA`; a seal is ten
times as large and its print as fine."""
_MARGIN = 0.10
"""Room left about the item, of the mean of its sides."""
_PHOTOS = 12
"""Photos combined at most, the sharpest of each specimen first: more add little and take time."""
_SHARPEST = 0.7
"""Blur, in px that it is told by, below which px are what bounds the detail."""
_FEWEST_FEATURES = 24
_ANCHORS = 3
_OUTLINE_SIDE = 360
_LEAST_ITEM = 0.5
_ROWS = 64
PLAIN_SPREAD = (1.0, 0.6)
"""Root mean square distance of two looks (tone, edges) of one genuine print, where a single
photo tells nothing of it."""
_PRIOR_PHOTOS = 2.0


@dataclass(frozen=True, eq=False)
class Source:
    """A photo that a consensus is made from.

    Parameters
    ----------
    photo_id : int
        Its row id.
    sha256 : str
        Its content.
    specimen : str
        What it shows.
    pixels : ndarray
        uint8 sRGB (height, width, 3).
    px_per_mm : float, optional
        Its scale.
    """

    photo_id: int
    sha256: str
    specimen: str
    pixels: NDArray[np.uint8] = field(repr=False)
    px_per_mm: float | None = None

    @cached_property
    def picture(self) -> Picture:
        """The photo made ready."""
        return Picture.of(self.pixels)

    @cached_property
    def sharpness(self) -> float:
        """Blurs a working px, greater for sharper photos; 0 for one without edges.

        The number of features tells little: most photos have as many as are kept.
        """
        blur = self.picture.blur
        return 0.0 if blur is None else 1 / max(blur, _SHARPEST * self.picture.blur_px)


@dataclass(frozen=True, eq=False)
class Aligned:
    """One photo in the frame.

    Parameters
    ----------
    photo_id, sha256, specimen
        Which photo.
    colour : ndarray
        float32 (height, width, 3), freed of light and camera against the anchor.
    valid : ndarray
        bool (height, width), where it shows the item and that does not turn away.
    resolution : float
        Photo px a frame px.
    """

    photo_id: int
    sha256: str
    specimen: str
    colour: NDArray[np.float32]
    valid: NDArray[np.bool_]
    resolution: float


@dataclass(frozen=True, eq=False)
class Consensus:
    """What the photos of one edition (or origin), view and lighting have in common.

    Parameters
    ----------
    photos : tuple of Aligned
        What it is made from.
    rejected : dict
        Photo id to the reason, for photos that could not be laid over the others.
    middle : ndarray
        float32 (height, width, 3), robust middle.
    colour_spread : ndarray
        float32 (height, width), how far colours of genuine ones lie apart.
    spread : ndarray
        float32 (2, height, width), root mean square distance of single looks (tone, edges)
        from the middle.
    count : ndarray
        uint8 (height, width), photos that show the px.
    mask : ndarray
        bool (height, width), the item.
    px_per_mm : float, optional
        Scale of the frame.
    place : tuple of float
        Where the frame lies in the working picture of the anchor (the first photo): left,
        top, and frame px a working px.
    item : ndarray
        float32, a small frame: which share of a px is the item (:func:`item_of`).
    features : Features, optional
        Of the middle, where they were taken before.
    """

    photos: tuple[Aligned, ...]
    rejected: dict[int, str]
    middle: NDArray[np.float32]
    colour_spread: NDArray[np.float32]
    spread: NDArray[np.float32]
    count: NDArray[np.uint8]
    mask: NDArray[np.bool_]
    px_per_mm: float | None
    place: tuple[float, float, float] = (0.0, 0.0, 1.0)
    item: NDArray[np.float32] = field(default_factory=lambda: np.zeros((8, 8), np.float32))
    features: Features | None = None

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the frame."""
        return self.mask.shape[0], self.mask.shape[1]

    @property
    def longest(self) -> int:
        """Longest side of the frame, px."""
        return max(self.shape)

    @property
    def unit(self) -> float:
        """Frame px a millimetre, or a fortieth of the frame where the scale is not known."""
        return self.px_per_mm or self.longest / 40.0

    @property
    def reach(self) -> float:
        """Sigma of a px's surroundings, frame px: about a millimetre of a band."""
        return float(np.clip(1.1 * self.unit, 6.0, 24.0))

    @cached_property
    def pixels(self) -> NDArray[np.uint8]:
        """The middle as a picture, uint8 sRGB."""
        return np.asarray(np.rint(to_srgb(self.middle) * 255), np.uint8)

    @cached_property
    def picture(self) -> Picture:
        """The middle made ready for registration."""
        return Picture(self.pixels, 1.0, self.mask, known=self.features)

    @cached_property
    def grey(self) -> NDArray[np.float32]:
        """Logarithmic lightness of the middle."""
        return lightness(self.middle)

    @cached_property
    def outline(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Points (n, 2) along the paper's edge and their outward normals, frame px."""
        return outline_of(self.item, self.shape)

    def without(self, specimen: str) -> Consensus | None:
        """Return the middle of the other specimens; `None` where there are none.

        The spread stays that of all: taken of fewer photos it would only be less sure. To judge
        a photo of the consensus itself, take :meth:`made_without`.
        """
        rest = [photo for photo in self.photos if photo.specimen != specimen]
        if not rest:
            return None
        valid = np.stack([photo.valid for photo in rest])
        count = valid.sum(axis=0).astype(np.uint8)
        return replace(
            self, photos=tuple(rest), count=count, mask=self.mask & (count > 0), features=None,
            middle=masked_median(np.stack([photo.colour for photo in rest]), valid),
        )  # fmt: skip

    def made_without(self, specimen: str) -> Consensus | None:
        """Return what the other specimens alone give, their spread too.

        `None` where there are none. A photo that took part in the spread would hide its own
        differences in it.
        """
        rest = [photo for photo in self.photos if photo.specimen != specimen]
        if not rest:
            return None
        if len(rest) == len(self.photos):
            return self
        made = combine(rest, self.mask, self.px_per_mm)
        return replace(made, rejected=self.rejected, place=self.place, item=self.item)


def build_consensus(sources: Sequence[Source]) -> Consensus:
    """Combine photos.

    Parameters
    ----------
    sources : sequence of Source
        Photos of one edition (or origin), view and lighting; at least one.

    Raises
    ------
    ComparisonError
        If there is no photo with enough print to hold on to.
    """
    ranked = in_rounds(sources)[:_PHOTOS]
    if not ranked or max(len(one.picture.features) for one in ranked) < _FEWEST_FEATURES:
        raise ComparisonError(
            "None of the photos shows enough print to make a consensus image; take a sharp, "
            "evenly lit photo that the item fills."
        )
    best: list[tuple[Source, Registration]] = []
    able = [one for one in ranked if len(one.picture.features) >= _FEWEST_FEATURES]
    anchor = able[0]
    for candidate in able[:_ANCHORS]:
        laid = [
            (one, register(one.picture, candidate.picture))
            for one in ranked
            if one is not candidate
        ]
        found = on_one_item(candidate, [pair for pair in laid if pair[1].registered])
        if len(found) > len(best) or candidate is able[0]:
            best, anchor = found, candidate
        if 2 * len(best) >= len(ranked) - 1:
            break
    return assemble(anchor, best, ranked)


def in_rounds(sources: Sequence[Source]) -> list[Source]:
    """Return photos, the sharpest of each specimen first, then the second of each, and so on.

    What genuine ones vary among themselves is seen only where several specimens take part.
    """
    taken: Counter[str] = Counter()
    scales = [(one.px_per_mm or 0.0) * one.picture.shrunk for one in sources]
    # Where all scales are known, blurs a mm tell what is seen of the print, and a photo from afar
    # does not pass for a sharp one.
    size = scales if all(scales) else [1.0] * len(scales)
    detail = {id(one): one.sharpness * px for one, px in zip(sources, size, strict=True)}
    rounds = []
    for one in sorted(sources, key=lambda one: -detail[id(one)]):
        rounds.append((taken[one.specimen], one))
        taken[one.specimen] += 1
    return [one for _, one in sorted(rounds, key=lambda pair: pair[0])]


def on_one_item(
    anchor: Source, laid: Sequence[tuple[Source, Registration]]
) -> list[tuple[Source, Registration]]:
    """Return registered photos as they all lie on one item of the anchor.

    An anchor that shows several items alike, as a full box does, would otherwise have one photo
    lie on this item and the next on that. Those that lie elsewhere than most are laid anew over the
    item that most lie on, and left out where that fails.
    """
    boxes = [_box_of(registration) for _, registration in laid]
    groups = [[k for k, other in enumerate(boxes) if _alike(box, other)] for box in boxes]
    most = max(groups, key=len, default=[])
    if len(most) == len(laid):
        return list(laid)
    picture = anchor.picture
    hull, _ = item_box(picture, [laid[k][1] for k in most])
    alone = replace(picture, mask=hull)
    anew = [
        (one, registration if k in most else register(one.picture, alone))
        for k, (one, registration) in enumerate(laid)
    ]
    return [pair for pair in anew if pair[1].registered]


def _box_of(registration: Registration) -> NDArray[np.float64]:
    """Return left and top, right and bottom of where a photo agrees with the anchor, (2, 2)."""
    assert registration.cells is not None
    points = _agreeing(registration.cells)
    return np.percentile(points if len(points) else registration.cells.at, [2, 98], axis=0)


def _agreeing(cells: Cells) -> NDArray[np.float64]:
    return cells.at[cells.likeness > SURE]


def _alike(one: NDArray[np.float64], other: NDArray[np.float64]) -> bool:
    """Say whether two boxes share at least half of the smaller."""
    sides = np.minimum(one[1], other[1]) - np.maximum(one[0], other[0])
    smaller = min(float(np.prod(box[1] - box[0])) for box in (one, other))
    return bool((sides > 0).all() and np.prod(sides) >= 0.5 * smaller)


def leaves_out(kept: Sequence[Aligned], new: Sequence[str]) -> bool:
    """Say whether there is no room for further specimens though some have several photos.

    Parameters
    ----------
    kept : sequence of Aligned
        Photos combined now.
    new : sequence of str
        Specimens of photos that wait.
    """
    held = {photo.specimen for photo in kept}
    return len(held) < len(kept) and len(set(new) - held) > room(len(kept))


def assemble(
    anchor: Source,
    laid: Sequence[tuple[Source, Registration]],
    every: Sequence[Source],
    *,
    agreeing: Sequence[Registration] = (),
) -> Consensus:
    """Cut the frame out of the anchor, and lay the photos into it.

    Parameters
    ----------
    anchor : Source
        The photo that gives the frame.
    laid : sequence
        Other photos and how they lie over the anchor.
    every : sequence of Source
        All photos handed in.
    agreeing : sequence of Registration
        Of photos that are not combined, but tell where in the anchor the item lies.
    """
    picture = anchor.picture
    hull, box = item_box(picture, [*agreeing, *(registration for _, registration in laid)])
    # The frame is cut out of the photo as handed in; `place` and `at` tell it in working px.
    left, top, right, bottom = (round(edge / picture.shrunk) for edge in box)
    first = log_colour(picture.finest[top:bottom, left:right])
    px_per_mm = scale_of(anchor, laid)
    own = frame_scale(first.shape[1], first.shape[0], px_per_mm)
    high, wide = first.shape[:2]
    rows, columns = (max(32, round(side * own)) for side in (high, wide))
    first = cv2.resize(first, (columns, rows), interpolation=cv2.INTER_AREA)
    scale = own / picture.shrunk
    corner = np.array([left, top]) * picture.shrunk
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float64)
    # Sides are rounded to whole px each by itself, so that each has a scale of its own.
    each = np.array([columns / wide, rows / high]) / picture.shrunk
    at = (np.stack([x, y], -1) + 0.5) / each - 0.5 + corner
    mask = cv2.resize(hull[box[1] : box[3], box[0] : box[2]].astype(np.uint8), (columns, rows)) > 0
    photos = [
        Aligned(anchor.photo_id, anchor.sha256, anchor.specimen, first, np.ones_like(mask), 1 / own)
    ]
    photos += [lay(one, registration, at, scale, first, mask) for one, registration in laid]
    known = {photo.photo_id for photo in photos}
    rejected = {
        one.photo_id: "could not be laid over the others"
        for one in every
        if one.photo_id not in known
    }
    in_frame = px_per_mm and px_per_mm * own
    item = item_of(combine(photos, mask, in_frame))
    return replace(
        combine(photos, only_item(mask, item), in_frame),
        rejected=rejected,
        place=(float(corner[0]), float(corner[1]), scale),
        item=item,
    )


def scale_of(anchor: Source, laid: Sequence[tuple[Source, Registration]]) -> float | None:
    """Return px a mm of the anchor as most photos have it; `None` where none has a scale.

    One scale left out or mistyped, the anchor's among them, is made up for by the others.
    """
    told = [] if anchor.px_per_mm is None else [anchor.px_per_mm]
    for one, registration in laid:
        if one.px_per_mm is None or registration.warp is None or registration.cells is None:
            continue
        stretch = float(np.median(registration.warp.stretch(registration.cells.at)))
        if stretch > 0:
            told.append(one.px_per_mm * one.picture.shrunk / stretch / anchor.picture.shrunk)
    return float(np.median(told)) if told else None


def frame_scale(width: int, height: int, px_per_mm: float | None) -> float:
    """Return how many frame px a px of the anchor becomes, at most 1.

    Parameters
    ----------
    width, height : int
        Of the item in the anchor, px of the photo.
    px_per_mm : float, optional
        Scale of the photo.
    """
    area = width * height
    usual = float(np.sqrt(FRAME_AREA / area))
    finest = min(1.0, LONGEST_FRAME / max(width, height), float(np.sqrt(LARGEST_FRAME / area)))
    return min(finest, usual if px_per_mm is None else max(usual, FINE / px_per_mm))


def extend(whole: Consensus, kept: Sequence[Aligned], new: Sequence[Source]) -> Consensus | None:
    """Bring a consensus to other photos without laying the old ones anew.

    Parameters
    ----------
    whole : Consensus
        As it stands.
    kept : sequence of Aligned
        Those of its photos that stay, the anchor first.
    new : sequence of Source
        Photos to lay into its frame, as many of the first as there is room for (:func:`room`).

    Returns
    -------
    Consensus or None
        `None` where more new photos than not do not fit the frame: then it is better made
        anew.
    """
    rows, columns = whole.shape
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float64)
    photos, rejected = list(kept), dict(whole.rejected)
    tried = new[: room(len(kept))]
    for one in tried:
        registration = register(one.picture, whole.picture)
        if not registration.registered or registration.warp is None:
            rejected[one.photo_id] = "could not be laid over the others"
            continue
        photos.append(lay(one, registration, np.stack([x, y], -1), 1.0, kept[0].colour, whole.mask))
    failed = len(tried) - (len(photos) - len(kept))
    if 2 * failed > len(tried):
        return None
    return replace(
        combine(photos, whole.mask, whole.px_per_mm),
        rejected=rejected,
        place=whole.place,
        item=whole.item,
    )


def room(kept: int) -> int:
    """Return how many more photos are combined beside those that stay."""
    return max(0, _PHOTOS - kept)


def lay(
    one: Source,
    registration: Registration,
    at: NDArray[np.float64],
    scale: float,
    first: NDArray[np.float32],
    mask: NDArray[np.bool_],
) -> Aligned:
    """Lay one registered photo into a frame, under the anchor's light.

    Parameters
    ----------
    at : ndarray
        (rows, columns, 2) frame points as the registration's frame has them.
    scale : float
        Frame px a px of the registration's frame.
    first : ndarray
        The anchor's colour.
    """
    assert registration.warp is not None
    logged, valid = sample_photo(one.picture, registration.warp, at)
    valid &= facing(registration.warp, at, valid & mask)
    colour, _ = match_light(log_colour(logged), first, valid & mask)
    rows, columns = mask.shape
    steps = registration.warp.stretch(at[:: rows // 8 + 1, :: columns // 8 + 1])
    resolution = float(np.median(steps)) / (scale * one.picture.shrunk)
    return Aligned(one.photo_id, one.sha256, one.specimen, colour, valid, resolution)


def item_box(
    picture: Picture, registrations: Sequence[Registration]
) -> tuple[NDArray[np.bool_], tuple[int, int, int, int]]:
    """Return where the item lies in the anchor: a mask, and left, top, right, bottom px.

    It is where other photos agree with the anchor; with one photo only, where its patches
    lie.
    """
    points = [_agreeing(r.cells) for r in registrations if r.cells is not None]
    inside = np.concatenate(points) if points else picture.features.xy.astype(np.float64)
    if len(inside) < 8:
        inside = picture.features.xy.astype(np.float64)
    low, high = np.percentile(inside, [0.5, 99.5], axis=0)
    inside = inside[((inside >= low) & (inside <= high)).all(axis=1)]
    hull = hull_of(inside, (picture.width, picture.height), grow=0.015)
    rows, columns = np.nonzero(hull)
    room = room_about(int(np.ptp(columns)), int(np.ptp(rows)))
    return hull, (
        int(max(0, columns.min() - room)), int(max(0, rows.min() - room)),
        int(min(picture.width, columns.max() + room + 1)),
        int(min(picture.height, rows.max() + room + 1)),
    )  # fmt: skip


def room_about(width: int, height: int) -> int:
    """Return how many px a frame leaves on each side of an item of that size."""
    return round(_MARGIN * float(np.sqrt(width * height)))


def item_of(whole: Consensus) -> NDArray[np.float32]:
    """Tell the item from what lies behind: GrabCut (doi:10.1145/1015706.1015720).

    Inside and outside are told apart by colour, from what surely is the item (well inside
    the mask) and what surely is not (well outside).

    Returns
    -------
    ndarray
        Share 0..1 of each px of a small frame that is the item, soft; all 0 where it cannot
        be told.
    """
    rows, columns = whole.shape
    scale = _OUTLINE_SIDE / max(rows, columns)
    size = (max(8, round(columns * scale)), max(8, round(rows * scale)))
    small = cv2.resize(whole.pixels, size, interpolation=cv2.INTER_AREA)
    inside = cv2.resize(whole.mask.astype(np.uint8), size)
    deep, far = (np.ones((2 * k + 1,) * 2, np.uint8) for k in (26, 18))
    trimap = np.where(inside > 0, cv2.GC_PR_FGD, cv2.GC_PR_BGD).astype(np.uint8)
    core = cv2.erode(inside, deep, borderType=cv2.BORDER_CONSTANT, borderValue=0)
    trimap[core > 0] = cv2.GC_FGD
    trimap[cv2.dilate(inside, far) == 0] = cv2.GC_BGD
    if not (trimap == cv2.GC_BGD).any() or not (trimap == cv2.GC_FGD).any():
        return np.zeros(size[::-1], np.float32)
    cv2.setRNGSeed(1)
    cv2.grabCut(small, trimap, None, np.zeros((1, 65)), np.zeros((1, 65)), 3, cv2.GC_INIT_WITH_MASK)
    item = np.isin(trimap, (cv2.GC_FGD, cv2.GC_PR_FGD)).astype(np.float32)
    return np.asarray(cv2.GaussianBlur(item, (0, 0), 2.0), np.float32)


def only_item(mask: NDArray[np.bool_], item: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Cut a mask down to the item, if most of it is; prints are whole, so holes are filled."""
    rows, columns = mask.shape
    large = (cv2.resize(item, (columns, rows), interpolation=cv2.INTER_LINEAR) > 0.5).astype(
        np.uint8
    )
    contours, _ = cv2.findContours(large, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    filled = np.zeros_like(large)
    if contours:
        cv2.drawContours(filled, [max(contours, key=cv2.contourArea)], -1, 1, cv2.FILLED)
    cut = mask & (cv2.erode(filled, np.ones((5, 5), np.uint8)) > 0)
    return cut if cut.sum() > _LEAST_ITEM * mask.sum() else mask


def outline_of(
    item: NDArray[np.float32], shape: tuple[int, int]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return points along the paper's edge and their outward normals, frame px."""
    rows, columns = item.shape
    scale = max(item.shape) / max(shape)
    contours, _ = cv2.findContours(
        (item > 0.5).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE
    )
    if not contours:
        return np.empty((0, 2)), np.empty((0, 2))
    line = max(contours, key=cv2.contourArea)[:, 0]
    line = line[((line > 6) & (line < np.array([columns, rows]) - 7)).all(axis=1)]
    gx, gy = (
        cv2.Sobel(item, cv2.CV_32F, *order, ksize=5)[line[:, 1], line[:, 0]]
        for order in ((1, 0), (0, 1))
    )
    length = np.hypot(gx, gy) + 1e-9
    normals = -np.column_stack([gx, gy]) / length[:, None]
    points = (line + 0.5) / scale - 0.5
    return points[::2].astype(np.float64), normals[::2].astype(np.float64)


def combine(
    photos: Sequence[Aligned], mask: NDArray[np.bool_], px_per_mm: float | None
) -> Consensus:
    """Take the robust middle and the spread of photos in one frame."""
    stack = np.stack([photo.colour for photo in photos])
    valid = np.stack([photo.valid for photo in photos])
    count = valid.sum(axis=0).astype(np.uint8)
    middle = masked_median(stack, valid)
    empty = np.zeros((3, *mask.shape), np.float32)
    spread = Consensus(
        tuple(photos), {}, middle, empty[0], empty[1:], count, mask & (count > 0), px_per_mm
    )
    squared = np.zeros(mask.shape)
    for colour, seen in zip(stack, valid, strict=True):
        squared += (np.abs(colour - middle).mean(axis=2) * seen) ** 2
    squared /= np.maximum(count - 1, 1)
    varied = np.sqrt(
        (squared * np.maximum(count - 1.0, 0) + 2 * 0.15**2) / (np.maximum(count - 1.0, 0) + 2)
    )
    return Consensus(
        tuple(photos), {}, middle, cv2.GaussianBlur(varied.astype(np.float32), (0, 0), 1.5),
        look_spread(spread), count, spread.mask, px_per_mm,
    )  # fmt: skip


def masked_median(stack: NDArray[np.float32], valid: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Return the median over what is valid; the plain mean where nothing is."""
    if len(stack) == 1:
        return np.asarray(stack[0], np.float32)
    middle = np.empty(stack.shape[1:], np.float32)
    # Some rows at a time: the median of all at once takes several times their memory.
    for top in range(0, len(middle), _ROWS):
        rows = slice(top, top + _ROWS)
        some, known = stack[:, rows], valid[:, rows]
        hidden = np.where(known[..., None], some, np.nan)
        empty = ~known.any(axis=0)
        hidden[0][empty] = some.mean(axis=0)[empty]
        middle[rows] = np.nanmedian(hidden, axis=0)
    return middle


def look_spread(whole: Consensus) -> NDArray[np.float32]:
    """Return how far looks of single photos lie from the middle, held up by a prior."""
    model = look_of(whole.middle, whole.mask, whole.reach, whole.unit)
    prior = np.array(PLAIN_SPREAD, np.float32)[:, None, None] ** 2
    total = np.broadcast_to(_PRIOR_PHOTOS * prior, (2, *whole.mask.shape)).copy()
    share = np.full(whole.mask.shape, _PRIOR_PHOTOS, np.float32)
    if len(whole.photos) > 1:
        # A photo is part of the middle that it is held against: n / (n - 1) makes up for it.
        more = len(whole.photos) / (len(whole.photos) - 1)
        for photo in whole.photos:
            look = look_of(photo.colour, photo.valid & whole.mask, whole.reach, whole.unit)
            for part, apart in enumerate(distances(look, model, whole.unit)):
                total[part] += more * apart**2 * photo.valid
            share += photo.valid
    spread = np.stack([np.sqrt(cv2.GaussianBlur(part / share, (0, 0), 2.0)) for part in total])
    # A px that happens to vary little in a few photos must not make a mountain of a grain.
    usual = np.median(spread[:, whole.mask], axis=1) if whole.mask.any() else np.array(PLAIN_SPREAD)
    held: NDArray[np.float32] = np.hypot(spread, usual[:, None, None]).astype(np.float32)
    return held
