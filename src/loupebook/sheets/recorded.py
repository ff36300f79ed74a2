"""What a saved examination shows, chosen alike for the page and for paper.

Nothing is measured anew: pictures, figures and ranks are those that were saved.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

RANKED_BY = (
    "Ranked by the log odds (natural logarithm) that both show one design: two more is about "
    "seven times as likely. They do not say whether either is genuine: copies of a design score "
    "as high as it does. Places are those that look alike and lie alike in both photos."
)
MAP_MEANS = (
    "Of all measurements that have a map this one departs most. Marked is where; the figures say "
    "whether it is more than usual."
)
_SAVED_AS_ONE = 5e-7
"""Similarities were saved to six digits; nearer to 1 than this they read 1."""
_STRUCTURE = "structure"


@dataclass(frozen=True)
class TellingMap:
    """The map of the measurement that departs most.

    Parameters
    ----------
    name : str
        Of the measurement.
    picture : str
        Key of its map among the pictures of the comparison.
    """

    name: str
    picture: str

    @property
    def title(self) -> str:
        """What the map shows."""
        return f"Map: {self.name}"


def telling_map(compared: Mapping[str, Any]) -> TellingMap | None:
    """Return the map of the measurement that lies farthest beyond what is usual.

    Measurements without a map or without a figure are passed over; where none is left that
    was saved, there is no map.

    Parameters
    ----------
    compared : mapping
        A comparison as it was saved.
    """
    mapped = [
        (row["z"], row["name"])
        for row in compared["measurements"]
        if row["z"] is not None and _picture_of(row["name"]) in compared["pictures"]
    ]
    if not mapped:
        return None
    _, name = max(mapped, key=lambda one: one[0])
    return TellingMap(name, _picture_of(name))


def _picture_of(measurement: str) -> str:
    if measurement == _STRUCTURE:
        return "map-differences"
    return f"map-{measurement.lower().replace(' ', '-')}"


def log_odds_words(match: Mapping[str, Any]) -> str:
    """Return what a match was ranked by.

    Parameters
    ----------
    match : mapping
        A match of a saved answer. Those saved before the log odds were have them worked out
        of the similarity, as far as its digits go.
    """
    odds = match.get("log_odds")
    if odds is not None:
        return f"{odds:.1f}"
    near = match["similarity"]
    if near >= 1 - _SAVED_AS_ONE:
        return f"above {-math.log(_SAVED_AS_ONE):.1f}"
    if near <= _SAVED_AS_ONE:
        return f"below {math.log(_SAVED_AS_ONE):.1f}"
    # The last digits were rounded away where it is near 1.
    return f"{math.log(near / (1 - near)):.{0 if near > 0.999 else 1}f}"


def places_words(match: Mapping[str, Any]) -> str:
    """Return in how many places a match agrees with the item; a dash where none was sought."""
    return "–" if not match.get("inliers") else str(match["inliers"])


def compared_reference(
    document: Mapping[str, Any], compared: Mapping[str, Any]
) -> Mapping[str, Any]:
    """Return what was recorded of the reference that a comparison was made for."""
    found: Mapping[str, Any] = next(
        one for one in document["references"] if one["photo_id"] == compared["photo_id"]
    )
    return found
