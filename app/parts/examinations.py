"""Examinations: save one, open it as it was, mark, check, ask again, print."""

from __future__ import annotations

import json
import re
from concurrent.futures import wait
from typing import TYPE_CHECKING, Any

import streamlit as st

from loupebook.errors import LoupebookError, RecordNotFound, SetDamaged
from loupebook.library import (
    BEYOND,
    BEYOND_MEANS,
    RANKED_BY,
    Asked,
    Lighting,
    Mark,
    Paper,
    PhotoCheck,
    PointMark,
    bearing_of,
    beyond_words,
    figure_words,
    finding_words,
    likeness_words,
    limit_words,
    marked_word,
    measured_title,
    result_words,
    serial_rows,
    strength_paragraphs,
)
from parts.draft import NOTES, TITLE, draft_key
from parts.examined import choose_pictures, show_matches, show_pictures
from parts.persons import ask_name
from parts.saving import SAVING, Outcome
from parts.searching import say_uv
from parts.serials import ask_again, numbers_read, show_kept
from parts.sheet import show_advice, show_facts, show_words
from parts.words import POOR, counted, minute, not_printed, plain

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from loupebook.library import (
        ExaminationLine,
        ExaminationRecord,
        Library,
        NumbersRead,
        SearchFilters,
        SearchReport,
    )
    from parts.crop import Region
    from parts.intake import Handed

OPENED = "examination"
SAVED = "examination-saved"
NO_TITLE = "Say what is examined."
NO_NAME = "Give your name."
BEING_SAVED = "Comparing and saving… You may leave this page meanwhile: the saving goes on."
LIST_PAGE, WANTED = "examinations-page", "examinations-wanted"
BEGINS = r"(?<![\w:-])"
"""Before a number that is looked for: every date holds most digits somewhere."""
FEW = 5
"""Examinations that are looked through without a search."""
MOST_NOTE = 2000
"""Letters of a note, as many as on the desk."""
PAGE = 20
THUMBNAIL_WIDTH = 120
NOTE = "examination-note"
ADDED_TO = "examination-added-to"
"""Number and revision that the form for a further revision was filled from."""
MARK_WORDS = {None: "not marked", **{mark: str(mark) for mark in Mark}}


def offer_saving(
    library: Library,
    report: SearchReport,
    photo: Handed,
    *,
    region: Region,
    filters: SearchFilters,
    k: int,
    size: tuple[int, int],
    marks: Sequence[PointMark] = (),
) -> None:
    """Offer to save the answer on show as an examination.

    Parameters
    ----------
    library : Library
    report : SearchReport
        The answer.
    photo : Handed
        The query as handed in.
    region, filters, k
        How it was searched.
    size : (int, int)
        Width and height of the decoded photo, px.
    marks : sequence of PointMark
        What the examiner has marked so far.
    """
    if not library.may("examine"):
        return
    # Its state is tracked: it must not fall shut when the page above it is drawn anew.
    box = st.expander(
        "Save this examination", icon=":material/save:", key="exam-box", on_change="rerun"
    )
    with box:
        st.markdown(
            "Photo, answer, comparison, marks, notes and the serial numbers typed above are kept "
            "with the hash of every image. More can be added later; nothing is ever overwritten."
        )
        # No form: what is typed in one is lost where the page is left before it is sent.
        title, notes = _ask_draft(photo.sha256)
        by = ask_name(library, "exam-by")
        if st.button("Save", key="exam-save", type="primary", icon=":material/save:"):
            asked = Asked(**_arguments(region, size), filters=filters, k=k)
            start_saving(
                library, report, photo, title=title, notes=notes, by=by, asked=asked,
                marks=marks, serials=numbers_read(photo.sha256),
            )  # fmt: skip
        _say_saved(photo.sha256)


def _ask_draft(photo: str) -> tuple[str, str]:
    """Ask for the title and the notes; both stay with the photo until it is another one."""
    title = st.text_input(
        "What is examined *",
        key=draft_key(TITLE, photo),
        max_chars=200,
        persist_state="session",
    )
    notes = st.text_area("Notes", key=draft_key(NOTES, photo), height=100, persist_state="session")
    return title.strip(), notes


def _arguments(region: Region, size: tuple[int, int]) -> dict[str, Any]:
    given = region.arguments(*size)
    if "corners" in given:
        given["corners"] = tuple((float(x), float(y)) for x, y in given["corners"])
    return given


def start_saving(
    library: Library,
    report: SearchReport,
    photo: Handed,
    *,
    title: str,
    notes: str,
    by: str,
    asked: Asked,
    marks: Sequence[PointMark],
    serials: NumbersRead,
) -> None:
    """Start to save an examination, or say what is missing."""
    missing = [words for given, words in ((title, NO_TITLE), (by, NO_NAME)) if not given]
    if missing:
        st.error(" ".join(missing))
        return

    def work() -> Outcome:
        told = {
            "title": title, "notes": notes, "by": by, "asked": asked, "marks": marks,
            "serials": serials,
        }  # fmt: skip
        kept = library.examinations.same(report, photo.data, **told)
        if kept is not None:
            return Outcome(kept.number, again=True)
        return Outcome(library.examinations.save(report, photo.data, **told).number, again=False)

    # Figures of marks come in while the desk measures; they do not make it another one.
    marked = tuple((mark.point_id, mark.title, mark.mark, mark.note) for mark in marks)
    mark = (photo.sha256, asked, title, notes, by, marked, serials)
    job = SAVING.start(library.folder, mark, title, work)
    st.session_state[SAVED] = {**st.session_state.get(SAVED, {}), photo.sha256: job}


def _say_saved(photo: str) -> None:
    """Say how the last save of a photo stands; wait for it, where it is under way."""
    job = st.session_state.get(SAVED, {}).get(photo)
    if job is None:
        return
    with st.spinner(BEING_SAVED):
        wait([job.future])
    try:
        outcome = job.future.result()
    except LoupebookError as error:
        st.error(plain(str(error)))
        return
    if outcome.again:
        st.info(
            f"Examination {outcome.number} holds this already: the same photo and answer, title, "
            "marks, notes and serial numbers, saved by you. Nothing was saved a second time. "
            "Change the title, the notes, a mark or a number to save another.",
            icon=":material/content_copy:",
        )
    else:
        st.success(f"Saved as examination {outcome.number}.")
    st.page_link("views/examinations.py", label="Open the examinations", icon=":material/folder:")


def list_examinations(library: Library) -> None:
    """Show all examinations, newest first; choosing one opens it."""
    _say_failed()
    waiting = st.empty()
    # Asked before the list is read: what is saved in between stands in either.
    running = SAVING.running(library.folder)
    lines = library.examinations.lines()
    if not lines and not running:
        st.info("Nothing has been saved yet. Examine a photo, then save the examination.")
    if lines:
        lines = _look_for(lines)
    pages = -(-len(lines) // PAGE)
    first = (min(st.session_state.get(LIST_PAGE, 1), max(pages, 1)) - 1) * PAGE
    for line in lines[first : first + PAGE]:
        _show_line(library, line)
    if pages > 1:
        st.pagination(pages, key=LIST_PAGE, persist_state="session")
    if running:
        titles = ", ".join(f"“{plain(job.title)}”" for job in running)
        with waiting.container(), st.spinner(f"Being saved: {titles}. It appears here by itself."):
            wait([job.future for job in running])
        st.rerun()


def _look_for(lines: Sequence[ExaminationLine]) -> list[ExaminationLine]:
    """Ask for words where the list is long; return the lines that hold all of them."""
    every = counted(len(lines), "examination")
    if len(lines) <= FEW:
        st.caption(every)
        return list(lines)
    wanted = st.text_input(
        "Find", key=WANTED, icon=":material/search:", persist_state="session",
        placeholder="title, photo, person, serial number, number or date",
    )  # fmt: skip
    found = [line for line in lines if _holds(line, wanted)]
    st.caption(every if len(found) == len(lines) else f"{len(found):,} of {every}")
    if not found:
        st.info("No examination holds all of these words. Look for fewer, or for a part of one.")
    return found


def _holds(line: ExaminationLine, wanted: str) -> bool:
    """Say whether a line holds all words, in whatever case; numbers only as a whole begins."""
    read = " ".join(number for _, number in line.serials)
    told = f"{line.number} {line.title} {line.file_name or ''} {line.by} {minute(line.at)} {read}"
    return all(
        re.search(rf"{BEGINS if word.isdigit() else ''}{re.escape(word)}", told.casefold())
        for word in wanted.casefold().split()
    )


def _show_line(library: Library, line: ExaminationLine) -> None:
    # Framed: on a phone the button stands below, as near to the next entry as to its own.
    entry = st.container(border=True, key=f"exam-entry-{line.number}")
    picture, told, button = entry.columns([1, 5, 1], vertical_alignment="center")
    content = _thumbnail(library, library.info().set_id, line.searched)
    if content is None:
        picture.caption("No picture")
    else:
        picture.image(content, width=THUMBNAIL_WIDTH)
    revision = f", revision {line.revision}" if line.revision > 1 else ""
    told.markdown(
        f"**{line.number}** · {plain(line.title)}  \n"
        + (f"Photo {plain(line.file_name)}  \n" if line.file_name else "")
        + (f"Serial numbers {plain(_read(line))}  \n" if line.serials else "")
        + f"{plain(line.by)}, {minute(line.at)} UTC{revision}"
    )
    button.button("Open", key=f"open-{line.number}", on_click=_open, args=(line.number,))


def _read(line: ExaminationLine) -> str:
    return ", ".join(f"{number} ({place})" for place, number in line.serials)


@st.cache_data(max_entries=200, show_spinner=False)
def _thumbnail(
    _library: Library,
    set_id: str,  # noqa: ARG001 (part of the cache key)
    sha256: str | None,
) -> bytes | None:
    if sha256 is None:
        return None
    try:
        return _library.examinations.thumbnail(sha256)
    except LoupebookError:
        return None


def _say_failed() -> None:
    """Say which of this session's saves failed while the page was left."""
    for job in st.session_state.get(SAVED, {}).values():
        fault = job.future.exception() if job.future.done() else None
        if fault is not None:
            st.error(f"**“{plain(job.title)}” was not saved.** {plain(str(fault))}")


def _open(number: int) -> None:
    st.query_params[OPENED] = str(number)


def _close() -> None:
    st.query_params.pop(OPENED, None)


def open_examination(library: Library, number: int) -> None:
    """Show an examination as it was saved, and what can be done with it."""
    st.button("Back to the list", icon=":material/arrow_back:", on_click=_close)
    try:
        latest = library.examinations.open(number)
        record = latest
        if latest.revision > 1:
            revision = st.segmented_control(
                "Revision", range(1, latest.revision + 1), default=latest.revision,
                key=f"revision-{number}-{latest.revision}",
            )  # fmt: skip
            record = library.examinations.open(number, revision or latest.revision)
    except RecordNotFound:
        st.warning("There is no examination of that number in this set.")
        return
    except SetDamaged as error:
        st.error(plain(str(error)), icon=":material/gpp_bad:")
        return
    st.header(plain(record.title))
    _say_note(number)
    _say_soundness(library, record)
    if any(one["lighting"] == Lighting.UV_A for one in record.document["references"]):
        say_uv(Lighting.UV_A)
    shown = choose_pictures(record)
    left, right = st.columns([3, 2], gap="medium")
    with left:
        show_pictures(library, record, shown)
    with right:
        show_kept(record)
        _show_record(record)
        check = PhotoCheck.from_json(json.dumps(record.document["answer"]["photo_check"]))
        show_advice(check, key="exam-check", poor=POOR)
    reading = record.document["answer"]["reading"]
    show_words("The reading, as it was", str(reading["says"]), key="exam-reading")
    show_words("What this does not say", str(reading["does_not_say"]), key="exam-limits")
    show_matches(library, record)
    _show_measurements(record)
    if record.revision == latest.revision and library.may("examine"):
        _ask_for_more(library, latest)
    else:
        _show_marks(record)
    _ask_again(library, record)
    _print(library, record)


def _say_soundness(library: Library, record: ExaminationRecord) -> None:
    faults = library.examinations.check(record)
    count = len(record.document["images"])
    if not faults:
        st.caption(f"All {count} images are as they were saved (SHA-256 checked just now).")
    for fault in faults:
        st.error(
            f"**Altered or missing: {plain(fault.what)}.** {plain(fault.message)}",
            icon=":material/gpp_bad:",
        )


def _show_record(record: ExaminationRecord) -> None:
    document = record.document
    examined, held, made = document["examined"], document["set"], document["made_with"]
    typed = [record.title, document["notes"], *(mark["note"] for mark in document["marks"])]
    typed += [part for pair in serial_rows(document) or () for part in pair]
    lacked = not_printed(" ".join(typed))
    show_facts(
        [
            ("Examined by", record.by),
            ("Saved", record.at),
            ("Photo", examined["file_name"]),
            ("SHA-256 of the photo", examined["sha256"]),
            ("Set", f"{held['name']}, version {held['version']}, {held['photos']} photos"),
            ("Encoder", made["encoder"]),
            ("Program", f"Loupebook {made['loupebook']}"),
            ("Notes", document["notes"] or None),
            *((("Printed as numbers", lacked),) if lacked else ()),
            ("SHA-256 of this record", record.sha256),
        ],
        key=f"exam-facts-{record.revision}",
        title=f"Examination {record.number}, revision {record.revision}",
    )


def _show_measurements(record: ExaminationRecord) -> None:
    bearing = bearing_of(record.document)
    for one in record.document["comparisons"]:
        with st.expander(plain(measured_title(one))):
            for part in (finding_words(one, **bearing), *strength_paragraphs(one, **bearing)):
                st.markdown(plain(part))
            if one["measurements"]:
                # A table wraps what a grid would cut off.
                st.table(measured_rows(one, bearing), hide_index=True)
                st.caption(plain(BEYOND_MEANS))


def measured_rows(compared: Mapping[str, Any], bearing: Mapping[str, bool]) -> list[dict[str, str]]:
    """Return what was measured as rows to show, each true for its own result."""
    standing = compared["reference_standing"]
    return [
        {
            "measurement": row["name"],
            "figure": ", ".join(
                part for part in (figure_words(row, standing), limit_words(row)) if part
            ),
            BEYOND: beyond_words(row),
            "result": marked_word(row, bearing),
            "what it says": result_words(row, standing, **bearing),
        }
        for row in compared["measurements"]
    ]


def _marks_of(record: ExaminationRecord) -> list[PointMark]:
    return [PointMark.from_dict(one) for one in record.document["marks"]]


def _show_marks(record: ExaminationRecord) -> None:
    st.subheader("Marks")
    for mark in _marks_of(record):
        st.markdown(f"**{plain(mark.title)}** · {MARK_WORDS[mark.mark]}")
        if mark.note:
            st.text(mark.note)


def _ask_for_more(library: Library, latest: ExaminationRecord) -> None:
    """Offer marks, numbers and notes to be changed in a further revision."""
    st.subheader("Marks")
    record = _begun_on(library, latest)
    st.session_state[ADDED_TO] = (record.number, record.revision)
    with st.form(f"marks-{record.number}-{record.revision}", border=True):
        changed = [
            _one_mark(record, mark, number)
            for number, mark in enumerate(_marks_of(record) or _to_mark(library, record))
        ]
        serials = ask_again(record)
        notes = st.text_area("Notes", record.document["notes"], key=_notes_key(record.revision))
        by = ask_name(library, f"supplement-by-{record.revision}")
        wanted = st.form_submit_button("Save as a further revision", icon=":material/save:")
    if record.revision != latest.revision:
        _say_overtaken(record, latest, pressed=wanted)
        return
    if not wanted:
        return
    if not by:
        st.error("Give your name.")
        return
    try:
        saved = library.examinations.supplement(
            record, marks=changed, notes=notes, by=by, serials=serials
        )
    except LoupebookError as error:
        st.error(plain(str(error)))
        return
    del st.session_state[ADDED_TO]
    st.session_state[NOTE] = (
        record.number,
        f"Saved as revision {saved.revision}, by {saved.by}. Revision {record.revision} stays as "
        "it was.",
    )
    st.rerun()


def _notes_key(revision: int) -> str:
    return f"notes-{revision}"


def _begun_on(library: Library, latest: ExaminationRecord) -> ExaminationRecord:
    """Return the revision that the form on the page was filled from; else the latest.

    From another revision all fields would be filled anew, and what was typed would be gone.
    """
    number, revision = st.session_state.get(ADDED_TO, (0, 0))
    if number == latest.number and _notes_key(revision) in st.session_state:
        return library.examinations.open(number, revision)
    return latest


def _say_overtaken(record: ExaminationRecord, latest: ExaminationRecord, *, pressed: bool) -> None:
    """Say that another revision was saved since the form was filled, and how to go on."""
    box = st.error if pressed else st.warning
    box(
        f"**{plain(latest.by)} has saved revision {latest.revision} meanwhile, so this form cannot "
        f"be saved.** It was filled from revision {record.revision}, and what you typed still "
        "stands in it. Copy what you want to keep, then begin from the latest revision and put it "
        "in there.",
        icon=":material/call_split:",
    )
    st.button(
        f"Begin from revision {latest.revision}",
        icon=":material/restart_alt:",
        on_click=lambda: st.session_state.pop(ADDED_TO, None),
        help="The form is filled anew; what you typed in it and did not copy is gone.",
    )


def _say_note(number: int) -> None:
    """Say once what was saved; the form stands far below where the page begins anew."""
    noted, words = st.session_state.pop(NOTE, (None, ""))
    if noted == number:
        st.toast(plain(words), icon=":material/check:")
        st.success(plain(words), icon=":material/check:")


def _to_mark(library: Library, record: ExaminationRecord) -> list[PointMark]:
    """Return what can be marked: the points of the design, else what was measured."""
    compared = record.document["comparisons"]
    genuine = [one for one in compared if one["reference_standing"] == "genuine"]
    for one in genuine:
        drawn = library.points_for(one["photo_id"])
        if drawn:
            return [PointMark(point.point_id, point.title) for point in drawn]
    names = [row["name"] for one in (genuine or compared)[:1] for row in one["measurements"]]
    return [PointMark(0, name) for name in names]


def _one_mark(record: ExaminationRecord, mark: PointMark, number: int) -> PointMark:
    key = f"{record.number}-{record.revision}-{number}"
    options = list(MARK_WORDS)
    chosen = st.radio(
        plain(mark.title), options, index=options.index(mark.mark), format_func=MARK_WORDS.get,
        key=f"mark-{key}", horizontal=True,
    )  # fmt: skip
    note = st.text_area(
        f"What you see at {plain(mark.title)}", mark.note, key=f"note-{key}", height="content",
        max_chars=MOST_NOTE,
    )  # fmt: skip
    return PointMark(mark.point_id, mark.title, chosen, note, mark.figure, mark.figure_says)


def _ask_again(library: Library, record: ExaminationRecord) -> None:
    st.subheader("Then and now")
    st.caption("Asks the same of today's set. What was saved stays as it is.")
    key = f"rerun-{record.number}-{record.revision}"
    if st.button("Ask today's set", icon=":material/replay:"):
        with st.spinner("Looking through the library…"):
            try:
                st.session_state[key] = library.examinations.rerun(record)
            except LoupebookError as error:
                st.error(plain(str(error)))
    again = st.session_state.get(key)
    if again is None:
        return
    if again.changes:
        st.warning(
            "\n".join(["**What has changed**", *(f"- {plain(one)}" for one in again.changes)])
        )
    else:
        st.success("Nothing has changed: the same references in the same order.")
    left, right = st.columns(2, gap="medium")
    for column, title, answer in (
        (left, "As saved", record.document["answer"]),
        (right, "Today", again.report.to_dict()),
    ):
        with column:
            st.markdown(f"**{title}**")
            st.dataframe(
                [
                    {
                        "rank": match["rank"],
                        "specimen": match["specimen"],
                        "standing": match["standing"],
                        "likeness": likeness_words(match),
                    }
                    for match in answer["matches"]
                ],
                hide_index=True,
                key=f"{key}-{title}",
            )
            st.caption(plain(str(answer["reading"]["says"])))
    st.caption(plain(RANKED_BY))


def _print(library: Library, record: ExaminationRecord) -> None:
    st.subheader("On paper")
    paper = st.segmented_control("Paper", ["A4", "Letter"], default="A4", key="exam-paper")
    key = f"printed-{record.number}-{record.revision}-{paper}"
    if st.button("Make the record to print", icon=":material/print:"):
        with st.spinner("Setting the record…"):
            wanted = Paper.LETTER if paper == "Letter" else Paper.A4
            try:
                st.session_state[key] = library.examinations.print(record, paper=wanted)
            except LoupebookError as error:
                st.error(plain(str(error)))
                return
    made = st.session_state.get(key)
    if made is not None:
        st.download_button(
            "Record (PDF)", made, f"examination-{record.number}-{record.revision}.pdf",
            "application/pdf", icon=":material/download:", on_click="ignore",
        )  # fmt: skip
