"""How far the print of each specimen departs from the genuine ones of its design.

The photos of a specimen are brought together in one figure. What is usual depends on how many
genuine specimens a print is held against (against one alone the spread is unknown, and genuine
prints lie about a deviation off), so prints held against one do not count, and the usual departure
at each number is taken off.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np

from loupebook.compare import LeftOut
from loupebook.evidence.by_print import FEWEST
from loupebook.evidence.splits import origin_units
from loupebook.records.model import Element, Standing
from loupebook.setreport.context import ReportContext

UNLAID = 3.0
"""z of a photo that cannot be laid over genuine ones which all fit each other: as of a figure
that differs."""
MOSTLY_LAID = 0.9
"""Share of an element's genuine photos that can be laid over the others from which one that cannot
is worth a word; all of bands and seals in seven rendered worlds, none of the rolled heads."""
MANY = 4
"""Genuine specimens from which on one more changes little in what is usual."""
PHOTOS_NEEDED = 10
"""Genuine photos held against one number of others that it takes to learn what is usual there. With
fewer, that of all photos of the element is taken; of fewer of these, nothing is taken off."""
NOT_LAID = "could not be laid over the others"


@dataclass(frozen=True)
class Judged:
    """One specimen's print against the genuine ones of its design.

    Parameters
    ----------
    name, element : str
        The specimen and its kind.
    fake : bool
        Standing as recorded.
    z : float
        How far its photos depart in the mean, in usual deviations of genuine ones, less what
        genuine ones usually do.
    differs : tuple of str
        What differs in any of its photos, in words.
    photos : tuple of int
        Its photos that were compared.
    press : hashable
        What counts as one press: the print origin of a copy, all without a recorded one together,
        since they may share one; a genuine specimen by itself.
    """

    name: str
    element: str
    fake: bool
    z: float
    differs: tuple[str, ...]
    photos: tuple[int, ...]
    press: Hashable

    @property
    def recorded(self) -> str:
        """Standing as recorded, in a word."""
        return str(Standing.FAKE if self.fake else Standing.GENUINE)


def judge(context: ReportContext, photos: Sequence[LeftOut]) -> list[Judged]:
    """Bring the photos of each specimen together.

    A photo that cannot be laid over the others counts as departing only where all those of
    other genuine specimens of its design could be, and nearly all genuine ones of its element:
    where they could not, as rolled heads, that tells nothing. Photos held against one specimen
    alone are passed over.
    """
    photos = [one for one in photos if one.others >= FEWEST]
    usual = _usual_departures(context, photos)
    loose = _loose_specimens(context, photos)
    firm = _firm_elements(context, photos)
    held: dict[str, list[tuple[LeftOut, float]]] = {}
    for one in photos:
        element = context.confirmed[one.photo_id].element
        z = one.departure
        if z is not None:
            z -= usual.get((element, min(one.others, MANY)), 0.0)
        if not one.laid and element in firm:
            alone = not loose.get(_design(context, one.photo_id), set()) - {one.specimen}
            z = UNLAID if alone else z
        if z is not None:
            held.setdefault(one.specimen, []).append((one, z))
    return [_judged(context, name, shots) for name, shots in held.items()]


def _judged(context: ReportContext, name: str, shots: Sequence[tuple[LeftOut, float]]) -> Judged:
    photos = [shot for shot, _ in shots]
    fact = context.confirmed[photos[0].photo_id]
    differs = [what for shot in photos for what in (shot.differs if shot.laid else (NOT_LAID,))]
    fake = fact.standing is Standing.FAKE
    return Judged(
        name,
        str(fact.element),
        fake,
        float(np.mean([z for _, z in shots])),
        tuple(dict.fromkeys(differs)),
        tuple(shot.photo_id for shot in photos),
        origin_units([name], [fake], [fact.origin])[0],
    )


def _design(context: ReportContext, photo: int) -> tuple[str | None, ...]:
    fact = context.confirmed[photo]
    return fact.marque, str(fact.element), fact.edition, str(fact.view), str(fact.lighting)


def _usual_departures(
    context: ReportContext, photos: Sequence[LeftOut]
) -> dict[tuple[Element, int], float]:
    """Return the middle departure of genuine photos by element and number of others."""
    held: dict[tuple[Element, int], list[float]] = {}
    whole: dict[Element, list[float]] = {}
    for one in photos:
        fact = context.confirmed[one.photo_id]
        key = fact.element, min(one.others, MANY)
        mine = held.setdefault(key, [])
        if one.departure is not None and fact.standing is Standing.GENUINE:
            mine.append(one.departure)
            whole.setdefault(fact.element, []).append(one.departure)
    return {
        (element, others): float(np.median(mine if len(mine) >= PHOTOS_NEEDED else whole[element]))
        for (element, others), mine in held.items()
        if len(whole.get(element, ())) >= PHOTOS_NEEDED
    }


def _loose_specimens(
    context: ReportContext, photos: Sequence[LeftOut]
) -> dict[tuple[str | None, ...], set[str]]:
    """Return, design by design, the genuine specimens that could not be laid over the others."""
    found: dict[tuple[str | None, ...], set[str]] = {}
    for one in photos:
        if not one.laid and context.confirmed[one.photo_id].standing is Standing.GENUINE:
            found.setdefault(_design(context, one.photo_id), set()).add(one.specimen)
    return found


def _firm_elements(context: ReportContext, photos: Sequence[LeftOut]) -> set[Element]:
    """Return the elements of which nearly all genuine photos could be laid over the others."""
    laid: dict[Element, list[bool]] = {}
    for one in photos:
        fact = context.confirmed[one.photo_id]
        if fact.standing is Standing.GENUINE:
            laid.setdefault(fact.element, []).append(one.laid)
    return {element for element, each in laid.items() if np.mean(each) >= MOSTLY_LAID}
