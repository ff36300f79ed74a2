"""The page Library: browse, filter, page through, open, withdraw, reinstate, confirm."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from app_driver import PAGES, opened, run_fragment, send, shown, told, words
from streamlit.testing.v1 import AppTest

from drawn_prints import as_bytes, draw_print
from loupebook.errors import SetNotFound
from loupebook.library import (
    Basis,
    Element,
    IncomingPhoto,
    IntakeState,
    Library,
    Lighting,
    Provenance,
    Serial,
    SpecimenRecord,
    Standing,
    View,
)


def add(library: Library, number: int, **fields: object) -> None:
    record = SpecimenRecord(
        f"S-{number:02d}",
        Element.SEAL if number % 2 else Element.BAND,
        Standing.FAKE if number % 3 == 0 else Standing.GENUINE,
        **fields,
    )
    photo = IncomingPhoto(as_bytes(draw_print(number, 64)), f"{number}.png")
    assert library.add_specimen(record, [photo], by="a curator").ok


@pytest.fixture
def library(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Library:
    made = Library.create(tmp_path / "set", name="prints")
    for number in range(1, 31):
        add(made, number, marque=f"Marque {number % 4}")
    told(monkeypatch, tmp_path / "set")
    return made


def names(at: AppTest) -> list[str]:
    return [card["name"] for card in shown(at, "plates")[0]["cards"]]


def test_without_a_set_the_page_says_how_to_get_one() -> None:
    assert opened("library").header[0].value == "No set is open"


def test_the_list_is_paged_and_never_loads_everything(library: Library) -> None:
    at = opened("library")
    assert names(at) == [f"S-{number:02d}" for number in range(1, 25)]
    assert "30 specimens, showing 1 to 24" in words(at)
    at.get("pagination")[0].set_value(2).run()
    assert names(at) == [f"S-{number:02d}" for number in range(25, 31)]


def test_filters_and_text_narrow_the_list_and_go_back_to_the_first_page(library: Library) -> None:
    at = opened("library")
    at.get("pagination")[0].set_value(2).run()
    at.selectbox(key="library-standing").select(Standing.FAKE).run()
    assert names(at) == [f"S-{number:02d}" for number in range(3, 31, 3)]
    at.selectbox(key="library-element").select(Element.SEAL).run()
    assert names(at) == ["S-03", "S-09", "S-15", "S-21", "S-27"]
    at.text_input(key="library-text").set_value("s-2").run()
    assert names(at) == ["S-21", "S-27"]


def test_the_list_is_as_it_was_left_when_a_specimen_is_closed(library: Library) -> None:
    at = opened("library")
    at.text_input(key="library-text").set_value("s-").run()
    at.get("pagination")[0].set_value(2).run()
    at.query_params["specimen"] = "S-27"
    at.run()
    next(button for button in at.button if button.label == "Back to the list").click().run()
    assert names(at) == [f"S-{number:02d}" for number in range(25, 31)]
    at.selectbox(key="library-marque").select("Marque 3").run()
    at.switch_page(PAGES["examinations"]).run()
    for specimen in library.specimens(marque="Marque 3"):
        library.edit_specimen(specimen.name, {"marque": "Marque 9"}, by="a curator", reason="r")
    at.switch_page(PAGES["library"]).run()
    assert not at.exception
    assert at.text_input(key="library-text").value == "s-"
    assert at.selectbox(key="library-marque").value is None  # no specimen bears it any more


def test_the_lighting_filter_cautions_about_uv_a_and_can_leave_nothing(library: Library) -> None:
    at = opened("library")
    at.selectbox(key="library-lighting").select(Lighting.UV_A).run()
    said = [warning.value for warning in at.warning]
    assert any("UV-blocking glasses" in one for one in said)
    assert any("No specimen passes" in one for one in said)
    next(button for button in at.button if button.label == "Clear all filters").click().run()
    assert len(names(at)) == 24


def open_specimen(name: str) -> AppTest:
    at = opened("library")
    at.query_params["specimen"] = name
    at.run()
    assert not at.exception
    return at


def test_a_specimen_shows_photo_provenance_and_serials_as_plain_text(library: Library) -> None:
    add(
        library,
        90,
        edition="Second",
        marque="Marque 1",
        provenance=Provenance(source="<b>auction</b>", confirmed_by="B. Example", basis="letter"),
        serials=(Serial("A 104882", "left"), Serial("104882", "crest")),
    )
    at = open_specimen("S-90")
    record = next(sheet for sheet in shown(at, "sheet") if sheet["title"] == "S-90")
    facts = dict(record["rows"])
    assert record["standing"] == ["fake", "Fake"]
    assert facts["Source"] == "<b>auction</b>"
    assert facts["Serial numbers"] == "A 104882 (left)\n104882 (crest)"
    assert facts["Print origin"] == "not recorded"
    assert shown(at, "viewer")[0]["panes"][0]["url"]


def test_withdrawing_needs_a_person_and_a_reason(library: Library) -> None:
    at = open_specimen("S-02")
    submit = next(button for button in at.button if button.label == "Withdraw")
    submit.click().run()
    assert "Give your name and the reason" in at.error[0].value
    assert library.specimen("S-02").state is IntakeState.CONFIRMED


def test_withdraw_and_reinstate_by_a_named_person(library: Library) -> None:
    at = open_specimen("S-02")
    at.text_input(key="state-person").set_value("C. Example")
    reason = next(field for field in at.text_input if field.label == "Reason")
    reason.set_value("mislabelled *box*")
    next(button for button in at.button if button.label == "Withdraw").click().run()
    assert library.specimen("S-02").withdrawn_reason == "mislabelled *box*"
    assert "Withdrawn, not searched" in at.warning[0].value
    assert [event.actor for event in library.history("S-02")][-1] == "C. Example"

    # The name is remembered; only the button is left to press.
    next(button for button in at.button if button.label == "Reinstate").click().run()
    assert library.specimen("S-02").state is IntakeState.CONFIRMED


def one_waiting(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Library:
    """Show a set that asks for two persons, with one specimen that waits for the second."""
    made = Library.create(tmp_path / "two", name="two", two_person=True)
    add(made, 1, state=IntakeState.PROPOSED)
    told(monkeypatch, tmp_path / "two")
    return made


def confirm_by_court(at: AppTest) -> None:
    at.text_input(key="confirm-person").set_value("D. Example")
    next(box for box in at.selectbox if box.label == "On what grounds *").select(Basis.COURT)
    next(button for button in at.button if button.label == "Confirm").click().run()


def test_a_proposed_specimen_is_confirmed_by_a_second_person(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = one_waiting(tmp_path, monkeypatch)
    at = open_specimen("S-01")
    confirm_by_court(at)
    assert made.specimen("S-01").state is IntakeState.CONFIRMED
    assert made.specimen("S-01").provenance.basis == "court"


def test_what_was_changed_after_the_page_was_drawn_is_not_confirmed_unseen(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = one_waiting(tmp_path, monkeypatch)
    at = open_specimen("S-01")
    shown = made.specimen("S-01").standing
    other = next(one for one in Standing if one is not shown)
    made.edit_specimen("S-01", {"standing": other}, by="A. Example", reason="mistyped")
    confirm_by_court(at)
    assert "after you looked at it" in at.error[0].value
    assert made.specimen("S-01").state is IntakeState.PROPOSED
    # The page shows it as it is now, so the next press confirms that.
    next(button for button in at.button if button.label == "Confirm").click().run()
    assert made.specimen("S-01").state is IntakeState.CONFIRMED
    assert made.specimen("S-01").standing is other


def test_a_wrong_standing_is_corrected_and_the_correction_taken_back(library: Library) -> None:
    at = open_specimen("S-02")
    before = library.specimen("S-02")
    other = next(one for one in Standing if one is not before.standing)
    next(radio for radio in at.radio if radio.label == "Standing").set_value(other)
    at.text_input(key="edit-person").set_value("C. Example")
    next(field for field in at.text_input if field.label == "Why").set_value("laboratory")
    next(button for button in at.button if button.label == "Save the changes").click().run()
    assert library.specimen("S-02").standing is other
    assert not at.error
    table = at.dataframe[0].value
    assert "laboratory" in set(table["why"])
    at.selectbox(key="undo-line-S-02").select_index(0)
    field = next(one for one in at.text_input if one.label == "Why it is taken back")
    field.set_value("wrong report")
    at.text_input(key="undo-person").set_value("C. Example")
    next(button for button in at.button if button.label == "Take it back").click().run()
    assert library.specimen("S-02") == before


def test_the_line_that_was_chosen_is_taken_back_and_no_later_one(library: Library) -> None:
    for notes in ("first", "second"):
        library.edit_specimen("S-02", {"notes": notes}, by="a curator", reason="typed")
    chosen = library.history("S-02")[-1].event_id
    at = open_specimen("S-02")
    next(one for one in at.text_input if one.label == "Why it is taken back").set_value("mistyped")
    at.text_input(key="undo-person").set_value("C. Example")
    next(button for button in at.button if button.label == "Take it back").click().run()
    assert "Choose the line" in at.error[0].value
    at.selectbox(key="undo-line-S-02").set_value(chosen)
    library.edit_specimen("S-02", {"source": "a shop"}, by="another curator", reason="learnt")
    next(button for button in at.button if button.label == "Take it back").click().run()
    assert not at.exception
    now = library.specimen("S-02")
    assert (now.notes, now.provenance.source) == ("first", "a shop")


def test_the_name_typed_last_signs_and_is_filled_in_everywhere(library: Library) -> None:
    from loupebook.library import remembered_name

    at = open_specimen("S-02")
    keys = ("photo-person", "edit-person", "state-person")
    for name in ("Anna", "Carl"):
        at.text_input(key="edit-person").set_value(name)
        next(one for one in at.text_input if one.label == "Why").set_value("misread")
        next(one for one in at.text_area if one.label == "Notes").set_value(f"by {name}")
        next(one for one in at.button if one.label == "Save the changes").click().run()
        assert not at.exception
        assert library.log()[-1].actor == name
        assert remembered_name() == name
        assert {at.text_input(key=key).value for key in keys} == {name}
    assert open_specimen("S-04").text_input(key="photo-person").value == "Carl"


def test_a_mislabelled_photo_is_corrected(library: Library) -> None:
    at = open_specimen("S-02")
    next(box for box in at.selectbox if box.label == "View").select(View.BACK)
    next(one for one in at.text_input if one.label == "Why it is corrected").set_value("mistaken")
    at.text_input(key="photo-person").set_value("C. Example")
    next(button for button in at.button if button.label == "Save the correction").click().run()
    assert not at.exception
    assert library.photos("S-02")[0].view is View.BACK
    assert library.log()[-1].action == "edit-photo"


def test_moving_the_last_photo_away_is_said(library: Library) -> None:
    at = open_specimen("S-02")
    field = next(one for one in at.text_input if one.label == "Specimen that it shows")
    field.set_value("S-04")
    next(one for one in at.text_input if one.label == "Why it is corrected").set_value("mixed up")
    at.text_input(key="photo-person").set_value("C. Example")
    next(button for button in at.button if button.label == "Save the correction").click().run()
    assert not at.exception
    assert library.photos("S-02") == []
    assert "has no photo any more" in words(at)
    at.run()
    assert "has no photo any more" not in words(at)


def test_what_changes_nothing_is_said_to(library: Library) -> None:
    lines = len(library.log())
    at = open_specimen("S-02")
    for why, person, save in (
        ("Why", "edit-person", "Save the changes"),
        ("Why it is corrected", "photo-person", "Save the correction"),
    ):
        next(one for one in at.text_input if one.label == why).set_value("checked")
        at.text_input(key=person).set_value("C. Example")
        next(button for button in at.button if button.label == save).click().run()
        assert not at.exception
        assert "Nothing was changed" in words(at)
    assert len(library.log()) == lines


def correct_scale(at: AppTest, monkeypatch: pytest.MonkeyPatch, scale: float) -> AppTest:
    """Correct the scale of the photo on show, as a browser does: its part of the page runs."""
    next(one for one in at.number_input if one.label.startswith("Scale")).set_value(scale)
    next(one for one in at.text_input if one.label == "Why it is corrected").set_value("measured")
    at.text_input(key="photo-person").set_value("C. Example")
    next(button for button in at.button if button.label == "Save the correction").click()
    return run_fragment(at, monkeypatch)


def test_correcting_a_photo_leaves_what_another_has_corrected(
    library: Library, monkeypatch: pytest.MonkeyPatch
) -> None:
    at = open_specimen("S-02")
    photo = library.photos("S-02")[0]
    lit = {"lighting": Lighting.UV_A}
    library.edit_photo(photo.photo_id, lit, by="another curator", reason="it is UV-A")
    correct_scale(at, monkeypatch, 12.0)
    assert "corrected this photo meanwhile" in at.error[0].value
    assert library.photos("S-02")[0].lighting is Lighting.UV_A
    correct_scale(at, monkeypatch, 12.0)
    now = library.photos("S-02")[0]
    assert (now.lighting, now.px_per_mm) == (Lighting.UV_A, 12.0)


def test_a_photo_that_goes_while_its_specimen_is_open_is_said(
    library: Library, monkeypatch: pytest.MonkeyPatch
) -> None:
    at = open_specimen("S-02")
    shutil.rmtree(library.folder / "photos")
    run_fragment(at, monkeypatch)
    assert not at.exception
    assert "loupebook verify" in words(at)


def test_an_unknown_name_in_the_address_is_said(library: Library) -> None:
    assert "no specimen of that name" in open_specimen("S-99").warning[0].value


def test_a_set_that_goes_while_it_is_looked_for_is_said_to_be_gone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from parts.current_set import open_set

    told(monkeypatch, tmp_path / "gone")
    monkeypatch.setattr(Path, "exists", lambda _: True)
    with pytest.raises(SetNotFound, match="no set is here"):
        open_set()


def test_an_import_shows_what_it_filled_in_and_what_to_look_at() -> None:
    def page() -> None:
        from loupebook.library import Fate, ImportReport, Taken
        from parts.exchanging import _show

        taken = (Taken("S-1", "S-1", Fate.EXTENDED, filled=("serial",), left_out=("notes",)),)
        _show(ImportReport("Ours", "id", taken, 0, done=True, remarks=("the serial A1 [x]",)))

    notes = [one.value.replace("\\", "") for one in AppTest.from_function(page).run().markdown]
    assert notes == [
        "- 'S-1': filled in here: serial",
        "- 'S-1': left out, since a correction here had taken it away: notes",
        "- look: the serial A1 [x]",
    ]


def damage(library: Library, specimen: str, photo: int = 0) -> None:
    """Lose one photo file and the small picture that was made of it."""
    sha256 = library.photos(specimen)[photo].sha256
    (library.folder / "photos" / sha256[:2] / sha256).unlink()
    for small in (library.folder / "derived").rglob(f"{sha256}.jpg"):
        small.unlink()


def test_one_lost_photo_is_named_and_the_list_goes_on(library: Library) -> None:
    damage(library, "S-02")
    at = opened("library")
    assert len(names(at)) == 24
    cards = {card["name"]: card for card in shown(at, "plates")[0]["cards"]}
    assert cards["S-01"]["url"]
    assert (cards["S-02"]["url"], cards["S-02"]["missing"]) == (None, "Photo lost or damaged")
    (said,) = [warning.value for warning in at.warning]
    assert "2\\.png of S\\-02" in said
    assert "loupebook verify" in said


def test_a_specimen_shows_its_other_photos_where_one_is_lost(library: Library) -> None:
    second = IncomingPhoto(as_bytes(draw_print(77, 64)), "second.png", view=View.BACK)
    library.add_specimen(library.specimen("S-02"), [second], by="a curator")
    damage(library, "S-02")
    at = open_specimen("S-02")
    assert "2\\.png cannot be shown" in at.error[0].value
    cards = shown(at, "plates")[0]["cards"]
    assert [bool(card["url"]) for card in cards] == [False, True]
    assert not shown(at, "viewer")
    assert shown(send(at, "plates", chosen=cards[1]["key"]), "viewer")[0]["panes"][0]["url"]
