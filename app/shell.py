"""The frame of every page, and the list of pages; ``main.py`` serves it."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

import streamlit as st

from loupebook.errors import LoupebookError
from parts.current_set import faults_shown, open_set
from parts.masthead import show_masthead
from parts.persons import ask_to_log_in, login_wanted, show_person

HERE = Path(__file__).parent

st.set_page_config(page_title="Loupebook", page_icon=str(HERE / "mark.svg"), layout="wide")
library = None
# The page meets the same fault again and shows it, once.
with suppress(LoupebookError):
    library = open_set()
if library is None and login_wanted():
    show_masthead(None)
    ask_to_log_in()
    st.stop()
PAGES = (
    ("examine", "Examine", "search", "search"),
    ("examinations", "Examinations", "folder", "search"),
    ("library", "Library", "grid_view", "look"),
    ("points", "Points", "my_location", "look"),
    ("sheets", "Sheets", "print", "search"),
    ("practice", "Practice", "school", "practise"),
    ("add_specimens", "Add specimens", "add_a_photo", "add"),
    ("confirm", "Confirm", "verified_user", "confirm"),
    ("set_report", "Set report", "fact_check", "look"),
    ("upkeep", "The set", "inventory_2", "look"),
)
page = st.navigation(
    [
        st.Page(f"views/{file}.py", title=title, icon=f":material/{icon}:", default=not number)
        for number, (file, title, icon, action) in enumerate(PAGES)
        if library is None or library.may(action)
    ],
    position="top",
)
show_masthead(library)
if library is not None:
    show_person(library)
with faults_shown():
    page.run()
