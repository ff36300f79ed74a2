"""Serial numbers and barcodes kept with an examination: on record, on paper, asked again."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from drawn_prints import as_bytes
from loupebook.errors import RecordInvalid
from loupebook.library import Asked, ExaminationRecord, Library, NumbersRead, serial_rows
from loupebook.library.results import SearchReport
from taught_set import copied_print, opened_copy

pdfium = pytest.importorskip("pypdfium2", reason="pypdfium2 is not installed (extra 'test')")
QUERY = as_bytes(copied_print(0, 5.0), "JPEG", quality=85)
READ = NumbersRead((("left", "AB 102"), ("right", "AB 103")), (("EAN_13", "2900019101560"),))
TOLD = {"title": "Box 17", "by": "An Examiner", "asked": Asked(k=5)}


@pytest.fixture(scope="module")
def library(taught_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Library]:
    made = opened_copy(taught_folder, tmp_path_factory.mktemp("numbers") / "set")
    made.edit_specimen("F-0-0", {"serials": [["ab102", "left"]]}, by="me", reason="read")
    with made:
        yield made


@pytest.fixture(scope="module")
def report(library: Library) -> SearchReport:
    return library.search(QUERY, name="suspect.jpg", k=5)


@pytest.fixture(scope="module")
def saved(library: Library, report: SearchReport) -> ExaminationRecord:
    return library.examinations.save(report, QUERY, serials=READ, **TOLD)


def pages_of(pdf: bytes) -> list[str]:
    return [" ".join(p.get_textpage().get_text_range().split()) for p in pdfium.PdfDocument(pdf)]


def test_what_was_read_is_kept_with_what_it_said(
    library: Library, saved: ExaminationRecord
) -> None:
    kept = library.examinations.open(saved.number).document["serials"]
    assert [(one["place"], one["number"]) for one in kept["read"]] == list(READ.serials)
    assert kept["agree"] is False
    assert kept["says"].startswith("The numbers do not agree: left and right differ.")
    first, second = kept["numbers"]
    assert first["holders"] == [
        {
            "specimen": "F-0-0", "standing": "fake", "state": "confirmed", "number": "ab102",
            "place": "left",
        }
    ]  # fmt: skip
    assert "AB 102 stands in this set already: specimen F-0-0 (on it: left), fake" in str(first)
    assert second["says"] == ["AB 103 stands on no specimen of this set."]
    (code,) = kept["barcodes"]
    assert (code["kind"], code["value"]) == READ.barcodes[0]
    assert "names a sort of goods" in code["says"]
    (line,) = [one for one in library.examinations.lines() if one.number == saved.number]
    assert line.serials == READ.serials
    assert library.verify().ok


def test_the_first_printed_page_bears_it_all(library: Library, saved: ExaminationRecord) -> None:
    first = pages_of(library.examinations.print(saved))[0]
    for words in (
        "Serial numbers and barcodes", "Left AB 102", "Right AB 103",
        "≠ The numbers do not agree: left and right differ.",
        "specimen F-0-0 (on it: left), fake (confirmed).", "AB 103 stands on no specimen",
        "2900019101560", "Whether a number was ever given out is for the rights holder's",
    ):  # fmt: skip
        assert words in first, words


def test_other_numbers_make_it_another_examination(
    library: Library, report: SearchReport, saved: ExaminationRecord
) -> None:
    found = library.examinations.same(report, QUERY, serials=READ, **TOLD)
    assert found is not None
    assert found.number == saved.number
    other = NumbersRead((("left", "AB 102"), ("right", "AB 102")), READ.barcodes)
    for read in (other, NumbersRead(), replace(READ, barcodes=None), replace(READ, barcodes=())):
        assert library.examinations.same(report, QUERY, serials=read, **TOLD) is None, read


def test_a_further_revision_keeps_the_numbers_or_takes_others(
    library: Library, report: SearchReport
) -> None:
    first = library.examinations.save(report, QUERY, title="Box 18", by="me", serials=READ)
    told = {"marks": [], "notes": "Seen again.", "by": "me"}
    second = library.examinations.supplement(first, **told)
    third = library.examinations.supplement(second, serials=READ, **told)
    assert first.document["serials"] == second.document["serials"] == third.document["serials"]
    read = NumbersRead((("left", "AB 103"), ("right", "AB 103")))
    fourth = library.examinations.supplement(third, serials=read, **told)
    assert fourth.document["serials"]["agree"] is True
    assert library.examinations.open(first.number, 1) == first
    assert library.verify().ok


def test_an_examination_saved_before_numbers_were_kept_opens_as_it_was(
    library: Library, report: SearchReport
) -> None:
    first = library.examinations.save(report, QUERY, **(TOLD | {"title": "Old"}))
    assert first.document["serials"] is None
    assert "None was typed." in pages_of(library.examinations.print(first))[0]
    old = {name: value for name, value in first.document.items() if name != "serials"}
    kept = library.examinations._kept.save("Older", old, (), by="An Examiner")
    assert library.examinations.open(kept.number) == kept
    assert serial_rows(kept.document) is None
    assert "Serial numbers" not in " ".join(pages_of(library.examinations.print(kept)))
    assert library.examinations.rerun(kept).changes == ()
    assert library.examinations.lines()[0].serials == ()
    found = library.examinations.same(report, QUERY, **(TOLD | {"title": "Older"}))
    assert found is not None
    assert found.number == kept.number


def test_asked_again_it_is_told_where_a_number_stands_now(
    library: Library, saved: ExaminationRecord, tmp_path: Path
) -> None:
    with opened_copy(library.folder, tmp_path / "set") as copy:
        assert copy.examinations.rerun(saved).changes == ()
        copy.edit_specimen("G-0", {"serials": [["AB 103", "right"]]}, by="me", reason="read")
        changes = "\n".join(copy.examinations.rerun(saved).changes)
    assert "Serial number, now: AB 103 stands in this set already: specimen G-0" in changes
    assert "AB 102" not in changes


def test_a_barcode_looked_for_in_vain_is_told_apart_from_none_looked_for() -> None:
    kept = {"read": [], "agree": None, "says": "No number was read.", "parts": [], "numbers": []}
    in_vain = serial_rows({"serials": {**kept, "barcodes": []}})
    assert ("Barcode", "Looked for; none could be read in this photo.") in in_vain
    assert not any(
        "Barcode" in label for label, _ in serial_rows({"serials": {**kept, "barcodes": None}})
    )


def test_one_place_bears_one_number(library: Library, report: SearchReport) -> None:
    twice = NumbersRead((("left", "1"), ("left", "2")))
    with pytest.raises(RecordInvalid, match="place is named twice"):
        library.examinations.save(report, QUERY, title="T", by="me", serials=twice)


def test_the_kept_form_can_be_read_again(saved: ExaminationRecord) -> None:
    kept = json.loads(json.dumps(saved.document["serials"]))
    assert NumbersRead.from_kept(kept) == READ
    assert NumbersRead.of({"left": " ", "right": "1"}) == NumbersRead((("right", "1"),))
