"""`loupebook demo --seed`: other invented worlds, with manifest and truth."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path

import pytest
from PIL import Image
from typer.testing import CliRunner

from loupebook import library
from loupebook.cli import app


def run(*arguments: object):
    return CliRunner().invoke(app, ["demo", *map(str, arguments)])


def test_rebuild_takes_the_demo_set_as_it_is() -> None:
    done = run("--rebuild", "--count", 3)
    assert done.exit_code == 2
    assert "leave out" in done.stderr


@pytest.mark.parametrize("asked", [["--truth"], ["--traced", "--no-page"], ["--out", "x"]])
def test_how_to_draw_is_refused_where_nothing_is_drawn(asked: list[str]) -> None:
    done = run(*asked)
    assert done.exit_code == 2
    assert "--rebuild" in done.stderr


@pytest.mark.parametrize("drawing", [["--rebuild"], ["--seed", "3"], ["--no-page"]])
@pytest.mark.parametrize("opening", [["--port", "8600"], ["--no-browser"]])
def test_how_a_page_is_opened_is_refused_where_none_opens(
    drawing: list[str], opening: list[str]
) -> None:
    done = run(*drawing, *opening)
    assert done.exit_code == 2
    assert "--port and --no-browser" in done.stderr


def test_json_of_the_demo_is_all_that_standard_output_holds(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    class Built:
        folder = Path("demo")

        def to_dict(self) -> dict[str, str]:
            return {"set": "demo"}

    def serve(_folder: Path, *, announce: Callable[[str], None], **_: object) -> None:
        announce("The page is open.")

    monkeypatch.setattr(library, "build_demo_set", lambda **_: Built())
    monkeypatch.setattr(library, "serve_page", serve)
    done = run("--json")
    assert json.loads(done.stdout) == {"set": "demo"}
    assert "The page is open." in done.stderr


def test_a_folder_that_holds_something_is_left_alone(tmp_path: Path) -> None:
    pytest.importorskip("skia", reason="drawing needs loupebook[render]", exc_type=ImportError)
    (tmp_path / "references").mkdir()
    (tmp_path / "references" / "mine.txt").write_text("keep", encoding="utf-8")
    done = run("--seed", 11, "--count", 1, "--out", tmp_path)
    assert done.exit_code == 1
    assert "holds something already" in done.stderr
    assert (tmp_path / "references" / "mine.txt").read_text(encoding="utf-8") == "keep"


@pytest.mark.parametrize(("count", "seed"), [(0, 1), (2, -1)])
def test_impossible_worlds_say_so(tmp_path: Path, count: int, seed: int) -> None:
    pytest.importorskip("skia", reason="drawing needs loupebook[render]", exc_type=ImportError)
    done = run("--seed", seed, "--count", count, "--out", tmp_path / "world")
    assert done.exit_code != 0
    assert done.stderr.strip()
    assert not (tmp_path / "world" / "references" / "manifest.csv").exists()


def test_another_world_comes_with_manifest_and_truth(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("skia", reason="drawing needs loupebook[render]", exc_type=ImportError)
    import loupebook.demo.demo_set as drawing

    # Queries of a whole world take minutes; two of them show the same.
    planned = drawing.plan_queries
    monkeypatch.setattr(drawing, "plan_queries", lambda world, seed: planned(world, seed=seed)[:2])
    monkeypatch.setattr("loupebook.library.rendering._processes", lambda: 1)
    done = run("--seed", 950_123, "--count", 2, "--truth", "--out", tmp_path / "world", "--json")
    assert done.exit_code == 0, done.output
    made = json.loads(done.stdout)
    folder = Path(made["references"])
    with (folder / "manifest.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == 2
    assert all("rendered, invented" in row["source"] for row in rows)
    with Image.open(folder / rows[0]["path"]) as picture:
        assert min(picture.size) >= 400
    with (Path(made["queries"]) / "truth.csv").open(encoding="utf-8", newline="") as stream:
        assert len(list(csv.DictReader(stream))) == 2
