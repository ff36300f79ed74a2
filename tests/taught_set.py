"""A small drawn set to print, examine and practise with: one edition, two copy presses."""

from __future__ import annotations

from pathlib import Path

from PIL import Image, ImageDraw, ImageFilter

from drawn_prints import as_bytes, draw_print
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
NOTICE = "drawn, invented"
EDITION = "Edition A"
PRESSES = ("press-1", "press-2")


def genuine_print(tilt: float = 0.0) -> Image.Image:
    """Return the edition as photographed, tilted by some degrees."""
    return _photographed(draw_print(7), tilt)


def copied_print(press: int, tilt: float = 0.0) -> Image.Image:
    """Return the edition as one press copies it: soft, with a patch of its own."""
    copy = draw_print(7).filter(ImageFilter.GaussianBlur(0.6))
    pen = ImageDraw.Draw(copy)
    left = 60 + 120 * press
    pen.rectangle([left, 90, left + 44, 134], fill=(250, 250, 250))
    pen.line([left, 90, left + 44, 134], fill=(0, 0, 0), width=3)
    return _photographed(copy, tilt)


def _photographed(picture: Image.Image, tilt: float) -> Image.Image:
    ground = Image.new("RGB", (420, 420), (96, 92, 88))
    ground.paste(picture, (50, 50))
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


def _specimen(name: str, standing: Standing, origin: str | None) -> SpecimenRecord:
    return SpecimenRecord(
        name, Element.BAND, standing, marque="Marque A", edition=EDITION, origin=origin
    )
