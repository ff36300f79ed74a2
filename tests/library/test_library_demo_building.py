"""Building the demo set: its seal says that all of it is there, so it stands whole or not."""

from __future__ import annotations

import errno
import os
from pathlib import Path
from types import SimpleNamespace, TracebackType

import pytest

from loupebook.library import demo_building
from loupebook.library.demo_building import build_demo_set
from loupebook.library.results import AddReport


class Built:
    """A library that holds all that a demo set needs."""

    points = SimpleNamespace(of=lambda: ["a point"])

    def __enter__(self) -> Built:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Nothing is open."""

    def add_manifest(self, manifest: Path, **how: object) -> AddReport:
        return AddReport()

    def sync(self, **how: object) -> None:
        """Nothing is searched."""

    def overview(self) -> SimpleNamespace:
        return SimpleNamespace(specimens=3, photos=4)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    shipped = tmp_path / "reference_sets" / "demo"
    shipped.mkdir(parents=True)
    (shipped / "manifest.csv").write_text("path\n")
    (shipped / "points.jsonld").write_text("{}")
    monkeypatch.setattr(demo_building, "bundled", lambda name: tmp_path / name)
    monkeypatch.setattr(demo_building, "_open_or_create", lambda _: Built())
    (tmp_path / "set").mkdir()
    return tmp_path / "set"


def test_a_seal_that_could_not_be_brought_to_disk_does_not_stand(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", full)
        with pytest.raises(OSError, match="No space left"):
            build_demo_set(folder)
    assert list(folder.iterdir()) == []
    assert build_demo_set(folder).photos == 4
    (seal,) = folder.iterdir()
    assert len(seal.read_text().strip()) == 64
