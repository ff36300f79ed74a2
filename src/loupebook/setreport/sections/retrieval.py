"""How well the set finds its own: every photo put to all other specimens.

Relevant is another specimen of the same edition; for the second row, of the same edition
and standing. Limits come from resampling whole specimens.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Hashable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from loupebook.evidence.gather import drawn_queries, similarity_blocks
from loupebook.evidence.proportions import resampled_limits
from loupebook.evidence.units import resampled_unit_weights, unit_codes, unit_weights
from loupebook.setreport.context import ReportContext, edition_name
from loupebook.setreport.model import Action, Finding, Section, Table

NAME = "retrieval"
TITLE = "Retrieval"
RANKS = (1, 5, 10)
MOST_QUERIES = 2000
RESAMPLES = 500
WEAK = 0.8
WEAK_ELEMENT = 0.5
"""Share of an element's editions that, if weak, make it one finding of the element."""
LEAST_SPECIMENS = 5
"""Specimens of an edition below which its own figure is no finding."""


def examine(context: ReportContext) -> Section:
    """Measure recall at 1, 5 and 10 and mean average precision, with limits."""
    table = context.table
    queries = drawn_queries(table, MOST_QUERIES)
    editions, specimens = table.editions, table.specimens
    both: list[Hashable] = [
        None if edition is None else (edition, fake)
        for edition, fake in zip(editions, table.fake.tolist(), strict=True)
    ]
    rows, figures, found = [], {}, []
    for name, kinds in (("same edition", editions), ("same edition and standing", both)):
        ranks, precision = _ranked(context, queries, kinds)
        usable = ranks > 0
        names = [specimens[i] for i in queries[usable]]
        measured = {f"recall@{k}": (ranks[usable] <= k).astype(float) for k in RANKS}
        measured["mean average precision"] = precision[usable]
        limits = {key: _limits(values, names) for key, values in measured.items() if names}
        figures[name.replace(" ", "_")] = {
            "photos": int(usable.sum()),
            "specimens": len(set(names)),
            **{
                key: dict(zip(("value", "low", "high"), v, strict=True))
                for key, v in limits.items()
            },
        }
        rows += [(name, key, *(f"{v:.3f}" for v in values)) for key, values in limits.items()]
        if name == "same edition":
            found = _weak_editions(context, queries[usable], ranks[usable] == 1)
    return Section(
        NAME,
        TITLE,
        _summary(figures),
        tuple(found),
        (
            Table(
                "The set put to itself", ("relevant", "figure", "value", "low", "high"), tuple(rows)
            ),
        ),
        figures=figures,
    )


def _ranked(
    context: ReportContext, queries: NDArray[np.intp], kinds: list[Hashable]
) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """Return the rank of the first relevant specimen (0 for none) and average precision."""
    specimen = context.table.specimen_codes
    kind, _ = unit_codes(kinds)
    nothing = kind[kinds.index(None)] if None in kinds else -1
    order = np.argsort(specimen, kind="stable")
    starts = np.flatnonzero(np.r_[True, np.diff(specimen[order]) != 0]) if specimen.size else order
    of_specimen = kind[order][starts]
    number = specimen[order][starts]
    ranks = np.zeros(queries.size, dtype=np.intp)
    precision = np.full(queries.size, np.nan)
    done = 0
    for block, similarity in similarity_blocks(
        context.vectors, queries, specimen, progress=context.progress, what="Ranking references"
    ):
        best = np.maximum.reduceat(similarity[:, order], starts, axis=1)
        ranked = np.argsort(-best, axis=1, kind="stable")
        relevant = of_specimen[ranked] == kind[block][:, None]
        relevant &= number[ranked] != specimen[block][:, None]
        relevant[kind[block] == nothing] = False
        hits = np.cumsum(relevant, axis=1)
        share = hits / np.arange(1, relevant.shape[1] + 1)
        rows = slice(done, done + block.size)
        any_hit = relevant.any(axis=1)
        ranks[rows] = np.where(any_hit, relevant.argmax(axis=1) + 1, 0)
        with np.errstate(invalid="ignore"):
            precision[rows] = (share * relevant).sum(axis=1) / hits[:, -1]
        done += block.size
    return ranks, precision


def _limits(values: NDArray[np.float64], specimens: list[str]) -> tuple[float, float, float]:
    """Return the mean over specimens with its 95 % limits, whole specimens resampled."""
    rng = np.random.default_rng(0)
    weights = np.stack([resampled_unit_weights(specimens, rng) for _ in range(RESAMPLES)])
    means = weights @ values / weights.sum(axis=1)
    middle = float(np.average(values, weights=unit_weights(specimens)))
    low, high = resampled_limits(middle, means, len(set(specimens)))
    return round(middle, 4), round(low, 4), round(high, 4)


class _Judged(NamedTuple):
    """One edition: its specimens, photos asked, and share that find their own edition first."""

    label: str
    specimens: tuple[str, ...]
    photos: int
    share: float


def _weak_editions(
    context: ReportContext, queries: NDArray[np.intp], first: NDArray[np.bool_]
) -> list[Finding]:
    facts = [context.table.facts[i] for i in queries]
    kind, count = unit_codes((f.element, f.marque, f.edition) for f in facts)
    judged: dict[str, list[_Judged]] = defaultdict(list)
    for number in range(count):
        mine = np.flatnonzero(kind == number)
        fact = facts[int(mine[0])]
        names = tuple(sorted({facts[i].specimen for i in mine}))
        if len(names) >= LEAST_SPECIMENS:
            label = edition_name(fact.marque, fact.edition)
            judged[str(fact.element)].append(
                _Judged(label, names, mine.size, float(first[mine].mean()))
            )
    findings = []
    for element, editions in judged.items():
        weak = [edition for edition in editions if edition.share < WEAK]
        if len(weak) > 1 and len(weak) >= WEAK_ELEMENT * len(editions):
            findings.append(_weak_element(element, editions, len(weak)))
        else:
            findings += [_weak_edition(element, edition) for edition in weak]
    return findings


def _weak_edition(element: str, edition: _Judged) -> Finding:
    return Finding(
        "weak-edition",
        f"Photos of {edition.label} ({element}) find their own edition first in only "
        f"{100 * edition.share:.0f} % of {edition.photos} photos. More photos in the same views "
        "and lightings would help, or two editions are one.",
        Action.PHOTOGRAPH,
        edition.specimens,
        weight=0.3 + 0.5 * (WEAK - edition.share),
        detail={"edition": edition.label, "recall@1": round(edition.share, 4)},
    )


def _weak_element(element: str, editions: list[_Judged], weak: int) -> Finding:
    photos = sum(edition.photos for edition in editions)
    share = sum(edition.share * edition.photos for edition in editions) / photos
    worst = ", ".join(e.label for e in sorted(editions, key=lambda e: e.share)[:3])
    return Finding(
        "weak-element",
        f"Photos of a {element} find their own edition first in only {100 * share:.0f} % of "
        f"{photos} photos; {weak} of {len(editions)} editions lie below {100 * WEAK:.0f} %, the "
        f"least sure {worst}. As they are photographed, editions of a {element} are hardly told "
        "apart: give a search the marque where it is known, and photograph what tells them "
        "apart larger and in the same views and lightings.",
        Action.PHOTOGRAPH,
        weight=0.2 + 0.3 * (1 - share),
        detail={"element": element, "weak": weak, "recall@1": round(share, 4)},
    )


def _summary(figures: dict[str, dict[str, object]]) -> str:
    held = figures["same_edition"]
    if not held["photos"]:
        return "Nothing could be measured: no edition has two specimens."
    first = held["recall@1"]
    assert isinstance(first, dict)
    return (
        f"Of {held['photos']} photos of {held['specimens']} specimens, each put to all other "
        f"specimens, {100 * first['value']:.1f} % find their own edition first "
        f"({100 * first['low']:.1f} to {100 * first['high']:.1f} %)."
    )
