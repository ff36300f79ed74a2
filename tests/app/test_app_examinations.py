"""Saving examinations from the page Examine, and the page Examinations, without a browser."""

from __future__ import annotations

import shutil
import threading
from collections.abc import Callable
from concurrent.futures import wait
from dataclasses import replace
from pathlib import Path

import cv2
import pytest
from app_driver import PAGES, ToldLibrary, opened, shown, told, words
from streamlit.testing.v1 import AppTest
from streamlit.testing.v1.element_tree import TextInput

from desk_prints import Shots, fill, shots_of
from loupebook.errors import SetBusy
from loupebook.imaging import decode_photo
from loupebook.library import (
    Asked,
    ExaminationRecord,
    Library,
    PointMark,
    SearchFilters,
    bearing_of,
    encode_jpeg,
    likeness_words,
    result_words,
    telling_map,
)
from loupebook.library.examinations import Examiner
from parts.examinations import measured_rows
from parts.saving import SAVING, Outcome, Saving


@pytest.fixture(scope="module")
def shots() -> Shots:
    return shots_of()


@pytest.fixture(scope="module")
def sharp(shots: Shots) -> bytes:
    return encode_jpeg(shots.genuine_query.pixels, quality=90)


@pytest.fixture(scope="module")
def blurred(shots: Shots) -> bytes:
    """A photo of a genuine print, so soft that the photo check calls it poor."""
    return encode_jpeg(cv2.GaussianBlur(shots.genuine_query.pixels, (0, 0), 7), quality=90)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory, shots: Shots) -> Path:
    folder = tmp_path_factory.mktemp("made") / "set"
    with Library.create(folder, name="Prints") as library:
        fill(library, shots)
    return folder


def save_straight(folder: Path, photo: bytes, name: str, title: str) -> None:
    library = ToldLibrary.open(folder)
    asked = Asked(filters=SearchFilters(), k=5)
    report = library.search(decode_photo(photo), name=name, filters=asked.filters, k=asked.k)
    library.examinations.save(report, photo, title=title, by="A. Example", asked=asked)
    # Its own `close` is what a test says of closeness.
    Library.close(library)


@pytest.fixture(scope="module")
def examined(
    made: Path, sharp: bytes, blurred: bytes, tmp_path_factory: pytest.TempPathFactory
) -> Path:
    """The set with two examinations on record, one of a sharp and one of a poor photo."""
    folder = tmp_path_factory.mktemp("examined") / "set"
    shutil.copytree(made, folder)
    save_straight(folder, sharp, "suspect 1.jpg", "Lot <4>")
    save_straight(folder, blurred, "soft.jpg", "Lot 5")
    return folder


@pytest.fixture
def told_of(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Callable[[Path], Path]:
    """Point the pages at a copy of a set."""

    def point(folder: Path) -> Path:
        target = tmp_path / "set"
        shutil.copytree(folder, target)
        told(monkeypatch, target)
        return target

    return point


def hand_in(at: AppTest, data: bytes) -> AppTest:
    at.file_uploader[0].upload("suspect.jpg", data, "image/jpeg").run()
    assert not at.exception
    at.session_state["exam-box"] = True
    return at.run()


def field_of(at: AppTest) -> TextInput:
    return next(one for one in at.text_input if one.label == "What is examined *")


def save(at: AppTest, title: str = "Box 17") -> AppTest:
    field_of(at).set_value(title)
    at.text_input(key="exam-by").set_value("A. Example")
    next(one for one in at.button if one.label == "Save").click().run()
    assert not at.exception
    return at


def reopened(at: AppTest, number: int = 1) -> AppTest:
    at.button(key=f"open-{number}").click().run()
    assert not at.exception
    return at


def record_of(folder: Path) -> ExaminationRecord:
    with Library.open(folder) as library:
        return library.examinations.open(1)


def test_every_row_of_the_table_is_true_for_its_result(
    examined: Path, told_of: Callable[[Path], Path]
) -> None:
    folder = told_of(examined)
    at = reopened(opened("examinations"))
    tables = [one.value for one in at.table]
    document = record_of(folder).document
    compared = document["comparisons"]
    assert len(tables) == len(compared) == 2
    for table, one in zip(tables, compared, strict=True):
        assert list(table.columns) == [
            "measurement",
            "figure",
            "beyond usual",
            "result",
            "what it says",
        ]
        assert "None" not in table.to_string()
        bearing = bearing_of(document)
        assert table.to_dict("records") == measured_rows(one, bearing)
        for said, row in zip(table["what it says"], one["measurements"], strict=True):
            assert said == result_words(row, one["reference_standing"], **bearing)
    labels = [box.label.replace("\\", "") for box in at.expander]
    assert "Measured against known genuine ones: First (genuine)" in labels
    assert "Measured against known fakes of this print origin: Copy A (fake)" in labels
    assert "is the z of a figure" in words(at).replace("\\", "")


def test_the_photo_check_stands_in_the_saved_examination(
    examined: Path, told_of: Callable[[Path], Path]
) -> None:
    told_of(examined)
    at = reopened(opened("examinations"), 2)
    check = next(one for one in shown(at, "sheet") if one["title"] == "Photo check")
    assert check["summary"].startswith("This photo is poor.")
    assert check["items"][0]["mark"] == "Grave fault"
    assert "blurred" in check["items"][0]["message"]


def test_the_nearest_genuine_stands_there_with_name_and_photo_beside_all_matches(
    examined: Path, told_of: Callable[[Path], Path]
) -> None:
    folder = told_of(examined)
    at = reopened(opened("examinations"))
    document = record_of(folder).document
    nearest, matches = shown(at, "plates")
    answer = document["answer"]
    (card,) = nearest["cards"]
    assert card["name"] == answer["nearest_genuine"]["specimen"]
    assert card["standing"] == "genuine"
    assert card["url"]
    assert [one["name"] for one in matches["cards"]] == [
        one["specimen"] for one in answer["matches"]
    ]
    assert all(one["figure"].startswith("Likeness ") for one in matches["cards"])
    at.segmented_control(key="exam-show").set_value("Nearest fake").run()
    (card,) = shown(at, "plates")[0]["cards"]
    assert card["name"] == answer["nearest_fake"]["specimen"]
    told = telling_map(document["comparisons"][1])
    assert [one["heading"] for one in shown(at, "viewer")[0]["panes"]] == [
        "The item, in the frame",
        "What fake ones have in common",
        told.title,
    ]


def test_then_and_now_tell_by_what_the_references_are_ranked(
    examined: Path, told_of: Callable[[Path], Path]
) -> None:
    folder = told_of(examined)
    at = reopened(opened("examinations"))
    assert not any("UV-A" in one.value for one in at.warning)
    next(one for one in at.button if one.label == "Ask today's set").click().run()
    assert not at.exception
    tables = [one.value for one in at.dataframe if "likeness" in one.value]
    saved = [likeness_words(one) for one in record_of(folder).document["answer"]["matches"]]
    assert [list(one["likeness"]) for one in tables] == [saved, saved]
    assert not any("similarity" in one.value for one in at.dataframe)


def test_an_examination_with_uv_references_cautions_and_is_dark(
    examined: Path, told_of: Callable[[Path], Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    told_of(examined)
    as_saved = Examiner.open

    def under_uv(examiner: Examiner, *which: int) -> ExaminationRecord:
        record = as_saved(examiner, *which)
        lit = [one | {"lighting": "uv-a"} for one in record.document["references"]]
        return replace(record, document={**record.document, "references": lit})

    monkeypatch.setattr(Examiner, "open", under_uv)
    at = reopened(opened("examinations"))
    assert ["wear UV-blocking glasses" in one.value for one in at.warning] == [True]
    assert all(pane["dark"] for pane in shown(at, "viewer")[0]["panes"])


def test_a_reference_that_is_gone_keeps_its_name(
    examined: Path, told_of: Callable[[Path], Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = told_of(examined)
    monkeypatch.setattr(ToldLibrary, "photo_by_sha256", lambda *_: None)
    (card,) = shown(reopened(opened("examinations")), "plates")[0]["cards"]
    nearest = record_of(folder).document["answer"]["nearest_genuine"]
    assert card["name"] == nearest["specimen"]
    assert card["url"] is None
    assert card["missing"] == "No longer in the set"


def test_a_long_list_is_looked_through(examined: Path, told_of: Callable[[Path], Path]) -> None:
    folder = told_of(examined)
    at = opened("examinations")
    assert len(at.text_input) == 0
    with Library.open(folder) as library:
        first = library.examinations.open(1)
        images = [library.examinations.image(first.document["examined"]["searched"])]
        kept = library.examinations._kept
        for number in range(3, 9):
            kept.save(f"Lot {number} Ärger", first.document, images, by="B. Other")
    at = opened("examinations")
    assert "8 examinations" in words(at)
    at.text_input(key="examinations-wanted").set_value("LOT ärger 5").run()
    assert "1 of 8 examinations" in words(at)
    assert [one.key for one in at.button if one.label == "Open"] == ["open-5"]
    at.text_input(key="examinations-wanted").set_value("soft").run()
    assert [one.key for one in at.button if one.label == "Open"] == ["open-2"]
    reopened(at, 2)
    next(one for one in at.button if one.label == "Back to the list").click().run()
    assert [one.key for one in at.button if one.label == "Open"] == ["open-2"]
    at.text_input(key="examinations-wanted").set_value("no such words").run()
    assert "No examination holds all of these words" in words(at)


@pytest.mark.parametrize("number", ["²", "9" * 23, "-1", "x"])
def test_an_address_that_names_no_examination_shows_the_list(
    examined: Path, told_of: Callable[[Path], Path], number: str
) -> None:
    told_of(examined)
    at = opened("examinations")
    at.query_params["examination"] = number
    at.run()
    assert not at.exception
    assert not at.error
    assert "2 examinations" in words(at)


def test_a_note_of_several_lines_is_kept_and_shown_whole(
    examined: Path, told_of: Callable[[Path], Path]
) -> None:
    folder = told_of(examined)
    at = reopened(opened("examinations"))
    note = "The crest stands half a letter to the left.\n" * 12
    area = next(one for one in at.text_area if one.label.startswith("What you see at"))
    area.set_value(note)
    at.text_input(key="supplement-by-1").set_value("B. Example")
    next(one for one in at.button if one.label == "Save as a further revision").click().run()
    assert not at.exception
    marks = [PointMark.from_dict(one) for one in record_of(folder).document["marks"]]
    assert marks[0].note == note
    at.segmented_control(key="revision-1-2").set_value(1).run()
    at.segmented_control(key="revision-1-2").set_value(2).run()
    areas = [one for one in at.text_area if one.label.startswith("What you see at")]
    assert areas[0].value == note


def test_the_name_is_filled_in_the_next_time(
    examined: Path, told_of: Callable[[Path], Path]
) -> None:
    told_of(examined)
    at = reopened(opened("examinations"))
    assert at.text_input(key="supplement-by-1").value == ""
    at.text_input(key="supplement-by-1").set_value("B. Example")
    next(one for one in at.button if one.label == "Save as a further revision").click().run()
    # Another session, as after the browser was closed.
    again = reopened(opened("examinations"), 2)
    assert again.text_input(key="supplement-by-1").value == "B. Example"


def test_characters_that_cannot_be_printed_are_told_of(
    examined: Path, told_of: Callable[[Path], Path]
) -> None:
    told_of(examined)
    at = reopened(opened("examinations"))
    assert "the fonts for print lack" not in words(at)
    at.text_area(key="notes-1").set_value("with ü and 中")
    at.text_input(key="supplement-by-1").set_value("B. Example")
    next(one for one in at.button if one.label == "Save as a further revision").click().run()
    assert "中 (U+4E2D): the fonts for print lack it" in words(at)


def test_the_list_shows_the_photo_and_its_file_name(
    examined: Path, told_of: Callable[[Path], Path]
) -> None:
    folder = told_of(examined)
    at = opened("examinations")
    assert "suspect 1.jpg" in words(at).replace("\\", "")
    assert len(at.get("image")) == 2
    sha256 = record_of(folder).document["examined"]["searched"]
    (folder / "examinations" / sha256[:2] / sha256).unlink()
    # Another copy of the set: pictures are kept by the set's identity and their hash.
    import parts.examinations

    parts.examinations._thumbnail.clear()
    at = opened("examinations")
    assert "No picture" in words(at)
    assert len(at.get("image")) == 1


def test_a_further_revision_says_that_it_was_saved(
    examined: Path, told_of: Callable[[Path], Path]
) -> None:
    folder = told_of(examined)
    at = reopened(opened("examinations"))
    at.text_input(key="supplement-by-1").set_value("B. Example")
    next(one for one in at.button if one.label == "Save as a further revision").click().run()
    assert not at.exception
    assert [one.value.replace("\\", "") for one in at.success] == [
        "Saved as revision 2, by B. Example. Revision 1 stays as it was."
    ]
    assert record_of(folder).revision == 2


def add_revision(at: AppTest, notes: str, revision: int) -> AppTest:
    at.text_area(key=f"notes-{revision}").set_value(notes)
    at.text_input(key=f"supplement-by-{revision}").set_value("B. Example")
    next(one for one in at.button if one.label == "Save as a further revision").click().run()
    assert not at.exception
    return at


def test_the_newest_revision_is_on_show_once_it_is_saved(
    examined: Path, told_of: Callable[[Path], Path]
) -> None:
    folder = told_of(examined)
    at = add_revision(reopened(opened("examinations")), "first look", 1)
    add_revision(at, "second look", 2)
    assert at.segmented_control(key="revision-1-3").value == 3
    assert at.text_area(key="notes-3").value == "second look"
    assert record_of(folder).revision == 3


def test_what_is_typed_stays_where_somebody_else_has_saved_meanwhile(
    examined: Path, told_of: Callable[[Path], Path]
) -> None:
    folder = told_of(examined)
    at = reopened(opened("examinations"))
    with Library.open(folder) as library:
        library.examinations.supplement(
            library.examinations.open(1), marks=[], notes="of another", by="C. Other"
        )
    add_revision(at, "ten minutes of notes", 1)
    assert "C\\. Other has saved revision 2 meanwhile" in at.error[0].value
    assert at.text_area(key="notes-1").value == "ten minutes of notes"
    next(one for one in at.button if one.label == "Begin from revision 2").click().run()
    assert at.text_area(key="notes-2").value == "of another"
    add_revision(at, "of both", 2)
    assert record_of(folder).document["notes"] == "of both"


def test_the_same_saved_again_makes_no_second_one(
    made: Path, told_of: Callable[[Path], Path], sharp: bytes
) -> None:
    folder = told_of(made)
    at = hand_in(opened(), sharp)
    save(at)
    assert "Saved as examination 1." in words(at)
    save(at)
    assert "Examination 1 holds this already" in words(at)
    save(at, title="Box 18")
    assert "Saved as examination 2." in words(at)
    with Library.open(folder) as library:
        assert [line.title for line in library.examinations.lines()] == ["Box 18", "Box 17"]


def typed_at(at: AppTest, **numbers: str) -> AppTest:
    for one in at.text_input:
        place = (one.key or "").rsplit("-", 1)[-1]
        if (one.key or "").startswith("serial-") and place in numbers:
            one.set_value(numbers[place])
    return at.run()


def test_serial_numbers_are_saved_and_shown_and_count_as_a_change(
    made: Path, told_of: Callable[[Path], Path], sharp: bytes
) -> None:
    folder = told_of(made)
    at = save(typed_at(hand_in(opened(), sharp), left="AB 102", right="AB 109"))
    assert "Saved as examination 1." in words(at)
    assert "Examination 1 holds this already" in words(save(at))
    assert "Saved as examination 2." in words(save(typed_at(at, right="AB 102")))
    at.switch_page(PAGES["examinations"]).run()
    assert "Serial numbers AB 102 (left), AB 109 (right)" in words(at).replace("\\", "")
    at = reopened(at, 1)
    told = next(one for one in shown(at, "sheet") if one["title"].startswith("Serial numbers"))
    rows = dict(told["rows"])
    assert rows["Left"] == "AB 102"
    assert rows["Do they agree"].startswith("≠ The numbers do not agree: left and right differ.")
    assert "specimen F-0 " in str(told["rows"])
    assert "rights holder's own service" in words(at)
    at.text_input(key="supplement-by-1").set_value("A. Example")
    at.text_input(key="serial-1-1-right").set_value("AB 102")
    next(one for one in at.button if one.label == "Save as a further revision").click().run()
    assert not at.exception
    record = record_of(folder)
    assert record.revision == 2
    assert record.document["serials"]["agree"] is True


def test_barcodes_read_survive_a_reload_and_are_saved(
    made: Path, told_of: Callable[[Path], Path], sharp: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    import parts.serials

    folder = told_of(made)
    monkeypatch.setattr(parts.serials, "read_barcodes", lambda _: [("CODE_128", "AB102")])
    at = hand_in(opened(), sharp)
    next(one for one in at.button if "barcode" in one.label).click().run()
    key = at.query_params["in-work"]

    def there(at: AppTest) -> None:
        at.query_params["in-work"] = key
        at.session_state["exam-box"] = True

    again = opened(prepare=there)
    assert "Barcode (CODE\\_128)" in words(again)
    save(again)
    (code,) = record_of(folder).document["serials"]["barcodes"]
    assert (code["kind"], code["value"]) == ("CODE_128", "AB102")


def test_title_and_notes_typed_but_not_saved_are_there_again(
    made: Path, told_of: Callable[[Path], Path], sharp: bytes
) -> None:
    told_of(made)
    at = hand_in(opened(), sharp)
    field_of(at).set_value("Lot 9, third tray")
    at.text_area[-1].set_value("Seal lifted at the left.").run()
    key = at.query_params["in-work"]

    def there(at: AppTest) -> None:
        at.query_params["in-work"] = key
        at.session_state["exam-box"] = True

    again = opened(prepare=there)
    assert field_of(again).value == "Lot 9, third tray"
    assert "Seal lifted at the left." in [one.value for one in again.text_area]


def test_the_list_waits_for_what_is_being_saved(
    made: Path, told_of: Callable[[Path], Path], sharp: bytes
) -> None:
    folder = told_of(made)
    go_on = threading.Event()

    def work() -> Outcome:
        assert go_on.wait(60)
        save_straight(folder, sharp, "suspect 1.jpg", "Lot <4>")
        return Outcome(1, again=False)

    job = SAVING.start(folder, "mark", "Lot <4>", work)
    threading.Timer(2, go_on.set).start()
    at = opened("examinations")
    assert job.future.done(), "the page did not wait for what is being saved"
    assert "Nothing has been saved yet" not in words(at)
    assert "Lot <4>" in words(at).replace("\\", "")


def test_a_save_of_the_same_joins_the_one_under_way(tmp_path: Path) -> None:
    saving, go_on = Saving(), threading.Event()

    def work() -> Outcome:
        assert go_on.wait(60)
        return Outcome(1, again=False)

    first = saving.start(tmp_path, ("photo", "title"), "Box 17", work)
    assert saving.start(tmp_path, ("photo", "title"), "Box 17", work) is first
    other = saving.start(tmp_path, ("photo", "another"), "Box 18", work)
    assert saving.running(tmp_path) == [first, other]
    assert saving.running(tmp_path / "elsewhere") == []
    go_on.set()
    wait([first.future, other.future])
    assert saving.running(tmp_path) == []


def test_what_could_not_be_saved_is_said_on_both_pages(
    made: Path, told_of: Callable[[Path], Path], sharp: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    told_of(made)

    def full(*_: object, **__: object) -> None:
        raise SetBusy("The disk is full.")

    monkeypatch.setattr(Examiner, "save", full)
    at = hand_in(opened(), sharp)
    save(at)
    assert "The disk is full" in at.error[0].value
    assert "Saved as" not in words(at)
    at.switch_page(PAGES["examinations"]).run()
    assert "“Box 17” was not saved" in at.error[0].value
