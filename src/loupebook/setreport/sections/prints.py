"""Specimens whose print speaks against their label, found by comparing print with print."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from sklearn.linear_model import LogisticRegression
from sklearn.model_selection import StratifiedKFold

from loupebook.compare import LeftOut
from loupebook.evidence.metrics import LN10, cllr
from loupebook.evidence.reading import FAKE_NEEDED, GENUINE_NEEDED
from loupebook.records.model import Lighting, Standing
from loupebook.setreport.context import ReportContext
from loupebook.setreport.model import Action, Finding, Section, Table

NAME = "prints"
TITLE = "Prints held against each other"
SHOWN = 20
UNLAID = 3.0
"""z of a photo that cannot be laid over genuine ones which all fit each other: as of a figure
that differs."""
SUSPECT_FROM = 0.5
"""log10 of the likelihood ratio against a label from which a specimen is named; chosen on the
demo set, where it names one of 180 specimens rightly labelled."""
GREATEST, LEAST = 6.0, -3.0
"""Bounds of the z of single measurements."""
FOLDS = 20
PENALTY = 0.1
"""Inverse strength of the ridge (scikit-learn's C); 0.03 to 0.3 do as well on the demo set."""
TRUST = 3.0
"""How many times less the weight of all measurements together is held back by the ridge than
that of a single one."""
_NO_MATTER = "A suspect is a question, not an answer: wear and light change prints as well."


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
        Mean over its photos, in usual deviations of genuine ones.
    differs : tuple of str
        Measurements that differ in any of its photos.
    each : mapping
        Measurement and light to its z, the mean over its photos.
    photos : tuple of int
        Its photos that were compared.
    """

    name: str
    element: str
    fake: bool
    z: float
    differs: tuple[str, ...]
    photos: tuple[int, ...]
    each: Mapping[str, float] = field(default_factory=dict)


def examine(context: ReportContext) -> Section:
    """Name specimens whose print is more like those of the other standing."""
    judged = judge(context, context.left_out)
    told = tellings(judged)
    findings, rows = [], []
    for one, log10_lr in sorted(told, key=lambda pair: -_against(*pair)):
        suspect = _against(one, log10_lr) >= SUSPECT_FROM
        rows.append(_row(one, log10_lr, suspect=suspect))
        if suspect:
            findings.append(_finding(one, log10_lr))
    findings += [_departing(one) for one in _untold(judged, told) if one.differs and not one.fake]
    tables = []
    if rows:
        caption = f"The {min(SHOWN, len(rows))} of {len(rows)} whose print speaks most against them"
        heads = ("specimen", "recorded as", "z", "LR for its standing", "differs in", "suspect")
        tables.append(Table(caption, heads, tuple(rows[:SHOWN])))
    return Section(
        NAME,
        TITLE,
        _summary(judged, told, len(findings)),
        tuple(findings),
        tuple(tables),
        figures={
            "judged": len(judged),
            "told": len(told),
            "suspects": len(findings),
            "order": [one.name for one, _ in sorted(told, key=lambda pair: -_against(*pair))],
        },
    )


def judge(context: ReportContext, photos: Sequence[LeftOut]) -> list[Judged]:
    """Bring the photos of each specimen together.

    A photo that cannot be laid over the others counts as departing only where all genuine
    photos of its design could be: where they could not, that tells nothing of it.
    """
    facts = context.facts
    firm = _firm_designs(context, photos)
    held: dict[str, list[tuple[LeftOut, float]]] = {}
    for one in photos:
        z = one.z
        if not one.laid and _design(context, one.photo_id) in firm:
            z = UNLAID
        if z is not None:
            held.setdefault(one.specimen, []).append((one, z))
    return [
        Judged(
            name,
            str(facts[shots[0][0].photo_id].element),
            facts[shots[0][0].photo_id].standing is Standing.FAKE,
            float(np.mean([z for _, z in shots])),
            tuple(dict.fromkeys(name for shot, _ in shots for name in shot.differs)),
            tuple(shot.photo_id for shot, _ in shots),
            _means(context, [shot for shot, _ in shots]),
        )
        for name, shots in held.items()
    ]


def _means(context: ReportContext, photos: Sequence[LeftOut]) -> dict[str, float]:
    """Return the mean z of each measurement; one under UV-A is another than in other light."""
    held: dict[str, list[float]] = {}
    for one in photos:
        uv = context.facts[one.photo_id].lighting is Lighting.UV_A
        for name, z in one.each.items():
            key = f"{name}, UV-A" if uv else name
            held.setdefault(key, []).append(min(GREATEST, max(LEAST, z)))
    return {name: float(np.mean(values)) for name, values in held.items()}


def tellings(judged: Sequence[Judged]) -> list[tuple[Judged, float]]:
    """Return specimens with the log10 likelihood ratio of "genuine", from a fit without them.

    What each measurement is worth, the set's own specimens tell, element by element: a ridge
    on all of them together keeps that near what they are worth in general. Only for elements of
    which the set holds enough of both standings, and whose prints tell the two apart at all.
    """
    told: list[tuple[Judged, float]] = []
    for element in sorted({one.element for one in judged}):
        mine = [one for one in judged if one.element == element]
        genuine = np.array([not one.fake for one in mine])
        if genuine.sum() < GENUINE_NEEDED or (~genuine).sum() < FAKE_NEEDED:
            continue
        ratios = _left_out_ratios(mine, genuine)
        if cllr(ratios, genuine) < 1:
            told += zip(mine, ratios.tolist(), strict=True)
    return told


def _left_out_ratios(judged: Sequence[Judged], genuine: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Return log10 likelihood ratios of "genuine", each from a fit that has not seen it."""
    names = sorted({name for one in judged for name in one.each})
    rows = np.array([
        [TRUST * one.z, *(one.each.get(name, 0.0) for name in names)] for one in judged
    ])  # fmt: skip
    ratios = np.zeros(len(judged))
    folds = min(FOLDS, int(genuine.sum()), int((~genuine).sum()))
    for seen, left in StratifiedKFold(folds, shuffle=True, random_state=0).split(rows, genuine):
        # Balanced classes: how many of each the set holds says nothing of one specimen.
        line = LogisticRegression(C=PENALTY, class_weight="balanced", max_iter=1000)
        ratios[left] = line.fit(rows[seen], genuine[seen]).decision_function(rows[left])
    return ratios / LN10


def _design(context: ReportContext, photo: int) -> tuple[str | None, str, str]:
    fact = context.facts[photo]
    return fact.edition, str(fact.view), str(fact.lighting)


def _firm_designs(
    context: ReportContext, photos: Sequence[LeftOut]
) -> set[tuple[str | None, str, str]]:
    """Return the designs whose genuine photos could all be laid over each other."""
    laid: dict[tuple[str | None, str, str], bool] = {}
    for one in photos:
        if context.facts[one.photo_id].standing is Standing.GENUINE:
            design = _design(context, one.photo_id)
            laid[design] = laid.get(design, True) and one.laid
    return {design for design, all_laid in laid.items() if all_laid}


def _against(one: Judged, log10_lr: float) -> float:
    """Return how much a likelihood ratio speaks against the label borne."""
    return log10_lr if one.fake else -log10_lr


def _untold(judged: Sequence[Judged], told: Sequence[tuple[Judged, float]]) -> list[Judged]:
    named = {one.name for one, _ in told}
    return [one for one in judged if one.name not in named]


def _finding(one: Judged, log10_lr: float) -> Finding:
    borne, likelier = ("copy", "genuine") if one.fake else ("genuine", "copies")
    times = 10 ** min(_against(one, log10_lr), 3.0)
    if one.fake:
        says = (
            f"{one.name} is recorded as a copy, but its print lies as those of genuine specimens "
            f"do: about {times:.0f} times more often than those of copies. It may be a very good "
            "copy."
        )
    else:
        says = (
            f"{one.name} is recorded as genuine, but its print departs from the other genuine "
            f"ones as those of copies do, about {times:.0f} times more often{_where(one)}."
        )
    return Finding(
        "suspect-print",
        says,
        Action.CHECK_RECORD,
        (one.name,),
        one.photos,
        weight=float(np.clip(0.4 + 0.2 * _against(one, log10_lr), 0, 1)),
        detail={
            "recorded": borne, "nearer_to": likelier, "z": round(one.z, 2),
            "log10_lr": round(log10_lr, 2), "differs": list(one.differs),
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


def _where(one: Judged) -> str:
    return f" ({', '.join(one.differs)})" if one.differs else ""


def _row(one: Judged, log10_lr: float, *, suspect: bool) -> tuple[object, ...]:
    for_it = -_against(one, log10_lr)
    return (
        one.name,
        "fake" if one.fake else "genuine",
        f"{one.z:.1f}",
        f"{10**for_it:.2g}",
        ", ".join(one.differs) or "nothing",
        suspect,
    )


def _summary(judged: Sequence[Judged], told: Sequence[tuple[Judged, float]], findings: int) -> str:
    if not judged:
        return (
            "No print could be compared: it takes two genuine specimens of one edition, "
            "photographed in the same view and light."
        )
    missing = sorted({one.element for one in judged} - {one.element for one, _ in told})
    parts = [f"{len(judged)} specimens were held against the genuine ones of their edition."]
    if told:
        parts.append(f"{findings} of them look as if their standing were wrong.")
    if missing:
        parts.append(
            f"What prints of {' and '.join(f'{one}s' for one in missing)} tell of their standing "
            f"cannot be learned from this set (it takes {GENUINE_NEEDED} genuine and "
            f"{FAKE_NEEDED} fake ones whose prints lie apart): of these only prints that differ "
            "beyond what is usual are named."
        )
    return " ".join([*parts, _NO_MATTER])
