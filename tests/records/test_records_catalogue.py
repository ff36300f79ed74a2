from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path

import pytest
from records_material import photo_of, specimen_of

from loupebook.errors import (
    RecordConflict,
    RecordInvalid,
    RecordNotFound,
    SetDamaged,
    SetError,
    SetExists,
    SetNotFound,
)
from loupebook.records import creation
from loupebook.records.catalogue import Catalogue
from loupebook.records.model import (
    Camera,
    EditionRecord,
    Element,
    IntakeState,
    Lighting,
    PhotoFacts,
    Provenance,
    Serial,
    Standing,
    View,
)
from loupebook.records.photo_store import digest


@pytest.fixture
def catalogue(tmp_path: Path) -> Iterator[Catalogue]:
    with Catalogue.create(tmp_path / "set", name="Test set") as made:
        yield made


def counter(catalogue: Catalogue) -> int:
    return catalogue.info().change_counter


# ------------------------------------------------------------------- making and opening


def test_a_new_set_says_what_it_is(tmp_path: Path) -> None:
    with Catalogue.create(
        tmp_path / "deep" / "set", name=" Café ", notice="Invented.", two_person=True
    ) as made:
        info = made.info()
    assert (info.name, info.notice, info.two_person, info.change_counter) == (
        "Café",
        "Invented.",
        True,
        0,
    )
    with Catalogue.open(tmp_path / "deep" / "set") as opened:
        assert opened.info() == info


def test_sets_have_identifiers_of_their_own(tmp_path: Path) -> None:
    with (
        Catalogue.create(tmp_path / "a", name="Same") as one,
        Catalogue.create(tmp_path / "b", name="Same") as other,
    ):
        assert one.info().set_id != other.info().set_id


@pytest.mark.parametrize("folder", ["sét 🙂", "what? 100%#;&", "..", "a'b\"c"])
def test_odd_folder_names_work(tmp_path: Path, folder: str) -> None:
    (tmp_path / "inner").mkdir()
    place = tmp_path / "inner" / folder / "set"
    with Catalogue.create(place, name="S") as made:
        made.add_specimen(specimen_of("A"), [photo_of(1)], by="me")
    with Catalogue.open(place) as opened:
        assert opened.verify().ok


def test_a_set_is_not_made_over_anything(tmp_path: Path) -> None:
    Catalogue.create(tmp_path / "set", name="S").close()
    with pytest.raises(SetExists, match="already"):
        Catalogue.create(tmp_path / "set", name="S")
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "mine.txt").write_text("keep")
    with pytest.raises(SetExists, match="not empty"):
        Catalogue.create(tmp_path / "full", name="S")
    assert [path.name for path in (tmp_path / "full").iterdir()] == ["mine.txt"]
    with pytest.raises(SetExists, match="a file is here"):
        Catalogue.create(tmp_path / "full" / "mine.txt", name="S")


def test_an_empty_folder_becomes_a_set(tmp_path: Path) -> None:
    (tmp_path / "set").mkdir()
    Catalogue.create(tmp_path / "set", name="S").close()
    assert Catalogue.open(tmp_path / "set").verify().ok


def test_a_bad_name_makes_no_folder(tmp_path: Path) -> None:
    with pytest.raises(RecordInvalid):
        Catalogue.create(tmp_path / "set", name=" ")
    assert not (tmp_path / "set").exists()


def test_a_making_that_fails_leaves_no_set(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def crash(_draft: Path, _target: Path) -> None:
        raise OSError(5, "Input/output error")

    with monkeypatch.context() as patch:
        patch.setattr(creation, "_publish", crash)
        with pytest.raises(SetError, match="Input/output"):
            Catalogue.create(tmp_path / "set", name="S")
    with pytest.raises(SetNotFound):
        Catalogue.open(tmp_path / "set")
    Catalogue.create(tmp_path / "set", name="S").close()


def test_a_draft_left_by_a_crash_is_in_nobodys_way(tmp_path: Path) -> None:
    (tmp_path / "set").mkdir()
    (tmp_path / "set" / ".catalogue.sqlite.00ff00ff00ff00ff.new").write_bytes(b"half")
    with pytest.raises(SetNotFound):
        Catalogue.open(tmp_path / "set")
    Catalogue.create(tmp_path / "set", name="S").close()


@pytest.mark.parametrize("missing", ["nowhere", "empty"])
def test_no_set_to_open(tmp_path: Path, missing: str) -> None:
    (tmp_path / "empty").mkdir()
    with pytest.raises(SetNotFound, match=missing):
        Catalogue.open(tmp_path / missing)
    assert not (tmp_path / "empty" / "catalogue.sqlite").exists()


@pytest.mark.parametrize(
    "content", [b"", b"not a database" * 1000, b"SQLite format 3\0" + b"\1" * 99]
)
def test_a_catalogue_that_is_none_is_damage(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "catalogue.sqlite").write_bytes(content)
    with pytest.raises(SetDamaged, match="catalogue"):
        Catalogue.open(tmp_path)
    assert (tmp_path / "catalogue.sqlite").read_bytes() == content


def test_closing_leaves_one_file(catalogue: Catalogue) -> None:
    catalogue.add_specimen(specimen_of("A"), [], by="me")
    catalogue.close()
    assert [path.name for path in catalogue.folder.iterdir()] == ["catalogue.sqlite"]


# ------------------------------------------------------------------------------- adding


def test_everything_handed_in_is_recorded(catalogue: Catalogue) -> None:
    record = specimen_of(
        "A-1",
        element=Element.SEAL,
        standing=Standing.FAKE,
        marque="Aldaria",
        edition="1998",
        origin="P1",
        provenance=Provenance("seized", "An Examiner", "2024-02-03", "laboratory"),
        serials=(Serial("77", "left"), Serial("77", "right"), Serial("12")),
        notes="two\nlines",
    )
    photo = photo_of(
        1,
        file_name="../uploads\\a 🙂.jpg",
        view=View.BACK,
        lighting=Lighting.UV_A,
        captured_at="2024:02:03 04:05:06",
        camera=Camera("Maker\x00", "Model", None),
        px_per_mm=24.5,
        check='{"usable": true}',
    )
    added, (recorded,) = catalogue.add_specimen(record, [photo], by=" me ")
    assert catalogue.specimen("A-1") == added
    assert added.provenance.entered_by == "me"
    assert added.provenance.entered_at is not None
    assert added.provenance.entered_at.endswith("Z")
    assert added.serials == record.serials
    assert added.notes == "two\nlines"
    assert catalogue.photo(recorded.photo_id) == recorded
    assert recorded.file_name == "a 🙂.jpg"
    assert recorded.camera == Camera("Maker\ufffd", "Model", None)
    assert (recorded.view, recorded.lighting) == (View.BACK, Lighting.UV_A)
    assert (recorded.width, recorded.height, recorded.px_per_mm) == (640, 480, 24.5)
    assert recorded.byte_count == len(photo.data)
    assert recorded.sha256 == digest(photo.data)
    assert recorded.check == '{"usable": true}'
    assert catalogue.photo_bytes(recorded.photo_id) == photo.data
    assert catalogue.photo_by_sha256(recorded.sha256) == recorded
    assert catalogue.photo_by_sha256("0" * 64) is None


def test_adding_the_same_twice_adds_nothing_and_says_so(catalogue: Catalogue) -> None:
    record = specimen_of("A", marque="M", edition="E", serials=(Serial("1"),), notes="n")
    first = catalogue.add_specimen(record, [photo_of(1), photo_of(2)], by="me")
    assert first.created
    assert first.changed
    assert len(first.new_photo_ids) == 2
    before = (catalogue.info(), catalogue.photos(), catalogue.events())
    again = catalogue.add_specimen(record, [photo_of(1), photo_of(2)], by="someone else")
    assert not again.changed
    assert tuple(again) == tuple(first)
    assert (catalogue.info(), catalogue.photos(), catalogue.events()) == before


def test_the_same_photo_twice_in_one_addition_is_one_photo(catalogue: Catalogue) -> None:
    _, photos = catalogue.add_specimen(specimen_of("A"), [photo_of(1), photo_of(1)], by="me")
    assert photos[0] == photos[1]
    assert len(catalogue.photos()) == 1


def test_a_known_specimen_is_extended(catalogue: Catalogue) -> None:
    catalogue.add_specimen(specimen_of("A"), [photo_of(1)], by="me")
    outcome = catalogue.add_specimen(
        specimen_of("A", marque="M", edition="E", origin="O"), [photo_of(2)], by="me"
    )
    assert not outcome.created
    assert outcome.filled == ("marque", "edition", "origin")
    assert outcome.new_photo_ids == {2}
    assert (outcome[0].marque, outcome[0].edition, outcome[0].origin) == ("M", "E", "O")
    assert [photo.photo_id for photo in catalogue.photos("A")] == [1, 2]
    assert counter(catalogue) == 2


def test_names_are_one_whatever_their_unicode_form(catalogue: Catalogue) -> None:
    catalogue.add_specimen(specimen_of("Caf\u00e9"), [], by="me")
    outcome = catalogue.add_specimen(specimen_of(" Cafe\u0301 "), [photo_of(1)], by="me")
    assert not outcome.created
    assert catalogue.specimen("Cafe\u0301").name == "Caf\u00e9"


@pytest.mark.parametrize(
    ("field", "record"),
    [
        ("standing", specimen_of("A", standing=Standing.FAKE)),
        ("element", specimen_of("A", element=Element.CAP)),
        ("marque", specimen_of("A", marque="Other")),
    ],
)
def test_a_contradiction_changes_nothing(catalogue: Catalogue, field: str, record: object) -> None:
    catalogue.add_specimen(specimen_of("A", marque="M"), [photo_of(1)], by="me")
    with pytest.raises(RecordConflict) as caught:
        catalogue.add_specimen(record, [photo_of(2)], by="me")  # type: ignore[arg-type]
    assert caught.value.field == field
    assert counter(catalogue) == 1
    assert len(catalogue.photos()) == 1
    assert catalogue.verify().leftovers == ()


def test_one_photo_shows_one_specimen(catalogue: Catalogue) -> None:
    catalogue.add_specimen(specimen_of("A"), [photo_of(1)], by="me")
    with pytest.raises(RecordConflict, match="specimen 'A'"):
        catalogue.add_specimen(specimen_of("B"), [photo_of(2), photo_of(1)], by="me")
    assert [record.name for record in catalogue.specimens()] == ["A"]


def test_an_edition_needs_its_marque(catalogue: Catalogue) -> None:
    with pytest.raises(RecordInvalid, match="marque"):
        catalogue.add_specimen(specimen_of("A", edition="1998"), [], by="me")
    catalogue.add_specimen(specimen_of("A", marque="M"), [], by="me")
    assert catalogue.add_specimen(specimen_of("A", edition="1998"), [], by="me").changed


def test_editions_of_one_name_belong_to_marque_and_element(catalogue: Catalogue) -> None:
    for marque in ("M", "N"):
        for element in (Element.BAND, Element.CAP):
            catalogue.add_specimen(
                specimen_of(f"{marque}{element}", element=element, marque=marque, edition="1998"),
                [],
                by="me",
            )
    assert catalogue.marques() == ["M", "N"]
    assert catalogue.editions() == [
        EditionRecord(marque, element, "1998")
        for marque in ("M", "N")
        for element in (Element.BAND, Element.CAP)
    ]
    assert catalogue.origins() == []


@pytest.mark.parametrize(
    "photo",
    [
        photo_of(1, media_type="jpg"),
        photo_of(1, px_per_mm=0.0),
        photo_of(1, px_per_mm=float("nan")),
        photo_of(1, px_per_mm=10**400),
        photo_of(1, check="[]"),
        photo_of(1, check="{"),
        photo_of(1, view="sideways"),
    ],
)
def test_photos_that_make_no_sense_are_refused(catalogue: Catalogue, photo: object) -> None:
    with pytest.raises(RecordInvalid):
        catalogue.add_specimen(specimen_of("A"), [photo], by="me")  # type: ignore[list-item]
    assert catalogue.specimens() == []


def test_a_rehearsal_leaves_everything_as_it_was(catalogue: Catalogue) -> None:
    outcome = catalogue.add_specimen(
        specimen_of("A", marque="M"), [photo_of(1)], by="me", dry_run=True
    )
    assert outcome.created
    assert len(outcome.new_photo_ids) == 1
    assert counter(catalogue) == 0
    assert catalogue.marques() == []
    assert catalogue.events() == []
    assert not (catalogue.folder / "photos").exists()


def test_photo_numbers_never_come_twice(catalogue: Catalogue) -> None:
    catalogue.add_specimen(specimen_of("A"), [photo_of(1)], by="me")
    raw = sqlite3.connect(catalogue.folder / "catalogue.sqlite")
    raw.execute("DELETE FROM photo")
    raw.commit()
    raw.close()
    _, (photo,) = catalogue.add_specimen(specimen_of("A"), [photo_of(2)], by="me")
    assert photo.photo_id == 2


# ------------------------------------------------------------- confirming and withdrawing


def test_withdrawn_photos_are_not_indexable_but_stay(catalogue: Catalogue) -> None:
    catalogue.add_specimen(specimen_of("A"), [photo_of(1)], by="me")
    catalogue.add_specimen(specimen_of("B"), [photo_of(2)], by="me")
    withdrawn = catalogue.withdraw(" A ", by="me", reason="wrong label").record
    assert (withdrawn.state, withdrawn.withdrawn_reason) == (
        IntakeState.WITHDRAWN,
        "wrong label",
    )
    assert set(catalogue.indexable()) == set(catalogue.facts()) == {2}
    assert catalogue.facts([1, 2])[1].state is IntakeState.WITHDRAWN
    assert catalogue.photo_bytes(1) == photo_of(1).data
    back = catalogue.reinstate("A", by="me").record
    assert (back.state, back.withdrawn_reason) == (IntakeState.CONFIRMED, None)
    assert set(catalogue.indexable()) == {1, 2}
    assert counter(catalogue) == 4


def test_withdrawing_or_reinstating_twice_changes_nothing(catalogue: Catalogue) -> None:
    catalogue.add_specimen(specimen_of("A"), [], by="me")
    assert catalogue.reinstate("A", by="me").record.state is IntakeState.CONFIRMED
    assert counter(catalogue) == 1
    for _ in range(2):
        catalogue.withdraw("A", by="me", reason="r")
    assert counter(catalogue) == 2
    with pytest.raises(RecordConflict, match="already"):
        catalogue.withdraw("A", by="me", reason="another")


def test_nothing_is_added_to_a_withdrawn_specimen(catalogue: Catalogue) -> None:
    catalogue.add_specimen(specimen_of("A"), [photo_of(1)], by="me")
    catalogue.withdraw("A", by="me", reason="r")
    assert not catalogue.add_specimen(specimen_of("A"), [photo_of(1)], by="me").changed
    for record, photos in ((specimen_of("A"), [photo_of(2)]), (specimen_of("A", marque="M"), [])):
        with pytest.raises(RecordConflict, match="reinstate"):
            catalogue.add_specimen(record, photos, by="me")


def test_a_proposed_specimen_is_indexed_once_confirmed(catalogue: Catalogue) -> None:
    catalogue.add_specimen(specimen_of("A", state=IntakeState.PROPOSED), [photo_of(1)], by="me")
    assert catalogue.indexable() == {}
    catalogue.withdraw("A", by="me", reason="r")
    with pytest.raises(RecordConflict, match="reinstate"):
        catalogue.confirm("A", by="me")
    assert catalogue.reinstate("A", by="me").record.state is IntakeState.PROPOSED
    record = catalogue.confirm("A", by="me", basis="purchase", on="2024-01-02").record
    assert record.state is IntakeState.CONFIRMED
    assert record.provenance.confirmed_by == "me"
    assert record.provenance.confirmed_on == "2024-01-02"
    assert record.provenance.basis == "purchase"
    assert set(catalogue.indexable()) == {1}


def test_where_two_must_confirm_one_cannot(tmp_path: Path) -> None:
    with Catalogue.create(tmp_path / "set", name="S", two_person=True) as catalogue:
        record, _ = catalogue.add_specimen(specimen_of("A"), [photo_of(1)], by="First")
        assert record.state is IntakeState.PROPOSED
        with pytest.raises(RecordConflict, match="second person"):
            catalogue.confirm("A", by="first")
        assert catalogue.indexable() == {}
        with pytest.raises(RecordInvalid, match="on what grounds"):
            catalogue.confirm("A", by="Second")
        catalogue.confirm("A", by="Second", basis="court: file 12")
        assert set(catalogue.indexable()) == {1}


def test_unknown_names_and_numbers(catalogue: Catalogue) -> None:
    with pytest.raises(RecordNotFound, match="'A'"):
        catalogue.specimen("A")
    with pytest.raises(RecordNotFound):
        catalogue.photos("A")
    with pytest.raises(RecordNotFound, match="7"):
        catalogue.photo(7)
    with pytest.raises(RecordNotFound):
        catalogue.photo_bytes(7)
    for act in (
        lambda: catalogue.withdraw("A", by="me", reason="r"),
        lambda: catalogue.reinstate("A", by="me"),
        lambda: catalogue.confirm("A", by="me"),
    ):
        with pytest.raises(RecordNotFound):
            act()
    with pytest.raises(RecordInvalid, match="reason"):
        catalogue.withdraw("A", by="me", reason=" ")
    with pytest.raises(RecordInvalid, match="by"):
        catalogue.withdraw("A", by="", reason="r")


# ------------------------------------------------------------------------------ reading


def test_filters(catalogue: Catalogue) -> None:
    catalogue.add_specimen(
        specimen_of("a", marque="Élan", edition="1998", notes="100% _sound_"),
        [photo_of(1, lighting=Lighting.UV_A)],
        by="me",
    )
    catalogue.add_specimen(
        specimen_of("b", standing=Standing.FAKE, origin="P1", serials=(Serial("X-77"),)),
        [],
        by="me",
    )
    catalogue.add_specimen(specimen_of("c", element=Element.CAP), [], by="me")
    catalogue.withdraw("c", by="me", reason="r")

    def names(**wanted: object) -> str:
        found = "".join(record.name for record in catalogue.specimens(**wanted))  # type: ignore[arg-type]
        assert catalogue.count_specimens(**wanted) == len(found)  # type: ignore[arg-type]
        return found

    assert names() == "abc"
    assert names(element=Element.CAP) == names(element="Cap") == "c"
    assert names(standing="fake") == "b"
    assert names(state=IntakeState.CONFIRMED) == "ab"
    assert names(marque="Élan", edition="1998") == "a"
    assert names(origin="P1") == "b"
    assert names(lighting="uv a") == "a"
    assert names(text="éLAN") == "a"
    assert names(text="x-7") == "b"
    assert names(text="100%") == "a"
    assert names(text="%") == "a"
    assert names(text="' OR 1=1 --") == ""
    assert names(marque="elan") == ""
    with pytest.raises(RecordInvalid, match="band, seal, cap"):
        catalogue.specimens(element="label")


def test_paging(catalogue: Catalogue) -> None:
    for name in "dacb":
        catalogue.add_specimen(specimen_of(name), [], by="me")
    assert [r.name for r in catalogue.specimens(offset=1, limit=2)] == ["b", "c"]
    assert [r.name for r in catalogue.specimens(offset=3)] == ["d"]
    assert catalogue.specimens(limit=0) == []


def test_facts(catalogue: Catalogue) -> None:
    catalogue.add_specimen(
        specimen_of("A", marque="M", edition="E", origin="O"),
        [photo_of(1, view=View.HEAD, lighting=Lighting.RAKING)],
        by="me",
    )
    catalogue.add_specimen(specimen_of("B"), [photo_of(2)], by="me")
    expected = PhotoFacts(
        specimen="A",
        element=Element.BAND,
        standing=Standing.GENUINE,
        marque="M",
        edition="E",
        origin="O",
        view=View.HEAD,
        lighting=Lighting.RAKING,
        state=IntakeState.CONFIRMED,
    )
    assert catalogue.facts()[1] == expected
    assert list(catalogue.facts()) == [1, 2]
    assert catalogue.facts(iter([2, 99])).keys() == {2}
    assert catalogue.facts([]) == {}
    assert len(catalogue.facts(range(200_000))) == 2
    assert catalogue.indexable() == {
        1: digest(photo_of(1).data),
        2: digest(photo_of(2).data),
    }


# -------------------------------------------------------------------------------- the log


def test_every_change_is_logged_with_its_author(catalogue: Catalogue) -> None:
    record, photos = catalogue.add_specimen(specimen_of("A"), [photo_of(1)], by="first")
    catalogue.add_specimen(specimen_of("B"), [], by="first")
    catalogue.add_specimen(specimen_of("A", origin="O"), [], by="second")
    catalogue.withdraw("A", by="third", reason="r")
    catalogue.reinstate("A", by="fourth")
    events = catalogue.events("A")
    assert [(event.actor, event.action) for event in events] == [
        ("first", "add-specimen"),
        ("second", "extend-specimen"),
        ("third", "withdraw"),
        ("fourth", "reinstate"),
    ]
    detail = json.loads(events[0].detail)
    assert detail["record"] == json.loads(json.dumps(asdict(record)))
    assert detail["photos"] == json.loads(json.dumps([asdict(photo) for photo in photos]))
    assert json.loads(events[1].detail)["filled"] == ["origin"]
    assert len(catalogue.events()) == counter(catalogue) == 5


@pytest.mark.parametrize("statement", ["UPDATE event SET actor = 'x'", "DELETE FROM event"])
def test_the_log_is_append_only(catalogue: Catalogue, statement: str) -> None:
    catalogue.add_specimen(specimen_of("A"), [], by="me")
    raw = sqlite3.connect(catalogue.folder / "catalogue.sqlite")
    with pytest.raises(sqlite3.IntegrityError, match="append-only"):
        raw.execute(statement)
    raw.close()


def test_the_file_itself_holds_an_edition_to_its_marque(catalogue: Catalogue) -> None:
    catalogue.add_specimen(specimen_of("A", marque="M", edition="E"), [], by="me")
    catalogue.add_specimen(specimen_of("B", marque="N"), [], by="me")
    raw = sqlite3.connect(catalogue.folder / "catalogue.sqlite")
    raw.execute("PRAGMA foreign_keys = ON")
    with pytest.raises(sqlite3.IntegrityError):
        raw.execute("UPDATE specimen SET edition_id = 1 WHERE name = 'B'")
    raw.close()
