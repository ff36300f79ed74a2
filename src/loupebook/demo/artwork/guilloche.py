"""Guilloche: families of fine lines as lathe work and security printing know them."""

from __future__ import annotations

import numpy as np
import skia

from loupebook.demo.artwork.geometry import Points, joined, polygon


def rosette(
    cx: float,
    cy: float,
    outer: float,
    inner: float,
    *,
    petals: int,
    lines: int,
    twist: float = 1.0,
    stretch: float = 1.0,
) -> skia.Path:
    """Overlaid waved rings: each line a wave of `petals` lobes, `lines` of them in phase steps."""
    t = np.linspace(0, 2 * np.pi, 24 * petals + 1)
    middle, swing = (outer + inner) / 2, (outer - inner) / 2
    paths = []
    for k in range(lines):
        phase = 2 * np.pi * k / lines
        r = middle + swing * np.sin(petals * t + phase) * (0.72 + 0.28 * np.cos(twist * phase))
        paths.append(polygon(np.column_stack([cx + stretch * r * np.cos(t), cy + r * np.sin(t)])))
    return joined(paths)


def hypotrochoid(
    cx: float, cy: float, size: float, *, big: int, small: int, reach: float, stretch: float = 1.0
) -> skia.Path:
    """One closed spirograph curve: a wheel of `small` teeth inside a ring of `big` teeth."""
    turns = small // int(np.gcd(big, small))
    t = np.linspace(0, 2 * np.pi * turns, 90 * turns + 1)
    k = big - small
    x = k * np.cos(t) + reach * small * np.cos(k / small * t)
    y = k * np.sin(t) - reach * small * np.sin(k / small * t)
    scale = size / (k + reach * small)
    return polygon(np.column_stack([cx + stretch * scale * x, cy + scale * y]))


def wave_border(
    left: float,
    right: float,
    y: float,
    half: float,
    *,
    period: float,
    lines: int,
    weave: float = 2.0,
) -> skia.Path:
    """Band of interlaced waves along x, `half` mm to each side of `y`."""
    count = max(1, round((right - left) / period))
    x = np.linspace(left, right, count * 24 + 1)
    u = 2 * np.pi * count * (x - left) / (right - left)
    paths = []
    for k in range(lines):
        phase = 2 * np.pi * k / lines
        swing = half * (0.62 + 0.38 * np.cos(phase * weave))
        wave = y + swing * np.sin(u + phase) + 0.18 * half * np.sin(3 * u - phase)
        paths.append(polygon(np.column_stack([x, wave]), closed=False))
    return joined(paths)


def moire_ground(
    left: float,
    top: float,
    right: float,
    bottom: float,
    *,
    pitch: float,
    swing: float,
    period: float,
    phase: float = 0.0,
) -> skia.Path:
    """Ground of level waved lines whose swing drifts, as on bank paper."""
    x = np.linspace(left, right, max(24, int((right - left) / 0.16)))
    paths = []
    for k, y in enumerate(np.arange(top, bottom + pitch, pitch)):
        drift = phase + 0.34 * k
        wave = (
            swing
            * np.sin(2 * np.pi * x / period + drift)
            * np.cos(2 * np.pi * x / (period * 5.3) + 0.11 * k)
        )
        paths.append(polygon(np.column_stack([x, y + wave]), closed=False))
    return joined(paths)


def engine_turned(
    left: float, top: float, right: float, bottom: float, *, pitch: float
) -> skia.Path:
    """Basket of small interlocked arcs (barleycorn)."""
    x = np.arange(left, right + pitch / 8, pitch / 8)
    paths = []
    for k, y in enumerate(np.arange(top, bottom + pitch / 2, pitch / 2)):
        wave = 0.42 * pitch * np.abs(np.sin(np.pi * (x / pitch + 0.5 * (k % 2)))) - 0.2 * pitch
        paths.append(polygon(np.column_stack([x, y + wave]), closed=False))
    return joined(paths)


def lattice(left: float, top: float, right: float, bottom: float, *, pitch: float) -> skia.Path:
    """Diagonal diaper of double lines."""
    paths = []
    span = bottom - top
    for shift in (0.0, 0.24 * pitch):
        for x in np.arange(left - span, right + span, pitch):
            paths.append(polygon([(x + shift, top), (x + shift + span, bottom)], closed=False))
            paths.append(polygon([(x + shift, bottom), (x + shift + span, top)], closed=False))
    return joined(paths)


def rays(cx: float, cy: float, outer: Points, *, count: int, share: float = 0.5) -> skia.Path:
    """Sunburst from a centre to an outline; each ray fills `share` of its sector."""
    angle = np.arctan2(outer[:, 1] - cy, outer[:, 0] - cx)
    radius = np.hypot(outer[:, 0] - cx, outer[:, 1] - cy)
    order = np.argsort(angle)
    angle, radius = angle[order], radius[order]
    paths = []
    for k in range(count):
        edges = 2 * np.pi * (k + np.array([-share, share]) / 2) / count - np.pi
        reach = np.interp(edges, angle, radius, period=2 * np.pi) * 1.02
        tips = np.column_stack([cx + reach * np.cos(edges), cy + reach * np.sin(edges)])
        paths.append(polygon(np.vstack([[cx, cy], tips])))
    return joined(paths)


def concentric(points: Points, cx: float, cy: float, *, count: int, inner: float) -> skia.Path:
    """Outline repeated towards its centre, down to the share `inner`, as engraved echo lines."""
    return joined(
        [polygon((points - (cx, cy)) * s + (cx, cy)) for s in np.linspace(1.0, inner, count)]
    )
