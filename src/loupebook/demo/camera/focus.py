"""Depth of field: blurs a sharp picture by the lens's circle of confusion.

The background is blurred from background pixels only, so that a sharp item does not bleed
into the blur behind it; what is near focus is blurred plainly.
"""

from __future__ import annotations

import torch
import torch.nn.functional as functional
from torch import Tensor

_SIGMAS = (0.0, 0.8, 1.6, 3.2, 6.4, 12.8)


def circle_of_confusion(depth: Tensor, focus: Tensor, aperture: Tensor, focal_px: Tensor) -> Tensor:
    """Diameter in px of the blur of a point, negative in front of the sharp plane.

    A thin lens of opening ``A`` focused at ``f`` images a point at ``z`` as a disc of
    angular diameter ``A |1/f - 1/z|`` seen from the lens.
    """
    return aperture * (1 / focus - 1 / depth) * focal_px


def _blur_half(picture: Tensor, times: int) -> Tensor:
    """Approximate Gaussian of sigma about ``0.8 * 2**(times - 1)`` px by halving."""
    height, width = picture.shape[-2:]
    small = picture
    for _ in range(times - 1):
        small = functional.avg_pool2d(small, 2, ceil_mode=True, count_include_pad=False)
    kernel = small.new_tensor((0.03, 0.235, 0.47, 0.235, 0.03))
    channels = small.shape[1]
    across = kernel.view(1, 1, 1, 5).expand(channels, 1, 1, 5)
    small = functional.conv2d(
        functional.pad(small, (2, 2, 0, 0), mode="replicate"), across, groups=channels
    )
    down = kernel.view(1, 1, 5, 1).expand(channels, 1, 5, 1)
    small = functional.conv2d(
        functional.pad(small, (0, 0, 2, 2), mode="replicate"), down, groups=channels
    )
    return functional.interpolate(small, (height, width), mode="bilinear", align_corners=False)


def focus_blur(picture: Tensor, confusion: Tensor) -> Tensor:
    """Blur (B, 3, H, W) by the diameter `confusion` (B, 1, H, W) in px."""
    sigma = confusion.abs() * 0.30
    level = torch.log2(sigma.clamp(min=0.05) / _SIGMAS[1]) + 1
    level = torch.where(level < 1, sigma / _SIGMAS[1], level).clamp(0, len(_SIGMAS) - 1.001)
    behind = ((confusion - 2.0) / 3.0).clamp(0.0, 1.0)
    apart = torch.cat([picture * behind, behind], 1)
    plain = torch.cat([picture, torch.ones_like(behind)], 1)
    blurred = torch.zeros_like(picture)
    for number in range(len(_SIGMAS)):
        weight = (1 - (level - number).abs()).clamp(min=0)
        near = plain if number == 0 else _blur_half(plain, number)
        far = apart if number == 0 else _blur_half(apart, number)
        mixed = torch.lerp(
            near[:, :3] / near[:, 3:],
            far[:, :3] / far[:, 3:].clamp(min=1e-3),
            behind * (far[:, 3:] > 0.02),
        )
        blurred = blurred + weight * mixed
    return blurred
