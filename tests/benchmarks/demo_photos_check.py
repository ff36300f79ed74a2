"""Two checks of the demo set's own photos: `python tests/benchmarks/demo_photos_check.py PART`.

barcode   EAN-13 codes on sharp diffuse seal photos, read by zxing-cpp
rebuild   some photos drawn anew from their seeds against those that ship, in dB PSNR
"""

from __future__ import annotations

import argparse
import csv
import sys
import tempfile
from pathlib import Path

_HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(_HERE))

import numpy as np
import zxingcpp
from PIL import Image
from table import print_table, save_tables

from loupebook.demo.artwork.barcode import check_digit
from loupebook.demo.camera.sampler import sample_scenes
from loupebook.demo.demo_set import DEMO_PHOTO_SEED, Taking, photograph_plan
from loupebook.demo.photo_plan import PlannedPhoto, plan_references
from loupebook.demo.surface import PrintedSurface
from loupebook.demo.world import demo_world
from loupebook.imaging import check_photo
from loupebook.records.model import Element, Lighting

Row = dict[str, object]
#: Right edge of the code's quiet zone from the middle of a seal 112 mm long.
_CODE_ENDS_MM = 52.0


def planned(folder: Path) -> list[tuple[PlannedPhoto, Path]]:
    """Plan of the shipped set beside its photos."""
    with (folder / "manifest.csv").open(newline="", encoding="utf-8") as stream:
        paths = [folder / row["path"] for row in csv.DictReader(stream)]
    return list(zip(plan_references(demo_world(), seed=DEMO_PHOTO_SEED), paths, strict=True))


def folds_over_code(photo: PlannedPhoto) -> bool:
    """Whether the seal is bent round the box's edge within its bar code."""
    maps = np.zeros((120, 448), np.float32)
    colour = np.zeros((120, 448, 3), np.float32)
    blank = PrintedSurface(
        Element.SEAL, "strip", 4.0, colour, maps, maps, colour, maps, maps, colour, maps, maps, maps
    )  # fmt: skip
    scene = sample_scenes([photo.shot], [blank], height=610, width=1000)
    mirrored = bool(getattr(photo.origin.plan, "mirrored", False))
    return not mirrored and float(scene.box[0, 3]) < _CODE_ENDS_MM


def code_read(picture: Image.Image) -> bool:
    """Whether an EAN-13 code with a correct check digit is found.

    The picture goes in as it is: of an array zxing-cpp would take red for blue.
    """
    found = [
        code.text
        for code in zxingcpp.read_barcodes(picture)
        if code.format == zxingcpp.BarcodeFormat.EAN13
    ]
    return any(check_digit(text[:-1]) == int(text[-1]) for text in found)


def barcode(folder: Path) -> list[Row]:
    """Codes read, by whether the code lies wholly on top of the box."""
    groups: dict[str, list[tuple[bool, bool]]] = {
        "code on top of the box": [],
        "bent round its edge": [],
    }
    for photo, path in planned(folder):
        if photo.edition.element is not Element.SEAL or photo.shot.lighting is not Lighting.DIFFUSE:
            continue
        picture = Image.open(path)
        if any(f.code in ("blur", "size") for f in check_photo(np.asarray(picture)).findings):
            continue
        larger = picture.resize((picture.width * 3 // 2, picture.height * 3 // 2))
        where = "bent round its edge" if folds_over_code(photo) else "code on top of the box"
        groups[where].append((code_read(picture), code_read(larger)))
    groups["all"] = [read for group in groups.values() for read in group]
    return [_code_row(name, reads) for name, reads in groups.items()]


def _code_row(name: str, reads: list[tuple[bool, bool]]) -> Row:
    row: Row = {"sharp diffuse seal photos": name, "count": len(reads)}
    for what, number in (("as it is", 0), ("enlarged by half", 1)):
        share = round(float(np.mean([r[number] for r in reads])), 3) if reads else ""
        row |= {f"read {what}": sum(r[number] for r in reads), f"share {what}": share}
    return row


def rebuild(folder: Path, every: int) -> list[Row]:
    """PSNR of every n-th photo drawn anew."""
    rows = []
    with tempfile.TemporaryDirectory() as scratch:
        for photo, path in planned(folder)[::every]:
            photograph_plan([(photo, path.stem)], folder=Path(scratch), how=Taking())
            ours, theirs = (
                np.asarray(Image.open(p)).astype(float) for p in (Path(scratch) / path.name, path)
            )
            error = float(((ours - theirs) ** 2).mean())
            value = "identical" if error == 0 else round(10 * np.log10(255**2 / error), 1)
            rows.append({"photo": path.name, "PSNR (dB)": value})
            print(rows[-1], flush=True)
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("part", choices=["barcode", "rebuild"])
    parser.add_argument("--set", type=Path, default=_HERE.parents[1] / "reference_sets" / "demo")
    parser.add_argument("--every", type=int, default=60)
    chosen = parser.parse_args()
    rows = barcode(chosen.set) if chosen.part == "barcode" else rebuild(chosen.set, chosen.every)
    print_table(chosen.part, rows)
    save_tables(
        _HERE / "results" / f"demo_{chosen.part}.md",
        {"barcode": "Bar codes on the demo set's seals", "rebuild": "The demo set drawn anew"}[
            chosen.part
        ],
        " ".join(["python tests/benchmarks/demo_photos_check.py", *sys.argv[1:]]),
        {chosen.part.capitalize(): rows},
    )


if __name__ == "__main__":
    main()
