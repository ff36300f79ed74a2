"""Photos without their metadata, for whatever leaves the library.

Place, time, names, serial numbers of cameras, previews and comments go; pixels stay bit
for bit where the format allows it. Kept: the colour profile, and the orientation, without
which the photo would lie on its side. What is kept is listed, so that parts of a file that
nobody here has heard of go too.
"""

from __future__ import annotations

import io
import struct
import zlib
from dataclasses import dataclass
from typing import Final

from PIL import Image

from loupebook.imaging import jpeg
from loupebook.imaging.colour import LARGEST_PROFILE
from loupebook.imaging.decode import decode_photo
from loupebook.imaging.encode import encode_jpeg
from loupebook.imaging.limits import DEFAULT_LIMITS, DecodeLimits
from loupebook.imaging.metadata import PhotoMetadata, read_metadata
from loupebook.imaging.png import PALETTE, png_chunk, png_chunks, read_header
from loupebook.imaging.webp import FRAME, FRAME_HEAD, webp_chunks

_ORIENTATION: Final = 0x0112
_ICC_HEADER: Final = b"ICC_PROFILE\0"
_ICC_PIECES: Final = 13
"""Where a profile's segment says in how many pieces the profile comes (ICC.1:2022, annex B)."""
_JFIF: Final = b"JFIF\0"
_JFIF_BYTES: Final = 16
"""Of a JFIF segment without a thumbnail, marker apart (ITU-T T.871, section 10.1)."""
_ADOBE: Final = b"Adobe"
_ADOBE_BYTES: Final = 14
_PNG_KEPT: Final = frozenset(
    {b"IHDR", b"PLTE", b"tRNS", b"IDAT", b"IEND", b"iCCP", b"sRGB", b"gAMA", b"cHRM", b"cICP"}
)
_WEBP_KEPT: Final = frozenset({b"VP8X", b"VP8 ", b"VP8L", b"ALPH", b"ICCP", b"ANIM", FRAME})
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
        anew (TIFF and HEIC become JPEG, and photos whose colours only their Exif names).
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
        except (ValueError, struct.error, zlib.error):  # odd, yet decodable: encode it anew
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
    if _names_its_colours_in_exif(data):
        raise ValueError("without its Exif data the colours would be taken for others")
    parts: list[bytes] = []
    for segment in jpeg.segments(data):
        parts.append(_kept_of_jpeg(segment.marker, data[segment.start : segment.stop]))
        if segment.marker == jpeg.START and orientation != 1:
            exif = _orientation_exif(orientation)
            parts.append(b"\xff\xe1" + struct.pack(">H", len(exif) + 2) + exif)
    return b"".join(parts)  # what follows the end marker (previews, depth maps) is left out


def _names_its_colours_in_exif(data: bytes) -> bool:
    with Image.open(io.BytesIO(data), formats=["JPEG"]) as picture:
        return read_metadata(picture).dcf_option_file and "icc_profile" not in picture.info


def _kept_of_jpeg(marker: int, piece: bytes) -> bytes:
    body = piece[4:]
    if marker in jpeg.PICTURE:
        return piece
    if marker == jpeg.APP2 and body.startswith(_ICC_HEADER):
        return _cut_short(piece, _icc_bytes(body))
    # How the colours are stored; what may follow (a thumbnail) is cut off.
    if marker == jpeg.APP0 and body.startswith(_JFIF):
        return _cut_short(piece, _JFIF_BYTES)[:-2] + b"\0\0"  # a thumbnail of no px
    if marker == jpeg.APP14 and body.startswith(_ADOBE):
        return _cut_short(piece, _ADOBE_BYTES)
    return b""


def _icc_bytes(body: bytes) -> int:
    """Return the length of a profile's segment without what lies behind the profile."""
    if not body.startswith(
        b"\1", _ICC_PIECES
    ):  # the rest of a profile in several pieces is not looked for
        return 2 + len(body)
    return 2 + _ICC_PIECES + 1 + len(_as_long_as_it_says(body[_ICC_PIECES + 1 :]))


def _as_long_as_it_says(profile: bytes) -> bytes:
    return profile[: int.from_bytes(profile[:4], "big")]  # ICC.1:2022, section 7.2.2


def _cut_short(piece: bytes, length: int) -> bytes:
    """Return a segment's first `length` bytes after the marker.

    Raises
    ------
    ValueError
        If it has fewer.
    """
    if len(piece) < 2 + length:
        raise ValueError("a segment is cut short")
    return piece[:2] + struct.pack(">H", length) + piece[4 : 2 + length]


def _strip_png(data: bytes, orientation: int) -> bytes:
    parts = [data[:8]]
    for chunk in png_chunks(data):
        if chunk.kind in _PNG_KEPT:
            parts.append(_kept_of_png(chunk.kind, data[chunk.start : chunk.stop], data))
        if chunk.kind == b"IHDR" and orientation != 1:
            exif = _orientation_exif(orientation).removeprefix(b"Exif\0\0")
            parts.append(png_chunk(b"eXIf", exif))
    return b"".join(parts)


def _kept_of_png(kind: bytes, piece: bytes, data: bytes) -> bytes:
    if kind == b"IEND":
        return png_chunk(kind, b"")
    if kind == b"PLTE" and read_header(data).colour_type != PALETTE:
        return b""  # colours that the picture does not use, only suggests
    if kind == b"iCCP":  # a name that anybody chose, how it is compressed, the profile
        compressed = piece[8:-4].partition(b"\0")[2][1:]
        profile = zlib.decompressobj().decompress(compressed, LARGEST_PROFILE)
        return png_chunk(kind, b"ICC\0\0" + zlib.compress(_as_long_as_it_says(profile)))
    return piece


def _strip_webp(data: bytes, orientation: int) -> bytes:
    parts: list[bytes] = []
    end = 8 + int.from_bytes(data[4:8], "little")
    for kind, body in webp_chunks(data[12:end]):
        if kind == b"VP8X":
            flags = body[0] & ~(_WEBP_EXIF_FLAG | _WEBP_XMP_FLAG)
            flags |= _WEBP_EXIF_FLAG if orientation != 1 else 0
            body = bytes([flags]) + body[1:]
        if kind == FRAME:
            within = [
                _webp_chunk(*chunk)
                for chunk in webp_chunks(body[FRAME_HEAD:])
                if chunk[0] in _WEBP_KEPT
            ]
            body = body[:FRAME_HEAD] + b"".join(within)
        if kind == b"ICCP":
            body = _as_long_as_it_says(body)
        if kind in _WEBP_KEPT:
            parts.append(_webp_chunk(kind, body))
    if orientation != 1:
        exif = _orientation_exif(orientation).removeprefix(b"Exif\0\0")
        parts.append(_webp_chunk(b"EXIF", exif))
    return _webp_chunk(b"RIFF", b"WEBP" + b"".join(parts))


def _webp_chunk(kind: bytes, body: bytes) -> bytes:
    return kind + struct.pack("<I", len(body)) + body + bytes(len(body) % 2)
