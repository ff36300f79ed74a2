"""Library: browse and filter the set, open a specimen, withdraw or reinstate it."""

from __future__ import annotations

import streamlit as st

from loupebook.errors import RecordNotFound
from loupebook.library import Element, IntakeState, Library, Lighting
from parts.correcting import last_line
from parts.current_set import open_set, overview_of, say_empty_set, say_no_set
from parts.plates import show_plates, specimen_card
from parts.searching import say_uv
from parts.specimen import show_specimen
from parts.words import LIGHTING, STANDING, counted

PAGE = 24
OPENED = "specimen"


def browse_library() -> None:
    st.title("Library")
    library = open_set()
    if library is None:
        return say_no_set()
    name = st.query_params.get(OPENED)
    if name is not None:
        return open_one(library, name)
    overview = overview_of(library)
    if overview.specimens + overview.proposed + overview.withdrawn == 0:
        return say_empty_set()
    return browse(library)


def open_one(library: Library, name: str) -> None:
    st.button("Back to the list", icon=":material/arrow_back:", on_click=back_to_list)
    line = last_line(library, name)
    try:
        specimen = library.specimen(name)
    except RecordNotFound:
        st.warning("There is no specimen of that name in this set.")
        return
    show_specimen(library, specimen, line)


def browse(library: Library) -> None:
    wanted = choose_filters(library)
    total = library.count_specimens(**wanted)
    if total == 0:
        st.warning("No specimen passes these filters.", icon=":material/filter_alt_off:")
        st.button("Clear all filters", on_click=clear_filters)
        return
    pages = -(-total // PAGE)
    if st.session_state.get("library-page", 1) > pages:
        st.session_state["library-page"] = 1
    page = st.session_state.get("library-page", 1)
    first = (page - 1) * PAGE
    specimens = library.specimens(**wanted, offset=first, limit=PAGE)
    st.caption(f"{counted(total, 'specimen')}, showing {first + 1} to {first + len(specimens)}")
    with st.spinner("Fetching pictures…"):
        cards = [specimen_card(library, specimen, "shelf") for specimen in specimens]
    show_plates(cards, label="Specimens", key="shelf", on_choose=open_from_list)
    if pages > 1:
        st.pagination(pages, key="library-page", persist_state="session")


def open_from_list(name: str) -> None:
    st.query_params[OPENED] = name


def back_to_list() -> None:
    st.query_params.pop(OPENED, None)


FILTERS = ("text", "element", "standing", "marque", "edition", "origin", "lighting", "state")


def choose_filters(library: Library) -> dict[str, object]:
    overview = overview_of(library)
    text = st.text_input(
        "Search the records",
        key="library-text",
        persist_state="session",
        placeholder="name, marque, edition, origin, serial, source or notes",
        icon=":material/search:",
    )
    chosen: dict[str, object] = {"text": text or None}
    with st.expander("Filters", icon=":material/filter_alt:"):
        columns = st.columns(4)
        options: dict[str, dict[object, str]] = {
            "element": {one: str(one) for one in Element},
            "standing": dict(STANDING),
            "marque": {one: one for one in overview.marques},
            "edition": {one: one for one in overview.editions},
            "origin": {one: one for one in overview.origins},
            "lighting": {one: LIGHTING[one] for one in Lighting},
            "state": {one: str(one) for one in IntakeState},
        }
        labels = {"origin": "Print origin"}
        for number, (name, words) in enumerate(options.items()):
            if st.session_state.get(f"library-{name}") not in (None, *words):
                st.session_state[f"library-{name}"] = None
            chosen[name] = columns[number % 4].selectbox(
                labels.get(name, name.capitalize()),
                [None, *words],
                format_func=lambda option, words=words: "any" if option is None else words[option],
                key=f"library-{name}",
                # A specimen that is opened takes the list off the page; who comes back goes on.
                persist_state="session",
            )
        say_uv(st.session_state["library-lighting"])
    return chosen


def clear_filters() -> None:
    for name in FILTERS:
        st.session_state[f"library-{name}"] = "" if name == "text" else None


browse_library()
