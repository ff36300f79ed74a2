"""Checking a set, and saying who may do what in it."""

from __future__ import annotations

import datetime
from typing import TYPE_CHECKING

import streamlit as st

from loupebook.errors import LoupebookError
from loupebook.library import ACTIONS, Role
from parts.persons import ask_name
from parts.progress import shown_progress
from parts.words import plain

if TYPE_CHECKING:
    from loupebook.library import Library

CHECKED = "set-checked"


def offer_verify(library: Library) -> None:
    """Offer to check every photo, record and line of the log."""
    st.markdown(
        "Every photo is read and hashed, the log is followed from its first line, and every "
        "record is held to the last line about it."
    )
    head = st.text_input(
        "Head of the log, as you wrote it down earlier",
        placeholder="64 letters and digits, if you have one",
        help="Only a head kept outside the set shows whether the whole log was rewritten.",
    ).strip()
    info = library.info()
    about = (info.set_id, info.change_counter, head)
    if st.button("Check the set", icon=":material/fact_check:"):
        with shown_progress() as progress:
            check = library.verify(known_head=head or None, progress=progress)
        at = f"{datetime.datetime.now(datetime.UTC):%Y-%m-%d %H:%M} UTC"
        st.session_state[CHECKED] = (about, at, check)
    if CHECKED not in st.session_state:
        return
    checked, at, check = st.session_state[CHECKED]
    if checked != about:
        st.caption(f"The check of {at} was of another state of the set, or of another head.")
        return
    st.caption(f"Checked {at}. What happens to files later shows at the next check.")
    if check.ok:
        st.success("Sound: nothing is missing, altered or damaged.", icon=":material/verified:")
        if not check.fresh:
            st.info(
                "What search has made of the records is behind them, as after every addition; the "
                "next search brings it up to date.",
                icon=":material/update:",
            )
    elif check.records.ok and not check.examinations:
        st.warning(
            "Records, log and photos are sound. What search has made of them is damaged; a rebuild "
            "mends that.",
            icon=":material/update:",
        )
    else:
        st.error("Not sound; see below.", icon=":material/gpp_bad:")
    for line in check.lines()[:-1]:
        st.markdown(f"- {plain(line)}")


def offer_people(library: Library) -> None:
    """Show who may do what, and offer to change it."""
    people = library.people()
    if people:
        st.dataframe(
            [
                {
                    "name": one.name,
                    "logs in by": one.identity,
                    "roles": ", ".join(sorted(one.roles)) or "none: locked out",
                }
                for one in people
            ],
            hide_index=True,
        )
    else:
        st.markdown(
            "Nobody is listed: whoever can open the set's folder may do everything. For a team, "
            "list its members here, then configure its login."
        )
    with st.form("people", border=False, clear_on_submit=True):
        name = st.text_input("Name", help="What this person's changes are signed with.").strip()
        identity = st.text_input(
            "Logs in by", help="The verified e-mail address, or the subject of the provider."
        ).strip()
        roles = st.multiselect("Roles", list(Role), format_func=str, help="None locks out.")
        person = ask_name(library, "people-person")
        wanted = st.form_submit_button("Enter or change")
    if wanted:
        try:
            library.set_person(name, identity=identity, roles=roles, by=person)
        except LoupebookError as error:
            st.error(plain(str(error)))
        else:
            st.rerun()
    with st.expander("What each role may do"):
        st.dataframe(
            [
                {"action": action, **{str(role): "yes" if role in roles else "" for role in Role}}
                for action, roles in ACTIONS.items()
            ],
            hide_index=True,
        )
