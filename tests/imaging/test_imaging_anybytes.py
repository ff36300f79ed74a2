"""Whatever bytes come in, a photo or a PhotoError comes out."""

from __future__ import annotations

import functools
import io

import numpy as np
import pillow_heif
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from loupebook.errors import PhotoError, PhotoUnreadable
from loupebook.imaging import DecodeLimits, decode_photo

pytestmark = pytest.mark.filterwarnings("ignore::UserWarning", "ignore::RuntimeWarning")

LIMITS = DecodeLimits(byte_count=1_000_000, pixels=1_000_000, side=5_000, frames=20)
STARTS = [b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n", b"II*\0", b"MM\0*", b"II+\0\x08\0\0\0",
          b"RIFF\x20\0\0\0WEBPVP8 ", b"\0\0\0\x1cftypheic", b"\0\0\0\x1cftypmif1", b""]  # fmt: skip


@functools.cache
def samples() -> list[bytes]:
    pillow_heif.register_heif_opener()
    noise = np.random.default_rng(7).integers(0, 255, (24, 40, 3), dtype=np.uint8)
    picture = Image.fromarray(noise)
    exif = Image.Exif()
    exif[0x0112], exif[0x010F] = 6, "Lantern Works"
    exif.get_ifd(0x8825)[1] = "N"
    kinds = [
        (picture, "JPEG", {}),
        (picture, "JPEG", {"progressive": True}),
        (picture.convert("CMYK"), "JPEG", {}),
        (picture, "PNG", {}),
        (picture.convert("RGBA"), "PNG", {}),
        (picture.quantize(8), "PNG", {"transparency": 1}),
        (picture.convert("I;16"), "PNG", {}),
        (picture, "TIFF", {}),
        (picture, "TIFF", {"compression": "tiff_lzw"}),
        (picture.convert("1"), "TIFF", {"compression": "group4"}),
        (picture.convert("CMYK"), "TIFF", {}),
        (picture, "TIFF", {"save_all": True, "append_images": [picture]}),
        (picture, "WEBP", {}),
        (picture, "WEBP", {"save_all": True, "append_images": [picture.rotate(180)]}),
        (picture, "HEIF", {}),
    ]
    files = []
    for image, kind, options in kinds:
        stream = io.BytesIO()
        image.save(stream, kind, **options, **({} if kind == "TIFF" else {"exif": exif.tobytes()}))
        files.append(stream.getvalue())
    return files


def photo_or_photo_error(data: bytes) -> bool:
    try:
        photo = decode_photo(data, limits=LIMITS)
    except PhotoError:
        return False
    assert photo.pixels.ndim == 3
    assert photo.pixels.shape[2] == 3
    assert photo.pixels.dtype == np.uint8
    assert photo.pixels.size > 0
    return True


def test_the_samples_themselves_decode():
    assert all(photo_or_photo_error(data) for data in samples())


@given(st.binary(max_size=400), st.sampled_from(STARTS))
def test_any_bytes(data, start):
    photo_or_photo_error(start + data)


@settings(max_examples=400, suppress_health_check=[HealthCheck.too_slow], deadline=None)
@given(st.data())
def test_any_damage_to_a_real_file(data):
    sample = bytearray(data.draw(st.sampled_from(samples())))
    edits = data.draw(
        st.lists(
            st.tuples(st.integers(0, len(sample) - 1), st.binary(min_size=1, max_size=8)),
            max_size=6,
        )
    )
    for position, patch in edits:
        sample[position : position + len(patch)] = patch
    cut = data.draw(st.integers(0, len(sample)))
    whole = data.draw(st.booleans())
    photo_or_photo_error(bytes(sample if whole else sample[:cut]))


@pytest.mark.parametrize("index", range(15))
def test_a_file_whose_rest_is_zeros_is_refused(index):
    """Interrupted copies leave files of full length whose rest was never written."""
    data = samples()[index]
    half = len(data) // 2
    if index in {7, 10, 11}:
        pytest.skip("an uncompressed TIFF of zeros is a valid black picture")
    with pytest.raises(PhotoUnreadable):
        decode_photo(data[:half] + bytes(len(data) - half))
