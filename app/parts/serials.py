"""Serial numbers of the item in question: typed once a place, held against each other."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from loupebook.library import Standing, read_barcodes, serials_agree
from parts.words import STANDING, plain

if TYPE_CHECKING:
    from loupebook.library import Library, SearchReport, SerialHolder

PLACES = ("left", "right", "crest", "elsewhere")
READ = "serials-read"
RULE = (
    "Type each number as it is printed, once for each place where it stands. On one item every "
    "copy must agree; a crest may show a part of the number."
)
NOT_OURS = (
    "Whether a number was ever given out is for the rights holder's own service to say. A number "
    "that stands on another item, or on a known fake, is a finding all the same."
)


def show_serials(library: Library, report: SearchReport, photo: str) -> None:
    """Offer a field for each place, and say what the numbers tell.

    Parameters
    ----------
    library : Library
        The open set.
    report : SearchReport
        The answer on show, for its barcodes.
    photo : str
        Hash of the query; the numbers belong to it.
    """
    with st.expander("Serial numbers", icon=":material/tag:"):
        st.markdown(RULE)
        kept = serials_of(photo)
        columns = st.columns(len(PLACES))
        read = {
            place: column.text_input(
                place.capitalize(),
                kept.get(place, ""),
                key=f"serial-{photo[:16]}-{place}",
                max_chars=60,
                autocomplete="off",
            ).strip()
            for place, column in zip(PLACES, columns, strict=True)
        }
        keep_serials(photo, {place: value for place, value in read.items() if value})
        _offer_barcodes(report)
        if not any(read.values()):
            return
        agreement = serials_agree(read)
        if agreement.agree is False:
            st.error(plain(agreement.says), icon=":material/warning:")
        else:
            st.info(plain(agreement.says), icon=":material/done_all:")
        for value in dict.fromkeys(filter(None, read.values())):
            _say_holders(value, library.reference_serials(value))
        st.caption(NOT_OURS)


def serials_of(photo: str) -> dict[str, str]:
    """Return the numbers typed for a query so far: place to number."""
    found: dict[str, str] = st.session_state.get(READ, {}).get(photo, {})
    return found


def keep_serials(photo: str, read: dict[str, str]) -> None:
    """Keep numbers for a query, as typed or restored."""
    st.session_state[READ] = {**st.session_state.get(READ, {}), photo: read}


def _offer_barcodes(report: SearchReport) -> None:
    if not st.button("Look for a barcode in the photo", icon=":material/barcode_scanner:"):
        return
    found = read_barcodes(report.query_pixels)
    if not found:
        st.markdown("No barcode could be read.")
    for kind, value in found:
        st.markdown(f"Barcode ({plain(kind)}): **{plain(value)}**")


def _say_holders(value: str, holders: list[SerialHolder]) -> None:
    if not holders:
        st.markdown(f"**{plain(value)}** stands on no specimen of this set.")
    for holder in holders:
        place = f", {plain(holder.place)}" if holder.place else ""
        text = (
            f"**{plain(value)}** stands in this set already: specimen **{plain(holder.specimen)}**"
            f"{place}, {STANDING[holder.standing].lower()} ({holder.state})."
        )
        if holder.standing is Standing.FAKE:
            st.error(text, icon=":material/dangerous:")
        else:
            st.warning(
                f"{text} Two items cannot bear one number: is it the same item?",
                icon=":material/content_copy:",
            )
