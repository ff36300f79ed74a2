"""Near designs told apart where they differ from each other, not all over.

Two editions of one maker, or two sorts of one carton, agree nearly everywhere, and so a query
agrees with both: which of them it agrees with in more places is then decided by how either
was photographed. Here the photos of both are laid over the query, each by its own outline.

Where the set has several photos of both, ``loupebook.search.many_photos`` tells print from how
it was photographed, and what it finds takes the place of the lead that one had. With one photo
of either, they are looked at in blocks. Where the two agree with each other, a block says
nothing; where they differ in print or in colour, it speaks for the one that the query resembles.

What it finds shifts a whole design, that is all photos of the edition: it never decides
between photos of one edition, hence not between genuine and fake ones.

The weights were chosen on 155 photographs of cartons (one reference each) and the bands and
seals of the demo set; ``tests/benchmarks/results/retrieval.md`` has figures on others.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from loupebook.errors import LoupebookError
from loupebook.records.model import PhotoFacts
from loupebook.search.arm import Pixels, QueryPhoto, ReadPhoto
from loupebook.search.fuse import FusedHit
from loupebook.search.laying import Seen, cut_out, lay_over
from loupebook.search.many_photos import told_by_many

RIVALS = 4
"""Designs laid beside the first."""
PRINT_WEIGHT, COLOUR_WEIGHT = 12.0, 3.0
"""Log odds for an agreement with one photo alone: correlation 1 against 0, colour equal to one."""
MOST = 5.0
"""Log odds that it can add or take at most; a design that leads by more is left alone."""
GLANCE = 1200
"""Longest side, px, of the reference photos."""
PHOTOS = 4
"""Photos of one design laid over a query at most."""
FEWEST_PHOTOS = 2
"""Photos of either design from which they are looked at together."""
FAR = 15.0
"""Log odds of a lead from which the one behind is not looked at by many photos either."""
ENOUGH_TOLD, MANY_WEIGHT, LEAD_GIVEN_UP = 2.0, 20.0, 0.8
"""What must speak, by weight, for many photos to count in full; log odds for a mean difference
of correlations of 1; and the share of the lead that then counts no more."""
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
    first, *rivals = [*placed][: 1 + RIVALS] or [()]
    if not first or first != edition_of(facts[fused[0].photo_id]):
        return Siblings()
    seen = _Seen(query.pixels, glance)
    shifts: dict[Edition, float] = {}
    for number, rival in enumerate(rivals):
        lead = fused[0].evidence - placed[rival][0].evidence
        gain = None
        # Specimens of no edition may be of one print: what parts those is not the design.
        named = all(facts[placed[one][0].photo_id].edition for one in (first, rival))
        if number == 0 and named and lead < FAR:
            gain = seen.by_many(placed[first], placed[rival], lead)
            if gain is not None and gain > lead:
                # Places are exchanged; nothing has become likelier than the first was.
                shifts[first] = lead - gain
                gain = lead
        if gain is None and lead < MOST:
            gain = seen.by_one(placed[first][0], placed[rival][0])
        if gain is not None:
            shifts[rival] = gain
    return Siblings(shifts)


class _Seen:
    """Looks at reference photos beside one query; each is read once."""

    def __init__(self, query: Pixels, glance: ReadPhoto) -> None:
        self._query = query
        self._glance = glance
        self._read: dict[int, Pixels | None] = {}

    def by_many(
        self, first: Sequence[FusedHit], rival: Sequence[FusedHit], lead: float
    ) -> float | None:
        """Return what the rival gains by several photos of both; `None` where there are none."""
        if min(len(first), len(rival)) < FEWEST_PHOTOS:
            return None
        mine, theirs = self._photos(first), self._photos(rival)
        if min(len(mine), len(theirs)) < FEWEST_PHOTOS:
            return None
        told = told_by_many(self._query, mine, theirs)
        sure = min(told.weight / ENOUGH_TOLD, 1.0)
        return sure * (LEAD_GIVEN_UP * lead - MANY_WEIGHT * told.speaks)

    def by_one(self, first: FusedHit, rival: FusedHit) -> float | None:
        """Return what the rival gains by the nearest photo of each; `None` if one is not read."""
        both = self._photos([first, rival])
        return -told_apart(self._query, *both) if len(both) == 2 else None

    def _photos(self, hits: Sequence[FusedHit]) -> list[Seen]:
        return [
            Seen(pixels, hit.outline)
            for hit in hits
            if hit.outline is not None and (pixels := self._pixels(hit.photo_id)) is not None
        ]

    def _pixels(self, photo: int) -> Pixels | None:
        if photo not in self._read:
            try:
                self._read[photo] = self._glance(photo)
            except LoupebookError:
                self._read[photo] = None
        return self._read[photo]


def _placed(
    fused: Sequence[FusedHit], facts: Mapping[int, PhotoFacts]
) -> dict[Edition, list[FusedHit]]:
    """Return the nearest photos of each edition that geometry has placed, nearest first."""
    best: dict[Edition, list[FusedHit]] = {}
    for hit in fused:
        if hit.outline is not None:
            of_edition = best.setdefault(edition_of(facts[hit.photo_id]), [])
            if len(of_edition) < PHOTOS:
                of_edition.append(hit)
    return best


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
    framed = cut_out(query, one.outline, side=SIDE, most_enlarged=MOST_ENLARGED, least=BLOCK)
    if framed is None:
        return 0.0
    item, onto = framed
    laid = [lay_over(seen.pixels, seen.outline, onto, item.shape) for seen in (one, other)]
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
