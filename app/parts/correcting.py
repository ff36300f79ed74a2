"""Confirming and correcting a record, its history field by field, taking a change back."""

from __future__ import annotations

import datetime
from typing import TYPE_CHECKING, Any

import streamlit as st

from loupebook.errors import LoupebookError
from loupebook.library import (
    Basis,
    Element,
    Lighting,
    Standing,
    View,
    can_be_undone,
    without_photo_words,
)
from parts.entry import STANDING_WORDS, serials_of
from parts.persons import ask_name
from parts.words import LIGHTING, VIEW, minute, plain

if TYPE_CHECKING:
    from loupebook.library import FieldChange, Library, PhotoRecord, SpecimenRecord

CONFIRMED = "confirmed-now"
"""Where the page finds the specimen that was confirmed just now."""
SEEN = "confirm-seen"
"""Specimen that the page has offered to confirm, and its last line in the log then."""
PHOTO_SEEN = "photo-seen"
"""Number of the photo that the page has offered to correct, and what was on record of it then."""
EMPTIED = "emptied-now"
"""Specimen that lost its last photo by what was done just now, if one did."""
NOTHING_CHANGED = "Nothing was changed: all of it is on record so already."
TEXTS = {
    "marque": "Marque",
    "edition": "Edition",
    "origin": "Print origin",
    "source": "Where it came from",
    "confirmed_by": "Confirmed by",
    "basis": "On what grounds",
}


def last_line(library: Library, name: str) -> int:
    """Return the number of a specimen's last line in the log.

    Read it before what the page shows: what is changed in between then counts as not seen.
    """
    lines = library.history(name)
    return lines[-1].event_id if lines else 0


def show_emptied() -> None:
    """Say once which specimen lost its last photo by what was done just now."""
    emptied = st.session_state.pop(EMPTIED, None)
    if emptied is not None:
        st.warning(plain(without_photo_words(emptied)), icon=":material/no_photography:")


def offer_confirmation(library: Library, specimen: SpecimenRecord, line: int) -> None:
    """Offer to confirm a proposed specimen with its grounds.

    Parameters
    ----------
    library : Library
        The set.
    specimen : SpecimenRecord
        As the page shows it.
    line : int
        Its :func:`last_line` before the page read it.
    """
    # The press of the button runs the page anew, over what was changed since: what counts is
    # what the run before has shown.
    name, seen = st.session_state.get(SEEN, (specimen.name, line))
    if _confirmed(library, specimen, seen if name == specimen.name else line):
        st.session_state[CONFIRMED] = specimen.name
        st.rerun()
    st.session_state[SEEN] = (specimen.name, line)


def _confirmed(library: Library, specimen: SpecimenRecord, seen: int) -> bool:
    """Ask for grounds and name; return whether the specimen was confirmed with them."""
    st.subheader("Confirm")
    known = specimen.provenance
    two_person = library.info().two_person
    st.markdown(
        f"Entered by **{plain(known.entered_by or 'nobody named')}**."
        + (" A second person confirms it." if two_person else "")
        + " Confirm only what you have seen the grounds of."
    )
    with st.form("confirm", border=False):
        grounds = st.selectbox(
            "On what grounds *", list(Basis), index=None, format_func=str, placeholder="choose"
        )
        reference = st.text_input("Letter, receipt or file number", placeholder="if there is one")
        person = ask_name(library, "confirm-person")
        if not st.form_submit_button("Confirm", type="primary", icon=":material/verified_user:"):
            return False
        if not person or grounds is None:
            st.error("Give your name and the grounds.")
            return False
        basis = grounds.with_reference(reference)
        try:
            library.confirm(specimen.name, by=person, basis=basis, seen=seen)
        except LoupebookError as error:
            st.error(plain(str(error)))
            return False
    return True


def offer_edit(library: Library, specimen: SpecimenRecord) -> None:
    """Offer every field of a record that can be corrected, with a reason."""
    with st.expander("Edit this record", icon=":material/edit:"), st.form("edit", border=False):
        if library.info().two_person:
            st.markdown(
                "Whoever changes standing or design is no longer the second person: the specimen "
                "then waits for confirmation again."
            )
        changes = _fields(specimen)
        reason = st.text_input("Why", placeholder="laboratory report 12, misread serial…").strip()
        person = ask_name(library, "edit-person")
        if not st.form_submit_button("Save the changes"):
            return
        if not person or not reason:
            st.error("Give your name and the reason.")
            return
        try:
            done = library.edit_specimen(specimen.name, changes, by=person, reason=reason)
        except LoupebookError as error:
            st.error(plain(str(error)))
            return
        if not done.changed:
            st.info(NOTHING_CHANGED)
            return
    st.rerun()


def _fields(specimen: SpecimenRecord) -> dict[str, Any]:
    known = specimen.provenance
    changes: dict[str, Any] = {}
    one, two = st.columns(2)
    changes["standing"] = one.radio(
        "Standing",
        list(Standing),
        index=list(Standing).index(specimen.standing),
        format_func=STANDING_WORDS.__getitem__,
        horizontal=True,
    )
    changes["element"] = two.radio(
        "Element", list(Element), index=list(Element).index(specimen.element), horizontal=True
    )
    for number, (name, label) in enumerate(TEXTS.items()):
        value = getattr(specimen, name, None) or getattr(known, name, None) or ""
        changes[name] = (one, two)[number % 2].text_input(label, value).strip() or None
    day = known.confirmed_on
    chosen = one.date_input("Confirmed on", datetime.date.fromisoformat(day) if day else None)
    changes["confirmed_on"] = chosen.isoformat() if chosen else None
    lines = "\n".join(
        f"{serial.value} | {serial.place}" if serial.place else serial.value
        for serial in specimen.serials
    )
    typed = two.text_area("Serial numbers, one a line", lines, height=100)
    changes["serials"] = [[serial.value, serial.place] for serial in serials_of(typed)]
    changes["notes"] = one.text_area("Notes", specimen.notes or "", height=100) or None
    return changes


def offer_photo_edit(library: Library, photo: PhotoRecord) -> None:
    """Offer to correct how a photo was taken, or which specimen it shows.

    Nothing is written where somebody else has corrected it since the form was shown.
    """
    record = {name: getattr(photo, name) for name in ("view", "lighting", "px_per_mm", "specimen")}
    # The press of the button belongs to the form that the run before has filled.
    seen = st.session_state.get(PHOTO_SEEN, (photo.photo_id, record))
    st.session_state[PHOTO_SEEN] = (photo.photo_id, record)
    with (
        st.expander("Correct this photo", icon=":material/edit:"),
        st.form(f"photo-{photo.photo_id}", border=False),
    ):
        view = st.selectbox(
            "View", list(View), index=list(View).index(photo.view), format_func=VIEW.__getitem__
        )
        lighting = st.selectbox(
            "Lighting",
            list(Lighting),
            index=list(Lighting).index(photo.lighting),
            format_func=LIGHTING.__getitem__,
        )
        scale = st.number_input("Scale, px per mm", min_value=0.1, value=photo.px_per_mm)
        shows = st.text_input("Specimen that it shows", photo.specimen).strip()
        reason = st.text_input("Why it is corrected").strip()
        person = ask_name(library, "photo-person")
        if not st.form_submit_button("Save the correction"):
            return
        if seen != (photo.photo_id, record):
            st.error(
                "Somebody has corrected this photo meanwhile. It is shown as it is now on record; "
                "look at it, then correct it."
            )
            return
        if not person or not reason:
            st.error("Give your name and the reason.")
            return
        wanted = {"view": view, "lighting": lighting, "px_per_mm": scale, "specimen": shows}
        changes = {name: value for name, value in wanted.items() if value != record[name]}
        try:
            done = library.edit_photo(photo.photo_id, changes, by=person, reason=reason)
        except LoupebookError as error:
            st.error(plain(str(error)))
            return
        if not done.changed:
            st.info(NOTHING_CHANGED)
            return
        st.session_state[EMPTIED] = done.emptied
    st.rerun()


def show_history(library: Library, name: str) -> None:
    """Show who changed which field when and why, and offer to take a change back."""
    changes = library.field_history(name)
    if not changes:
        return
    with st.expander(f"History ({len(changes)} changes of fields)", icon=":material/history:"):
        st.dataframe([_row(change) for change in reversed(changes)], hide_index=True)
        if library.may("undo"):
            _offer_undo(library, name)


def _row(change: FieldChange) -> dict[str, Any]:
    return {
        "field": change.field.replace("_", " ") + (f" of {change.photo}" if change.photo else ""),
        "before": change.before or "",
        "after": change.after or "",
        "why": change.reason or "",
        "who": change.by,
        "when (UTC)": minute(change.at),
        "what": change.action,
        "line": change.line,
    }


def _offer_undo(library: Library, name: str) -> None:
    lines = [event for event in reversed(library.history(name)) if can_be_undone(event)]
    if not lines:
        return
    words = {
        event.event_id: f"line {event.event_id}: {event.action} by {event.actor}" for event in lines
    }
    with st.form("undo", border=False):
        st.markdown("Nothing is ever deleted: taking a change back becomes a line of its own.")
        # Under a key the line that was seen stays chosen when the log grows, and none is chosen by
        # itself.
        line = st.selectbox(
            "Take back",
            list(words),
            index=None,
            format_func=words.__getitem__,
            placeholder="choose",
            key=f"undo-line-{name}",
        )
        reason = st.text_input("Why it is taken back").strip()
        person = ask_name(library, "undo-person")
        if not st.form_submit_button("Take it back"):
            return
        if line is None or not person or not reason:
            st.error("Choose the line, give your name and the reason.")
            return
        try:
            done = library.undo(line, by=person, reason=reason)
        except LoupebookError as error:
            st.error(plain(str(error)))
            return
        st.session_state[EMPTIED] = done.emptied
    st.rerun()
