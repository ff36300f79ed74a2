"""Pixels in: decoding within limits, colour, photo checks, crop and rectify."""

from loupebook.imaging.checks import (
    CODE_WORDS,
    NO_PRINT,
    Finding,
    PhotoCheck,
    Severity,
    check_photo,
)
from loupebook.imaging.colour import Pixels
from loupebook.imaging.decode import DecodedPhoto, decode_photo, read_photo_file
from loupebook.imaging.encode import encode_jpeg, thumbnail
from loupebook.imaging.geometry import (
    Box,
    check_corners,
    crop_box,
    letterbox,
    rectify,
    resize,
    resize_to_fit,
    rotate_by,
    rotate_quarter,
)
from loupebook.imaging.limits import DecodeLimits
from loupebook.imaging.strip import StrippedPhoto, strip_metadata

__all__ = [
    "CODE_WORDS",
    "NO_PRINT",
    "Box",
    "DecodeLimits",
    "DecodedPhoto",
    "Finding",
    "PhotoCheck",
    "Pixels",
    "Severity",
    "StrippedPhoto",
    "check_corners",
    "check_photo",
    "crop_box",
    "decode_photo",
    "encode_jpeg",
    "letterbox",
    "read_photo_file",
    "rectify",
    "resize",
    "resize_to_fit",
    "rotate_by",
    "rotate_quarter",
    "strip_metadata",
    "thumbnail",
]
