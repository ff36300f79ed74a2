"""A small drawn set to print, examine and practise with: one edition, two copy presses."""

from __future__ import annotations

import shutil
from pathlib import Path

from PIL import Image, ImageDraw, ImageFilter

from drawn_prints import as_bytes, draw_print
from loupebook.compare import Group
from loupebook.library import (
    Element,
    IncomingPhoto,
    Library,
    Lighting,
    SpecimenRecord,
    Standing,
    View,
)

PX_PER_MM = 10.0
PRINT_PX, PHOTO_PX, EDGE_PX, PATCH_PX = 240, 310, 35, 34
PATCH = tuple(
    (EDGE_PX + x, EDGE_PX + y)
    for x, y in ((45, 70), (45 + PATCH_PX, 70), (45 + PATCH_PX, 70 + PATCH_PX), (45, 70 + PATCH_PX))
)
"""Where the first press leaves its patch, px of an untilted photo."""
NOTICE = "drawn, invented"
EDITION = "Edition A"
PRESSES = ("press-1", "press-2")


def genuine_print(tilt: float = 0.0) -> Image.Image:
    """Return the edition as photographed, tilted by some degrees."""
    return _photographed(draw_print(7, PRINT_PX), tilt)


def copied_print(press: int, tilt: float = 0.0) -> Image.Image:
    """Return the edition as one press copies it: soft, with a patch of its own."""
    copy = draw_print(7, PRINT_PX).filter(ImageFilter.GaussianBlur(0.6))
    pen = ImageDraw.Draw(copy)
    left = 45 + 90 * press
    pen.rectangle([left, 70, left + PATCH_PX, 70 + PATCH_PX], fill=(250, 250, 250))
    pen.line([left, 70, left + PATCH_PX, 70 + PATCH_PX], fill=(0, 0, 0), width=3)
    return _photographed(copy, tilt)


def _photographed(picture: Image.Image, tilt: float) -> Image.Image:
    ground = Image.new("RGB", (PHOTO_PX, PHOTO_PX), (96, 92, 88))
    ground.paste(picture, (EDGE_PX, EDGE_PX))
    return ground.rotate(tilt, Image.Resampling.BICUBIC, fillcolor=(96, 92, 88))


def photo(picture: Image.Image, name: str, **how: object) -> IncomingPhoto:
    """Return a photo ready to be added."""
    given = {"view": View.FACE, "lighting": Lighting.DIFFUSE, "px_per_mm": PX_PER_MM} | how
    return IncomingPhoto(as_bytes(picture), name, **given)


def taught_set(folder: Path, *, genuine: int = 3, copies: int = 2) -> Library:
    """Make the set: `genuine` genuine specimens and `copies` of each press."""
    library = Library.create(folder, name="Taught", notice=NOTICE)
    for number in range(genuine):
        record = _specimen(f"G-{number}", Standing.GENUINE, None)
        shot = photo(genuine_print(2.0 * number), f"g{number}.png")
        assert library.add_specimen(record, [shot], by="a curator").ok
    for press, origin in enumerate(PRESSES):
        for number in range(copies):
            record = _specimen(f"F-{press}-{number}", Standing.FAKE, origin)
            shot = photo(copied_print(press, 1.5 * number - 1), f"f{press}{number}.png")
            assert library.add_specimen(record, [shot], by="a curator").ok
    return library


def warmed_set(folder: Path) -> Path:
    """Make the set with its index and frames, so that copies of it need not make them."""
    with taught_set(folder) as library:
        library.sync()
        alike = ("Marque A", "band", "face", "diffuse")
        for group in (
            Group(EDITION, *alike, "genuine"),
            Group(PRESSES[0], *alike, "fake", EDITION),
        ):
            assert library.sheet_source.consensus(group) is not None
    return folder


def opened_copy(folder: Path, target: Path) -> Library:
    """Return a copy of a set, opened."""
    shutil.copytree(folder, target)
    return Library.open(target)


def _specimen(name: str, standing: Standing, origin: str | None) -> SpecimenRecord:
    return SpecimenRecord(
        name, Element.BAND, standing, marque="Marque A", edition=EDITION, origin=origin
    )
