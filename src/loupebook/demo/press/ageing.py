"""What time and hands do to a sheet, and the fibres that security paper holds."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from loupebook.demo.artwork.noise import cloud
from loupebook.demo.press.settings import PressSettings

Map = npt.NDArray[np.float32]


def age_sheet(
    albedo: Map,
    metal: Map,
    outline: Map,
    press: PressSettings,
    rng: np.random.Generator,
    px_per_mm: float,
) -> tuple[Map, Map]:
    """Yellowing (even, and in clouds) and rubbing (edges and raised places first)."""
    age = float(np.clip(rng.gamma(2.0, press.age / 2), 0, 1)) if press.age else 0.0
    wear = float(np.clip(rng.gamma(2.0, press.wear / 2), 0, 1)) if press.wear else 0.0
    cloudy = 1 + 0.4 * cloud(outline.shape, 3.0 * px_per_mm, rng)
    yellow = np.array((0.02, 0.07, 0.22), np.float32) * age
    aged = albedo * (1 - np.clip(yellow * cloudy[..., None], 0, 0.6))
    edge = 1 - cv2.GaussianBlur(outline, (0, 0), max(0.5, 0.35 * px_per_mm))
    scuffs = np.clip(
        cloud(
            outline.shape, (1.2 * px_per_mm, 0.07 * px_per_mm), rng, turn=float(rng.uniform(0, 3))
        )
        - 2.2,
        0,
        1,
    )
    rub = np.clip(wear * (1.4 * edge + 1.2 * scuffs), 0, 0.8)
    worn = aged * (1 - rub[..., None]) + 0.62 * rub[..., None]
    return np.asarray(worn, np.float32), np.asarray(metal * (1 - rub), np.float32)


def fibre_glow(
    shape: tuple[int, ...], per_cm2: int, rng: np.random.Generator, px_per_mm: float
) -> Map:
    """Short curved fibres that glow red, blue or yellow, at random places."""
    area_cm2 = shape[0] * shape[1] / px_per_mm**2 / 100
    glow = np.zeros((*shape, 3), np.float32)
    colours = ((0.8, 0.10, 0.08), (0.10, 0.25, 0.9), (0.75, 0.65, 0.10))
    for _ in range(int(rng.poisson(per_cm2 * area_cm2))):
        x, y = rng.uniform((0, 0), (shape[1], shape[0]))
        heading, bend = rng.uniform(0, 6.3), rng.uniform(-0.9, 0.9)
        steps = np.linspace(0, rng.uniform(1.5, 3.5) * px_per_mm, 9)
        angle = heading + bend * np.linspace(0, 1, 9)
        points = np.column_stack(
            [
                x + np.cumsum(np.gradient(steps) * np.cos(angle)),
                y + np.cumsum(np.gradient(steps) * np.sin(angle)),
            ]
        )
        colour = tuple(0.55 * c for c in colours[int(rng.integers(3))])
        line = np.round(points * 16).astype(np.int32).reshape(-1, 1, 2)
        cv2.polylines(glow, [line], False, colour, max(1, round(0.07 * px_per_mm)), cv2.LINE_AA, 4)
    return glow
