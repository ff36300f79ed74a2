"""Handing a set on as a bag, and taking the bag of another library in."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

import streamlit as st

from loupebook.errors import BagRefused, LoupebookError
from loupebook.library import Element, ExportOptions, Fate, Standing
from parts.current_set import overview_of
from parts.persons import ask_name
from parts.progress import shown_progress
from parts.words import counted, plain, refused

if TYPE_CHECKING:
    from loupebook.library import ImportReport, Library

BAG = "bag-made"
TAKEN = "bag-taken-in"
MOST_SHOWN = 100


def offer_export(library: Library) -> None:
    """Offer to make a bag of the set or a part of it, and to download it."""
    st.markdown(
        "A bag (BagIt, RFC 8493) holds photos, records, points of comparison and a card of the "
        "set. Another library can take it in, and notice if a single byte of it was changed."
    )
    with st.form("export", border=False):
        filters = _filters(library)
        licence = st.text_input("What others may do with it", placeholder="a licence, in words")
        publisher = st.text_input("Who answers for it", placeholder="you, if left empty")
        keep = st.checkbox(
            "Leave place, time and other metadata in the photos",
            help="Otherwise they are removed; the pictures stay as they are.",
        )
        person = ask_name(library, "export-person")
        wanted = st.form_submit_button("Make the bag", icon=":material/inventory_2:")
    if wanted:
        _make(library, person, ExportOptions(filters, licence or None, publisher or None, keep))
    made = st.session_state.get(BAG)
    if made is not None:
        name, data, says = made
        st.success(plain(says))
        st.download_button(
            f"Download {name} ({len(data) / 2**20:.1f} MB)",
            data,
            file_name=name,
            mime="application/zip",
            icon=":material/download:",
            on_click="ignore",
        )


def _filters(library: Library) -> dict[str, str]:
    overview = overview_of(library)
    options = {
        "element": [str(one) for one in Element],
        "standing": [str(one) for one in Standing],
        "marque": list(overview.marques),
        "origin": list(overview.origins),
    }
    labels = {"origin": "Print origin"}
    chosen = {
        name: column.selectbox(
            labels.get(name, name.capitalize()),
            [None, *values],
            format_func=lambda one: "any" if one is None else one,
        )
        for column, (name, values) in zip(st.columns(4), options.items(), strict=True)
    }
    return {name: value for name, value in chosen.items() if value is not None}


def _make(library: Library, person: str, options: ExportOptions) -> None:
    st.session_state.pop(BAG, None)
    if not person:
        st.error("Give your name.")
        return
    try:
        st.session_state[BAG] = _bag(library, person, options)
    except LoupebookError as error:
        st.error(plain(str(error)))
    except OSError as error:
        st.error(plain(refused(error)))


def _bag(library: Library, person: str, options: ExportOptions) -> tuple[str, bytes, str]:
    """Return the name of a bag of the set, the bag, and what is to be said of it."""
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "reference-set.zip"
        with shown_progress() as progress:
            report = library.export_bag(out, by=person, options=options, progress=progress)
        says = (
            f"{counted(report.specimens, 'specimen')}, {counted(report.photos, 'photo')} and "
            f"{counted(report.points, 'point')} are in the bag.{report.left_behind()}"
        )
        return out.name, out.read_bytes(), says


def offer_import(library: Library) -> None:
    """Offer to look into a bag and, if nothing conflicts, to take it in."""
    st.markdown(
        "The bag is checked to the last byte before anything is written, and taken in whole or "
        "not at all. Take one of more than 80 MB in with `loupebook import`."
    )
    file = st.file_uploader("Bag, packed as a ZIP file", type=["zip"], key="bag-file")
    # What follows stays while one file takes another's place, with what was typed there.
    one, two = st.columns(2)
    prefix = one.text_input(
        "Put before each name", help="Where names of theirs and of ours would clash."
    ).strip()
    leave_out = two.text_input(
        "Leave out", placeholder="names in the bag, with ; between", key="leave-out"
    )
    as_proposed = st.checkbox(
        "Let a person of this library confirm what the other has confirmed",
        value=library.info().two_person,
        disabled=library.info().two_person,
    )
    person = ask_name(library, "import-person")
    incomplete = file is None or not person
    with st.container(horizontal=True):
        look = st.button("Look into it", disabled=incomplete)
        take = st.button("Take it in", type="primary", disabled=incomplete)
    if file is not None and (look or take):
        st.session_state.pop(TAKEN, None)
        names = [name.strip() for name in leave_out.split(";") if name.strip()]
        try:
            report = _taken_in(
                library,
                file.getvalue(),
                by=person,
                dry_run=not take,
                prefix=prefix,
                leave_out=names,
                as_proposed=as_proposed,
            )
        except BagRefused as error:
            _show_refusal(error)
            return
        except LoupebookError as error:
            st.error(plain(str(error)))
            return
        except OSError as error:
            st.error(plain(refused(error)))
            return
        st.session_state[TAKEN] = (file.file_id, report)
        # The head of the page counts what the set holds, so it is drawn again.
        st.rerun()
    looked_into, report = st.session_state.get(TAKEN, (None, None))
    if report is not None and file is not None and file.file_id == looked_into:
        _show(report)


def _taken_in(library: Library, data: bytes, **how: Any) -> ImportReport:
    with tempfile.TemporaryDirectory() as folder:
        bag = Path(folder) / "bag.zip"
        bag.write_bytes(data)
        with st.spinner("Checking every byte…"), shown_progress() as progress:
            return library.import_bag(bag, progress=progress, **how)


def _show_refusal(error: BagRefused) -> None:
    st.error("**This bag is refused; nothing was written.**", icon=":material/block:")
    for line in str(error).splitlines()[:MOST_SHOWN]:
        st.markdown(f"- {plain(line)}")


def _show(report: ImportReport) -> None:
    source = f"From the set **{plain(report.set_name)}**: "
    counts = (
        f"{report.count(Fate.NEW)} specimens new, {report.count(Fate.EXTENDED)} known with more "
        f"to them, {report.count(Fate.SAME)} known as they are; "
        f"{counted(report.new_photos, 'photo')} new."
    )
    if report.conflicts:
        st.error(source + counts + " **Nothing was written**, because of these conflicts:")
        for one in report.conflicts[:MOST_SHOWN]:
            st.markdown(f"- **{plain(one.name_there)}**: {plain(one.conflict or '')}")
    elif report.done:
        st.success(source + counts)
    else:
        st.info(source + counts + " Nothing was written yet.")
    for note in report.notes()[:MOST_SHOWN]:
        st.markdown(f"- {plain(note)}")
