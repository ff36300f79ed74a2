from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image, ImageCms

from loupebook.imaging import decode_photo, encode_jpeg, thumbnail


@pytest.fixture(scope="module")
def picture() -> np.ndarray:
    rows, columns = np.mgrid[0:120, 0:200]
    return np.stack([columns, rows * 2, 255 - columns], axis=-1).clip(0, 255).astype(np.uint8)


def test_jpeg_comes_back_close_and_says_srgb_and_nothing_else(picture):
    data = encode_jpeg(picture, quality=92)
    with Image.open(io.BytesIO(data)) as opened:
        assert opened.format == "JPEG"
        profile = ImageCms.ImageCmsProfile(io.BytesIO(opened.info["icc_profile"]))
        assert "sRGB" in ImageCms.getProfileDescription(profile)
        assert not opened.getexif()
        assert "comment" not in opened.info
    photo = decode_photo(data)
    assert photo.notes == ()
    assert np.abs(photo.pixels.astype(int) - picture).mean() < 1.5


def test_high_quality_keeps_fine_coloured_lines():
    lines = np.zeros((64, 64, 3), np.uint8)
    lines[:, ::2] = (200, 30, 30)
    lines[:, 1::2] = (30, 30, 200)
    shown = decode_photo(encode_jpeg(lines, quality=95)).pixels
    assert np.abs(shown.astype(int) - lines).mean() < 8


def test_metadata_only_where_given(picture):
    exif = Image.Exif()
    exif[0x010E] = "rendered, invented"
    data = encode_jpeg(picture, exif=exif.tobytes())
    assert Image.open(io.BytesIO(data)).getexif()[0x010E] == "rendered, invented"


def test_thumbnail_is_small_and_never_enlarged(picture):
    assert max(decode_photo(thumbnail(picture, 80)).pixels.shape[:2]) == 80
    assert decode_photo(thumbnail(picture)).pixels.shape == picture.shape
    assert len(thumbnail(picture, 80)) < 6_000


@pytest.mark.parametrize(
    ("shape", "quality"), [((4, 4), 90), ((0, 4, 3), 90), ((4, 4, 4), 90), ((4, 4, 3), 0)]
)
def test_what_is_no_picture_is_refused(shape, quality):
    with pytest.raises(ValueError, match=r"pixels|quality"):
        encode_jpeg(np.zeros(shape, np.uint8), quality=quality)
