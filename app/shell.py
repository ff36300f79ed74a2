"""The frame of every page, and the list of pages; ``main.py`` serves it."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

import streamlit as st

from loupebook.errors import LoupebookError
from parts.current_set import faults_shown, open_set
from parts.masthead import show_masthead

HERE = Path(__file__).parent
STYLE = (HERE / "parts" / "web" / "page.css").read_text(encoding="utf-8")

st.set_page_config(page_title="Loupebook", page_icon=str(HERE / "mark.svg"), layout="wide")
st.html(f"<style>{STYLE}</style>")
page = st.navigation(
    [
        st.Page("views/examine.py", title="Examine", icon=":material/search:", default=True),
        st.Page("views/library.py", title="Library", icon=":material/grid_view:"),
        st.Page("views/add_specimens.py", title="Add specimens", icon=":material/add_a_photo:"),
    ],
    position="top",
)
library = None
# The page meets the same fault again and shows it, once.
with suppress(LoupebookError):
    library = open_set()
show_masthead(library)
with faults_shown():
    page.run()
