"""What was measured, in words that are true for the result and for what it was held against.

The words are made when they are shown, from the figures as they were saved: a saved
examination is never changed, and one that was saved with poorer words reads well too.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from loupebook.compare.comparison import (
    AGREES_TO,
    DIFFERS_FROM,
    FEWEST_KNOWN,
    NEAR_FROM,
    TOO_FEW,
    TOO_WIDE,
    Verdict,
    too_wide,
)
from loupebook.evidence.reading import PARAGRAPH

NOT_MEASURED = "—"
BEYOND = "beyond usual"
BEYOND_MEANS = (
    "“Beyond usual” is the z of a figure: by how many usual deviations it lies above what photos "
    f"of one and the same print give. Up to {AGREES_TO:.0f} it is usual (from {NEAR_FROM:.0f} on "
    f"near the limit), from {DIFFERS_FROM:.0f} on it differs, between the two it cannot be told; "
    "below 0 is less than usual. A difference may come from wear, light or another print run."
)


class Word(StrEnum):
    """What is said of a measurement in a word or a few; the verdict with what bears on it."""

    DIFFERS = "differs"
    AGREES = "agrees"
    ABOVE = "more than usual: look"
    NEAR = "near its limit: look"
    FEW = TOO_FEW
    WIDE = TOO_WIDE
    POOR = "photo too poor to tell"
    CANNOT_TELL = "cannot tell"
    FAR = "not judged"


LOOK = frozenset({Word.ABOVE, Word.NEAR, Word.FEW})
"""Words that ask for eyes: what was measured alone tells little."""
UNTOLD = frozenset({Word.CANNOT_TELL, Word.POOR, Word.WIDE})
"""Words of figures that say nothing."""
_OTHERS = "other designs"
"""What tells what is usual where only one photo is held against another."""
_WIDE = "What is usual among {known} varies too much to tell: {names}."


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
    "trained look": _Words(
        "to 1 that a network trained on invented prints takes the two for different presses",
        "a network trained on invented prints is no surer than usual among {known} that the "
        "presses differ",
        "a network trained on invented prints takes this for another press than that of {known}",
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
    return f"{signed(format(row['value'], '.3g'))} {unit_words(row, standing)}"


def beyond_words(row: Mapping[str, Any]) -> str:
    """Return by how many usual deviations a figure lies beyond what is usual."""
    return NOT_MEASURED if row["z"] is None else signed(format(row["z"], ".1f"))


def word_of(row: Mapping[str, Any], *, poor: bool = False, far: bool = False) -> Word:
    """Return the word for a measurement. All words of measurements are chosen here.

    Parameters
    ----------
    row : mapping
        A measurement as :meth:`loupebook.compare.comparison.Figure.to_dict` gives it; one
        saved before limits were kept is told by its z alone. Those saved before the verdict knew
        what bears a limit "agree" where it cannot be told now; both read alike.
    poor : bool
        Whether the photo is too poor to hold fine print against anything.
    far : bool
        Whether nothing in the set is close, so that the reference is of another design.
    """
    if row["z"] is None:
        return Word.CANNOT_TELL
    if far:
        return Word.FAR
    if poor:
        return Word.POOR
    if row["verdict"] == Verdict.DIFFERS:
        return Word.DIFFERS
    if row["verdict"] == Verdict.CANNOT_TELL and row["z"] > AGREES_TO:
        return Word.ABOVE
    if too_wide(row.get("usual"), row.get("usual_to")):
        return Word.WIDE
    if row.get("known_photos", FEWEST_KNOWN) < FEWEST_KNOWN:
        return Word.FEW
    if row["verdict"] == Verdict.CANNOT_TELL:
        return Word.ABOVE  # so little above that its z was rounded to the limit
    return Word.NEAR if row["z"] > NEAR_FROM else Word.AGREES


def limit_words(row: Mapping[str, Any]) -> str:
    """Return up to where a figure is usual, and how many known photos that rests on.

    Nothing where that limit is too wide to be one; beyond even such a limit it is told.
    """
    limit = row.get("usual_to")
    if limit is None:
        return ""
    within = row["z"] is None or row["z"] <= AGREES_TO
    if within and too_wide(row.get("usual"), limit):
        return ""
    known = row["known_photos"]
    among = f"{known} known photo{'s' * (known > 1)}" if known else "other designs"
    return f"usual up to {signed(format(limit, '.3g'))}, by {among}"


def result_words(
    row: Mapping[str, Any], standing: str | None, *, poor: bool = False, far: bool = False
) -> str:
    """Return what a measurement says, true for its result.

    Parameters
    ----------
    row : mapping
        A measurement as :meth:`loupebook.compare.comparison.Figure.to_dict` gives it.
    standing : str, optional
        Of the references that it was held against.
    poor, far : bool
        As for :func:`word_of`.
    """
    known, words = known_words(standing), _WORDS.get(row["name"])
    word = word_of(row, poor=poor, far=far)
    if word is Word.FAR:
        # Said once, of all figures together.
        return ""
    if word is Word.POOR:
        return f"the photo shows too little to hold fine print against {known}"
    if word is Word.FEW:
        count = row["known_photos"]
        rest = f"{count} known photos do" if count > 1 else "so few known photos do"
        return f"within what seems usual among {known}, but {rest} not tell what is: compare by eye"
    if word is Word.WIDE:
        return f"within what is usual among {known}, but so are figures many times greater"
    if word is Word.NEAR:
        return f"within what is usual among {known}, but near its limit: compare by eye"
    if word is Word.AGREES:
        agrees = "no more than is usual among {known}" if words is None else words.agrees
        return agrees.format(known=known)
    if word is Word.DIFFERS:
        return str(row["says"]) if words is None else words.differs.format(known=known)
    if word is Word.ABOVE:
        return f"more than is usual among {known}, but not beyond doubt"
    # Reasons do not name the standing, and those saved before named the wrong one.
    reason = str(row["reason"] or "")
    return re.sub("the known ones|genuine ones", known, reason)


def finding_words(compared: Mapping[str, Any], *, poor: bool = False, far: bool = False) -> str:
    """Return what a comparison found, in a sentence or two.

    Parameters
    ----------
    compared : mapping
        The JSON form of a comparison, with ``reference_standing``.
    poor, far : bool
        As for :func:`word_of`.
    """
    rows: Sequence[Mapping[str, Any]] = compared["measurements"]
    standing = compared["reference_standing"]
    known = known_words(standing)
    words = {row["name"]: word_of(row, poor=poor, far=far) for row in rows}
    wide = [row["name"] for row in rows if words[row["name"]] is Word.WIDE]
    wide_words = _WIDE.format(known=_KNOWN.get(standing or "", _OTHERS), names=", ".join(wide))
    told = [row for row in rows if words[row["name"]] not in UNTOLD]
    if far and told:
        return (
            "Nothing that was found is close, so this is most likely another design. These "
            "figures then mean nothing about whether the item is a copy."
        )
    if poor and not told and any(row["z"] is not None for row in rows):
        return f"The photo is too poor to hold fine print against {known}: take a better one."
    if not told:
        # Only a comparison that tells nothing at all is left to its own words.
        return wide_words if wide else str(compared["says"])
    differing = [row for row in told if words[row["name"]] is Word.DIFFERS]
    above = [row["name"] for row in told if words[row["name"]] is Word.ABOVE]
    look = [row["name"] for row in told if words[row["name"]] in LOOK - {Word.ABOVE}]
    agree = len(told) - len(differing) - len(above) - len(look)
    if differing:
        named = "; ".join(f"{row['name']} ({result_words(row, standing)})" for row in differing)
        said = [f"Differs from {known} beyond what is usual: {named}."]
    elif agree:
        said = [
            f"{agree} of {len(rows)} measurements agree with {known}; none differs beyond doubt."
        ]
    else:
        said = [f"No measurement differs from {known} beyond doubt, and none plainly agrees."]
    if above:
        said.append(f"More than is usual, look there: {', '.join(above)}.")
    if look:
        said.append(f"Compare by eye: {', '.join(look)}.")
    if wide:
        said.append(wide_words)
    if agree and not differing:
        said.append(_LIMITS.get(standing or "", ""))
    return " ".join(said).strip()


def strength_paragraphs(
    compared: Mapping[str, Any], *, poor: bool = False, far: bool = False
) -> list[str]:
    """Return what a comparison with genuine prints is worth, and what that does not say.

    Nothing where a set could not tell, or no measurement could. Where the print agrees better
    with another design, that is said instead.

    Parameters
    ----------
    compared : mapping
        The JSON form of a comparison; one saved before readings by print has none.
    poor, far : bool
        As for :func:`word_of`: nothing is said then.
    """
    reading, other = compared.get("reading"), compared.get("nearer")
    if poor or far:
        return []
    if other:
        return [str(other)]
    if not reading or all(word_of(row) in UNTOLD for row in compared["measurements"]):
        return []
    return [*str(reading["says"]).split(PARAGRAPH), str(reading["does_not_say"])]


def measured_title(compared: Mapping[str, Any]) -> str:
    """Return what a comparison was held against, as a heading."""
    standing = compared["reference_standing"]
    if standing is None:
        return f"Measured against {compared['reference']}"
    return f"Measured against {known_words(standing)}: {compared['reference']} ({standing})"


def signed(number: str) -> str:
    """Return a number with a minus sign that lines up with its digits; no sign before nought."""
    if float(number) == 0:
        return number.lstrip("-")
    return number.replace("-", "−")
