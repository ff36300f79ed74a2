"""Shared test material: pictures drawn in code, so that no binary fixture is needed."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import settings

from drawn_prints import draw_print

# Tests are not timed: a busy machine would fail them.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")

if "PYTEST_XDIST_WORKER" in os.environ:
    # Workers share the machine: each with a thread a core would stand in the others' way.
    os.environ.setdefault("OMP_NUM_THREADS", "1")


@pytest.fixture(autouse=True)
def _own_home(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    """Keep every test away from the sets of the person who runs it."""
    monkeypatch.setenv("LOUPEBOOK_HOME", str(tmp_path_factory.mktemp("home")))
    monkeypatch.delenv("LOUPEBOOK_SET", raising=False)


@pytest.fixture(scope="session")
def taught_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A set of one edition and two copy presses, indexed and with its frames made; copy it."""
    from taught_set import warmed_set

    return warmed_set(tmp_path_factory.mktemp("taught") / "set")


@pytest.fixture
def photo_folder(tmp_path: Path) -> Path:
    """Eight photos of six specimens with a manifest, in a folder of their own."""
    folder = tmp_path / "photos"
    folder.mkdir()
    lines = ["path,specimen,element,marque,edition,standing,origin,view,lighting"]
    for number in range(6):
        name = f"print{number}.png"
        draw_print(number).save(folder / name)
        standing = "fake" if number % 3 == 2 else "genuine"
        origin = "press-1" if standing == "fake" else ""
        lines.append(
            f"{name},S-{number},band,Marque {number // 3},Edition {number // 3},"
            f"{standing},{origin},face,diffuse"
        )
    for number in (0, 2):
        name = f"print{number}-raking.jpg"
        draw_print(number).rotate(4, fillcolor=(90, 90, 90)).save(folder / name, quality=88)
        standing = "fake" if number == 2 else "genuine"
        origin = "press-1" if standing == "fake" else ""
        lines.append(f"{name},S-{number},band,Marque 0,Edition 0,{standing},{origin},face,raking")
    (folder / "manifest.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder
