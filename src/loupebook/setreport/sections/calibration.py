"""What likelihood ratios the set supports, with the plots that show how far to trust them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from loupebook.evidence.calibration import Calibration
from loupebook.evidence.closeness import ANY, scales_in_use
from loupebook.evidence.gather import gather_scores
from loupebook.evidence.openset import LEAST_NOTICED, specimens_needed
from loupebook.evidence.plots import Plot, validation_plots
from loupebook.evidence.proportions import proportion_words
from loupebook.evidence.reading import FAKE_NEEDED, GENUINE_NEEDED, ORIGINS_NEEDED
from loupebook.evidence.set_calibration import (
    ElementCalibration,
    HeldOut,
    calibrate_element,
    held_out,
    press_scores,
)
from loupebook.setreport.context import ReportContext
from loupebook.setreport.model import Action, Finding, Section, Table

NAME = "calibration"
TITLE = "Calibration"
AGAINST = {"known": "copies from presses in the set", "unseen": "copies from other presses"}
GREATEST_LOSS = 0.1
RATIO_HEADS = (
    "element", "against", "genuine units", "copy units", "log10 LR from", "to", "Cllr",
    "Cllr-min", "loss",
)  # fmt: skip


def examine(context: ReportContext) -> Section:
    """Calibrate each element and say what is missing where it cannot be."""
    findings: list[Finding] = []
    plots: list[Plot] = []
    rows = []
    noticed: list[tuple[str, str, float]] = []
    figures = {}
    said = []
    silent: dict[str, list[str]] = {press: [] for press in AGAINST}
    for element in sorted({str(fact.element) for fact in context.table.facts}):
        mine = context.table.of_element(element)
        part = context.table.take(mine)
        scores = gather_scores(context.vectors[mine], part, progress=context.progress)
        made = calibrate_element(part, scores)
        findings += _needs(element, made)
        if made.known is not None:
            findings += _no_siblings(element, part.count_press_siblings())
        figures[element] = {
            "genuine": made.genuine,
            "fake": made.fake,
            "origins": made.origins,
            "noticed": {light: one.noticed for light, one in made.closeness.items()},
            **{press: dict(values) for press, values in made.figures.items()},
        }
        noticed += [
            (element, light, scale.noticed)
            for light, scale in scales_in_use(made.closeness).items()
            if scale.noticed is not None
        ]
        for press, fit in (("known", made.known), ("unseen", made.unseen)):
            if fit is None:
                continue
            values, label, units = press_scores(part, scores, press=press)
            held = held_out(fit, values, label, units)
            rows.append(ratio_row(element, press, fit, held))
            if not fit.speaks:
                silent[press].append(f"{element}s")
                continue
            said.append(_statement(element, press, held, fit))
            findings += _badly_set(element, press, held, fit)
            plots += ratio_plots(element, press, held)
    said += _silent_words(silent)
    summary = " ".join(said) or (
        "No likelihood ratio can be given yet: the set has too few specimens of one standing."
    )
    tables = []
    if rows:
        tables.append(Table("Likelihood ratios on left-out units", RATIO_HEADS, tuple(rows)))
    if noticed:
        tables.append(_noticed_table(noticed))
        summary += " " + _noticed_words(noticed)
    return Section(NAME, TITLE, summary, tuple(findings), tuple(tables), tuple(plots), figures)


def _no_siblings(element: str, have: int) -> list[Finding]:
    """Say where "presses in the set" could not be tried on a second specimen of any."""
    if have >= FAKE_NEEDED:
        return []
    return [
        Finding(
            "few-press-siblings",
            f"Only {have} fake specimens of a {element} have another from their own press. With "
            f"fewer than {FAKE_NEEDED}, figures against presses in the set are hardly better "
            "than those against others: collect a second specimen of each press.",
            Action.COLLECT,
            weight=0.4 * (FAKE_NEEDED - have) / FAKE_NEEDED,
            detail={"element": element, "have": have, "needed": FAKE_NEEDED},
        )
    ]


def _silent_words(silent: dict[str, list[str]]) -> list[str]:
    """Say, press by press, of which elements genuine items and copies are not told apart."""
    return [
        f"Left-out {' and '.join(elements)} are told from {AGAINST[press]} no better than by "
        "chance, so every figure for them is LR = 1."
        for press, elements in silent.items()
        if elements
    ]


def _noticed_table(noticed: list[tuple[str, str, float]]) -> Table:
    return Table(
        'Specimens called "nothing close" with their maker left out',
        ("element", "taken in", "noticed", 'may say "close"'),
        tuple(
            (element, light, f"{100 * share:.0f} %", "yes" if share >= LEAST_NOTICED else "no")
            for element, light, share in noticed
        ),
    )


def _noticed_words(noticed: list[tuple[str, str, float]]) -> str:
    """Say of which elements a search can tell that the set lacks a maker."""
    blind = [
        f"{element}s" if light == ANY else f"{element}s in {light}"
        for element, light, share in noticed
        if share < LEAST_NOTICED
    ]
    if not blind:
        return "Items of makers that the set lacks are mostly noticed as not close."
    return (
        f"Of {' and '.join(blind)} a search cannot tell whether the set holds their maker: those "
        "of two makers lie about as near to each other as those of one."
    )


def ratio_plots(element: str, press: str, held: HeldOut, *, by: str = "") -> list[Plot]:
    """Return the plots of validation of one reading, named after what it is of."""
    name = "-".join(part for part in (element, press, by.replace(" ", "-")) if part)
    title = f"{element} {by}".strip()
    return [
        replace(plot, name=f"{name}-{plot.name}", title=f"{title}, {plot.title}")
        for plot in validation_plots(
            held.log10_lr, held.genuine, held.weights, against=AGAINST[press]
        )
    ]


def ratio_row(element: str, press: str, fit: Calibration, held: HeldOut) -> tuple[object, ...]:
    """Return a row of figures of merit, under `RATIO_HEADS`."""
    figures = held.figures()
    lower = round(fit.lower, 2) + 0.0  # never minus nought
    return (
        element, AGAINST[press], fit.genuine_units, fit.copy_units, f"{lower:.2f}",
        f"{fit.upper:.2f}", f"{figures['cllr']:.3f}", f"{figures['cllr_min']:.3f}",
        f"{figures['loss']:.3f}",
    )  # fmt: skip


def _statement(element: str, press: str, held: HeldOut, fit: Calibration) -> str:
    """Say of how many copies a photo has an LR above 10, and whether figures are kept cautious.

    Few units bound the ratios and hold the fit back, which costs where nothing is set badly.
    """
    misled = held.copies_beyond(1.0)
    words = proportion_words(misled, fit.copy_units, what="misleading LRs above 10")
    if fit.upper <= 1:
        words = f"the specimens support no LR above {10**fit.upper:.2g}, so none can mislead by 10"
    told = f"{element.capitalize()} against {AGAINST[press]}: {words}."
    if held.figures()["loss"] > GREATEST_LOSS and not _badly_set(element, press, held, fit):
        told += " These figures are cautious: they go no further than the specimens support."
    return told


def _badly_set(element: str, press: str, held: HeldOut, fit: Calibration) -> list[Finding]:
    loss = round(held.loss_within(fit.lower, fit.upper), 4)
    if loss <= GREATEST_LOSS:
        return []
    return [
        Finding(
            "calibration-loss",
            f"Likelihood ratios of a {element} against {AGAINST[press]} lose {loss:.2f} bits by "
            "being set badly: units differ too much, or labels are wrong.",
            Action.COLLECT,
            weight=0.4,
            detail={"element": element, "press": press, "loss": loss},
        )
    ]


def _needs(element: str, made: ElementCalibration) -> list[Finding]:
    related = np.unique(made.closeness[ANY].specimens).size
    figure, close = "before a figure can rest on them", "to tell whether anything is close"
    wanted = (
        ("genuine specimens", "", made.genuine, GENUINE_NEEDED, figure),
        ("fake specimens", "", made.fake, FAKE_NEEDED, figure),
        ("print origins of fakes", "", made.origins, ORIGINS_NEEDED, figure),
        ("specimens", " that have another of their edition", related, specimens_needed(), close),
    )
    return [
        Finding(
            "too-few-units",
            f"The set has {have} {what} of a {element}{which}; {needed} are needed {purpose}: "
            f"{needed - have} more.",
            Action.COLLECT,
            weight=0.6 * (needed - have) / needed,
            detail={"element": element, "what": what + which, "have": have, "needed": needed},
        )
        for what, which, have, needed, purpose in wanted
        if have < needed
    ]
