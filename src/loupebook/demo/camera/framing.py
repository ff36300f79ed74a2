"""Points the camera: distance, framing, focus and aperture."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from loupebook.demo.camera.draws import Draws
from loupebook.demo.camera.request import Request
from loupebook.demo.camera.scene import DOME, STRIP
from loupebook.demo.camera.vectors import floats, perpendicular, rotate, vec

Floats = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Aim:
    """The camera fields of a :class:`SceneBatch`, by the same names."""

    eye: Floats
    view: Floats
    focal_px: Floats
    centre_px: Floats
    aperture_mm: Floats
    focus_mm: Floats


def outline_points(request: Request, face: Floats, fold: Floats, edge: Floats) -> Floats:
    """Points that span what can be seen of the item, (n, 8, 3)."""
    radius, high, wide = request.radius, request.high, request.wide
    side = np.cross(face, floats([1, 0, 0]))
    is_dome, is_strip = request.geometry == DOME, request.geometry == STRIP
    points = []
    for number in range(8):
        along, out = ((-1, -1), (-1, 0), (-1, 1), (0, 1), (1, 1), (1, 0), (1, -1), (0, -1))[number]
        near = 1.0 if out == 0 else 0.2
        band = face * (near * radius)[:, None] + side * (out * radius)[:, None]
        band = band + vec(along * high * 0.5, 0.0, 0.0)
        angle = number * np.pi / 4
        ring = vec(
            -request.shoulder * 0.6, radius * 0.98 * np.cos(angle), radius * 0.98 * np.sin(angle)
        )
        x = along * wide * 0.5
        over = np.maximum(x - (fold - edge * 0.43), 0.0)
        strip = vec(np.minimum(x, fold), out * high * 0.5, -over)
        pick = [is_dome[:, None], is_strip[:, None]]
        points.append(np.select(pick, [ring, strip], band))
    return np.stack(points, 1).astype(np.float32)


def aim_camera(
    draws: Draws,
    request: Request,
    *,
    direction: Floats,
    upright: Floats,
    points: Floats,
    height: int,
    width: int,
) -> Aim:
    """Frame the outline points.

    Parameters
    ----------
    draws, request
        Source of chance; what is asked for.
    direction, upright : ndarray (n, 3)
        From item to camera; the item's up in the picture before any roll.
    points : ndarray (n, P, 3)
        What must be in the frame.
    height, width : int
        Picture size in px.
    """
    distance = draws.uniform(150, 320) * np.where(request.geometry == STRIP, 1.25, 1.0)
    eye = (direction * distance[:, None]).astype(np.float32)
    forward = -direction
    up = perpendicular(forward, upright)
    long_way = np.where(request.geometry == STRIP, height > width, False)
    quarter = np.where(draws.chance(0.3) & (request.geometry != STRIP), np.pi / 2, 0.0)
    quarter = np.where(long_way, np.pi / 2, quarter)
    any_turn = draws.uniform(-np.pi, np.pi)
    loose = np.where(request.query & draws.chance(0.3), any_turn, draws.normal(0.16))
    roll = np.where(request.query, loose, draws.normal(0.05)) + quarter
    up = rotate(up, forward, roll)
    right = np.cross(forward, up)
    view = np.stack([right, -up, forward], 1).astype(np.float32)

    local = np.einsum("nij,npj->npi", view, points - eye[:, None])
    flat = local[..., :2] / local[..., 2:]
    low, high = flat.min(1), flat.max(1)
    size = high - low
    frame = floats([width, height])
    casual = np.where(draws.chance(0.25), draws.uniform(0.12, 0.40), draws.uniform(0.40, 0.90))
    careful = np.where(
        request.geometry == STRIP, draws.uniform(0.84, 0.96), draws.uniform(0.62, 0.90)
    )
    fill = np.where(request.query, casual, careful)
    fill = np.where(request.poor & draws.chance(0.3), draws.uniform(0.10, 0.2), fill)
    focal = (fill[:, None] * frame / size).min(1)
    free = frame - size * focal[:, None]
    play = np.where(request.query, 0.38, 0.15)[:, None]
    nudge = np.stack([draws.uniform(-1, 1), draws.uniform(-1, 1)], 1) * play * free
    centre = frame / 2 - (low + high) / 2 * focal[:, None] + nudge
    nearest = local[..., 2].min(1)
    middle = local[..., 2].mean(1)
    focus = nearest * 0.75 + middle * 0.25 + draws.normal(0.8)
    missed = request.poor & draws.chance(0.5)
    focus = np.where(missed, focus * draws.uniform(0.72, 0.90), focus)
    opening = np.where(request.query, draws.uniform(0.8, 3.2), draws.uniform(0.7, 2.2))
    return Aim(
        eye=eye,
        view=view,
        focal_px=focal.astype(np.float32),
        centre_px=centre.astype(np.float32),
        aperture_mm=opening.astype(np.float32),
        focus_mm=focus.astype(np.float32),
    )
