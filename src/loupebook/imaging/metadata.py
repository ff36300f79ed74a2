"""What a photo's own metadata says: orientation, time, camera, whether a place is stored.

Metadata come from outside and are only ever shown or stored as text, so every string is
cleaned here, once. Tag numbers are those of Exif 3.0 (CIPA DC-008).
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final

from PIL import Image

from loupebook.records.model import Camera

_ORIENTATION: Final = 0x0112
_MAKE: Final = 0x010F
_MODEL: Final = 0x0110
_EXIF_IFD: Final = 0x8769
_GPS_IFD: Final = 0x8825
_DATE_TIME_ORIGINAL: Final = 0x9003
_COLOUR_SPACE: Final = 0xA001
_UNCALIBRATED: Final = 0xFFFF
_LENS_MODEL: Final = 0xA434
_INTEROPERABILITY_IFD: Final = 0xA005
_INTEROPERABILITY_INDEX: Final = 1
_WIDE_COLOURS: Final = "R03"

_LONGEST_TEXT: Final = 100
_GPS_VERSION_ONLY: Final = frozenset({0})


@dataclass(frozen=True)
class PhotoMetadata:
    """The few facts that we read from a photo's metadata.

    Parameters
    ----------
    orientation : int
        Exif orientation, 1 to 8; 1 where none or an impossible one is stored.
    captured_at : str, optional
        Local time of capture as ``YYYY-MM-DDTHH:MM:SS``, as the camera wrote it.
    camera : Camera
        Maker, model and lens.
    had_gps : bool
        Whether the metadata say where the photo was taken.
    dcf_option_file : bool
        Whether the camera says that the colours are those of a DCF option file.
    damaged : bool
        Whether metadata were present but could not be read.
    """

    orientation: int = 1
    captured_at: str | None = None
    camera: Camera = field(default_factory=Camera)
    had_gps: bool = False
    dcf_option_file: bool = False
    damaged: bool = False


def read_metadata(picture: Image.Image) -> PhotoMetadata:
    """Read the metadata of an opened Pillow picture; damage is reported, never raised."""
    try:
        exif = picture.getexif()
        return PhotoMetadata(
            orientation=_orientation(picture, exif),
            captured_at=clean_time(exif.get_ifd(_EXIF_IFD).get(_DATE_TIME_ORIGINAL)),
            camera=Camera(
                make=clean_text(exif.get(_MAKE)),
                model=clean_text(exif.get(_MODEL)),
                lens=clean_text(exif.get_ifd(_EXIF_IFD).get(_LENS_MODEL)),
            ),
            had_gps=_has_place(picture, exif),
            dcf_option_file=_is_dcf_option_file(exif),
        )
    except Exception:  # Pillow's Exif reader raises whatever the damage trips over
        return PhotoMetadata(damaged=True)


def _orientation(picture: Image.Image, exif: Image.Exif) -> int:
    # The HEIF reader turns the picture itself and keeps the stored value aside.
    value = picture.info.get("original_orientation") or exif.get(_ORIENTATION, 1)
    return value if isinstance(value, int) and 1 <= value <= 8 else 1


def _has_place(picture: Image.Image, exif: Image.Exif) -> bool:
    if set(exif.get_ifd(_GPS_IFD)) - _GPS_VERSION_ONLY:
        return True
    xmp = picture.info.get("xmp") or picture.info.get("XML:com.adobe.xmp") or b""
    return (b"GPSL" if isinstance(xmp, bytes) else "GPSL") in xmp


def _is_dcf_option_file(exif: Image.Exif) -> bool:
    # CIPA DC-009 (DCF 2.0): Exif leaves the colour space open, the interoperability index
    # names it.
    if exif.get_ifd(_EXIF_IFD).get(_COLOUR_SPACE) != _UNCALIBRATED:
        return False
    index = exif.get_ifd(_INTEROPERABILITY_IFD).get(_INTEROPERABILITY_INDEX)
    return clean_text(index) == _WIDE_COLOURS


def clean_text(value: object) -> str | None:
    """Return foreign text as one short printable line, or None if nothing is left.

    NULs, control and invisible direction characters go, white space is folded, and at
    most 100 characters are kept.
    """
    if isinstance(value, bytes):
        value = value.decode("utf-8", "replace")
    if not isinstance(value, str):
        return None
    # Fixed-width fields are padded or ended with NUL; what lies behind it is left-overs.
    value = value.split("\x00", 1)[0][: 10 * _LONGEST_TEXT]
    spaced = re.sub(r"\s+", " ", unicodedata.normalize("NFC", value))
    printable = "".join(c for c in spaced if unicodedata.category(c)[0] != "C")
    return printable.strip()[:_LONGEST_TEXT].strip() or None


def clean_time(value: object) -> str | None:
    """Return an Exif time (``2026:05:03 14:02:11``) in ISO 8601 form, or None."""
    text = clean_text(value)
    if text is None:
        return None
    try:
        moment = datetime.strptime(text[:19], "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return None
    return moment.isoformat()
