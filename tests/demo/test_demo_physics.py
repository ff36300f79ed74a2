"""The demo's optics against textbook values; the source is named beside each check."""

from __future__ import annotations

import math

import numpy as np
import pytest
import torch

from loupebook.demo.camera.colour import srgb_decode, srgb_encode, wavelength_rgb
from loupebook.demo.camera.focus import circle_of_confusion
from loupebook.demo.camera.optics import (
    dome_arc,
    ggx_distribution,
    grating_wavelength,
    lambert_radiance,
    normal_reflectance,
    schlick,
    smith_visibility,
    unroll_cylinder,
)
from loupebook.demo.surface import dome_profile

pytestmark = pytest.mark.external


def tensor(*values):
    return torch.tensor(values, dtype=torch.float64)


def test_lambert_radiance_falls_with_the_cosine():
    # Lambert's cosine law: E at 60 degrees is half of E at 0; a white matt surface under
    # irradiance pi has radiance 1 (any textbook on photometry).
    radiance = lambert_radiance(
        tensor(1.0), tensor(math.pi), torch.cos(torch.deg2rad(tensor(0.0, 60.0, 90.0, 120.0)))
    )
    assert radiance.tolist() == pytest.approx([1.0, 0.5, 0.0, 0.0], abs=1e-12)


@pytest.mark.parametrize(("inside", "expected"), [(1.5, 0.04), (1.33, 0.0201), (2.42, 0.1724)])
def test_reflectance_at_normal_incidence_is_fresnels(inside, expected):
    # ((n1 - n2) / (n1 + n2))^2: glass 4 %, water 2 %, diamond 17 % (Hecht, Optics, ch. 4).
    assert normal_reflectance(1.0, inside) == pytest.approx(expected, abs=1e-4)
    base = tensor(normal_reflectance(1.0, inside))
    assert schlick(base, tensor(1.0)).item() == pytest.approx(expected, abs=1e-4)
    assert schlick(base, tensor(0.0)).item() == pytest.approx(1.0)


def test_schlick_stays_near_the_exact_fresnel_equations():
    # Exact unpolarised Fresnel for n = 1.5 (Hecht, Optics, ch. 4); Schlick 1994 is known to
    # be within a few hundredths below 80 degrees.
    angle = torch.deg2rad(torch.arange(0.0, 80.0, 5.0, dtype=torch.float64))
    inner = torch.asin(torch.sin(angle) / 1.5)
    across = (torch.cos(angle) - 1.5 * torch.cos(inner)) / (
        torch.cos(angle) + 1.5 * torch.cos(inner)
    )
    along = (1.5 * torch.cos(angle) - torch.cos(inner)) / (
        1.5 * torch.cos(angle) + torch.cos(inner)
    )
    exact = (across**2 + along**2) / 2
    assert (schlick(tensor(0.04), torch.cos(angle)) - exact).abs().max() < 0.03


def test_grating_equation_gives_the_textbook_wavelength():
    # d (sin i + sin m) = m lambda: 600 lines/mm send 532 nm to 18.6 degrees in the first
    # and 39.7 degrees in the second order at normal incidence (worked by hand).
    pitch = tensor(1e6 / 600)
    for order, degrees in ((1, 18.61), (2, 39.67)):
        sine = tensor(math.sin(math.radians(degrees)))
        found = grating_wavelength(pitch, tensor(0.0), sine, order)
        assert found.item() == pytest.approx(532.0, abs=0.3)
    mirrored = grating_wavelength(pitch, tensor(0.5), tensor(-0.5), 1)
    assert mirrored.item() == 0.0


def test_cylinder_unrolls_to_radius_times_angle():
    angle = torch.deg2rad(tensor(-90.0, 0.0, 45.0, 90.0))
    arc = unroll_cylinder(9.5 * torch.sin(angle), 9.5 * torch.cos(angle), tensor(9.5))
    assert arc.tolist() == pytest.approx((9.5 * angle).tolist())


def test_dome_arc_of_a_sphere_is_radius_times_angle():
    angle = torch.deg2rad(tensor(10.0, 45.0, 90.0))
    arc = dome_arc(9 * torch.cos(angle), 9 * torch.sin(angle), tensor(9.0), tensor(9.0))
    assert arc.tolist() == pytest.approx((9 * angle).tolist(), rel=1e-6)
    radius, depth = dome_profile(np.array([9 * math.pi / 4]), radius_mm=9.0, shoulder_mm=9.0)
    assert radius[0] == pytest.approx(9 * math.sin(math.pi / 4))
    assert depth[0] == pytest.approx(9 * (1 - math.cos(math.pi / 4)))


def test_srgb_transfer_matches_the_standard():
    # IEC 61966-2-1: code 0.5 is 0.21404 linear; the two branches meet at 0.04045/0.0031308.
    assert srgb_decode(tensor(0.5)).item() == pytest.approx(0.21404, abs=1e-5)
    assert srgb_encode(tensor(0.0031308)).item() == pytest.approx(0.04045, abs=1e-5)
    codes = torch.linspace(0, 1, 256, dtype=torch.float64)
    assert (srgb_encode(srgb_decode(codes)) - codes).abs().max() < 1e-6


@pytest.mark.parametrize("alpha", [0.05, 0.2, 0.6, 1.0])
def test_ggx_microfacets_cover_the_plane_once(alpha):
    # The integral of D cos over the hemisphere is 1 (Walter et al. 2007, eq. 4).
    edges = torch.linspace(0, math.pi / 2, 200_001, dtype=torch.float64)
    angle = (edges[1:] + edges[:-1]) / 2
    density = ggx_distribution(torch.cos(angle), tensor(alpha))
    total = (
        (density * torch.cos(angle) * torch.sin(angle)).sum() * 2 * math.pi * (edges[1] - edges[0])
    )
    assert total.item() == pytest.approx(1.0, abs=1e-3)


def test_smith_visibility_of_a_mirror_is_plain_geometry():
    # With alpha -> 0 nothing is shadowed: G = 1, so V = 1 / (4 cos v cos l) (Heitz 2014).
    value = smith_visibility(tensor(0.8), tensor(0.5), tensor(1e-4))
    assert value.item() == pytest.approx(1 / (4 * 0.8 * 0.5), rel=1e-3)


def test_spectral_colours_have_the_hues_everyone_knows():
    # CIE 1931: 460 nm is blue, 530 nm green, 620 nm red; 750 nm is all but invisible.
    colours = wavelength_rgb(tensor(460.0, 530.0, 620.0, 750.0))
    assert colours.argmax(0)[:3].tolist() == [2, 1, 0]
    assert colours[:, 3].max() < 0.01


def test_luminous_efficiency_peaks_at_555_nm():
    # CIE 1924 V(lambda): maximum at 555 nm.
    waves = torch.arange(480.0, 640.0, dtype=torch.float64)
    rgb = wavelength_rgb(waves)
    weights = tensor(0.2126, 0.7152, 0.0722)[:, None]
    # Cutting to the sRGB gamut shifts the peak a little.
    assert abs(waves[(rgb * weights).sum(0).argmax()].item() - 555) < 25


def test_circle_of_confusion_of_a_thin_lens():
    # Thin lens: a point at twice the focus distance is blurred by A / (2 f) radians.
    blur = circle_of_confusion(tensor(400.0), tensor(200.0), tensor(2.0), tensor(3000.0))
    assert blur.item() == pytest.approx(2.0 / 400.0 * 3000.0)
    assert circle_of_confusion(tensor(200.0), tensor(200.0), tensor(2.0), tensor(1.0)).item() == 0
