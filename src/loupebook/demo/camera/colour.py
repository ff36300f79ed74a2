"""Colour: the sRGB transfer function and the colour of a single wavelength.

Linear-light values are relative to a diffuse white of 1.
"""

from __future__ import annotations

import torch
from torch import Tensor

#: Linear XYZ (D65) to linear sRGB, IEC 61966-2-1.
_XYZ_TO_SRGB = (
    (3.2406, -1.5372, -0.4986),
    (-0.9689, 1.8758, 0.0415),
    (0.0557, -0.2040, 1.0570),
)

# Lobes (weight, centre nm, width below, width above) of the CIE 1931 matching functions.
_X_LOBES = ((1.056, 599.8, 37.9, 31.0), (0.362, 442.0, 16.0, 26.7), (-0.065, 501.1, 20.4, 26.2))
_Y_LOBES = ((0.821, 568.8, 46.9, 40.5), (0.286, 530.9, 16.3, 31.1))
_Z_LOBES = ((1.217, 437.0, 11.8, 36.0), (0.681, 459.0, 26.0, 13.8))


def srgb_encode(linear: Tensor) -> Tensor:
    """Linear light to sRGB code values, both 0 to 1 (IEC 61966-2-1)."""
    linear = linear.clamp(0.0, 1.0)
    low = linear * 12.92
    high = 1.055 * linear.clamp(min=1e-8).pow(1 / 2.4) - 0.055
    return torch.where(linear <= 0.0031308, low, high)


def srgb_decode(code: Tensor) -> Tensor:
    """SRGB code values to linear light, both 0 to 1 (IEC 61966-2-1)."""
    code = code.clamp(0.0, 1.0)
    return torch.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055).pow(2.4))


def _lobes(wavelength: Tensor, lobes: tuple[tuple[float, float, float, float], ...]) -> Tensor:
    total = torch.zeros_like(wavelength)
    for weight, centre, below, above in lobes:
        offset = wavelength - centre
        width = torch.where(offset < 0, below, above)
        total = total + weight * torch.exp(-0.5 * (offset / width) ** 2)
    return total


def wavelength_rgb(wavelength: Tensor) -> Tensor:
    """Linear sRGB of a spectral line, cut to what sRGB can show.

    Parameters
    ----------
    wavelength : Tensor (…)
        In nanometres; outside the visible band the result is black.

    Returns
    -------
    Tensor (3, …)
        Scaled so that the sum over the visible band is near neutral.

    References
    ----------
    Wyman, Sloan, Shirley 2013, Simple Analytic Approximations to the CIE XYZ Color Matching
    Functions, JCGT 2(2). Coefficients from memory.
    """
    xyz = (
        _lobes(wavelength, _X_LOBES),
        _lobes(wavelength, _Y_LOBES),
        _lobes(wavelength, _Z_LOBES),
    )
    rows = [r[0] * xyz[0] + r[1] * xyz[1] + r[2] * xyz[2] for r in _XYZ_TO_SRGB]
    return torch.stack(rows).clamp(min=0.0)
