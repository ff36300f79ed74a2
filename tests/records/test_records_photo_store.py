from __future__ import annotations

import hashlib
import os
from pathlib import Path

import pytest

from loupebook.errors import SetDamaged, SetError
from loupebook.records.photo_store import PhotoStore, Stored, digest


@pytest.fixture
def store(tmp_path: Path) -> PhotoStore:
    return PhotoStore(tmp_path / "photos")


@pytest.mark.external
def test_path_is_the_published_sha256(store: PhotoStore) -> None:
    # FIPS 180-4, one-block example message "abc" (NIST, Examples with Intermediate Values).
    published = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert store.put(b"abc") is Stored.NEW
    assert (store.folder / "ba" / published).read_bytes() == b"abc"


def test_what_is_put_is_read(store: PhotoStore) -> None:
    data = bytes(range(256)) * 9000
    store.put(data)
    assert store.read(digest(data)) == data
    assert store.digest_on_disk(digest(data)) == hashlib.sha256(data).hexdigest()


def test_putting_twice_stores_once(store: PhotoStore) -> None:
    store.put(b"photo")
    before = store.path(digest(b"photo")).stat().st_mtime_ns
    assert store.put(b"photo") is Stored.PRESENT
    assert [path.name for path in store.files()] == [digest(b"photo")]
    assert store.path(digest(b"photo")).stat().st_mtime_ns == before


def test_putting_again_repairs_an_altered_file(store: PhotoStore) -> None:
    store.put(b"photo")
    store.path(digest(b"photo")).write_bytes(b"phot0")
    assert store.put(b"photo") is Stored.REPAIRED
    assert store.read(digest(b"photo")) == b"photo"


@pytest.mark.parametrize("damage", [b"", b"phot", b"phot0"])
def test_altered_bytes_are_never_returned(store: PhotoStore, damage: bytes) -> None:
    store.put(b"photo")
    store.path(digest(b"photo")).write_bytes(damage)
    with pytest.raises(SetDamaged, match=digest(b"photo")):
        store.read(digest(b"photo"))


def test_a_missing_file_is_damage(store: PhotoStore) -> None:
    with pytest.raises(SetDamaged, match="missing"):
        store.read(digest(b"never"))


@pytest.mark.parametrize("key", ["", "../../etc/passwd", "A" * 64, "a" * 63, "a" * 64 + "\n"])
def test_only_digests_become_paths(store: PhotoStore, key: str) -> None:
    with pytest.raises(ValueError, match="SHA-256"):
        store.path(key)


def test_a_failed_write_leaves_no_file(store: PhotoStore, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    store.folder.mkdir()
    (store.folder / digest(b"photo")[:2]).mkdir()
    with pytest.raises(SetError, match="No space left"):
        store.put(b"photo")
    assert list(store.files()) == []


def test_only_temporary_files_of_ours_are_removed(store: PhotoStore) -> None:
    store.put(b"photo")
    target = store.path(digest(b"photo"))
    left = target.with_name(f".{target.name}.0123456789abcdef.part")
    left.write_bytes(b"pho")
    misplaced = store.folder / left.name
    misplaced.write_bytes(b"pho")
    assert store.remove_temporary() == [left]
    assert list(store.files()) == sorted([misplaced, target])
