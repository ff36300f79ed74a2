"""Near designs told apart where they differ from each other, not all over.

Two editions of one maker, or two sorts of one carton, agree nearly everywhere, and so a query
agrees with both: which of them it agrees with in more places is then decided by how either
was photographed. Here the photos of both are laid over the query, each by its own outline,
and looked at in blocks. Where the two photos agree with each other, a block says nothing;
where they differ in print or in colour, it speaks for the one that the query resembles.

What it finds shifts a whole design, that is all photos of the edition: it never decides
between photos of one edition, hence not between genuine and fake ones.

The weights were chosen on 155 photographs of cartons (one reference each) and the bands and
seals of the demo set; ``tests/benchmarks/results/retrieval.md`` has figures on others.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import NamedTuple, TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from loupebook.errors import LoupebookError
from loupebook.records.model import PhotoFacts
from loupebook.search.arm import Outline, Pixels, QueryPhoto, ReadPhoto
from loupebook.search.fuse import FusedHit
from loupebook.search.windows import box_about

RIVALS = 4
"""Designs laid beside the first."""
PRINT_WEIGHT, COLOUR_WEIGHT = 12.0, 3.0
"""Log odds for an agreement with one photo alone: correlation 1 against 0, colour equal to one."""
MOST = 5.0
"""Log odds that it can add or take at most; a design that leads by more is left alone."""
GLANCE = 800
"""Longest side, px, of the reference photos."""
SIDE = 420
"""Longest side of the item, px, at which all three are laid over each other."""
MOST_ENLARGED = 2.0
BLOCK, STEP, SLACK = 28, 14, 5
"""Side of a block, step from one to the next, and how far an outline may be off, px."""
FEWEST_BLOCKS = 6
COVERED = 0.98
"""Share of a block that both photos must show."""
PLAIN = 4.0
"""Spread of grey values, 0..255, below which a block has no print."""
ALIKE_PRINT = 0.9
"""Correlation of the two photos from which a block's print is the same in both."""
LEAST_ALIKE, ALIKE_BLOCK = 0.1, 0.8
"""Share of blocks that must correlate so well for the two to be siblings at all. Photos that
agree nowhere, such as two rolled heads without print, differ as any two things do."""
ALIKE_COLOUR, ENOUGH_COLOUR = 4.0, 5.0
"""CIELAB chroma difference up to which blocks are of one colour, and what the mean excess over
it must reach to speak with full weight."""

Edition: TypeAlias = tuple[object, ...]
Floats: TypeAlias = NDArray[np.float64]
Places: TypeAlias = Sequence[tuple[int, int]]


class Seen(NamedTuple):
    """A reference photo, uint8 sRGB, and where its four corners lie in the query, px."""

    pixels: Pixels
    outline: Outline


@dataclass(frozen=True)
class Siblings:
    """What editions gain or lose because others near them fit better or worse.

    Parameters
    ----------
    shifts : mapping
        Edition to log odds; those that are not in it stay as they are.
    """

    shifts: Mapping[Edition, float] = field(default_factory=lambda: MappingProxyType({}))

    def applied(self, fused: Sequence[FusedHit], facts: Mapping[int, PhotoFacts]) -> list[FusedHit]:
        """Return the hits with what their editions gain or lose, nearest first."""
        if not self.shifts:
            return list(fused)
        shifted = [self._shifted(hit, edition_of(facts[hit.photo_id])) for hit in fused]
        return sorted(shifted, key=lambda hit: (-hit.evidence, hit.photo_id))

    def _shifted(self, hit: FusedHit, edition: Edition) -> FusedHit:
        shift = self.shifts.get(edition, 0.0)
        if shift == 0.0:
            return hit
        evidence = hit.evidence + shift
        detail = {**hit.detail, "told_apart": round(shift, 3)}
        return replace(hit, evidence=evidence, similarity=float(expit(evidence)), detail=detail)


def edition_of(fact: PhotoFacts) -> Edition:
    """Return what all photos of one print share; a specimen of no edition is its own."""
    return fact.marque, fact.element, fact.edition or f"specimen {fact.specimen}"


def tell_siblings(
    query: QueryPhoto,
    fused: Sequence[FusedHit],
    facts: Mapping[int, PhotoFacts],
    glance: ReadPhoto,
) -> Siblings:
    """Lay the nearest editions over the query and tell them apart where they differ.

    Parameters
    ----------
    query : QueryPhoto
        The photo.
    fused : sequence of FusedHit
        The answer of all arms, nearest first.
    facts : mapping
        Photo id to facts, for every photo of the answer.
    glance : callable
        Photo id to pixels, uint8 sRGB; small ones do (:data:`GLANCE`).
    """
    placed = _placed(fused, facts)
    if not placed or edition_of(facts[fused[0].photo_id]) != edition_of(facts[placed[0].photo_id]):
        return Siblings()
    first, rivals = placed[0], placed[1 : 1 + RIVALS]
    near = [one for one in rivals if fused[0].evidence - one.evidence < MOST]
    seen = {hit.photo_id: _seen(hit, glance) for hit in ([first, *near] if near else [])}
    mine = seen.get(first.photo_id)
    shifts = {}
    for one in near:
        theirs = seen[one.photo_id]
        if mine is not None and theirs is not None:
            shift = -told_apart(query.pixels, mine, theirs)
            shifts[edition_of(facts[one.photo_id])] = shift
    return Siblings(shifts)


def _placed(fused: Sequence[FusedHit], facts: Mapping[int, PhotoFacts]) -> list[FusedHit]:
    """Return the nearest photo of each edition that geometry has placed in the query."""
    best: dict[Edition, FusedHit] = {}
    for hit in fused:
        if hit.outline is not None:
            best.setdefault(edition_of(facts[hit.photo_id]), hit)
    return list(best.values())


def _seen(hit: FusedHit, glance: ReadPhoto) -> Seen | None:
    """Return a placed photo with its place; `None` where it cannot be read."""
    if hit.outline is None:
        return None
    try:
        return Seen(glance(hit.photo_id), hit.outline)
    except LoupebookError:
        return None


def told_apart(query: Pixels, one: Seen, other: Seen) -> float:
    """Return by how much a query speaks for one of two photos rather than the other.

    Parameters
    ----------
    query : ndarray
        uint8 sRGB (height, width, 3).
    one, other : Seen
        The photos and their places in it.

    Returns
    -------
    float
        Log odds, at most :data:`MOST` either way; 0 where too little of both is seen.
    """
    framed = _framed(query, one.outline)
    if framed is None:
        return 0.0
    item, onto = framed
    laid = [_laid(seen, onto, item.shape) for seen in (one, other)]
    places = _places(laid[0][1] & laid[1][1])
    if len(places) < FEWEST_BLOCKS:
        return 0.0
    pictures = [item, *(picture for picture, _ in laid)]
    by_print = _by_print([_grey(picture) for picture in pictures], places)
    if by_print is None:
        return 0.0
    log_odds = PRINT_WEIGHT * by_print + COLOUR_WEIGHT * _by_colour(pictures, places)
    return float(np.clip(log_odds, -MOST, MOST))


def _places(shown: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return the top left px (x, y) of all blocks that both photos show, with room about them."""
    area = cv2.integral(shown.astype(np.uint8))
    height, width = shown.shape
    reach = BLOCK + SLACK
    least = COVERED * (BLOCK + 2 * SLACK) ** 2
    found = []
    for y in range(SLACK, height - reach, STEP):
        for x in range(SLACK, width - reach, STEP):
            left, top, right, bottom = x - SLACK, y - SLACK, x + reach, y + reach
            covered = area[bottom, right] - area[top, right] - area[bottom, left] + area[top, left]
            if covered >= least:
                found.append((x, y))
    return found


def _by_print(greys: Sequence[NDArray[np.float32]], places: Places) -> float | None:
    """Weigh by how little the two photos correlate where the query goes with one of them.

    Returns
    -------
    float or None
        Correlation with one less that with other, -2..2; `None` where the photos agree in
        too few places to be siblings.
    """
    query, one, other = greys
    printed = [place for place in places if _bears_print(greys, place)]
    alike = np.array([_best(other, one, place) for place in printed])
    if not printed or np.mean(alike >= ALIKE_BLOCK) < LEAST_ALIKE:
        return None
    differ = np.clip(ALIKE_PRINT - alike, 0, None)
    weight = float(differ.sum())
    if weight == 0.0:
        return 0.0
    speaks = sum(
        by * (_best(one, query, place) - _best(other, query, place))
        for by, place in zip(differ.tolist(), printed, strict=True)
        if by > 0
    )
    return float(speaks) / weight * min(weight, 1.0)


def _bears_print(greys: Sequence[NDArray[np.float32]], place: tuple[int, int]) -> bool:
    query, one, other = (float(_cut(grey, place).std()) for grey in greys)
    return query >= PLAIN and max(one, other) >= PLAIN


def _by_colour(pictures: Sequence[Pixels], places: Places) -> float:
    """Weigh by how far the colours of the two photos are apart, -1..1."""
    across, down = np.array(places).T
    colours = np.stack([_block_means(picture)[down, across] for picture in pictures], axis=1)
    query = colours[:, 0].astype(np.float64)
    one, other = (
        _in_light_of(query, colours[:, which].astype(np.float64))[:, 1:] for which in (1, 2)
    )
    apart = np.linalg.norm(one - other, axis=1)
    differ = np.clip(apart - ALIKE_COLOUR, 0, None)
    weight = float(differ.sum())
    if weight == 0.0:
        return 0.0
    chroma = query[:, 1:]
    nearer = np.linalg.norm(chroma - other, axis=1) - np.linalg.norm(chroma - one, axis=1)
    share = np.clip(nearer / (apart + 1e-6), -1, 1)
    enough = min(weight / len(differ) / ENOUGH_COLOUR, 1.0)
    return float((differ * share).sum()) / weight * enough


def _in_light_of(query: Floats, photo: Floats) -> Floats:
    """Bring a photo's colours into the query's light: a gain and an offset a channel.

    They are those of the seven tenths of the blocks that fit best, so that a part of another
    colour does not draw them to itself.
    """
    fitted = np.empty_like(photo)
    for channel in range(3):
        mine, theirs = photo[:, channel], query[:, channel]
        keep = np.ones(len(mine), dtype=bool)
        for _ in range(3):
            design = np.stack([mine[keep], np.ones(int(keep.sum()))], axis=1)
            gain = float(np.clip(np.linalg.lstsq(design, theirs[keep], rcond=None)[0][0], 0.5, 2))
            fitted[:, channel] = gain * mine + np.median(theirs[keep] - gain * mine[keep])
            off = np.abs(theirs - fitted[:, channel])
            keep = off <= np.quantile(off, 0.7)
    return fitted


def _framed(query: Pixels, outline: Outline) -> tuple[Pixels, Floats] | None:
    """Cut the item out at working size; return it and the map of query px onto its px."""
    height, width = query.shape[:2]
    left, top, right, bottom = box_about(outline, width, height)
    if min(right - left, bottom - top) < BLOCK:
        return None
    scale = min(SIDE / max(right - left, bottom - top), MOST_ENLARGED)
    size = (max(16, round((right - left) * scale)), max(16, round((bottom - top) * scale)))
    how = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    item = cv2.resize(query[top:bottom, left:right], size, interpolation=how)
    shrink = np.diag([size[0] / (right - left), size[1] / (bottom - top), 1.0])
    onto = shrink @ np.array([[1, 0, -left], [0, 1, -top], [0, 0, 1.0]])
    return np.asarray(item, np.uint8), onto


def _laid(seen: Seen, onto: Floats, shape: Sequence[int]) -> tuple[Pixels, NDArray[np.bool_]]:
    """Lay a reference photo over the cut-out item; return it and where it shows something."""
    height, width = seen.pixels.shape[:2]
    right, bottom = width - 1, height - 1
    corners = np.array([[0, 0], [right, 0], [right, bottom], [0, bottom]], np.float32)
    mapping = onto @ cv2.getPerspectiveTransform(corners, np.array(seen.outline, np.float32))
    target = cv2.perspectiveTransform(corners[None], mapping)[0]
    scale = float(np.sqrt(cv2.contourArea(target) / (width * height)))
    photo = seen.pixels
    if scale < 0.75:  # shrunk by area first, so that nothing aliases
        size = (max(16, round(width * scale)), max(16, round(height * scale)))
        photo = np.asarray(cv2.resize(photo, size, interpolation=cv2.INTER_AREA), np.uint8)
        mapping = mapping @ np.diag([width / size[0], height / size[1], 1.0])
    over = (shape[1], shape[0])
    laid = cv2.warpPerspective(photo, mapping, over, flags=cv2.INTER_LINEAR)
    whole = np.full(photo.shape[:2], 255, np.uint8)
    return np.asarray(laid, np.uint8), cv2.warpPerspective(whole, mapping, over) > 254


def _grey(picture: Pixels) -> NDArray[np.float32]:
    grey = cv2.GaussianBlur(cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY), (0, 0), 0.8)
    return np.asarray(grey, np.float32)


def _block_means(picture: Pixels) -> NDArray[np.float32]:
    """Return for each px the mean CIELAB value of the block whose top left it is."""
    lab = cv2.cvtColor(picture.astype(np.float32) / 255, cv2.COLOR_RGB2LAB)
    return np.asarray(cv2.boxFilter(lab, -1, (BLOCK, BLOCK), anchor=(0, 0)), np.float32)


def _cut(grey: NDArray[np.float32], place: tuple[int, int], more: int = 0) -> NDArray[np.float32]:
    x, y = place
    return grey[y - more : y + BLOCK + more, x - more : x + BLOCK + more]


def _best(grey: NDArray[np.float32], other: NDArray[np.float32], place: tuple[int, int]) -> float:
    """Return the greatest correlation of a block of `other` with what lies there in `grey`."""
    around, block = _cut(grey, place, SLACK), _cut(other, place)
    return float(cv2.matchTemplate(around, block, cv2.TM_CCOEFF_NORMED).max())
