"""What a saved examination shows, chosen alike for the page and for paper.

Nothing is measured anew: pictures, figures and ranks are those that were saved.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from loupebook.compare.maps import map_key
from loupebook.imaging import PhotoCheck
from loupebook.sheets.measured import Word, signed, word_of

RANKED_BY = (
    "Likeness is the log odds (natural logarithm) that both show one design: one more is nearly "
    "three times as likely. It does not say whether either is genuine: copies of a design score "
    "as high as it does. Places are those that look alike and lie alike in both photos."
)
GIVEN_OUT = (
    "Whether a number was ever given out is for the rights holder's own service to say. A number "
    "that stands on another item, or on a known fake, is a finding all the same."
)
MAP_MEANS = "what departs most; the figures say whether it is unusual"
_SAVED_AS_ONE = 5e-7
"""Similarities were saved to six digits; nearer to 1 than this they read 1."""
_SIGNS = {Word.AGREES: "=", Word.DIFFERS: "≠"}
_AGREE_SIGNS = {True: "= ", False: "≠ ", None: ""}


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
        if row["z"] is not None and map_key(row["name"]) in compared["pictures"]
    ]
    if not mapped:
        return None
    _, name = max(mapped, key=lambda one: one[0])
    return TellingMap(name, map_key(name))


def likeness_words(match: Mapping[str, Any]) -> str:
    """Return the likeness that a match was ranked by.

    Parameters
    ----------
    match : mapping
        A match of a saved answer. Those saved before the log odds were have them worked out
        of the similarity, as far as its digits go.
    """
    odds = match.get("log_odds")
    if odds is not None:
        return signed(f"{odds:.1f}")
    near = match["similarity"]
    if near >= 1 - _SAVED_AS_ONE:
        return f"above {-math.log(_SAVED_AS_ONE):.1f}"
    if near <= _SAVED_AS_ONE:
        return f"below {signed(f'{math.log(_SAVED_AS_ONE):.1f}')}"
    # The last digits were rounded away where it is near 1.
    return signed(f"{math.log(near / (1 - near)):.{0 if near > 0.999 else 1}f}")


def places_words(match: Mapping[str, Any]) -> str:
    """Return in how many places a match agrees with the item; a dash where none was sought."""
    return "–" if not match.get("inliers") else str(match["inliers"])


def bearing_of(document: Mapping[str, Any]) -> dict[str, bool]:
    """Return what bears on the words of an examination's measurements.

    Returns
    -------
    dict
        The arguments `poor` and `far` of :func:`loupebook.sheets.measured.word_of`.
    """
    answer = document["answer"]
    check = PhotoCheck.from_json(json.dumps(answer["photo_check"]))
    return {
        "poor": not check.shows_print,
        "far": answer["reading"].get("close_reference") is False,
    }


def marked_word(row: Mapping[str, Any], bearing: Mapping[str, bool]) -> str:
    """Return the word for a measurement with the sign that it is told apart by."""
    word = word_of(row, **bearing)
    return f"{_SIGNS.get(word, '?')} {word}"


def serial_rows(document: Mapping[str, Any]) -> list[tuple[str, str]] | None:
    """Return what was read on the item and what that said when it was saved, as labelled rows.

    Returns
    -------
    list of (label, words), optional
        `None` for an examination of the time before serial numbers were kept.
    """
    if "serials" not in document:
        return None
    kept = document["serials"]
    if kept is None:
        return [("Numbers", "None was typed.")]
    rows = [(one["place"][:1].upper() + one["place"][1:], one["number"]) for one in kept["read"]]
    says = " ".join([kept["says"], *kept["parts"]])
    rows.append(("Do they agree", f"{_AGREE_SIGNS[kept['agree']]}{says}"))
    held = [says for one in kept["numbers"] for says in one["says"]]
    rows += [("In the set, then", says) for says in held]
    return [*rows, *_barcode_rows(kept["barcodes"])]


def _barcode_rows(codes: Sequence[Mapping[str, str]] | None) -> list[tuple[str, str]]:
    if codes is None:
        return []
    if not codes:
        return [("Barcode", "Looked for; none could be read in this photo.")]
    return [(f"Barcode ({one['kind']})", f"{one['value']}. {one['says']}") for one in codes]


def compared_reference(
    document: Mapping[str, Any], compared: Mapping[str, Any]
) -> Mapping[str, Any]:
    """Return what was recorded of the reference that a comparison was made for."""
    found: Mapping[str, Any] = next(
        one for one in document["references"] if one["photo_id"] == compared["photo_id"]
    )
    return found
