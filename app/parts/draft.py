"""What is typed for an examination before it is saved: it belongs to the photo, not to the page."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

if TYPE_CHECKING:
    from collections.abc import Mapping

TITLE, NOTES = "title", "notes"


def draft_key(what: str, photo: str) -> str:
    """Return the key of the field in which this is typed for a photo."""
    return f"exam-{what}-{photo[:16]}"


def draft_of(photo: str) -> dict[str, str]:
    """Return what has been typed for a photo so far."""
    typed = {what: st.session_state.get(draft_key(what, photo)) for what in (TITLE, NOTES)}
    return {what: text for what, text in typed.items() if text}


def keep_draft(photo: str, draft: Mapping[str, str]) -> None:
    """Fill the fields of a photo, as they were left."""
    for what in (TITLE, NOTES):
        if draft.get(what):
            st.session_state[draft_key(what, photo)] = draft[what]
