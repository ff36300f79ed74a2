"""A second person looks at what one has entered, and confirms it with the grounds."""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING

import streamlit as st

from loupebook.library import IncomingPhoto
from parts.correcting import CONFIRMED, last_line, offer_confirmation
from parts.guidance import show_guide
from parts.neighbours import show_neighbours
from parts.pictures import DAMAGED
from parts.plates import show_plates, specimen_card
from parts.specimen import show_photos, show_record
from parts.words import counted, plain

if TYPE_CHECKING:
    from loupebook.library import Library, PhotoRecord, SpecimenRecord

CHOSEN = "confirming"
SHOWN = 48


def show_waiting(library: Library) -> None:
    """Show what waits, and the one that was chosen."""
    done = st.session_state.pop(CONFIRMED, None)
    if done:
        st.success(f"**{plain(done)}** is confirmed; it is searched from now on.")
    count = library.count_specimens(state="proposed")
    if not count:
        st.markdown("Nothing waits for confirmation.")
        return
    name = st.session_state.get(CHOSEN)
    line = last_line(library, name) if name else 0
    waiting = library.specimens(state="proposed", limit=SHOWN)
    chosen = next((one for one in waiting if one.name == name), None)
    if chosen is not None:
        st.button("Back to the list", icon=":material/arrow_back:", on_click=_choose, args=(None,))
        _show_one(library, chosen, line)
        return
    more = f", the first {len(waiting)} by name" if count > len(waiting) else ""
    st.caption(f"{counted(count, 'specimen')} waiting{more}")
    cards = [specimen_card(library, one, "waiting") | {"hint": "look at it"} for one in waiting]
    show_plates(cards, label="Waiting for confirmation", key="waiting", on_choose=_choose)


def _choose(name: str | None) -> None:
    st.session_state[CHOSEN] = name


def _show_one(library: Library, specimen: SpecimenRecord, line: int) -> None:
    photos = library.photos(specimen.name)
    left, right = st.columns([6, 4], gap="large")
    with left:
        show_photos(specimen.name)
        handed = _as_handed(library, photos)
        show_neighbours(library, handed, specimen.standing, own=specimen.name)
    with right:
        show_record(specimen)
        offer_confirmation(library, specimen, line)
        show_guide(specimen.element, [(photo.view, photo.lighting) for photo in photos])


def _as_handed(library: Library, photos: list[PhotoRecord]) -> list[IncomingPhoto]:
    handed = []
    for photo in photos[:4]:
        with suppress(*DAMAGED):  # it is named beside the photos
            handed.append(IncomingPhoto(library.photo_bytes(photo.photo_id), photo.file_name))
    return handed
