"""The main job through the facade: make, add, search, withdraw, rebuild, verify."""

from __future__ import annotations

import io
import shutil
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from drawn_prints import as_bytes, draw_print
from loupebook.errors import CropInvalid, PhotoUnreadable, SetExists, SetNotFound
from loupebook.library import (
    Element,
    Library,
    Lighting,
    SearchFilters,
    Standing,
    decode_photo,
    resize_to_fit,
)


@pytest.fixture
def library(tmp_path: Path, photo_folder: Path) -> Library:
    made = Library.create(tmp_path / "set", name="prints")
    report = made.add_manifest(photo_folder / "manifest.csv", by="a curator")
    assert report.ok
    assert len(report.added) == 8
    return made


def test_an_indexed_photo_finds_itself_with_similarity_one(library: Library) -> None:
    report = library.search(as_bytes(draw_print(1)))
    assert report.matches[0].specimen == "S-1"
    assert report.matches[0].similarity >= 0.9999


@pytest.mark.parametrize("turns", [0, 1, 2, 3])
def test_a_resaved_turned_photo_finds_its_specimen(library: Library, turns: int) -> None:
    picture = draw_print(4).resize((160, 160)).rotate(-90 * turns, expand=True)
    report = library.search(as_bytes(picture, "JPEG", quality=60))
    assert report.matches[0].specimen == "S-4"


def test_each_specimen_stands_once_in_the_answer(library: Library) -> None:
    names = [match.specimen for match in library.search(as_bytes(draw_print(0))).matches]
    assert len(names) == len(set(names)) == 6


def test_nearest_genuine_and_fake_are_given_even_outside_the_first_k(library: Library) -> None:
    report = library.search(as_bytes(draw_print(0)), k=1)
    assert [match.specimen for match in report.matches] == ["S-0"]
    assert report.nearest_genuine is not None
    assert report.nearest_genuine.specimen == "S-0"
    assert report.nearest_fake is not None
    assert report.nearest_fake.standing is Standing.FAKE
    assert report.nearest_fake.rank > 1


def test_filters_hold(library: Library) -> None:
    query = as_bytes(draw_print(2))
    raking = library.search(query, filters=SearchFilters(lighting=Lighting.RAKING))
    assert {match.lighting for match in raking.matches} == {Lighting.RAKING}
    genuine = library.search(query, filters=SearchFilters(standing=Standing.GENUINE))
    assert {match.standing for match in genuine.matches} == {Standing.GENUINE}
    assert genuine.nearest_fake is None
    nothing = library.search(query, filters=SearchFilters(element=Element.CAP))
    assert nothing.matches == ()
    assert nothing.empty_reason


def test_a_photo_decoded_before_is_searched_as_its_bytes_are(library: Library) -> None:
    data = as_bytes(draw_print(3))
    bytes_answer, answer = library.search(data), library.search(decode_photo(data))
    assert [one.to_dict() for one in answer.matches] == [
        one.to_dict() for one in bytes_answer.matches
    ]
    assert answer.photo_check == bytes_answer.photo_check


def test_a_glance_is_the_photo_small(library: Library) -> None:
    photo = library.photos("S-3")[0]
    small = library.photo_glance(photo.photo_id, 60)
    assert max(small.shape[:2]) == 60
    whole = resize_to_fit(library.photo_pixels(photo.photo_id), 60)
    assert np.abs(small.astype(int) - whole).mean() < 4


def test_a_withdrawn_specimen_leaves_search_at_once_and_can_come_back(library: Library) -> None:
    query = as_bytes(draw_print(3))
    assert library.search(query).matches[0].specimen == "S-3"
    library.withdraw("S-3", by="a curator", reason="mislabelled")
    assert "S-3" not in {match.specimen for match in library.search(query).matches}
    library.reinstate("S-3", by="a curator")
    assert library.search(query).matches[0].specimen == "S-3"


def test_adding_twice_adds_nothing_twice(library: Library, photo_folder: Path) -> None:
    before = library.info().change_counter
    report = library.add_manifest(photo_folder / "manifest.csv", by="a curator")
    assert report.ok
    assert report.added == ()
    assert len(report.known) == 8
    assert library.info().change_counter == before


def test_one_bad_row_never_stops_the_rest(tmp_path: Path, photo_folder: Path) -> None:
    (photo_folder / "broken.jpg").write_bytes(b"not a picture")
    manifest = photo_folder / "manifest.csv"
    manifest.write_text(
        manifest.read_text(encoding="utf-8")
        + "broken.jpg,S-8,band,,,genuine,,,\n"
        + "gone.jpg,S-9,band,,,genuine,,,\n"
        + "print0.png,S-0,band,,,forged,,,\n",
        encoding="utf-8",
    )
    with Library.create(tmp_path / "set") as library:
        report = library.add_manifest(manifest, by="a curator")
        assert len(report.added) == 8
        assert {(fault.line, fault.column) for fault in report.faults} == {
            (10, "path"),
            (11, "path"),
            (12, "standing"),
        }


def test_a_dry_run_writes_nothing(tmp_path: Path, photo_folder: Path) -> None:
    with Library.create(tmp_path / "set") as library:
        report = library.add_manifest(photo_folder / "manifest.csv", by="x", dry_run=True)
        assert report.would_add == 8
        assert library.overview().photos == 0
        assert not list((tmp_path / "set" / "photos").rglob("*.*"))


def test_derived_files_can_all_be_deleted(library: Library, tmp_path: Path) -> None:
    query = as_bytes(draw_print(5))
    before = library.search(query).to_dict()["matches"]
    library.thumbnail(1)
    library.close()
    shutil.rmtree(tmp_path / "set" / "derived")
    with Library.open(tmp_path / "set") as again:
        assert again.search(query).to_dict()["matches"] == before
        assert again.verify().ok


def test_rebuild_gives_the_same_answers(library: Library) -> None:
    query = as_bytes(draw_print(5))
    before = library.search(query).to_dict()["matches"]
    library.report(only=["serials"])
    derived = library.folder / "derived"
    assert list(derived.glob("evidence/*"))
    prints = derived / "setreport" / "prints.sqlite"
    prints.write_bytes(b"hours of work")
    report = library.rebuild()
    assert report.ok
    assert not list(derived.glob("evidence/*"))
    assert list(derived.glob("setreport/*")) == [prints]
    assert library.search(query).to_dict()["matches"] == before


def test_verify_finds_an_altered_photo(library: Library, tmp_path: Path) -> None:
    library.sync()
    assert library.verify().ok
    record = library.photo(1)
    path = tmp_path / "set" / "photos" / record.sha256[:2] / record.sha256
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.chmod(0o644)
    path.write_bytes(bytes(data))
    check = library.verify()
    assert not check.ok
    assert any(record.sha256 in line for line in check.lines())


def test_a_crop_narrows_the_query(library: Library) -> None:
    wide = Image.new("RGB", (900, 700), (120, 120, 120))
    wide.paste(draw_print(1), (500, 300))
    corners = [(500.0, 300.0), (819.0, 300.0), (819.0, 619.0), (500.0, 619.0)]
    report = library.search(as_bytes(wide), corners=corners)
    assert report.matches[0].specimen == "S-1"
    assert report.matches[0].similarity > 0.98
    with pytest.raises(CropInvalid):
        library.search(as_bytes(wide), corners=[(0.0, 0.0)] * 4)


def test_thumbnails_are_small_jpegs(library: Library) -> None:
    picture = Image.open(io.BytesIO(library.thumbnail(1)))
    assert picture.format == "JPEG"
    assert max(picture.size) <= 360


def test_a_kept_thumbnail_that_is_damaged_or_of_another_photo_is_made_anew(
    library: Library,
) -> None:
    expected, other = library.thumbnail(1), library.thumbnail(2)
    kept = library.folder / "derived" / "thumbnails-360"
    paths = [
        kept / sha256[:2] / f"{sha256}.jpg"
        for sha256 in (library.photo(photo).sha256 for photo in (1, 2))
    ]
    assert decode_photo(paths[0]).pixels.shape == decode_photo(expected).pixels.shape
    sound = paths[0].read_bytes()
    turned = bytearray(sound)
    turned[len(sound) // 2] ^= 0x10
    for damaged in (b"", sound[:20], sound[:-40], bytes(turned), paths[1].read_bytes(), other):
        paths[0].write_bytes(damaged)
        assert library.thumbnail(1) == expected
        assert paths[0].read_bytes() == sound


def test_plain_errors(tmp_path: Path, library: Library) -> None:
    with pytest.raises(SetNotFound, match="loupebook init"):
        Library.open(tmp_path / "nowhere")
    with pytest.raises(SetExists):
        Library.create(tmp_path / "set")
    with pytest.raises(PhotoUnreadable):
        library.search(b"no picture at all")


def test_an_empty_set_answers_plainly(tmp_path: Path) -> None:
    with Library.create(tmp_path / "empty") as library:
        report = library.search(as_bytes(draw_print(0)))
        assert report.matches == ()
        assert report.empty_reason
        assert report.reading["close_reference"] is None
