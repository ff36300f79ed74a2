"""From light to a phone's picture: optics, sensor and file, a whole batch at once."""

from __future__ import annotations

import math

import torch
import torch.nn.functional as functional
from torch import Tensor

from recipe.draws import Draws

_LUMA = torch.tensor([
    [16, 11, 10, 16, 24, 40, 51, 61], [12, 12, 14, 19, 26, 58, 60, 55],
    [14, 13, 16, 24, 40, 57, 69, 56], [14, 17, 22, 29, 51, 87, 80, 62],
    [18, 22, 37, 56, 68, 109, 103, 77], [24, 35, 55, 64, 81, 104, 113, 92],
    [49, 64, 78, 87, 103, 121, 120, 101], [72, 92, 95, 98, 112, 100, 103, 99],
], dtype=torch.float32)  # fmt: skip
"""Luminance table of ITU-T T.81 (JPEG), annex K."""


def _smear(picture: Tensor, draws: Draws, hard: Tensor, reach: int = 5) -> Tensor:
    """Defocus and motion: one slanted Gaussian a picture."""
    count, channels, height, width = picture.shape
    broad = 0.3 + 1.1 * draws.normal(count).abs() * draws.chance(0.55, count) * hard
    long = broad + 1.8 * draws.normal(count).abs() * draws.chance(0.25, count) * hard
    angle = draws.uniform(count) * math.pi
    at = torch.arange(-reach, reach + 1, device=picture.device, dtype=torch.float32)
    ys, xs = torch.meshgrid(at, at, indexing="ij")
    cos, sin = torch.cos(angle)[:, None, None], torch.sin(angle)[:, None, None]
    first = (xs * cos + ys * sin) / long[:, None, None]
    second = (ys * cos - xs * sin) / broad[:, None, None]
    kernel = torch.exp(-0.5 * (first**2 + second**2))
    kernel = kernel / kernel.sum((1, 2), keepdim=True)
    kernel = kernel.repeat_interleave(channels, 0)[:, None].to(picture.dtype)
    flat = picture.reshape(1, count * channels, height, width)
    padded = functional.pad(flat, (reach,) * 4, mode="replicate")
    # cuDNN would build a plan for every new count; torch's own kernel needs none.
    with torch.backends.cudnn.flags(enabled=False):
        smeared = functional.conv2d(padded, kernel, groups=count * channels)
    return smeared.reshape(picture.shape)


def _coarse(picture: Tensor, draws: Draws, hard: Tensor) -> Tensor:
    """Few pixels: a distant item, or a picture sent through a messenger."""
    side = picture.shape[-1]
    factor = draws.number(1.6, 3.4)
    small = functional.interpolate(picture, size=(int(side / factor),) * 2, mode="area")
    large = functional.interpolate(small, size=(side, side), mode="bilinear", align_corners=False)
    chosen = draws.chance(0.16, len(picture)) & (hard > 0.5)
    return torch.where(chosen[:, None, None, None], large, picture)


def _tone(light: Tensor, draws: Draws, hard: Tensor) -> Tensor:
    """White balance, exposure, tone curve, saturation."""
    count = len(light)
    some = (0.25 + 0.75 * hard)[:, None, None, None]
    gain = torch.exp(0.14 * draws.normal(count, 3, 1, 1) * some)
    gain = gain * torch.exp(0.3 * draws.normal(count, 1, 1, 1) * some)
    picture = (light * gain).clamp(min=1e-5)
    picture = picture / (1 + 0.25 * picture) * 1.2  # highlights roll off
    picture = picture.clamp(max=1) ** (1 / 2.2)
    contrast = 1 + 0.18 * draws.normal(count, 1, 1, 1) * some
    lift = 0.06 * draws.normal(count, 1, 1, 1) * some
    picture = (picture - 0.5) * contrast + 0.5 + lift
    grey = picture.mean(1, keepdim=True)
    colourful = 1 + 0.25 * draws.normal(count, 1, 1, 1) * some
    colourful = torch.where(draws.chance(0.03, count, 1, 1, 1), 0 * colourful, colourful)
    return (grey + (picture - grey) * colourful).clamp(0, 1)


def _compressed(picture: Tensor, draws: Draws, hard: Tensor) -> Tensor:
    """Blocks and ringing of JPEG: quantised cosines of 8 by 8 pixels."""
    count, _, height, width = picture.shape
    device = picture.device
    k = torch.arange(8, device=device, dtype=torch.float32)
    basis = torch.cos((2 * k[None] + 1) * k[:, None] * math.pi / 16) * 0.5
    basis[0] *= math.sqrt(0.5)
    basis = basis.to(picture.dtype)
    quality = draws.between(25, 92, count)
    factor = torch.where(quality < 50, 50 / quality, 2 - quality / 50)[:, None, None, None, None]
    table = (_LUMA.to(device)[None, None] * factor[..., 0]).clamp(min=1) / 255
    table = table.expand(count, 1, 8, 8)
    to_luma = torch.tensor(
        [[0.299, 0.587, 0.114], [-0.169, -0.331, 0.5], [0.5, -0.419, -0.081]], device=device
    ).to(picture.dtype)
    planes = torch.einsum("ij,bjhw->bihw", to_luma, picture)
    blocks = planes.reshape(count, 3, height // 8, 8, width // 8, 8)
    cosines = torch.einsum("ui,bchiwj,vj->bchwuv", basis, blocks, basis)
    step = torch.cat([table, table * 1.8, table * 1.8], 1)[:, :, None, None].to(picture.dtype)
    cosines = torch.round(cosines / step) * step
    blocks = torch.einsum("ui,bchwuv,vj->bchiwj", basis, cosines, basis)
    planes = blocks.reshape(count, 3, height, width)
    back = torch.linalg.inv(to_luma.float()).to(picture.dtype)
    done = torch.einsum("ij,bjhw->bihw", back, planes).clamp(0, 1)
    chosen = draws.chance(0.55, count) & (draws.uniform(count) < 0.3 + 0.7 * hard)
    return torch.where(chosen[:, None, None, None], done, picture)


def develop(light: Tensor, draws: Draws, hard: Tensor) -> Tensor:
    """Picture (B, 3, S, S) in 0..1, gamma-encoded, from linear light."""
    count = len(light)
    picture = _tone(light, draws, hard)
    picture = _smear(_coarse(picture, draws, hard), draws, hard)
    amount = 0.03 * draws.normal(count, 1, 1, 1).abs() * (0.15 + 0.85 * hard[:, None, None, None])
    grain = draws.normal(*picture.shape)
    soft = functional.avg_pool2d(grain, 3, 1, 1) * 2
    grain = torch.where(draws.chance(0.4, count, 1, 1, 1), soft, grain)
    picture = picture + amount * grain
    mean = functional.avg_pool2d(picture, 3, 1, 1)
    crisp = draws.between(0, 1.2, count, 1, 1, 1) * draws.chance(0.35, count, 1, 1, 1)
    return _compressed((picture + crisp * (picture - mean)).clamp(0, 1), draws, hard)
