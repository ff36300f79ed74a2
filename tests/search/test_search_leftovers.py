"""What killed programs left half-written under derived/ goes; what is being written stays."""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest
from search_fakes import ThumbnailEncoder

from loupebook.library.thumbnails import ThumbnailCache
from loupebook.library.upkeep import rebuild_derived
from loupebook.records.catalogue import Catalogue
from loupebook.search import EmbeddingArm, no_progress
from loupebook.search.files import remove_leftovers
from loupebook.search.vector_store import VectorStore

PART = ".abc.index.0123456789abcdef.part"
OLD_S = 2 * 3600


def left(folder: Path, name: str, *, age_s: float = OLD_S) -> Path:
    """Leave a file, or a folder with one in it where the name says so, as a kill does."""
    path = file = folder / name
    if name.endswith(".index.ab12_xyz"):
        path.mkdir(parents=True)
        file = path / "faiss"
    folder.mkdir(parents=True, exist_ok=True)
    file.write_bytes(b"half")
    at = time.time() - age_s
    for one in {file, path}:
        os.utime(one, (at, at))
    return path


@pytest.mark.parametrize("name", [PART, ".abc.index.ab12_xyz"])
def test_only_drafts_that_nobody_writes_to_are_removed(tmp_path: Path, name: str) -> None:
    old = left(tmp_path / "old", name)
    fresh = left(tmp_path / "fresh", name, age_s=0)
    kept = [left(tmp_path / "old", one) for one in ("abc.index", ".gitignore", "abc.part")]
    for folder in ("old", "fresh", "none"):
        remove_leftovers(tmp_path / folder)
    assert not old.exists()
    assert fresh.exists()
    assert all(one.exists() for one in kept)


def test_a_folder_in_which_a_file_is_still_written_stays(tmp_path: Path) -> None:
    path = left(tmp_path, ".abc.index.ab12_xyz")
    (path / "faiss").write_bytes(b"more")
    remove_leftovers(tmp_path)
    assert (path / "faiss").exists()


def test_a_store_opened_to_write_and_an_arm_cleared_tidy_their_folder(tmp_path: Path) -> None:
    old = left(tmp_path, PART)
    VectorStore(tmp_path / "abc.sqlite", set_id="s", fingerprint="f", dim=4).close()
    assert not old.exists()
    old = left(tmp_path, PART)
    EmbeddingArm(tmp_path, ThumbnailEncoder(), set_id="s").clear()
    assert not old.exists()


def test_a_rebuild_tidies_the_whole_set(tmp_path: Path) -> None:
    with Catalogue.create(tmp_path / "set", name="S") as catalogue:
        photos = left(catalogue.folder / "photos" / "ab", f".{'ab' * 32}.{'0' * 16}.part")
        derived = [
            left(catalogue.folder / "derived" / folder, PART) for folder in ("", "compare/prints")
        ]
        rebuild_derived(catalogue, (), ThumbnailCache(catalogue), lambda _: None, no_progress)
    assert not any(one.exists() for one in (photos, *derived))
