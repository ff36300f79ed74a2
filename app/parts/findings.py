"""Findings of a report: what was found, the photos it is about, and what mends it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from loupebook.errors import LoupebookError
from loupebook.library import Action, IntakeState
from parts.persons import ask_name
from parts.plates import photo_card, show_plates
from parts.progress import shown_progress
from parts.words import plain

if TYPE_CHECKING:
    from loupebook.library import Finding, Library, Section

PAGE = 8
MOST_PHOTOS = 4
MOST_LINKS = 6

DOES = {
    Action.OPEN_PAIR: "Lay the photos side by side and decide.",
    Action.MERGE: "If it is one object, keep one specimen and withdraw the other.",
    Action.WITHDRAW: "Withdraw what cannot be trusted; its record and photos stay.",
    Action.RE_PHOTOGRAPH: "Photograph it again.",
    Action.PHOTOGRAPH: "Photograph what is missing.",
    Action.COLLECT: "Collect specimens of this kind.",
    Action.CHECK_RECORD: "Check the record against its papers.",
    Action.REBUILD: "Make the derived files anew.",
    Action.NOTHING: "This report has done it.",
}
TAKES_OUT = frozenset({Action.OPEN_PAIR, Action.MERGE, Action.WITHDRAW, Action.CHECK_RECORD})
ADDS = frozenset({Action.RE_PHOTOGRAPH, Action.PHOTOGRAPH, Action.COLLECT})


def show_findings(library: Library, section: Section, *, key: str) -> None:
    """Show the findings of a section, the gravest first, a page at a time."""
    findings = section.findings
    if not findings:
        return
    pages = -(-len(findings) // PAGE)
    place = f"findings-{key}"
    page = min(st.session_state.get(place, 1), pages)
    first = (page - 1) * PAGE
    for number, finding in enumerate(findings[first : first + PAGE], start=first + 1):
        show_finding(library, number, finding, key=f"{key}-{number}")
    if pages > 1:
        st.pagination(pages, key=place, persist_state="session")


def show_finding(library: Library, number: int, finding: Finding, *, key: str) -> None:
    """Show one finding with its photos and what to do."""
    with st.container(border=True):
        st.markdown(f"**{number}.** {plain(finding.says)}")
        cards = [
            photo_card(library, photo, f"{key}-{photo}")
            for photo in finding.photos[:MOST_PHOTOS]
            if (finding.action not in ADDS or len(finding.photos) <= MOST_PHOTOS)
        ]
        if cards:
            show_plates(cards, label="Photos concerned", key=f"plates-{key}", least=230, tall=130)
        st.markdown(f"*To do: {finding.action}.* {DOES[finding.action]}")
        with st.container(horizontal=True):
            for name in finding.specimens[:MOST_LINKS]:
                st.page_link(
                    "views/library.py",
                    label=plain(name),
                    icon=":material/open_in_new:",
                    query_params={"specimen": name},
                )
            if finding.action in ADDS:
                st.page_link(
                    "views/add_specimens.py",
                    label="Add photos",
                    icon=":material/add_a_photo:",
                )
        if len(finding.specimens) > MOST_LINKS:
            st.caption(f"and {len(finding.specimens) - MOST_LINKS} more specimens")
        if finding.action in TAKES_OUT and finding.specimens:
            offer_withdrawal(library, finding, key=key)
        if finding.action is Action.REBUILD:
            offer_rebuild(library, key=key)


def offer_withdrawal(library: Library, finding: Finding, *, key: str) -> None:
    """Offer to take one of the specimens out of search."""
    # All of them, whatever has become of them: options that shrink would move the choice to
    # another specimen in the very run that takes it out.
    names = finding.specimens[:MOST_LINKS]
    gone = [name for name in names if not _is_searched(library, name)]
    if len(gone) == len(names):
        st.caption("None of these is searched any more.")
        return
    with st.expander("Withdraw one of them"), st.form(f"withdraw-{key}", border=False):
        if gone:
            st.caption(f"Not searched any more: {plain(', '.join(gone))}.")
        name = st.selectbox("Specimen", names, index=None, placeholder="choose", key=f"which-{key}")
        reason = st.text_input("Reason *", f"set report: {finding.kind}", key=f"reason-{key}")
        person = ask_name(library, f"person-{key}")
        if not st.form_submit_button("Withdraw"):
            return
        if name is None or not person or not reason.strip():
            st.error("Choose the specimen, give your name and the reason.")
            return
        if name in gone:
            st.error(f"{plain(name)} is not searched any more; nothing was changed.")
            return
        try:
            library.withdraw(name, by=person, reason=reason.strip())
        except LoupebookError as error:
            st.error(plain(str(error)))
            return
    st.rerun()


def _is_searched(library: Library, name: str) -> bool:
    return library.specimen(name).state is IntakeState.CONFIRMED


def offer_rebuild(library: Library, *, key: str) -> None:
    """Offer to make the derived files anew."""
    if st.button("Rebuild", key=f"rebuild-{key}", icon=":material/restart_alt:"):
        with shown_progress() as progress:
            made = library.rebuild(progress=progress)
        if made.ok:
            st.success("All derived files are made anew.")
        else:
            st.warning("Some photos failed; `loupebook verify` lists them.")
