"""The set: hand it on, take another one in, check it, and say who may do what."""

from __future__ import annotations

import streamlit as st

from parts.current_set import open_set, say_no_set
from parts.exchanging import offer_export, offer_import
from parts.upkeep import offer_people, offer_verify


def keep_set() -> None:
    st.title("The set")
    library = open_set()
    if library is None:
        return say_no_set()
    offers = {
        "Hand on": ("export", offer_export),
        "Take in": ("import", offer_import),
        "Check": ("verify", offer_verify),
        "People": ("people", offer_people),
    }
    allowed = {name: offer for name, (action, offer) in offers.items() if library.may(action)}
    if not allowed:
        st.markdown("Your roles leave nothing to do here.")
        return None
    for tab, offer in zip(st.tabs(list(allowed)), allowed.values(), strict=True):
        with tab:
            offer(library)
    return None


keep_set()
