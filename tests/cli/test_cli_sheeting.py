"""`loupebook sheet`, `examinations` and `practice` as a person types them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from drawn_prints import as_bytes
from loupebook.cli.main import app
from taught_set import EDITION, copied_print, opened_copy

run = CliRunner()


@pytest.fixture(scope="module")
def folder(taught_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("cli")
    opened_copy(taught_folder, made / "set").close()
    (made / "suspect.png").write_bytes(as_bytes(copied_print(0, 4.0)))
    return made


def typed(folder: Path, *words: str, code: int = 0) -> str:
    done = run.invoke(app, [*words, "--set", str(folder / "set")])
    assert done.exit_code == code, done.output
    return done.output


def test_a_sheet_is_made_kept_listed_and_made_again(folder: Path, tmp_path: Path) -> None:
    pdf = tmp_path / "press.pdf"
    typed(folder, "sheet", "press", "--origin", "press-1", "--out", str(pdf), "--save", "P",
          "--by", "me")  # fmt: skip
    assert pdf.read_bytes()[:5] == b"%PDF-"
    assert "As the set stands" in json.loads(typed(folder, "sheet", "--list", "--json"))["says"]
    again = typed(folder, "sheet", "--saved", "P", "--out", str(tmp_path / "p.png"), "--by", "me",
                  "--json")  # fmt: skip
    assert all(Path(path).exists() for path in json.loads(again)["files"])
    assert "needs an edition" in typed(folder, "sheet", "point", code=2)
    assert "Name a template" in typed(folder, "sheet", code=2)
    assert "is not known" in typed(folder, "sheet", "poster", code=2)
    assert "a4" in typed(folder, "sheet", "press", "--paper", "a5", code=2)


def test_a_kept_sheet_is_replaced_only_by_one_that_could_be_made(
    folder: Path, tmp_path: Path
) -> None:
    target = ("--out", str(tmp_path / "s.png"), "--by", "me")
    asked = ("sheet", "lighting", "--specimen", "G-0", *target)
    typed(folder, *asked, "--save", " Kept ")
    typed(folder, "sheet", "press", "--origin", "nowhere", *target, "--save", "Kept", code=2)
    typed(folder, "sheet", "--saved", "Kept ", *target)
    listed = [json.loads(line) for line in typed(folder, "sheet", "--list", "--json").splitlines()]
    (kept,) = [one for one in listed if one["name"] == "Kept"]
    assert kept["definition"]["template"] == "lighting"
    assert kept["says"] == "As the set stands."


def test_a_sheet_refuses_what_it_would_pass_over(folder: Path, tmp_path: Path) -> None:
    photo = tmp_path / "s.jpg"
    asked = ("sheet", "lighting", "--specimen", "G-0")
    assert "is neither" in typed(folder, *asked, "--out", str(photo), code=2)
    assert not photo.exists()
    said = typed(folder, "sheet", "pair", "--saved", "X", "--title", "T", "--by", "me", code=2)
    assert "leave out template, title" in said
    said = typed(folder, "sheet", "pair", "--list", "--save", "Q", code=2)
    assert "leave out template, save" in said


def test_an_examination_is_saved_shown_checked_and_printed(folder: Path, tmp_path: Path) -> None:
    saved = typed(
        folder, "examinations", "save", str(folder / "suspect.png"), "--title", "Lot 4", "--mark",
        "colour=cannot tell:too dark", "--by", "An Examiner", "--serial", "left=AB 1", "--serial",
        "AB 2", "--barcodes", "--json",
    )  # fmt: skip
    number = json.loads(saved.splitlines()[-1])["examination"]
    listed = json.loads(typed(folder, "examinations", "list", "--json").splitlines()[0])
    assert (listed["number"], listed["title"], listed["by"]) == (number, "Lot 4", "An Examiner")
    document = json.loads(typed(folder, "examinations", "show", str(number)))["document"]
    assert document["marks"][0]["note"] == "too dark"
    assert listed["serials"] == [["left", "AB 1"], ["elsewhere", "AB 2"]]
    assert document["serials"]["agree"] is False
    assert document["serials"]["barcodes"] == []
    assert "Nothing has changed" in typed(folder, "examinations", "rerun", str(number))
    target = tmp_path / "record.pdf"
    typed(folder, "examinations", "print", str(number), "--out", str(target), "--paper", "letter")
    assert target.read_bytes()[:5] == b"%PDF-"
    asked = ("examinations", "print", str(number), "--out", str(target), "--json")
    printed = json.loads(typed(folder, *asked))
    assert printed == {"examination": number, "file": str(target), "faults": []}
    shown = [
        typed(folder, "examinations", "show", str(number), *more) for more in ((), ("--json",))
    ]
    assert shown[0] == shown[1]
    assert "0 with faults" in typed(folder, "examinations", "check")
    sha256 = document["examined"]["sha256"]
    path = folder / "set" / "examinations" / sha256[:2] / sha256
    content = path.read_bytes()
    path.write_bytes(content[:-1] + bytes([content[-1] ^ 1]))
    assert "altered" in typed(folder, "examinations", "check", code=1)
    typed(folder, "examinations", "print", str(number), "--out", str(target), code=1)
    path.write_bytes(content)
    typed(folder, "examinations", "show", "99", code=1)
    said = typed(folder, "examinations", "show", str(number), "--revision", "7", code=1)
    assert f"number {number}, revision 7" in said
    typed(folder, "examinations", "print", str(number), "--paper", "x", code=2)


@pytest.mark.parametrize("mark", ["nosuch=differs", "0=differs", "²=agrees"])
def test_a_mark_is_of_a_point_or_a_measurement(folder: Path, mark: str) -> None:
    asked = ("examinations", "save", str(folder / "suspect.png"), "--title", "T", "--by", "me")
    assert "edge sharpness" in typed(folder, *asked, "--mark", mark, code=2)


def test_a_round_is_made_and_printed_with_its_key(folder: Path, tmp_path: Path) -> None:
    typed(folder, "practice", "make", "R", "--edition", EDITION, "--questions", "3", "--by", "t")
    assert json.loads(typed(folder, "practice", "list", "--json"))["questions"] == 3
    quiz, key = tmp_path / "q.pdf", tmp_path / "k.pdf"
    typed(folder, "practice", "quiz", "R", "--out", str(quiz), "--key", str(key))
    assert quiz.read_bytes()[:5] == key.read_bytes()[:5] == b"%PDF-"
    asked = ("practice", "quiz", "R", "--out", str(quiz), "--key", str(key), "--json")
    told = json.loads(typed(folder, *asked))
    assert told == {"round": "R", "quiz": str(quiz), "key": str(key)}
    assert "none were asked" in typed(folder, "practice", "results")
    rows = tmp_path / "a.csv"
    typed(folder, "practice", "results", "--csv", str(rows))
    assert rows.read_text().startswith("at,learner")
    assert "has not answered anything" in typed(folder, "practice", "due", "Nobody")
    typed(folder, "practice", "make", "R", "--by", "t", code=1)
    for wrong in (("--difficulty", "hrd"), ("--edition", EDITION, "--edition", "Nope")):
        typed(folder, "practice", "make", "W", *wrong, "--by", "t", code=2)


def test_the_key_never_overwrites_the_quiz(folder: Path, tmp_path: Path) -> None:
    typed(folder, "practice", "make", "Q", "--questions", "2", "--by", "t")
    one = tmp_path / "one.pdf"
    same = ("--out", str(one), "--key", str(tmp_path / "." / "one.pdf"))
    assert "cannot both go" in typed(folder, "practice", "quiz", "Q", *same, code=2)
    assert not one.exists()
    typed(folder, "practice", "quiz", "Q", "--paper", "a5", code=2)
    deep = tmp_path / ("a rather long name of a folder " * 3)
    deep.mkdir()
    quiz, key = deep / "quiz.pdf", deep / "key.pdf"
    printed = typed(
        folder, "practice", "quiz", "Q", "--out", str(quiz), "--key", str(key), "--paper", "Letter"
    )
    assert printed.splitlines() == [str(quiz), str(key)]
