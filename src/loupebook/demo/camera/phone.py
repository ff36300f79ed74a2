"""Phones: what lens, sensor and software make of the light.

All phones are invented and named plainly (``phone A`` to ``phone E``). The developing runs
batched in torch; noise comes from numpy by seed, so that it is the same on every device.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import torch
import torch.nn.functional as functional
from numpy.typing import NDArray
from torch import Tensor

from loupebook.demo.camera.colour import srgb_encode
from loupebook.demo.camera.draws import Draws
from loupebook.demo.camera.vectors import floats

Floats = NDArray[np.float32]


@dataclass(frozen=True)
class Phone:
    """Habits of one invented phone.

    Parameters
    ----------
    model : str
        Its name in the metadata.
    vignetting : float
        Loss of light in the corners, as a share.
    fringe : float
        Lateral chromatic aberration, in thousandths of the half diagonal.
    noise : float
        Electrons of noise relative to the best phone.
    contrast : float
        Steepness of the tone curve about middle grey.
    saturation : float
        Factor on chroma.
    sharpening : float
        Amount of unsharp masking.
    warmth : float
        Habitual white balance error, positive is yellowish.
    quality : int
        JPEG quality.
    """

    model: str
    vignetting: float
    fringe: float
    noise: float
    contrast: float
    saturation: float
    sharpening: float
    warmth: float
    quality: int


PHONES: tuple[Phone, ...] = (
    Phone("phone A", 0.18, 0.5, 1.0, 1.10, 1.10, 0.50, 0.01, 79),
    Phone("phone B", 0.28, 1.1, 1.6, 1.22, 1.20, 0.75, -0.03, 76),
    Phone("phone C", 0.12, 0.3, 0.8, 1.02, 1.00, 0.35, 0.00, 81),
    Phone("phone D", 0.35, 1.8, 2.4, 1.12, 0.95, 0.65, 0.05, 73),
    Phone("phone E", 0.22, 0.8, 1.3, 1.16, 1.15, 0.85, 0.03, 77),
)
_FIELDS = ("vignetting", "fringe", "noise", "contrast", "saturation", "sharpening", "warmth")


@dataclass(frozen=True, eq=False)
class Handling:
    """How the phones of a batch were chosen and held, arrays (n,).

    Parameters
    ----------
    phone : ndarray of int64
        Number in `PHONES`.
    gain : ndarray
        Exposure error as a factor.
    balance : ndarray (n, 3)
        White balance as channel factors.
    noise : ndarray
        Sensor noise, as share of a white pixel's own shot noise.
    shake_px, shake_turn : ndarray
        Length in px (for a picture 800 px wide) and direction of motion blur.
    quality : ndarray of int64
        JPEG quality.
    """

    phone: NDArray[np.int64]
    gain: Floats
    balance: Floats
    noise: Floats
    shake_px: Floats
    shake_turn: Floats
    quality: NDArray[np.int64]


def draw_handling(
    seeds: Sequence[int],
    *,
    poor: NDArray[np.bool_],
    dim: NDArray[np.bool_],
    phones: Sequence[int] | None = None,
) -> Handling:
    """Draw phone and handling for every photo.

    Parameters
    ----------
    seeds : sequence of int
        One a photo.
    poor, dim : ndarray of bool (n,)
        Handled badly; taken in little light (raking, UV-A), so noisier.
    phones : sequence of int, optional
        Which phone for each photo, else drawn.
    """
    draws = Draws(seeds, stream=1)
    drawn = draws.pick(len(PHONES))
    phone = drawn if phones is None else np.asarray(phones, np.int64)
    warm = draws.normal(0.045) + floats([PHONES[p].warmth for p in phone])
    balance = np.stack([np.exp(warm), np.exp(draws.normal(0.012)), np.exp(-1.3 * warm)], 1)
    shaken = draws.chance(np.where(poor, 0.4, 0.06))
    shake = np.where(shaken, draws.uniform(2.5, np.where(poor, 11.0, 4.0)), draws.uniform(0, 0.7))
    stops = draws.normal(0.16) + np.where(poor & draws.chance(0.35), draws.uniform(-2.0, 0.9), 0)
    noise = draws.uniform(0.003, 0.008) * np.where(dim, 2.2, 1.0)
    noise = noise * floats([PHONES[p].noise for p in phone]) * np.where(poor, 1.8, 1.0)
    quality = np.array([PHONES[p].quality for p in phone]) + draws.pick(5) - 2
    squeezed = poor & draws.chance(0.35)
    quality = np.where(squeezed, 25 + draws.pick(25), quality)
    return Handling(
        phone=phone,
        gain=np.exp2(stops).astype(np.float32),
        balance=balance.astype(np.float32),
        noise=noise.astype(np.float32),
        shake_px=shake.astype(np.float32),
        shake_turn=draws.uniform(0, np.pi),
        quality=quality.astype(np.int64),
    )


def sensor_noise(seeds: Sequence[int], height: int, width: int) -> Floats:
    """Bell-shaped noise (n, 3, height, width) of deviation 1, by seed."""
    fields = [
        np.random.default_rng([int(seed), 2]).standard_normal((3, height, width), np.float32)
        for seed in seeds
    ]
    return np.stack(fields)


@torch.no_grad()
def develop(light: Tensor, handling: Handling, noise: Tensor) -> Tensor:
    """Turn linear light into sRGB pictures.

    Parameters
    ----------
    light : Tensor (B, 3, H, W)
        Linear light at the lens, 1 is white.
    handling : Handling
        Phones and how they were held.
    noise : Tensor (B, 3, H, W)
        Unit noise, see :func:`sensor_noise` (or any other on a GPU).

    Returns
    -------
    Tensor of uint8 (B, 3, H, W)
        sRGB code values.
    """
    device = light.device

    def each(values: Floats) -> Tensor:
        return torch.from_numpy(np.ascontiguousarray(values)).to(device)[:, None, None, None]

    traits = {
        name: each(floats([getattr(PHONES[p], name) for p in handling.phone])) for name in _FIELDS
    }
    light = _lens(light, traits["vignetting"], traits["fringe"], handling)
    light = light * each(handling.gain)
    shot = each(handling.noise) * torch.sqrt(light.clamp(min=0) + 0.004)
    light = light + shot * _demosaiced(noise)
    balance = torch.from_numpy(handling.balance).to(device)[:, :, None, None]
    light = light * balance
    light = _tone(light.clamp(min=0), traits["contrast"])
    code = srgb_encode(light)
    grey = code.mean(1, keepdim=True)
    code = grey + (code - grey) * traits["saturation"]
    code = code + traits["sharpening"] * (grey - _soften(grey))
    return (code.clamp(0, 1) * 255 + 0.5).to(torch.uint8)


def _lens(light: Tensor, vignetting: Tensor, fringe: Tensor, handling: Handling) -> Tensor:
    """Vignetting, colour fringes and shake in one resampling pass per sub-exposure."""
    batch, _, height, width = light.shape
    device = light.device
    y = (torch.arange(height, device=device) + 0.5) * 2 / height - 1
    x = (torch.arange(width, device=device) + 0.5) * 2 / width - 1
    squared = (y[:, None] ** 2 + x[None] ** 2) / 2
    light = light * (1 - vignetting * squared)
    grid = torch.stack(torch.meshgrid(x, y, indexing="xy"), -1)[None]
    scale = width / 800.0
    reach = torch.from_numpy(handling.shake_px).to(device) * scale
    turn = torch.from_numpy(handling.shake_turn).to(device)
    step = torch.stack(
        [reach * torch.cos(turn) * 2 / width, reach * torch.sin(turn) * 2 / height], 1
    )
    planes = []
    for channel, sign in enumerate((1.0, 0.0, -1.0)):
        zoomed = grid * (1 + sign * 0.001 * fringe[:, 0, 0, 0])[:, None, None, None]
        total = torch.zeros_like(light[:, :1])
        shifts = (0.0,) if float(reach.max()) < 1.0 else (-0.5, -0.3, -0.1, 0.1, 0.3, 0.5)
        for shift in shifts:
            total = total + functional.grid_sample(
                light[:, channel : channel + 1],
                zoomed.expand(batch, -1, -1, -1) + shift * step[:, None, None, :],
                mode="bilinear", padding_mode="border", align_corners=False,
            )  # fmt: skip
        planes.append(total / len(shifts))
    return torch.cat(planes, 1)


def _demosaiced(noise: Tensor) -> Tensor:
    """Noise as it looks after demosaicing and denoising: blotchy, finer in green."""
    soft = functional.avg_pool2d(noise, 3, 1, 1, count_include_pad=False)
    mixed = 0.35 * noise + 1.4 * soft
    return 0.6 * mixed + 0.4 * mixed.mean(1, keepdim=True) * 1.7


def _tone(light: Tensor, contrast: Tensor) -> Tensor:
    """Shoulder for highlights and contrast about middle grey."""
    middle = 0.18
    steep = middle * (light / middle).clamp(min=1e-6) ** contrast
    lifted = steep * 1.12
    return lifted * (1 + lifted / 3.2) / (1 + lifted) * 1.28


def _soften(grey: Tensor) -> Tensor:
    kernel = grey.new_tensor([0.06, 0.24, 0.40, 0.24, 0.06])
    across = functional.conv2d(
        functional.pad(grey, (2, 2, 0, 0), mode="replicate"), kernel.view(1, 1, 1, 5)
    )
    return functional.conv2d(
        functional.pad(across, (0, 0, 2, 2), mode="replicate"), kernel.view(1, 1, 5, 1)
    )
