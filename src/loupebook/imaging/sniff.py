"""What a file is, from its first bytes. Names and extensions are never trusted."""

from __future__ import annotations

from typing import Final

#: Our allow-list: the key is the only Pillow format that may open such a file.
ACCEPTED: Final = "JPEG, PNG, TIFF, WebP or HEIC"

_HEIC_BRANDS: Final = frozenset({b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx"})
_HEIF_BRANDS: Final = frozenset({b"mif1", b"msf1", b"hevm", b"hevs"})

_TIFF_STARTS: Final = (b"II*\x00", b"MM\x00*", b"II+\x00", b"MM\x00+")

RAW: Final = "a raw camera file"
"""Raw files look like TIFF and open with a small preview that would pass for the photo."""

#: Files that people hand in by mistake, so that the message can name what they are.
_OTHERS: Final = (
    (b"GIF8", "a GIF picture"),
    (b"%PDF", "a PDF document"),
    (b"BM", "a BMP picture"),
    (b"PK\x03\x04", "a ZIP archive or office document"),
    (b"8BPS", "a Photoshop document"),
    (b"\xff\x0a", "a JPEG XL picture"),
    (b"\x00\x00\x00\x0cJXL ", "a JPEG XL picture"),
    (b"\x00\x00\x00\x0cjP  ", "a JPEG 2000 picture"),
    (b"IIRO", RAW),
    (b"IIRS", RAW),
    (b"IIU\x00", RAW),
)


def pillow_format(data: bytes) -> str | None:
    """Return the Pillow format name that may open `data`, or None for anything else.

    Parameters
    ----------
    data : bytes
        The file, or at least its first 16 bytes.
    """
    if data.startswith(b"\xff\xd8\xff"):
        return "JPEG"
    if data.startswith(b"\x89PNG\r\n\x1a\n"):
        return "PNG"
    if data.startswith(_TIFF_STARTS):
        return "TIFF"
    if data.startswith(b"RIFF") and data[8:12] == b"WEBP":
        return "WEBP"
    if data[4:8] == b"ftyp" and data[8:12] in _HEIC_BRANDS | _HEIF_BRANDS:
        return "HEIF"
    return None


def media_type(data: bytes) -> str:
    """Return the IANA media type of a file that :func:`pillow_format` accepts."""
    name = pillow_format(data)
    if name == "HEIF":
        return "image/heic" if data[8:12] in _HEIC_BRANDS else "image/heif"
    if name is None:
        raise ValueError("not an accepted picture format")
    return f"image/{name.lower()}"


def describe_other(data: bytes) -> str:
    """Say in plain words what an unaccepted file seems to be."""
    for start, words in _OTHERS:
        if data.startswith(start):
            return words
    if data[4:8] == b"ftyp":
        kind = data[8:12].decode("ascii", "replace").strip()
        if kind == "crx":
            return RAW
        return "an AVIF picture" if kind in {"avif", "avis"} else "a video or other media file"
    return "a text file" if _looks_like_text(data[:512]) else "not a picture that can be read"


def _looks_like_text(start: bytes) -> bool:
    try:
        text = start.decode("utf-8")
    except UnicodeDecodeError as fault:
        if fault.start < len(start) - 4:
            return False
        text = start[: fault.start].decode("utf-8")
    return bool(text) and all(letter.isprintable() or letter.isspace() for letter in text)
