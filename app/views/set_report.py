"""Set report: what is wrong with the set, and what mends it."""

from __future__ import annotations

import json

import streamlit as st

from loupebook.library import PRINTS, WORK_LIST, Library, SetReport, render_html, report_pdf
from parts.current_set import open_set, overview_of, say_empty_set, say_no_set
from parts.findings import show_findings
from parts.progress import shown_progress
from parts.report_figures import show_plots, show_tables
from parts.words import counted, plain

SECTION = "section"
JUST_MADE = "set-report-just-made"
# How long a print takes at first, on two cores: 188 photos took 12 minutes.
PRINT_SECONDS = 4


def report_on_set() -> None:
    st.title("Set report")
    library = open_set()
    if library is None:
        return say_no_set()
    if overview_of(library).specimens == 0:
        return say_empty_set()
    st.markdown(
        "How far this library may be trusted, and what to do about it. It speaks of the set and "
        "says nothing of any item that is put to it; a suspect is a question to a person, and "
        "nothing is changed before you change it."
    )
    report = report_at_hand(library)
    if report is None:
        return offer_to_make(library, "Make the report")
    if report.set_version != library.info().change_counter:
        st.warning("The set has changed since this report was made.", icon=":material/update:")
        offer_to_make(library, "Make it anew")
    show_report(library, report)
    return None


def report_at_hand(library: Library) -> SetReport | None:
    """Return the report of this session, or the one kept beside the set if it still fits."""
    place = place_of(library)
    held = st.session_state.get(place)
    if held is None:
        held = st.session_state[place] = library.kept_report()
    return held


def offer_to_make(library: Library, words: str) -> None:
    photos = overview_of(library).photos
    st.markdown(
        f"It compares {counted(photos, 'photo')} with one another. The first time takes minutes "
        "for some hundred photos; stopped half-way, it goes on where it stood."
    )
    if st.button(words, type="primary", icon=":material/fact_check:"):
        make(library)


def show_report(library: Library, report: SetReport) -> None:
    st.caption(plain(report.about_at(library.info().change_counter)))
    names = [WORK_LIST, *(name for name in report.sections if name != WORK_LIST)]
    labels = {name: label_of(report, name) for name in names}
    if (made := st.session_state.pop(JUST_MADE, None)) in names:
        st.session_state[SECTION] = made
        st.query_params[SECTION] = made
    name = st.pills(
        "Section",
        names,
        format_func=labels.__getitem__,
        default=asked if (asked := st.query_params.get(SECTION)) in names else WORK_LIST,
        required=True,
        key=SECTION,
        on_change=remember_section,
    )
    section = report.sections[name or WORK_LIST]
    st.header(section.title)
    st.markdown(plain(section.summary))
    show_findings(library, section, key=section.name)
    if section.name != WORK_LIST:
        show_tables(section)
    show_plots(section)
    if PRINTS not in report.sections:
        offer_prints(library)
    offer_files(library, report)


def make(library: Library, *, prints: bool = False) -> None:
    """Make the report, keep it for this session and show it."""
    with shown_progress() as progress:
        report = library.report(prints=prints, progress=progress)
    st.session_state[place_of(library)] = report
    st.rerun()


def place_of(library: Library) -> str:
    """Return where this session keeps the report of a set."""
    return f"set-report-{library.info().set_id}"


def offer_prints(library: Library) -> None:
    """Offer the part of the report that takes longest."""
    photos = overview_of(library).photos
    st.subheader("Prints held against each other")
    st.markdown(
        "Where an edition has two genuine specimens or more, each print of it can be laid over "
        "them as well, to find specimens whose standing may be wrong, and to learn what a "
        "detailed comparison is worth: on the desk of *Examine* it then comes with a figure. With "
        f"{counted(photos, 'photo')} the first time takes up to about "
        f"{counted(max(1, round(photos * PRINT_SECONDS / 60)), 'minute')}; stopped half-way, it "
        "goes on with the edition where it stood, and later only editions that changed are "
        "compared anew."
    )
    if st.button("Compare the prints", icon=":material/layers:", key="compare-prints"):
        st.session_state[JUST_MADE] = PRINTS
        make(library, prints=True)


def remember_section() -> None:
    st.query_params[SECTION] = st.session_state[SECTION]


def label_of(report: SetReport, name: str) -> str:
    section = report.sections[name]
    found = len(section.findings)
    return f"{section.title} ({found})" if found else section.title


def offer_files(library: Library, report: SetReport) -> None:
    """Offer the whole report on paper and for programs; made when asked for."""
    st.subheader("The whole report")
    stem = f"set-report-{report.set_version}"

    # The set may change between the drawing of the page and the press of a button.
    def page() -> bytes:
        change = library.info().change_counter
        return render_html(report, thumbnail=library.thumbnail, change=change).encode()

    def paper() -> bytes:
        return report_pdf(report, thumbnail=library.thumbnail, info=library.info())

    def data() -> bytes:
        return json.dumps(report.to_dict(), ensure_ascii=False, indent=1).encode()

    with st.container(horizontal=True):
        st.download_button("PDF", paper, f"{stem}.pdf", "application/pdf", on_click="ignore")
        st.download_button("Web page", page, f"{stem}.html", "text/html", on_click="ignore")
        st.download_button("JSON", data, f"{stem}.json", "application/json", on_click="ignore")


report_on_set()
