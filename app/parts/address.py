"""What the address of a page asks for; anybody may write anything there."""

from __future__ import annotations

import streamlit as st

# SQLite holds no number of twenty digits, and not every one of nineteen.
MOST_DIGITS = 18


def asked_number(parameter: str) -> int | None:
    """Return the number that a parameter of the address names; `None` where it names none."""
    asked = st.query_params.get(parameter, "")
    return int(asked) if asked.isdecimal() and len(asked) <= MOST_DIGITS else None
