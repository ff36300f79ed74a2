"""Small invented prints, drawn in a moment, and photos of them: plane or on a cylinder."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

PX_PER_MM = 16.0


def draw_print(seed: int, *, width: int = 460, height: int = 340) -> np.ndarray:
    """Draw a label with frame, letters and ornament that does not repeat itself."""
    rng = np.random.default_rng(seed)
    paper = np.full((height, width, 3), (238, 232, 214), np.uint8)
    ink = tuple(int(v) for v in rng.integers(10, 120, 3))
    other = tuple(int(v) for v in rng.integers(60, 190, 3))
    cv2.rectangle(paper, (8, 8), (width - 9, height - 9), ink, 3)
    cv2.rectangle(paper, (16, 16), (width - 17, height - 17), other, 1)
    for _ in range(70):
        x, y = (int(rng.integers(24, side - 24)) for side in (width, height))
        size = int(rng.integers(3, 17))
        colour = ink if rng.random() < 0.5 else other
        shape = rng.integers(3)
        if shape == 0:
            cv2.circle(paper, (x, y), size, colour, int(rng.choice([-1, 1, 2])), cv2.LINE_AA)
        elif shape == 1:
            box = cv2.boxPoints(((x, y), (2 * size, size), float(rng.uniform(0, 180))))
            cv2.polylines(paper, [box.astype(np.int32)], True, colour, 1, cv2.LINE_AA)
        else:
            letters = "".join(rng.choice(list("ABEFGHKMNPRSTUVXYZ"), 3))
            scale = float(rng.uniform(0.4, 1.0))
            cv2.putText(paper, letters, (x, y), 3, scale, colour, 1, cv2.LINE_AA)
    return paper


@dataclass(frozen=True)
class Photo:
    """A photo and where each of its px lies on the print (NaN beside it), (height, width, 2)."""

    pixels: np.ndarray
    place: np.ndarray


def photograph(
    item: np.ndarray,
    seed: int,
    *,
    bend: float = 0.0,
    blur: float = 0.6,
    tilt: float = 0.25,
    size: tuple[int, int] = (600, 760),
) -> Photo:
    """Photograph a print held at a slant, on a cylinder of `bend` radians, in uneven light."""
    rng = np.random.default_rng(seed)
    rows, columns = size
    height, width = item.shape[:2]
    half = width / 2
    radius = half / (bend / 2) if bend else np.inf
    turn = rng.uniform(-tilt, tilt, 3) * (1, 1, 1.5)
    rotate = cv2.Rodrigues(turn)[0]
    focal, away = 1.6 * columns, 2.05 * width
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float64)
    ray = (
        np.stack([(x - columns / 2) / focal, (y - rows / 2) / focal, np.ones_like(x)], -1) @ rotate
    )
    eye = np.array([0, 0, -away]) @ rotate
    if bend:
        a = ray[..., 0] ** 2 + ray[..., 2] ** 2
        origin = eye - np.array([0, 0, radius])
        b = ray[..., 0] * origin[0] + ray[..., 2] * origin[2]
        c = origin[0] ** 2 + origin[2] ** 2 - radius**2
        inside = b * b - a * c
        far = (-b - np.sqrt(np.maximum(inside, 0))) / a
        hit = origin + far[..., None] * ray
        u = np.arctan2(hit[..., 0], -hit[..., 2]) * radius
        v = hit[..., 1]
        u[inside <= 0] = np.nan
    else:
        far = -eye[2] / ray[..., 2]
        hit = eye + far[..., None] * ray
        u, v = hit[..., 0], hit[..., 1]
    place = np.stack([u + half - 0.5, v + height / 2 - 0.5], -1)
    on = (place > 0).all(-1) & (place[..., 0] < width - 1) & (place[..., 1] < height - 1)
    flat = np.nan_to_num(place, nan=-9).astype(np.float32)
    seen = cv2.remap(item, flat[..., 0], flat[..., 1], cv2.INTER_CUBIC).astype(np.float64)
    table = cv2.GaussianBlur(rng.normal(90, 40, (rows, columns, 3)), (0, 0), 2.0)
    photo = np.where(on[..., None], seen, table)
    ramp = 1 + 0.25 * (x / columns - 0.5) * rng.uniform(-1, 1) + 0.2 * (y / rows - 0.5)
    photo = photo * ramp[..., None] * rng.uniform(0.92, 1.06, 3) * 0.95
    photo = cv2.GaussianBlur(photo, (0, 0), blur) + rng.normal(0, 2.0, photo.shape)
    place[~on] = np.nan
    return Photo(np.clip(photo, 0, 255).astype(np.uint8), place)


SMALL = (430, 540)
"""Rows and columns of a photo of half the px of a usual one, for half the time."""


def small_shot(item: np.ndarray, seed: int) -> np.ndarray:
    """Photograph a print at hardly any slant, small."""
    return photograph(item, seed, tilt=0.12, size=SMALL).pixels


def violet(pixels: np.ndarray) -> np.ndarray:
    """Light a photo as a UV-A lamp lights a print that does not glow."""
    return (pixels * np.array([0.25, 0.15, 0.75])).astype(np.uint8)


def misplaced(warp: object, reference: Photo, query: Photo) -> np.ndarray:
    """Return how far, in print px, a map from reference to query misses, at seen points."""
    rows, columns = np.nonzero(np.isfinite(reference.place[..., 0]))
    pick = np.linspace(0, len(rows) - 1, 1500).astype(int)
    points = np.stack([columns[pick], rows[pick]], 1).astype(np.float64)
    mapped = warp(points)
    landed = [
        cv2.remap(query.place[..., k].astype(np.float32), *np.float32(mapped.T[:, None]), 1)[0]
        for k in (0, 1)
    ]
    true = reference.place[rows[pick], columns[pick]]
    apart = np.hypot(landed[0] - true[:, 0], landed[1] - true[:, 1])
    return apart[np.isfinite(apart)]
