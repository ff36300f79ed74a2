"""Photos without their metadata, for whatever leaves the library.

Place, time, names, serial numbers of cameras, previews and comments go; pixels stay bit
for bit where the format allows it. Kept: the colour profile, and the orientation, without
which the photo would lie on its side.
"""

from __future__ import annotations

import io
import struct
import zlib
from dataclasses import dataclass
from typing import Final

from PIL import Image

from loupebook.imaging import jpeg
from loupebook.imaging.decode import decode_photo
from loupebook.imaging.encode import encode_jpeg
from loupebook.imaging.limits import DEFAULT_LIMITS, DecodeLimits
from loupebook.imaging.metadata import PhotoMetadata, read_metadata
from loupebook.imaging.whole import png_chunks

_ORIENTATION: Final = 0x0112
_ICC_HEADER: Final = b"ICC_PROFILE\0"
_PNG_DROPPED: Final = frozenset({b"eXIf", b"tEXt", b"zTXt", b"iTXt", b"tIME"})
_WEBP_DROPPED: Final = frozenset({b"EXIF", b"XMP "})
_WEBP_EXIF_FLAG: Final = 0x08
_WEBP_XMP_FLAG: Final = 0x04


@dataclass(frozen=True)
class StrippedPhoto:
    """A photo without metadata.

    Parameters
    ----------
    data : bytes
        The new file.
    media_type : str
        Its IANA media type.
    pixels_kept : bool
        True where the stored pixels are untouched; False where the photo had to be encoded
        anew (TIFF and HEIC become JPEG).
    """

    data: bytes
    media_type: str
    pixels_kept: bool


def strip_metadata(data: bytes, *, limits: DecodeLimits = DEFAULT_LIMITS) -> StrippedPhoto:
    """Remove everything from a photo but pixels, colour profile and orientation.

    Parameters
    ----------
    data : bytes
        A photo that :func:`loupebook.imaging.decode_photo` accepts.
    limits : DecodeLimits
        What is refused as too large.

    Returns
    -------
    StrippedPhoto

    Raises
    ------
    PhotoError
        If the photo cannot be decoded.
    """
    photo = decode_photo(data, limits=limits)
    stripper = {
        "image/jpeg": _strip_jpeg,
        "image/png": _strip_png,
        "image/webp": _strip_webp,
    }.get(photo.media_type)
    if stripper is not None:
        try:
            bare = stripper(data, photo.orientation)
        except (ValueError, struct.error):  # odd, yet decodable: encode it anew
            bare = b""
        if bare and _is_bare(bare):
            return StrippedPhoto(bare, photo.media_type, pixels_kept=True)
    return StrippedPhoto(encode_jpeg(photo.pixels, quality=95), "image/jpeg", pixels_kept=False)


def _is_bare(data: bytes) -> bool:
    """Trust, then check: read the result back as anybody else would."""
    with Image.open(io.BytesIO(data), formats=["JPEG", "PNG", "WEBP"]) as picture:
        found = read_metadata(picture)
        return found == PhotoMetadata(orientation=found.orientation) and "xmp" not in picture.info


def _orientation_exif(orientation: int) -> bytes:
    exif = Image.Exif()
    exif[_ORIENTATION] = orientation
    return exif.tobytes()


def _strip_jpeg(data: bytes, orientation: int) -> bytes:
    parts: list[bytes] = []
    for segment in jpeg.segments(data):
        piece = data[segment.start : segment.stop]
        if _jpeg_keeps(segment.marker, piece):
            parts.append(piece)
        if segment.marker == jpeg.START and orientation != 1:
            exif = _orientation_exif(orientation)
            parts.append(b"\xff\xe1" + struct.pack(">H", len(exif) + 2) + exif)
    return b"".join(parts)  # what follows the end marker (previews, depth maps) is left out


def _jpeg_keeps(marker: int, piece: bytes) -> bool:
    if marker == jpeg.APP2:
        return piece[4:].startswith(_ICC_HEADER)
    if marker in {jpeg.APP0, jpeg.APP14}:  # how the colours are stored
        return True
    return marker != jpeg.COMMENT and not jpeg.APP0 < marker <= jpeg.APP15


def _strip_png(data: bytes, orientation: int) -> bytes:
    parts = [data[:8]]
    for chunk in png_chunks(data):
        if chunk.kind not in _PNG_DROPPED:
            parts.append(data[chunk.start : chunk.stop])
        if chunk.kind == b"IHDR" and orientation != 1:
            parts.append(_png_exif(orientation))
    return b"".join(parts)


def _png_exif(orientation: int) -> bytes:
    body = b"eXIf" + _orientation_exif(orientation).removeprefix(b"Exif\0\0")
    return struct.pack(">I", len(body) - 4) + body + struct.pack(">I", zlib.crc32(body))


def _strip_webp(data: bytes, orientation: int) -> bytes:
    parts: list[bytes] = []
    position, end = 12, min(len(data), 8 + int.from_bytes(data[4:8], "little"))
    while position + 8 <= end:
        kind = data[position : position + 4]
        length = int.from_bytes(data[position + 4 : position + 8], "little")
        stop = position + 8 + length + length % 2
        piece = data[position:stop]
        if kind == b"VP8X":
            flags = piece[8] & ~(_WEBP_EXIF_FLAG | _WEBP_XMP_FLAG)
            flags |= _WEBP_EXIF_FLAG if orientation != 1 else 0
            piece = piece[:8] + bytes([flags]) + piece[9:]
        if kind not in _WEBP_DROPPED:
            parts.append(piece)
        position = stop
    if orientation != 1:
        exif = _orientation_exif(orientation).removeprefix(b"Exif\0\0")
        parts.append(b"EXIF" + struct.pack("<I", len(exif)) + exif + bytes(len(exif) % 2))
    body = b"WEBP" + b"".join(parts)
    return b"RIFF" + struct.pack("<I", len(body)) + body
