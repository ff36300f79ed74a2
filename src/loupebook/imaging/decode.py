"""Photo bytes to pixels, within limits.

Conventions: pixels are uint8 (height, width, 3), sRGB, row-major, upright (Exif
orientation applied). What a file *is* follows from its content, never from its name.
Sizes are checked against what the file claims before any pixel is decoded. A damaged file
is refused as a whole: a half-decoded picture would be compared as if it were real.

Thread safe: no state is shared between calls.
"""

from __future__ import annotations

import io
import os
import stat
import warnings
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO, Final

import numpy as np
import pillow_heif
from numpy.typing import NDArray
from PIL import Image, PngImagePlugin, UnidentifiedImageError
from PIL.TiffImagePlugin import TiffImageFile

from loupebook.errors import PhotoError, PhotoTooLarge, PhotoUnreadable
from loupebook.imaging import jpeg, png, sniff
from loupebook.imaging.colour import LARGEST_PROFILE, Pixels, to_srgb
from loupebook.imaging.geometry import resize_to_fit
from loupebook.imaging.limits import DEFAULT_LIMITS, DecodeLimits
from loupebook.imaging.metadata import PhotoMetadata, read_metadata
from loupebook.imaging.whole import is_decoded_whole, is_whole
from loupebook.records.model import Camera

pillow_heif.register_heif_opener(thumbnails=False, depth_images=False, aux_images=False)

# Pillow takes 1 MB at most, which scanner profiles exceed; all of them together stay bounded
# by its MAX_TEXT_MEMORY.
PngImagePlugin.MAX_TEXT_CHUNK = LARGEST_PROFILE

# Pillow warns of odd metadata and of sizes that our own limits judge. Silenced once and for
# Pillow alone, because switching warnings off around each call is not thread safe.
warnings.filterwarnings("ignore", module=r"PIL\.")

_SUBFILE_TYPE: Final = 254
_REDUCED: Final = 1
_TILE_WIDTH: Final = 322
_TILE_LENGTH: Final = 323
_SUB_FILES: Final = 330
_RAW_VERSION: Final = 50706

_ASK_AGAIN: Final = "Ask for the original file, or photograph the item again."
_EXPORT_RAW: Final = "Develop it and save it as JPEG."


@dataclass(frozen=True, eq=False)
class DecodedPhoto:
    """A decoded photo and what its file says of itself.

    Parameters
    ----------
    pixels : uint8 array (height, width, 3)
        sRGB, upright.
    media_type : str
        IANA media type found by content.
    byte_count : int
        Size of the file.
    full_size : (int, int)
        Width and height in px of the upright photo as stored; `pixels` is smaller only
        where `max_side` was asked for.
    orientation : int
        Exif orientation of the stored pixels, 1 to 8; already applied.
    captured_at : str, optional
        Local time of capture, ISO 8601, as the camera wrote it.
    camera : Camera
        Maker, model, lens.
    had_gps : bool
        Whether the file says where it was taken.
    quantisation : tuple of tuple of int
        The JPEG quantisation tables, 64 numbers each; empty for other formats.
    notes : tuple of str
        What was done to the photo or found amiss, in plain words.
    """

    pixels: Pixels
    media_type: str
    byte_count: int
    full_size: tuple[int, int]
    orientation: int = 1
    captured_at: str | None = None
    camera: Camera = field(default_factory=Camera)
    had_gps: bool = False
    quantisation: tuple[tuple[int, ...], ...] = ()
    notes: tuple[str, ...] = ()


def decode_photo(
    source: bytes | Path,
    *,
    limits: DecodeLimits = DEFAULT_LIMITS,
    max_side: int | None = None,
    name: str | None = None,
) -> DecodedPhoto:
    """Decode a JPEG, PNG, TIFF, WebP or HEIC/HEIF photo.

    Parameters
    ----------
    source : bytes or Path
        The file's content, or where it lies.
    limits : DecodeLimits
        What is refused as too large.
    max_side : int, optional
        Longest side wanted, in px. JPEG photos are then decoded at 1/2, 1/4 or 1/8 of
        their size where that is still large enough, which is several times faster but
        computes each pixel from fewer frequencies: fine for finding, not for measuring
        print detail or judging sharpness.
    name : str, optional
        What to call bytes in messages; a path names itself.

    Returns
    -------
    DecodedPhoto

    Raises
    ------
    PhotoTooLarge
        If a limit would be exceeded.
    PhotoUnreadable
        If the file is missing, may not be read, is no accepted picture or is damaged.
    """
    called = _show(source) if isinstance(source, Path) else (name or "The photo")
    data = read_photo_file(source, limits) if isinstance(source, Path) else bytes(source)
    limits.check_bytes(len(data), called)
    kind = _accepted_kind(data, called)
    try:
        return _decode(data, kind, limits, max_side, called)
    except PhotoError:
        raise
    except (MemoryError, Image.DecompressionBombError, Image.DecompressionBombWarning) as exc:
        raise PhotoTooLarge(f"{called} needs too much memory. Save it smaller.") from exc
    except UnidentifiedImageError as exc:
        raise PhotoUnreadable(
            f"{called} is damaged, or a kind of {kind} that cannot be read. "
            "Ask for the original file, or for one exported as JPEG or PNG."
        ) from exc
    except Exception as exc:  # decoders meet hostile bytes and raise nearly anything
        raise PhotoUnreadable(f"{called} is damaged or cut short. {_ASK_AGAIN}") from exc


def read_photo_file(path: Path, limits: DecodeLimits = DEFAULT_LIMITS) -> bytes:
    """Read a file's bytes, with clear words for everything that can be in the way.

    Raises
    ------
    PhotoTooLarge
        If the file is larger than `limits` allow; it is not read then.
    PhotoUnreadable
        If it is missing, no regular file, or may not be read.
    """
    called = _show(path)
    try:
        with _open_regular(path, called) as stream:
            limits.check_bytes(os.fstat(stream.fileno()).st_size, called)
            return stream.read(limits.byte_count + 1)
    except FileNotFoundError as exc:
        raise PhotoUnreadable(f"{called} does not exist. Check the path.") from exc
    except IsADirectoryError as exc:
        raise PhotoUnreadable(f"{called} is a folder. Name a picture file in it.") from exc
    except PermissionError as exc:
        message = f"{called} may not be read. Change its permissions or copy it elsewhere."
        raise PhotoUnreadable(message) from exc
    except (OSError, ValueError) as exc:  # ValueError: a NUL in the path
        reason = getattr(exc, "strerror", None) or "not a valid path"
        raise PhotoUnreadable(f"{called} cannot be read ({reason}).") from exc


def _open_regular(path: Path, called: str) -> BinaryIO:
    # Not blocking: a named pipe would otherwise wait for ever for a writer.
    descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0))
    mode = os.fstat(descriptor).st_mode
    if stat.S_ISREG(mode):
        return os.fdopen(descriptor, "rb")
    os.close(descriptor)
    if stat.S_ISDIR(mode):
        raise IsADirectoryError
    raise PhotoUnreadable(f"{called} is not a regular file. Name a picture file.")


def _show(path: Path) -> str:
    """Return a path for a message: unprintable characters escaped, so none can fake a line."""
    text = os.fsencode(str(path)).decode("utf-8", "backslashreplace")
    return "".join(c if c.isprintable() else ascii(c)[1:-1] for c in text) or "The photo"


def _accepted_kind(data: bytes, called: str) -> str:
    if not data:
        raise PhotoUnreadable(f"{called} is empty. {_ASK_AGAIN}")
    kind = sniff.pillow_format(data)
    if kind is None:
        raise PhotoUnreadable(
            f"{called} is {sniff.describe_other(data)}. Save it as {sniff.ACCEPTED}."
        )
    return kind


def _decode(
    data: bytes, kind: str, limits: DecodeLimits, max_side: int | None, called: str
) -> DecodedPhoto:
    with Image.open(io.BytesIO(_openable(data, kind, limits, called)), formats=[kind]) as picture:
        width, height = picture.size
        if width < 1 or height < 1:
            raise PhotoUnreadable(f"{called} has no pixels. {_ASK_AGAIN}")
        limits.check_size(width, height, called)
        if isinstance(picture, TiffImageFile):
            _check_tiff(picture, limits, called)
        several = _holds_several(picture, limits, called)
        quantisation = _quantisation(picture)
        # Before loading: Pillow turns TIFFs upright itself and forgets how they lay.
        metadata = read_metadata(picture)
        if max_side is not None and kind == "JPEG":
            _ask_for_draft(picture, max_side)
        if not is_whole(data, kind):
            raise PhotoUnreadable(f"{called} is damaged or cut short. {_ASK_AGAIN}")
        picture.load()
        if not is_decoded_whole(data, picture):
            raise PhotoUnreadable(f"{called} is damaged or cut short. {_ASK_AGAIN}")
        limits.check_size(*picture.size, called)
        if kind == "PNG":
            metadata = read_metadata(picture)  # they may stand behind the pixels
            png.settle_transparency(picture, data)
        pixels, notes = _colours(picture, called)
    turned_by_reader = kind in {"TIFF", "HEIF"}
    if not turned_by_reader:
        pixels = apply_orientation(pixels, metadata.orientation)
        if metadata.orientation >= 5:
            width, height = height, width
    elif kind == "TIFF":
        height, width = pixels.shape[:2]
    if max_side is not None:
        pixels = resize_to_fit(pixels, max_side)
    return DecodedPhoto(
        pixels=pixels,
        media_type=sniff.media_type(data),
        byte_count=len(data),
        full_size=(width, height),
        orientation=metadata.orientation,
        captured_at=metadata.captured_at,
        camera=metadata.camera,
        had_gps=metadata.had_gps,
        quantisation=quantisation,
        notes=_notes(several, kind, metadata) + notes,
    )


def _openable(data: bytes, kind: str, limits: DecodeLimits, called: str) -> bytes:
    """Return what may be handed to Pillow."""
    if kind == "JPEG":
        limits.check_scans(jpeg.count_scans(data), called)
    if kind == "TIFF" and data[8:10] == b"CR":
        raise PhotoUnreadable(f"{called} is {sniff.RAW}. {_EXPORT_RAW}")
    return png.without_texts(data) if kind == "PNG" else data


def _check_tiff(picture: TiffImageFile, limits: DecodeLimits, called: str) -> None:
    tags = picture.tag_v2
    is_preview = tags.get(_SUBFILE_TYPE, 0) & _REDUCED and _SUB_FILES in tags
    if is_preview or _RAW_VERSION in tags:
        raise PhotoUnreadable(f"{called} is {sniff.RAW}. {_EXPORT_RAW}")
    # A tile is decoded whole, however small the picture is that it covers.
    limits.check_size(int(tags.get(_TILE_WIDTH, 1)), int(tags.get(_TILE_LENGTH, 1)), called)


def _colours(picture: Image.Image, called: str) -> tuple[Pixels, tuple[str, ...]]:
    try:
        return to_srgb(picture)
    except PhotoUnreadable as exc:
        raise PhotoUnreadable(f"{called} cannot be shown: {exc}.") from exc


def _holds_several(picture: Image.Image, limits: DecodeLimits, called: str) -> bool:
    if picture.format == "MPO" or not getattr(picture, "is_animated", False):
        return False  # phones add previews and depth maps to a JPEG; they are no pages
    if picture.format == "TIFF":  # pages are a chain, so a count walks all of them
        _walk_pages(picture, limits, called)
    else:
        limits.check_frames(getattr(picture, "n_frames", 1), called)
    return True


def _walk_pages(picture: Image.Image, limits: DecodeLimits, called: str) -> None:
    try:
        picture.seek(limits.frames)
    except EOFError:
        picture.seek(0)
    else:
        limits.check_frames(limits.frames + 1, called)


def _quantisation(picture: Image.Image) -> tuple[tuple[int, ...], ...]:
    tables: dict[int, list[int]] = getattr(picture, "quantization", None) or {}
    return tuple(tuple(tables[key]) for key in sorted(tables))


def _ask_for_draft(picture: Image.Image, max_side: int) -> None:
    longest = max(picture.size)
    if longest > max_side:
        scale = max_side / longest
        width, height = (max(1, round(side * scale)) for side in picture.size)
        picture.draft(None, (width, height))


def _notes(several: bool, kind: str, metadata: PhotoMetadata) -> tuple[str, ...]:
    notes = []
    if several:
        taken = "the one that it names as its main one" if kind == "HEIF" else "the first"
        notes.append(f"The file holds several pictures; {taken} was taken.")
    if metadata.damaged:
        notes.append("The photo's metadata are damaged and were left out.")
    return tuple(notes)


def apply_orientation(pixels: Pixels, orientation: int) -> Pixels:
    """Turn stored pixels upright.

    Parameters
    ----------
    pixels : uint8 array (height, width, 3)
        As stored.
    orientation : int
        Exif orientation 1 to 8. The value says where the visual top left lies: row 0 and
        column 0 of the stored pixels are, in order of the values, the visual (top, left),
        (top, right), (bottom, right), (bottom, left), (left, top), (right, top),
        (right, bottom), (left, bottom). Source: CIPA DC-008 (Exif 3.0), tag Orientation.

    Returns
    -------
    uint8 array
        Contiguous; `pixels` itself for orientation 1.
    """
    turned: NDArray[np.uint8] = pixels
    if orientation in {5, 6, 7, 8}:
        turned = turned.transpose(1, 0, 2)
    if orientation in {2, 3, 6, 7}:
        turned = turned[:, ::-1]
    if orientation in {3, 4, 7, 8}:
        turned = turned[::-1]
    return np.ascontiguousarray(turned)
