"""The pictures of a saved examination, and the references that it rests on."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import streamlit as st

from loupebook.errors import LoupebookError
from loupebook.library import (
    MAP_MEANS,
    RANKED_BY,
    Standing,
    compared_reference,
    decode_photo,
    likeness_words,
    telling_map,
)
from parts.pictures import served, served_thumbnail
from parts.plates import show_plates
from parts.viewer import show_panes
from parts.words import CAUTION, STANDING, counted, design, plain

if TYPE_CHECKING:
    from collections.abc import Mapping

    from loupebook.library import ExaminationRecord, Library

SHOW = "exam-show"
AS_SEARCHED = "Photo as searched"


def choose_pictures(record: ExaminationRecord) -> str:
    """Ask which pictures to show, across the page so that no choice is cut off."""
    choices = [*_comparisons(record), AS_SEARCHED]
    if len(choices) == 1:
        return AS_SEARCHED
    return st.segmented_control("Show", choices, default=choices[0], key=SHOW) or choices[0]


def _comparisons(record: ExaminationRecord) -> dict[str, Mapping[str, Any]]:
    return {f"Nearest {one['reference_standing']}": one for one in record.document["comparisons"]}


def show_pictures(library: Library, record: ExaminationRecord, shown: str) -> None:
    """Show the item by itself, or beside a nearest reference with name and photo of that.

    Parameters
    ----------
    library : Library
    record : ExaminationRecord
        As it was saved.
    shown : str
        As :func:`choose_pictures` returns it.
    """
    one = _comparisons(record).get(shown)
    if one is None:
        _single(library, record)
        return
    if one["registered"]:
        _side_by_side(library, record, one)
    else:
        st.caption(plain(one["says"]))
        _single(library, record)
    _show_reference(library, record, one)


def _side_by_side(library: Library, record: ExaminationRecord, one: Mapping[str, Any]) -> None:
    standing, told = one["reference_standing"], telling_map(one)
    item = record.document["examined"]["file_name"]
    held = f"{one['reference']}, {counted(one.get('compared_with_photos', 0), 'photo')}"
    words = {
        "query-aligned": ("query", "The item, in the frame", item),
        "reference-aligned": (standing, f"What {standing} ones have in common", held),
    }
    if told is not None:
        words[told.picture] = ("query", told.title, MAP_MEANS)
    panes = [
        pane
        for key, (kind, heading, label) in words.items()
        if (pane := _pane(library, record, one["pictures"].get(key), key, kind, heading, label))
    ]
    dark = compared_reference(record.document, one)["lighting"] == "uv-a"
    panes = [pane | {"dark": dark} for pane in panes]
    show_panes(panes, label="The pictures as saved", footnote=CAUTION, key=f"exam-{standing}")


def _show_reference(library: Library, record: ExaminationRecord, one: Mapping[str, Any]) -> None:
    standing = one["reference_standing"]
    reference = compared_reference(record.document, one)
    match = record.document["answer"][f"nearest_{standing}"]
    card = _card(library, reference, match, f"exam-nearest-{standing}")
    show_plates(
        [{**card, "facts": [*card["facts"], "the nearest reference, as photographed"]}],
        label=f"The nearest {standing} reference", key=f"exam-nearest-{standing}", least=320,
        tall=210,
    )  # fmt: skip


def show_matches(library: Library, record: ExaminationRecord) -> None:
    """Show the nearest known specimens as they were found."""
    st.subheader("Nearest known specimens")
    matches = record.document["answer"]["matches"]
    if not matches:
        st.markdown("None was found.")
        return
    held = {one["photo_id"]: one for one in record.document["references"]}
    cards = [
        _card(library, held[one["photo_id"]], one, f"exam-match-{one['rank']}") for one in matches
    ]
    show_plates(cards, label="Nearest known specimens", key="exam-matches", least=180, tall=130)
    st.caption(plain(RANKED_BY))


def _card(
    library: Library, reference: Mapping[str, Any], match: Mapping[str, Any], place: str
) -> dict[str, Any]:
    """Return the card of a reference: what was saved of it, and its photo if still at hand."""
    places = match.get("inliers")
    return {
        "key": str(reference["photo_id"]),
        "standing": reference["standing"],
        "word": STANDING[Standing(reference["standing"])],
        "name": reference["specimen"],
        "rank": match["rank"],
        "figure": f"Likeness {likeness_words(match)}",
        "facts": [
            design(reference["marque"], reference["edition"]),
            *([f"{counted(places, 'place')} agree"] if places else []),
        ],
        "url": _thumbnail(library, reference["sha256"], place),
        "missing": "No longer in the set",
        "dark": reference["lighting"] == "uv-a",
    }


def _thumbnail(library: Library, sha256: str, place: str) -> str | None:
    try:
        photo = library.photo_by_sha256(sha256)
        return None if photo is None else served_thumbnail(library, photo.photo_id, place)
    except LoupebookError:
        return None


def _single(library: Library, record: ExaminationRecord) -> None:
    content = _image(library, record, record.document["examined"]["searched"])
    if content is not None:
        st.image(content, caption="The item as searched")


def _image(library: Library, record: ExaminationRecord, sha256: str) -> bytes | None:
    kept = {one["sha256"]: one["kept"] for one in record.document["images"]}
    try:
        if kept[sha256] == "examination":
            return library.examinations.image(sha256)
        photo = library.photo_by_sha256(sha256)
        return None if photo is None else library.photo_bytes(photo.photo_id)
    except LoupebookError:
        return None


def _pane(
    library: Library,
    record: ExaminationRecord,
    sha256: str | None,
    key: str,
    kind: str,
    heading: str,
    label: str,
) -> dict[str, Any] | None:
    content = None if sha256 is None else _image(library, record, sha256)
    if content is None:
        return None
    width, height = _size(content)
    return {
        "key": key, "standing": kind, "heading": heading, "short": heading, "name": label,
        "facts": [], "url": served(content, "image/jpeg", f"exam-{key}"),
        "width": width, "height": height, "alt": f"{heading}, {label}",
    }  # fmt: skip


@st.cache_data(max_entries=64, show_spinner=False)
def _size(content: bytes) -> tuple[int, int]:
    height, width = decode_photo(content).pixels.shape[:2]
    return width, height
