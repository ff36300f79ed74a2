"""Grids of references as cards: the photo, standing by word and shape, and the facts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import streamlit as st

from parts.component import web_component
from parts.pictures import shown_on_card
from parts.words import STANDING, counted, design, nearness, plain, state_line, taken

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from loupebook.library import Library, MatchReport, SpecimenRecord

_mount = web_component("plates")


def show_plates(
    cards: Sequence[dict[str, Any]],
    *,
    label: str,
    key: str,
    on_choose: Callable[[str], None] | None = None,
    least: int = 215,
    tall: int = 175,
) -> None:
    """Show cards in a grid that fits the width; photos that cannot be shown are named above it.

    Parameters
    ----------
    cards : sequence of dict
        As made by :func:`match_card` and :func:`specimen_card`.
    label : str
        What the grid holds, for screen readers.
    key : str
        Unique key.
    on_choose : callable, optional
        Called with the key of the card that was chosen, before the page runs again.
    least, tall : int
        Least width of a card and height of its picture, CSS px.
    """

    def chosen() -> None:
        if on_choose is not None:
            on_choose(str(st.session_state[key]["chosen"]))

    say_damaged([card["damaged"] for card in cards if "damaged" in card])
    data = {
        "cards": list(cards),
        "label": label,
        "choose": on_choose is not None,
        "least": least,
        "tall": tall,
    }
    _mount(key=key, data=data, on_chosen_change=chosen)


def say_damaged(photos: Sequence[str]) -> None:
    """Name photos whose files are lost or damaged, and what to do about it."""
    if photos:
        st.warning(
            f"Lost or damaged: {plain('; '.join(photos))}. Run `loupebook verify` for what is "
            "wrong with each, then add the original photo again or restore its file from a copy.",
            icon=":material/broken_image:",
        )


def match_card(
    library: Library,
    match: MatchReport,
    place: str,
    *,
    picked: bool = False,
    hint: str = "",
    always: str = "",
) -> dict[str, Any]:
    """Return the card of one match.

    Parameters
    ----------
    library : Library
    match : MatchReport
    place : str
        Where the card is used.
    picked : bool
        Whether it was chosen.
    hint : str
        What choosing it does; stands on the card where it may be chosen.
    always : str
        What lies on the desk without being chosen, in words, where this match is it.
    """
    return {
        "key": str(match.photo_id),
        "standing": str(match.standing),
        "word": STANDING[match.standing],
        "name": match.specimen,
        "rank": match.rank,
        "figure": nearness(match),
        "facts": [
            design(match.marque, match.edition),
            f"{match.element}, {taken(match.view, match.lighting)}",
            # Where many references are very near, their similarities all round to 1.
            *([f"{counted(match.inliers, 'place')} agree"] if match.inliers else []),
        ],
        **shown_on_card(library, library.photo(match.photo_id), f"{place}-{match.photo_id}"),
        "dark": match.lighting == "uv-a",
        "picked": picked,
        "hint": hint,
        "always": always,
    }


def photo_card(library: Library, photo_id: int, place: str) -> dict[str, Any]:
    """Return the card of one photo, named after its specimen."""
    photo = library.photo(photo_id)
    standing = library.specimen(photo.specimen).standing
    return {
        "key": str(photo_id),
        "standing": str(standing),
        "word": STANDING[standing],
        "name": photo.specimen,
        "facts": [taken(photo.view, photo.lighting)],
        **shown_on_card(library, photo, place),
        "dark": photo.lighting == "uv-a",
    }


def specimen_card(library: Library, specimen: SpecimenRecord, place: str) -> dict[str, Any]:
    """Return the card of one specimen, with its first photo."""
    photos = library.photos(specimen.name)
    first = photos[0] if photos else None
    count = "no photo" if not photos else f"{len(photos)} photo{'s' * (len(photos) > 1)}"
    return {
        "key": specimen.name,
        "standing": str(specimen.standing),
        "word": STANDING[specimen.standing],
        "name": specimen.name,
        "facts": [design(specimen.marque, specimen.edition), f"{specimen.element}, {count}"],
        "state": state_line(specimen),
        **(shown_on_card(library, first, f"{place}-{first.photo_id}") if first else {"url": None}),
        "dark": bool(first and first.lighting == "uv-a"),
        "hint": "open",
    }
