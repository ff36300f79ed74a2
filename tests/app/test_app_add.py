"""The page Add specimens: photos, what lies near, the record, saving."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

import pytest
from app_driver import PAGES, opened, shown, told, words
from streamlit.testing.v1 import AppTest

from drawn_prints import as_bytes, draw_print
from loupebook.library import Element, IntakeState, Library, Lighting, Standing, View


@pytest.fixture
def library(tmp_path: Path, photo_folder: Path, monkeypatch: pytest.MonkeyPatch) -> Library:
    made = Library.create(tmp_path / "set", name="prints")
    assert made.add_manifest(photo_folder / "manifest.csv", by="a curator").ok
    told(monkeypatch, tmp_path / "set")
    return made


def with_photos(*photos: tuple[str, bytes]) -> AppTest:
    at = opened("add")
    for name, data in photos:
        at.file_uploader[0].upload(name, data, "image/png")
    at.run()
    assert not at.exception
    return at


def fill(at: AppTest, *, person: str = "E. Example") -> AppTest:
    fields = {field.label: field for field in at.text_input}
    fields["Name of the specimen *"].set_value("S-77")
    fields["Your name *"].set_value(person)
    fields["Confirmed by"].set_value("F. Example")
    next(radio for radio in at.radio if radio.label == "Element *").set_value(Element.CAP)
    next(radio for radio in at.radio if radio.label == "Standing *").set_value(Standing.FAKE)
    next(area for area in at.text_area if area.label == "Serial numbers").set_value(
        "A 1 | left\nA 1"
    )
    return at.run()


def save(at: AppTest) -> AppTest:
    next(button for button in at.button if button.label.startswith("Save with")).click().run()
    assert not at.exception
    return at


def test_without_a_set_the_page_says_how_to_get_one() -> None:
    assert opened("add").header[0].value == "No set is open"


def test_nothing_can_be_saved_without_a_photo_and_the_manifest_is_explained(
    library: Library,
) -> None:
    at = opened("add")
    assert next(button for button in at.button if button.label.startswith("Save")).disabled
    assert "path,specimen,element,marque" in words(at)


def test_each_photo_has_view_lighting_and_its_own_check(library: Library) -> None:
    at = with_photos(("a.png", as_bytes(draw_print(40))), ("b.png", as_bytes(draw_print(41))))
    assert sum(box.label == "View" for box in at.selectbox) == 2
    assert sum(sheet["title"] == "Photo check" for sheet in shown(at, "sheet")) == 2
    lighting = [box for box in at.selectbox if box.label == "Lighting"]
    lighting[1].select(Lighting.UV_A).run()
    assert any("UV-blocking glasses" in warning.value for warning in at.warning)


def test_a_broken_file_is_left_out_with_its_name(library: Library) -> None:
    at = with_photos(("broken.png", b"nothing"), ("a.png", as_bytes(draw_print(40))))
    assert "broken\\.png" in at.error[0].value
    assert any(button.label == "Save with 1 photo" for button in at.button)


def test_the_nearest_references_show_during_entry(library: Library) -> None:
    at = with_photos(("a.png", as_bytes(draw_print(40))))
    near = next(grid for grid in shown(at, "plates") if grid["label"] == "Nearest known specimens")
    assert near["cards"][0]["name"] == "S-0"
    standing = next(radio for radio in at.radio if radio.label == "Standing *")
    standing.set_value(Standing.GENUINE).run()
    assert not any("It is entered as" in warning.value for warning in at.warning)
    next(radio for radio in at.radio if radio.label == "Standing *").set_value(Standing.FAKE).run()
    assert any("It is entered as **fake**" in warning.value for warning in at.warning)


def test_a_file_that_stands_in_the_set_already_is_said(
    library: Library, photo_folder: Path
) -> None:
    at = with_photos(("again.png", (photo_folder / "print1.png").read_bytes()))
    assert any("This very file stands in the set already" in one.value for one in at.warning)


def test_what_is_missing_is_listed_and_nothing_saved(library: Library) -> None:
    at = save(with_photos(("a.png", as_bytes(draw_print(40)))))
    said = at.error[0].value
    for what in ("the name of the specimen", "its element", "its standing", "your name"):
        assert what in said
    assert library.overview().specimens == 6


def test_a_complete_entry_is_saved_with_all_it_says_and_the_form_is_empty_again(
    library: Library,
) -> None:
    at = with_photos(("a.png", as_bytes(draw_print(40))), ("b.png", as_bytes(draw_print(41))))
    next(box for box in at.selectbox if box.label == "View").select(View.BACK)
    save(fill(at))
    record = library.specimen("S-77")
    assert (record.element, record.standing) == (Element.CAP, Standing.FAKE)
    assert [(serial.value, serial.place) for serial in record.serials] == [
        ("A 1", "left"),
        ("A 1", None),
    ]
    assert record.provenance.confirmed_by == "F. Example"
    assert record.provenance.entered_by == "E. Example"
    assert [photo.view for photo in library.photos("S-77")] == [View.BACK, View.FACE]
    assert "2 photos added" in at.success[0].value
    fields = {field.label: field.value for field in at.text_input}
    assert fields["Name of the specimen *"] == ""
    assert fields["Your name *"] == "E. Example"


def test_a_conflict_is_said_and_the_entry_stays(library: Library) -> None:
    at = fill(with_photos(("a.png", as_bytes(draw_print(40)))))
    next(one for one in at.text_input if one.label == "Name of the specimen *").set_value("S-1")
    save(at.run())
    assert "1 photo left out" in at.error[0].value
    assert {field.label: field.value for field in at.text_input}["Name of the specimen *"] == "S-1"
    assert library.specimen("S-1").element is Element.BAND


def test_a_draft_is_offered_again_after_the_page_was_closed(library: Library) -> None:
    at = with_photos(("a.png", as_bytes(draw_print(40))))
    next(one for one in at.text_input if one.label == "Name of the specimen *").set_value("S-50")
    at.run()
    again = opened("add")
    assert "S\\-50" in words(again)
    next(button for button in again.button if button.label == "Go on").click().run()
    name = next(one for one in again.text_input if one.label == "Name of the specimen *")
    assert name.value == "S-50"
    assert any(button.label == "Save with 1 photo" for button in again.button)
    next(button for button in again.button if button.label == "Remove").click().run()
    assert not again.exception
    assert any(button.label == "Save with 0 photos" for button in again.button)
    assert len(library.drafts.all()) == 1  # it still has a name
    next(one for one in again.text_input if one.label == "Name of the specimen *").set_value("")
    again.run()
    assert library.drafts.all() == []


def field(at: AppTest, label: str) -> Any:
    return next(one for one in [*at.text_input, *at.text_area] if one.label == label)


def test_two_sessions_work_on_one_draft(library: Library) -> None:
    desk = opened("add")
    field(desk, "Name of the specimen *").set_value("S-60").run()
    phone = opened("add")
    next(button for button in phone.button if button.label == "Go on").click().run()
    field(desk, "Where it came from").set_value("auction").run()
    field(phone, "Notes").set_value("from a box").run()
    assert field(phone, "Where it came from").value == "auction"
    (draft,) = library.drafts.all()
    told = {name: draft.fields[name] for name in ("name", "source", "notes")}
    assert told == {"name": "S-60", "source": "auction", "notes": "from a box"}

    library.drafts.discard(draft.draft_id)  # the desk has entered it
    phone.run()
    assert "entered or given up" in phone.info[0].value
    assert field(phone, "Notes").value == ""
    assert library.drafts.all() == []


def test_a_record_typed_before_its_first_photo_is_there_again(library: Library) -> None:
    at = opened("add")
    assert library.drafts.all() == []
    at.text_input[0].set_value("S-88").run()
    next(area for area in at.text_area if area.label == "Notes").set_value("from a box").run()
    assert not at.exception
    at.switch_page(PAGES["library"]).run()
    at.switch_page(PAGES["add"]).run()
    fields = {field.label: field.value for field in [*at.text_input, *at.text_area]}
    assert fields["Name of the specimen *"] == "S-88"
    assert fields["Notes"] == "from a box"
    assert [draft.fields["name"] for draft in library.drafts.all()] == ["S-88"]


def test_what_is_to_be_proposed_stays_so(library: Library) -> None:
    def state(at: AppTest) -> Any:
        return next(one for one in at.radio if one.label == "Enter it as")

    at = fill(with_photos(("a.png", as_bytes(draw_print(40)))))
    state(at).set_value(IntakeState.PROPOSED).run()
    at.switch_page(PAGES["library"]).run()
    at.switch_page(PAGES["add"]).run()
    assert state(at).value is IntakeState.PROPOSED
    again = opened("add")
    next(button for button in again.button if button.label == "Go on").click().run()
    assert state(again).value is IntakeState.PROPOSED
    save(again)
    assert library.specimen("S-77").state is IntakeState.PROPOSED
    assert state(again).value is IntakeState.CONFIRMED  # the next one is another


def test_a_folder_that_finds_no_room_for_temporary_files_is_said(
    library: Library, photo_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    at = opened("add")
    at.text_input(key="batch-path").set_value(str(photo_folder)).run()
    at.text_input(key="batch-person").set_value("E. Example").run()
    monkeypatch.setattr(tempfile, "tempdir", str(photo_folder / "none"))
    next(button for button in at.button if button.label == "Check only").click().run()
    assert not at.exception
    assert "The system refused a file" in at.error[0].value


def test_a_bag_that_finds_no_room_for_temporary_files_is_said(
    library: Library, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    at = opened()
    at.switch_page("views/upkeep.py").run()
    at.text_input(key="export-person").set_value("E. Example")
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "none"))
    next(button for button in at.button if button.label == "Make the bag").click().run()
    assert not at.exception
    assert "The system refused a file" in at.error[0].value


def test_the_list_of_photos_ticks_off_what_is_there(library: Library) -> None:
    at = with_photos(("a.png", as_bytes(draw_print(40))))
    next(one for one in at.radio if one.label == "Element *").set_value(Element.SEAL).run()
    guide = next(sheet for sheet in shown(at, "sheet") if sheet["title"] == "Photos of a seal")
    assert [item["mark"] for item in guide["items"]] == ["✓ there"] + ["○ to do"] * 4


def test_a_folder_with_a_manifest_is_checked_then_added_and_a_second_time_adds_nothing(
    library: Library, photo_folder: Path
) -> None:
    (photo_folder / "manifest.csv").write_text(
        "path,specimen,element,standing\nprint0.png,N-0,cap,fake\nmissing.png,N-1,cap,fake\n"
    )
    picture = draw_print(70)
    picture.save(photo_folder / "print0.png")
    at = opened("add")
    at.text_input(key="batch-path").set_value(str(photo_folder)).run()
    at.text_input(key="batch-person").set_value("E. Example").run()
    for label, expected in (
        ("Check only", "1 photo would be added"),
        ("Add them", "1 photo added, 0 already there, 1 left out"),
        ("Add them", "0 photos added, 1 already there"),
    ):
        next(button for button in at.button if button.label == label).click().run()
        assert not at.exception
        assert any(expected in box.value for box in at.warning), [box.value for box in at.warning]
    assert "missing" in words(at)
    assert library.specimen("N-0").standing is Standing.FAKE


def test_the_report_of_one_folder_does_not_stand_under_another(
    library: Library, photo_folder: Path, tmp_path: Path
) -> None:
    at = opened("add")
    at.text_input(key="batch-path").set_value(str(photo_folder)).run()
    at.text_input(key="batch-person").set_value("E. Example").run()
    next(button for button in at.button if button.label == "Check only").click().run()
    assert "already there" in at.success[0].value
    at.text_input(key="batch-path").set_value(str(tmp_path / "nowhere")).run()
    assert not at.success
    at.text_input(key="batch-path").set_value(str(photo_folder)).run()
    assert "already there" in at.success[0].value


def test_in_a_set_of_two_persons_the_page_says_that_it_waits(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    two = Library.create(tmp_path / "two", name="two", two_person=True)
    told(monkeypatch, tmp_path / "two")
    at = save(fill_two(with_photos(("a.png", as_bytes(draw_print(40))))))
    assert "It waits for a second person" in at.success[0].value
    assert two.specimen("S-77").state == "proposed"


def fill_two(at: AppTest) -> AppTest:
    fields = {field.label: field for field in at.text_input}
    assert "Confirmed by" not in fields
    fields["Name of the specimen *"].set_value("S-77")
    fields["Your name *"].set_value("E. Example")
    next(radio for radio in at.radio if radio.label == "Element *").set_value(Element.CAP)
    next(radio for radio in at.radio if radio.label == "Standing *").set_value(Standing.FAKE)
    return at.run()
