"""Corrections and their undoing: every field has a history, nothing is ever deleted."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from records_material import photo_of, specimen_of

from loupebook.errors import RecordConflict, RecordInvalid, RecordNotFound
from loupebook.records.catalogue import Catalogue
from loupebook.records.history import can_be_undone
from loupebook.records.model import IntakeState, Lighting, Provenance, Serial, Standing, View
from loupebook.records.people import People, Role
from loupebook.records.sheets import Sheets

Act = Callable[[Catalogue], object]


@pytest.fixture
def catalogue(tmp_path: Path) -> Iterator[Catalogue]:
    with Catalogue.create(tmp_path / "one", name="S") as made:
        made.add_specimen(
            specimen_of("A", marque="Typo", edition="E", serials=(Serial("1"),)),
            [photo_of(1), photo_of(2)],
            by="first",
        )
        made.add_specimen(specimen_of("B"), [photo_of(3)], by="first")
        yield made
        assert made.verify().damage == ()


@pytest.fixture
def two(tmp_path: Path) -> Iterator[Catalogue]:
    with Catalogue.create(tmp_path / "two", name="S", two_person=True) as made:
        made.add_specimen(specimen_of("A"), [photo_of(1)], by="First")
        made.confirm("A", by="Second", basis="court")
        yield made
        assert made.verify().damage == ()


def test_only_what_was_looked_at_is_confirmed(two: Catalogue) -> None:
    two.add_specimen(specimen_of("B"), [photo_of(3)], by="First")
    seen = two.events("B")[-1].event_id
    two.edit_specimen("A", {"standing": "fake"}, by="First", reason="another specimen")
    two.add_specimen(specimen_of("B"), [photo_of(4)], by="Third")
    with pytest.raises(RecordConflict, match="changed by 'Third' after you looked at it"):
        two.confirm("B", by="Second", basis="court", seen=seen)
    assert two.specimen("B").state is IntakeState.PROPOSED
    seen = two.events("B")[-1].event_id
    assert (
        two.confirm("B", by="Second", basis="court", seen=seen).record.state
        is IntakeState.CONFIRMED
    )


def test_a_wrong_standing_is_corrected_with_its_reason(catalogue: Catalogue) -> None:
    changed = catalogue.edit_specimen(
        "A", {"standing": "fake", "origin": "press 2"}, by="you", reason="laboratory"
    ).record
    assert (changed.standing, changed.origin) == (Standing.FAKE, "press 2")
    told = [(one.field, one.before, one.after, one.by) for one in catalogue.field_history("A")]
    assert sorted(told[-2:], key=str) == [
        ("origin", None, "press 2", "you"),
        ("standing", "genuine", "fake", "you"),
    ]
    assert catalogue.field_history("A")[-1].reason == "laboratory"


def test_a_misspelt_marque_is_gone_from_the_lists_once_nobody_has_it(catalogue: Catalogue) -> None:
    catalogue.edit_specimen("A", {"marque": "True"}, by="you", reason="spelling")
    assert catalogue.marques() == ["True"]
    assert [(one.marque, one.name) for one in catalogue.editions()] == [("True", "E")]


def test_serials_and_notes_are_replaced_and_cleared(catalogue: Catalogue) -> None:
    catalogue.edit_specimen(
        "A", {"serials": [["2", "left"], ["3", None]], "notes": "n"}, by="you", reason="read again"
    )
    assert catalogue.specimen("A").serials == (Serial("2", "left"), Serial("3"))
    catalogue.edit_specimen("A", {"serials": None, "notes": None}, by="you", reason="r")
    assert catalogue.specimen("A").serials == ()
    assert catalogue.specimen("A").notes is None


def test_what_a_correction_took_away_does_not_come_in_again(catalogue: Catalogue) -> None:
    said = specimen_of(
        "N",
        marque="M",
        edition="E",
        origin="press 1",
        provenance=Provenance(source="a shop"),
        serials=(Serial("A1", "left"),),
        notes="bad\nseen twice",
    )
    catalogue.add_specimen(said, [], by="first")
    corrected = {"marque": None, "edition": None, "origin": None, "source": None,
                 "serials": [["A7", "left"]], "notes": "good\nseen twice"}  # fmt: skip
    catalogue.edit_specimen("N", corrected, by="second", reason="misread")
    record = catalogue.specimen("N")
    outcome = catalogue.add_specimen(said, [], by="first")
    assert not outcome.changed
    assert outcome.left_out == ("marque", "edition", "origin", "source", "serial", "notes")
    assert catalogue.specimen("N") == record
    more = replace(said, serials=(Serial("A1", "left"), Serial("8")))
    assert catalogue.add_specimen(more, [], by="first").filled == ("serial",)
    assert catalogue.specimen("N").serials == (Serial("A7", "left"), Serial("8"))

    # What was put back is no longer taken away.
    catalogue.edit_specimen("N", {"serials": [["A1", "left"]]}, by="second", reason="right")
    catalogue.edit_specimen("N", {"serials": [["A1", None]]}, by="second", reason="no")
    catalogue.undo(catalogue.events("N")[-1].event_id, by="second", reason="yes")
    assert "serial" not in catalogue.add_specimen(said, [], by="first").left_out


def test_what_is_so_already_changes_nothing(catalogue: Catalogue) -> None:
    before = catalogue.info()
    catalogue.edit_specimen("A", {"standing": "genuine"}, by="you", reason="r")
    assert catalogue.info() == before


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"standing": "perhaps"}, "genuine, fake"),
        ({"name": "C"}, "cannot be changed"),
        ({"state": "confirmed"}, "cannot be changed"),
        ({"marque": None}, "needs the marque"),
        ({"confirmed_on": "yesterday"}, "not a date"),
        ({"standing": None}, "cannot be left empty; use one of: genuine, fake"),
        ({"element": None}, "cannot be left empty"),
        ({"serials": ["ab"]}, "list of pairs"),
        ({"serials": [["a"]]}, "list of pairs"),
    ],
)
def test_what_is_not_allowed_is_refused(
    catalogue: Catalogue, changes: dict[str, object], told: str
) -> None:
    before = (catalogue.info(), catalogue.specimen("A"))
    with pytest.raises(RecordInvalid, match=told):
        catalogue.edit_specimen("A", changes, by="you", reason="r")
    assert (catalogue.info(), catalogue.specimen("A")) == before


def test_every_kind_of_change_can_be_undone_and_the_undoing_too(catalogue: Catalogue) -> None:
    acts = [
        lambda: catalogue.edit_specimen("A", {"standing": "fake"}, by="you", reason="r"),
        lambda: catalogue.edit_specimen("A", {"serials": [["9", None]]}, by="you", reason="r"),
        lambda: catalogue.add_specimen(
            specimen_of("A", standing="fake", origin="O", serials=(Serial("7"),)), [], by="you"
        ),
        lambda: catalogue.withdraw("A", by="you", reason="r"),
    ]
    for act in acts:
        before = catalogue.specimen("A")
        act()
        after = catalogue.specimen("A")
        assert after != before
        assert (
            catalogue.undo(catalogue.events()[-1].event_id, by="me", reason="slip").record.name
            == "A"
        )
        assert catalogue.specimen("A") == before
        catalogue.undo(catalogue.events()[-1].event_id, by="me", reason="no slip")
        assert catalogue.specimen("A") == after
    lines = catalogue.events()
    assert [line.event_id for line in lines] == list(range(1, len(lines) + 1))


def test_a_later_change_stands_in_the_way_of_an_undoing(catalogue: Catalogue) -> None:
    catalogue.edit_specimen("A", {"notes": "one"}, by="you", reason="r")
    line = catalogue.events()[-1].event_id
    catalogue.edit_specimen("A", {"notes": "two"}, by="you", reason="r")
    with pytest.raises(RecordConflict, match="notes was changed since"):
        catalogue.undo(line, by="me", reason="r")
    with pytest.raises(RecordConflict, match="nothing is ever deleted"):
        catalogue.undo(1, by="me", reason="r")
    for number in (99, 10**30):
        with pytest.raises(RecordNotFound, match=f"no line {number}"):
            catalogue.undo(number, by="me", reason="r")
        with pytest.raises(RecordNotFound, match=f"no photo number {number}"):
            catalogue.photo(number)


def test_the_marque_of_an_edition_given_later_stays(catalogue: Catalogue) -> None:
    catalogue.edit_specimen("B", {"marque": "M"}, by="you", reason="r")
    line = catalogue.events()[-1].event_id
    catalogue.edit_specimen("B", {"edition": "E"}, by="you", reason="r")
    with pytest.raises(RecordConflict, match=f"'E' belongs to that marque. Undo line {line + 1}"):
        catalogue.undo(line, by="me", reason="r")
    catalogue.undo(line + 1, by="me", reason="r")
    catalogue.undo(line, by="me", reason="r")
    assert catalogue.specimen("B").marque is None


def test_a_photo_is_relabelled_and_moved_and_both_undone(catalogue: Catalogue) -> None:
    (first, _), (other,) = catalogue.photos("A"), catalogue.photos("B")
    catalogue.edit_photo(
        first.photo_id, {"view": "back", "lighting": "uv-a"}, by="you", reason="mislabelled"
    )
    assert (catalogue.photo(1).view, catalogue.photo(1).lighting) == (View.BACK, Lighting.UV_A)
    catalogue.edit_photo(first.photo_id, {"specimen": "B"}, by="you", reason="mixed up")
    assert [photo.photo_id for photo in catalogue.photos("B")] == [1, other.photo_id]
    moved = next(e for e in reversed(catalogue.events()) if e.action == "edit-photo")
    assert catalogue.undo(moved.event_id, by="me", reason="r").record.name == "A"
    assert len(catalogue.photos("A")) == 2
    assert catalogue.verify().ok
    with pytest.raises(RecordNotFound):
        catalogue.edit_photo(first.photo_id, {"specimen": "C"}, by="you", reason="r")
    for field in ("view", "lighting", "specimen"):
        with pytest.raises(RecordInvalid, match=f"{field}: "):
            catalogue.edit_photo(first.photo_id, {field: None}, by="you", reason="r")


def test_the_history_says_of_which_photo(catalogue: Catalogue) -> None:
    catalogue.edit_photo(1, {"view": "back"}, by="you", reason="r")
    catalogue.edit_photo(2, {"specimen": "B"}, by="you", reason="r")
    told = [
        [(one.field, one.photo, one.before, one.after) for one in catalogue.field_history(name)]
        for name in ("A", "B")
    ]
    assert told[0][-2:] == [("view", "1.jpg", "face", "back"), ("specimen", "2.jpg", "A", "B")]
    assert told[1][-1] == ("photo", None, None, "2.jpg")


def test_a_photo_goes_to_no_withdrawn_specimen(catalogue: Catalogue) -> None:
    catalogue.withdraw("B", by="you", reason="doubt")
    with pytest.raises(RecordConflict, match="reinstate it"):
        catalogue.edit_photo(1, {"specimen": "B"}, by="you", reason="r")
    assert catalogue.photo(1).specimen == "A"


def test_settings_are_changed_back_and_not_undone(catalogue: Catalogue) -> None:
    catalogue.edit_set({"two_person": True}, by="root", reason="r")
    line = catalogue.events()[-1]
    assert not can_be_undone(line)
    with pytest.raises(RecordConflict, match="change its settings back"):
        catalogue.undo(line.event_id, by="root", reason="r")


def test_with_two_persons_a_changed_standing_waits_again(two: Catalogue) -> None:
    two.edit_specimen("A", {"notes": "n"}, by="First", reason="r")
    assert two.specimen("A").state is IntakeState.CONFIRMED
    two.edit_specimen("A", {"standing": "fake"}, by="Second", reason="laboratory")
    record = two.specimen("A")
    assert record.state is IntakeState.PROPOSED
    assert record.provenance.confirmed_by is None
    for one in ("Second", " second "):
        with pytest.raises(RecordConflict, match="second person"):
            two.confirm("A", by=one)
    # The rest of it was confirmed by a second person, so a team of two is not stuck.
    assert two.confirm("A", by="First").record.state is IntakeState.CONFIRMED


@pytest.mark.parametrize(
    "act",
    [
        lambda c: c.undo(_line(c, "edit-specimen"), by="Third", reason="r"),
        lambda c: c.add_specimen(specimen_of("A", marque="M"), [], by="Third"),
        lambda c: c.add_specimen(specimen_of("A"), [photo_of(9)], by="Third"),
        lambda c: c.edit_photo(1, {"specimen": "B"}, by="Third", reason="out"),
        lambda c: c.edit_photo(2, {"specimen": "A"}, by="Third", reason="in"),
        lambda c: c.undo(_line(c, "edit-photo"), by="Third", reason="back"),
    ],
    ids=["undo", "design", "photo", "out", "in", "back"],
)
def test_with_two_persons_nothing_stated_goes_round_the_second(two: Catalogue, act: Act) -> None:
    two.add_specimen(specimen_of("B", standing="fake"), [photo_of(2)], by="First")
    two.add_specimen(specimen_of("A"), [photo_of(3)], by="First")
    two.edit_photo(3, {"specimen": "B"}, by="First", reason="mixed up")
    two.edit_specimen("A", {"origin": "press"}, by="First", reason="r")
    two.confirm("A", by="Second")
    act(two)
    record = two.specimen("A")
    assert (record.state, record.provenance.confirmed_by) == (IntakeState.PROPOSED, None)
    assert two.indexable() == {}
    with pytest.raises(RecordConflict, match="second person"):
        two.confirm("A", by="Third")
    assert two.confirm("A", by="First").record.state is IntakeState.CONFIRMED

    two.edit_set({"two_person": False}, by="root", reason="we are one now")
    two.add_specimen(specimen_of("A", marque="M"), [photo_of(10)], by="Third")
    assert two.specimen("A").state is IntakeState.CONFIRMED


def _line(catalogue: Catalogue, action: str) -> int:
    return next(e.event_id for e in reversed(catalogue.events()) if e.action == action)


def test_with_two_persons_who_fills_in_the_design_does_not_confirm_it(two: Catalogue) -> None:
    two.add_specimen(specimen_of("B"), [], by="First")
    two.edit_specimen("B", {"notes": "n", "basis": "court"}, by="Second", reason="r")
    two.add_specimen(specimen_of("B", marque="M"), [], by="Third")
    for one in ("First", "Third"):
        with pytest.raises(RecordConflict, match="second person"):
            two.confirm("B", by=one)
    assert two.confirm("B", by="Second").record.state is IntakeState.CONFIRMED


def test_with_two_persons_nobody_writes_who_confirmed(two: Catalogue) -> None:
    for stated in ({"confirmed_by": "Court"}, {"confirmed_on": "2020-01-01"}):
        with pytest.raises(RecordConflict, match="not for an edit"):
            two.edit_specimen("A", stated | {"basis": "letter"}, by="First", reason="r")
    assert two.specimen("A").provenance.basis == "court"
    two.edit_specimen("A", {"basis": "letter"}, by="First", reason="r")
    known = two.specimen("A")
    assert (known.state, known.provenance.confirmed_by) == (IntakeState.PROPOSED, None)
    with pytest.raises(RecordConflict, match="second person"):
        two.confirm("A", by="First")
    assert two.confirm("A", by="Second").record.state is IntakeState.CONFIRMED


def test_with_two_persons_other_grounds_are_confirmed_anew(catalogue: Catalogue) -> None:
    catalogue.edit_specimen("A", {"basis": "letter"}, by="first", reason="found")
    catalogue.edit_set({"two_person": True}, by="root", reason="we are two now")
    catalogue.undo(_line(catalogue, "edit-specimen"), by="first", reason="not this one")
    assert catalogue.specimen("A").state is IntakeState.PROPOSED
    stated = specimen_of("B", provenance=Provenance(confirmed_by="Court", basis="court"))
    assert catalogue.add_specimen(stated, [], by="first").asked_again
    assert catalogue.specimen("B").state is IntakeState.PROPOSED


def test_no_confirmation_is_still_to_come(two: Catalogue) -> None:
    two.add_specimen(specimen_of("B"), [], by="First")
    with pytest.raises(RecordInvalid, match="still to come"):
        two.confirm("B", by="Second", basis="court", on="2999-01-01")
    with pytest.raises(RecordInvalid, match="still to come"):
        two.edit_specimen("B", {"confirmed_on": "2999-01-01"}, by="Second", reason="r")


def test_with_two_persons_a_withdrawn_specimen_comes_back_unconfirmed(two: Catalogue) -> None:
    two.add_specimen(specimen_of("B"), [], by="First")
    two.withdraw("A", by="Third", reason="doubt")
    two.edit_photo(1, {"specimen": "B"}, by="Third", reason="mixed up")
    with pytest.raises(RecordConflict, match="would confirm"):
        two.undo(_line(two, "ask-again"), by="Third", reason="r")
    assert two.reinstate("A", by="Third").record.state is IntakeState.PROPOSED


def test_with_two_persons_an_undoing_never_confirms(two: Catalogue) -> None:
    confirmed = two.events()[-1].event_id
    two.undo(confirmed, by="First", reason="too early")
    assert two.specimen("A").state is IntakeState.PROPOSED
    with pytest.raises(RecordConflict, match="second person"):
        two.confirm("A", by="First")
    # What is restored keeps the grounds; the confirmation itself takes a second person.
    two.undo(two.events()[-1].event_id, by="First", reason="trying")
    assert two.specimen("A").state is IntakeState.PROPOSED
    two.edit_specimen("A", {"standing": "fake"}, by="First", reason="r")
    two.undo(two.events()[-1].event_id, by="First", reason="r")
    assert two.specimen("A").standing is Standing.GENUINE
    assert two.specimen("A").state is IntakeState.PROPOSED


def test_a_set_may_change_to_two_persons_and_the_log_says_so(catalogue: Catalogue) -> None:
    info = catalogue.edit_set(
        {"two_person": True, "notice": "ours"}, by="root", reason="we are two now"
    ).record
    assert (info.two_person, info.notice) == (True, "ours")
    line = catalogue.events()[-1]
    assert (line.action, line.actor) == ("edit-set", "root")
    before = catalogue.info()
    again = catalogue.edit_set({"two_person": True}, by="root", reason="r")
    assert (again.record, again.changed) == (before, False)
    with pytest.raises(RecordInvalid, match="what can be changed"):
        catalogue.edit_set({"set_id": "x"}, by="root", reason="r")
    record, _ = catalogue.add_specimen(specimen_of("C"), [], by="first")
    assert record.state is IntakeState.PROPOSED


# ------------------------------------------------------- what changes nothing, and says so


def test_a_confirmation_on_other_grounds_is_refused_and_the_same_changes_nothing(
    catalogue: Catalogue,
) -> None:
    catalogue.add_specimen(specimen_of("P", state=IntakeState.PROPOSED), [photo_of(8)], by="first")
    assert catalogue.confirm("P", by="Ann", basis="purchase").changed
    lines = len(catalogue.events())
    for by, basis in (("Ann", "laboratory 12"), ("Bob", "purchase"), ("Bob", None)):
        with pytest.raises(RecordConflict, match=r"by 'Ann', on the grounds 'purchase'.*an edit"):
            catalogue.confirm("P", by=by, basis=basis)
    with pytest.raises(RecordConflict, match="confirmed already"):
        catalogue.confirm("P", by="Ann", on="2024-01-02")
    again = catalogue.confirm("P", by=" ann ", basis="purchase")
    assert (again.changed, again.record.provenance.basis) == (False, "purchase")
    assert not catalogue.confirm("P", by="Ann").changed
    assert len(catalogue.events()) == lines


def test_new_grounds_of_a_confirmed_specimen_name_the_second_person(two: Catalogue) -> None:
    with pytest.raises(RecordConflict, match="second person to confirm it anew"):
        two.confirm("A", by="Second", basis="laboratory 12")


def test_what_changes_nothing_says_so_and_leaves_no_line(catalogue: Catalogue) -> None:
    catalogue.withdraw("B", by="me", reason="lost")
    lines = len(catalogue.events())
    same = (
        catalogue.edit_specimen("A", {"marque": "Typo", "notes": None}, by="me", reason="r"),
        catalogue.edit_photo(1, {"view": "face", "specimen": "A"}, by="me", reason="r"),
        catalogue.reinstate("A", by="me"),
        catalogue.withdraw("B", by="me", reason="lost"),
    )
    assert not any(one.changed for one in same)
    assert len(catalogue.events()) == lines
    edited = catalogue.edit_specimen("A", {"marque": "Typo", "notes": "worn"}, by="me", reason="r")
    assert (edited.changed, edited.fields) == (True, ("notes",))


def test_a_specimen_that_loses_its_last_photo_is_named(catalogue: Catalogue) -> None:
    moved = catalogue.edit_photo(1, {"specimen": "B"}, by="me", reason="r")
    assert moved.emptied is None
    assert catalogue.edit_photo(2, {"specimen": "B"}, by="me", reason="r").emptied == "A"
    for photo in (1, 2):
        catalogue.edit_photo(photo, {"specimen": "A"}, by="me", reason="r")
    catalogue.add_specimen(specimen_of("C"), [], by="me")
    catalogue.edit_photo(3, {"specimen": "C"}, by="me", reason="r")
    (line,) = (one.event_id for one in catalogue.events("B")[-1:])
    assert catalogue.undo(line, by="me", reason="r").emptied == "C"


@pytest.mark.parametrize(
    ("field", "value"),
    [("marque", 5), ("standing", 5), ("notes", 5), ("confirmed_on", 5), ("serials", [["1", 5]])],
)
def test_what_is_no_text_is_refused_by_its_field(
    catalogue: Catalogue, field: str, value: object
) -> None:
    with pytest.raises(RecordInvalid, match="5' is no text") as refused:
        catalogue.edit_specimen("A", {field: value}, by="me", reason="r")
    assert refused.value.field == ("serial" if field == "serials" else field)


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"view": 5}, "is no text"),
        ({"specimen": 5}, "is no text"),
        ({"px_per_mm": "many"}, "is no number"),
    ],
)
def test_what_no_photo_can_be_is_refused(
    catalogue: Catalogue, changes: dict[str, object], says: str
) -> None:
    with pytest.raises(RecordInvalid, match=says):
        catalogue.edit_photo(1, changes, by="me", reason="r")


def test_a_line_of_no_specimen_is_not_answered_with_advice_on_specimens(
    catalogue: Catalogue,
) -> None:
    catalogue.edit_set({"name": "T"}, by="me", reason="r")
    People(catalogue).put("Ann", identity="ann@example.org", roles=[Role.ADMINISTRATOR], by="me")
    Sheets(catalogue).save("kept", {"template": "pair"}, by="me")
    advice = {
        "edit-set": "change its settings back",
        "set-person": "give identity and roles anew",
        "save-sheet": "work done with the set",
    }
    for event in catalogue.events():
        if event.action in advice:
            with pytest.raises(RecordConflict, match=advice.pop(event.action)) as refused:
                catalogue.undo(event.event_id, by="me", reason="r")
            assert "ithdraw" not in str(refused.value)
    assert not advice
