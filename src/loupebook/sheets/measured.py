"""What was measured, in words that are true for the result and for what it was held against.

The words are made when they are shown, from the figures as they were saved: a saved
examination is never changed, and one that was saved with poorer words reads well too.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from loupebook.compare.comparison import AGREES_TO, DIFFERS_FROM, Verdict

NOT_MEASURED = "—"
BEYOND = "beyond usual"
BEYOND_MEANS = (
    "“Beyond usual” is the z of a figure: by how many usual deviations it lies above what photos "
    f"of one and the same print give. Up to {AGREES_TO:.0f} it agrees, from {DIFFERS_FROM:.0f} on "
    "it differs, between the two it cannot be told; below 0 is less than usual. A difference may "
    "come from wear, light or another print run."
)


@dataclass(frozen=True)
class _Words:
    """How one measurement is put into words; ``{known}`` is what it was held against."""

    unit: str
    agrees: str
    differs: str


_WORDS = {
    "structure": _Words(
        "times the scatter among {known}",
        "no part is missing, added or drawn otherwise beyond what is usual among {known}",
        "parts are drawn otherwise than on {known}, missing or added",
    ),
    "line work": _Words(
        "% of the strength of fine lines missing",
        "fine lines and small letters lack no more than is usual among {known}",
        "fine lines or small letters of {known} are missing, broken or filled in",
    ),
    "colour": _Words(
        "ΔE00 (difference of colour) in the worst ink",
        "no ink, nor the paper, is farther off in colour than is usual among {known}",
        "an ink or the paper has another colour than on {known}",
    ),
    "geometry": _Words(
        "mm out of place on average",
        "parts lie no farther out of place than is usual among {known}",
        "parts lie in other places than on {known}, or the proportions are others",
    ),
    "cut outline": _Words(
        "% stretched against the print",
        "the paper is cut to the proportions that are usual among {known}",
        "the paper is cut to other proportions than the print has on {known}",
    ),
    "edge sharpness": _Words(
        "mm more blur than {known}, camera taken out (minus: less blur)",
        "edges are no softer than is usual among {known}",
        "edges are softer than on {known}",
    ),
    "halftone screen": _Words(
        "times the background, where screen dots would show",
        "no more trace of screen dots than is usual among {known}",
        "the print is built of screen dots, other than on {known}",
    ),
    "foil register": _Words(
        "mm between the shifts of foil and inks",
        "foil lies no farther beside its place than is usual among {known}",
        "foil lies in another place than on {known}",
    ),
    "UV plate": _Words(
        "% of the glow missing or added",
        "what glows departs no more than is usual among {known}",
        "fluorescent print of {known} is missing, broken or added to, or the paper glows",
    ),
}
_KNOWN = {"genuine": "known genuine ones", "fake": "known fakes of this print origin"}
_LIMITS = {
    "genuine": "Good copies may agree as well.",
    "fake": "That alone does not make it one of them.",
}


def known_words(standing: str | None) -> str:
    """Return what a comparison was held against, in words."""
    return _KNOWN.get(standing or "", "the reference")


def unit_words(row: Mapping[str, Any], standing: str | None) -> str:
    """Return of what a figure counts how much."""
    words = _WORDS.get(row["name"])
    return row["unit"] if words is None else words.unit.format(known=known_words(standing))


def figure_words(row: Mapping[str, Any], standing: str | None) -> str:
    """Return a figure with what it counts; a dash where it was not measured."""
    if row["value"] is None:
        return NOT_MEASURED
    return f"{_signed(format(row['value'], '.3g'))} {unit_words(row, standing)}"


def beyond_words(row: Mapping[str, Any]) -> str:
    """Return by how many usual deviations a figure lies beyond what is usual."""
    return NOT_MEASURED if row["z"] is None else _signed(format(row["z"], ".1f"))


def result_words(row: Mapping[str, Any], standing: str | None) -> str:
    """Return what a measurement says, true for its result.

    Parameters
    ----------
    row : mapping
        A measurement as :meth:`loupebook.compare.comparison.Figure.to_dict` gives it.
    standing : str, optional
        Of the references that it was held against.
    """
    known, words = known_words(standing), _WORDS.get(row["name"])
    if row["verdict"] == Verdict.AGREES:
        agrees = "no more than is usual among {known}" if words is None else words.agrees
        return agrees.format(known=known)
    if row["verdict"] == Verdict.DIFFERS:
        return str(row["says"]) if words is None else words.differs.format(known=known)
    if row["z"] is not None:
        return f"more than is usual among {known}, but not beyond doubt"
    # Reasons do not name the standing, and those saved before named the wrong one.
    reason = str(row["reason"] or "")
    return re.sub("the known ones|genuine ones", known, reason)


def finding_words(compared: Mapping[str, Any]) -> str:
    """Return what a comparison found, in a sentence or two.

    Parameters
    ----------
    compared : mapping
        The JSON form of a comparison, with ``reference_standing``.
    """
    rows: Sequence[Mapping[str, Any]] = compared["measurements"]
    standing = compared["reference_standing"]
    known = known_words(standing)
    told = [row for row in rows if row["verdict"] != Verdict.CANNOT_TELL]
    if not told:
        return str(compared["says"])
    differing = [row for row in told if row["verdict"] == Verdict.DIFFERS]
    if differing:
        named = "; ".join(f"{row['name']} ({result_words(row, standing)})" for row in differing)
        return f"Differs from {known} beyond what is usual: {named}."
    limits = _LIMITS.get(standing or "", "")
    return (
        f"{len(told)} of {len(rows)} measurements could be told; in none does the item differ from "
        f"{known} beyond what is usual. {limits}"
    ).strip()


def measured_title(compared: Mapping[str, Any]) -> str:
    """Return what a comparison was held against, as a heading."""
    standing = compared["reference_standing"]
    if standing is None:
        return f"Measured against {compared['reference']}"
    return f"Measured against {known_words(standing)}: {compared['reference']} ({standing})"


def _signed(number: str) -> str:
    """Return a number with a minus sign that lines up with its digits; no sign before nought."""
    if float(number) == 0:
        return number.lstrip("-")
    return number.replace("-", "−")
