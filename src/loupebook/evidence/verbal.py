"""Words for the strength of a likelihood ratio.

Source: ENFSI, *Guideline for Evaluative Reporting in Forensic Science*, edition 3.0
(2015), appendix with example scales. Bounds and wording here are **from memory**; check
them against the printed guideline before quoting it. The guideline scales the *support
that findings lend to one proposition against another*; it never states that a proposition
is true.
"""

from __future__ import annotations

from typing import NamedTuple


class Rung(NamedTuple):
    """One step of the scale: from this likelihood ratio upwards, these words."""

    from_lr: float
    words: str


SCALE = (
    Rung(1.0, "no support for either"),
    Rung(2.0, "weak support"),
    Rung(10.0, "moderate support"),
    Rung(100.0, "moderately strong support"),
    Rung(1_000.0, "strong support"),
    Rung(10_000.0, "very strong support"),
    Rung(1_000_000.0, "extremely strong support"),
)

GENUINE = "a genuine item"
COPY = "a copy"


def rung_of(log10_lr: float) -> Rung:
    """Return the step of the scale for a likelihood ratio in either direction."""
    size = 10.0 ** min(abs(log10_lr), 300.0)
    return [rung for rung in SCALE if size >= rung.from_lr * (1 - 1e-12)][-1]


def support_words(log10_lr: float, *, copy: str = COPY) -> str:
    """Return the support that the findings lend, in words.

    Parameters
    ----------
    log10_lr : float
        Positive: more probable for a genuine item.
    copy : str
        How to name the alternative, such as "a copy from a press that the set knows".

    Examples
    --------
    >>> support_words(1.5)
    'moderate support for a genuine item rather than a copy'
    """
    rung = rung_of(log10_lr)
    if rung is SCALE[0]:
        return rung.words
    held, other = (GENUINE, copy) if log10_lr > 0 else (copy, GENUINE)
    return f"{rung.words} for {held} rather than {other}"
