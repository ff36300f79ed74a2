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


def test_a_confirmation_that_stands_is_not_said_to_be_replaced(folder: Path) -> None:
    at = ("--set", folder, "--by")
    ran("confirm", "S-0", "--grounds", "court", *at, "second")
    refused = ran("confirm", "S-0", "--grounds", "laboratory", *at, "second", code=1)
    assert "confirmed already, by 'second', on the grounds 'court'" in refused.output
    assert "an edit" in refused.output
    again = ran("confirm", "S-0", "--grounds", "court", *at, "second")
    assert "nothing changed" in again.output
    (said,) = told("confirm", "S-0", "--grounds", "court", *at, "second")
    assert said["changed"] is False


def test_what_changes_nothing_is_said_to(folder: Path) -> None:
    at = ("--set", folder, "--by", "me")
    same = ("edit", "S-0", "--put", "standing=genuine", "--reason", "r", *at)
    assert "nothing changed" in ran(*same).output
    assert told(*same)[0]["changed"] == []
    assert "S-0: changed" in ran(*same, "--put", "notes=worn").output
    assert "nothing changed; it is not withdrawn" in ran("reinstate", "S-0", *at).output
    assert told("reinstate", "S-0", *at)[0]["done"] is None
    ran("withdraw", "S-0", "--reason", "lost", *at)
    assert "withdrawn already" in ran("withdraw", "S-0", "--reason", "lost", *at).output
    settings = ("settings", "--two-person", "--reason", "r", *at)
    assert "nothing changed" in ran(*settings).output
    assert told(*settings)[0]["changed"] == []


def move_photos(folder: Path, name: str, to: str) -> Result:
    """Move all photos of a specimen; return what the last move said."""
    for photo in told("show", name, "--set", folder)[0]["photos"]:
        done = ran("edit", name, "--photo", photo["photo_id"], "--put", f"specimen={to}",
                   "--set", folder, "--by", "me", "--reason", "r")  # fmt: skip
    return done


def test_moving_the_last_photo_away_is_said_by_edit_and_by_undo(folder: Path) -> None:
    assert "S-1 has no photo any more" in move_photos(folder, "S-1", "S-2").stderr
    at = ("--set", folder, "--by", "me", "--reason", "r")
    photo = told("show", "S-2", "--set", folder)[0]["photos"][0]["photo_id"]
    assert (
        "no photo" not in ran("edit", "S-2", "--photo", photo, "--put", "specimen=S-1", *at).output
    )
    moves = [one for one in told("history", "S-2", "--set", folder) if one["field"] == "specimen"]
    (back,) = told("undo", moves[-1]["line"], *at)
    assert (back["specimen"], back["emptied"]) == ("S-2", "S-1")


def test_an_export_says_whom_it_leaves_out(folder: Path, tmp_path: Path) -> None:
    at = ("--set", folder, "--by", "second")
    for name in ("S-0", "S-1"):
        ran("confirm", name, "--grounds", "court", *at)
    ran("withdraw", "S-1", "--reason", "lost", *at)
    count = len(told("list", "--set", folder))
    said = ran("export", "--out", tmp_path / "b", *at).output
    assert f"Specimens left out: {count - 2} proposed, 1 withdrawn." in said
    move_photos(folder, "S-0", "S-2")
    ran("confirm", "S-0", "--grounds", "court", *at[:-1], "third")
    (made,) = told("export", "--out", tmp_path / "c", "--plain", *at)
    assert made["left_out"] == {"proposed": count - 2, "withdrawn": 1, "filtered": 0}
    assert made["without_photos"] == 1
    (made,) = told("export", "--out", tmp_path / "d", "--filter", "state=Proposed",
                   "--filter", "standing=fake", *at)  # fmt: skip
    assert made["left_out"]["filtered"] == count - made["specimens"] - sum(
        made["left_out"][state] for state in ("confirmed", "withdrawn")
    )
    assert made["left_out"]["filtered"] > 0


def test_a_plain_folder_is_not_imported_but_added(
    folder: Path, photo_folder: Path, tmp_path: Path
) -> None:
    at = ("--set", folder, "--by", "me")
    ran("export", "--out", tmp_path / "plain", "--plain", "--filter", "state=proposed", *at)
    for plain in (tmp_path / "plain", photo_folder):
        refused = ran("import", plain, *at, code=1).output
        assert "no bag" in refused
        assert "'loupebook add'" in refused
    assert "does not exist" in ran("import", tmp_path / "none", *at, code=2).output


def test_show_prints_serials_in_words_and_the_numbers_of_photos(folder: Path) -> None:
    ran("edit", "S-0", "--put", "serials=left=A 1|A 2", "--reason", "r", "--set", folder,
        "--by", "me")  # fmt: skip
    shown = ran("show", "S-0", "--set", folder).output
    assert "A 1 (left), A 2" in shown
    assert "{" not in shown
    number = told("show", "S-0", "--set", folder)[0]["photos"][0]["photo_id"]
    assert f"│ {number} " in shown


def test_a_line_of_the_set_is_not_undone_with_advice_on_specimens(folder: Path) -> None:
    at = ("--set", folder, "--by", "me")
    ran("people", "You", "--identity", "you@example.org", "--role", "administrator", *at)
    refused = ran("undo", 9, "--reason", "r", *at, code=1).output
    assert "give identity and roles anew" in refused
    assert "ithdraw" not in refused


def test_help_names_no_limit_of_the_machine_and_tells_how_serials_are_split() -> None:
    for words in (("undo",), ("examinations", "show")):
        assert "9223372036854775807" not in ran(*words, "--help").output
    ran("undo", 2**63, "--reason", "r", code=2)
    assert "several with | between" in " ".join(
        ran("add", "--help").output.replace("│", " ").split()
    )
