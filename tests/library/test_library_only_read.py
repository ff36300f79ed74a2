"""A set in a folder that this user may only read.

The tests may run as root, who may write everywhere; so the question is answered here.
``tests/cli/test_cli_commands.py`` asks it of the system, in a process that has given that up.
"""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from drawn_prints import as_bytes
from loupebook.errors import SetError
from loupebook.library import Library
from taught_set import copied_print, opened_copy

QUERY = as_bytes(copied_print(1, 2.0))


def only_readable(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "access", lambda *_: False)


def state_of(folder: Path) -> dict[Path, tuple[int, int]]:
    return {
        path: (path.stat().st_size, path.stat().st_mtime_ns)
        for path in folder.rglob("*")
        if path.is_file()
    }


def test_with_fresh_derived_files_all_that_reads_works_and_nothing_is_written(
    taught_folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "set"
    with opened_copy(taught_folder, folder) as writer:
        expected = writer.search(QUERY)
    shutil.rmtree(folder / "derived" / "compare")  # made anew, and not kept
    before = state_of(folder)
    only_readable(monkeypatch)
    with Library.open(folder) as library:
        found = library.search(QUERY)
        assert [one.to_dict() for one in found.matches] == [
            one.to_dict() for one in expected.matches
        ]
        nearest = found.matches[0].photo_id
        assert library.compare(QUERY, nearest).comparison.figures
        assert library.thumbnail(nearest)
        assert library.report().sections
        assert library.verify().ok
    assert state_of(folder) == before


@pytest.mark.parametrize("lost", [False, True])
def test_where_derived_files_are_stale_or_lost_it_is_said_who_must_act(
    taught_folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, lost: bool
) -> None:
    folder = tmp_path / "set"
    with opened_copy(taught_folder, folder) as writer:
        name = writer.specimens()[0].name
        writer.withdraw(name, by="Ana", reason="lent out")
    if lost:
        shutil.rmtree(folder / "derived")
    before = state_of(folder)
    only_readable(monkeypatch)
    with Library.open(folder) as library:
        said = "only be read here.* 'loupebook rebuild"
        with pytest.raises(SetError, match=said):
            library.search(QUERY)
        with pytest.raises(SetError, match=said):
            library.rebuild()
        check = library.verify()
        assert not check.ok
        assert check.records.ok
        assert any("whoever may write to it must run" in line for line in check.lines())
        assert state_of(folder) == before
        with monkeypatch.context() as allowed:
            allowed.setattr(os, "access", lambda *_: True)
            with Library.open(folder) as writer:
                writer.sync()
        assert name not in {match.specimen for match in library.search(QUERY).matches}
        assert library.verify().ok


def test_what_one_user_makes_others_of_the_team_may_use(
    taught_folder: Path, tmp_path: Path
) -> None:
    usual = os.umask(0o002)
    try:
        with opened_copy(taught_folder, tmp_path / "set") as library:
            library.rebuild()
            library.thumbnail(1)
    finally:
        os.umask(usual)
    made = [path for path in (tmp_path / "set" / "derived").rglob("*") if path.is_file()]
    assert {path.stat().st_mode & 0o777 for path in made} == {0o664}


def test_a_thumbnail_that_can_be_neither_read_nor_kept_is_shown_all_the_same(
    taught_folder: Path, tmp_path: Path
) -> None:
    with opened_copy(taught_folder, tmp_path / "set") as library:
        expected = library.thumbnail(1)
        kept = next((tmp_path / "set" / "derived").rglob("thumbnails-*/*/*.jpg"))
        kept.unlink()
        kept.mkdir()  # refused even to root
        assert library.thumbnail(1) == expected
        assert list(kept.parent.iterdir()) == [kept]
