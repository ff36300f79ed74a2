from __future__ import annotations

import io
import struct
import zlib

import numpy as np
import pillow_heif
import pytest
from PIL import Image
from PIL.PngImagePlugin import PngInfo

from loupebook.errors import PhotoUnreadable
from loupebook.imaging import decode_photo, strip_metadata
from loupebook.imaging.jpeg import segments
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


def png_chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def riff_chunk(kind: bytes, body: bytes) -> bytes:
    return kind + struct.pack("<I", len(body)) + body + bytes(len(body) % 2)


def jpeg_segment(marker: int, body: bytes) -> bytes:
    return bytes([0xFF, marker]) + struct.pack(">H", len(body) + 2) + body


def with_unknown_parts(kind: str) -> bytes:
    """Return a photo that says a place where formats let anybody write."""
    place, stream = PLACE.encode(), io.BytesIO()
    picture = Image.new("RGB", (64, 48), "tan")
    if kind == "JPEG":
        picture.save(stream, kind)
        data = stream.getvalue()
        thumbnail = b"JFIF\0\1\2\0\0\1\0\1\1\x06" + place + b"!"  # 1 by 6 px
        parts = [
            jpeg_segment(0xE0, thumbnail), jpeg_segment(0xE0, b"JFXX\0\x10" + place),
            jpeg_segment(0xEE, b"Adobe\0\x64\0\0\0\0\1" + place), jpeg_segment(0xEE, place),
        ]  # fmt: skip
        return data[:2] + b"".join(parts) + data[20:]
    if kind == "PNG":
        picture.save(stream, kind)
        data = stream.getvalue()
        return data[:33] + b"".join(png_chunk(k, place) for k in (b"caBX", b"prVt")) + data[33:]
    picture.save(stream, "WEBP", save_all=True, append_images=[Image.new("RGB", (64, 48), "red")])
    head = stream.getvalue()[12:]
    start = head.index(b"ANMF")
    length = int.from_bytes(head[start + 4 : start + 8], "little")
    frame = head[start + 8 : start + 8 + length] + riff_chunk(b"note", place)
    body = head[:start] + riff_chunk(b"ANMF", frame) + head[start + 8 + length :]
    return riff_chunk(b"RIFF", b"WEBP" + body + riff_chunk(b"C2PA", place))


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_what_nobody_here_has_heard_of_goes_too(kind):
    before = with_unknown_parts(kind)
    assert PLACE.encode() in before
    stripped = strip_metadata(before)
    assert stripped.pixels_kept
    assert PLACE.encode() not in stripped.data
    assert np.array_equal(decode_photo(before).pixels, decode_photo(stripped.data).pixels)


def profile_and_more() -> bytes:
    """A profile with a place behind its end (ICC.1:2022, section 7.2.2)."""
    return PROFILE + PLACE.encode()


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_what_lies_behind_a_profile_goes(kind):
    stream = io.BytesIO()
    options = {"lossless": True} if kind == "WEBP" else {}
    picture = Image.new("RGB", (64, 48), "tan")
    picture.save(stream, kind, icc_profile=profile_and_more(), **options)
    before = stream.getvalue()
    stripped = strip_metadata(before)
    assert stripped.pixels_kept
    with Image.open(io.BytesIO(stripped.data)) as again:
        assert again.info["icc_profile"] == PROFILE
    assert np.array_equal(decode_photo(before).pixels, decode_photo(stripped.data).pixels)


def test_words_in_what_a_png_needs_go():
    # ISO/IEC 15948, section 11: a name of the profile that anybody chose, colours that an
    # RGB picture only suggests, significant bits, and whatever the end chunk holds.
    stream = io.BytesIO()
    Image.new("RGB", (64, 48), "tan").save(stream, "PNG")
    data, place = stream.getvalue(), PLACE.encode()
    parts = [
        (b"iCCP", place + b"\0\0" + zlib.compress(PROFILE)), (b"sBIT", place), (b"PLTE", place)
    ]  # fmt: skip
    worded = data[:33] + b"".join(png_chunk(*part) for part in parts) + data[33:-12]
    before = worded + png_chunk(b"IEND", place)
    stripped = strip_metadata(before)
    assert stripped.pixels_kept
    assert place not in stripped.data
    assert np.array_equal(decode_photo(before).pixels, decode_photo(stripped.data).pixels)


def test_bytes_that_belong_to_nothing_go():
    stream = io.BytesIO()
    Image.new("RGB", (64, 48), "tan").save(stream, "JPEG")
    data = stream.getvalue()
    tables = data.index(b"\xff\xdb")
    stripped = strip_metadata(data[:tables] + PLACE.encode() + data[tables:])
    assert stripped.pixels_kept
    assert stripped.data == strip_metadata(data).data


def test_colours_that_only_exif_names_are_kept():
    exif, stream = Image.Exif(), io.BytesIO()
    exif.get_ifd(0x8769).update({0xA001: 0xFFFF, 0xA005: {1: "R03"}})  # a DCF option file
    Image.new("RGB", (64, 48), "tan").save(stream, "JPEG", exif=exif.tobytes(), quality=95)
    stripped = strip_metadata(stream.getvalue())
    assert not stripped.pixels_kept
    old, new = decode_photo(stream.getvalue()), decode_photo(stripped.data)
    assert np.abs(old.pixels.astype(int) - new.pixels).max() <= 4


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
    for cut in (data[:-2], b"\xff\xd8\xff\xe1\x00"):
        with pytest.raises(ValueError, match=r"marker|cut short"):
            list(segments(cut))
