"""Examinations: what was examined, as it was, and what today's set says of it."""

from __future__ import annotations

import streamlit as st

from parts.address import asked_number
from parts.current_set import open_set, say_no_set
from parts.examinations import OPENED, list_examinations, open_examination


def examinations() -> None:
    st.title("Examinations")
    library = open_set()
    if library is None:
        return say_no_set()
    number = asked_number(OPENED)
    if number is not None:
        return open_examination(library, number)
    st.markdown(
        "An examination keeps a photo, the answer to it and everything that it rests on, exactly "
        "as it was. It records a comparison, not what the item is."
    )
    return list_examinations(library)


examinations()
