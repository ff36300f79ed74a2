"""Examinations kept whole: reopened as they were, checked to the byte, asked again, printed."""

from __future__ import annotations

import hashlib
import json
import re
import shutil
import sqlite3
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import ImageFilter

from drawn_prints import as_bytes
from loupebook.errors import (
    ComparisonError,
    RecordConflict,
    RecordInvalid,
    RecordNotFound,
    SetDamaged,
)
from loupebook.library import (
    Asked,
    Box,
    ExaminationRecord,
    Library,
    Mark,
    PointMark,
    SearchFilters,
    decode_photo,
    result_words,
)
from loupebook.library.comparing import ComparisonReport
from loupebook.library.results import SearchReport
from loupebook.sheets.measured import Word, word_of
from loupebook.sheets.record import FITTED_MEANS
from loupebook.sheets.recorded import bearing_of, telling_map
from taught_set import NOTICE, PATCH, copied_print, opened_copy

pdfium = pytest.importorskip("pypdfium2", reason="pypdfium2 is not installed (extra 'test')")
QUERY = as_bytes(copied_print(0, 5.0), "JPEG", quality=85)
QUERY_SHA256 = hashlib.sha256(QUERY).hexdigest()


@pytest.fixture(scope="module")
def library(taught_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Library:
    return opened_copy(taught_folder, tmp_path_factory.mktemp("examined") / "set")


@pytest.fixture(scope="module")
def report(library: Library) -> SearchReport:
    return library.search(QUERY, name="suspect.jpg", k=5)


@pytest.fixture(scope="module")
def saved(library: Library, report: SearchReport) -> ExaminationRecord:
    point = library.points.add(
        1, PATCH, title="The patch",
        genuine_shows="plain", copies_show="a white patch", by="a curator",
    )  # fmt: skip
    return library.examinations.save(
        report, QUERY, title="Box 17, lot 4", by="An Examiner", asked=Asked(k=5),
        marks=[
            PointMark(point.point_id, point.title, Mark.DIFFERS, "white patch", 4.5, "4.5 times"),
            PointMark(0, "colour", Mark.CANNOT_TELL),
        ],
        notes="First line.\nSecond line.",
    )  # fmt: skip


def squeezed(text: str) -> str:
    return "".join(text.split())


def text_of(pdf: bytes) -> str:
    return " ".join(
        " ".join(page.get_textpage().get_text_range().split()) for page in pdfium.PdfDocument(pdf)
    )


def test_a_saved_examination_names_everything_that_it_rests_on(
    library: Library, report: SearchReport, saved: ExaminationRecord
) -> None:
    document = library.examinations.open(saved.number).document
    assert document["examined"]["sha256"] == QUERY_SHA256
    assert document["answer"] == json.loads(json.dumps(report.to_dict()))
    assert document["made_with"]["fingerprint"] == library.encoder().fingerprint
    assert document["set"]["version"] == library.info().change_counter
    named = {image["sha256"] for image in document["images"]}
    for match in report.matches:
        assert library.photo(match.photo_id).sha256 in named
    assert {one["reference_standing"] for one in document["comparisons"]} == {"genuine", "fake"}
    assert library.examinations.check(saved) == []


@pytest.mark.parametrize("poor", [True, False])
def test_no_verdict_on_record_contradicts_the_word_that_is_said_of_it(
    library: Library, report: SearchReport, monkeypatch: pytest.MonkeyPatch, poor: bool
) -> None:
    monkeypatch.setattr(ComparisonReport, "poor", poor)
    kept = library.examinations.save(report, QUERY, title=f"poor: {poor}", by="An Examiner")
    rows = [row for one in kept.document["comparisons"] for row in one["measurements"]]
    said = {(word_of(row, poor=poor), row["verdict"], row["reason"]) for row in rows}
    untold = Word.POOR if poor else Word.FEW  # of one press there is one copy
    assert (untold, "cannot tell", str(untold)) in said
    wanted = {Word.AGREES: "agrees", Word.NEAR: "agrees", Word.DIFFERS: "differs"}
    for word, verdict, _ in said:
        assert verdict == wanted.get(word, "cannot tell")


def test_far_from_all_that_is_known_nothing_bears_a_verdict(
    library: Library, report: SearchReport
) -> None:
    reading = {**report.reading, "close_reference": False}
    kept = library.examinations.save(
        replace(report, reading=reading), QUERY, title="Another", by="An Examiner"
    )
    rows = [row for one in kept.document["comparisons"] for row in one["measurements"]]
    assert {row["verdict"] for row in rows} == {"cannot tell"}


def test_saving_leaves_the_version_of_the_set_alone(
    library: Library, saved: ExaminationRecord
) -> None:
    assert saved.document["set"]["version"] == library.info().change_counter
    assert [event.action for event in library.log()][-1] == "save-examination"


def test_a_point_marked_is_found_in_the_frame(saved: ExaminationRecord) -> None:
    mark = saved.document["marks"][0]
    ((_, place),) = mark["places"]
    left, top, width, height = place
    assert 0 < left < left + width < 1
    assert 0 < top < top + height < 1


def test_asked_again_of_an_unchanged_set_nothing_has_changed(
    library: Library, saved: ExaminationRecord
) -> None:
    assert library.examinations.rerun(saved).changes == ()


def test_after_the_set_has_changed_the_old_stands_and_the_new_is_beside_it(
    library: Library, saved: ExaminationRecord, tmp_path: Path
) -> None:
    nearest = saved.document["answer"]["matches"][0]["specimen"]
    with opened_copy(library.folder, tmp_path / "set") as copy:
        copy.withdraw(nearest, by="me", reason="mixed up")
        again = copy.examinations.rerun(saved)
        reopened = copy.examinations.open(saved.number)
    assert reopened == saved
    assert again.report.matches[0].specimen != nearest
    told = "\n".join(again.changes)
    assert f"{nearest}, a reference then, is withdrawn." in told
    assert "1 photo fewer" in told


def test_a_reference_photo_that_was_moved_is_told_as_moved(
    library: Library, saved: ExaminationRecord, tmp_path: Path
) -> None:
    moved = saved.document["answer"]["matches"][0]
    with opened_copy(library.folder, tmp_path / "set") as copy:
        to = next(one for one in copy.specimens() if one.standing != moved["standing"])
        copy.edit_photo(moved["photo_id"], {"specimen": to.name}, by="me", reason="mixed up")
        told = "\n".join(copy.examinations.rerun(saved).changes)
    assert f"{moved['specimen']}, a reference then, is no longer what its photo" in told
    assert f"is recorded to show: that is '{to.name}' now." in told
    assert f"{moved['specimen']}, a reference then, is recorded as" not in told


def test_nothing_is_saved_that_rests_on_two_states_of_the_set(
    taught_folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def overtaken(library: Library, _query: np.ndarray, _photo_id: int) -> ComparisonReport:
        library.edit_specimen("G-1", {"standing": "fake"}, by="a curator", reason="mixed up")
        raise ComparisonError("Nothing is compared here.")

    with opened_copy(taught_folder, tmp_path / "set") as library:

        def save(report: SearchReport) -> None:
            library.examinations.save(report, QUERY, title="Lot 5", by="An Examiner")

        report = library.search(QUERY, k=5)
        with monkeypatch.context() as during:
            during.setattr(Library, "compare", overtaken)
            with pytest.raises(RecordConflict, match=r"changed since the search, .* Search again"):
                save(report)
        # Nor later, when the set stands still.
        with pytest.raises(RecordConflict, match=r"changed since the search, .* Search again"):
            save(report)
        assert library.examinations.lines() == []


def test_an_answer_is_of_no_later_state_than_the_index_that_was_searched(
    taught_folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    sync = Library.sync

    def overtaken(library: Library, **how: object) -> object:
        done = sync(library, **how)
        library.withdraw("G-1", by="a curator", reason="mixed up")
        return done

    with opened_copy(taught_folder, tmp_path / "set") as library:
        before = library.info().change_counter
        monkeypatch.setattr(Library, "sync", overtaken)
        assert library.search(QUERY, k=5).set_version == before


def test_a_further_revision_leaves_the_earlier_one(
    library: Library, saved: ExaminationRecord
) -> None:
    changed = [PointMark(0, "colour", Mark.AGREES, "seen again")]
    second = library.examinations.supplement(saved, marks=changed, notes="More.", by="Another")
    assert (second.number, second.revision, second.by) == (saved.number, 2, "Another")
    assert library.examinations.open(saved.number, 1) == saved
    assert library.examinations.open(saved.number).document["notes"] == "More."
    assert second.document["supplements"]["sha256"] == saved.sha256
    with pytest.raises(RecordConflict, match="revision 2"):
        library.examinations.supplement(saved, marks=changed, notes="", by="Late")
    assert "revision 1, SHA-256" in text_of(library.examinations.print(second))


def test_an_examination_saved_before_groups_named_a_maker_can_be_supplemented(
    library: Library, saved: ExaminationRecord
) -> None:
    latest = library.examinations.open(saved.number)
    document = json.loads(json.dumps(latest.document))
    for one in document["comparisons"]:
        del one["group"]["marque"]
    mark = PointMark.from_dict(saved.document["marks"][0])
    further = library.examinations.supplement(
        replace(latest, document=document), marks=[mark], notes="", by="Another"
    )
    assert further.document["marks"][0]["places"] == saved.document["marks"][0]["places"]


@pytest.mark.parametrize("kept", ["examination", "reference"])
def test_one_altered_byte_of_any_stored_picture_is_reported(
    library: Library, saved: ExaminationRecord, kept: str
) -> None:
    images = [image for image in saved.document["images"] if image["kept"] == kept]
    for image in images:
        sha256 = image["sha256"]
        folder = "examinations" if kept == "examination" else "photos"
        path = library.folder / folder / sha256[:2] / sha256
        content = bytearray(path.read_bytes())
        content[len(content) // 2] ^= 1
        path.write_bytes(content)
        faults = library.examinations.check(saved)
        if image is images[0]:
            assert any("altered" in line for line in library.examinations.fault_lines())
        printed = text_of(library.examinations.print(saved)) if image is images[0] else None
        content[len(content) // 2] ^= 1
        path.write_bytes(content)
        assert [fault.sha256 for fault in faults] == [sha256]
        assert "altered" in faults[0].message
        if printed is not None:
            assert "ALTERED OR MISSING" in printed
    assert library.examinations.check(saved) == []


def test_an_altered_document_is_refused(
    library: Library, saved: ExaminationRecord, tmp_path: Path
) -> None:
    shutil.copytree(library.folder, tmp_path / "set")
    with Library.open(tmp_path / "set") as copy:
        raw = sqlite3.connect(copy.folder / "catalogue.sqlite", isolation_level=None)
        with pytest.raises(sqlite3.IntegrityError, match="never changed"):
            raw.execute("UPDATE examination SET title = 'other'")
        with pytest.raises(sqlite3.IntegrityError, match="never deleted"):
            raw.execute("DELETE FROM examination")
        raw.execute("DROP TRIGGER examination_no_update")
        raw.execute("UPDATE examination SET document = replace(document, 'lot 4', 'lot 5')")
        raw.close()
        with pytest.raises(SetDamaged, match="altered"):
            copy.examinations.open(saved.number)
        assert list(copy.examinations.check_all()) == [saved.number]


def test_the_documents_of_earlier_revisions_are_checked_too(
    library: Library, saved: ExaminationRecord, tmp_path: Path
) -> None:
    shutil.copytree(library.folder, tmp_path / "set")
    with Library.open(tmp_path / "set") as copy:
        copy.examinations.supplement(
            copy.examinations.open(saved.number), marks=(), notes="later", by="me"
        )
        raw = sqlite3.connect(copy.folder / "catalogue.sqlite", isolation_level=None)
        raw.execute("DROP TRIGGER examination_no_update")
        raw.execute(
            "UPDATE examination SET document = replace(document, 'lot 4', 'lot 5') "
            "WHERE revision = 1"
        )
        raw.close()
        image = copy.folder / "examinations" / QUERY_SHA256[:2] / QUERY_SHA256
        image.write_bytes(b"other")
        document, altered = copy.examinations.check_all()[saved.number]
        assert "revision 1" in document.message
        assert altered.sha256 == QUERY_SHA256


def test_the_printed_record_says_what_it_must(library: Library, saved: ExaminationRecord) -> None:
    pdf = library.examinations.print(library.examinations.open(saved.number, 1))
    pages = [" ".join(p.get_textpage().get_text_range().split()) for p in pdfium.PdfDocument(pdf)]
    for number, page in enumerate(pages, start=1):
        assert saved.sha256 in page
        assert f"Page {number} of {len(pages)}" in page
        assert "Defer to the rights holder" in page
    assert sum("Reference A: nearest genuine one" in page for page in pages) == 1
    assert sum("Reference B: nearest fake one" in page for page in pages) == 1
    # Its own scale is not known: what is told of lengths is the reference's.
    assert squeezed(FITTED_MEANS) in squeezed("".join(pages))
    assert any("mm on the reference" in page for page in pages)
    assert not any("mm on the item" in page for page in pages)
    # The item is always the one in question.
    assert not any(re.search(r"\bItem [0-9A-Z]:", page) for page in pages)
    text = " ".join(pages)
    for words in (
        NOTICE, "Box 17, lot 4", "An Examiner", "First line.", "Second line.", "The patch",
        "≠ differs", "white patch", "What was compared, and what differs", "Reading and limits",
        "It does not say that the item is genuine", "Signature", "Second examiner",
        "Printed at", saved.document["examined"]["sha256"],
    ):  # fmt: skip
        assert words in text, words


def test_the_printed_matches_say_what_ranked_them(
    library: Library, report: SearchReport, saved: ExaminationRecord
) -> None:
    text = text_of(library.examinations.print(library.examinations.open(saved.number, 1)))
    assert "Likeness" in text
    assert "Similarity" not in text
    odds = [match.log_odds for match in report.matches]
    assert odds == sorted(odds, reverse=True)
    for match in report.matches:
        assert match.similarity == pytest.approx(1 / (1 + np.exp(-match.log_odds)), abs=1e-6)
        assert f"{match.log_odds:.1f}".replace("-", "−") in text


def test_the_printed_maps_are_named_for_what_departs_most(
    library: Library, saved: ExaminationRecord
) -> None:
    text = text_of(library.examinations.print(library.examinations.open(saved.number, 1)))
    for one in saved.document["comparisons"]:
        assert f"Map: {telling_map(one).name}" in text
        assert f"What {one['reference_standing']} ones have in common" in text


def test_what_the_print_is_worth_is_printed_with_what_was_compared(
    library: Library, saved: ExaminationRecord
) -> None:
    opened = library.examinations.open(saved.number, 1)
    genuine, *rest = sorted(
        opened.document["comparisons"], key=lambda one: one["reference_standing"] != "genuine"
    )
    says = "Differences of this size are told apart.\n\nThis is by the print alone."
    answer = opened.document["answer"]
    near = {"reading": {**answer["reading"], "close_reference": True}}
    clean = {"photo_check": {**answer["photo_check"], "findings": []}}
    reading = {"says": says, "does_not_say": "It says nothing of the item."}
    compared = {"comparisons": [{**genuine, "reading": reading}, *rest]}
    told = {**opened.document, **compared, "answer": {**answer, **near, **clean}}
    text = text_of(library.examinations.print(replace(opened, document=told)))
    for part in (*says.split("\n\n"), reading["does_not_say"]):
        assert part in text
        assert part not in text_of(library.examinations.print(opened))


def test_no_page_of_the_printed_record_is_nearly_empty(
    library: Library, report: SearchReport
) -> None:
    words = "What is seen here is told at length. " * 12
    titles = [f"point {number}" for number in range(9)]
    for count in (0, 2, 9):
        marks = [PointMark(0, title, Mark.DIFFERS, words) for title in titles[:count]]
        record = library.examinations.save(
            report, QUERY, title=f"With {count} marks", by="An Examiner", marks=marks
        )
        pdf = library.examinations.print(record)
        pages = list(pdfium.PdfDocument(pdf))
        for page in pages[:-1]:
            assert _filled(page) > 0.6, (count, page)
        assert _filled(pages[-1]) > 0.2
        # The lines to sign on never stand alone: hashes stand above them.
        last = pages[-1].get_textpage().get_text_range()
        assert last.count("Signature") == 2
        hashes = {one["sha256"] for one in record.document["images"]}
        assert sum(sha256 in squeezed(last) for sha256 in hashes) >= min(8, len(hashes))
        assert squeezed(text_of(pdf)).count(squeezed(words)) == count


def _filled(page: object) -> float:
    """Return how far down the room above the foot of a page something is printed, 0..1."""
    grey = np.asarray(page.render(scale=1, grayscale=True).to_numpy()).squeeze()
    rows = np.flatnonzero((grey < 128).any(axis=1)) / len(grey) * 297
    return float((rows[rows < 297 - 36].max() - 16) / (297 - 36 - 16))


def test_a_character_that_no_font_has_is_told_of(library: Library, report: SearchReport) -> None:
    record = library.examinations.save(
        report, QUERY, title="With 中", by="An Examiner", notes="plain"
    )
    text = text_of(library.examinations.print(record))
    assert "⟨U+4E2D⟩" in text
    assert "stands for a character that the fonts of these pages lack" in text


def test_the_same_examination_is_known_again_and_another_is_not(
    library: Library, report: SearchReport, saved: ExaminationRecord
) -> None:
    marks = [PointMark.from_dict(one) for one in saved.document["marks"]]
    # The figure of a mark comes in while the desk measures.
    marks[0] = replace(marks[0], figure=None, figure_says="")
    told = {
        "title": " Box 17, lot 4 ", "by": "an examiner", "asked": Asked(k=5), "marks": marks,
        "notes": "First line.\nSecond line.",
    }  # fmt: skip
    found = library.examinations.same(report, QUERY, **told)
    assert found is not None
    assert found.number == saved.number
    for change in (
        {"title": "Box 18"}, {"by": "Another"}, {"notes": "Other."}, {"marks": marks[:1]},
        {"asked": Asked(k=6)}, {"marks": [replace(marks[0], note="seen"), marks[1]]},
    ):  # fmt: skip
        assert library.examinations.same(report, QUERY, **(told | change)) is None, change
    other = replace(report, matches=report.matches[:1])
    assert library.examinations.same(other, QUERY, **told) is None
    assert library.examinations.same(report, QUERY + b" ", **told) is None


def test_a_line_of_the_list_names_the_photo_and_has_a_small_picture(
    library: Library, saved: ExaminationRecord
) -> None:
    line = library.examinations.lines()[-1]
    assert line.number == saved.number
    assert line.file_name == "suspect.jpg"
    assert line.searched == saved.document["examined"]["searched"]
    small = decode_photo(library.examinations.thumbnail(line.searched))
    assert max(small.pixels.shape) <= 360


def test_the_photo_check_is_printed_in_words(library: Library) -> None:
    soft = as_bytes(copied_print(0, 5.0).filter(ImageFilter.GaussianBlur(6)), "JPEG", quality=85)
    report = library.search(soft, name="soft.jpg", k=5)
    assert not report.photo_check.usable
    record = library.examinations.save(report, soft, title="Soft", by="An Examiner")
    printed = text_of(library.examinations.print(record))
    assert "Photo check: The photo is poor: trust what follows less. Grave fault: " in printed
    for finding in report.photo_check.findings:
        assert squeezed(finding.message) in squeezed(printed)


def test_the_printed_table_is_true_for_each_result(
    library: Library, saved: ExaminationRecord
) -> None:
    pdf = library.examinations.print(library.examinations.open(saved.number, 1))
    pages = [" ".join(p.get_textpage().get_text_range().split()) for p in pdfium.PdfDocument(pdf)]
    against_fake = next(page for page in pages if "nearest fake one" in page)
    assert "Measured against known fakes of this print origin" in against_fake
    assert "known genuine ones" not in against_fake
    text = " ".join(pages)
    assert "Verdict" not in text
    assert "“Beyond usual” is the z of a figure" in text
    printed = squeezed(text)
    for one in saved.document["comparisons"]:
        for row in one["measurements"]:
            said = result_words(row, one["reference_standing"], **bearing_of(saved.document))
            assert squeezed(said) in printed


def test_a_part_of_a_photo_is_asked_again_as_it_was() -> None:
    asked = Asked(1, None, Box(40, 40, 380, 380), SearchFilters(element="band"), 3)
    assert Asked.from_dict(json.loads(json.dumps(asked.to_dict()))) == asked
    corners = Asked(0, ((0.0, 0.0), (90.0, 1.0), (88.0, 92.0), (2.0, 90.0)))
    assert Asked.from_dict(json.loads(json.dumps(corners.to_dict()))) == corners


def test_a_title_is_needed_and_unknown_numbers_are_told(
    library: Library, report: SearchReport
) -> None:
    before = library.examinations.lines()
    with pytest.raises(RecordInvalid, match="title"):
        library.examinations.save(report, QUERY, title=" ", by="me")
    assert library.examinations.lines() == before
    with pytest.raises(RecordNotFound, match="number 99"):
        library.examinations.open(99)
    with pytest.raises(RecordNotFound, match="number 1, revision 77"):
        library.examinations.open(1, 77)


def test_a_file_name_that_is_no_text_is_kept_as_far_as_it_is(
    library: Library, report: SearchReport
) -> None:
    named = replace(report, photo=b"suspect-\xff.jpg".decode(errors="surrogateescape"))
    kept = library.examinations.save(named, QUERY, title="By its name", by="me").document
    assert kept["examined"]["file_name"] == kept["answer"]["photo"] == "suspect-\ufffd.jpg"
