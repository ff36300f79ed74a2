"""The curator's commands, one after the other on a small set."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from PIL import Image
from typer.testing import CliRunner, Result

from loupebook.cli import app


@pytest.fixture
def folder(tmp_path: Path, photo_folder: Path) -> Path:
    made = tmp_path / "set"
    ran("init", made, "--two-person")
    ran("add", photo_folder, "--set", made, "--by", "first")
    return made


def ran(*words: object, code: int = 0) -> Result:
    result = CliRunner().invoke(app, [str(word) for word in words])
    assert result.exit_code == code, result.output
    return result


def told(*words: object, code: int = 0) -> list[dict[str, object]]:
    output = ran(*words, "--json", code=code).stdout
    return [json.loads(line) for line in output.splitlines()]


def test_confirm_edit_undo_and_the_history_of_it_all(folder: Path) -> None:
    at = ("--set", folder, "--by")
    refused = ran("confirm", "S-0", "--grounds", "court", *at, "first", code=1)
    assert "second person" in refused.output
    ran("confirm", "S-0", "--grounds", "court", "--reference", "file 3", *at, "second")
    ran("edit", "S-0", "--put", "standing=fake", "--put", "serials=left=A 1|A 2",
        "--reason", "laboratory", *at, "third")  # fmt: skip
    (shown,) = told("show", "S-0", "--set", folder)
    assert (shown["standing"], shown["state"]) == ("fake", "proposed")
    assert shown["serials"] == [{"value": "A 1", "place": "left"}, {"value": "A 2", "place": None}]
    changes = told("history", "S-0", "--set", folder)
    standing = next(one for one in changes if one["field"] == "standing" and one["before"])
    assert (standing["before"], standing["after"], standing["reason"]) == (
        "genuine",
        "fake",
        "laboratory",
    )
    assert "file 3" in {one["after"] for one in changes if one["field"] == "basis"}.pop()
    ran("undo", standing["line"], "--reason", "wrong report", *at, "third")
    assert told("show", "S-0", "--set", folder)[0]["standing"] == "genuine"
    assert "laboratory" in ran("history", "S-0", "--set", folder).output
    ran("undo", 1, "--reason", "x", *at, "third", code=1)


def test_a_photo_is_relabelled_and_moved(folder: Path) -> None:
    at = ("--set", folder, "--by", "me", "--reason", "r")
    number = told("show", "S-1", "--set", folder)[0]["photos"][0]["photo_id"]
    ran("edit", "S-1", "--photo", number, "--put", "view=back", "--put", "px_per_mm=18.5", *at)
    photo = told("show", "S-1", "--set", folder)[0]["photos"][0]
    assert (photo["view"], photo["px_per_mm"]) == ("back", 18.5)
    ran("edit", "S-2", "--photo", number, "--put", "view=face", *at, code=2)
    ran("edit", "S-1", "--photo", number, "--put", "px_per_mm=wide", *at, code=2)
    ran("edit", "S-1", "--photo", number, "--put", "specimen=S-3", *at)
    assert len(told("show", "S-3", "--set", folder)[0]["photos"]) == 2


def test_wrong_use_is_said(folder: Path) -> None:
    at = ("--set", folder, "--by", "me")
    ran("edit", "S-0", "--reason", "r", *at, code=2)
    ran("edit", "S-0", "--put", "standing", "--reason", "r", *at, code=2)
    ran("edit", "S-0", "--put", "standing=perhaps", "--reason", "r", *at, code=2)
    ran("people", "You", *at, code=2)
    ran("export", "--out", folder.parent / "b", "--filter", "band", *at, code=2)


def test_people_are_listed_and_the_last_administrator_stays(folder: Path) -> None:
    at = ("--set", folder, "--by", "me")
    assert "whoever can open" in ran("people", "--set", folder).output
    assert "Name the person" in ran("people", "--role", "curator", *at, code=2).output
    ran("people", "You", "--identity", "you@example.org", "--role", "administrator", *at)
    ran("people", "You", "--identity", "you@example.org", "--role", "curator", *at, code=1)
    assert told("people", "--set", folder) == [
        {"name": "You", "identity": "you@example.org", "roles": ["administrator"]}
    ]


def test_the_rule_of_two_persons_can_be_changed(folder: Path) -> None:
    at = ("--set", folder, "--by", "me")
    ran("settings", "--reason", "r", *at, code=2)
    (now,) = told("settings", "--one-person", "--reason", "one-person shop", *at)
    assert now["two_person"] is False


def test_a_photo_added_to_what_was_confirmed_asks_a_second_person_again(
    folder: Path, tmp_path: Path
) -> None:
    ran("confirm", "S-0", "--grounds", "court", "--set", folder, "--by", "second")
    more = tmp_path / "more.png"
    Image.effect_noise((600, 400), 60).convert("RGB").save(more)
    given = ("add", more, "--specimen", "S-0", "--element", "band", "--standing", "genuine",
             "--set", folder, "--by", "second")  # fmt: skip
    assert "S-0: was confirmed, and would wait for a second" in ran(*given, "--dry-run").output
    (told_of,) = told("show", "S-0", "--set", folder)
    assert told_of["state"] == "confirmed"
    assert "S-0: was confirmed, and waits for a second person" in ran(*given).output
    (told_of,) = told("show", "S-0", "--set", folder)
    assert told_of["state"] == "proposed"
    assert "was confirmed" not in ran(*given).output


def test_export_and_import_with_a_dry_run_first(folder: Path, tmp_path: Path) -> None:
    by = ("--by", "me")
    nothing = ran("export", "--set", folder, "--out", tmp_path / "b", *by, code=2)
    assert "No specimen passes" in nothing.output
    (made,) = told("export", "--set", folder, "--out", tmp_path / "b.zip",
                   "--filter", "state=proposed", "--filter", "standing=fake", *by)  # fmt: skip
    assert made["specimens"] == 2
    ran("init", tmp_path / "other")
    at = ("--set", tmp_path / "other", *by)
    assert "dry run" in ran("import", tmp_path / "b.zip", "--dry-run", *at).output
    assert told("list", "--set", tmp_path / "other") == []
    (report,) = told("import", tmp_path / "b.zip", *at)
    assert (report["new"], report["done"]) == (2, True)
    ran("edit", "S-2", "--put", "standing=genuine", "--reason", "r", *at)
    conflict = ran("import", tmp_path / "b.zip", *at, code=1)
    assert "conflict: 'S-2'" in conflict.output
    ran("import", tmp_path / "b.zip", "--leave-out", "S-2", *at)
    ran("export", "--set", folder, "--out", tmp_path / "plain", "--plain",
        "--filter", "state=proposed", *by)  # fmt: skip
    assert (tmp_path / "plain" / "manifest.csv").is_file()
    (tmp_path / "no").mkdir()
    assert "not sound" in ran("import", tmp_path / "no", *at, code=1).output
