from __future__ import annotations

import json
import shutil
from dataclasses import replace

import numpy as np
import pytest
from compare_prints import draw_print, photograph
from typer.testing import CliRunner

from loupebook.cli import app
from loupebook.errors import ComparisonError
from loupebook.imaging import check_photo, decode_photo, encode_jpeg
from loupebook.library import (
    Element,
    IncomingPhoto,
    Library,
    Lighting,
    SpecimenRecord,
    Standing,
    compare_photos,
)
from loupebook.library.comparing import SetComparer
from loupebook.library.evidence_glue import EvidenceKeeper
from loupebook.records.catalogue import Catalogue

SCALE = 19.0


def jpeg(seed: int, design: int = 1) -> bytes:
    return encode_jpeg(photograph(draw_print(design), seed).pixels, quality=92)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    home = tmp_path_factory.mktemp("photos")
    for name, data in {
        "query.jpg": jpeg(60), "reference.jpg": jpeg(61), "other.jpg": jpeg(62, 7),
    }.items():  # fmt: skip
        (home / name).write_bytes(data)
    with Library.create(home / "set", name="labels") as library:
        for k in range(3):
            record = SpecimenRecord(
                f"label {k}", Element.SEAL, Standing.GENUINE, marque="Invented", edition="Label I"
            )
            photo = IncomingPhoto(jpeg(70 + k), f"{k}.jpg", px_per_mm=SCALE)
            assert library.add_specimen(record, [photo], by="test").ok
    return home


@pytest.fixture(scope="module")
def two_files(folder):
    return compare_photos(folder / "query.jpg", folder / "reference.jpg")


def run(*arguments: object):
    return CliRunner().invoke(app, ["compare", *map(str, arguments)])


def test_two_files_as_json_with_pictures(folder, tmp_path):
    done = run(
        folder / "query.jpg", folder / "reference.jpg", "--json", "--out", tmp_path / "out",
        "--px-per-mm", SCALE,
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    said = json.loads(done.stdout.splitlines()[0])
    assert said["registered"] is True
    assert {"inliers", "residual_px", "overall_z", "photo_check"} <= set(said)
    assert np.array(said["homography"]).shape == (3, 3)
    for one in said["measurements"]:
        assert {"name", "value", "unit", "z", "verdict"} <= set(one)
        assert one["verdict"] in ("agrees", "differs", "cannot tell")
    names = {path.name for path in (tmp_path / "out").iterdir()}
    assert {"comparison.json", "query-aligned.jpg", "reference-aligned.jpg"} <= names
    assert "map-differences.jpg" in names


def test_text_says_what_it_does_not_say(folder):
    done = run(folder / "query.jpg", folder / "reference.jpg")
    assert done.exit_code == 0
    assert "does not say that an item is genuine" in " ".join(done.output.split())


def test_two_files_never_agree_since_nothing_tells_what_is_usual(two_files, folder, monkeypatch):
    said = two_files.to_dict()
    within = [one for one in said["measurements"] if one["z"] is not None and one["z"] <= 2]
    assert within
    assert {one["verdict"] for one in within} == {"cannot tell"}
    assert all(one["reason"] == one["word"] for one in within)
    assert {one["word"] for one in within} <= {
        "too few known photos to tell", "known ones vary too much to tell",
    }  # fmt: skip
    assert "none plainly agrees" in said["says"]
    monkeypatch.setattr("loupebook.cli.comparing.compare_photos", lambda *_, **__: two_files)
    printed = " ".join(run(folder / "query.jpg", folder / "reference.jpg").output.split())
    assert "= agrees" not in printed
    assert "none plainly agrees" in printed


def test_a_poor_photo_agrees_with_nothing(two_files):
    poor = replace(two_files, photo_check=check_photo(np.full((900, 900, 3), 128, np.uint8)))
    assert {one["word"] for one in poor.to_dict()["measurements"]} <= {
        "photo too poor to tell", "cannot tell",
    }  # fmt: skip
    assert {one["verdict"] for one in poor.to_dict()["measurements"]} == {"cannot tell"}
    assert "too poor to hold fine print" in poor.says()


def test_photos_of_two_prints_end_with_one_and_the_reason(folder):
    done = run(folder / "query.jpg", folder / "other.jpg", "--json")
    assert done.exit_code == 1
    said = json.loads(done.stdout.splitlines()[0])
    assert said["registered"] is False
    assert said["reason"]
    assert said["measurements"] == []


def test_against_a_set_the_whole_edition_is_used(folder):
    done = run(folder / "query.jpg", "label 1", "--set", folder / "set", "--json")
    assert done.exit_code == 0, done.output
    said = json.loads(done.stdout.splitlines()[0])
    assert said["compared_with_photos"] == 3
    assert said["reference"] == "Label I"
    assert said["reference_standing"] == "genuine"
    # Three photos do not tell what is usual.
    for told in ("word", "verdict"):
        assert "agrees" not in {one[told] for one in said["measurements"]}
    assert list((folder / "set" / "derived" / "compare").glob("*.consensus"))


@pytest.fixture(scope="module")
def numbered(tmp_path_factory):
    """A set of photos 1 (daylight) and 2 (UV-A) of "label", and 3 of a specimen named "1"."""
    folder = tmp_path_factory.mktemp("numbered") / "set"
    with Library.create(folder, name="numbered") as library:
        for name, lightings in {"label": ("diffuse", "uv-a"), "1": ("diffuse",)}.items():
            photos = [
                IncomingPhoto(jpeg(90 + len(name) + k), f"{k}.jpg", lighting=Lighting(lighting))
                for k, lighting in enumerate(lightings)
            ]
            record = SpecimenRecord(name, Element.SEAL, Standing.GENUINE, marque="Invented")
            assert library.add_specimen(record, photos, by="test").ok
    return folder


def reference_of(monkeypatch, folder, *arguments: object):
    """Return the photo that a command compares with, or how it ends and what it says."""

    def told(library, query, photo_id):
        raise ComparisonError(f"photo {photo_id}")

    monkeypatch.setattr(Library, "compare", told)
    monkeypatch.setenv("LOUPEBOOK_SET", str(folder))
    query = folder / "catalogue.sqlite"  # any file that is there: it is not looked into
    done = run(query, *arguments)
    said = " ".join(done.output.split())
    return int(said.split()[1]) if done.exit_code == 1 else (done.exit_code, said)


@pytest.mark.parametrize(
    ("arguments", "photo"),
    [
        (["label"], 1),
        (["label", "--lighting", "uv-a"], 2),
        (["2"], 2),
        (["photo:1"], 1),
        (["specimen:1"], 3),
        (["specimen:label", "--lighting", "uv-a"], 2),
    ],
)
def test_a_reference_names_a_photo_of_the_set(monkeypatch, numbered, arguments, photo):
    assert reference_of(monkeypatch, numbered, *arguments) == photo


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["1"], "photo:1 or specimen:1"),
        (["label", "--lighting", "raking"], "no raking photo; the set holds: diffuse, uv-a"),
        (["2", "--lighting", "diffuse"], "no diffuse photo; the set holds: uv-a"),
        (["label", "--px-per-mm", "12"], "--px-per-mm is for a reference file"),
        (["nobody"], "no specimen and no photo 'nobody'"),
    ],
)
def test_a_reference_that_cannot_be_meant_is_refused(monkeypatch, numbered, arguments, says):
    code, said = reference_of(monkeypatch, numbered, *arguments)
    assert code == 2
    assert says in said


def test_a_fake_reference_is_named_as_what_it_is(tmp_path, folder):
    with Library.create(tmp_path / "fakes", name="fakes") as library:
        record = SpecimenRecord(
            "copy 0", Element.SEAL, Standing.FAKE, marque="Invented", edition="Label I",
            origin="Copy A",
        )  # fmt: skip
        photo = IncomingPhoto(jpeg(70), "0.jpg", px_per_mm=SCALE)
        assert library.add_specimen(record, [photo], by="test").ok
        report = library.compare((folder / "query.jpg").read_bytes(), 1)
    assert report.standing == "fake"
    assert "known fakes of this print origin" in report.to_dict()["says"]
    assert "genuine" not in report.says()


def test_found_photos_are_compared_group_by_group_as_they_come(folder):
    with Catalogue.open(folder / "set") as catalogue:
        comparer = SetComparer(
            catalogue,
            lambda photo: decode_photo(catalogue.photo_bytes(photo)).pixels,
            EvidenceKeeper(catalogue),
        )
        facts = catalogue.facts()
        query = photograph(draw_print(1), 60).pixels
        found = comparer.compare_found(query, [(photo, 0.9) for photo in facts], facts)
        first = next(found)
        assert first.candidate.group.name == "Label I"
        assert first.candidate.photo_ids == tuple(facts)
        assert first.comparison.registration.registered
        assert list(found) == []


def test_lost_photos_are_left_out_of_what_a_search_found(folder, tmp_path):
    """One photo lost: the others are compared with. All lost: the design is, with the reason."""
    shutil.copytree(folder / "set", tmp_path / "set")
    shutil.rmtree(tmp_path / "set" / "derived" / "compare", ignore_errors=True)
    with Library.open(tmp_path / "set") as library:
        report = library.search(folder / "query.jpg")
        files = [
            library.folder / "photos" / one.sha256[:2] / one.sha256
            for k in range(3)
            for one in library.photos(f"label {k}")
        ]
        files[1].unlink()
        (found,) = library.compare_found(report)
        assert found.comparison.registration.registered
        assert found.comparison.against == 2
        for file in (files[0], files[2]):
            file.unlink()
        (found,) = library.compare_found(report)
        assert "no sound photo" in found.comparison.registration.reason


def test_unknown_photo_is_an_error_that_says_so(folder):
    with (
        Library.open(folder / "set") as library,
        pytest.raises(ComparisonError, match="no confirmed"),
    ):
        library.compare(folder / "query.jpg", 99)


def test_report_is_plain_json_of_plain_arrays(two_files):
    json.dumps(two_files.to_dict())
    assert all(p.dtype == np.uint8 and p.shape[2] == 3 for p in two_files.pictures.values())
