"""Entering one specimen: a draft that outlives the browser, its photos, its record, saving."""

from __future__ import annotations

import datetime
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import streamlit as st

from loupebook.errors import LoupebookError, PhotoError, RecordNotFound
from loupebook.library import (
    Basis,
    DraftPhoto,
    Element,
    IncomingPhoto,
    IntakeState,
    Lighting,
    Provenance,
    Serial,
    SpecimenRecord,
    Standing,
    View,
    check_photo,
    decode_photo,
    new_draft_id,
    resize_to_fit,
)
from parts.current_set import overview_of
from parts.intake import TYPES
from parts.persons import ask_name
from parts.pictures import served_pixels
from parts.plates import show_plates
from parts.searching import say_uv
from parts.sheet import show_advice
from parts.words import LIGHTING, VIEW, counted, minute, plain

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np
    from numpy.typing import NDArray

    from loupebook.library import Draft, Library, PhotoCheck

POOR = "It can be kept, marked as poor; a better one is worth more."
DRAFT = "draft-id"
REPORT = "entry-report"
LEFT_OUT = "entry-left-out"
BEGUN = "draft-begun"
DRAWN = "draft-drawn"
TIMES = "draft-times-drawn-anew"
GONE = "The specimen that was begun here has been entered or given up in another session."
NOT_NAMED = "not named yet"
STANDING_WORDS = {Standing.GENUINE: "◎ Genuine", Standing.FAKE: "◆ Fake"}
STATE_WORDS = {
    IntakeState.CONFIRMED: "confirmed: it is searched from now on",
    IntakeState.PROPOSED: "proposed: somebody else confirms it first",
}


@dataclass(frozen=True)
class Entry:
    """What stands on the page.

    Parameters
    ----------
    fields : dict
        As entered, plain values.
    photos : tuple of IncomingPhoto
        With view, lighting and scale as chosen.
    person : str
        Who enters it.
    """

    fields: dict[str, Any]
    photos: tuple[IncomingPhoto, ...]
    person: str = ""

    @property
    def element(self) -> Element | None:
        """The element entered so far."""
        return self.fields.get("element") and Element(self.fields["element"])

    @property
    def standing(self) -> Standing | None:
        """The standing entered so far."""
        return self.fields.get("standing") and Standing(self.fields["standing"])

    def record(self, state: IntakeState = IntakeState.CONFIRMED) -> SpecimenRecord:
        """Return what is entered as a record; element and standing must be there."""
        fields = self.fields
        grounds = Basis(fields["basis"]) if fields["basis"] else None
        reference = fields["reference"].strip()
        return SpecimenRecord(
            name=fields["name"].strip(),
            element=Element(fields["element"]),
            standing=Standing(fields["standing"]),
            state=state,
            marque=fields["marque"] or None,
            edition=fields["edition"] or None,
            origin=fields["origin"] or None,
            provenance=Provenance(
                source=fields["source"] or None,
                confirmed_by=fields["confirmed_by"] or None,
                confirmed_on=fields["confirmed_on"],
                basis=grounds.with_reference(reference) if grounds else reference or None,
            ),
            serials=tuple(serials_of(fields["serials"])),
            notes=fields["notes"] or None,
        )


def draft_id() -> str:
    """Return the identifier of the draft on the page; it is begun with what is entered first."""
    return st.session_state.setdefault(DRAFT, new_draft_id())


def current_draft(library: Library) -> Draft | None:
    """Return the draft on the page, if it has been begun."""
    try:
        draft = library.drafts.get(draft_id())
    except RecordNotFound:
        return None
    st.session_state[BEGUN] = draft.draft_id
    return draft


def leave_what_is_gone(library: Library) -> None:
    """Begin afresh where another session has entered the draft on the page or given it up."""
    if current_draft(library) is None and st.session_state.get(BEGUN) == draft_id():
        st.session_state[DRAFT] = new_draft_id()
        st.info(GONE)


def keep(
    library: Library, draft: Draft | None, fields: dict[str, Any], photos: tuple[DraftPhoto, ...]
) -> None:
    """Keep what stands on the page, so that it outlives the browser.

    Another session may work on the same draft: only what changed on this page is written, and
    what changed on the other is shown.
    """
    if draft is None:
        if not any(fields.values()):
            return
        draft = begin_draft(library)
    saved = library.drafts.save(draft.draft_id, fields, photos, since=_as_drawn(draft))
    st.session_state[DRAWN] = saved
    if not saved.photos and not any(saved.fields.values()):
        library.drafts.discard(draft.draft_id)
        st.session_state.pop(BEGUN, None)
    elif saved.photos != photos or any(
        saved.fields.get(name) != value for name, value in fields.items()
    ):
        st.session_state[TIMES] = st.session_state.get(TIMES, 0) + 1
        st.rerun()
    if len(photos) != len(draft.photos):
        st.rerun()


def _as_drawn(draft: Draft) -> Draft:
    """Return a draft as this page drew it last; what is drawn for the first time, as it is now."""
    drawn = st.session_state.get(DRAWN)
    if drawn is None or drawn.draft_id != draft.draft_id:
        return draft
    before = {photo.sha256: photo for photo in drawn.photos}
    photos = tuple(before.get(photo.sha256, photo) for photo in draft.photos)
    return replace(drawn, photos=photos)


def begin_draft(library: Library) -> Draft:
    """Begin the draft on the page."""
    by = library.person.name if library.person else NOT_NAMED
    return library.drafts.begin(by=by, draft_id=draft_id())


def _key(name: str) -> str:
    # Another draft gives every field another key, so that it begins with what it holds.
    return f"entry-{draft_id()}-{name}"


def _field_key(name: str) -> str:
    # So does another session's change of this draft; a file on its way must not be lost by it.
    return f"{_key(name)}-{st.session_state.get(TIMES, 0)}"


def offer_drafts(library: Library) -> None:
    """Offer what was begun and not saved yet."""
    others = [draft for draft in library.drafts.all() if draft.draft_id != draft_id()]
    if not others:
        return
    with st.expander(f"Begun and not saved ({len(others)})", icon=":material/edit_note:"):
        for draft in others:
            name = draft.fields.get("name") or "without a name"
            when = minute(draft.changed_at)
            with st.container(horizontal=True, vertical_alignment="center"):
                by = "" if draft.by == NOT_NAMED else f", by {plain(draft.by)}"
                st.markdown(
                    f"**{plain(name)}**, {counted(len(draft.photos), 'photo')}{by}, {when} UTC"
                )
                st.button(
                    "Go on", key=f"go-{draft.draft_id}", on_click=_open, args=(draft.draft_id,)
                )
                st.button(
                    "Give up",
                    key=f"drop-{draft.draft_id}",
                    on_click=library.drafts.discard,
                    args=(draft.draft_id,),
                )


def _open(other: str) -> None:
    st.session_state[DRAFT] = other


def take_photos(library: Library) -> None:
    """Offer every way to hand in photos; each is kept in the draft at once."""
    count = st.session_state.get(_key("taken"), 0)
    files = st.file_uploader(
        "Photos of this one specimen. On a phone this also opens the camera.",
        type=TYPES,
        accept_multiple_files=True,
        key=_key(f"files-{count}"),
        help="JPEG, PNG, TIFF, WebP or HEIC, up to 80 MB each. They are kept at once, so you can "
        "close the page and go on later.",
    )
    shot = None
    # The camera asks for leave as soon as it is on the page, so it waits to be asked for.
    if st.toggle("Use this computer's camera", key=_key("camera-on")):
        shot = st.camera_input(
            "Fill the frame with the item, flat and without glare", key=_key(f"camera-{count}")
        )
    handed = [(file.name, file.getvalue()) for file in (*files, *([shot] if shot else []))]
    if handed:
        left_out = _take_in(library, handed)
        st.session_state[_key("taken")] = count + 1
        st.session_state[LEFT_OUT] = left_out
        st.rerun()
    for name, why in st.session_state.get(LEFT_OUT, ()):
        st.error(f"{plain(name)}: {plain(why)} This file is left out.")


def _take_in(library: Library, handed: Sequence[tuple[str, bytes]]) -> list[tuple[str, str]]:
    left_out = []
    for name, data in handed:
        try:
            decode_photo(data)
            if current_draft(library) is None:
                begin_draft(library)
            library.drafts.take_in(draft_id(), data, name)
        except LoupebookError as error:
            left_out.append((name, str(error)))
    return left_out


@st.cache_resource(show_spinner=False, max_entries=256)
def _looked_at(
    sha256: str,  # noqa: ARG001 (part of the cache key)
    px_per_mm: float | None,
    lighting: Lighting,
    _data: bytes,
) -> tuple[NDArray[np.uint8], tuple[int, int], PhotoCheck]:
    photo = decode_photo(_data)
    check = check_photo(photo.pixels, px_per_mm=px_per_mm, decoded=photo, lighting=lighting)
    height, width = photo.pixels.shape[:2]
    return resize_to_fit(photo.pixels, 480), (width, height), check


def show_photos(library: Library, draft: Draft | None) -> tuple[tuple[DraftPhoto, bytes], ...]:
    """Show each photo of the draft with its view, lighting, scale and advice; return them read."""
    shown = []
    for number, photo in enumerate(draft.photos if draft else ()):
        with st.container(border=True):
            described = _describe(library, photo, number)
        if described is not None:
            shown.append(described)
    return tuple(shown)


def _describe(library: Library, photo: DraftPhoto, number: int) -> tuple[DraftPhoto, bytes] | None:
    mark = photo.sha256[:12]
    data = library.drafts.photo_bytes(draft_id(), photo.sha256)
    picture, form, advice = st.columns([4, 4, 4], gap="medium")
    with form:
        view = st.selectbox(
            "View",
            list(View),
            index=list(View).index(photo.view),
            format_func=VIEW.__getitem__,
            key=_field_key(f"view-{mark}"),
        )
        lighting = st.selectbox(
            "Lighting",
            list(Lighting),
            index=list(Lighting).index(photo.lighting),
            format_func=LIGHTING.__getitem__,
            key=_field_key(f"lighting-{mark}"),
        )
        px_per_mm = st.number_input(
            "Scale, px per mm",
            min_value=0.1,
            value=photo.px_per_mm,
            placeholder="if known",
            key=_field_key(f"scale-{mark}"),
            help="How many pixels one millimetre on the item takes; measure on a ruler "
            "laid beside the item.",
        )
        removed = st.button("Remove", key=_key(f"remove-{mark}"), icon=":material/delete:")
        say_uv(lighting)
    try:
        small, (width, height), check = _looked_at(photo.sha256, px_per_mm, lighting, data)
    except PhotoError as error:
        st.error(f"{plain(photo.file_name)}: {plain(str(error))}")
        return None
    with picture:
        card = {
            "key": str(number),
            "standing": "photo",
            "word": f"Photo {number + 1}",
            "name": photo.file_name,
            "facts": [f"{width} × {height} px"],
            "url": served_pixels(small, f"entry-{mark}", longest=480),
        }
        show_plates([card], label=f"Photo {number + 1}", key=_key(f"plate-{mark}"))
    with advice:
        show_advice(check, key=_key(f"advice-{mark}"), poor=POOR)
    if removed:
        return None
    return replace(photo, view=view, lighting=lighting, px_per_mm=px_per_mm), data


def read_fields(library: Library, draft: Draft | None) -> dict[str, Any]:
    """Offer the fields of the record, filled with what the draft holds."""
    held = dict(draft.fields) if draft else {}
    overview = overview_of(library)
    st.subheader("2. The specimen")
    fields: dict[str, Any] = {}
    one, two = st.columns(2)
    with one:
        fields["name"] = st.text_input(
            "Name of the specimen *",
            held.get("name", ""),
            key=_field_key("name"),
            help="Unique, for example BAND-0001. It cannot be changed later.",
        )
        fields["standing"] = _one_of(
            "Standing *", Standing, held, "standing", STANDING_WORDS.__getitem__
        )
        fields["marque"] = _known_or_new("Marque", overview.marques, held, "marque")
        fields["origin"] = _known_or_new("Print origin", overview.origins, held, "origin")
    with two:
        fields["element"] = _one_of("Element *", Element, held, "element", str.capitalize)
        fields["edition"] = _known_or_new("Edition", overview.editions, held, "edition")
        fields["serials"] = st.text_area(
            "Serial numbers",
            held.get("serials", ""),
            key=_field_key("serials"),
            height=100,
            placeholder="One a line, then where it was read:\nA 104882 | left",
        )
    st.subheader("3. How its standing is known")
    one, two = st.columns(2)
    with one:
        fields["basis"] = st.selectbox(
            "On what grounds",
            [str(one) for one in Basis],
            index=[str(one) for one in Basis].index(held["basis"]) if held.get("basis") else None,
            placeholder="choose",
            key=_field_key("basis"),
        )
        fields["reference"] = st.text_input(
            "Letter, receipt or file number", held.get("reference", ""), key=_field_key("reference")
        )
        fields["source"] = st.text_input(
            "Where it came from", held.get("source", ""), key=_field_key("source")
        )
    with two:
        fields |= _confirmed(library, held)
        fields["notes"] = st.text_area(
            "Notes", held.get("notes", ""), key=_field_key("notes"), height=100
        )
    return fields


def _confirmed(library: Library, held: dict[str, Any]) -> dict[str, str | None]:
    """Offer who has confirmed the standing, where that is not left to a second person."""
    if library.info().two_person:
        return {"confirmed_by": None, "confirmed_on": None}
    name = st.text_input(
        "Confirmed by", held.get("confirmed_by") or "", key=_field_key("confirmed_by")
    )
    day = held.get("confirmed_on")
    chosen = st.date_input(
        "Confirmed on",
        value=datetime.date.fromisoformat(day) if day else None,
        max_value=datetime.date.today(),
        key=_field_key("confirmed_on"),
    )
    return {"confirmed_by": name, "confirmed_on": chosen.isoformat() if chosen else None}


def _one_of(label: str, kind: Any, held: dict[str, Any], name: str, words: Any) -> str | None:
    options = list(kind)
    index = options.index(kind(held[name])) if held.get(name) else None
    chosen = st.radio(
        label, options, index=index, format_func=words, horizontal=True, key=_field_key(name)
    )
    return str(chosen) if chosen is not None else None


def _known_or_new(label: str, known: Sequence[str], held: dict[str, Any], name: str) -> str | None:
    options = list(known)
    value = held.get(name)
    if value and value not in options:
        options.append(value)
    return st.selectbox(
        label,
        options,
        index=options.index(value) if value else None,
        accept_new_options=True,
        placeholder="choose or type",
        key=_field_key(name),
    )


def ask_state(library: Library, draft: Draft | None) -> dict[str, bool]:
    """Offer to enter the specimen as proposed, where the set leaves that to who enters it.

    It is a field of the draft like all others: forgotten, it would be confirmed unasked.
    """
    if library.info().two_person:
        st.info("In this set a second person confirms what one has entered.")
        return {}
    state = st.radio(
        "Enter it as",
        list(STATE_WORDS),
        index=int(bool(draft and draft.fields.get("proposed"))),
        format_func=STATE_WORDS.__getitem__,
        key=_field_key("state"),
    )
    return {"proposed": state is IntakeState.PROPOSED}


def ask_to_save(library: Library, count: int) -> tuple[str, bool]:
    """Offer the button that saves; return who saves, and whether it was hit."""
    person = ask_name(library, "entry-person")
    label = f"Save with {counted(count, 'photo')}"
    wanted = st.button(label, type="primary", icon=":material/save:", disabled=not count)
    if not count:
        st.caption("Add at least one readable photo first.")
    return person, wanted


def save(library: Library, entry: Entry) -> None:
    """Save the specimen, or say what is missing."""
    needed = {
        "the name of the specimen": entry.fields["name"].strip(),
        "its element": entry.element,
        "its standing": entry.standing,
        "your name": entry.person,
    }
    missing = [what for what, value in needed.items() if not value]
    if missing:
        st.error(f"Still missing: {', '.join(missing)}.")
        return
    # Where it was not asked, a second person confirms.
    waits = library.info().two_person or entry.fields.get("proposed", True)
    state = IntakeState.PROPOSED if waits else IntakeState.CONFIRMED
    try:
        report = library.add_specimen(entry.record(state), entry.photos, by=entry.person)
    except LoupebookError as error:
        st.error(plain(str(error)))
        return
    name = entry.fields["name"].strip()
    st.session_state[REPORT] = (name, report)
    if report.ok:
        library.drafts.discard(draft_id())
        st.session_state[DRAFT] = new_draft_id()
        st.session_state.pop(LEFT_OUT, None)
    st.rerun()


def serials_of(text: str) -> list[Serial]:
    """Read serials, one a line, each with its place after a bar."""
    serials = []
    for line in text.splitlines():
        value, _, place = (part.strip() for part in line.partition("|"))
        if value:
            serials.append(Serial(value, place or None))
    return serials


def show_report(library: Library) -> None:
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
    waits = ""
    if report.ok and library.specimen(name).state is IntakeState.PROPOSED:
        waits = " It waits for a second person on the page *Confirm*."
    box(f"**{plain(name)}**: {', '.join(done)}.{waits}")
    for fault in (*report.faults, *report.remarks):
        st.markdown(f"- {plain(str(fault))}")
