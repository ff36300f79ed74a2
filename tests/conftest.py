"""Shared test material: pictures drawn in code, so that no binary fixture is needed."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageDraw

Draw = Callable[..., Image.Image]


def draw_print(seed: int, size: int = 320) -> Image.Image:
    """Return a picture that differs plainly from that of any other seed.

    Nested ellipses, rays and bars in seeded colours: enough print for embeddings and
    local features alike.
    """
    rng = np.random.default_rng(seed)
    colours = [tuple(int(v) for v in rng.integers(0, 256, 3)) for _ in range(12)]
    picture = Image.new("RGB", (size, size), colours[0])
    pen = ImageDraw.Draw(picture)
    for colour in colours[1:]:
        x0, y0 = rng.integers(0, size * 3 // 4, 2)
        x1, y1 = x0 + rng.integers(20, size // 2), y0 + rng.integers(20, size // 2)
        box = [int(x0), int(y0), int(x1), int(y1)]
        if rng.random() < 0.5:
            pen.ellipse(box, fill=colour, outline=(0, 0, 0), width=2)
        else:
            pen.rectangle(box, fill=colour, outline=(255, 255, 255), width=2)
    for _ in range(25):
        line = [int(v) for v in rng.integers(0, size, 4)]
        pen.line(line, fill=colours[int(rng.integers(0, 12))], width=int(rng.integers(1, 5)))
    return picture


def as_bytes(picture: Image.Image, kind: str = "PNG", **options: object) -> bytes:
    """Return the picture encoded."""
    target = io.BytesIO()
    picture.save(target, kind, **options)
    return target.getvalue()


@pytest.fixture(autouse=True)
def _own_home(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    """Keep every test away from the sets of the person who runs it."""
    monkeypatch.setenv("LOUPEBOOK_HOME", str(tmp_path_factory.mktemp("home")))
    monkeypatch.delenv("LOUPEBOOK_SET", raising=False)


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
