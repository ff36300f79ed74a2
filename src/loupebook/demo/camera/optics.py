"""Textbook optics used by both renderers, as plain functions on tensors.

Angles are in radians, lengths in millimetres, wavelengths and grating pitches in nanometres.
Cosines are of angles to the surface normal.
"""

from __future__ import annotations

import math

import torch
from torch import Tensor


def normal_reflectance(n_outside: float, n_inside: float) -> float:
    """Fresnel reflectance at normal incidence, ``((n1 - n2) / (n1 + n2))**2``."""
    return ((n_outside - n_inside) / (n_outside + n_inside)) ** 2


def schlick(reflectance_normal: Tensor, cosine: Tensor) -> Tensor:
    """Fresnel reflectance by Schlick's formula; exact at normal incidence.

    References
    ----------
    Schlick 1994, An Inexpensive BRDF Model for Physically-based Rendering.
    """
    grazing = (1.0 - cosine.clamp(0.0, 1.0)) ** 5
    return reflectance_normal + (1.0 - reflectance_normal) * grazing


def ggx_distribution(cosine_half: Tensor, alpha: Tensor) -> Tensor:
    """GGX microfacet density; its cosine-weighted integral over the hemisphere is 1.

    References
    ----------
    Walter et al. 2007, Microfacet Models for Refraction through Rough Surfaces, eq. 33.
    """
    cosine = cosine_half.clamp(0.0, 1.0)
    squared = alpha * alpha
    denominator = cosine * cosine * (squared - 1.0) + 1.0
    return squared / (math.pi * denominator * denominator)


def smith_visibility(cosine_view: Tensor, cosine_light: Tensor, alpha: Tensor) -> Tensor:
    """Height-correlated Smith shadowing over ``4 cos(view) cos(light)`` (GGX).

    References
    ----------
    Heitz 2014, Understanding the Masking-Shadowing Function, JCGT 3(2).
    """
    squared = alpha * alpha
    view = cosine_light * torch.sqrt(cosine_view * cosine_view * (1 - squared) + squared)
    light = cosine_view * torch.sqrt(cosine_light * cosine_light * (1 - squared) + squared)
    return 0.5 / (view + light).clamp(min=1e-5)


def lambert_radiance(albedo: Tensor, irradiance_normal: Tensor, cosine: Tensor) -> Tensor:
    """Radiance of a matt surface, ``albedo / pi * E * cos`` (Lambert's cosine law)."""
    return albedo / math.pi * irradiance_normal * cosine.clamp(min=0.0)


def grating_wavelength(pitch: Tensor, sine_in: Tensor, sine_out: Tensor, order: int) -> Tensor:
    """Wavelength that a grating sends on: ``d (sin i + sin m) = m lambda``.

    Parameters
    ----------
    pitch : Tensor
        Line spacing in nm.
    sine_in, sine_out : Tensor
        Sines of both angles to the normal in the plane across the lines, signed alike on the
        same side of the normal, so that mirror reflection gives zero.
    order : int
        Diffraction order, 1 or more.
    """
    return pitch * (sine_in + sine_out).abs() / order


def unroll_cylinder(across: Tensor, up: Tensor, radius: Tensor) -> Tensor:
    """Arc length from the crest of a cylinder, ``r * theta``.

    Parameters
    ----------
    across, up : Tensor
        Coordinates of the surface point about the axis in mm; the crest has ``across = 0``.
    radius : Tensor
        In mm.
    """
    return radius * torch.atan2(across, up)


def dome_arc(height: Tensor, radius_here: Tensor, radius: Tensor, rise: Tensor) -> Tensor:
    """Arc length from the pole of a half ellipsoid of revolution, along its meridian.

    Parameters
    ----------
    height : Tensor
        Distance along the axis from the rim plane, 0 to ``rise``.
    radius_here : Tensor
        Distance from the axis.
    radius, rise : Tensor
        Semi-axes in mm.

    Notes
    -----
    ``psi`` is the parametric angle from the pole; the arc is integrated by Gauss-Legendre
    quadrature with three nodes (error below 0.1 % for rise/radius from 0.4 to 1.3).
    """
    psi = torch.atan2(radius_here / radius, height / rise)
    total = torch.zeros_like(psi)
    for node, weight in ((0.112701665, 5 / 18), (0.5, 8 / 18), (0.887298335, 5 / 18)):
        angle = psi * node
        speed = torch.sqrt((radius * torch.cos(angle)) ** 2 + (rise * torch.sin(angle)) ** 2)
        total = total + weight * speed
    return total * psi
