"""Many specimens at once: a folder with or without a manifest, checked first, then added."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING

import streamlit as st

from loupebook.errors import LoupebookError
from loupebook.library import Element, SpecimenRecord, Standing
from parts.persons import ask_name
from parts.progress import shown_progress
from parts.words import counted, plain, refused

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from loupebook.library import AddReport, Library

MANIFEST_HEADER = (
    "path,specimen,element,marque,edition,standing,origin,view,lighting,"
    "source,confirmed_by,confirmed_on,basis,serial,notes"
)
MOST_SHOWN = 200
REPORT = "batch-report"


@dataclass(frozen=True)
class Batch:
    """A folder of photos, and how it is entered; element and standing where no manifest says."""

    folder: Path
    person: str
    element: Element | None
    standing: Standing | None
    proposed: bool
    dry_run: bool


def offer_batch(library: Library) -> None:
    """Offer to check and to add a folder of photos."""
    st.markdown(
        "Choose a folder of photos. If it holds a `manifest.csv` with this header, every row is "
        "added as it says; only the first, `specimen`, `element` and `standing` are required."
    )
    st.code(MANIFEST_HEADER, language="csv", wrap_lines=True)
    files = st.file_uploader(
        "Folder of photos", accept_multiple_files="directory", key="batch-files"
    )
    path = None
    if library.person is None:  # whoever sits at this computer may read its folders anyway
        typed = st.text_input(
            "or a folder on this computer", key="batch-path", placeholder="/home/me/photos"
        ).strip()
        path = Path(typed).expanduser() if typed else None
    if not files and path is None:
        return
    with_manifest = (
        any(PurePosixPath(file.name).name == "manifest.csv" for file in files)
        if files
        else path is not None and (path / "manifest.csv").is_file()
    )
    element = standing = None
    if not with_manifest:
        st.markdown("There is no `manifest.csv`: each file is one specimen, named after it.")
        one, two = st.columns(2)
        element = one.radio("What they show", list(Element), index=None, horizontal=True)
        standing = two.radio("Their standing", list(Standing), index=None, horizontal=True)
    proposed = not library.info().two_person and st.checkbox(
        "Enter them as proposed: somebody else confirms them first", key="batch-proposed"
    )
    person = ask_name(library, "batch-person")
    ready = bool(person and (with_manifest or (element and standing)))
    with st.container(horizontal=True):
        check = st.button("Check only", disabled=not ready)
        add = st.button("Add them", type="primary", disabled=not ready)
    about = (str(path), [file.file_id for file in files], element, standing)
    if check or add:
        try:
            with tempfile.TemporaryDirectory() as held:
                folder = path or _laid_out(files, Path(held))
                batch = Batch(folder, person, element, standing, proposed, dry_run=not add)
                told = _run(library, batch)
        except OSError as error:
            told = refused(error)
        st.session_state[REPORT] = (about, told)
        # The head of the page counts what the set holds, so it is drawn again.
        st.rerun()
    kept, report = st.session_state.get(REPORT, (None, None))
    if kept != about:
        return
    if isinstance(report, str):
        st.error(plain(report))
    else:
        _show(report)


def _laid_out(files: Sequence[object], folder: Path) -> Path:
    """Lay uploaded files out as they lay on the other computer, names that lead out refused."""
    for file in files:
        parts = PurePosixPath(file.name.replace("\\", "/")).parts
        if any(part in ("..", "/") or ":" in part for part in parts):
            continue
        target = folder.joinpath(*parts)
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(file.getvalue())
    manifests = sorted(folder.rglob("manifest.csv"), key=lambda path: len(path.parts))
    return manifests[0].parent if manifests else folder


def _run(library: Library, batch: Batch) -> AddReport | str:
    """Check or add a batch; return what became of it, or why it cannot be begun."""
    try:
        with shown_progress() as progress:
            return _added(library, batch, progress)
    except LoupebookError as error:
        return str(error)


def _added(library: Library, batch: Batch, progress: Callable[[str, int, int], None]) -> AddReport:
    how = {
        "by": batch.person,
        "proposed": batch.proposed,
        "dry_run": batch.dry_run,
        "progress": progress,
    }
    manifest = batch.folder / "manifest.csv"
    if manifest.is_file():
        return library.add_manifest(manifest, **how)

    def specimen_for(stem: str) -> SpecimenRecord:
        return SpecimenRecord(stem, batch.element, batch.standing)

    return library.add_files([batch.folder], specimen_for, **how)


def _show(report: AddReport) -> None:
    counts = report.to_dict()
    verb = "would be added" if report.dry_run else "added"
    box = st.success if report.ok else st.warning
    box(
        f"{counted(counts['added'], 'photo')} {verb}, {counts['already_known']} already there, "
        f"{counts['failed']} left out; {counted(len(report.specimens), 'specimen')}. "
        "Stopped half-way, do it again: what is there already is passed over."
    )
    lines = [*report.faults, *report.remarks]
    for fault in lines[:MOST_SHOWN]:
        st.markdown(f"- {plain(str(fault))}")
    if len(lines) > MOST_SHOWN:
        st.caption(f"and {len(lines) - MOST_SHOWN:,} more; the command line lists them all.")
