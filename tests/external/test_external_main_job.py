"""The main job on pictures that are not ours: OpenMoji and two emoji vendors' sets.

Sources: OpenMoji (CC BY-SA 4.0), Noto Emoji (Apache-2.0), Twemoji graphics (CC BY 4.0).
The whole of it, over more than 1,000 pictures and 800 code points:
``python tests/benchmarks/run.py --only registry --only vendors``.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from loupebook.cli import app
from registry_pictures import distinct_openmoji, on_white, vendor_emoji

pytestmark = pytest.mark.external
runner = CliRunner()


def run(*arguments: str | Path) -> str:
    result = runner.invoke(app, [str(argument) for argument in arguments])
    assert result.exit_code == 0, result.output
    return result.stdout


def first_matches(references: Path, queries: Path, set_folder: Path) -> dict[str, dict]:
    """Take both folders through `init`, `add` and `search`: query's name to nearest match."""
    run("init", set_folder)
    run("add", references, "--set", set_folder, "--element", "seal", "--standing", "genuine")
    answers = run("search", queries, "--set", set_folder, "-k", "1", "--json").splitlines()
    return {Path(one["photo"]).stem: one["matches"][0] for one in map(json.loads, answers)}


@pytest.fixture
def references(tmp_path: Path) -> Path:
    folder = tmp_path / "references"
    folder.mkdir()
    return folder


@pytest.fixture
def queries(tmp_path: Path) -> Path:
    folder = tmp_path / "queries"
    folder.mkdir()
    return folder


def test_openmoji_pictures_find_themselves(tmp_path: Path, references: Path, queries: Path) -> None:
    count = 24
    for number, (name, picture) in enumerate(distinct_openmoji(count, every=50)):
        picture.save(references / f"{name}.png")
        turned = picture.resize((200, 200)).rotate(90 * (1 + number % 3), expand=True)
        turned.save(queries / f"{name}.jpg", quality=60)
    first = first_matches(references, queries, tmp_path / "set")
    assert len(first) == count
    assert {name: match["specimen"] for name, match in first.items()} == {n: n for n in first}


def test_a_picture_searched_unchanged_is_one_with_itself(tmp_path: Path, references: Path) -> None:
    for name, picture in distinct_openmoji(8, every=200):
        picture.save(references / f"{name}.png")
    first = first_matches(references, references, tmp_path / "set")
    assert [match["specimen"] for match in first.values()] == list(first)
    assert min(match["scores"]["embedding"] for match in first.values()) >= 0.9999
    # Of both arms: a picture of few lines gives geometry little to be sure by.
    assert min(match["similarity"] for match in first.values()) >= 0.999


def test_one_vendor_finds_the_other_far_more_often_than_chance(
    tmp_path: Path, references: Path, queries: Path, pytestconfig: pytest.Config
) -> None:
    store = Path(str(pytestconfig.cache.mkdir("registry-pictures")))
    try:
        google, twitter = vendor_emoji("google", store), vendor_emoji("twitter", store)
    except RuntimeError as exc:
        pytest.skip(str(exc))
    shared = sorted(set(google) & set(twitter))
    names = shared[:: len(shared) // 24][:24]
    for name in names:
        on_white(google[name]).save(references / f"{name}.png")
        on_white(twitter[name]).save(queries / f"{name}.png")
    first = first_matches(references, queries, tmp_path / "set")
    right = sum(match["specimen"] == name for name, match in first.items())
    # Measured: about half over 800 code points, more among few. Chance finds 1 of 24.
    assert right >= 14, f"{right} of {len(names)} found across vendors"
