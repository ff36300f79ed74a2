"""The command line end to end, in one process, with real sets in a temporary folder."""

from __future__ import annotations

import ctypes
import errno
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from io import StringIO
from pathlib import Path

import pytest
import typer
from rich.console import Console
from typer.testing import CliRunner

from drawn_prints import draw_print
from loupebook.cli import app, common

runner = CliRunner()

SEARCH_KEYS = {
    "photo", "set", "encoder", "elapsed_ms", "photo_check", "matches",
    "nearest_genuine", "nearest_fake", "reading",
}  # fmt: skip
MATCH_KEYS = {
    "rank", "specimen", "photo", "standing", "marque", "edition", "element",
    "view", "lighting", "origin", "similarity",
}  # fmt: skip


def run(*arguments: str | Path, code: int = 0) -> str:
    result = runner.invoke(app, [str(argument) for argument in arguments])
    assert result.exit_code == code, result.output
    return result.stdout


@pytest.fixture
def set_folder(tmp_path: Path, photo_folder: Path) -> Path:
    folder = tmp_path / "set"
    run("init", folder)
    run("add", "--set", folder, "--manifest", photo_folder / "manifest.csv")
    return folder


@pytest.fixture
def empty(tmp_path: Path) -> Path:
    run("init", tmp_path / "empty")
    return tmp_path / "empty"


def test_search_json_keeps_its_keys(set_folder: Path, photo_folder: Path) -> None:
    lines = run(
        "search", photo_folder / "print0.png", photo_folder / "print1.png",
        "--set", set_folder, "--json",
    ).splitlines()  # fmt: skip
    assert len(lines) == 2
    answer = json.loads(lines[1])
    assert answer.keys() >= SEARCH_KEYS
    assert answer["matches"][0].keys() >= MATCH_KEYS
    assert answer["matches"][0]["specimen"] == "S-1"
    assert answer["nearest_fake"]["standing"] == "fake"
    assert answer["reading"]["does_not_say"]


def test_the_environment_names_the_set(
    set_folder: Path, photo_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("LOUPEBOOK_SET", str(set_folder))
    assert "S-3" in run("list")
    report = json.loads(run("add", photo_folder, "--json"))
    assert report["already_known"] == 8


def test_without_any_set_the_person_is_told_what_to_do(photo_folder: Path) -> None:
    result = runner.invoke(app, ["search", str(photo_folder / "print0.png")])
    assert result.exit_code == 2
    assert "loupebook demo" in result.stderr
    result = runner.invoke(app, ["withdraw", "S-1", "--reason", "x"])
    assert result.exit_code == 2
    assert "--set" in result.stderr


def test_a_missing_set_gives_code_3(tmp_path: Path, photo_folder: Path) -> None:
    result = runner.invoke(
        app, ["search", str(photo_folder / "print0.png"), "--set", str(tmp_path / "no")]
    )
    assert result.exit_code == 3
    assert "loupebook init" in result.stderr


def test_an_encoder_that_cannot_be_had_gives_code_4(set_folder: Path, photo_folder: Path) -> None:
    result = runner.invoke(
        app,
        ["search", str(photo_folder / "print0.png"), "--set", str(set_folder),
         "--encoder", "local-dir:/nowhere/at/all"],
    )  # fmt: skip
    assert result.exit_code == 4
    assert "/nowhere/at/all" in result.stderr


def test_files_without_a_manifest(tmp_path: Path) -> None:
    folder = tmp_path / "set"
    run("init", folder)
    draw_print(7).save(tmp_path / "seven.png")
    draw_print(8).save(tmp_path / "eight.png")
    run("add", tmp_path / "seven.png", "--set", folder, code=2)
    run(
        "add", tmp_path / "seven.png", tmp_path / "eight.png", "--set", folder,
        "--element", "cap", "--standing", "fake", "--origin", "press-9",
    )  # fmt: skip
    shown = json.loads(run("show", "seven", "--set", folder, "--json"))
    assert shown["origin"] == "press-9"
    assert len(shown["photos"]) == 1


def test_a_serial_number_is_read_as_in_a_manifest(tmp_path: Path) -> None:
    folder = tmp_path / "set"
    run("init", folder)
    given = {
        "a": ["left=AB 123", "right = AB 123"],
        "b": ["AB 123|CD 4"],
        "c": ["EF 5\\", "GH 6"],
    }
    for name, serials in given.items():
        draw_print(ord(name)).save(tmp_path / f"{name}.png")
        asked = ["add", tmp_path / f"{name}.png", "--set", folder, "--element", "seal",
                 "--standing", "genuine"]  # fmt: skip
        for serial in serials:
            asked += ["--serial", serial]
        added = runner.invoke(app, [str(one) for one in asked])
        assert added.exit_code == 0, added.output
        # One number on two items is remarked on, wherever it stands.
        assert ("AB123" in added.stderr) == (name == "b")
    kept = [json.loads(run("show", name, "--set", folder, "--json"))["serials"] for name in given]
    assert kept[0] == [{"value": "AB 123", "place": place} for place in ("left", "right")]
    assert kept[1] == [{"value": number, "place": None} for number in ("AB 123", "CD 4")]
    # Each option is read by itself, whatever it ends with.
    assert [one["value"] for one in kept[2]] == ["EF 5\\", "GH 6"]
    said = runner.invoke(app, [*map(str, asked[:-1]), "left="])
    assert (said.exit_code, "--serial" in said.stderr) == (2, True)


def test_a_manifest_is_not_told_otherwise_by_options(tmp_path: Path, photo_folder: Path) -> None:
    folder = tmp_path / "set"
    run("init", folder)
    manifest = photo_folder / "manifest.csv"
    for given in ([photo_folder], ["--manifest", manifest], [photo_folder, "--manifest", manifest]):
        for option, value in (("--standing", "fake"), ("--lighting", "diffuse"), ("--serial", "1")):
            asked = ["add", *map(str, given), "--set", str(folder), option, value]
            result = runner.invoke(app, asked)
            assert result.exit_code == 2, result.output
            assert f"leave out {option}" in result.stderr
    assert run("list", "--set", folder, "--json") == ""


def test_files_of_one_name_do_not_become_one_specimen(tmp_path: Path) -> None:
    for number, box in enumerate(["boxA", "boxB", "boxA/again"]):
        (tmp_path / "w" / box).mkdir(parents=True)
        draw_print(number % 2).save(tmp_path / "w" / box / "IMG_1.png")
    draw_print(2).save(tmp_path / "w" / "IMG_2.png")
    folder = tmp_path / "set"
    run("init", folder)
    described = ("--element", "band", "--standing", "genuine", "--set", folder, "--json")
    report = json.loads(run("add", tmp_path / "w", *described, code=1))
    assert report["added"] == 1
    assert {Path(fault["file"]).name for fault in report["faults"]} == {"IMG_1.png"}
    assert "--specimen" in report["faults"][0]["message"]
    # The same photo twice is one photo; another one later is another item's.
    assert json.loads(run("add", tmp_path / "w/boxA", *described))["added"] == 1
    report = json.loads(run("add", tmp_path / "w", *described, code=1))
    assert (report["added"], report["already_known"], report["failed"]) == (0, 3, 1)
    assert "boxB" in report["faults"][0]["file"]
    run("add", tmp_path / "w/boxB/IMG_1.png", "--specimen", "IMG_1", *described)


def test_names_that_differ_at_their_end_are_told_apart(tmp_path: Path) -> None:
    folder, names = tmp_path / "set", [f"SEIZURE-2026-0017-BAND-{n:03}" for n in (1, 2)]
    run("init", folder)
    for name in names:
        draw_print(len(name) + ord(name[-1])).save(tmp_path / f"{name}.png")
    run(
        "add",
        tmp_path,
        "--set",
        folder,
        "--element",
        "band",
        "--standing",
        "fake",
        "--marque",
        "A maker of some length",
        "--edition",
        "An edition of some length",
        "--origin",
        "A press",
    )
    listed = run("list", "--set", folder)
    assert all(name in listed for name in names)
    narrow = Console(width=40, file=StringIO())
    table = common.folded_table("specimen", "standing", "state")
    table.add_row(names[0], "◆ fake", "confirmed")
    narrow.print(table)
    assert "…" not in narrow.file.getvalue()


@pytest.mark.parametrize(
    "asked",
    [
        ["examinations", "show", "9" * 23], ["examinations", "show", "1", "--revision", "9" * 23],
        ["undo", "9" * 23, "--reason", "x", "--by", "me"],
        ["compare", "query.jpg", "9" * 23], ["list", "--text", "a\udcff"], ["show", "a\udcff"],
        ["history", "a\udcff"], ["sheet", "pair", "--edition", "a\udcff"],
    ],
)  # fmt: skip
def test_what_no_record_can_hold_is_refused_in_a_line(empty: Path, asked: list[str]) -> None:
    result = runner.invoke(app, [*asked, "--set", str(empty)])
    assert result.exit_code == 2, result.output
    assert isinstance(result.exception, SystemExit)
    assert "Traceback" not in result.stderr


def test_json_of_a_name_that_is_no_text_is_utf_8(empty: Path, tmp_path: Path) -> None:
    photo = tmp_path / os.fsdecode(b"bad\xff.png")
    result = runner.invoke(app, ["search", str(photo), "--set", str(empty), "--json"])
    assert result.exit_code == 1, result.output
    assert json.loads(result.stdout_bytes.decode("utf-8"))["photo"] == str(photo)


def test_a_result_is_written_whole_or_not_at_all(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(_fd: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    common.write_files(tmp_path, {"report.json": b"old"})
    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(typer.Exit):
        common.write_files(tmp_path, {"report.json": b"new"})
    assert [(one.name, one.read_bytes()) for one in tmp_path.iterdir()] == [("report.json", b"old")]
    # A link is written to, not replaced.
    (tmp_path / "link").symlink_to(tmp_path / "report.json")
    common.write_file(tmp_path / "link", b"new")
    assert (tmp_path / "report.json").read_bytes() == b"new"


def test_withdraw_and_reinstate(set_folder: Path) -> None:
    run("withdraw", "S-2", "--set", set_folder, "--reason", "sold")
    assert json.loads(run("show", "S-2", "--set", set_folder, "--json"))["state"] == "withdrawn"
    run("reinstate", "S-2", "--set", set_folder)
    assert json.loads(run("show", "S-2", "--set", set_folder, "--json"))["state"] == "confirmed"
    run("withdraw", "nobody", "--set", set_folder, "--reason", "x", code=1)


def test_what_people_type_is_never_read_as_markup(
    set_folder: Path, photo_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(common.out, "_width", 300)
    name = "band [/old] [bold]x :smile:"
    described = ("--element", "band", "--standing", "genuine", "--marque", "[red]M")
    draw_print(9).save(photo_folder / "face [front].png")
    photo = photo_folder / "face [front].png"
    run("add", photo, "--specimen", name, "--set", set_folder, *described, "--by", "[x] Ana")
    run("examinations", "save", photo, "--title", "[/t] top", "--set", set_folder)
    shown = {
        ("list",): (name, "[red]M"),
        ("show", name): (name, "face [front].png"),
        ("search", photo): (name, "[red]M", "face [front].png"),
        ("examinations", "list"): ("[/t] top", "face [front].png"),
    }
    for command, words in shown.items():
        printed = run(*command, "--set", set_folder)
        assert all(word in printed for word in words), printed


def test_what_the_system_refuses_is_told_in_a_line(photo_folder: Path) -> None:
    result = runner.invoke(app, ["list", "--set", "n" * 5000])
    assert result.exit_code == 1
    assert "File name too long" in result.stderr
    assert "Traceback" not in result.stderr


def test_rebuild_then_verify(set_folder: Path) -> None:
    said = json.loads(run("verify", "--set", set_folder, "--json"))
    assert (said["ok"], said["fresh"]) == (True, False)
    printed = run("verify", "--set", set_folder)
    assert "behind the catalogue (8 photos to be added); the next search" in printed
    assert printed.splitlines()[-1] == "sound"
    run("rebuild", "--set", set_folder)
    said = json.loads(run("verify", "--set", set_folder, "--json"))
    assert (said["ok"], said["fresh"]) == (True, True)
    run("withdraw", "S-0", "--reason", "lost", "--set", set_folder)
    assert "photos to be taken out" in run("verify", "--set", set_folder)


def test_an_index_that_is_damaged_is_not_sound(set_folder: Path) -> None:
    run("rebuild", "--set", set_folder)
    for path in (set_folder / "derived" / "embeddings").glob("*.sqlite"):
        path.write_bytes(b"broken")
    assert "NOT SOUND" in run("verify", "--set", set_folder, code=1)


def bad_files(folder: Path) -> dict[str, bool]:
    """Write the bad inputs of the trade; the value says whether it can be read at all."""
    import struct
    import zlib

    import numpy as np
    from PIL import Image

    from drawn_prints import as_bytes

    whole = as_bytes(draw_print(1))

    def claimed(side: int) -> bytes:
        header = struct.pack(">IIBBBBB", side, side, 8, 2, 0, 0, 0)
        chunk = b"IHDR" + header
        return (
            b"\x89PNG\r\n\x1a\n"
            + struct.pack(">I", 13) + chunk + struct.pack(">I", zlib.crc32(chunk))
            + b"\x00\x00\x00\x00IDAT\x35\xaf\x06\x1e"
        )  # fmt: skip

    files = {
        "truncated.png": (whole[: len(whole) // 2], False),
        "empty.jpg": (b"", False),
        "text.jpg": (b"hello, this is text", False),
        "wrong-extension.jpg": (whole, True),
        "zero.png": (claimed(0), False),
        "huge.png": (claimed(20_000), False),
        "one.png": (as_bytes(Image.new("RGB", (1, 1))), True),
        "cmyk.jpg": (as_bytes(draw_print(2).convert("CMYK"), "JPEG"), True),
        "sixteen.png": (
            as_bytes(
                Image.fromarray(np.asarray(draw_print(3).convert("L")).astype("uint16") * 257)
            ),
            True,
        ),
        "animated.webp": (
            as_bytes(
                draw_print(4), "WEBP", save_all=True, append_images=[draw_print(5)], duration=50
            ),
            True,
        ),
        "band 🚬 ..%2f..%2f.png": (as_bytes(draw_print(6)), True),
    }
    for name, (data, _) in files.items():
        (folder / name).write_bytes(data)
    return {name: readable for name, (_, readable) in files.items()}


def test_bad_input_gets_a_clear_error_or_works_and_nothing_is_lost(tmp_path: Path) -> None:
    folder = tmp_path / "bad"
    folder.mkdir()
    readable = bad_files(folder)
    set_folder = tmp_path / "set"
    run("init", set_folder)
    report = json.loads(
        run(
            "add", *(folder / name for name in readable), folder / "missing.jpg",
            "--set", set_folder, "--element", "band", "--standing", "genuine", "--json", code=1,
        )
    )  # fmt: skip
    failed = {Path(fault["file"]).name for fault in report["faults"]}
    assert failed == {name for name, ok in readable.items() if not ok} | {"missing.jpg"}
    assert report["added"] == sum(readable.values())
    for fault in report["faults"]:
        assert fault["message"]
    run("rebuild", "--set", set_folder)
    run("verify", "--set", set_folder)
    for name, ok in readable.items():
        result = runner.invoke(
            app, ["search", str(folder / name), "--set", str(set_folder), "--json"]
        )
        assert result.exit_code == (0 if ok else 1), (name, result.output)
        answer = json.loads(result.stdout.splitlines()[0])
        assert ("error" in answer) is not ok


def without_the_right_to_read_everything() -> None:
    """Give up what lets root pass over file permissions, in a child about to be started."""
    if os.geteuid() == 0:
        drop_from_bounding_set, dac_override, dac_read_search = 24, 1, 2
        for capability in (dac_override, dac_read_search):
            ctypes.CDLL(None).prctl(drop_from_bounding_set, capability, 0, 0, 0)


@pytest.mark.skipif(sys.platform != "linux", reason="file permissions are taken away by prctl")
@pytest.mark.parametrize(
    "command", [["add", "--element", "band", "--standing", "genuine"], ["search"]]
)
def test_a_file_without_read_permission(
    tmp_path: Path, photo_folder: Path, command: list[str]
) -> None:
    run("init", tmp_path / "set")
    photo_folder.joinpath("print0.png").chmod(0)
    done = subprocess.run(
        [sys.executable, "-c", "from loupebook.cli import main; main()", *command,
         "print0.png", "print1.png", "--set", tmp_path / "set", "--json"],
        cwd=photo_folder, preexec_fn=without_the_right_to_read_everything,
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 1, done.stderr
    assert "print0.png may not be read" in done.stdout
    assert "print1.png may not be read" not in done.stdout


@pytest.mark.skipif(sys.platform != "linux", reason="file permissions are taken away by prctl")
def test_a_set_that_the_system_lets_nobody_write_to(set_folder: Path, photo_folder: Path) -> None:
    run("search", photo_folder / "print1.png", "--set", set_folder)
    for path in (set_folder, *set_folder.rglob("*")):
        path.chmod(0o555 if path.is_dir() else 0o444)
    code = (
        "import sys; from loupebook.cli import app\n"
        "app(['search', sys.argv[1], '--set', sys.argv[2], '--json'], standalone_mode=False)\n"
        "app(['verify', '--set', sys.argv[2]], standalone_mode=False)\n"
        "app(['rebuild', '--set', sys.argv[2]])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, photo_folder / "print1.png", set_folder],
        preexec_fn=without_the_right_to_read_everything,
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert json.loads(done.stdout.splitlines()[0])["matches"][0]["specimen"] == "S-1", done.stderr
    assert done.stdout.splitlines()[-1] == "sound"
    assert done.returncode == 3
    assert "can only be read here" in done.stderr


def test_folders_without_photos(tmp_path: Path) -> None:
    (tmp_path / "photos.jpg").mkdir()
    run("init", tmp_path / "set")
    described = ("--element", "band", "--standing", "genuine")
    run("add", tmp_path / "photos.jpg", "--set", tmp_path / "set", *described, code=1)
    answer = run("search", tmp_path / "photos.jpg", "--set", tmp_path / "set", "--json", code=1)
    assert "is a folder" in json.loads(answer)["error"]


def test_paths_that_leave_the_folder_and_names_that_look_like_paths(
    tmp_path: Path, photo_folder: Path
) -> None:
    draw_print(30).save(tmp_path / "outside.png")
    (photo_folder / "manifest.csv").write_text(
        "path,specimen,element,standing\n"
        "../outside.png,S-1,band,genuine\n"
        f"{tmp_path / 'outside.png'},S-2,band,genuine\n"
        "print0.png,../../S 🚬,band,genuine\n",
        encoding="utf-8",
    )
    run("init", tmp_path / "set")
    before = set(tmp_path.rglob("*"))
    report = json.loads(run("add", photo_folder, "--set", tmp_path / "set", "--json", code=1))
    assert [fault["line"] for fault in report["faults"]] == [2, 3]
    assert report["added"] == 1
    written = set(tmp_path.rglob("*")) - before
    assert all(path.is_relative_to(tmp_path / "set") for path in written)
    shown = json.loads(run("show", "../../S 🚬", "--set", tmp_path / "set", "--json"))
    assert [photo["photo"] for photo in shown["photos"]] == ["print0.png"]


def test_a_folder_of_queries(set_folder: Path, photo_folder: Path) -> None:
    lines = run("search", photo_folder, "--set", set_folder, "--json").splitlines()
    assert len(lines) == 8


def test_every_command_takes_json_but_the_one_that_prints_no_result() -> None:
    def ends(command: object, path: str = "") -> Iterator[tuple[str, set[str]]]:
        for name, one in getattr(command, "commands", {}).items():
            yield from ends(one, f"{path} {name}")
        if not hasattr(command, "commands"):
            yield path.strip(), {word for param in command.params for word in param.opts}

    without = [
        path for path, options in ends(typer.main.get_command(app)) if "--json" not in options
    ]
    assert without == ["app"]


def test_wrong_use_ends_with_2(set_folder: Path, photo_folder: Path, tmp_path: Path) -> None:
    photo, missing = photo_folder / "print0.png", tmp_path / "missing.png"
    for words in (
        ("init", set_folder),
        ("export", "--set", set_folder, "--out", set_folder),
        ("compare", missing, photo),
        ("compare", photo, missing),
        ("compare", missing, "S-0", "--set", set_folder),
        ("examinations", "save", missing, "--title", "t", "--set", set_folder),
    ):
        run(*words, code=2)
