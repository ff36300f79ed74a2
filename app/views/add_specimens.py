"""Add specimens: photos with how they were taken, the record, what lies near, then save."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from loupebook.library import IncomingPhoto
from parts.batch import offer_batch
from parts.current_set import open_set, say_no_set
from parts.entry import (
    Entry,
    ask_state,
    ask_to_save,
    current_draft,
    keep,
    leave_what_is_gone,
    offer_drafts,
    read_fields,
    save,
    show_photos,
    show_report,
    take_photos,
)
from parts.guidance import remarks_on, show_guide, show_remarks
from parts.neighbours import show_neighbours
from parts.words import NOT_SAID

if TYPE_CHECKING:
    from loupebook.library import DraftPhoto, Library


def add_specimens() -> None:
    st.title("Add specimens")
    library = open_set()
    if library is None:
        return say_no_set()
    st.markdown(
        "One specimen is one physical object whose standing is known. Only add what is known on "
        "good grounds, and say on which: every later answer rests on it."
    )
    show_report(library)
    one, many = st.tabs(["One specimen", "Many at once"])
    with one:
        enter_one(library)
    with many:
        offer_batch(library)
    st.markdown(NOT_SAID)
    return None


def enter_one(library: Library) -> None:
    leave_what_is_gone(library)
    offer_drafts(library)
    draft = current_draft(library)
    left, right = st.columns([5, 4], gap="large")
    with left:
        st.subheader("1. Photos")
        take_photos(library)
        shown = show_photos(library, draft)
        photos = tuple(photo for photo, _ in shown)
        guide = st.container()
    fields = read_fields(library, draft) | ask_state(library, draft)
    entry = Entry(fields, tuple(incoming(photo, data) for photo, data in shown))
    # Filled last, because they depend on what is chosen below them.
    with guide:
        show_guide(entry.element, [(photo.view, photo.lighting) for photo in photos])
    with right:
        warnings = st.container()
        nearest = show_neighbours(library, entry.photos, entry.standing)
        with warnings:
            show_remarks(remarks_on(library, entry, nearest))
    keep(library, draft, fields, photos)
    person, wanted = ask_to_save(library, len(photos))
    if wanted:
        save(library, Entry(fields, entry.photos, person))


def incoming(photo: DraftPhoto, data: bytes) -> IncomingPhoto:
    return IncomingPhoto(data, photo.file_name, photo.view, photo.lighting, photo.px_per_mm)


add_specimens()
