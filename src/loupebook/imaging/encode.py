"""Pixels to JPEG. What we write says that it is sRGB and nothing else."""

from __future__ import annotations

import functools
import io
from typing import Final

from PIL import Image, ImageCms

from loupebook.imaging.colour import Pixels
from loupebook.imaging.geometry import resize_to_fit

_LONGEST_JPEG_SIDE: Final = 65_500


def encode_jpeg(pixels: Pixels, *, quality: int = 90, exif: bytes | None = None) -> bytes:
    """Encode as JPEG with an sRGB profile.

    Parameters
    ----------
    pixels : uint8 array (height, width, 3)
        sRGB.
    quality : int
        1 to 95 on the scale of the Independent JPEG Group. From 90 upwards colour is kept
        at full resolution (4:4:4), so that fine coloured line work survives.
    exif : bytes, optional
        Exif block to write; by default no metadata is written.

    Raises
    ------
    ValueError
        If the array is no picture or the quality is outside its range.
    """
    if pixels.ndim != 3 or pixels.shape[2] != 3 or pixels.size == 0:
        raise ValueError("pixels must have the shape (height, width, 3), none of them zero")
    if max(pixels.shape[:2]) > _LONGEST_JPEG_SIDE:
        raise ValueError(f"a JPEG side may be at most {_LONGEST_JPEG_SIDE} px")
    if not 1 <= quality <= 95:
        raise ValueError("quality must be from 1 to 95")
    stream = io.BytesIO()
    Image.fromarray(pixels).save(
        stream,
        "JPEG",
        quality=quality,
        subsampling=0 if quality >= 90 else 2,
        optimize=False,
        icc_profile=srgb_profile(),
        exif=exif or b"",
    )
    return stream.getvalue()


def thumbnail(pixels: Pixels, longest: int = 320) -> bytes:
    """Encode a small JPEG whose longer side is at most `longest` px."""
    return encode_jpeg(resize_to_fit(pixels, longest), quality=82)


@functools.cache
def srgb_profile() -> bytes:
    """Return a small sRGB ICC profile."""
    return ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
