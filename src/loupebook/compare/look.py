"""What two prints are compared by: structure freed of light, at one common sharpness.

A look has three channels a px: lightness against its surroundings, and the strength of edges
along two pairs of directions (Bigün & Granlund's double angle, so that an edge counts the
same whichever side of it gleams: foil turns bright and dark with the light).
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from loupebook.compare.grid import flatten_light

Plane = NDArray[np.float32]
Mask = NDArray[np.bool_]

SIGMAS = (0.0, 0.5, 0.7, 0.9, 1.2, 1.5, 1.9, 2.4, 3.0, 3.8, 4.8)
_TOLERANCE = 1
"""Slip, px, that is forgiven: registration is not perfect."""
_NEAR = 1.6


def look_of(grey: Plane, mask: Mask, reach: float) -> Plane:
    """Return the look of a logarithmic luminance, (height, width, 3).

    Parameters
    ----------
    grey : ndarray
        (height, width).
    mask : ndarray
        Where it is valid.
    reach : float
        Sigma of the surroundings, px.
    """
    flat = np.clip(flatten_light(grey, reach, mask), -3, 3)
    gx = cv2.Scharr(flat, cv2.CV_32F, 1, 0, scale=1 / 32)
    gy = cv2.Scharr(flat, cv2.CV_32F, 0, 1, scale=1 / 32)
    strength = np.sqrt(gx * gx + gy * gy) + 1e-6
    typical = cv2.blur(strength, (2 * round(reach) + 1,) * 2) + 0.05
    share = 1.2 / (strength * typical)
    return np.dstack([flat * 0.7, (gx * gx - gy * gy) * share, 2 * gx * gy * share])


def distance(query: Plane, model: Plane) -> Plane:
    """Return how far two looks lie apart at each px, a slip of a px forgiven.

    Parameters
    ----------
    query, model : ndarray
        (height, width, 3).
    """
    best: Plane | None = None
    for down in range(-_TOLERANCE, _TOLERANCE + 1):
        for right in range(-_TOLERANCE, _TOLERANCE + 1):
            moved = np.roll(query, (down, right), (0, 1))
            apart = cv2.GaussianBlur(((moved - model) ** 2).sum(axis=2), (0, 0), _NEAR)
            best = apart if best is None else np.minimum(best, apart)
    assert best is not None
    return np.asarray(np.sqrt(np.maximum(best, 0)), np.float32)


def fineness(grey: Plane, mask: Mask, reach: float) -> float:
    """Return the share of fine in coarse structure: falls with blur, whatever the contrast."""
    flat = np.clip(flatten_light(grey, reach, mask), -3, 3)
    inner = cv2.erode(mask.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
    if inner.sum() < 400:
        return 0.0
    fine, coarse = (energy(cv2.GaussianBlur(flat, (0, 0), s), inner) for s in (0.6, 2.4))
    return fine / max(coarse, 1e-9)


def energy(plane: Plane, inner: Mask) -> float:
    """Return the mean square gradient inside, the strongest hundredth cut."""
    gx = cv2.Sobel(plane, cv2.CV_32F, 1, 0, scale=1 / 8)
    gy = cv2.Sobel(plane, cv2.CV_32F, 0, 1, scale=1 / 8)
    power = (gx * gx + gy * gy)[inner]
    return float(np.minimum(power, np.percentile(power, 99)).mean())


def blur_to(grey: Plane, mask: Mask, reach: float, goal: float) -> float:
    """Return the sigma, px, that brings a picture down to a fineness; 0 if it lies below."""
    before = (0.0, fineness(grey, mask, reach))
    if before[1] <= goal:
        return 0.0
    for sigma in SIGMAS[1:]:
        value = fineness(cv2.GaussianBlur(grey, (0, 0), sigma), mask, reach)
        if value <= goal:
            share = (before[1] - goal) / max(before[1] - value, 1e-9)
            return before[0] + share * (sigma - before[0])
        before = (sigma, value)
    return SIGMAS[-1]
