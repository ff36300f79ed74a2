"""Add specimens: photos with how they were taken, the record, what lies near, then save."""

from __future__ import annotations

import streamlit as st

from parts.current_set import open_set, say_no_set
from parts.entry import offer_photos, read_record, save, show_report
from parts.neighbours import show_neighbours
from parts.words import NOT_SAID

MANIFEST_HEADER = (
    "path,specimen,element,marque,edition,standing,origin,view,lighting,"
    "source,confirmed_by,confirmed_on,serial,notes"
)


def add_specimens() -> None:
    st.title("Add specimens")
    library = open_set()
    if library is None:
        return say_no_set()
    st.markdown(
        "One specimen is one physical object whose standing is known. Only add what has been "
        "confirmed, and say by whom and on what grounds: every later answer rests on it."
    )
    show_report()
    photos = offer_photos()
    left, right = st.columns([5, 4], gap="large")
    with left:
        draft = read_record(library, photos)
    with right:
        show_neighbours(library, photos, draft.standing)
    if draft.wanted:
        save(library, draft, photos)
    with st.expander("Many specimens at once", icon=":material/table:"):
        st.markdown(
            "Put the photos in a folder beside a CSV file with this header, then let the command "
            "line add them. Only the first, `specimen`, `element` and `standing` are required; "
            "`--dry-run` only checks, and running it twice adds nothing twice."
        )
        st.code(MANIFEST_HEADER, language="csv", wrap_lines=True)
        st.code(
            f"loupebook add photos --manifest manifest.csv --set '{library.folder.name}' --dry-run",
            language="bash",
        )
    st.markdown(NOT_SAID)
    return None


add_specimens()
