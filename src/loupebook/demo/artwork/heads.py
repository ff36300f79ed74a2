"""Heads in profile, as on medals: hair, beard and headgear vary with the generator."""

from __future__ import annotations

import numpy as np
import skia
from scipy import ndimage

from loupebook.demo.artwork.geometry import (
    circle,
    joined,
    leaf_shape,
    polygon,
    smooth,
    tapered,
    transformed,
    united,
)
from loupebook.demo.artwork.relief import Map, Relief, inflated, raster, unit_grid

_FACE = [
    (0.50, 0.08), (0.36, 0.11), (0.285, 0.18), (0.262, 0.26), (0.246, 0.315), (0.268, 0.352),
    (0.232, 0.41), (0.188, 0.468), (0.198, 0.492), (0.236, 0.502), (0.230, 0.524), (0.207, 0.548),
    (0.230, 0.570), (0.212, 0.596), (0.236, 0.622), (0.226, 0.652), (0.224, 0.690), (0.262, 0.722),
    (0.335, 0.722), (0.400, 0.742), (0.420, 0.800), (0.385, 0.862), (0.270, 0.915), (0.200, 0.985),
    (0.300, 1.030), (0.700, 1.030), (0.860, 0.985), (0.800, 0.905), (0.715, 0.850), (0.690, 0.760),
    (0.715, 0.660), (0.765, 0.540), (0.785, 0.400), (0.765, 0.250), (0.690, 0.140), (0.600, 0.085),
]  # fmt: skip


def profile(rng: np.random.Generator) -> Relief:
    """Classical head in profile, as on a medal; hair, beard and headgear vary."""
    points = np.array(_FACE)
    nose, chin, brow = rng.uniform(-0.014, 0.014, 3)
    points[5:9, 0] += nose * 1.4
    points[14:18, 0] += chin
    points[3:5, 0] += brow * 0.6
    bust = polygon(smooth(points))
    height = inflated(bust, rim=0.20, height=0.8)
    x, y = unit_grid()
    cheek = np.exp(-(((x - 0.36) / 0.09) ** 2 + ((y - 0.53) / 0.10) ** 2))
    socket = np.exp(-(((x - 0.300) / 0.045) ** 2 + ((y - 0.362) / 0.030) ** 2))
    jaw = np.exp(-(((x - 0.44) / 0.16) ** 2 + ((y - 0.735) / 0.035) ** 2))
    height = height + 0.10 * cheek - 0.20 * socket - 0.16 * jaw
    hair = polygon(smooth([
        (0.30, 0.20), (0.37, 0.10), (0.52, 0.065), (0.68, 0.12), (0.78, 0.25), (0.80, 0.42),
        (0.77, 0.58), (0.71, 0.70), (0.61, 0.72), (0.56, 0.60), (0.53, 0.50), (0.47, 0.46),
        (0.43, 0.36), (0.38, 0.27),
    ]))  # fmt: skip
    strands = _strands(x, y, (0.50 + 0.05 * rng.standard_normal(), 0.40), rng)
    height = np.where(raster(hair) > 0.5, height + 0.12 + 0.10 * strands, height)
    layers = [bust, hair]
    if rng.random() < 0.5:
        beard = polygon(smooth([
            (0.245, 0.600), (0.30, 0.615), (0.40, 0.56), (0.47, 0.47), (0.53, 0.55), (0.48, 0.72),
            (0.38, 0.83), (0.26, 0.85), (0.205, 0.76), (0.215, 0.66),
        ]))  # fmt: skip
        curls = np.sin(150 * y + 14 * np.sin(26 * x)) * 0.5
        height = np.where(raster(beard) > 0.5, height + 0.08 + 0.09 * curls, height)
        layers.append(beard)
    gear, extra = _headgear(rng)
    for path, lift in gear:
        height = np.where(raster(path) > 0.5, 0.78 + inflated(path, rim=0.06, height=lift), height)
        layers.append(path)
    eye = polygon(smooth([(0.270, 0.368), (0.290, 0.357), (0.318, 0.366), (0.292, 0.374)]))
    lid = tapered(
        smooth([(0.262, 0.352), (0.29, 0.340), (0.33, 0.352)], closed=False),
        np.concatenate([np.linspace(0.004, 0.010, 12), np.linspace(0.010, 0.003, 13)]),
    )
    brow_line = tapered(
        smooth([(0.258, 0.318), (0.30, 0.298), (0.36, 0.318)], closed=False),
        np.concatenate([np.linspace(0.006, 0.014, 12), np.linspace(0.014, 0.003, 13)]),
    )
    mouth = tapered(
        smooth([(0.214, 0.573), (0.245, 0.570), (0.280, 0.580)], closed=False),
        np.concatenate([np.full(12, 0.008), np.linspace(0.008, 0.002, 13)]),
    )
    nostril = polygon(smooth([(0.226, 0.486), (0.243, 0.474), (0.252, 0.490), (0.240, 0.496)]))
    ear = tapered(
        smooth(
            [(0.50, 0.40), (0.545, 0.39), (0.56, 0.45), (0.525, 0.50), (0.51, 0.53)], closed=False
        ),
        np.full(49, 0.010),
    )
    accents = joined([eye, lid, brow_line, mouth, nostril, ear, *extra])
    outline = united(layers)
    return Relief(ndimage.gaussian_filter(height, 0.8), raster(outline) > 0.5, outline, accents)


def _strands(x: Map, y: Map, centre: tuple[float, float], rng: np.random.Generator) -> Map:
    radius = np.hypot(x - centre[0], (y - centre[1]) * 0.9)
    angle = np.arctan2(y - centre[1], x - centre[0])
    wave = 0.018 * np.sin(angle * rng.integers(5, 9) + rng.uniform(0, 6))
    return np.asarray(np.sin(2 * np.pi * (radius + wave) / 0.036))


def _headgear(rng: np.random.Generator) -> tuple[list[tuple[skia.Path, float]], list[skia.Path]]:
    kind = int(rng.integers(0, 5))
    if kind == 0:  # wreath
        leaves = []
        for k in range(9):
            t = k / 8
            x, y = 0.30 + 0.46 * t, 0.215 - 0.09 * np.sin(np.pi * (0.15 + 0.7 * t)) + 0.17 * t**2
            for side in (-1, 1):
                turn = -0.6 + 1.15 * t + side * 0.55
                leaves.append(transformed(leaf_shape(0.105), turn=turn, move=(x, y)))
        return [(joined(leaves), 0.3)], []
    if kind == 1:  # cocked hat
        hat = polygon(smooth([
            (0.12, 0.235), (0.24, 0.235), (0.34, 0.165), (0.50, 0.200), (0.70, 0.240),
            (0.90, 0.300),
            (0.84, 0.170), (0.70, 0.060), (0.50, -0.01), (0.32, 0.02), (0.20, 0.13),
        ]))  # fmt: skip
        lace = tapered(
            smooth([(0.15, 0.215), (0.34, 0.130), (0.60, 0.175), (0.87, 0.265)], closed=False),
            np.full(37, 0.016),
        )
        return [(hat, 0.35)], [lace]
    if kind == 2:  # coronet
        crown = polygon([
            (0.27, 0.20), (0.25, 0.03), (0.35, 0.10), (0.40, -0.01), (0.47, 0.09), (0.55, -0.02),
            (0.61, 0.10), (0.70, 0.02), (0.73, 0.14), (0.82, 0.10), (0.77, 0.27), (0.52, 0.185),
        ])  # fmt: skip
        gems = [circle(0.33 + 0.105 * k, 0.160 + 0.016 * k, 0.013) for k in range(5)]
        return [(crown, 0.3)], gems
    if kind == 3:  # hood
        hood = polygon(smooth([
            (0.30, 0.13), (0.42, 0.03), (0.62, 0.02), (0.82, 0.14), (0.90, 0.40), (0.86, 0.66),
            (0.90, 0.90), (0.76, 0.97), (0.62, 0.86), (0.59, 0.66), (0.60, 0.48), (0.54, 0.33),
            (0.40, 0.22),
        ]))  # fmt: skip
        folds = [tapered(smooth([(0.66 + 0.05 * k, 0.20 + 0.05 * k), (0.74 + 0.03 * k, 0.45),
                                 (0.68 + 0.05 * k, 0.80)], closed=False), np.full(25, 0.010))
                 for k in range(3)]  # fmt: skip
        return [(hood, 0.35)], folds
    band = tapered(
        smooth([(0.275, 0.235), (0.42, 0.175), (0.62, 0.215), (0.78, 0.33)], closed=False),
        np.full(37, 0.042),
    )
    knot = polygon(smooth([(0.77, 0.31), (0.90, 0.28), (0.93, 0.36), (0.83, 0.37), (0.90, 0.48),
                           (0.84, 0.50), (0.77, 0.37)]))  # fmt: skip
    return [(joined([band, knot]), 0.22)], []
