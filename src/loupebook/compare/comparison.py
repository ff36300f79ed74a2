"""One query against one consensus (or one photo): figures, z, verdicts and maps.

A verdict says how the *print* compares with known genuine ones of the edition; none says
what the item is.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from loupebook.compare.cast import lit_otherwise
from loupebook.compare.consensus import Consensus, Source, assemble
from loupebook.compare.frame import Framed
from loupebook.compare.measures import ALL, measure_all
from loupebook.compare.picture import Picture
from loupebook.compare.registration import Registration, register
from loupebook.compare.usual import is_known, value_at, weight_of, z_of

DIFFERS_FROM = 3.0
"""z from which a figure differs: beyond all of 56 usable genuine photos of rendered worlds that
nothing was tuned on, and of 56 of two others."""
AGREES_TO = 2.0
NEAR_FROM = 1.0
"""z from which a figure that agrees lies near the limit; the step is our choice."""
GREATEST = 8.0
LEAST = -1.0
"""Bounds within which a z counts where all are taken together."""
FEWEST_KNOWN = 4
"""Known photos, held against each other, below which "agrees" is not said; our choice."""
WIDEST = 8.0
"""Times the middle that the limit may be, so that to lie within it says something; ours."""
TOO_FEW = "too few known photos to tell"
TOO_WIDE = "known ones vary too much to tell"

DOES_NOT_SAY = (
    "This compares print with known examples; it does not say that an item is genuine. Good "
    "copies also lie near, and a difference may come from wear, light or another print run. "
    "The rights holder and qualified examiners decide."
)


class Verdict(StrEnum):
    """How one measurement compares with known genuine ones."""

    AGREES = "agrees"
    DIFFERS = "differs"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True, eq=False)
class Figure:
    """One measurement of one query.

    Parameters
    ----------
    name, unit, says
        What is measured; `says` is what a great value means.
    value, z : float, optional
        The figure, and how far it lies above genuine ones in usual deviations; `None` where
        the photo does not bear it.
    verdict : Verdict
        See there. What lies within a limit that too few known photos bear, or that is too wide to
        be one, agrees with nothing.
    reason : str
        Why it cannot be told.
    map : ndarray, optional
        float32 (height, width) in the frame.
    usual, usual_to : float, optional
        The figure that casual photos of genuine ones give in the middle, and the one up to
        which it counts as usual (`AGREES_TO`); `None` where `z` is.
    known : int
        How many known photos, each held against the other specimens, these rest on; 0 where
        they rest on other editions alone.
    """

    name: str
    value: float | None
    unit: str
    z: float | None
    verdict: Verdict
    says: str = ""
    reason: str = ""
    map: NDArray[np.float32] | None = field(default=None, repr=False)
    usual: float | None = None
    usual_to: float | None = None
    known: int = 0

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {
            "name": self.name,
            "value": None if self.value is None else round(self.value, 4),
            "unit": self.unit,
            "z": None if self.z is None else round(self.z, 2),
            "usual": None if self.usual is None else round(self.usual, 4),
            "usual_to": None if self.usual_to is None else round(self.usual_to, 4),
            "known_photos": self.known,
            "verdict": str(self.verdict),
            "says": self.says,
            "reason": self.reason or None,
        }


@dataclass(frozen=True, eq=False)
class Comparison:
    """What a comparison found.

    Parameters
    ----------
    registration : Registration
        How the query lies over the frame; where it does not hold, nothing is measured.
    figures : tuple of Figure
        The measurements.
    overall_z : float, optional
        All figures taken together, in usual deviations; `None` where nothing was measured.
    against : int
        How many photos the query was compared with.
    framed : Framed, optional
        The query in the frame.
    """

    registration: Registration
    figures: tuple[Figure, ...] = ()
    overall_z: float | None = None
    against: int = 0
    framed: Framed | None = field(default=None, repr=False)

    @property
    def differs(self) -> tuple[str, ...]:
        """Names of the measurements that differ."""
        return tuple(one.name for one in self.figures if one.verdict is Verdict.DIFFERS)

    def says(self) -> str:
        """Return the bare finding in a sentence or two.

        It weighs neither how many known photos bear a figure nor what the query was held
        against; ``sheets/measured.py`` does.
        """
        if not self.registration.registered:
            return f"Not compared: {self.registration.reason}."
        told = [one for one in self.figures if one.z is not None]
        if not told:
            return "The photo is too poor to tell anything; take a sharper, closer one."
        if not self.differs:
            return (
                f"{len(told)} of {len(self.figures)} measurements could be taken; none differs "
                "beyond doubt."
            )
        return (
            "Beyond what is usual: "
            + "; ".join(
                f"{one.name} ({one.says})" for one in self.figures if one.name in self.differs
            )
            + "."
        )

    @property
    def departure(self) -> float | None:
        """How far the print departs (:func:`departure`); `None` where nothing was measured."""
        if self.overall_z is None:
            return None
        return departure(self.overall_z, (one.z for one in self.figures if one.z is not None))

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {
            **self.registration.to_dict(),
            "measurements": [one.to_dict() for one in self.figures],
            "overall_z": None if self.overall_z is None else round(self.overall_z, 2),
            "compared_with_photos": self.against,
            "says": self.says(),
            "does_not_say": DOES_NOT_SAY,
        }


def compare_with(
    query: Picture,
    consensus: Consensus,
    *,
    own: Mapping[str, Sequence[float]] | None = None,
    uv: bool = False,
) -> Comparison:
    """Compare a query with a consensus.

    Parameters
    ----------
    query : Picture
        The photo made ready.
    consensus : Consensus
        Of genuine photos of one edition, view and lighting.
    own : mapping, optional
        Measurement to the figures of the consensus' own photos (:func:`own_figures`).
    uv : bool
        Whether all were photographed under UV-A.
    """
    registration = register(query, consensus.picture, px_per_mm=consensus.px_per_mm)
    return measured(query, registration, consensus, own=own or {}, uv=uv)


def measured(
    query: Picture,
    registration: Registration,
    consensus: Consensus,
    *,
    own: Mapping[str, Sequence[float]],
    uv: bool,
) -> Comparison:
    """Measure a registered query.

    One that is not registered is handed back as it is, and one that was lit otherwise than the
    consensus as not registered, with the reason.
    """
    if not registration.registered:
        return Comparison(registration, against=len(consensus.photos))
    framed = Framed.of(query, registration, consensus)
    if reason := lit_otherwise(framed, uv=uv):
        return Comparison(Registration(False, reason), against=len(consensus.photos))
    figures = figures_of(framed, own, uv=uv)
    return Comparison(registration, figures, overall(figures), len(consensus.photos), framed)


def figures_of(
    framed: Framed, own: Mapping[str, Sequence[float]], *, uv: bool
) -> tuple[Figure, ...]:
    """Take all measurements and hold them against what is usual."""
    kinds = {one.name: one for one in ALL}
    figures = []
    for name, found in measure_all(framed, uv=uv).items():
        kind = kinds[name]
        if found.value is None or not math.isfinite(found.value):
            figures.append(
                Figure(name, None, kind.unit, None, Verdict.CANNOT_TELL, kind.says, found.reason)
            )
            continue
        if not is_known(name, uv=uv):
            figures.append(
                Figure(
                    name, found.value, kind.unit, None, Verdict.CANNOT_TELL, kind.says,
                    "it is not known what is usual in this light", found.map,
                )
            )  # fmt: skip
            continue
        among = own.get(name, ())
        z = z_of(name, found.value, among, uv=uv, px_per_mm=framed.px_per_mm)
        usual, usual_to = (
            value_at(at, name, among, uv=uv, px_per_mm=framed.px_per_mm) for at in (0.0, AGREES_TO)
        )
        verdict, reason = borne_verdict(z, usual, usual_to, len(among))
        figures.append(
            Figure(
                name, found.value, kind.unit, z, verdict, kind.says, reason, found.map,
                usual, usual_to, len(among),
            )
        )  # fmt: skip
    return tuple(figures)


def verdict_of(z: float) -> tuple[Verdict, str]:
    """Return the verdict on a z, and why it cannot be told where it lies between."""
    if z >= DIFFERS_FROM:
        return Verdict.DIFFERS, ""
    if z <= AGREES_TO:
        return Verdict.AGREES, ""
    return Verdict.CANNOT_TELL, "more than is usual, but not beyond doubt"


def borne_verdict(
    z: float, usual: float | None, usual_to: float | None, known: int
) -> tuple[Verdict, str]:
    """Return the verdict on a z by a limit, and why there is none where nothing bears it.

    Parameters
    ----------
    z : float
        How far a figure lies above what is usual.
    usual, usual_to : float, optional
        Middle of what is usual, and up to where a figure is.
    known : int
        How many known photos that rests on.
    """
    verdict, reason = verdict_of(z)
    if verdict is Verdict.AGREES and too_wide(usual, usual_to):
        return Verdict.CANNOT_TELL, TOO_WIDE
    if verdict is Verdict.AGREES and known < FEWEST_KNOWN:
        return Verdict.CANNOT_TELL, TOO_FEW
    return verdict, reason


def too_wide(usual: float | None, limit: float | None) -> bool:
    """Say whether a limit is so wide that to lie within it says nothing.

    Parameters
    ----------
    usual, limit : float, optional
        Middle of what is usual, and up to where a figure is.
    """
    return usual is not None and limit is not None and limit > WIDEST * max(usual, 0)


def overall(figures: Sequence[Figure]) -> float | None:
    """Return all z taken together, weighed by what each is worth, in usual deviations.

    Each counts within bounds: one figure far out must not drown the others, and those that
    find nothing must not talk it down.
    """
    known = [
        (weight_of(one.name), min(max(one.z, LEAST), GREATEST))
        for one in figures
        if one.z is not None
    ]
    if not known:
        return None
    size = math.sqrt(sum(weight * weight for weight, _ in known))
    return sum(weight * z for weight, z in known) / size


def departure(overall_z: float, each: Iterable[float]) -> float:
    """Return how far a print departs, from all measurements together and from one that differs.

    All together are weighed by what tells good copies; a part that is plainly drawn otherwise may
    weigh little there, and must not pass for usual.

    Parameters
    ----------
    overall_z : float
        Of all together (:func:`overall`).
    each : iterable of float
        z of the single measurements.
    """
    differing = [min(z, GREATEST) for z in each if z >= DIFFERS_FROM]
    return max([overall_z, *differing])


def own_figures(consensus: Consensus, *, uv: bool) -> dict[str, list[float]]:
    """Return the figures of each photo of a consensus against the other specimens.

    Photos are taken at half their resolution, as casual photos show an item.
    """
    found: dict[str, list[float]] = {}
    for photo in consensus.photos:
        others = consensus.without(photo.specimen)
        if others is None:
            continue
        framed = Framed.of_aligned(photo, others, coarser=1.5)
        for name, one in measure_all(framed, uv=uv).items():
            if one.value is not None and math.isfinite(one.value):
                found.setdefault(name, []).append(one.value)
    return found


def compare_pair(
    query: NDArray[np.uint8],
    reference: NDArray[np.uint8],
    *,
    px_per_mm: float | None = None,
    uv: bool = False,
) -> Comparison:
    """Compare two photos where no consensus is at hand.

    What one photo shows cannot be told from what all genuine ones show; the spread is then
    that of rendered editions in general, and verdicts are accordingly careful.

    Parameters
    ----------
    query, reference : ndarray
        uint8 sRGB (height, width, 3).
    px_per_mm : float, optional
        Scale of the reference.
    uv : bool
        Whether both were lit by a UV-A lamp.
    """
    source = Source(0, "", "reference", reference, px_per_mm)
    ready = Picture.of(query)
    first = register(ready, source.picture, px_per_mm=px_per_mm)
    if not first.registered:
        return Comparison(first, against=1)
    consensus = assemble(source, [], [source], agreeing=[first])
    again = register(ready, consensus.picture, px_per_mm=consensus.px_per_mm)
    found = measured(ready, again, consensus, own={}, uv=uv)
    if not found.registration.registered:
        return found
    return Comparison(first, found.figures, found.overall_z, 1, found.framed)
