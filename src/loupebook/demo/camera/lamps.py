"""Where the lamps of a scene stand and how bright they are, by lighting."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from loupebook.demo.camera.draws import Draws
from loupebook.demo.camera.request import DIFFUSE, RAKING, TILT, UV_A, Request
from loupebook.demo.camera.scene import DOME, LIGHTS
from loupebook.demo.camera.vectors import floats, normalise, perpendicular, vec

Floats = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class LampSet:
    """The light fields of a :class:`SceneBatch`, by the same names."""

    centre: Floats
    frame: Floats
    half: Floats
    radiance: Floats
    ambient: Floats
    exposure: Floats


def _colour(draws: Draws, spread: float) -> Floats:
    """Daylight to lamp light: warm raises red and lowers blue, (n, 3)."""
    warm = draws.normal(spread)
    green = draws.normal(spread * 0.15)
    return vec(np.exp(warm), np.exp(green), np.exp(-1.2 * warm))


def _direction(draws: Draws, face: Floats, away: Floats, upright: Floats) -> Floats:
    """Unit directions `away` radians off the face, never from below the table."""
    spin = draws.uniform(-np.pi, np.pi)
    side = perpendicular(face, upright)
    other = np.cross(face, side)
    sideways = side * np.cos(spin)[:, None] + other * np.sin(spin)[:, None]
    direction = face * np.cos(away)[:, None] + sideways * np.sin(away)[:, None]
    low = np.minimum(direction[:, 2] - 0.12, 0.0)
    direction[:, 2] -= 2 * low
    return normalise(direction)


def place_lamps(draws: Draws, request: Request, face: Floats, eye: Floats) -> LampSet:
    """Draw the lamps.

    Parameters
    ----------
    draws : Draws
        Source of chance.
    request : Request
        What is asked for.
    face : ndarray (n, 3)
        Unit direction from the item to where its face looks.
    eye : ndarray (n, 3)
        Centre of the lens.
    """
    count = draws.count
    is_lit = [request.lighting == code for code in (DIFFUSE, RAKING, TILT, UV_A)]

    def by_light(*choices: Floats) -> Floats:
        return np.select(is_lit, choices).astype(np.float32)

    shape = (count, LIGHTS)
    centre = np.zeros((*shape, 3), np.float32)
    frame = np.zeros((*shape, 3, 3), np.float32)
    half = np.ones((*shape, 2), np.float32)
    radiance = np.zeros((*shape, 3), np.float32)
    side = np.tile(floats([[0.31, 0.83, 0.46]]), (count, 1))
    to_eye = normalise(eye)
    for lamp in range(LIGHTS):
        away = by_light(
            draws.uniform(0.35, 1.05),
            draws.uniform(1.30, 1.43),
            draws.uniform(0.25, 0.80),
            draws.uniform(0.2, 0.7),
        )
        direction = _direction(draws, face, away, side)
        direction = np.where(is_lit[UV_A][:, None], normalise(direction + to_eye), direction)
        reach = by_light(
            draws.uniform(350, 700),
            draws.uniform(180, 320),
            draws.uniform(280, 500),
            draws.uniform(120, 220),
        )
        large = (
            by_light(
                draws.uniform(0.22, 0.50),
                draws.uniform(0.03, 0.08),
                draws.uniform(0.10, 0.30),
                draws.uniform(0.06, 0.10),
            )
            * reach
        )
        tall = large * draws.uniform(0.6, 1.6)
        strength = by_light(
            draws.uniform(1.4, 2.6), draws.uniform(2.0, 3.0), draws.uniform(1.6, 2.6),
            draws.uniform(2.5, 3.5),
        )  # fmt: skip
        if lamp == 1:
            present = draws.chance(0.65) & (is_lit[DIFFUSE] | is_lit[TILT])
            strength = strength * draws.uniform(0.15, 0.6) * present
        if lamp == 2:
            present = draws.chance(0.45) & (is_lit[DIFFUSE] | is_lit[TILT])
            large, tall = 0.12 * large, 0.12 * tall
            strength = strength * draws.uniform(0.04, 0.25) * present
        centre[:, lamp] = direction * reach[:, None]
        across = perpendicular(direction, np.tile(floats([[0.11, 0.21, 0.97]]), (count, 1)))
        frame[:, lamp] = np.stack([across, np.cross(direction, across), -direction], axis=1)
        half[:, lamp] = np.stack([large, tall], axis=1)
        solid = 4 * large * tall / reach**2
        tinted = _colour(draws, 0.10) * (strength / solid)[:, None]
        radiance[:, lamp] = np.where(is_lit[UV_A][:, None], (strength / solid)[:, None], tinted)
    level = by_light(
        draws.uniform(0.7, 1.5), draws.uniform(0.10, 0.30), draws.uniform(0.35, 0.8),
        draws.uniform(0.01, 0.04),
    )  # fmt: skip
    room = np.stack(
        [
            _colour(draws, 0.08) * draws.uniform(0.25, 0.55)[:, None],
            _colour(draws, 0.12) * draws.uniform(0.06, 0.30)[:, None],
            _colour(draws, 0.10) * draws.uniform(0.02, 0.12)[:, None],
        ],
        axis=1,
    )
    exposure = by_light(
        draws.uniform(0.24, 0.40), draws.uniform(0.17, 0.28), draws.uniform(0.22, 0.34),
        draws.uniform(0.09, 0.15),
    )  # fmt: skip
    exposure = exposure * np.where(request.geometry == DOME, draws.uniform(0.42, 0.62), 1.0)
    exposure = exposure.astype(np.float32)
    return LampSet(centre, frame, half, radiance, room * level[:, None, None], exposure)
