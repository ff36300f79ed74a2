"""Specimens whose print speaks against their label, found by comparing print with print."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from loupebook.evidence.by_print import PrintCalibration, calibrate_prints
from loupebook.evidence.calibration import cross_fitted, empirical_limits
from loupebook.evidence.metrics import cllr
from loupebook.evidence.plots import Plot
from loupebook.evidence.reading import FAKE_NEEDED, GENUINE_NEEDED
from loupebook.evidence.units import unit_weights
from loupebook.setreport.context import ReportContext
from loupebook.setreport.departures import Judged, judge
from loupebook.setreport.doubts import MOST_COST, doubtful_standings
from loupebook.setreport.model import Action, Finding, Section, Table
from loupebook.setreport.sections.calibration import RATIO_HEADS, ratio_plots, ratio_row

NAME = "prints"
TITLE = "Prints held against each other"
SHOWN = 20
_QUESTION = "A suspect is a question, not an answer: wear and light change prints as well."


@dataclass(frozen=True)
class Told:
    """A specimen and what its print alone says.

    Parameters
    ----------
    judged : Judged
        The specimen.
    log10_lr : float
        Likelihood ratio of "genuine", within what the set supports.
    """

    judged: Judged
    log10_lr: float

    @property
    def against(self) -> float:
        """How much it speaks against the label borne, log10."""
        return self.log10_lr if self.judged.fake else -self.log10_lr


def examine(context: ReportContext) -> Section:
    """Name specimens whose print is more like those of the other standing."""
    found = context.left_out
    judged = judge(context, found.rows)
    doubts = {one.specimen: one for one in doubtful_standings(context).listed}
    place = {name: number for number, name in enumerate(doubts)}
    # One order for both sections: this one shows what prints have to say in it.
    told = sorted(tellings(judged), key=lambda one: place.get(one.judged.name, len(place)))
    known = {one.judged.name for one in told}
    departing = [one for one in judged if one.name not in known and one.differs and not one.fake]
    named = {name for name in known if name in doubts and doubts[name].named}
    tables = []
    if told:
        caption = f"The {min(SHOWN, len(told))} most doubtful of {len(told)}, and what prints say"
        heads = ("specimen", "recorded as", "z", "LR for its standing", "differs in", "suspect")
        rows = tuple(_row(one, one.judged.name in named) for one in told[:SHOWN])
        tables.append(Table(caption, heads, rows))
    calibrated = calibrate_prints(found, context.confirmed)
    ratios, plots = _readings(calibrated)
    if ratios:
        caption = "What a reading by print is worth, on left-out units"
        tables.append(Table(caption, RATIO_HEADS, ratios))
    return Section(
        NAME,
        TITLE,
        _summary(judged, told, len(named), len(departing), found.failed)
        + _readings_words(calibrated),
        tuple(_departing(one) for one in departing),
        tuple(tables),
        tuple(plots),
        figures={
            "judged": len(judged),
            "told": len(told),
            "suspects": len(named),
            "differing": len(departing),
            "failed": found.failed,
            "order": [one.judged.name for one in told],
        },
    )


def _readings(
    made: Mapping[str, PrintCalibration],
) -> tuple[tuple[tuple[object, ...], ...], list[Plot]]:
    """Return figures of merit and plots of what readings by print rest on."""
    rows = []
    plots = []
    for element, one in made.items():
        for press, fit in (("known", one.known), ("unseen", one.unseen)):
            if fit is None:
                continue
            rows.append(ratio_row(element, press, fit, one.held[press]))
            if fit.speaks:
                plots += ratio_plots(element, press, one.held[press], by="by print")
    return tuple(rows), plots


def _readings_words(made: Mapping[str, PrintCalibration]) -> str:
    """Say for which elements a comparison on the desk comes with a figure."""
    given = [f"{element}s" for element, one in made.items() if one.known and one.known.speaks]
    if not given:
        return ""
    return (
        f" A detailed comparison of {' and '.join(given)} comes with a figure of what it is worth."
    )


def tellings(judged: Sequence[Judged]) -> list[Told]:
    """Return specimens with the likelihood ratio of "genuine", from a fit without their press.

    Only for elements of which the set holds enough of both standings, and whose prints tell the
    two apart at all; bounded by what the number of presses supports.
    """
    told: list[Told] = []
    for element in sorted({one.element for one in judged}):
        mine = [one for one in judged if one.element == element]
        genuine = np.array([not one.fake for one in mine])
        presses = [one.press for one in mine]
        copied = len({one.press for one in mine if one.fake})
        if genuine.sum() < GENUINE_NEEDED or copied < FAKE_NEEDED:
            continue
        ratios = cross_fitted([-one.z for one in mine], genuine, presses)
        weights = unit_weights(presses)
        bounded = np.clip(ratios, *empirical_limits(ratios, genuine, weights))
        if cllr(bounded, genuine, weights) <= MOST_COST:
            told += map(Told, mine, bounded.tolist())
    return told


def _departing(one: Judged) -> Finding:
    """Return the finding on a print that differs where the set cannot tell what that is worth."""
    return Finding(
        "print-differs",
        f"{one.name} is recorded as genuine, and its print differs from the other genuine ones "
        f"beyond what is usual ({', '.join(one.differs)}).",
        Action.CHECK_RECORD,
        (one.name,),
        one.photos,
        weight=0.5,
        detail={"z": round(one.z, 2), "differs": list(one.differs)},
    )


def _row(told: Told, named: bool) -> tuple[object, ...]:
    one = told.judged
    return (
        one.name,
        one.recorded,
        f"{one.z:.1f}",
        f"{10**-told.against:.2g}",
        ", ".join(one.differs) or "nothing",
        named,
    )


def _summary(
    judged: Sequence[Judged], told: Sequence[Told], suspects: int, departing: int, failed: int
) -> str:
    unread = f"Photos that could not be read or compared: {failed}." if failed else ""
    if not judged:
        nothing = (
            "No print could be compared: it takes two genuine specimens of one edition, "
            "photographed in the same view and light."
        )
        return f"{nothing} {unread}".strip()
    missing = sorted({one.element for one in judged} - {one.judged.element for one in told})
    parts = [f"{len(judged)} specimens were held against the genuine ones of their edition."]
    if told:
        parts.append(
            f"Of {len(told)} the set can tell what that is worth; {suspects} of them "
            f"{'is' if suspects == 1 else 'are'} named under “Suspect labels”, where prints and "
            "likeness are weighed together."
        )
    if missing:
        parts.append(
            f"What prints of {' and '.join(f'{one}s' for one in missing)} tell of their standing "
            f"cannot be learned from this set (it takes {GENUINE_NEEDED} genuine ones and copies "
            f"of {FAKE_NEEDED} presses whose prints lie apart; copies without a recorded press "
            f"count as those of one); {departing} of these, recorded as "
            f"genuine, {'differs' if departing == 1 else 'differ'} beyond what is usual."
        )
    return " ".join(part for part in [*parts, unread, _QUESTION] if part)
