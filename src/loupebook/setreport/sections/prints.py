"""Specimens whose print speaks against their label, found by comparing print with print."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from loupebook.compare import LeftOut
from loupebook.evidence.by_print import PrintCalibration, calibrate_prints
from loupebook.evidence.calibration import cross_fitted, empirical_limits
from loupebook.evidence.metrics import cllr
from loupebook.evidence.plots import Plot
from loupebook.evidence.reading import FAKE_NEEDED, GENUINE_NEEDED
from loupebook.evidence.splits import origin_units
from loupebook.records.model import Element, Standing
from loupebook.setreport.context import ReportContext
from loupebook.setreport.model import Action, Finding, Section, Table
from loupebook.setreport.sections.calibration import RATIO_HEADS, ratio_plots, ratio_row

NAME = "prints"
TITLE = "Prints held against each other"
SHOWN = 20
UNLAID = 3.0
"""z of a photo that cannot be laid over genuine ones which all fit each other: as of a figure
that differs."""
SUSPECT_FROM = 0.7
"""log10 of the likelihood ratio against a label from which a specimen is named: five times. With
labels of six fresh worlds turned in figures (40 draws of 3 in 100 each), from 0.5 on 53 were named
rightly and 62 wrongly, from 0.6 on 11 and 15, from 0.7 on none: 72 specimens seldom bear that."""
MOSTLY_LAID = 0.9
"""Share of an element's genuine photos that can be laid over the others from which one that cannot
is worth a word; all of bands and seals in seven rendered worlds, none of the rolled heads."""
MOST_COST = 0.95
"""Cllr, bits, up to which prints tell the standings apart; chance alone comes near 1."""
NOT_LAID = "could not be laid over the others"
_QUESTION = "A suspect is a question, not an answer: wear and light change prints as well."


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
        How far its photos depart in the mean, in usual deviations of genuine ones.
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


@dataclass(frozen=True)
class Told:
    """A specimen and what its print says.

    Parameters
    ----------
    judged : Judged
        The specimen.
    log10_lr : float
        Likelihood ratio of "genuine", within what the set supports.
    unbounded : float
        The same without bounds, which puts those beyond them in order.
    """

    judged: Judged
    log10_lr: float
    unbounded: float

    @property
    def against(self) -> float:
        """How much it speaks against the label borne, log10."""
        return self.log10_lr if self.judged.fake else -self.log10_lr

    @property
    def doubt(self) -> float:
        """How doubtful the label is beside others, log10."""
        return self.unbounded if self.judged.fake else -self.unbounded

    @property
    def suspect(self) -> bool:
        """Whether the specimen is named."""
        return self.against >= SUSPECT_FROM


def examine(context: ReportContext) -> Section:
    """Name specimens whose print is more like those of the other standing."""
    found = context.left_out
    judged = judge(context, found.rows)
    told = sorted(tellings(judged), key=lambda one: -one.doubt)
    known = {one.judged.name for one in told}
    departing = [one for one in judged if one.name not in known and one.differs and not one.fake]
    suspects = [one for one in told if one.suspect]
    tables = []
    if told:
        caption = f"The {min(SHOWN, len(told))} of {len(told)} whose print speaks most against them"
        heads = ("specimen", "recorded as", "z", "LR for its standing", "differs in", "suspect")
        tables.append(Table(caption, heads, tuple(_row(one) for one in told[:SHOWN])))
    calibrated = calibrate_prints(found, context.confirmed)
    ratios, plots = _readings(calibrated)
    if ratios:
        caption = "What a reading by print is worth, on left-out units"
        tables.append(Table(caption, RATIO_HEADS, ratios))
    return Section(
        NAME,
        TITLE,
        _summary(judged, told, len(suspects), len(departing), found.failed)
        + _readings_words(calibrated),
        (*(_finding(one) for one in suspects), *(_departing(one) for one in departing)),
        tuple(tables),
        tuple(plots),
        figures={
            "judged": len(judged),
            "told": len(told),
            "suspects": len(suspects),
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


def judge(context: ReportContext, photos: Sequence[LeftOut]) -> list[Judged]:
    """Bring the photos of each specimen together.

    A photo that cannot be laid over the others counts as departing only where all those of
    other genuine specimens of its design could be, and nearly all genuine ones of its element:
    where they could not, as rolled heads, that tells nothing.
    """
    loose = _loose_specimens(context, photos)
    firm = _firm_elements(context, photos)
    held: dict[str, list[tuple[LeftOut, float]]] = {}
    for one in photos:
        z = one.departure
        told = context.confirmed[one.photo_id].element in firm
        if not one.laid and told:
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


def tellings(judged: Sequence[Judged]) -> list[Told]:
    """Return specimens with the likelihood ratio of "genuine", from a fit without their press.

    Only for elements of which the set holds enough of both standings, and whose prints tell the
    two apart at all; bounded by what the number of specimens supports.
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
        bounded = np.clip(ratios, *empirical_limits(ratios, genuine, np.ones(len(mine))))
        if cllr(bounded, genuine) <= MOST_COST:
            told += map(Told, mine, bounded.tolist(), ratios.tolist())
    return told


def _design(context: ReportContext, photo: int) -> tuple[str | None, ...]:
    fact = context.confirmed[photo]
    return fact.marque, str(fact.element), fact.edition, str(fact.view), str(fact.lighting)


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


def _finding(told: Told) -> Finding:
    one, times = told.judged, 10**told.against
    if one.fake:
        says = (
            f"{one.name} is recorded as a copy, but a print that lies so near the genuine ones is "
            f"about {times:.0f} times more probable for a genuine specimen of this set than for "
            "a copy from another press. It may be a very good copy."
        )
    else:
        says = (
            f"{one.name} is recorded as genuine, but a print that departs so from the other "
            f"genuine ones is about {times:.0f} times more probable for a copy than for a genuine "
            f"specimen of this set{_where(one)}."
        )
    return Finding(
        "suspect-print",
        says,
        Action.CHECK_RECORD,
        (one.name,),
        one.photos,
        weight=float(np.clip(0.4 + 0.2 * told.against, 0, 1)),
        detail={
            "recorded": _recorded(one), "z": round(one.z, 2),
            "log10_lr": round(told.log10_lr, 2), "differs": list(one.differs),
        },
    )  # fmt: skip


def _departing(one: Judged) -> Finding:
    """Return the finding on a print that differs where the set cannot tell what that is worth."""
    return Finding(
        "print-differs",
        f"{one.name} is recorded as genuine, and its print differs from the other genuine ones "
        f"beyond what is usual{_where(one)}.",
        Action.CHECK_RECORD,
        (one.name,),
        one.photos,
        weight=0.5,
        detail={"z": round(one.z, 2), "differs": list(one.differs)},
    )


def _recorded(one: Judged) -> str:
    return "fake" if one.fake else "genuine"


def _where(one: Judged) -> str:
    return f" ({', '.join(one.differs)})" if one.differs else ""


def _row(told: Told) -> tuple[object, ...]:
    one = told.judged
    return (
        one.name,
        _recorded(one),
        f"{one.z:.1f}",
        f"{10**-told.against:.2g}",
        ", ".join(one.differs) or "nothing",
        told.suspect,
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
            f"{'looks' if suspects == 1 else 'look'} as if the standing were wrong."
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
