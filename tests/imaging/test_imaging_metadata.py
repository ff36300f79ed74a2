from __future__ import annotations

import io

import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image
from PIL.PngImagePlugin import PngInfo

from loupebook.imaging import decode_photo
from loupebook.imaging.metadata import clean_text, clean_time

# Pillow warns of what these tests do on purpose; pytest shows it despite our filter.
pytestmark = pytest.mark.filterwarnings("ignore:Corrupt EXIF", "ignore:Image size")


def jpeg(exif: bytes, **options) -> bytes:
    stream = io.BytesIO()
    Image.new("RGB", (8, 8), "tan").save(stream, "JPEG", exif=exif, **options)
    return stream.getvalue()


@pytest.mark.parametrize(
    ("foreign", "clean"),
    [
        ("Lantern Works\0\0\0", "Lantern Works"),
        ("A\0left over", "A"),
        (b"bytes\xff here", "bytes\ufffd here"),
        ("two\nlines\tand\r\nmore", "two lines and more"),
        ("bell\x07 esc\x1b[31m", "bell esc[31m"),
        ("turned \u202eround\u200b", "turned round"),
        ("e\u0301", "é"),
        ("x" * 5000, "x" * 100),
        ("  ", None),
        ("", None),
        (None, None),
        (17, None),
        ((1, 2), None),
    ],
)
def test_foreign_text_becomes_one_short_printable_line(foreign, clean):
    assert clean_text(foreign) == clean


@given(st.one_of(st.text(), st.binary()))
def test_any_text_is_made_harmless(foreign):
    clean = clean_text(foreign)
    if clean is not None:
        assert 0 < len(clean) <= 100
        assert clean.isprintable()
        assert clean == clean.strip()


@pytest.mark.parametrize(
    ("written", "iso"),
    [
        ("2026:05:03 14:02:11", "2026-05-03T14:02:11"),
        ("2026:05:03 14:02:11\0", "2026-05-03T14:02:11"),
        ("0000:00:00 00:00:00", None),
        ("    :  :     :  :  ", None),
        ("2026:13:41 99:00:00", None),
        ("yesterday", None),
        (None, None),
    ],
)
def test_times_are_iso_or_nothing(written, iso):
    assert clean_time(written) == iso


def test_no_metadata_is_not_recorded_rather_than_no():
    photo = decode_photo(jpeg(b""))
    assert photo.captured_at is None
    assert photo.camera.make is photo.camera.model is photo.camera.lens is None
    assert not photo.had_gps
    assert photo.orientation == 1


def test_an_empty_place_block_is_no_place():
    exif = Image.Exif()
    exif.get_ifd(0x8825)[0] = b"\x02\x03\x00\x00"
    assert not decode_photo(jpeg(exif.tobytes())).had_gps


def test_a_place_in_xmp_counts():
    xmp = b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><a exif:GPSLatitude="47,22.1N"/></x:xmpmeta>'
    assert decode_photo(jpeg(b"", xmp=xmp)).had_gps


@pytest.mark.parametrize(
    "damage", [b"Exif\0\0II*\0\xff\xff\xff\xff", b"Exif\0\0rubbish", b"Exif\0\0MM\0*\0\0\0\x08\xff"]
)
def test_damaged_metadata_do_not_cost_the_photo(damage):
    photo = decode_photo(jpeg(damage))
    assert photo.pixels.shape == (8, 8, 3)
    assert photo.orientation == 1


def png(texts: dict[str, str], **options) -> bytes:
    """A PNG with compressed texts."""
    info, stream = PngInfo(), io.BytesIO()
    for name, text in texts.items():
        info.add_itxt(name, text, zip=True)
    Image.new("RGB", (8, 4), "tan").save(stream, "PNG", pnginfo=info, **options)
    return stream.getvalue()


def test_a_text_of_a_png_cannot_pass_for_what_the_file_says():
    exif = Image.Exif()
    exif[0x0112] = 6
    texts = {"original_orientation": "1", "transparency": "x", "xmp": "GPSLatitude"}
    photo = decode_photo(png(texts, exif=exif.tobytes()))
    assert photo.orientation == 6
    assert photo.pixels.shape == (8, 4, 3)
    assert not photo.had_gps
    assert photo.notes == ()


def test_long_texts_do_not_cost_a_png():
    long = "edited; " * 250_000
    photo = decode_photo(png({"Comment": long, "XML:com.adobe.xmp": f"{long} GPSLatitude"}))
    assert photo.full_size == (8, 4)
    assert photo.had_gps
