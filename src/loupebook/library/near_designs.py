"""Whether the print agrees with another design than the nearest that a search found.

Two designs of one maker that differ in a detail are easily taken for each other. Then what is
measured against the nearest says nothing of copies, and must not be put into a figure.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from loupebook.compare import Group, agrees_better
from loupebook.compare.rerank import AGREES_BELOW
from loupebook.errors import ComparisonError
from loupebook.library.comparing import ComparisonReport, Photo
from loupebook.library.results import MatchReport
from loupebook.sheets.measured import signed


def nearer_design(
    query: Photo,
    nearest: MatchReport,
    first: ComparisonReport,
    matches: Sequence[MatchReport],
    compare: Callable[[Photo, int], ComparisonReport],
) -> str:
    """Say so where the print agrees with the next design, but departs from the nearest.

    Parameters
    ----------
    query : bytes, Path or ndarray
        The photo in question.
    nearest : MatchReport
        The nearest genuine match.
    first : ComparisonReport
        The query held against its design.
    matches : sequence of MatchReport
        What the search found, nearest first.
    compare : callable
        Holds a photo against the design of a reference.

    Returns
    -------
    str
        Empty where there is nothing to say.
    """
    departs = first.comparison.departure
    # Another comparison takes seconds, and none can agree better with what departs no more.
    rival = next((one for one in matches if _rivals(one, nearest)), None)
    if departs is None or departs < AGREES_BELOW or rival is None:
        return ""
    try:
        other = compare(query, rival.photo_id)
    except ComparisonError:
        return ""
    near = other.comparison.departure
    if near is None or not agrees_better(other.comparison, first.comparison):
        return ""
    return (
        f"The print agrees better with {other.reference}: it departs from the genuine photos of "
        f"that by {_deviations(near)} usual deviations, from those of {first.reference} by "
        f"{_deviations(departs)}. Hold it against that design before anything else; what is "
        "measured here may be what sets the two designs apart."
    )


def _rivals(match: MatchReport, nearest: MatchReport) -> bool:
    return match.edition is not None and Group.of(nearest).rivals(Group.of(match))


def _deviations(departs: float) -> str:
    return signed(f"{departs:.1f}")
