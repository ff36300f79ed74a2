"""What is worth a second look during entry, and which photos are still to be taken."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from loupebook.library import PHOTO_GUIDE, RemarkKind, missing_photos
from parts.sheet import show_checklist
from parts.words import plain, taken

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from loupebook.library import Element, EntryRemark, Library, Lighting, View
    from parts.entry import Entry

ICONS = {
    RemarkKind.SAME_PICTURE: ":material/content_copy:",
    RemarkKind.SAME_SERIAL: ":material/pin:",
    RemarkKind.SERIALS_DISAGREE: ":material/pin:",
    RemarkKind.NEAR_SPELLING: ":material/spellcheck:",
}


def show_guide(element: Element | None, photos: Iterable[tuple[View, Lighting]]) -> None:
    """Show the photos that a specimen of this element wants, those taken ticked off."""
    if element is None:
        st.caption("Choose the element below, and the photos worth taking are listed here.")
        return
    held = list(photos)
    left = missing_photos(element, held)
    needed = sum(one.needed for one in left)
    summary = (
        "All photos of the list are there."
        if not left
        else f"{needed} needed and {len(left) - needed} worth having are still missing."
    )
    show_checklist(
        [
            {
                "done": one not in left,
                "words": taken(one.view, one.lighting),
                "detail": one.shows + ("" if one.needed else " (worth having)"),
            }
            for one in PHOTO_GUIDE[element]
        ],
        key="guide",
        title=f"Photos of a {element}",
        summary=summary,
    )


def show_remarks(remarks: Sequence[EntryRemark]) -> None:
    """Show what to look at twice; the rest is said elsewhere on the page."""
    for remark in remarks:
        if remark.kind in ICONS:
            st.warning(plain(remark.message), icon=ICONS[remark.kind])


def remarks_on(
    library: Library, entry: Entry, nearest: Mapping[int, Sequence[int]]
) -> Sequence[EntryRemark]:
    """Return the remarks on an entry, asked for again only when something of it has changed."""
    if entry.element is None or entry.standing is None:
        return ()
    mark = (
        entry.fields["serials"],
        *(entry.fields[field] for field in ("name", "marque", "edition", "origin")),
        entry.element,
        entry.standing,
        tuple((photo.file_name, len(photo.source)) for photo in entry.photos),
        tuple((place, tuple(ids)) for place, ids in nearest.items()),
    )
    kept = st.session_state.get("entry-remarks")
    if kept is None or kept[0] != mark:
        found = library.entry_remarks(entry.record(), entry.photos, nearest)
        kept = st.session_state["entry-remarks"] = (mark, found)
    return kept[1]
