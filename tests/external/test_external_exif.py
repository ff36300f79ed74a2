"""Exif orientation and times against the published definitions.

Source: CIPA DC-008 (Exif 3.0), tag Orientation (0x0112): for each value, which visual side
row 0 and column 0 of the stored pixels represent. Second reference: Pillow's own
``ImageOps.exif_transpose``.
"""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image, ImageOps

from loupebook.imaging import decode_photo
from loupebook.imaging.decode import apply_orientation

pytestmark = pytest.mark.external

#: value: (visual side of row 0, visual side of column 0), CIPA DC-008.
DEFINITIONS = {
    1: ("top", "left"),
    2: ("top", "right"),
    3: ("bottom", "right"),
    4: ("bottom", "left"),
    5: ("left", "top"),
    6: ("right", "top"),
    7: ("right", "bottom"),
    8: ("left", "bottom"),
}
SIDES = {"top": 10, "bottom": 90, "left": 170, "right": 250}


def visual_edges(upright: np.ndarray) -> dict[str, int]:
    """Grey level along the middle of each side of an upright picture."""
    height, width = upright.shape[:2]
    return {
        "top": int(upright[0, width // 2, 0]),
        "bottom": int(upright[-1, width // 2, 0]),
        "left": int(upright[height // 2, 0, 0]),
        "right": int(upright[height // 2, -1, 0]),
    }


def stored_as(orientation: int) -> np.ndarray:
    """Stored pixels, built from the definition alone: row 0 and column 0 carry their side."""
    opposite = {"top": "bottom", "bottom": "top", "left": "right", "right": "left"}
    row_side, column_side = DEFINITIONS[orientation]
    stored = np.full((48, 80, 3), 128, np.uint8)
    stored[:16, 16:-16] = SIDES[row_side]
    stored[-16:, 16:-16] = SIDES[opposite[row_side]]
    stored[16:-16, :16] = SIDES[column_side]
    stored[16:-16, -16:] = SIDES[opposite[column_side]]
    return stored


def photo_bytes(stored: np.ndarray, orientation: int, kind: str) -> bytes:
    exif = Image.Exif()
    exif[0x0112] = orientation
    options = {"lossless": True} if kind == "WEBP" else {"quality": 95}
    stream = io.BytesIO()
    Image.fromarray(stored).save(stream, kind, exif=exif.tobytes(), **options)
    return stream.getvalue()


@pytest.mark.parametrize("orientation", DEFINITIONS)
def test_each_side_comes_out_where_the_standard_puts_it(orientation):
    upright = apply_orientation(stored_as(orientation), orientation)
    assert visual_edges(upright) == SIDES
    assert upright.flags.c_contiguous


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP"])
@pytest.mark.parametrize("orientation", DEFINITIONS)
def test_files_of_each_format_come_out_upright(orientation, kind):
    data = photo_bytes(stored_as(orientation), orientation, kind)
    photo = decode_photo(data)
    assert photo.orientation == orientation
    edges = visual_edges(photo.pixels)
    assert all(abs(edges[side] - level) <= 4 for side, level in SIDES.items())
    assert photo.full_size == photo.pixels.shape[1::-1]
    with Image.open(io.BytesIO(data)) as opened:
        by_pillow = ImageOps.exif_transpose(opened)
        assert np.array_equal(photo.pixels, np.asarray(by_pillow.convert("RGB")))


@pytest.mark.parametrize("orientation", DEFINITIONS)
def test_heic_is_turned_once_and_only_once(orientation):
    # A HEIC container carries its own turn (ISO/IEC 23008-12, irot and imir); the Exif
    # value repeats it and must not be applied a second time. pillow-heif writes both.
    photo = decode_photo(photo_bytes(stored_as(orientation), orientation, "HEIF"))
    edges = visual_edges(photo.pixels)
    assert all(abs(edges[side] - level) <= 6 for side, level in SIDES.items())
    assert photo.full_size == photo.pixels.shape[1::-1]


@pytest.mark.parametrize("impossible", [0, 9, 255, 65535])
def test_impossible_values_leave_the_photo_as_stored(impossible):
    stored = stored_as(1)
    photo = decode_photo(photo_bytes(stored, impossible, "PNG"))
    assert photo.orientation == 1
    assert np.array_equal(photo.pixels, stored)


def test_time_camera_and_place_follow_the_tag_numbers_of_the_standard():
    exif = Image.Exif()
    exif[0x010F] = "Lantern Works"  # Make
    exif[0x0110] = "LW-3"  # Model
    ifd = exif.get_ifd(0x8769)
    ifd[0x9003] = "2026:05:03 14:02:11"  # DateTimeOriginal
    ifd[0xA434] = "24 mm macro"  # LensModel
    gps = exif.get_ifd(0x8825)
    gps[1], gps[2] = "N", (47.0, 22.0, 11.5)  # GPSLatitudeRef, GPSLatitude
    stream = io.BytesIO()
    Image.new("RGB", (8, 8)).save(stream, "JPEG", exif=exif.tobytes())
    photo = decode_photo(stream.getvalue())
    assert photo.captured_at == "2026-05-03T14:02:11"
    assert (photo.camera.make, photo.camera.model) == ("Lantern Works", "LW-3")
    assert photo.camera.lens == "24 mm macro"
    assert photo.had_gps
