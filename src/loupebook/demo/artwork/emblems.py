"""Emblems: invented subjects modelled as small reliefs in a unit square.

Each builder takes a generator, so that no two marques share a head or a hull.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import skia

from loupebook.demo.artwork.geometry import (
    circle,
    ellipse_points,
    joined,
    leaf_shape,
    polygon,
    smooth,
    tapered,
    transformed,
    united,
)
from loupebook.demo.artwork.heads import profile
from loupebook.demo.artwork.relief import Relief, inflated, raster


def _relief(layers: list[tuple[skia.Path, float, float, float]], accents: skia.Path) -> Relief:
    """Stack pillows (path, rim, height, base), each over those before it."""
    height = np.zeros_like(raster(skia.Path()))
    for path, rim, rise, base in layers:
        inside = raster(path) > 0.5
        height = np.where(inside, base + inflated(path, rim=rim, height=rise), height)
    outline = united([layer[0] for layer in layers])
    return Relief(height, raster(outline) > 0.5, outline, accents)


def ship(rng: np.random.Generator) -> Relief:
    """Full-rigged ship under sail on waves."""
    hull = polygon(smooth([(0.10, 0.66), (0.20, 0.72), (0.80, 0.70), (0.93, 0.60), (0.86, 0.78),
                           (0.70, 0.86), (0.30, 0.86), (0.17, 0.80)]))  # fmt: skip
    layers: list[tuple[skia.Path, float, float, float]] = []
    rig = []
    for x, top, width in ((0.27, 0.20, 0.20), (0.50, 0.07, 0.27), (0.73, 0.20, 0.20)):
        rig.append(tapered(np.array([(x, top - 0.05), (x, 0.72)]), [0.010, 0.016]))
        y, rows = top, int(rng.integers(2, 4))
        drop = (0.63 - top) / rows
        for k in range(rows):
            w = width * (0.62 + 0.38 * (k + 1) / rows) / 2
            belly = 0.035
            sail = polygon(smooth([
                (x - w * 0.9, y), (x, y + 0.012), (x + w * 0.9, y),
                (x + w + belly, y + drop * 0.55),
                (x + w, y + drop * 0.88), (x, y + drop * 0.78), (x - w, y + drop * 0.88),
                (x - w + belly * 0.6, y + drop * 0.5),
            ]))  # fmt: skip
            layers.append((sail, 0.09, 0.7, 0.25))
            y += drop
        flag = polygon(smooth([(x, top - 0.06), (x + 0.07, top - 0.075), (x + 0.13, top - 0.055),
                               (x + 0.08, top - 0.035), (x, top - 0.03)]))  # fmt: skip
        layers.append((flag, 0.03, 0.5, 0.2))
    jib = polygon([(0.79, 0.30), (1.0, 0.56), (0.82, 0.60)])
    layers += [(jib, 0.08, 0.6, 0.2), (hull, 0.10, 0.8, 0.3)]
    waves = []
    for row in range(3):
        run = np.linspace(0.02 + 0.03 * row, 0.98 - 0.03 * row, 90)
        crest = 0.87 + 0.045 * row + 0.012 * np.sin(run * 46 + row * 1.7)
        waves.append(
            tapered(
                np.column_stack([run, crest]), 0.009 * np.sin(np.linspace(0, np.pi, 90)) + 0.003
            )
        )
    ports = [circle(0.26 + 0.085 * k, 0.775, 0.012) for k in range(7)]
    return _relief(layers, joined([*rig, *waves, *ports]))


def palm(rng: np.random.Generator) -> Relief:
    """Palm on a mound between two headlands."""
    trunk = polygon(smooth([(0.46, 0.86), (0.475, 0.62), (0.50, 0.40), (0.53, 0.40), (0.535, 0.62),
                            (0.56, 0.86)]))  # fmt: skip
    mound = polygon(smooth([(0.08, 0.93), (0.24, 0.84), (0.5, 0.80), (0.76, 0.84), (0.92, 0.93),
                            (0.5, 0.97)]))  # fmt: skip
    layers = [(mound, 0.10, 0.5, 0.1), (trunk, 0.04, 0.5, 0.3)]
    count = int(rng.integers(9, 13))
    for k in range(count):
        a = -np.pi * (0.02 + 0.96 * k / (count - 1))
        tip = np.array([0.515 + 0.42 * np.cos(a), 0.36 + 0.33 * np.sin(a) + 0.20 * np.cos(a) ** 2])
        mid = np.array([0.515 + 0.25 * np.cos(a), 0.34 + 0.30 * np.sin(a)])
        spine = smooth([(0.515, 0.38), tuple(mid), tuple(tip)], closed=False)
        s = np.linspace(0, 1, len(spine))
        width = (
            0.085 * np.sin(np.pi * np.clip(s * 0.93 + 0.05, 0, 1)) * (0.8 + 0.2 * np.cos(s * 130))
        )
        layers.append((tapered(spine, width), 0.035, 0.6, 0.2 + 0.02 * (k % 3)))
    nuts = [circle(0.495, 0.41, 0.022), circle(0.54, 0.415, 0.022), circle(0.517, 0.43, 0.02)]
    rings = [tapered(np.array([(0.473, y), (0.548, y - 0.012)]), [0.006, 0.006])
             for y in np.linspace(0.46, 0.82, 14)]  # fmt: skip
    return _relief(layers, joined([*nuts, *rings]))


def sun(rng: np.random.Generator) -> Relief:
    """Sun in splendour: straight and waved rays about a disc with a face."""
    count = int(rng.choice([12, 14, 16, 18]))
    layers = []
    for k in range(count):
        a = 2 * np.pi * k / count - np.pi / 2
        s = np.linspace(0.2, 0.49 if k % 2 == 0 else 0.45, 24)
        sway = 0.0 if k % 2 == 0 else 0.016
        bend = sway * np.sin((s - 0.2) * 44)
        spine = np.column_stack([0.5 + s * np.cos(a) - bend * np.sin(a),
                                 0.5 + s * np.sin(a) + bend * np.cos(a)])  # fmt: skip
        layers.append((tapered(spine, np.linspace(0.085, 0.004, 24)), 0.03, 0.4, 0.1))
    layers.append((polygon(ellipse_points(0.5, 0.5, 0.235, 0.235)), 0.23, 0.75, 0.3))
    face = []
    for side in (-1, 1):
        eye = polygon(smooth([(0.03, 0.455), (0.075, 0.44), (0.12, 0.458), (0.075, 0.468)]))
        brow = tapered(
            smooth([(0.025, 0.425), (0.075, 0.400), (0.135, 0.425)], closed=False),
            np.full(25, 0.010),
        )
        face += [transformed(p, scale=(side, 1), move=(0.5, 0)) for p in (eye, brow)]
    nose = tapered(
        smooth([(0.495, 0.44), (0.487, 0.53), (0.515, 0.542)], closed=False), np.full(25, 0.008)
    )
    mouth = polygon(smooth([(0.44, 0.592), (0.48, 0.582), (0.5, 0.587), (0.52, 0.582),
                            (0.56, 0.592), (0.5, 0.612)]))  # fmt: skip
    return _relief(layers, joined([*face, nose, mouth, polygon_ring(0.5, 0.5, 0.243, 0.012)]))


def polygon_ring(cx: float, cy: float, radius: float, width: float) -> skia.Path:
    """Thin ring as a filled outline."""
    points = ellipse_points(cx, cy, radius, radius)
    closed = np.vstack([points, points[:1]])
    return tapered(closed, np.full(len(closed), width))


def tower(rng: np.random.Generator) -> Relief:
    """Lighthouse on a rock, with its beams."""
    shaft = polygon([(0.43, 0.30), (0.57, 0.30), (0.62, 0.80), (0.38, 0.80)])
    gallery = polygon([(0.39, 0.26), (0.61, 0.26), (0.59, 0.31), (0.41, 0.31)])
    lantern = polygon([(0.455, 0.15), (0.545, 0.15), (0.545, 0.26), (0.455, 0.26)])
    dome = polygon(smooth([(0.44, 0.155), (0.46, 0.10), (0.5, 0.05), (0.54, 0.10), (0.56, 0.155)]))
    rock = polygon(smooth([(0.12, 0.95), (0.20, 0.84), (0.33, 0.82), (0.40, 0.77), (0.60, 0.77),
                           (0.69, 0.81), (0.82, 0.85), (0.88, 0.95), (0.5, 0.98)]))  # fmt: skip
    layers = [(rock, 0.12, 0.6, 0.1), (shaft, 0.10, 0.7, 0.2), (gallery, 0.03, 0.4, 0.5),
              (lantern, 0.05, 0.4, 0.4), (dome, 0.06, 0.5, 0.4)]  # fmt: skip
    beams = []
    for side in (-1, 1):
        for k, slope in enumerate((-0.26, -0.02, 0.22)):
            tip = np.array(
                [(0.05, slope * 0.2), (0.44, slope - 0.028 + 0.01 * k), (0.44, slope + 0.028)]
            )
            beams.append(transformed(polygon(tip), scale=(side, 1), move=(0.5, 0.205)))
    layers += [(b, 0.05, 0.25, 0.05) for b in beams]
    stripes = []
    for t in np.linspace(0.05, 0.85, int(rng.integers(4, 6))).tolist():
        ends = [(0.425 - 0.05 * t, 0.36 + 0.44 * t), (0.575 + 0.05 * t, 0.33 + 0.44 * t)]
        stripes.append(tapered(np.array(ends), [0.022, 0.022]))
    return _relief(
        layers,
        joined([*stripes, polygon([(0.48, 0.73), (0.52, 0.73), (0.52, 0.80), (0.48, 0.80)])]),
    )


def heron(rng: np.random.Generator) -> Relief:
    """Heron with raised wings."""
    body = polygon(smooth([(0.36, 0.56), (0.44, 0.46), (0.56, 0.46), (0.66, 0.56), (0.72, 0.72),
                           (0.58, 0.68), (0.46, 0.68)]))  # fmt: skip
    neck = tapered(
        smooth(
            [(0.44, 0.55), (0.36, 0.45), (0.43, 0.33), (0.38, 0.22), (0.30, 0.21)], closed=False
        ),
        np.linspace(0.10, 0.05, 49),
    )
    beak = polygon([(0.32, 0.185), (0.12, 0.235), (0.32, 0.235)])
    crest = tapered(
        smooth([(0.36, 0.19), (0.46, 0.14), (0.54, 0.18)], closed=False),
        np.linspace(0.03, 0.004, 25),
    )
    layers = [(neck, 0.05, 0.5, 0.3), (beak, 0.03, 0.3, 0.3), (crest, 0.02, 0.3, 0.3)]
    feathers = int(rng.integers(8, 11))
    for k in range(feathers):
        t = k / (feathers - 1)
        shape = transformed(
            leaf_shape(0.46 - 0.1 * t, 0.24), turn=1.75 * (t - 1), move=(0.56, 0.50)
        )
        layers.append((shape, 0.03, 0.4, 0.15 + 0.03 * k))
    layers.append((body, 0.10, 0.7, 0.3))
    legs = [
        tapered(
            smooth([(0.50, 0.66), (0.48, 0.80), (0.50, 0.93)], closed=False), np.full(25, 0.016)
        ),
        tapered(
            smooth([(0.58, 0.66), (0.61, 0.80), (0.58, 0.93)], closed=False), np.full(25, 0.016)
        ),
    ]
    reeds = [
        tapered(
            smooth(
                [(x, 0.96), (x + 0.02 * s, 0.80), (x + 0.07 * s, 0.66 + 0.1 * (k % 2))],
                closed=False,
            ),
            np.linspace(0.014, 0.003, 25),
        )
        for k, (x, s) in enumerate([(0.22, -1), (0.28, 1), (0.34, -1), (0.74, 1), (0.80, -1)])
    ]
    eye = circle(0.335, 0.208, 0.010)
    return _relief(layers, joined([*legs, *reeds, eye]))


EMBLEMS: dict[str, tuple[str, Callable[[np.random.Generator], Relief]]] = {
    "profile": ("engraved head in profile", profile),
    "ship": ("sailing ship on waves", ship),
    "palm": ("palm tree on a mound", palm),
    "sun": ("sun with a face and rays", sun),
    "tower": ("lighthouse on a rock", tower),
    "heron": ("heron with raised wings", heron),
}
"""Subjects by name: plain words and builder."""
