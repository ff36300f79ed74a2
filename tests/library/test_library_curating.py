"""What a curator is told while entering: here already, same serial, same picture, missing."""

from __future__ import annotations

import sqlite3
import unicodedata
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from threading import Thread

import pytest

from drawn_prints import as_bytes, draw_print
from loupebook.errors import RecordInvalid, RecordNotFound, SetBusy
from loupebook.library import (
    PHOTO_GUIDE,
    Element,
    IncomingPhoto,
    Library,
    Lighting,
    RemarkKind,
    Serial,
    SpecimenRecord,
    Standing,
    View,
    missing_photos,
)
from loupebook.records import drafts as drafts_room
from loupebook.records.photo_store import PhotoStore, Stored


@pytest.fixture
def library(tmp_path: Path) -> Library:
    made = Library.create(tmp_path / "set", name="S")
    record = SpecimenRecord("A", Element.SEAL, Standing.FAKE, serials=(Serial("AB 10-48"),))
    assert made.add_specimen(record, [IncomingPhoto(as_bytes(draw_print(1)), "a.png")], by="me").ok
    return made


def entered(*serials: str) -> SpecimenRecord:
    return SpecimenRecord("N", Element.SEAL, Standing.GENUINE, serials=tuple(map(Serial, serials)))


def kinds(library: Library, record: SpecimenRecord, *photos: IncomingPhoto) -> list[RemarkKind]:
    return [one.kind for one in library.entry_remarks(record, photos, {0: [1]})]


def test_a_serial_of_the_other_standing_is_told_however_it_is_spaced(library: Library) -> None:
    (remark, *_) = library.entry_remarks(entered("ab1048"), [])
    assert remark.kind is RemarkKind.SAME_SERIAL
    assert remark.specimen == "A"
    assert "That one is fake, this is entered as genuine" in remark.message


def test_serials_that_disagree_are_told_and_a_part_agrees_with_its_whole(library: Library) -> None:
    assert RemarkKind.SERIALS_DISAGREE in kinds(library, entered("C 77123", "C 77124"))
    assert RemarkKind.SERIALS_DISAGREE not in kinds(library, entered("C 77123", "77123"))


def test_the_same_file_and_the_same_picture_saved_anew_are_told(library: Library) -> None:
    original = IncomingPhoto(as_bytes(draw_print(1)), "x.png")
    cropped = draw_print(1).crop((10, 10, 310, 310)).resize((240, 240))
    anew = IncomingPhoto(as_bytes(cropped, "JPEG", quality=80), "x.jpg")
    stranger = IncomingPhoto(as_bytes(draw_print(2)), "y.png")
    assert RemarkKind.SAME_FILE in kinds(library, entered(), original)
    assert RemarkKind.SAME_PICTURE in kinds(library, entered(), anew)
    assert not {RemarkKind.SAME_FILE, RemarkKind.SAME_PICTURE} & set(
        kinds(library, entered(), stranger)
    )


def test_what_is_still_to_be_photographed_is_told_in_order() -> None:
    for element in Element:
        guide = PHOTO_GUIDE[element]
        assert missing_photos(element, []) == guide
        assert missing_photos(element, [(one.view, one.lighting) for one in guide]) == ()
        assert guide[0].needed
    left = missing_photos(Element.SEAL, [(View.FACE, Lighting.DIFFUSE)])
    assert left[0].lighting is Lighting.UV_A


def test_adding_tells_of_a_serial_that_stands_elsewhere(library: Library) -> None:
    photo = IncomingPhoto(as_bytes(draw_print(5)), "n.png")
    report = library.add_specimen(entered("AB1048"), [photo], by="me")
    assert report.ok
    assert any(
        "stands on several specimens: A (fake), N (genuine)" in one.message
        for one in report.remarks
    )


def test_a_serial_without_a_digit_or_letter_is_none(library: Library) -> None:
    for number, name in enumerate(("B", "C")):
        record = SpecimenRecord(name, Element.SEAL, Standing.FAKE, serials=(Serial("---"),))
        photo = IncomingPhoto(as_bytes(draw_print(number + 5)), f"{name}.png")
        assert library.add_specimen(record, [photo], by="me").remarks == ()


def test_adding_tells_what_a_correction_had_taken_away(library: Library) -> None:
    library.edit_specimen("A", {"serials": [["AB 1049", None]]}, by="me", reason="misread")
    record = SpecimenRecord("A", Element.SEAL, Standing.FAKE, serials=(Serial("AB 10-48"),))
    photo = IncomingPhoto(as_bytes(draw_print(1)), "a.png")
    report = library.add_specimen(record, [photo], by="me")
    assert library.specimen("A").serials == (Serial("AB 1049"),)
    (remark,) = report.remarks
    assert remark.file == "A"
    assert "serial: left out what a correction had taken away" in remark.message


def manifest_of(folder: Path, *rows: str) -> Path:
    """Write a manifest; `a.png` is the photo that the set has."""
    folder.mkdir(exist_ok=True)
    for name, number in (("a.png", 1), ("b.png", 7), ("c.png", 7)):
        (folder / name).write_bytes(as_bytes(draw_print(number)))
    file = folder / "manifest.csv"
    file.write_text("path,specimen,element,standing,view,lighting,px_per_mm\n" + "\n".join(rows))
    return file


def test_what_a_manifest_says_otherwise_of_a_photo_on_record_is_told(
    library: Library, tmp_path: Path
) -> None:
    told = manifest_of(tmp_path / "more", "a.png,A,seal,fake,face,uv-a,12.5")
    report = library.add_manifest(told, by="me")
    assert (report.ok, report.known) == (True, ("a.png",))
    assert [(one.line, one.message.split(";")[0]) for one in report.remarks] == [
        (2, "lighting: on record with diffuse, not with uv-a"),
        (2, "px_per_mm: on record without, not with 12.5"),
    ]
    silent = manifest_of(tmp_path / "more", "a.png,A,seal,fake,,,")
    assert library.add_manifest(silent, by="me").remarks == ()


@pytest.mark.parametrize(("typed", "kept"), [("NFC", "NFD"), ("NFD", "NFC")])
def test_a_file_is_found_however_its_accents_are_spelt(
    library: Library, tmp_path: Path, typed: str, kept: str
) -> None:
    told = manifest_of(tmp_path / "more")
    folder = told.parent / unicodedata.normalize(kept, "añejo")
    folder.mkdir()
    (folder / unicodedata.normalize(kept, "piñar.png")).write_bytes(as_bytes(draw_print(8)))
    with told.open("a", encoding="utf-8") as file:
        file.write(unicodedata.normalize(typed, "añejo/piñar.png") + ",P,seal,fake,,,\n")
    report = library.add_manifest(told, by="me")
    assert (report.faults, len(report.added)) == ((), 1)


def test_a_specimen_without_a_photo_is_not_added_in_silence(library: Library) -> None:
    with pytest.raises(RecordInvalid, match="give at least one"):
        library.add_specimen(entered(), [], by="me")


def test_a_dry_run_finds_one_picture_under_two_specimens(library: Library, tmp_path: Path) -> None:
    rows = ("b.png,B,seal,fake,,,", "c.png,C,seal,fake,,,")
    told = manifest_of(tmp_path / "more", *rows)
    rehearsed = library.add_manifest(told, by="me", dry_run=True)
    report = library.add_manifest(told, by="me")
    for one in (rehearsed, report):
        assert [(fault.line, fault.column) for fault in one.faults] == [(3, "path")]
        assert "of specimen 'B'; one photo shows one specimen" in one.faults[0].message
    assert rehearsed.would_add == len(report.added) == 1


def test_a_second_run_does_not_decode_what_is_known(
    library: Library, monkeypatch: pytest.MonkeyPatch
) -> None:
    from loupebook.library import intake

    def refuse(*_: object, **__: object) -> None:
        raise AssertionError("decoded again")

    monkeypatch.setattr(intake, "prepare_photo", refuse)
    photo = IncomingPhoto(as_bytes(draw_print(1)), "a.png")
    report = library.add_specimen(library.specimen("A"), [photo], by="me")
    assert report.known == ("a.png",)


def test_a_draft_is_kept_over_a_restart_and_gone_when_done(library: Library) -> None:
    draft = library.drafts.begin(by="me")
    data = [as_bytes(draw_print(number)) for number in (7, 8)]
    for number, one in enumerate(data):
        draft = library.drafts.take_in(draft.draft_id, one, f"..\\x/{number}.png")
    assert library.drafts.take_in(draft.draft_id, data[0], "again.png") == draft
    kept = (draft.photos[1],)
    library.drafts.save(draft.draft_id, {"name": "N", "serials": ""}, kept, since=draft)
    with Library.open(library.folder) as reopened:
        (found,) = reopened.drafts.all()
        assert (found.fields["name"], found.photos, found.by) == ("N", kept, "me")
        assert reopened.drafts.photo_bytes(found.draft_id, kept[0].sha256) == data[1]
        assert kept[0].file_name == "1.png"
        files = [path for path in (library.folder / "drafts").rglob("*") if path.is_file()]
        assert {path.name for path in files} == {".lock", "draft.json", kept[0].sha256}
        reopened.drafts.discard(found.draft_id)
        assert reopened.drafts.all() == []
        with pytest.raises(RecordNotFound):
            reopened.drafts.get(found.draft_id)
    with pytest.raises(RecordNotFound):
        library.drafts.get("../../etc")


def test_a_page_changes_only_what_it_has_changed(library: Library) -> None:
    draft = library.drafts.begin(by="me")
    for number in (1, 2):
        drawn = library.drafts.take_in(draft.draft_id, b"%d" % number, f"{number}.png")
    # Meanwhile another session names the specimen, hands a photo in and describes the second.
    first, second = drawn.photos
    library.drafts.take_in(draft.draft_id, b"3", "3.png")
    library.drafts.save(
        draft.draft_id, {"name": "N"}, (first, replace(second, px_per_mm=9.0)), since=drawn
    )
    saved = library.drafts.save(
        draft.draft_id, {"name": None, "notes": "n"}, (second,), since=drawn
    )
    assert saved == library.drafts.get(draft.draft_id)
    assert dict(saved.fields) == {"name": "N", "notes": "n"}
    assert [(one.file_name, one.px_per_mm) for one in saved.photos] == [
        ("2.png", 9.0),
        ("3.png", None),
    ]
    assert library.drafts.photo_bytes(draft.draft_id, saved.photos[1].sha256) == b"3"


def test_two_photos_taken_in_at_once_are_both_kept(
    library: Library, monkeypatch: pytest.MonkeyPatch
) -> None:
    draft = library.drafts.begin(by="me")
    put = PhotoStore.put
    others = [Thread(target=library.drafts.take_in, args=(draft.draft_id, b"two", "2.png"))]

    def put_slowly(store: PhotoStore, data: bytes) -> Stored:
        if data == b"one":
            others[0].start()
            others[0].join(0.3)
        return put(store, data)

    monkeypatch.setattr(PhotoStore, "put", put_slowly)
    library.drafts.take_in(draft.draft_id, b"one", "1.png")
    others[0].join()
    held = library.drafts.get(draft.draft_id).photos
    assert [photo.file_name for photo in held] == ["1.png", "2.png"]


def test_a_draft_that_is_gone_stays_gone(library: Library) -> None:
    draft = library.drafts.begin(by="me")
    library.drafts.discard(draft.draft_id)
    with pytest.raises(RecordNotFound, match="entered or given up"):
        library.drafts.save(draft.draft_id, {"name": "N"}, (), since=draft)
    with pytest.raises(RecordNotFound, match="entered or given up"):
        library.drafts.take_in(draft.draft_id, b"one", "1.png")
    assert not (library.folder / "drafts" / draft.draft_id).exists()


def test_a_draft_begun_twice_keeps_what_is_in_it(library: Library) -> None:
    draft = library.drafts.begin(by="me")
    held = library.drafts.take_in(draft.draft_id, b"one", "1.png")
    assert library.drafts.begin(by="me", draft_id=draft.draft_id) == held


def test_a_lock_held_too_long_is_said(library: Library, monkeypatch: pytest.MonkeyPatch) -> None:
    draft = library.drafts.begin(by="me")
    monkeypatch.setattr(drafts_room, "_WAIT_S", 0.0)
    with closing(sqlite3.connect(library.folder / "drafts" / ".lock")) as other:
        other.execute("BEGIN EXCLUSIVE")
        with pytest.raises(SetBusy, match="try again"):
            library.drafts.take_in(draft.draft_id, b"one", "1.png")


def test_a_draft_has_limits(library: Library, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(drafts_room, "MOST_PHOTOS", 1)
    draft = library.drafts.begin(by="me")
    library.drafts.take_in(draft.draft_id, b"one", "1.png")
    with pytest.raises(RecordInvalid, match="at most 1"):
        library.drafts.take_in(draft.draft_id, b"two", "2.png")


def spelt(marque: str, edition: str | None = None, **more: object) -> SpecimenRecord:
    return SpecimenRecord(
        "N", Element.BAND, Standing.GENUINE, marque=marque, edition=edition, **more
    )


@pytest.fixture
def named(library: Library) -> Library:
    library.edit_specimen(
        "A", {"marque": "Márque One", "edition": "Márque One I", "origin": "Press 1"}, by="m",
        reason="r",
    )  # fmt: skip
    return library


@pytest.mark.parametrize(
    "marque",
    [
        "márque one",
        "Márque  One",
        "MárqueOne",
        "Már\N{SOFT HYPHEN}que One",
        "Márque\N{NO-BREAK SPACE}One",
        "Márque \N{FULLWIDTH LATIN CAPITAL LETTER O}ne",
    ],
)
def test_a_name_that_only_spelling_tells_from_another_is_told(named: Library, marque: str) -> None:
    near = [
        one
        for one in named.entry_remarks(spelt(marque), [])
        if one.kind is RemarkKind.NEAR_SPELLING
    ]
    assert [one.message.partition(":")[0] for one in near] == ["marque"]
    assert "'Márque One'" in near[0].message


def test_names_that_are_the_same_or_others_are_not_told(named: Library) -> None:
    decomposed = unicodedata.normalize("NFD", "Márque One ")
    for marque, edition, origin in (
        (decomposed, None, "Press 1"),
        ("Márque Two", "Márque One I", "Press 2"),
        ("Márque One", "Márque One II", "press I"),
    ):
        remarks = named.entry_remarks(spelt(marque, edition, origin=origin), [])
        assert RemarkKind.NEAR_SPELLING not in [one.kind for one in remarks]


def test_a_manifest_tells_names_spelt_in_two_ways(named: Library, tmp_path: Path) -> None:
    rows = ["path,specimen,element,marque,edition,standing,origin"]
    for number, (marque, origin) in enumerate(
        [("Márque One", "press 1"), ("Other", ""), ("OTHER", "")]
    ):
        (tmp_path / f"{number}.png").write_bytes(as_bytes(draw_print(number + 5)))
        rows.append(f"{number}.png,S{number},seal,{marque},,genuine,{origin}")
    (tmp_path / "manifest.csv").write_text("\n".join(rows), encoding="utf-8")
    for dry_run in (True, False):
        report = named.add_manifest(tmp_path / "manifest.csv", by="m", dry_run=dry_run)
        assert report.ok
        told = [one.message for one in report.remarks if "differ in case" in one.message]
        assert [one.partition(" differ")[0] for one in told] == [
            "origin: 'Press 1', 'press 1'",
            "marque: 'OTHER', 'Other'",
        ]
    named.edit_specimen("S2", {"marque": "Other"}, by="m", reason="one marque")
    named.edit_specimen("S0", {"origin": "Press 1"}, by="m", reason="one press")
    again = named.entry_remarks(spelt("Other", origin="Press 1"), [])
    assert RemarkKind.NEAR_SPELLING not in [one.kind for one in again]
