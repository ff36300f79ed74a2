"""Simple surfaces for camera tests, so that they do not wait for artwork and press."""

from __future__ import annotations

import cv2
import numpy as np

from loupebook.demo.surface import PrintedSurface
from loupebook.records.model import Element


def _maps(height, width):
    rng = np.random.default_rng(5)
    noise = rng.standard_normal((height, width)).astype(np.float32)
    return {
        "albedo": np.full((height, width, 3), 0.8, np.float32),
        "coverage": np.ones((height, width), np.float32),
        "metal": np.zeros((height, width), np.float32),
        "metal_tint": np.broadcast_to(np.float32([0.95, 0.72, 0.33]), (height, width, 3)),
        "roughness": np.full((height, width), 0.5, np.float32),
        "relief_mm": cv2.GaussianBlur(noise, (0, 0), 2) * 0.006,
        "fluorescence": np.full((height, width, 3), 0.01, np.float32),
        "hologram": np.zeros((height, width), np.float32),
        "grating_pitch_um": np.ones((height, width), np.float32),
        "grating_angle": np.zeros((height, width), np.float32),
    }


def _foil(maps, mask, height_mm=0.1):
    soft = cv2.GaussianBlur(mask, (0, 0), 1.5)
    maps["metal"] = np.maximum(maps["metal"], mask)
    maps["roughness"] = maps["roughness"] * (1 - mask) + 0.25 * mask
    maps["relief_mm"] = maps["relief_mm"] * (1 - 0.7 * mask) + height_mm * soft


def band(px_per_mm=24.0, radius_mm=9.5):
    """A shield band with a foil border, lettering and a medallion."""
    high, wide = int(24 * px_per_mm), int(66 * px_per_mm)
    maps = _maps(high, wide)
    y, x = np.mgrid[0:high, 0:wide] / px_per_mm
    x, y = x - 33, y - 12
    outline = np.where(np.hypot(x / 11.5, y / 11.5) < 1, 1, np.abs(y) < 6.5).astype(np.float32)
    maps["coverage"] = cv2.GaussianBlur(outline, (0, 0), 0.8)
    maps["albedo"][...] = np.float32([0.28, 0.02, 0.03])
    disc = np.hypot(x, y) < 9.2
    maps["albedo"][disc] = np.float32([0.75, 0.70, 0.58])
    ring = ((np.abs(np.hypot(x, y) - 9.8) < 0.6) | (np.abs(np.abs(y) - 5.6) < 0.25)).astype(
        np.float32
    )
    canvas = np.zeros((high, wide), np.uint8)
    centre = (wide // 2 - int(7.4 * px_per_mm), high // 2 + int(1.4 * px_per_mm))
    cv2.putText(canvas, "SAMPLE", centre, 2, px_per_mm / 11, 255, max(1, int(px_per_mm / 7)), 16)
    for sign in (-1, 1):
        place = (wide // 2 + int(sign * 20 * px_per_mm) - int(6 * px_per_mm), centre[1])
        cv2.putText(
            canvas, "NOWHERE", place, 3, px_per_mm / 15, 255, max(1, int(px_per_mm / 12)), 16
        )
    letters = canvas.astype(np.float32) / 255
    dark = letters * disc
    maps["albedo"] *= 1 - 0.9 * dark[..., None]
    _foil(maps, np.clip(ring + letters * ~disc, 0, 1).astype(np.float32))
    return PrintedSurface(Element.BAND, "cylinder", px_per_mm, radius_mm=radius_mm, **maps)


def seal(px_per_mm=14.0):
    """A pale green strip with fine lines, a hologram patch and a fluorescent crest."""
    high, wide = int(30 * px_per_mm), int(130 * px_per_mm)
    maps = _maps(high, wide)
    y, x = np.mgrid[0:high, 0:wide] / px_per_mm
    lines = 0.5 + 0.5 * np.sin(6 * (y - 15 + 3 * np.sin(x / 5)) + 2 * np.cos(x / 3))
    maps["albedo"] = (
        np.float32([0.75, 0.78, 0.68])
        * (1 - 0.6 * (lines[..., None] > 0.8) * np.float32([1, 0.5, 0.8]))
    ).astype(np.float32)
    crest = (np.hypot(x - 30, y - 15) < 9) & (np.hypot(x - 30, y - 15) > 7)
    maps["fluorescence"][crest] = np.float32([0.7, 0.55, 0.05])
    canvas = np.zeros((high, wide), np.uint8)
    place = (int(46 * px_per_mm), int(18 * px_per_mm))
    cv2.putText(canvas, "GUARANTEE 004711", place, 2, px_per_mm / 11, 255, int(px_per_mm / 6), 16)
    maps["albedo"] *= 1 - 0.92 * (canvas.astype(np.float32) / 255)[..., None]
    patch = ((np.abs(x - 112) < 8) & (np.abs(y - 15) < 8)).astype(np.float32)
    maps["hologram"] = patch
    maps["grating_pitch_um"] = np.where(patch > 0, 1.1, 1.0).astype(np.float32)
    maps["grating_angle"] = (np.floor(x / 4) % 3 * 0.8).astype(np.float32)
    maps["metal_tint"] = np.broadcast_to(np.float32([0.9, 0.9, 0.9]), (high, wide, 3))
    _foil(maps, patch, 0.02)
    return PrintedSurface(Element.SEAL, "strip", px_per_mm, **maps)


def cap(px_per_mm=20.0, radius_mm=9.5, shoulder_mm=6.0):
    """A head with three turns as concentric seams."""
    size = int(44 * px_per_mm)
    maps = _maps(size, size)
    y, x = np.mgrid[0:size, 0:size] / px_per_mm - 22
    rho = np.hypot(x, y)
    noise = cv2.GaussianBlur(
        np.random.default_rng(2).standard_normal((size, size)).astype(np.float32), (0, 0), 9
    )
    noise /= noise.std()
    maps["albedo"] = (np.float32([0.16, 0.08, 0.04]) * (1 + 0.2 * noise[..., None])).astype(
        np.float32
    )
    for seam in (4.0, 8.5, 13.0):
        maps["relief_mm"] += (
            0.12 / (1 + np.exp(-(rho - seam - 0.3 * noise) * 12)).astype(np.float32) * -1
        )
        line = np.exp(-(((rho - seam - 0.3 * noise) / 0.18) ** 2))[..., None]
        maps["albedo"] = (maps["albedo"] * (1 - 0.5 * line)).astype(np.float32)
    return PrintedSurface(
        Element.CAP, "dome", px_per_mm, radius_mm=radius_mm, shoulder_mm=shoulder_mm, **maps
    )
