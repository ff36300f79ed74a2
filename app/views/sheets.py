"""Sheets: comparison pages to print, previewed first, kept and made again."""

from __future__ import annotations

import streamlit as st

from parts.current_set import open_set, overview_of, say_empty_set, say_no_set
from parts.sheeting import choose_sheet, show_kept, show_preview

HOW = (
    "A sheet puts references side by side in one frame, at a true scale with a scale bar, to "
    "be printed at 100\u00a0%. It shows what is known of references; it says nothing about any "
    "item held beside it."
)


def sheets() -> None:
    st.title("Sheets")
    library = open_set()
    if library is None:
        return say_no_set()
    if overview_of(library).specimens == 0:
        return say_empty_set()
    st.markdown(HOW)
    new, kept = st.tabs(["A new sheet", "Kept sheets"])
    with new:
        aside, main = st.container(key="sheet-desk").columns([2, 3], gap="medium")
        with aside:
            definition = choose_sheet(library)
        with main:
            if definition is not None:
                show_preview(library, definition)
    with kept:
        show_kept(library)
    return None


sheets()
