"""The form for one specimen: photos and how they were taken, the record, saving."""

from __future__ import annotations

import datetime
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import streamlit as st

from loupebook.errors import LoupebookError, PhotoError
from loupebook.library import (
    Element,
    IncomingPhoto,
    Lighting,
    Provenance,
    Serial,
    SpecimenRecord,
    Standing,
    View,
    check_photo,
)
from parts.current_set import overview_of
from parts.intake import TYPES, Handed, decoded
from parts.pictures import served_pixels
from parts.plates import show_plates
from parts.searching import say_uv
from parts.sheet import show_advice
from parts.words import LIGHTING, VIEW, counted, plain

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np
    from numpy.typing import NDArray

    from loupebook.library import Library

PERSON = "person"
POOR = "It can be kept, marked as poor; a better one is worth more."
ROUND = "entry-round"
REPORT = "entry-report"
FIELDS = (
    "name", "element", "standing", "marque", "edition", "origin", "source", "confirmed_by",
    "confirmed_on", "basis", "serials", "notes",
)  # fmt: skip


@dataclass(frozen=True)
class Draft:
    """What stands in the form, and whether saving was asked for."""

    fields: dict[str, Any] = field(default_factory=dict)
    person: str = ""
    wanted: bool = False

    @property
    def standing(self) -> Standing | None:
        """The standing entered so far."""
        return self.fields.get("standing")


def _key(name: str) -> str:
    # A new round gives every field a new key, so that a saved form comes back empty.
    return f"entry-{st.session_state.get(ROUND, 0)}-{name}"


def offer_photos() -> list[IncomingPhoto]:
    """Offer several photos, each with its view, lighting, scale and advice."""
    st.subheader("1. Photos")
    files = st.file_uploader(
        "Photos of this one specimen. On a phone this also opens the camera.",
        type=TYPES,
        accept_multiple_files=True,
        key=_key("files"),
    )
    photos = []
    for number, file in enumerate(files):
        photo = _describe(Handed(file.getvalue(), file.name), number)
        if photo is not None:
            photos.append(photo)
    return photos


def _describe(handed: Handed, number: int) -> IncomingPhoto | None:
    with st.container(border=True):
        picture, form, advice = st.columns([2, 3, 4], gap="medium")
        try:
            pixels = decoded(handed).pixels
        except PhotoError as error:
            st.error(f"{plain(handed.name)}: {plain(str(error))} This file is left out.")
            return None
        with form:
            view = st.selectbox(
                "View", list(View), format_func=VIEW.__getitem__, key=_key(f"view-{number}")
            )
            lighting = st.selectbox(
                "Lighting",
                list(Lighting),
                format_func=LIGHTING.__getitem__,
                key=_key(f"lighting-{number}"),
            )
            px_per_mm = st.number_input(
                "Scale, px per mm",
                min_value=0.1,
                value=None,
                placeholder="if known",
                key=_key(f"scale-{number}"),
                help="How many pixels one millimetre on the item takes; measure on a ruler "
                "laid beside the item.",
            )
            say_uv(lighting)
        with picture:
            _show_small(handed, pixels, number)
        with advice:
            check = check_photo(pixels, px_per_mm=px_per_mm, decoded=decoded(handed))
            show_advice(check, key=_key(f"advice-{number}"), poor=POOR)
    return IncomingPhoto(handed.data, handed.name, view, lighting, px_per_mm)


def _show_small(handed: Handed, pixels: NDArray[np.uint8], number: int) -> None:
    height, width = pixels.shape[:2]
    card = {
        "key": str(number),
        "standing": "photo",
        "word": f"Photo {number + 1}",
        "name": handed.name,
        "facts": [f"{width} × {height} px"],
        "url": served_pixels(pixels, f"entry-{number}", longest=480),
    }
    show_plates([card], label=f"Photo {number + 1}", key=_key(f"plate-{number}"))


def read_record(library: Library, photos: Sequence[IncomingPhoto]) -> Draft:
    """Offer the fields of the record and the button that saves it."""
    overview = overview_of(library)
    st.subheader("2. The specimen")
    one, two = st.columns(2)
    fields: dict[str, Any] = {}
    with one:
        fields["name"] = st.text_input(
            "Name of the specimen *",
            key=_key("name"),
            help="Unique, for example BAND-0001.",
        )
        fields["standing"] = st.radio(
            "Standing *",
            list(Standing),
            index=None,
            format_func=lambda one: {"genuine": "◎ Genuine", "fake": "◆ Fake"}[one],
            horizontal=True,
            key=_key("standing"),
        )
        fields["marque"] = _known_or_new("Marque", overview.marques, "marque")
        fields["origin"] = _known_or_new("Print origin", overview.origins, "origin")
    with two:
        fields["element"] = st.radio(
            "Element *", list(Element), index=None, format_func=str.capitalize, horizontal=True,
            key=_key("element"),
        )  # fmt: skip
        fields["edition"] = _known_or_new("Edition", overview.editions, "edition")
        fields["serials"] = st.text_area(
            "Serial numbers",
            key=_key("serials"),
            height=100,
            placeholder="One a line, then where it was read:\nA 104882 | left",
        )
    st.subheader("3. How its standing is known")
    one, two = st.columns(2)
    with one:
        fields["source"] = st.text_input("Where it came from", key=_key("source"))
        fields["confirmed_by"] = st.text_input("Confirmed by", key=_key("confirmed_by"))
        fields["confirmed_on"] = st.date_input(
            "Confirmed on", value=None, max_value=datetime.date.today(), key=_key("confirmed_on")
        )
    with two:
        fields["basis"] = st.text_input(
            "On what grounds",
            key=_key("basis"),
            placeholder="letter of the rights holder, laboratory, court…",
        )
        fields["notes"] = st.text_area("Notes", key=_key("notes"), height=100)
    person = st.text_input("Your name *", st.session_state.get(PERSON, ""), key="entry-person")
    label = f"Save with {counted(len(photos), 'photo')}"
    wanted = st.button(label, type="primary", icon=":material/save:", disabled=not photos)
    if not photos:
        st.caption("Add at least one readable photo first.")
    return Draft(fields, person.strip(), wanted)


def _known_or_new(label: str, known: Sequence[str], name: str) -> str | None:
    return st.selectbox(
        label,
        list(known),
        index=None,
        accept_new_options=True,
        placeholder="choose or type",
        key=_key(name),
    )


def save(library: Library, draft: Draft, photos: Sequence[IncomingPhoto]) -> None:
    """Save the specimen, or say what is missing."""
    needed = {
        "the name of the specimen": draft.fields["name"].strip(),
        "its element": draft.fields["element"],
        "its standing": draft.fields["standing"],
        "your name": draft.person,
    }
    missing = [what for what, value in needed.items() if not value]
    if missing:
        st.error(f"Still missing: {', '.join(missing)}.")
        return
    st.session_state[PERSON] = draft.person
    try:
        report = library.add_specimen(_record(draft.fields), photos, by=draft.person)
    except LoupebookError as error:
        st.error(plain(str(error)))
        return
    st.session_state[REPORT] = (draft.fields["name"].strip(), report)
    if report.ok:
        st.session_state[ROUND] = st.session_state.get(ROUND, 0) + 1
    st.rerun()


def _record(fields: dict[str, Any]) -> SpecimenRecord:
    day = fields["confirmed_on"]
    return SpecimenRecord(
        name=fields["name"].strip(),
        element=fields["element"],
        standing=fields["standing"],
        marque=fields["marque"] or None,
        edition=fields["edition"] or None,
        origin=fields["origin"] or None,
        provenance=Provenance(
            source=fields["source"] or None,
            confirmed_by=fields["confirmed_by"] or None,
            confirmed_on=day.isoformat() if day else None,
            basis=fields["basis"] or None,
        ),
        serials=tuple(_serials(fields["serials"])),
        notes=fields["notes"] or None,
    )


def _serials(text: str) -> list[Serial]:
    serials = []
    for line in text.splitlines():
        value, _, place = (part.strip() for part in line.partition("|"))
        if value:
            serials.append(Serial(value, place or None))
    return serials


def show_report() -> None:
    """Say once what the last save did, photo by photo."""
    kept = st.session_state.pop(REPORT, None)
    if kept is None:
        return
    name, report = kept
    done = [counted(len(report.added), "photo") + " added"]
    if report.known:
        done.append(f"{counted(len(report.known), 'photo')} already there")
    if report.faults:
        done.append(f"{counted(len(report.faults), 'photo')} left out")
    box = st.success if report.ok else st.error
    box(f"**{plain(name)}**: {', '.join(done)}.")
    for fault in (*report.faults, *report.remarks):
        st.markdown(f"- {plain(str(fault))}")
