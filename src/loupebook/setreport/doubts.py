"""One list of doubtful standings: what likeness and print say together against each label.

Of each specimen there are two signs of a copy at most: how its photos *lean* (:mod:`.labels`) and
how far its print *departs* (:mod:`.departures`, where prints were compared). What they are worth
the set tells, element by element: a likelihood ratio from a fit that has not seen the specimen, or
for a copy its press. The list is in the order of the odds that a label is wrong. A specimen is
named only where these odds, within what the number of specimens and presses supports, are even
or more, so that small sets name nobody.

Where a circumstance tells the standings apart (:mod:`.circumstances`), photos may lean by the
camera, and prints alone speak.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from loupebook.evidence.calibration import empirical_limits
from loupebook.evidence.joint import joint_log10_lr
from loupebook.evidence.metrics import LN10, cllr
from loupebook.evidence.reading import FAKE_NEEDED, GENUINE_NEEDED
from loupebook.evidence.splits import origin_units
from loupebook.evidence.table import PhotoTable
from loupebook.evidence.units import unit_weights
from loupebook.records.model import SpecimenRecord, Standing
from loupebook.setreport.context import ReportContext
from loupebook.setreport.departures import Judged, judge
from loupebook.setreport.labels import standing_line

Floats = NDArray[np.float64]

PRIOR = 0.03
"""Share of labels that are wrong before anything is known of them; ours."""
NAMED_FROM = float(np.log10((1 - PRIOR) / PRIOR))
"""log10 of the likelihood ratio against a label from which it is more probably wrong than right."""
MOST_COST = 0.95
"""Cllr, bits, up to which the standings are told apart; chance alone comes near 1."""
NEEDED = max(GENUINE_NEEDED, FAKE_NEEDED)
"""Genuine specimens, and presses, of an element that a fit takes."""


@dataclass(frozen=True)
class Doubt:
    """What the others say against the standing of one specimen.

    Parameters
    ----------
    specimen, element : str
        The specimen and its kind.
    fake : bool
        Standing as recorded.
    against : float
        log10 of the likelihood ratio against that standing, as it orders the list.
    fitted : bool
        Whether the set has enough of its element for that likelihood ratio; if not, it only orders.
    bounded : float or None
        The same within what the set supports; `None` where its fit tells no standings apart.
    print_ : Judged or None
        Its print, where it takes part.
    leans : bool
        Whether likeness takes part.
    """

    specimen: str
    element: str
    fake: bool
    against: float
    fitted: bool
    bounded: float | None
    print_: Judged | None
    leans: bool

    @property
    def recorded(self) -> str:
        """Standing as recorded, in a word."""
        return str(Standing.FAKE if self.fake else Standing.GENUINE)

    @property
    def told(self) -> bool:
        """Whether the set tells the standings of its element apart."""
        return self.bounded is not None

    @property
    def named(self) -> bool:
        """Whether the standing is more probably wrong than right."""
        return self.bounded is not None and self.bounded > NAMED_FROM


@dataclass(frozen=True)
class Doubts:
    """The list.

    Parameters
    ----------
    listed : tuple of Doubt
        The most doubtful first; those of elements with too few specimens for a fit come last.
    circumstances : tuple of str
        What tells the standings apart, so that likeness was left out.
    """

    listed: tuple[Doubt, ...]
    circumstances: tuple[str, ...]

    @property
    def agreement(self) -> float:
        """Share of standings that the others confirm, both standings weighing the same.

        Where one standing is rare, confirming all of the other says nothing. NaN where only one was
        judged.
        """
        confirmed: dict[bool, list[bool]] = {True: [], False: []}
        for one in self.listed:
            confirmed[one.fake].append(one.against < 0)
        if not all(confirmed.values()):
            return float("nan")
        return float(np.mean([np.mean(each) for each in confirmed.values()]))


def doubtful_standings(context: ReportContext) -> Doubts:
    """Return the list, by likeness and by what prints are at hand; nothing is compared anew."""
    circumstances = tuple(name for name, one in context.circumstances.items() if one.telling)
    prints = {one.name: one for one in judge(context, context.prints_at_hand.rows)}
    leans = {} if circumstances else specimen_leans(context.table, context.vectors)
    listed: list[Doubt] = []
    for element in sorted({str(one.element) for one in context.specimens}):
        mine = [one for one in context.specimens if str(one.element) == element]
        listed += doubts_of_element(mine, leans, prints)
    listed.sort(key=lambda one: (not one.fitted, -one.against))
    return Doubts(tuple(listed), circumstances)


def specimen_leans(table: PhotoTable, vectors: NDArray[np.float32]) -> dict[str, float]:
    """Return how the photos of each specimen lean to "fake" in the mean, each without its press.

    Copies without a recorded press are left out by themselves: all together they may be every copy
    that there is, and nobody could then speak for one.
    """
    units = [
        fact.specimen if unit == ("origin", None) else unit
        for fact, unit in zip(table.facts, table.origin_units, strict=True)
    ]
    kinds = [
        (edition, fact.view, fact.lighting)
        for edition, fact in zip(table.editions, table.facts, strict=True)
    ]
    held: dict[str, list[float]] = defaultdict(list)
    for element in {fact.element for fact in table.facts}:
        mine = table.of_element(element).tolist()
        leans = standing_line(
            vectors[mine], [units[i] for i in mine], table.fake[mine], [kinds[i] for i in mine]
        )
        for i, lean in zip(mine, leans.tolist(), strict=True):
            if np.isfinite(lean):
                held[table.facts[i].specimen].append(lean)
    return {name: float(np.mean(each)) for name, each in held.items()}


def doubts_of_element(
    specimens: Sequence[SpecimenRecord],
    leans: Mapping[str, float],
    prints: Mapping[str, Judged],
) -> list[Doubt]:
    """Return what is said against the standings of one element's specimens.

    Parameters
    ----------
    specimens : sequence of SpecimenRecord
        Of one element; those that nothing is known of are passed over.
    leans : mapping
        Name to how a specimen's photos lean to "fake".
    prints : mapping
        Name to how its print departs.
    """
    known = [one for one in specimens if one.name in leans or one.name in prints]
    if not known:
        return []
    names = [one.name for one in known]
    fake = np.array([one.standing is Standing.FAKE for one in known], dtype=bool)
    presses = origin_units(names, fake.tolist(), [one.origin for one in known])
    signs = np.array(
        [[leans.get(n, np.nan), prints[n].z if n in prints else np.nan] for n in names]
    )
    ratios = joint_log10_lr(signs, fake, presses, needed=NEEDED)
    bounded = _bounded(ratios, fake, unit_weights(presses))
    fitted = np.isfinite(ratios)
    order = np.where(fitted, ratios, _untold(signs[:, 0]))
    turned = np.where(fake, -1.0, 1.0)
    return [
        Doubt(
            one.name, str(one.element), bool(fake[i]), float(order[i] * turned[i]), bool(fitted[i]),
            float(bounded[i] * turned[i]) if np.isfinite(bounded[i]) else None,
            prints.get(one.name), one.name in leans,
        )
        for i, one in enumerate(known)
        if np.isfinite(order[i])
    ]  # fmt: skip


def _bounded(ratios: Floats, fake: NDArray[np.bool_], weights: Floats) -> Floats:
    """Return likelihood ratios within what the set supports; NaN where nothing tells."""
    none = np.full(ratios.size, np.nan)
    told = np.isfinite(ratios)
    if not told.any():
        return none
    mine, label, weight = ratios[told], fake[told], weights[told]
    trusted = weight * ~_most_contradicted(mine, label, weight)
    bounded = np.clip(mine, *empirical_limits(mine, label, trusted))
    if cllr(bounded, label, weight) <= MOST_COST:
        none[told] = bounded
    return none


def _most_contradicted(
    ratios: Floats, fake: NDArray[np.bool_], weights: Floats
) -> NDArray[np.bool_]:
    """Return which labels may be wrong before anything is known: the share, and no more.

    If they bounded what speaks against them, nobody could ever be named where labels are wrong:
    three misled in a hundred bear no likelihood ratio above 32.
    """
    against = np.where(fake, -ratios, ratios)
    chosen = np.zeros(fake.size, dtype=bool)
    for label in (fake, ~fake):
        members = np.flatnonzero(label)
        order = members[np.argsort(-against[members], kind="stable")]
        chosen[order[np.cumsum(weights[order]) <= PRIOR * weights[members].sum()]] = True
    return chosen


def _untold(leans: Floats) -> Floats:
    """Return an order of specimens that no fit can be made for, by likeness alone."""
    if not np.isfinite(leans).any():
        return leans
    return np.asarray(2 * leans / (np.nanstd(leans) + 1e-12) / LN10)
