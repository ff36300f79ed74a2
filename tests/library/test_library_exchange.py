"""Bags: ours are sound for others, those of others come in whole, damaged ones not at all."""

from __future__ import annotations

import errno
import io
import json
import shutil
import time
import zipfile
from pathlib import Path

import bagit
import pytest
from exchange_material import damaged, filled, pixels, seal, state_of, with_place
from PIL import Image

from drawn_prints import as_bytes, draw_print
from loupebook.errors import (
    BagRefused,
    QueryInvalid,
    RecordConflict,
    RecordInvalid,
    SetError,
    SetExists,
)
from loupebook.library import (
    Element,
    ExportOptions,
    Fate,
    IncomingPhoto,
    IntakeState,
    Library,
    Provenance,
    Serial,
    SpecimenRecord,
    Standing,
    exchange,
    intake,
)
from loupebook.library.desk_exchange import ni_of
from loupebook.library.intake import prepare_photo
from loupebook.records.catalogue import Catalogue
from loupebook.records.exchange import bags, layout, taking_in
from loupebook.records.photo_store import PhotoStore


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> Library:
    return filled(tmp_path_factory.mktemp("source") / "set")


@pytest.fixture(scope="module")
def bag(source: Library, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("bags") / "bag"
    report = source.export_bag(
        out, by="E. Example", options=ExportOptions({}, licence="CC BY 4.0", publisher="House E")
    )
    assert (report.specimens, report.photos) == (3, 4)
    return out


@pytest.fixture
def other(tmp_path: Path) -> Library:
    return Library.create(tmp_path / "other", name="Other")


def is_sound(library: Library) -> bool:
    """Check catalogue, log and photos; the search index needs an encoder."""
    with Catalogue.open(library.folder) as catalogue:
        return catalogue.verify().ok


@pytest.mark.external
def test_our_bag_is_sound_for_bagit(bag: Path) -> None:
    """RFC 8493, checked by the bagit library: every byte, and what the info says."""
    opened = bagit.Bag(str(bag))
    opened.validate(processes=1)
    assert set(opened.algorithms) == {"sha256", "sha512"}
    assert opened.info["Bag-Software-Agent"].startswith("loupebook ")
    assert opened.version == "1.0"


def test_a_bag_is_taken_in_and_a_second_time_changes_nothing(
    source: Library, bag: Path, other: Library
) -> None:
    rehearsed = other.import_bag(bag, by="you", dry_run=True)
    assert other.specimens() == []
    assert not rehearsed.done
    report = other.import_bag(bag, by="you")
    assert report.done
    assert [one.fate for one in report.taken] == [Fate.NEW] * 3
    assert report.new_photos == rehearsed.new_photos == 4
    for record in other.specimens():
        assert record == source.specimen(record.name)
    assert is_sound(other)
    before = state_of(other)
    again = other.import_bag(bag, by="you")
    assert [one.fate for one in again.taken] == [Fate.SAME] * 3
    assert state_of(other) == before


def test_place_time_and_person_leave_the_photos_and_the_pixels_stay(
    source: Library, bag: Path
) -> None:
    lines = [json.loads(line) for line in (bag / "data/photos.jsonl").read_text().splitlines()]
    originals = {photo.sha256: photo for photo in source.photos()}
    for line in lines:
        data = (bag / "data" / line["file"]).read_bytes()
        with Image.open(io.BytesIO(data)) as picture:
            assert not picture.getexif()
        original = originals[line["original_sha256"] or line["sha256"]]
        assert pixels(data) == pixels(source.photo_bytes(original.photo_id))
        assert line["captured_at"] is None
    assert any(line["camera"]["model"] == "Phone 5" for line in lines)


def test_metadata_stay_where_that_is_asked_for(source: Library, tmp_path: Path) -> None:
    options = ExportOptions({"element": "seal"}, keep_metadata=True)
    source.export_bag(tmp_path / "b", by="me", options=options)
    (line,) = (tmp_path / "b/data/photos.jsonl").read_text().splitlines()
    told = json.loads(line)
    assert told["captured_at"] == "2026-01-02T03:04:05"
    assert told["original_sha256"] is None
    assert source.photo_by_sha256(told["sha256"]) is not None
    assert json.loads((tmp_path / "b/data/set.json").read_text())["metadata_kept"] is True


def test_our_own_bag_comes_back_as_known_although_its_files_differ(
    source: Library, bag: Path, tmp_path: Path
) -> None:
    shutil.copytree(source.folder, tmp_path / "copy")
    with Library.open(tmp_path / "copy") as copy:
        before = state_of(copy)
        report = copy.import_bag(bag, by="me")
        assert [one.fate for one in report.taken] == [Fate.SAME] * 3
        assert state_of(copy) == before


def test_what_went_round_over_another_library_is_known_by_its_pixels(
    source: Library, bag: Path, other: Library, tmp_path: Path
) -> None:
    other.import_bag(bag, by="you")
    extra = as_bytes(draw_print(77))
    other.add_specimen(other.specimen("S-0"), [IncomingPhoto(extra, "x.png")], by="you")
    other.export_bag(tmp_path / "back", by="you")
    shutil.copytree(source.folder, tmp_path / "copy")
    with Library.open(tmp_path / "copy") as copy:
        report = copy.import_bag(tmp_path / "back", by="me")
        fates = {one.name: (one.fate, one.new_photos) for one in report.taken}
        assert fates["S-0"] == (Fate.EXTENDED, 1)
        assert fates["S-1"] == fates["S-2"] == (Fate.SAME, 0)


def test_an_import_decodes_every_photo_once_and_nothing_under_the_lock(
    source: Library, bag: Path, other: Library, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    other.import_bag(bag, by="you")
    extra = [IncomingPhoto(as_bytes(draw_print(n)), f"{n}.png") for n in range(77, 80)]
    assert other.add_specimen(other.specimen("S-0"), extra, by="you").ok
    other.export_bag(tmp_path / "back", by="you")
    shutil.copytree(source.folder, tmp_path / "copy")
    decoded = []
    decode = exchange.decode_photo

    def counted(data: bytes, **options: str) -> object:
        decoded.append(data)
        return decode(data, **options)

    def at_work(*args: object, **options: object) -> object:
        before = len(decoded)
        try:
            return taking_in.take_in(*args, **options)  # type: ignore[arg-type]
        finally:
            assert len(decoded) == before

    for room in (exchange, intake):
        monkeypatch.setattr(room, "decode_photo", counted)
    monkeypatch.setattr(exchange, "take_in", at_work)
    with Library.open(tmp_path / "copy") as copy:
        assert copy.import_bag(tmp_path / "back", by="me").new_photos == 3
    assert len(decoded) == len(set(decoded)) > 5


def test_another_object_of_that_name_is_a_conflict_and_nothing_is_written(
    bag: Path, other: Library
) -> None:
    stranger = SpecimenRecord("S-1", Element.BAND, Standing.FAKE)
    other.add_specimen(stranger, [IncomingPhoto(as_bytes(draw_print(60)), "x.png")], by="you")
    before = state_of(other)
    report = other.import_bag(bag, by="you")
    assert not report.done
    (conflict,) = report.conflicts
    assert conflict.name == "S-1"
    assert "prefix" in (conflict.conflict or "")
    assert any(line.startswith("conflict: 'S-1'") for line in report.lines())
    assert state_of(other) == before
    assert other.import_bag(bag, by="you", leave_out=["S-1"]).done
    assert other.import_bag(bag, by="you", prefix="E/").conflicts
    with pytest.raises(QueryInvalid, match="nobody"):
        other.import_bag(bag, by="you", leave_out=["nobody"])


def test_with_a_prefix_all_names_are_free(bag: Path, other: Library) -> None:
    stranger = SpecimenRecord("S-1", Element.BAND, Standing.FAKE)
    other.add_specimen(stranger, [IncomingPhoto(as_bytes(draw_print(60)), "x.png")], by="you")
    assert other.import_bag(bag, by="you", prefix="E/").done
    assert [one.name for one in other.specimens()] == ["E/S-0", "E/S-1", "E/S-2", "S-1"]
    assert [one.fate for one in other.import_bag(bag, by="you", prefix="E/").taken] == [
        Fate.SAME
    ] * 3


def test_a_prefix_makes_names_that_can_be_found_again(bag: Path, other: Library) -> None:
    for prefix in ("x\ny", "q" * 300, "\u202e"):
        with pytest.raises(RecordInvalid, match="specimen: "):
            other.import_bag(bag, by="you", prefix=prefix)
    assert other.specimens() == []
    assert other.import_bag(bag, by="you", prefix=" Mun\u0303oz-").done
    assert other.specimen("Mu\u00f1oz-S-0").marque == "Marque A"


def test_all_conflicts_are_told_at_once(bag: Path, other: Library) -> None:
    other.import_bag(bag, by="you")
    other.edit_specimen("S-0", {"standing": "fake"}, by="you", reason="r")
    other.edit_specimen("S-1", {"marque": "Marque B"}, by="you", reason="r")
    report = other.import_bag(bag, by="you")
    assert [one.name for one in report.conflicts] == ["S-0", "S-1"]
    assert "recorded as 'fake'" in (report.conflicts[0].conflict or "")


def test_a_correction_survives_the_same_bag_and_is_told(bag: Path, other: Library) -> None:
    other.import_bag(bag, by="you")
    corrected = {"serials": [["A 10", "left"]], "notes": None}
    other.edit_specimen("S-0", corrected, by="you", reason="misread")
    record = other.specimen("S-0")
    report = other.import_bag(bag, by="you")
    assert [one.fate for one in report.taken] == [Fate.SAME] * 3
    assert other.specimen("S-0") == record
    told = "'S-0': left out, since a correction here had taken it away: serial, notes"
    assert told in report.lines()


def test_a_serial_that_stands_under_another_name_is_told(bag: Path, other: Library) -> None:
    ours = SpecimenRecord("X-9", Element.BAND, Standing.GENUINE, serials=(Serial("a-1"),))
    photo = IncomingPhoto(as_bytes(draw_print(60)), "x.png")
    assert other.add_specimen(ours, [photo], by="you").ok
    told = "look: the serial A1 stands on several specimens: S-1 (fake), X-9 (genuine); check them"
    for dry_run in (True, False):
        report = other.import_bag(bag, by="you", dry_run=dry_run)
        assert told in report.lines()
    assert not other.import_bag(bag, by="you", leave_out=["S-1"]).remarks


def test_a_serial_without_its_marque_makes_nobody_the_same(tmp_path: Path, other: Library) -> None:
    with Library.create(tmp_path / "one", name="One") as one:
        for number, library in enumerate((one, other)):
            record = SpecimenRecord("B-1", Element.BAND, Standing.GENUINE, serials=(Serial("7"),))
            photo = IncomingPhoto(as_bytes(draw_print(number)), "x.png")
            assert library.add_specimen(record, [photo], by="you").ok
        one.export_bag(tmp_path / "b", by="me")
    (conflict,) = other.import_bag(tmp_path / "b", by="you").conflicts
    assert "no picture, no serial" in (conflict.conflict or "")


def known_here(library: Library, known: Provenance) -> None:
    """Enter the object that the bag calls S-1, known by its serial, with another photo."""
    record = SpecimenRecord(
        "S-1",
        Element.BAND,
        Standing.FAKE,
        marque="Marque A",
        provenance=known,
        serials=(Serial("a1"),),
    )
    photo = IncomingPhoto(as_bytes(draw_print(60)), "x.png")
    assert library.add_specimen(record, [photo], by="you").ok


def test_a_confirmation_is_taken_over_whole_or_not_at_all(bag: Path, other: Library) -> None:
    known_here(other, Provenance(None, None, "2020-01-01", "purchase"))
    assert other.import_bag(bag, by="you").done
    known = other.specimen("S-1").provenance
    assert (known.source, known.confirmed_by) == ("a shop", None)
    assert (known.confirmed_on, known.basis) == ("2020-01-01", "purchase")


def test_what_is_filled_in_is_told_by_specimen(bag: Path, other: Library) -> None:
    known_here(other, Provenance())
    report = other.import_bag(bag, by="you")
    told = "edition, origin, source, confirmed_by, confirmed_on, basis, serial, notes"
    assert f"'S-1': filled in here: {told}" in report.lines()


def test_a_photo_moved_here_does_not_come_back_to_where_it_was(
    source: Library, bag: Path, tmp_path: Path
) -> None:
    shutil.copytree(source.folder, tmp_path / "copy")
    with Library.open(tmp_path / "copy") as copy:
        copy.edit_photo(copy.photos("S-0")[0].photo_id, {"specimen": "S-1"}, by="me", reason="r")
        before = state_of(copy)
        (conflict,) = copy.import_bag(bag, by="me").conflicts
        assert conflict.name == "S-0"
        assert "'0.jpg' of specimen 'S-1'" in (conflict.conflict or "")
        assert state_of(copy) == before


def test_where_two_must_confirm_what_comes_in_waits(bag: Path, tmp_path: Path) -> None:
    with Library.create(tmp_path / "two", name="Two", two_person=True) as two:
        two.import_bag(bag, by="Importer")
        assert {one.state for one in two.specimens()} == {IntakeState.PROPOSED}
        with pytest.raises(RecordConflict, match="second person"):
            two.confirm("S-0", by="Importer", basis="laboratory")
        two.confirm("S-0", by="Second", basis="laboratory")


def test_a_foreign_confirmation_may_be_put_to_our_own_people(bag: Path, other: Library) -> None:
    other.import_bag(bag, by="you", as_proposed=True)
    assert {one.state for one in other.specimens()} == {IntakeState.PROPOSED}


@pytest.mark.external
def test_a_bag_made_by_bagit_from_our_layout_comes_in(
    source: Library, other: Library, tmp_path: Path
) -> None:
    """Only the four parts that LAYOUT.md asks for, bagged by the bagit library."""
    source.export_folder(tmp_path / "plain", by="me")
    for path in list((tmp_path / "plain").iterdir()):
        if path.name not in ("set.json", "specimens.jsonl", "photos.jsonl", "photos"):
            path.unlink()
    bagit.make_bag(str(tmp_path / "plain"), {"Contact-Name": "X"}, checksums=["sha512"])
    assert other.import_bag(tmp_path / "plain", by="you").done
    shutil.make_archive(str(tmp_path / "packed"), "zip", tmp_path, "plain")
    again = other.import_bag(tmp_path / "packed.zip", by="you")
    assert [one.fate for one in again.taken] == [Fate.SAME] * 3


def test_a_zip_file_goes_out_and_comes_in(source: Library, other: Library, tmp_path: Path) -> None:
    source.export_bag(tmp_path / "bag.zip", by="me")
    assert other.import_bag(tmp_path / "bag.zip", by="you").count(Fate.NEW) == 3


@pytest.mark.parametrize("packing", [zipfile.ZIP_DEFLATED, zipfile.ZIP_LZMA])
def test_a_zip_file_damaged_within_is_refused(
    bag: Path, other: Library, tmp_path: Path, packing: int
) -> None:
    packed = tmp_path / "bag.zip"
    with zipfile.ZipFile(packed, "w", packing) as archive:
        archive.write(bag / "data/LAYOUT.md", "bag/data/LAYOUT.md")
    data = bytearray(packed.read_bytes())
    data[80:200] = b"\xff" * 120
    packed.write_bytes(data)
    with pytest.raises(BagRefused, match="sound ZIP file"):
        other.import_bag(packed, by="you")


def test_a_full_disk_is_not_told_as_a_damaged_bag(
    source: Library, other: Library, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    source.export_bag(tmp_path / "bag.zip", by="me")

    def full(*_: object) -> int:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(bags, "_unpack_one", full)
    with pytest.raises(SetError, match=r"no room to unpack bag\.zip"):
        other.import_bag(tmp_path / "bag.zip", by="you")


def test_a_name_given_twice_among_many_is_found_at_once() -> None:
    names = [f"N-{number}" for number in range(20_000)]
    many = [SpecimenRecord(name, Element.BAND, Standing.FAKE) for name in [*names, "N-7"]]
    begun = time.perf_counter()
    assert list(layout._disagreements(many, [])) == ["specimens.jsonl: several lines for 'N-7'"]
    assert time.perf_counter() - begun < 2  # .02 s; counting each name by itself takes 7 s


def test_a_bag_sealed_with_sha256sum_comes_in(bag: Path, other: Library, tmp_path: Path) -> None:
    shutil.copytree(bag, tmp_path / "b")
    for listing in (tmp_path / "b").glob("tagmanifest-*.txt"):
        listing.write_text(listing.read_text().replace("  ", " *"))
    assert other.import_bag(tmp_path / "b", by="you").done


def test_a_bag_puts_a_damaged_file_right(source: Library, other: Library, tmp_path: Path) -> None:
    source.export_bag(tmp_path / "b", by="me", options=ExportOptions({}, keep_metadata=True))
    other.import_bag(tmp_path / "b", by="you")
    assert not other.import_bag(tmp_path / "b", by="you").count(Fate.EXTENDED)
    photo = other.photos("S-0")[0]
    file = PhotoStore(other.folder / "photos").path(photo.sha256)
    for harm in (file.unlink, lambda: file.write_bytes(b"?")):
        harm()
        report = other.import_bag(tmp_path / "b", by="you")
        assert (report.count(Fate.EXTENDED), report.new_photos) == (1, 0)
        assert is_sound(other)


def test_the_plain_folder_is_read_by_add_as_it_is(source: Library, tmp_path: Path) -> None:
    source.export_folder(tmp_path / "plain", by="me")
    with Library.create(tmp_path / "new", name="New") as new:
        report = new.add_manifest(tmp_path / "plain" / "manifest.csv", by="you")
        assert report.ok
        for record in new.specimens():
            assert record.notes == "=1+1\nseen twice"
            assert record.serials == source.specimen(record.name).serials
            assert record.provenance.basis == "laboratory: file 7"
    table = (tmp_path / "plain" / "manifest.csv").read_text()
    assert "'=1+1" in table  # no spreadsheet runs it


def test_what_is_proposed_stays_so_over_the_plain_folder(bag: Path, tmp_path: Path) -> None:
    with Library.create(tmp_path / "two", name="Two", two_person=True) as two:
        two.import_bag(bag, by="you")
        two.export_folder(tmp_path / "plain", by="me", options=ExportOptions({"state": "proposed"}))
    with Library.create(tmp_path / "new", name="New") as new:
        assert new.add_manifest(tmp_path / "plain" / "manifest.csv", by="you").ok
        assert {one.state for one in new.specimens()} == {IntakeState.PROPOSED}


def test_an_export_is_limited_by_filters_and_never_writes_over_anything(
    source: Library, tmp_path: Path
) -> None:
    options = ExportOptions({"standing": "fake"})
    assert source.export_bag(tmp_path / "b", by="me", options=options).specimens == 1
    with pytest.raises(SetExists):
        source.export_bag(tmp_path / "b", by="me")
    for filters, told in (({"colour": "red"}, "colour"), ({"marque": "none"}, "No specimen")):
        with pytest.raises(QueryInvalid, match=told):
            source.export_bag(tmp_path / "c", by="me", options=ExportOptions(filters))
    assert [path.name for path in tmp_path.iterdir()] == ["b"]


def test_the_card_says_who_how_and_the_limits_letter_by_letter(bag: Path) -> None:
    card = (bag / "data" / "SET_CARD.md").read_text()
    for words in (
        "Prints \\<b\\>of\\</b\\> ours",
        "House E",
        "CC BY 4.0",
        "laboratory: file 7: 3 specimens",
        "C. Example (3)",
        "One person was enough",
        "good copies lie near",
        "metadata were removed",
    ):
        assert words in card
    assert (bag / "data" / "LAYOUT.md").read_text().startswith("How a set looks")


def test_the_card_claims_a_second_person_only_where_the_log_tells_of_one(tmp_path: Path) -> None:
    with filled(tmp_path / "set") as library:
        library.edit_set({"two_person": True}, by="root", reason="we are two now")
        library.edit_specimen("S-0", {"marque": "Marque B"}, by="E. Example", reason="r")
        library.confirm("S-0", by="Second")
        library.edit_specimen("S-1", {"origin": "press 2"}, by="E. Example", reason="r")
        library.export_bag(tmp_path / "confirmed", by="me")
        proposed = ExportOptions({"state": "proposed"})
        library.export_bag(tmp_path / "proposed", by="me", options=proposed)
    card = (tmp_path / "confirmed/data/SET_CARD.md").read_text()
    assert "Confirmed by a second person, other than those" in card
    assert "or changed them: 1 of 2. One person was enough for 1 of 2." in card
    assert "2 specimens, whose standing is known" in card
    card = (tmp_path / "proposed/data/SET_CARD.md").read_text()
    assert "second person" not in card
    assert "Proposed, confirmed by nobody: 1." in card
    assert "standing is known" not in card


def test_points_travel_with_the_photos_that_they_are_drawn_on(
    tmp_path: Path, other: Library
) -> None:
    with filled_with_a_point(tmp_path / "with-points") as library:
        report = library.export_bag(tmp_path / "b", by="me")
    assert (report.points, report.points_left) == (1, 0)
    assert "stay behind" not in report.says()
    page = json.loads((tmp_path / "b/data/points.jsonld").read_text())
    assert page["@context"] == "http://www.w3.org/ns/anno.jsonld"
    assert other.import_bag(tmp_path / "b", by="you").points == 1
    (point,) = other.points.of()
    assert (point.title, point.genuine_shows, point.region) == ("Eye", "open", SQUARE)
    assert other.import_bag(tmp_path / "b", by="you").points == 0


SQUARE = ((10.0, 10.0), (60.0, 10.0), (60.0, 80.0), (10.0, 80.0))


def filled_with_a_point(folder: Path) -> Library:
    library = filled(folder)
    photo = library.photos("S-0")[0]
    library.points.add(photo.photo_id, SQUARE, title="Eye", genuine_shows="open", by="me")
    return library


def test_points_of_what_is_left_out_stay_out_and_all_comes_in_or_nothing(
    tmp_path: Path, other: Library, monkeypatch: pytest.MonkeyPatch
) -> None:
    with filled_with_a_point(tmp_path / "with-points") as library:
        library.export_bag(tmp_path / "b", by="me")
    before = state_of(other)

    def fails(*_: object) -> bool:
        raise SetError("the disk is full")

    monkeypatch.setattr(taking_in, "take_point", fails)
    with pytest.raises(SetError, match="disk is full"):
        other.import_bag(tmp_path / "b", by="you")
    assert state_of(other) == before
    monkeypatch.undo()
    first = json.loads((tmp_path / "b/data/photos.jsonl").read_text().splitlines()[0])
    photo = (tmp_path / "b/data" / first["file"]).read_bytes()
    stranger = SpecimenRecord(first["specimen"], Element.BAND, Standing.FAKE)
    other.add_specimen(stranger, [IncomingPhoto(photo, "x.jpg")], by="you")
    assert [one.name for one in other.import_bag(tmp_path / "b", by="you").conflicts] == ["S-0"]
    report = other.import_bag(tmp_path / "b", by="you", leave_out=["S-0"])
    assert (report.done, report.points) == (True, 0)


@pytest.mark.parametrize(
    "selector", ["x", {"type": "SvgSelector", "value": "<polygon " * 40_000}], ids=["text", "long"]
)
def test_a_point_that_cannot_be_read_lets_the_bag_be_refused(
    bag: Path, other: Library, tmp_path: Path, selector: object
) -> None:
    shutil.copytree(bag, tmp_path / "b")
    (line, *_) = (bag / "data/photos.jsonl").read_text().splitlines()
    target = {"source": ni_of(json.loads(line)["sha256"]), "selector": selector}
    bodies = [{"purpose": name, "value": "x"} for name in ("identifying", "describing")]
    page = {"items": [{"target": target, "body": bodies}]}
    (tmp_path / "b/data/points.jsonld").write_text(json.dumps(page))
    seal(tmp_path / "b")
    with pytest.raises(BagRefused, match="selector"):
        other.import_bag(tmp_path / "b", by="you")


@pytest.mark.parametrize("edition", [None, "Edition 2"])
def test_a_point_of_an_edition_that_was_corrected_stays_here(
    tmp_path: Path, other: Library, edition: str | None
) -> None:
    with filled_with_a_point(tmp_path / "with-points") as library:
        library.edit_specimen("S-0", {"edition": edition}, by="me", reason="r")
        report = library.export_bag(tmp_path / "b", by="me")
    assert (report.points, report.points_left) == (0, 1)
    assert "stay behind: 1, drawn on photos" in report.says()
    assert other.import_bag(tmp_path / "b", by="you").done


def test_one_picture_of_two_specimens_is_not_exported(tmp_path: Path, other: Library) -> None:
    picture = draw_print(1)
    for name, data in (("A", with_place(picture)), ("B", as_bytes(picture, "JPEG", quality=90))):
        record = SpecimenRecord(name, Element.BAND, Standing.FAKE)
        # As sets have it that were filled before an addition knew a picture by its pixels.
        photo = prepare_photo(IncomingPhoto(data, f"{name}.jpg")).photo
        other._catalogue.add_specimen(record, [photo], by="you")
    with pytest.raises(RecordConflict, match=r"'A' and 'B\.jpg' of specimen 'B' are"):
        other.export_bag(tmp_path / "b", by="you")
    assert not (tmp_path / "b").exists()


@pytest.mark.external
def test_the_description_is_valid_croissant_and_its_records_can_be_read(
    source: Library, tmp_path: Path
) -> None:
    """MLCommons Croissant 1.0, by the mlcroissant library: no error, no warning, and the data."""
    croissant = pytest.importorskip("mlcroissant", reason="mlcroissant is not installed")
    source.export_folder(tmp_path / "plain", by="me", options=ExportOptions({}, licence="CC0"))
    dataset = croissant.Dataset(jsonld=str(tmp_path / "plain" / "croissant.json"))
    issues = dataset.metadata.ctx.issues
    assert not issues.errors, issues.report()
    assert not issues.warnings, issues.report()
    photos = list(dataset.records("photos"))
    specimens = list(dataset.records("specimens"))
    assert len(photos) == 4
    assert sorted(one["specimens/name"].decode() for one in specimens) == ["S-0", "S-1", "S-2"]
    assert {one["photos/view"].decode() for one in photos} == {"face", "back"}


def test_an_import_that_fails_half_way_leaves_nothing(
    bag: Path, other: Library, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = state_of(other)
    put = PhotoStore.put
    done = []

    def fails_at_the_third(store: PhotoStore, data: bytes) -> object:
        if len(done) == 2:
            raise SetError("the disk is full")
        done.append(len(data))
        return put(store, data)

    monkeypatch.setattr(PhotoStore, "put", fails_at_the_third)
    with pytest.raises(SetError, match="disk is full"):
        other.import_bag(bag, by="you")
    assert len(done) == 2
    assert state_of(other) == before
    monkeypatch.undo()
    assert other.import_bag(bag, by="you").done
    assert is_sound(other)


def test_two_hundred_damaged_bags_are_refused_whole(
    bag: Path, other: Library, tmp_path: Path
) -> None:
    other.add_specimen(
        SpecimenRecord("mine", Element.CAP, Standing.FAKE),
        [IncomingPhoto(as_bytes(draw_print(61)), "x.png")],
        by="you",
    )
    before = state_of(other)
    work = tmp_path / "work"
    work.mkdir()
    taken = []
    for harm, path in damaged(bag, work, 200):
        try:
            other.import_bag(path, by="you")
            taken.append((harm, "taken in"))
        except BagRefused:
            pass
        except Exception as exc:
            taken.append((harm, repr(exc)))
        if state_of(other) != before:
            taken.append((harm, "wrote"))
    assert taken == []
    outside = {path.name for path in tmp_path.iterdir()}
    assert outside <= {"other", "work"}
    assert is_sound(other)
