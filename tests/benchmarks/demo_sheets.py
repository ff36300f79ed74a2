"""Contact sheets of the demo world: `python tests/benchmarks/demo_sheets.py --out DIR`.

One PNG an element with a row for every edition of a set, a genuine photo beside one of
each copy, and one PNG of a specimen under every lighting by both renderers (the traced row
where Mitsuba is installed). Photos come from a rendered set (``--set``, by default the demo
set); nothing is committed. They are rendered and invented, and the sheets say so.
"""

from __future__ import annotations

import argparse
import csv
import sys
from pathlib import Path

_HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(_HERE))

import numpy as np
from demo_photos import draw_scenes, pictures_of
from PIL import Image, ImageDraw

from loupebook.demo.camera.exposure import Renderer
from loupebook.demo.camera.request import Shot
from loupebook.demo.camera.torch_renderer import TorchRenderer
from loupebook.demo.world import demo_world, print_specimen
from loupebook.errors import WorldInvalid
from loupebook.records.model import Lighting

_CELL = (400, 300)
_SAID = "rendered, invented; not photographs"


def sheet(rows: list[list[tuple[str, Image.Image]]], title: str) -> Image.Image:
    """Rows of labelled pictures under a title."""
    wide, high = _CELL
    page = Image.new("RGB", (wide * max(map(len, rows)), 24 + (high + 18) * len(rows)), "white")
    pen = ImageDraw.Draw(page)
    pen.text((6, 6), f"{title}: {_SAID}", fill="black")
    for down, row in enumerate(rows):
        for across, (label, picture) in enumerate(row):
            corner = (across * wide, 24 + down * (high + 18))
            small = picture.copy()
            small.thumbnail((wide - 4, high))
            page.paste(small, corner)
            pen.text((corner[0] + 4, corner[1] + high + 2), label, fill="black")
    return page


def edition_rows(folder: Path, element: str) -> list[list[tuple[str, Image.Image]]]:
    """One diffuse photo of the first genuine specimen and of every copy, edition by edition."""
    with (folder / "manifest.csv").open(newline="", encoding="utf-8") as stream:
        rows = [r for r in csv.DictReader(stream) if r["element"] == element]
    rows = [r for r in rows if r["lighting"] == "diffuse"]
    lines = []
    for edition in dict.fromkeys(r["edition"] for r in rows):
        mine = [r for r in rows if r["edition"] == edition]
        first = [next(r for r in mine if r["standing"] == "genuine")]
        first += list({r["origin"]: r for r in mine if r["standing"] == "fake"}.values())
        lines.append([(r["origin"], Image.open(folder / r["path"])) for r in first])
    return lines


def lighting_rows(edition_number: int, px_per_mm: float) -> list[list[tuple[str, Image.Image]]]:
    """One specimen under every lighting, by each renderer that is installed."""
    world = demo_world()
    edition = world.editions[edition_number]
    surface = print_specimen(edition, world.origins(edition)[0], 3, px_per_mm=px_per_mm)
    renderers: dict[str, Renderer] = {"torch": TorchRenderer([surface], supersample=1.5)}
    try:
        from loupebook.demo.camera.mitsuba_renderer import MitsubaRenderer

        renderers["traced"] = MitsubaRenderer([surface], samples=64)
    except WorldInvalid as error:
        print(f"the traced row is left out: {error}")
    shots = [Shot(41, 0, light, tilt=0.0) for light in (Lighting.DIFFUSE, Lighting.RAKING)]
    shots += [Shot(41, 0, Lighting.TILT, tilt=tilt) for tilt in (-14.0, 14.0)]
    shots.append(Shot(41, 0, Lighting.UV_A))
    lines = []
    for name, renderer in renderers.items():
        line = []
        for shot in shots:
            light = renderer.expose(draw_scenes([shot], [surface])).light
            picture = Image.fromarray(np.asarray(pictures_of(light, [shot])[0]))
            tilt = f" {shot.tilt:+.0f} degrees" if shot.tilt else ""
            line.append((f"{name}, {shot.lighting.value}{tilt}", picture))
        lines.append(line)
    return lines


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--set", type=Path, default=_HERE.parents[1] / "reference_sets" / "demo")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--only", choices=["band", "seal", "cap", "lighting"])
    chosen = parser.parse_args()
    chosen.out.mkdir(parents=True, exist_ok=True)
    for element in ("band", "seal", "cap"):
        if chosen.only in (None, element):
            page = sheet(edition_rows(chosen.set, element), f"{element}s, genuine first")
            page.save(chosen.out / f"{element}s.png")
    if chosen.only in (None, "lighting"):
        for name, number, scale in (("band", 0, 14.0), ("seal", 2, 8.0)):
            page = sheet(lighting_rows(number, scale), f"one {name} under every lighting")
            page.save(chosen.out / f"lighting-{name}.png")


if __name__ == "__main__":
    main()
