"""One specimen, opened: its photos, what is known of it, and taking it out of search."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import streamlit as st

from loupebook.errors import LoupebookError
from loupebook.library import IntakeState
from parts.correcting import (
    offer_confirmation,
    offer_edit,
    offer_photo_edit,
    show_emptied,
    show_history,
)
from parts.current_set import faults_shown, open_set
from parts.persons import ask_name
from parts.pictures import DAMAGED, shown_on_card
from parts.plates import show_plates
from parts.sheet import show_facts
from parts.viewer import show_photo
from parts.words import STANDING, minute, plain, scale, size, state_line, taken

if TYPE_CHECKING:
    from loupebook.library import Library, PhotoRecord, SpecimenRecord


def show_specimen(library: Library, specimen: SpecimenRecord, line: int) -> None:
    """Show everything the set holds on one specimen, read after its last `line` in the log."""
    if specimen.state is IntakeState.WITHDRAWN:
        st.warning(
            f"**Withdrawn, not searched.** {plain(specimen.withdrawn_reason or '')}",
            icon=":material/do_not_disturb_on:",
        )
    elif specimen.state is IntakeState.PROPOSED:
        st.info("Proposed, not searched until a second person confirms it.")
    left, right = st.columns([6, 4], gap="medium")
    with left:
        show_photos(specimen.name)
    with right:
        show_record(specimen)
        offer_changes(library, specimen, line)
    show_history(library, specimen.name)


@st.fragment
def show_photos(name: str) -> None:
    """Show one photo of a specimen large and the others to choose from."""
    show_emptied()
    # Alone, it runs long after the page: what others have done to the set meanwhile must be read.
    with faults_shown():
        library = open_set()
        if library is None:
            return
        photos = library.photos(name)
        if photos:
            _show_photos(library, photos)
        else:
            st.warning("No photo is recorded for this specimen.")


def _show_photos(library: Library, photos: list[PhotoRecord]) -> None:
    by_id = {photo.photo_id: photo for photo in photos}
    shown = by_id.get(st.session_state.get("shown-photo"), photos[0])
    _show_large_or_say(library, shown)
    if len(photos) > 1:
        cards = [
            {
                "key": str(photo.photo_id),
                "standing": "photo",
                "word": taken(photo.view, photo.lighting),
                "name": photo.file_name,
                "facts": [scale(photo.px_per_mm)],
                **shown_on_card(library, photo, f"own-{photo.photo_id}"),
                "dark": photo.lighting == "uv-a",
                "picked": photo is shown,
                "hint": "show large",
            }
            for photo in photos
        ]
        show_plates(
            cards, label="Photos", key="own-photos", on_choose=_show_large, least=170, tall=120
        )
    camera = " ".join(part for part in (shown.camera.make, shown.camera.model) if part)
    show_facts(
        [
            ("File", shown.file_name),
            ("How taken", taken(shown.view, shown.lighting)),
            ("Size", size(shown)),
            ("Taken", shown.captured_at),
            ("Camera", camera or None),
            ("SHA-256", shown.sha256),
        ],
        key="photo-facts",
        title="This photo",
    )
    if library.may("edit"):
        offer_photo_edit(library, shown)


def _show_large_or_say(library: Library, photo: PhotoRecord) -> None:
    """Show a photo under the glass; one that cannot be shown leaves the others to choose from."""
    try:
        show_photo(library, photo)
    except DAMAGED as error:
        st.error(
            f"{plain(photo.file_name)} cannot be shown. {plain(str(error))}",
            icon=":material/broken_image:",
        )
        st.markdown("Run `loupebook verify` for a full list of what is damaged.")


def _show_large(key: str) -> None:
    st.session_state["shown-photo"] = int(key)


def show_record(specimen: SpecimenRecord) -> None:
    """Show what is recorded of the specimen."""
    known = specimen.provenance
    serials = "\n".join(
        f"{serial.value} ({serial.place})" if serial.place else serial.value
        for serial in specimen.serials
    )
    when = known.entered_at and minute(known.entered_at) + " UTC"
    entered = ", ".join(part for part in (known.entered_by, when) if part)
    show_facts(
        [
            ("Element", str(specimen.element)),
            ("Marque", specimen.marque),
            ("Edition", specimen.edition),
            ("Print origin", specimen.origin),
            ("State", state_line(specimen) or "Confirmed"),
            ("Source", known.source),
            ("Confirmed by", known.confirmed_by),
            ("Confirmed on", known.confirmed_on),
            ("On what grounds", known.basis),
            ("Serial numbers", serials or None),
            ("Entered by", entered or None),
            ("Notes", specimen.notes),
        ],
        key="record",
        title=specimen.name,
        standing=(str(specimen.standing), STANDING[specimen.standing]),
    )


@dataclass(frozen=True)
class Change:
    """What can be done to a specimen in one state."""

    label: str
    does: str
    button: str
    note: str | None


CHANGES = {
    IntakeState.CONFIRMED: Change(
        "Withdraw this specimen",
        "It is taken out of search at once. Its record and photos stay.",
        "Withdraw",
        "Reason",
    ),
    IntakeState.WITHDRAWN: Change(
        "Reinstate this specimen", "It goes back to where it was before.", "Reinstate", None
    ),
}


def offer_changes(library: Library, specimen: SpecimenRecord, line: int) -> None:
    """Offer what whoever sits at the page may do to the specimen."""
    if specimen.state is IntakeState.PROPOSED:
        if library.may("confirm"):
            offer_confirmation(library, specimen, line)
    elif library.may("withdraw"):
        change_state(library, specimen)
    if library.may("edit"):
        offer_edit(library, specimen)


def change_state(library: Library, specimen: SpecimenRecord) -> None:
    """Offer to withdraw or reinstate the specimen, by a named person with a reason."""
    change = CHANGES[specimen.state]
    with st.expander(change.label), st.form("change-state", border=False):
        st.markdown(change.does)
        person = ask_name(library, "state-person")
        note = st.text_input(change.note).strip() if change.note else ""
        if not st.form_submit_button(change.button):
            return
        if not person or (change.note and not note):
            st.error("Give your name and the reason." if change.note else "Give your name.")
            return
        try:
            if specimen.state is IntakeState.CONFIRMED:
                library.withdraw(specimen.name, by=person, reason=note)
            else:
                library.reinstate(specimen.name, by=person)
        except LoupebookError as error:
            st.error(plain(str(error)))
            return
    st.rerun()
