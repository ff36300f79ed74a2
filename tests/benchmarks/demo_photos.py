"""Photos of the demo world for its benchmarks, smaller than those of the demo set."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import torch

from loupebook.demo.camera.phone import develop, draw_handling, sensor_noise
from loupebook.demo.camera.request import Shot
from loupebook.demo.camera.sampler import sample_scenes
from loupebook.demo.camera.scene import SceneBatch
from loupebook.demo.surface import PrintedSurface

HEIGHT, WIDTH = 360, 480


def draw_scenes(
    shots: Sequence[Shot], surfaces: Sequence[PrintedSurface], *, scale: float = 1.0
) -> SceneBatch:
    height, width = round(HEIGHT * scale), round(WIDTH * scale)
    return sample_scenes(shots, surfaces, height=height, width=width)


def pictures_of(light: torch.Tensor, shots: Sequence[Shot]) -> list[np.ndarray]:
    """What each shot's phone makes of its light, (H, W, 3)."""
    count, _, height, width = light.shape
    seeds = [shot.seed for shot in shots]
    calm = np.zeros(count, bool)
    noise = torch.from_numpy(sensor_noise(seeds, height, width))
    code = develop(light, draw_handling(seeds, poor=calm, dim=calm), noise)
    return list(code.permute(0, 2, 3, 1).numpy())


def take(renderer: Any, shots: Sequence[Shot], surfaces: Sequence[PrintedSurface]) -> list[Any]:
    return pictures_of(renderer.expose(draw_scenes(shots, surfaces)).light.cpu(), shots)
