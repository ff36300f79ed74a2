"""What copyists and other presses do to a print, on the device, a whole batch at once."""

from __future__ import annotations

import torch
import torch.nn.functional as functional
from torch import Tensor

from recipe.draws import Draws


def _smooth(draws: Draws, count: int, channels: int, cells: int, size: int) -> Tensor:
    coarse = draws.normal(count, channels, cells, cells)
    return functional.interpolate(coarse, size=(size, size), mode="bicubic", align_corners=True)


def blur(picture: Tensor, sigma: Tensor, reach: int = 4) -> Tensor:
    """Gaussian blur with one sigma (px) a picture."""
    at = torch.arange(-reach, reach + 1, device=picture.device, dtype=torch.float32)
    kernel = torch.exp(-0.5 * (at[None] / sigma.clamp(min=0.15)[:, None]) ** 2)
    kernel = (kernel / kernel.sum(1, keepdim=True)).to(picture.dtype)
    count, channels, height, width = picture.shape
    flat = picture.reshape(1, count * channels, height, width)
    kernel = kernel.repeat_interleave(channels, 0)
    padded = functional.pad(flat, (reach, reach, reach, reach), mode="replicate")
    # cuDNN would build a plan for every new count; torch's own kernel needs none.
    with torch.backends.cudnn.flags(enabled=False):
        across = functional.conv2d(padded, kernel[:, None, None, :], groups=count * channels)
        down = functional.conv2d(across, kernel[:, None, :, None], groups=count * channels)
    return down.reshape(count, channels, height, width)


def copied(colour: Tensor, metal: Tensor, relief: Tensor, draws: Draws) -> tuple[Tensor, ...]:
    """Copies of prints: each another press's work, a few faults strong, most of them slight.

    Parameters
    ----------
    colour : Tensor (B, 4, S, S), 0..1, straight alpha
    metal, relief : Tensor (B, 1, S, S)
    draws : Draws
        Source of the faults; the same draws give the same copies.
    """
    count, _, side, _ = colour.shape
    device = colour.device

    def chance(p: float) -> Tensor:
        return (draws.uniform(count, 1, 1, 1) < p).to(colour.dtype)

    strength = (0.25 + draws.uniform(count, 1, 1, 1) ** 2).to(colour.dtype)
    # Redrawn: proportions shift a little, all over and here and there.
    line = torch.linspace(-1, 1, side, device=device)
    ys, xs = torch.meshgrid(line, line, indexing="ij")
    grid = torch.stack([xs, ys], -1)[None].expand(count, -1, -1, -1)
    scale = 1 + 0.05 * draws.normal(count, 1, 1, 2) * strength.float()
    warp = 0.018 * _smooth(draws, count, 2, 5, side).permute(0, 2, 3, 1) * strength.float()
    grid = grid * (1 + (scale - 1) * chance(0.6).float()) + warp * chance(0.6).float()
    stacked = functional.grid_sample(
        torch.cat([colour, metal, relief], 1).float(), grid, align_corners=True
    ).to(colour.dtype)
    rgb, alpha, metal, relief = stacked.split([3, 1, 1, 1], 1)
    # Scanned: fine detail lost, in ink that spreads.
    soft = blur(rgb, (0.4 + 1.3 * draws.uniform(count)) * strength.flatten().float())
    rgb = torch.lerp(rgb, soft, chance(0.5))
    spread = -functional.max_pool2d(-rgb, 3, 1, 1)
    rgb = torch.lerp(rgb, spread, chance(0.3) * strength.clamp(max=0.9))
    # Out of register.
    shift = (draws.normal(count, 3) * 1.2).round().long().clamp(-2, 2)
    rolled = torch.stack([torch.roll(rgb, (k, k // 2), (2, 3)) for k in (-2, -1, 0, 1, 2)])
    pick = torch.arange(count, device=device)
    channels = [rolled[shift[:, c] + 2, pick, c] for c in range(3)]
    rgb = torch.lerp(rgb, torch.stack(channels, 1), chance(0.25))
    # Screened.
    pitch = 60 + 60 * draws.uniform(count, 1, 1, 1)
    screen = torch.sin((xs + ys) * pitch) * torch.sin((xs - ys) * pitch)
    rgb = rgb + 0.16 * chance(0.3) * (screen * strength).to(colour.dtype)
    # Other inks.
    mix = (
        torch.eye(3, device=device)[None]
        + 0.10 * draws.normal(count, 3, 3) * strength[:, 0].float()
    )
    mixed = torch.einsum("bij,bjhw->bihw", mix.to(colour.dtype), rgb)
    mixed = mixed.clamp(0, 1) ** torch.exp(0.25 * draws.normal(count, 3, 1, 1) * strength)
    rgb = torch.lerp(rgb, mixed, chance(0.75))
    # A part that shows something else: another copy's part at the same place.
    centre = draws.uniform(count, 2, 1, 1) * 1.4 - 0.7
    half = 0.06 + 0.2 * draws.uniform(count, 2, 1, 1)
    inside = ((xs - centre[:, :1]).abs() < half[:, :1]) & ((ys - centre[:, 1:]).abs() < half[:, 1:])
    rgb = torch.where(inside & (chance(0.3) > 0), rgb.roll(1, 0), rgb)
    # Foil stays out, or dull; the relief is flat.
    dull = torch.lerp(
        torch.ones_like(metal[:, :, :1, :1]),
        0.25 * torch.ones_like(metal[:, :, :1, :1]),
        chance(0.4),
    )
    return torch.cat([rgb.clamp(0, 1), alpha], 1), metal * dull, relief * (1 - 0.7 * chance(0.4))
