from __future__ import annotations

import io

import numpy as np
import pillow_heif
import pytest
from PIL import Image
from PIL.PngImagePlugin import PngInfo

from loupebook.errors import PhotoUnreadable
from loupebook.imaging import decode_photo, strip_metadata
from loupebook.imaging.jpeg import has_end, segments
from loupebook.imaging.profiles import matrix_profile

PLACE = "Harbour Street 12"
PROFILE = matrix_profile(
    (0.68, 0.32), (0.265, 0.69), (0.15, 0.06), (0.3127, 0.329), description="P3"
)


def photo_bytes(kind: str, orientation: int = 6) -> bytes:
    pillow_heif.register_heif_opener()
    exif = Image.Exif()
    exif[0x0112], exif[0x010F], exif[0x9C9C] = orientation, "Lantern Works", PLACE.encode()
    exif.get_ifd(0x8825).update({1: "N", 2: (47.0, 22.0, 11.0)})
    exif.get_ifd(0x8769)[0x9003] = "2026:05:03 14:02:11"
    options = {"exif": exif.tobytes(), "icc_profile": PROFILE}
    if kind in {"JPEG", "WEBP"}:
        options["xmp"] = f"<x:xmpmeta>{PLACE}</x:xmpmeta>".encode()
    if kind == "JPEG":
        options["comment"] = PLACE.encode()
    if kind == "WEBP":
        options["lossless"] = True
    if kind == "PNG":
        options["pnginfo"] = PngInfo()
        options["pnginfo"].add_text("Comment", PLACE)
        options["pnginfo"].add_itxt("XML:com.adobe.xmp", PLACE)
    noise = np.random.default_rng(1).integers(0, 255, (40, 60, 3), dtype=np.uint8)
    stream = io.BytesIO()
    Image.fromarray(noise).save(stream, kind, **options)
    return stream.getvalue()


@pytest.mark.parametrize("orientation", [1, 6, 7])
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_metadata_go_and_pixels_colour_and_turn_stay(kind, orientation):
    before = photo_bytes(kind, orientation)
    assert PLACE.encode() in before or kind == "PNG"
    stripped = strip_metadata(before)
    old, new = decode_photo(before), decode_photo(stripped.data)
    assert stripped.pixels_kept
    assert stripped.media_type == old.media_type == new.media_type
    assert old.had_gps
    assert not new.had_gps
    assert new.captured_at is new.camera.make is None
    assert new.orientation == orientation
    assert np.array_equal(old.pixels, new.pixels)
    assert new.notes == old.notes  # the same colour conversion
    assert PLACE.encode() not in stripped.data
    assert b"Lantern" not in stripped.data


@pytest.mark.parametrize("kind", ["TIFF", "HEIF"])
def test_other_formats_are_encoded_anew_and_it_is_said(kind):
    before = photo_bytes(kind)
    stripped = strip_metadata(before)
    assert not stripped.pixels_kept
    assert stripped.media_type == "image/jpeg"
    assert PLACE.encode() not in stripped.data
    old, new = decode_photo(before), decode_photo(stripped.data)
    assert old.pixels.shape == new.pixels.shape
    assert np.abs(old.pixels.astype(int) - new.pixels).mean() < 4


def test_previews_behind_a_phone_jpeg_are_left_out():
    stream = io.BytesIO()
    exif = Image.Exif()
    exif[0x010F] = "Lantern Works"
    main = Image.new("RGB", (64, 48), "tan")
    main.save(stream, "MPO", save_all=True, append_images=[main], exif=exif.tobytes())
    trailing = stream.getvalue() + b"trailer with 47.22N"
    stripped = strip_metadata(trailing)
    assert stripped.pixels_kept
    assert stripped.data.endswith(b"\xff\xd9")
    assert stripped.data.count(b"\xff\xd8\xff") == 1
    assert b"MPF" not in stripped.data


def test_stripping_twice_changes_nothing_more():
    for kind in ("JPEG", "PNG", "WEBP"):
        once = strip_metadata(photo_bytes(kind)).data
        assert strip_metadata(once).data == once


def test_what_cannot_be_decoded_cannot_be_stripped():
    with pytest.raises(PhotoUnreadable):
        strip_metadata(b"nothing")


def test_segments_cover_a_progressive_file_end_to_end():
    noise = np.random.default_rng(2).integers(0, 255, (64, 64, 3), dtype=np.uint8)
    stream = io.BytesIO()
    Image.fromarray(noise).save(stream, "JPEG", progressive=True, restart_marker_blocks=2)
    data = stream.getvalue()
    pieces = list(segments(data))
    assert b"".join(data[p.start : p.stop] for p in pieces) == data
    assert has_end(data)
    assert not has_end(data[:-2])
    assert not has_end(b"\xff\xd8\xff\xe1\x00")
