"""Practice: judge unlabelled references, see the answer in one frame, know how good you are."""

from __future__ import annotations

import streamlit as st

from parts.current_set import open_set, overview_of, say_empty_set, say_no_set
from parts.practising import ON_REFERENCES, SITTING, make_round, offer_rounds, show_results


def practise() -> None:
    st.title("Practice")
    library = open_set()
    if library is None:
        return say_no_set()
    if overview_of(library).specimens == 0:
        return say_empty_set()
    if st.session_state.get(SITTING) is not None:
        # Nothing but the question: results beside it would give answers away.
        return offer_rounds(library)
    st.markdown(ON_REFERENCES)
    names = ["Take a round", "Results"] + ["Make a round"] * library.may("teach")
    tabs = dict(zip(names, st.tabs(names), strict=True))
    with tabs["Take a round"]:
        offer_rounds(library)
    with tabs["Results"]:
        show_results(library)
    if "Make a round" in tabs:
        with tabs["Make a round"]:
            make_round(library)
    return None


practise()
