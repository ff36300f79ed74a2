"""Damage done to a set is found, all of it, in one report."""

from __future__ import annotations

import json
import random
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from records_material import photo_of, specimen_of

from loupebook.errors import SetDamaged
from loupebook.records.advice import RESTORE
from loupebook.records.catalogue import Catalogue
from loupebook.records.photo_store import digest
from loupebook.records.verify import DamageKind


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("sound") / "set"
    with Catalogue.create(folder, name="S") as catalogue:
        for number in range(6):
            catalogue.add_specimen(
                specimen_of(f"S{number}"), [photo_of((number, 0)), photo_of((number, 1))], by="me"
            )
    return folder


@pytest.fixture
def folder(sound: Path, tmp_path: Path) -> Path:
    shutil.copytree(sound, tmp_path / "set")
    return tmp_path / "set"


def file_of(folder: Path, seed: object) -> Path:
    sha256 = digest(photo_of(seed).data)
    return folder / "photos" / sha256[:2] / sha256


def test_a_sound_set_passes_with_progress(folder: Path) -> None:
    told: list[tuple[str, int, int]] = []
    with Catalogue.open(folder) as catalogue:
        report = catalogue.verify(progress=lambda *step: told.append(step))
        assert report.bytes_read == sum(photo.byte_count for photo in catalogue.photos())
    assert report.ok
    assert (report.specimens, report.photos, report.damage, report.leftovers) == (6, 12, (), ())
    assert told[0] == ("catalogue", 0, 1)
    assert ("photos", 12, 12) in told
    assert all(done <= total for _, done, total in told)
    assert json.loads(json.dumps(report.to_dict()))["ok"] is True


def test_all_damage_is_in_one_report(folder: Path) -> None:
    file_of(folder, (0, 0)).unlink()
    file_of(folder, (1, 0)).write_bytes(b"short")
    altered = bytearray(photo_of((2, 0)).data)
    altered[100] ^= 1
    file_of(folder, (2, 0)).write_bytes(altered)
    file_of(folder, (3, 0)).unlink()
    file_of(folder, (3, 0)).mkdir()
    (folder / "photos" / "ab").mkdir(exist_ok=True)
    (folder / "photos" / "ab" / "stray.jpg").write_bytes(b"x")
    with Catalogue.open(folder) as catalogue:
        report = catalogue.verify()
    assert not report.ok
    found = {(damage.kind, damage.specimen, damage.path) for damage in report.damage}
    assert found == {
        (kind, f"S{number}", file_of(folder, (number, 0)).relative_to(folder).as_posix())
        for number, kind in enumerate(
            [DamageKind.MISSING, DamageKind.ALTERED, DamageKind.ALTERED, DamageKind.ALTERED]
        )
    }
    assert report.leftovers == ("photos/ab/stray.jpg",)
    listed = json.loads(json.dumps(report.to_dict()))
    assert listed["ok"] is False
    assert len(listed["damage"]) == 4


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    seed=st.tuples(st.integers(0, 5), st.integers(0, 1)),
    at=st.integers(0, 2559),
    bit=st.integers(0, 7),
)
def test_any_flipped_bit_of_a_photo_is_found(
    folder: Path, seed: tuple[int, int], at: int, bit: int
) -> None:
    path = file_of(folder, seed)
    whole = path.read_bytes()
    damaged = bytearray(whole)
    damaged[at] ^= 1 << bit
    path.write_bytes(damaged)
    try:
        with Catalogue.open(folder) as catalogue:
            (damage,) = catalogue.verify().damage
            assert (damage.kind, damage.specimen) == (DamageKind.ALTERED, f"S{seed[0]}")
            assert damage.photo_id is not None
            with pytest.raises(SetDamaged, match="altered"):
                catalogue.photo_bytes(damage.photo_id)
    finally:
        path.write_bytes(whole)


def test_adding_the_original_again_heals(folder: Path) -> None:
    file_of(folder, (0, 0)).unlink()
    file_of(folder, (0, 1)).write_bytes(b"x")
    with Catalogue.open(folder) as catalogue:
        outcome = catalogue.add_specimen(
            specimen_of("S0"), [photo_of((0, 0)), photo_of((0, 1))], by="me"
        )
        assert outcome.changed
        assert outcome.new_photo_ids == frozenset()
        assert len(outcome.restored_photo_ids) == 2
        assert catalogue.verify().ok
        assert "restored" in json.loads(catalogue.events("S0")[-1].detail)


def test_a_reference_to_nothing_is_found(folder: Path) -> None:
    raw = sqlite3.connect(folder / "catalogue.sqlite")
    raw.execute("UPDATE photo SET specimen_id = 99 WHERE id = 1")
    raw.execute("UPDATE specimen SET origin_id = 7 WHERE id = 2")
    raw.commit()
    raw.close()
    with Catalogue.open(folder) as catalogue:
        report = catalogue.verify()
    assert {damage.kind for damage in report.damage} == {DamageKind.CATALOGUE, DamageKind.LOG}
    text = " ".join(damage.message for damage in report.damage)
    assert "table photo" in text
    assert "table specimen" in text


def test_a_value_outside_the_vocabulary_is_found(folder: Path) -> None:
    raw = sqlite3.connect(folder / "catalogue.sqlite")
    raw.execute("PRAGMA ignore_check_constraints = ON")
    raw.execute("UPDATE specimen SET standing = 'perhaps' WHERE id = 1")
    raw.execute("UPDATE photo SET view = 'inside' WHERE id = 3")
    raw.execute("UPDATE photo SET sha256 = '../../secret' WHERE id = 5")
    raw.commit()
    raw.close()
    with Catalogue.open(folder) as catalogue:
        report = catalogue.verify()
        kinds = {damage.kind for damage in report.damage}
        assert kinds == {DamageKind.CATALOGUE, DamageKind.LOG}
        with pytest.raises(SetDamaged):
            catalogue.specimens()
        with pytest.raises(SetDamaged):
            catalogue.photos()
        with pytest.raises(SetDamaged):
            catalogue.facts()


def is_found_damaged(folder: Path) -> bool:
    try:
        with Catalogue.open(folder) as catalogue:
            return not catalogue.verify().ok
    except SetDamaged:
        return True


def spoil_pages(file: Path, rng: random.Random) -> None:
    data = bytearray(file.read_bytes())
    page = int.from_bytes(data[16:18], "big")
    for number in range(1, len(data) // page):
        if rng.random() < 0.5:
            data[number * page : number * page + 64] = rng.randbytes(64)
    file.write_bytes(data)


def cut(file: Path, rng: random.Random) -> None:
    file.write_bytes(file.read_bytes()[: file.stat().st_size // rng.randint(2, 5)])


@pytest.mark.parametrize("spoil", [spoil_pages, cut])
@pytest.mark.parametrize("seed", range(5))
def test_a_spoilt_catalogue_is_reported_never_a_foreign_error(
    folder: Path, spoil: Callable[[Path, random.Random], None], seed: int
) -> None:
    spoil(folder / "catalogue.sqlite", random.Random(seed))
    assert is_found_damaged(folder)


def test_temporary_files_are_removed_on_request_only(folder: Path) -> None:
    whole = file_of(folder, (0, 0))
    left = whole.with_name(f".{whole.name}.0123456789abcdef.part")
    left.write_bytes(b"half")
    orphan = file_of(folder, "never recorded")
    orphan.parent.mkdir(exist_ok=True)
    orphan.write_bytes(photo_of("never recorded").data)
    with Catalogue.open(folder) as catalogue:
        report = catalogue.verify()
        assert report.ok
        assert set(report.leftovers) == {
            left.relative_to(folder).as_posix(),
            orphan.relative_to(folder).as_posix(),
        }
        assert catalogue.remove_temporary_files() == [left]
        assert not left.exists()
        assert orphan.exists()
        assert catalogue.info().change_counter == 6


def test_the_advice_for_a_damaged_catalogue_brings_a_copy_back_after_a_kill(
    folder: Path, tmp_path: Path
) -> None:
    file = folder / "catalogue.sqlite"
    copy = shutil.copy(file, tmp_path / "copy.sqlite")
    with Catalogue.open(folder) as catalogue:
        catalogue.add_specimen(specimen_of("later"), [photo_of((9, 0))], by="me")
        killed = shutil.copytree(folder, tmp_path / "killed")
    assert (killed / "catalogue.sqlite-wal").stat().st_size
    (killed / "catalogue.sqlite").write_bytes(b"overwritten " * 1000)
    with pytest.raises(SetDamaged) as told:
        Catalogue.open(killed).close()
    assert "delete catalogue.sqlite-wal and catalogue.sqlite-shm" in str(told.value)
    for name in ("catalogue.sqlite-wal", "catalogue.sqlite-shm"):
        (killed / name).unlink(missing_ok=True)
    shutil.copy(copy, killed / "catalogue.sqlite")
    with Catalogue.open(killed) as catalogue:
        assert catalogue.verify().damage == ()
        assert catalogue.count_specimens() == 6


@pytest.mark.parametrize(
    "sql",
    [
        "DELETE FROM set_info",
        "UPDATE specimen SET origin_id = 7",
        "PRAGMA application_id = 7",
    ],
)
def test_every_message_about_a_damaged_catalogue_says_the_same(folder: Path, sql: str) -> None:
    with closing(sqlite3.connect(folder / "catalogue.sqlite")) as raw, raw:
        raw.execute(sql)
    try:
        with Catalogue.open(folder) as catalogue:
            told = " ".join(damage.message for damage in catalogue.verify().damage)
    except SetDamaged as damage:
        told = str(damage)
    assert RESTORE in told
