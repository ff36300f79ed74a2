"""What a curator is told while entering: here already, same serial, same picture, missing."""

from __future__ import annotations

from pathlib import Path

import pytest

from drawn_prints import as_bytes, draw_print
from loupebook.errors import RecordInvalid, RecordNotFound
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
    assert any("stands on several specimens: A, N" in one.message for one in report.remarks)


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
    library.drafts.save(draft.draft_id, {"name": "N", "serials": ""}, kept)
    with Library.open(library.folder) as reopened:
        (found,) = reopened.drafts.all()
        assert (found.fields["name"], found.photos, found.by) == ("N", kept, "me")
        assert reopened.drafts.photo_bytes(found.draft_id, kept[0].sha256) == data[1]
        assert kept[0].file_name == "1.png"
        files = [path for path in (library.folder / "drafts").rglob("*") if path.is_file()]
        assert len(files) == 2
        reopened.drafts.discard(found.draft_id)
        assert reopened.drafts.all() == []
        with pytest.raises(RecordNotFound):
            reopened.drafts.get(found.draft_id)
    with pytest.raises(RecordNotFound):
        library.drafts.get("../../etc")


def test_a_draft_has_limits(library: Library, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(drafts_room, "MOST_PHOTOS", 1)
    draft = library.drafts.begin(by="me")
    library.drafts.take_in(draft.draft_id, b"one", "1.png")
    with pytest.raises(RecordInvalid, match="at most 1"):
        library.drafts.take_in(draft.draft_id, b"two", "2.png")
