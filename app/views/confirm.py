"""Confirm: what others have entered waits here for a second person."""

from __future__ import annotations

import streamlit as st

from parts.confirming import show_waiting
from parts.current_set import open_set, say_no_set


def confirm() -> None:
    st.title("Confirm")
    library = open_set()
    if library is None:
        return say_no_set()
    st.markdown(
        "A specimen is searched only once its standing is confirmed. Look at its photos, at the "
        "record and at what lies near it, then say on what grounds you confirm it."
    )
    return show_waiting(library)


confirm()
