"""Serial numbers of the item in question: typed once a place, held against each other."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from loupebook.library import (
    GIVEN_OUT,
    NumbersRead,
    Standing,
    barcode_words,
    holder_words,
    read_barcodes,
    serial_rows,
    serials_agree,
)
from parts.sheet import show_facts
from parts.words import plain

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from loupebook.library import ExaminationRecord, Library, SearchReport, SerialHolder

USUAL = ("left", "right", "crest")
"""Places to offer where the references on the desk do not name two."""
ELSEWHERE = "elsewhere"
MOST_PLACES = 5
MOST_LETTERS = 60
"""Of a number."""
READ = "serials-read"
RULE = (
    "Type each number as it is printed, once for each place where it stands. On one item the "
    "numbers must agree; a crest may show a part of the number. The places are those where the "
    "references on the desk bear theirs."
)
CODES = "barcodes"
NO_CODE = (
    "No barcode could be read in this photo. A closer, sharper photo square to the code, without "
    "glare, is read more often."
)


def show_serials(library: Library, report: SearchReport, photo: str, beside: Sequence[str]) -> None:
    """Offer a field for each place, and say what the numbers tell.

    Parameters
    ----------
    library : Library
        The open set.
    report : SearchReport
        The answer on show, for its barcodes.
    photo : str
        Hash of the query; the numbers belong to it.
    beside : sequence of str
        The specimens on the desk; where they bear numbers, so may the item.
    """
    with st.expander("Serial numbers", icon=":material/tag:", key="serial-panel"):
        st.markdown(RULE)
        kept = serials_of(photo)
        places = list(dict.fromkeys([*places_of(library, beside), *kept, ELSEWHERE]))
        read = _ask_numbers(places, kept, photo[:16])
        keep_serials(photo, {place: value for place, value in read.items() if value})
        _offer_barcodes(report, photo, read)
        if not any(read.values()):
            return
        agreement = serials_agree(read)
        if agreement.agree is False:
            st.error(plain(agreement.says), icon=":material/warning:")
        else:
            # Two ticks only where two were held against each other.
            held = "done_all" if agreement.agree else "info"
            st.info(plain(agreement.says), icon=f":material/{held}:")
        for part in agreement.parts:
            st.markdown(plain(part))
        for value in agreement.numbers:
            _say_holders(value, library.reference_serials(value))
        st.caption(GIVEN_OUT)


def places_of(library: Library, specimens: Sequence[str]) -> list[str]:
    """Return where specimens bear their numbers; where that is one place, the usual ones too."""
    borne = [
        serial.place
        for name in dict.fromkeys(specimens)
        for serial in library.specimen(name).serials
        if serial.place and serial.place != ELSEWHERE
    ]
    places = list(dict.fromkeys(borne))[:MOST_PLACES]
    # Numbers can be held against each other only where there are two.
    return places if len(places) > 1 else list(dict.fromkeys([*places, *USUAL]))


def serials_of(photo: str) -> dict[str, str]:
    """Return the numbers typed for a query so far: place to number."""
    found: dict[str, str] = st.session_state.get(READ, {}).get(photo, {})
    return found


def keep_serials(photo: str, read: dict[str, str]) -> None:
    """Keep numbers for a query, as typed or restored."""
    st.session_state[READ] = {**st.session_state.get(READ, {}), photo: read}


def barcodes_of(photo: str) -> list[tuple[str, str]] | None:
    """Return the barcodes read in a query: kind and digits; `None` where none were looked for."""
    found: list[tuple[str, str]] | None = st.session_state.get(CODES, {}).get(photo)
    return found


def keep_barcodes(photo: str, found: Sequence[Sequence[str]] | None) -> None:
    """Keep the barcodes of a query, as read or restored."""
    codes = None if found is None else [(kind, value) for kind, value in found]
    st.session_state[CODES] = {**st.session_state.get(CODES, {}), photo: codes}


def numbers_read(photo: str) -> NumbersRead:
    """Return what was read on the item so far, to be kept with an examination."""
    return NumbersRead.of(serials_of(photo), barcodes_of(photo))


def _offer_barcodes(report: SearchReport, photo: str, read: Mapping[str, str]) -> None:
    """Look for barcodes when asked to; what was found stays with its photo."""
    if st.button("Look for a barcode in the photo", icon=":material/barcode_scanner:"):
        keep_barcodes(photo, read_barcodes(report.query_pixels))
    found = barcodes_of(photo)
    if found is None:
        return
    if not found:
        st.markdown(NO_CODE)
    for kind, value in found:
        said = plain(barcode_words(kind, value, read))
        st.markdown(f"Barcode ({plain(kind)}): **{plain(value)}**. {said}")


def _say_holders(value: str, holders: list[SerialHolder]) -> None:
    for holder, says in holder_words(value, holders):
        text = f"**{plain(value)}**{plain(says.removeprefix(value))}"
        if holder is None:
            st.markdown(text)
        elif holder.standing is Standing.FAKE:
            st.error(text, icon=":material/dangerous:")
        else:
            st.warning(text, icon=":material/content_copy:")


def show_kept(record: ExaminationRecord) -> None:
    """Show what was read on the item of a saved examination, and what that said then."""
    rows = serial_rows(record.document)
    if rows is None:
        return
    key = f"exam-serials-{record.revision}"
    show_facts(list(rows), key=key, title="Serial numbers and barcodes")
    st.caption(GIVEN_OUT)


def ask_again(record: ExaminationRecord) -> NumbersRead:
    """Ask for the numbers of an examination, those on record filled in."""
    kept = NumbersRead.from_kept(record.document.get("serials"))
    read = dict(kept.serials)
    places = list(dict.fromkeys([*read, *(USUAL if len(read) < 2 else ()), ELSEWHERE]))
    st.markdown("**Serial numbers**")
    typed = _ask_numbers(places, read, f"{record.number}-{record.revision}")
    return NumbersRead.of(typed, kept.barcodes)


def _ask_numbers(places: Sequence[str], filled: Mapping[str, str], key: str) -> dict[str, str]:
    """Draw a field for each place, filled in where a number is known; return what is typed."""
    return {
        place: column.text_input(
            plain(place[:1].upper() + place[1:]),
            filled.get(place, ""),
            key=f"serial-{key}-{place}",
            max_chars=MOST_LETTERS,
            autocomplete="off",
        ).strip()
        for place, column in zip(places, st.columns(len(places)), strict=True)
    }
