"""An addition knows a picture by its pixels, whatever metadata its file bears."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from exchange_material import with_place

from drawn_prints import as_bytes, draw_print
from loupebook.errors import LoupebookError
from loupebook.library import (
    Element,
    IncomingPhoto,
    Library,
    SpecimenRecord,
    Standing,
    View,
    same_pixels,
)
from loupebook.library.same_pixels import SamePixels
from loupebook.records.photo_store import digest


def print_of(name: str, standing: Standing = Standing.GENUINE) -> SpecimenRecord:
    return SpecimenRecord(name, Element.BAND, standing)


def with_metadata(number: int) -> IncomingPhoto:
    return IncomingPhoto(with_place(draw_print(number)), f"{number}.jpg")


def without(number: int, **said: object) -> IncomingPhoto:
    data = as_bytes(draw_print(number), "JPEG", quality=90)
    return IncomingPhoto(data, f"bare-{number}.jpg", **said)  # type: ignore[arg-type]


@pytest.fixture
def library(tmp_path: Path) -> Iterator[Library]:
    with Library.create(tmp_path / "set", name="S") as made:
        for number in range(3):
            photo = with_metadata(number)
            assert made.add_specimen(print_of(f"S-{number}"), [photo], by="me").added
        yield made


@pytest.fixture
def read(monkeypatch: pytest.MonkeyPatch) -> list[bytes]:
    """The photos on record that are decoded to be known by their pixels."""
    seen: list[bytes] = []
    decode = same_pixels.decode_photo

    def counted(data: bytes) -> object:
        seen.append(data)
        return decode(data)

    monkeypatch.setattr(same_pixels, "decode_photo", counted)
    return seen


def test_the_sets_own_plain_export_adds_nothing(library: Library, tmp_path: Path) -> None:
    library.export_folder(tmp_path / "plain", by="me")
    manifest = tmp_path / "plain" / "manifest.csv"
    before = library.info().change_counter
    for dry_run in (True, False):
        report = library.add_manifest(manifest, by="me", dry_run=dry_run)
        assert (len(report.known), report.added, report.would_add) == (3, (), 0)
        assert report.ok
        assert "'0.jpg' (photo 1 of 'S-0') in its metadata alone" in str(report.remarks[0])
    assert len(library.photos()) == 3
    assert library.info().change_counter == before


def test_under_another_name_the_photo_that_holds_it_is_named(library: Library) -> None:
    report = library.add_specimen(print_of("T", Standing.FAKE), [without(1)], by="me")
    (fault,) = report.faults
    assert "but for its metadata" in fault.message
    assert "'1.jpg' (photo 2) of specimen 'S-1'; one photo shows one specimen" in fault.message
    assert [one.name for one in library.specimens()] == ["S-0", "S-1", "S-2"]


def test_what_is_said_otherwise_of_it_is_told(library: Library) -> None:
    record = SpecimenRecord("S-1", Element.BAND, Standing.GENUINE, marque="Invented")
    assert library.add_specimen(record, [without(1)], by="me").known == ("bare-1.jpg",)
    assert library.specimen("S-1").marque == "Invented"
    assert library.photos("S-1")[0].view is View.FACE


@pytest.mark.parametrize("dry_run", [True, False])
def test_twins_in_one_addition_are_told_apart(library: Library, dry_run: bool) -> None:
    photos = [with_metadata(7), without(7)]
    report = library.add_specimen(print_of("N"), photos, by="me", dry_run=dry_run)
    assert len(report.known) == 1
    assert (report.would_add if dry_run else len(report.added)) == 1


def test_photos_on_record_are_read_once_and_never_for_another_size(
    library: Library, read: list[bytes]
) -> None:
    small = IncomingPhoto(as_bytes(draw_print(9).resize((640, 480))), "small.png")
    with Library.open(library.folder) as again:
        again.add_specimen(print_of("S-1"), [without(1), without(2)], by="me")
    assert read == []  # known since they were added
    (library.folder / "derived" / "pixels.sqlite").unlink()
    with Library.open(library.folder) as again:
        again.add_specimen(print_of("M"), [small], by="me")
        assert read == []
        for number in (20, 21):
            again.add_specimen(print_of("M"), [without(number)], by="me")
    assert len(read) == 3
    with Library.open(library.folder) as again:
        again.add_specimen(print_of("M"), [without(22)], by="me")
    assert len(read) == 3


def test_what_another_process_has_added_is_known_too(library: Library) -> None:
    library.add_specimen(print_of("S-0"), [without(0)], by="me")
    with Library.open(library.folder) as other:
        assert other.add_specimen(print_of("N"), [with_metadata(30)], by="you").added
    assert library.add_specimen(print_of("N"), [without(30)], by="me").known
    assert library.add_specimen(print_of("O"), [without(30)], by="me").faults


def test_a_damaged_file_or_cache_stops_no_addition(library: Library) -> None:
    sha256 = library.photo(2).sha256
    (library.folder / "photos" / sha256[:2] / sha256).write_bytes(b"broken")
    with pytest.raises(LoupebookError):
        library.photo_bytes(2)
    (library.folder / "derived" / "pixels.sqlite").write_bytes(b"no database" * 400)
    with Library.open(library.folder) as again:
        assert again.add_specimen(print_of("N"), [without(40)], by="me").added
        assert again.add_specimen(print_of("S-0"), [without(0)], by="me").known


def test_indexing_keeps_what_it_reads_and_a_rebuild_makes_it_anew(
    library: Library, read: list[bytes]
) -> None:
    path = library.folder / "derived" / "pixels.sqlite"
    path.unlink()
    with Library.open(library.folder) as again:
        again.rebuild()
    assert path.exists()
    known = SamePixels(library._catalogue)
    for number, photo in enumerate(library.photos()):
        known.keep_read(photo.photo_id, library.photo_pixels(photo.photo_id))
        assert digest(with_place(draw_print(number))) == photo.sha256
    with Library.open(library.folder) as again:
        assert again.add_specimen(print_of("S-2"), [without(2)], by="me").known
    assert read == []
