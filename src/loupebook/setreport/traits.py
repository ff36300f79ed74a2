"""What a photo's pixels show beside the item: hash, edges of the frame, sharpness, light.

Read once a photo and kept by the SHA-256 of its bytes, so that a report that was stopped
goes on where it was.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import astuple, dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy.fft import dct

from loupebook.errors import LoupebookError
from loupebook.search import Progress, ReadPhoto
from loupebook.search.arm import Pixels
from loupebook.search.figure_cache import FigureCache

VERSION = 2
SIDE = 512
"""Longest side, px, at which sharpness and frame are measured."""
_SAVE_EVERY = 64
_COLUMNS = (
    "pixel_sha256 TEXT, perceptual_hash TEXT, frame_l REAL, frame_a REAL, frame_b REAL, "
    "frame_texture REAL, sharpness REAL, brightness REAL"
)


@dataclass(frozen=True)
class PhotoTraits:
    """What a photo's pixels show beside the item.

    Parameters
    ----------
    pixel_sha256 : str
        Hash of the decoded pixels: equal for photos that differ in metadata only.
    perceptual_hash : str
        64 bits, hexadecimal; see :func:`perceptual_hash`.
    frame_l, frame_a, frame_b : float
        CIE L*a*b* of the outer tenth of the frame (median), as OpenCV scales it for floats.
    frame_texture : float
        Spread (median absolute deviation) of L* there.
    sharpness : float
        Logarithm of the variance of the Laplacian there: of the surroundings, because a
        print may itself be blurred.
    brightness : float
        Mean grey value, 0..255.
    """

    pixel_sha256: str
    perceptual_hash: str
    frame_l: float
    frame_a: float
    frame_b: float
    frame_texture: float
    sharpness: float
    brightness: float


def measure_traits(pixels: Pixels) -> PhotoTraits:
    """Measure one photo, uint8 sRGB (height, width, 3)."""
    scale = SIDE / max(pixels.shape[:2])
    small = pixels
    if scale < 1:
        size = (max(8, round(pixels.shape[1] * scale)), max(8, round(pixels.shape[0] * scale)))
        small = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)
    grey = cv2.cvtColor(small, cv2.COLOR_RGB2GRAY).astype(np.float32)
    edges = cv2.Laplacian(grey, cv2.CV_32F)
    lab = cv2.cvtColor(small.astype(np.float32) / 255.0, cv2.COLOR_RGB2LAB)
    frame = _outer_tenth(grey.shape)
    middle = np.median(lab[frame], axis=0)
    return PhotoTraits(
        pixel_sha256=hashlib.sha256(
            repr(pixels.shape).encode() + np.ascontiguousarray(pixels).tobytes()
        ).hexdigest(),
        perceptual_hash=f"{perceptual_hash(pixels):016x}",
        frame_l=float(middle[0]),
        frame_a=float(middle[1]),
        frame_b=float(middle[2]),
        frame_texture=float(np.median(np.abs(lab[frame][:, 0] - middle[0]))),
        sharpness=float(np.log(float(edges[frame].var()) + 1e-3)),
        brightness=float(grey.mean()),
    )


def _outer_tenth(shape: tuple[int, ...]) -> NDArray[np.bool_]:
    """Return where the outer tenth of a picture lies; never nothing, however small it is."""
    height, width = shape
    deep, broad = max(1, height // 10), max(1, width // 10)
    frame = np.ones((height, width), dtype=bool)
    frame[deep : height - deep, broad : width - broad] = False
    return frame


def perceptual_hash(pixels: Pixels) -> int:
    """Return 64 bits that change little when a photo is re-saved, scaled or brightened.

    The signs of the lowest 8 x 8 cosine frequencies of a 32 x 32 thumbnail, each against
    their median: the "pHash" that the library imagehash computes too.
    """
    small = Image.fromarray(pixels).convert("L").resize((32, 32), Image.Resampling.LANCZOS)
    waves = dct(dct(np.asarray(small, dtype=np.float64), axis=0), axis=1)[:8, :8]
    bits = (waves > np.median(waves)).ravel()
    return int("".join("1" if bit else "0" for bit in bits), 2)


def read_traits(
    path: Path, photos: Mapping[int, str], read: ReadPhoto, progress: Progress
) -> dict[int, PhotoTraits]:
    """Return the traits of photos, measuring those that are not kept yet.

    Parameters
    ----------
    path : Path
        SQLite file that keeps them; see :class:`.FigureCache`.
    photos : mapping
        Row id to SHA-256 of the bytes.
    read : callable
        Row id to pixels. Photos that cannot be read are left out.
    progress : callable
        Called with (what, done, total).
    """
    cache = FigureCache(
        path, f"CREATE TABLE IF NOT EXISTS traits_{VERSION} (sha256 TEXT PRIMARY KEY, {_COLUMNS})"
    )
    kept = {row[0]: PhotoTraits(*row[1:]) for row in cache.read(f"SELECT * FROM traits_{VERSION}")}
    missing = {photo: sha for photo, sha in photos.items() if sha not in kept}
    for done, part in _in_parts(list(missing)):
        measured = {missing[photo]: one for photo in part if (one := _measured(read, photo))}
        kept |= measured
        cache.write(
            f"INSERT OR REPLACE INTO traits_{VERSION} VALUES (?,?,?,?,?,?,?,?,?)",
            [(sha, *astuple(one)) for sha, one in measured.items()],
        )
        progress("Looking at photos", done, len(missing))
    return {photo: kept[sha] for photo, sha in photos.items() if sha in kept}


def _in_parts(photos: list[int]) -> Iterator[tuple[int, list[int]]]:
    """Yield what is measured before it is kept, each with how many are done after it."""
    for start in range(0, len(photos), _SAVE_EVERY):
        part = photos[start : start + _SAVE_EVERY]
        yield start + len(part), part


def _measured(read: ReadPhoto, photo: int) -> PhotoTraits | None:
    try:
        return measure_traits(read(photo))
    except LoupebookError:
        return None
