"""Registry pictures photographed anew: pose, curve, light, clutter and phone, all from a seed.

A stand-in for phone photos where no real ones may ship; every picture is computed, and tables
say so.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from loupebook.bench.cases import FILLS, BenchCase, BenchQuery, BenchReference, share_words
from loupebook.errors import BenchInvalid, PhotoError
from loupebook.imaging import decode_photo, encode_jpeg, resize_to_fit

LEAST_SIDE = 200
LONGEST_REFERENCE = 800
ENDINGS = {".jpg", ".jpeg", ".png", ".webp", ".tif", ".tiff"}

Floats = NDArray[Any]
Pixels = NDArray[np.uint8]


@dataclass(frozen=True)
class Capture:
    """One computed photo, where the item lies in it (polygon, px) and what share it fills."""

    pixels: Pixels
    outline: Floats
    fill: float


def picture_case(
    name: str, folder: Path, *, queries: int, seed: int = 1, most: int = 400
) -> BenchCase:
    """Make every other picture of a folder a reference, the rest clutter, and photograph them.

    Parameters
    ----------
    name : str
        Name of the case; where it is empty, as of the folder ``.``, that of the folder.
    folder : Path
        Searched for pictures of at least :data:`LEAST_SIDE` px a side once they are brought to
        :data:`LONGEST_REFERENCE`, its folders too.
    queries : int
        Photos a share of the frame; see :data:`FILLS`.
    seed : int
        Decides everything.
    most : int
        References at most.

    Raises
    ------
    BenchInvalid
        If the folder holds fewer than four such pictures.
    """
    pictures, left_out = usable_pictures(folder, 2 * most)
    if len(pictures) < 4:
        why = f" Left out: {' '.join(left_out[:3])}" if left_out else ""
        raise BenchInvalid(
            f"{folder} holds fewer than four pictures of {LEAST_SIDE} px or more.{why}"
        )
    kept, backdrop = pictures[::2], [pixels for _, pixels in pictures[1::2]]
    references = [BenchReference(constant(pixels), said, said) for said, pixels in kept]
    asked = []
    for band, (low, high) in enumerate(FILLS.values()):
        for number in range(queries):
            rng = np.random.default_rng([seed, band, number])
            said, pixels = kept[int(rng.integers(len(kept)))]
            bend = float(rng.uniform(1.0, 2.4)) if rng.random() < 0.4 else 0.0
            shot = shoot(rng, pixels, rng.uniform(low, high), backdrop, bend=bend)
            asked.append(
                BenchQuery(
                    constant(shot.pixels),
                    said,
                    said,
                    outline=shot.outline,
                    # What was drawn, not what was asked for: tilt makes an item smaller.
                    strata={"fills": share_words(shot.fill), "shape": "curved" if bend else "flat"},
                )
            )
    kind = "registry pictures, photographed by computation"
    return BenchCase(name or folder.resolve().name, kind, references, asked, left_out)


def constant(pixels: Pixels) -> Callable[[], Pixels]:
    """Return what hands out a picture held in memory."""
    return lambda: pixels


def usable_pictures(folder: Path, most: int) -> tuple[list[tuple[str, Pixels]], list[str]]:
    """Read pictures large enough, in the order of their paths; say which are left out, and why."""
    found: list[tuple[str, Pixels]] = []
    left_out: list[str] = []
    for path in sorted(folder.rglob("*")):
        if path.suffix.lower() not in ENDINGS or len(found) == most:
            continue
        try:
            pixels = resize_to_fit(decode_photo(path).pixels, LONGEST_REFERENCE)
        except PhotoError as error:
            left_out.append(str(error))
            continue
        if min(pixels.shape[:2]) < LEAST_SIDE:
            left_out.append(
                f"{path} is smaller than {LEAST_SIDE} px, at {LONGEST_REFERENCE} px at most a side."
            )
            continue
        found.append((str(path.relative_to(folder)), pixels))
    return found, left_out


def clutter(rng: np.random.Generator, size: int, backdrop: Sequence[Pixels]) -> Pixels:
    """Lay random pieces of pictures over each other."""
    out = np.empty((size, size, 3), np.uint8)
    out[:] = rng.integers(40, 220, 3)
    for _ in range(int(rng.integers(3, 9))):
        source = backdrop[int(rng.integers(len(backdrop)))]
        angle, scale = rng.uniform(0, 360), rng.uniform(0.3, 1.2)
        m = cv2.getRotationMatrix2D((source.shape[1] / 2, source.shape[0] / 2), angle, scale)
        m[:, 2] += rng.uniform(0, size, 2) - np.array(source.shape[1::-1]) / 2
        mask = cv2.warpAffine(np.full(source.shape[:2], 255, np.uint8), m, (size, size))
        laid = cv2.warpAffine(source, m, (size, size), flags=cv2.INTER_AREA)
        out[mask > 127] = laid[mask > 127]
    return out


def unbend(points: Floats, bend: float, bow: float) -> Floats:
    """Frontal cylinder view (x, y in -1..1) to label coordinates (-1..1)."""
    if bend == 0:
        return points
    half = bend / 2
    angle = np.arcsin(np.clip(points[..., 0] * np.sin(half), -1, 1))
    angle = np.where(np.abs(points[..., 0]) > 1, 9.0, angle)
    drop = bow * (np.cos(angle) - np.cos(half))
    return np.stack([angle / half, points[..., 1] - drop], axis=-1)


def rebend(points: Floats, bend: float, bow: float) -> Floats:
    """Undo :func:`unbend`."""
    if bend == 0:
        return points
    half = bend / 2
    angle = points[..., 0] * half
    drop = bow * (np.cos(angle) - np.cos(half))
    return np.stack([np.sin(angle) / np.sin(half), points[..., 1] + drop], axis=-1)


def pose(rng: np.random.Generator, aspect: float, area: float, size: int) -> Floats:
    """Homography from the unit frontal view (-1..1) to the photo: rotation, tilt, place."""
    half_w, half_h = np.sqrt(area * aspect) / 2, np.sqrt(area / aspect) / 2
    corners = np.array([[-half_w, -half_h], [half_w, -half_h], [half_w, half_h], [-half_w, half_h]])
    tilt, yaw = rng.uniform(-0.6, 0.6, 2)
    depth = 1 + 0.5 * (corners[:, :1] * np.sin(yaw) + corners[:, 1:] * np.sin(tilt)) / np.sqrt(area)
    corners = corners * [np.cos(yaw), np.cos(tilt)] / depth
    turn = rng.normal(0, 0.5) if rng.random() < 0.7 else rng.uniform(-np.pi, np.pi)
    c, s = np.cos(turn), np.sin(turn)
    corners = corners @ np.array([[c, s], [-s, c]])
    low, high = -corners.min(0) + 4, size - corners.max(0) - 4
    middle = (low + high) / 2
    corners += np.where(
        high > low, rng.uniform(np.minimum(low, high), np.maximum(low, high)), middle
    )
    unit = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]], np.float32)
    return np.asarray(cv2.getPerspectiveTransform(unit, corners.astype(np.float32)))


def shoot(
    rng: np.random.Generator,
    item: Pixels,
    fill: float,
    backdrop: Sequence[Pixels],
    *,
    bend: float = 0.0,
    is_round: bool = False,
    size: int = 1000,
) -> Capture:
    """Photograph an item.

    Parameters
    ----------
    rng : Generator
        Decides pose, light, clutter and phone.
    item : ndarray
        Its print, laid flat.
    fill : float
        Share of the frame that it covers, about.
    backdrop : sequence of ndarray
        What the clutter is made of.
    bend : float
        Radians of a cylinder that it is wrapped about.
    is_round : bool
        Whether only the disc within the print is seen.
    size : int
        Side of the photo, px.
    """
    h, w = item.shape[:2]
    frontal = np.sin(bend / 2) / (bend / 2) if bend else 1.0
    homography = pose(rng, w * frontal / h, fill * size * size, size)
    bow = rng.uniform(-0.35, 0.35) if bend else 0.0
    yy, xx = np.mgrid[0:size, 0:size].astype(np.float32)
    flat = cv2.perspectiveTransform(
        np.stack([xx, yy], -1).reshape(1, -1, 2), np.linalg.inv(homography)
    ).reshape(size, size, 2)
    unit = unbend(flat, bend, bow).astype(np.float32)
    inside = (np.abs(unit) < 1).all(-1)
    if is_round:
        inside = (unit**2).sum(-1) < 0.99
    laid = remap_smooth(item, unit, fill * size * size)
    light = clutter(rng, size, backdrop).astype(np.float32)
    light[inside] = light_item(rng, laid.astype(np.float32), unit, bend)[inside]
    photo = spoil(rng, light, size)
    edge = np.linspace(-1, 1, 24)[:-1]
    one = np.ones_like(edge)
    border = np.concatenate(
        [np.c_[edge, -one], np.c_[one, edge], np.c_[-edge, one], np.c_[-one, -edge]]
    )
    border = rebend(border, bend, bow).astype(np.float32)
    outline = cv2.perspectiveTransform(border[None], homography)[0]
    return Capture(photo, outline, float(inside.mean()))


def remap_smooth(picture: Floats, unit: Floats, area: float) -> Floats:
    """Sample a picture at unit coordinates, first smoothed to the scale it is seen at."""
    h, w = picture.shape[:2]
    shrink = np.sqrt(h * w / area)
    if shrink > 1:
        picture = cv2.GaussianBlur(picture, (0, 0), 0.45 * shrink)
    xy = (unit + 1) / 2 * np.array([w - 1, h - 1], np.float32)
    x, y = xy[..., 0].copy(), xy[..., 1].copy()
    laid = cv2.remap(picture, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(laid)


def light_item(rng: np.random.Generator, laid: Floats, unit: Floats, bend: float) -> Floats:
    """Shade the item: falloff with curvature, a gradient, one highlight."""
    across = np.clip(unit[..., :1], -1, 1)
    shade = np.cos(across * bend / 2 * 0.8) if bend else 1.0
    ramp = 1 + (unit @ rng.uniform(-0.25, 0.25, 2).astype(np.float32))[..., None]
    spot = rng.uniform(-0.9, 0.9, 2)
    spread = rng.uniform(0.08, 0.4) * np.array([1.0, 4.0 if bend else 1.0])
    gleam = np.exp(-(((unit - spot) / spread) ** 2).sum(-1, keepdims=True))
    lit: Floats = laid * shade * np.clip(ramp, 0.3, 1.7) + rng.uniform(0, 230) * gleam
    return lit


def spoil(rng: np.random.Generator, photo: Floats, size: int) -> Pixels:
    """Add the phone: white balance, exposure, defocus, noise, JPEG."""
    photo = photo * rng.uniform(0.8, 1.2, 3) * rng.uniform(0.55, 1.15)
    blur = rng.uniform(0.4, 1.8) if rng.random() < 0.7 else rng.uniform(1.8, 3.2)
    photo = cv2.GaussianBlur(photo, (0, 0), blur * size / 1000)
    photo += rng.normal(0, rng.uniform(1, 9), photo.shape[:2])[..., None]
    exposed = np.clip(photo, 0, 255).astype(np.uint8)
    return decode_photo(encode_jpeg(exposed, quality=int(rng.integers(50, 92)))).pixels
