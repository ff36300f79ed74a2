"""`search_set`: one query, all arms, filters, specimens, nearest genuine and nearest fake."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from scipy.special import expit

from loupebook.errors import CropInvalid, QueryInvalid, SearchError
from loupebook.records.model import PhotoFacts, Standing
from loupebook.search.arm import ArmHit, LocatingArm, QueryPhoto, ReadPhoto, SearchArm
from loupebook.search.closer import CloserLook, look_closer
from loupebook.search.filters import Filters
from loupebook.search.fuse import FusedHit, default_worths, fuse_hits
from loupebook.search.group import Match, group_by_specimen
from loupebook.search.items import LIKELY, FoundItem, found_items
from loupebook.search.siblings import Siblings, tell_siblings

_FEW = 5
"""Photos asked of each arm where only the nearest specimen is wanted: the arms may differ."""
_FIRST_ASK = 50
"""Photos asked of each arm at first; more where they belong to too few specimens."""


SURE = 0.99
"""What an arm's score must be worth by itself for its place to be beyond doubt."""


@dataclass(frozen=True)
class SearchResult:
    """The nearest specimens to one query.

    Parameters
    ----------
    matches : tuple of Match
        Nearest first, each specimen once.
    nearest_genuine, nearest_fake : Match, optional
        The nearest of either standing, however far; `None` only where the filters leave
        none. One that lies beyond all that the arms returned has the rank after the last.
    empty_reason : str, optional
        Why there are no matches, if there are none.
    items : tuple of FoundItem
        The items that lie in the query, as far as references tell, the surest first.
    located : QueryPhoto, optional
        The query with the part marked in which the item was found, if it was.
    looked_at : tuple of QueryPhoto
        The very objects that the arms were asked about that look at the whole picture: they
        remember them.
    filters : Filters
        What the search was limited to.
    """

    matches: tuple[Match, ...]
    nearest_genuine: Match | None
    nearest_fake: Match | None
    empty_reason: str | None = None
    items: tuple[FoundItem, ...] = ()
    located: QueryPhoto | None = None
    looked_at: tuple[QueryPhoto, ...] = ()
    filters: Filters = field(default_factory=Filters)


def search_set(
    arms: Sequence[SearchArm],
    query: QueryPhoto,
    facts: Mapping[int, PhotoFacts],
    *,
    element: str | None = None,
    view: str | None = None,
    lighting: str | None = None,
    marque: str | None = None,
    standing: str | None = None,
    without: Collection[str] = (),
    limit: int = 10,
    glance: ReadPhoto | None = None,
) -> SearchResult:
    """Find the specimens nearest to a query.

    Parameters
    ----------
    arms : sequence of SearchArm
        Brought up to date by the caller.
    query : QueryPhoto
        The photo.
    facts : mapping
        Photo id to facts, for every photo of the set.
    element, view, lighting, marque, standing : str, optional
        Only photos with this value are searched.
    without : collection of str
        Names of specimens to leave out.
    limit : int
        Specimens wanted, at least 1.
    glance : callable, optional
        Photo id to pixels of a reference, uint8 sRGB, small ones do: near designs are then
        told apart where their photos differ (``loupebook.search.siblings``).

    Raises
    ------
    QueryInvalid
        If a filter's value or `limit` is not allowed.
    SearchError
        If there is no arm, or an arm answers with a photo that the filters exclude.
    """
    if limit < 1:
        raise QueryInvalid(f"The number of matches must be at least 1, not {limit}.")
    if not arms:
        raise SearchError("There is no search arm to search with.")
    filters = Filters.checked(
        facts,
        element=element,
        view=view,
        lighting=lighting,
        marque=marque,
        standing=standing,
        without=without,
    )
    allowed = {photo: fact for photo, fact in facts.items() if filters.passes(fact)}
    if not allowed:
        return SearchResult((), None, None, _why_empty(filters, facts), filters=filters)
    asker = _Asker(arms, query, glance)
    found = _nearest_specimens(asker, allowed, limit)
    if not found:
        why = "No reference bears any likeness to this photo."
        return SearchResult((), None, None, why, filters=filters)
    return SearchResult(
        matches=tuple(found[:limit]),
        nearest_genuine=_nearest_of(Standing.GENUINE, found, asker, allowed),
        nearest_fake=_nearest_of(Standing.FAKE, found, asker, allowed),
        items=tuple(found_items(asker.first, allowed)),
        located=asker.located,
        looked_at=asker.looked_at,
        filters=filters,
    )


def _why_empty(filters: Filters, facts: Mapping[int, PhotoFacts]) -> str:
    if not any(Filters().passes(fact) for fact in facts.values()):
        return "The set holds no confirmed photo yet."
    return f"No photo of the set passes the filters ({filters.describe()})."


class _Asker:
    """Puts one query to all arms, under filters that change, and joins their answers.

    Arms that locate are asked first. Where their answer and that of the arms which look at
    the whole picture leave a doubt, the candidates are looked at more closely. Designs that
    still lie near each other are told apart where they differ. As soon as it is
    told where the item lies, the arms that look at the whole picture are asked about that part
    too, and a photo keeps the better of its two scores. Where the place is beyond doubt
    beforehand, they need not look all over the photo as well.
    """

    def __init__(
        self, arms: Sequence[SearchArm], query: QueryPhoto, glance: ReadPhoto | None
    ) -> None:
        self._locating = [arm for arm in arms if isinstance(arm, LocatingArm)]
        self._whole_arms = [arm for arm in arms if not isinstance(arm, LocatingArm)]
        self._query = query
        self._whole: QueryPhoto | None = None
        self._closer: CloserLook | None = None
        self._glance = glance
        self._siblings: Siblings | None = None
        self.located: QueryPhoto | None = None
        self.first: list[FusedHit] = []

    @property
    def looked_at(self) -> tuple[QueryPhoto, ...]:
        """What the arms that look at the whole picture were asked about."""
        whole = self._whole or self._query
        return (whole,) if self.located is None else (whole, self.located)

    def ask(self, allowed: Mapping[int, PhotoFacts], limit: int) -> list[FusedHit]:
        """Return the photos that the arms found, nearest first."""
        hits = {arm.name: self._one(arm, self._query, allowed, limit) for arm in self._locating}
        if self._whole is None:
            self._whole = replace(self._query, placed=True) if _sure(hits) else self._query
        for arm in self._whole_arms:
            hits[arm.name] = self._one(arm, self._whole, allowed, limit)
        fused = self._looked_closer(fuse_hits(hits), allowed)
        looked = self._look_again(hits, self._places(fused), allowed, limit)
        if not looked and self._whole is not self._query:
            # What had placed the item beyond doubt could not be cut out: look all over after all.
            self._whole = self._query
            for arm in self._whole_arms:
                all_over = self._one(arm, self._whole, allowed, limit)
                hits[arm.name] = best_of_both(hits[arm.name], all_over)
            looked = True
        if looked:
            fused = self._looked_closer(fuse_hits(hits), allowed)
        fused = self._told_apart(fused, allowed)
        self.first = self.first or fused
        return fused

    def _looked_closer(
        self, fused: list[FusedHit], allowed: Mapping[int, PhotoFacts]
    ) -> list[FusedHit]:
        """Add what a closer look has found; it is taken once, at the first answer."""
        if not self._locating or not self._whole_arms:
            return fused
        if self._closer is None:
            arm = self._locating[0]
            worth = default_worths()[arm.name]
            self._closer = look_closer(arm, worth, self._query, fused, allowed)
        return self._closer.applied(fused, allowed)

    def _told_apart(
        self, fused: list[FusedHit], allowed: Mapping[int, PhotoFacts]
    ) -> list[FusedHit]:
        """Shift near designs by where they differ; looked at once, at the first answer."""
        if self._glance is None or not (self._locating and self._whole_arms):
            return fused
        if self._siblings is None:
            self._siblings = tell_siblings(self._query, fused, allowed, self._glance)
        return self._siblings.applied(fused, allowed)

    def _places(self, fused: Sequence[FusedHit]) -> Iterator[QueryPhoto]:
        """Yield the query with the part marked that may be the item, the surest first."""
        if self.located is not None:
            yield self.located
        elif self._query.region is None:
            for hit in fused:
                if hit.outline is not None and hit.similarity >= LIKELY:
                    yield replace(self._query, region=hit.outline, upright=True)

    def _look_again(
        self,
        hits: dict[str, list[ArmHit]],
        places: Iterable[QueryPhoto],
        allowed: Mapping[int, PhotoFacts],
        limit: int,
    ) -> bool:
        """Ask the arms that look at the whole picture about the first place that can be cut out."""
        if not self._locating:
            return False
        for place in places:
            try:
                found = {
                    arm.name: self._one(arm, place, allowed, limit) for arm in self._whole_arms
                }
            except CropInvalid:
                continue
            for name, second in found.items():
                hits[name] = best_of_both(hits[name], second)
            self.located = place
            return True
        return False

    @staticmethod
    def _one(
        arm: SearchArm, query: QueryPhoto, allowed: Mapping[int, PhotoFacts], limit: int
    ) -> list[ArmHit]:
        found = arm.find(query, allowed=allowed.keys(), limit=limit)
        stray = [hit.photo_id for hit in found if hit.photo_id not in allowed]
        if stray:
            raise SearchError(
                f"The {arm.name} arm answered with photos that it was not asked: {stray}."
            )
        return found


def _sure(hits: Mapping[str, Sequence[ArmHit]]) -> bool:
    """Say whether an arm has placed the item beyond doubt by itself."""
    worths = default_worths()
    return any(
        hit.outline is not None and expit(worths[name].log_odds(hit.score)) >= SURE
        for name, found in hits.items()
        if name in worths
        for hit in found[:1]
    )


def best_of_both(one: Sequence[ArmHit], other: Sequence[ArmHit]) -> list[ArmHit]:
    """Join two answers of one arm: each photo by its better score, nearest first."""
    best: dict[int, ArmHit] = {}
    for hit in [*one, *other]:
        known = best.get(hit.photo_id)
        if known is None or hit.score > known.score:
            best[hit.photo_id] = hit
    return sorted(best.values(), key=lambda hit: (-hit.score, hit.photo_id))


def _nearest_specimens(asker: _Asker, allowed: Mapping[int, PhotoFacts], limit: int) -> list[Match]:
    """Ask for more photos until they belong to enough specimens or there are no more."""
    ask = max(_FIRST_ASK, 2 * limit)
    while True:
        matches = group_by_specimen(asker.ask(allowed, ask), allowed)
        if len(matches) >= limit or ask >= len(allowed):
            return matches
        ask *= 8


def _nearest_of(
    standing: Standing,
    found: Sequence[Match],
    asker: _Asker,
    allowed: Mapping[int, PhotoFacts],
) -> Match | None:
    """Take the nearest of one standing from what was found, or search for it alone."""
    for match in found:
        if match.standing is standing:
            return match
    only = {photo: fact for photo, fact in allowed.items() if fact.standing is standing}
    if not only:
        return None
    nearest = group_by_specimen(asker.ask(only, _FEW), only)
    return replace(nearest[0], rank=len(found) + 1) if nearest else None
