"""RootSIFT features of one picture: where its patches lie and what they look like.

Conventions: `xy` is in px of the picture handed in, whatever size it was worked at; `size`
is the diameter of the patch in the same px; `angle` is in radians, growing clockwise on the
screen (y down). Descriptors are RootSIFT (Arandjelović & Zisserman 2012,
doi:10.1109/CVPR.2012.6248018): the square roots of the L1-normed SIFT values, hence of unit
Euclidean length, stored as uint8 in steps of 1/:data:`UNIT`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from loupebook.imaging import resize

UNIT = 512.0
"""Length of a stored descriptor; single values above 255 / 512 are clipped (very rare)."""
DIMENSIONS = 128


@dataclass(frozen=True)
class FeatureSettings:
    """How features are taken.

    Parameters
    ----------
    longest : int
        Longest side, in px, that a picture is worked at.
    most : int
        Features kept, strongest first.
    contrast : float
        OpenCV's contrast threshold; low, so that plain items have features at all.
    edge : float
        OpenCV's edge threshold.
    enlarge : float
        By how much a small picture may be enlarged at most to reach `longest`.
    """

    longest: int
    most: int
    contrast: float = 0.015
    edge: float = 12.0
    enlarge: float = 2.0


REFERENCE = FeatureSettings(longest=560, most=700)
QUERY = FeatureSettings(longest=1000, most=2000)
PART = FeatureSettings(longest=800, most=1500)
"""A part of a query, looked at more closely."""


@dataclass(frozen=True)
class Features:
    """The features of one picture; see the module's conventions.

    Parameters
    ----------
    xy : ndarray
        float32 (n, 2).
    size, angle : ndarray
        float32 (n,).
    descriptors : ndarray
        uint8 (n, 128).
    width, height : int
        Size of the picture, px.
    """

    xy: NDArray[np.float32]
    size: NDArray[np.float32]
    angle: NDArray[np.float32]
    descriptors: NDArray[np.uint8]
    width: int
    height: int

    def __len__(self) -> int:
        return len(self.xy)

    @cached_property
    def unit_rows(self) -> NDArray[np.float32]:
        """The descriptors as float32 rows of unit length."""
        rows = self.descriptors.astype(np.float32)
        rows /= np.linalg.norm(rows, axis=1, keepdims=True) + 1e-9
        return rows

    def take(self, which: NDArray[np.intp] | NDArray[np.bool_]) -> Features:
        """Return some of the features, by position or mask."""
        return replace(
            self,
            xy=self.xy[which],
            size=self.size[which],
            angle=self.angle[which],
            descriptors=self.descriptors[which],
        )


def sift(most: int, contrast: float, edge: float) -> cv2.SIFT:
    """Return the detector: OpenCV's, whose points lie where the print does.

    Without precise upscaling every point lies a quarter of a px too far right and down, and a
    picture and the same turned lie half a px apart.

    Parameters
    ----------
    most : int
        Features kept at most.
    contrast, edge : float
        Thresholds, as OpenCV has them.
    """
    return cv2.SIFT.create(most, 3, contrast, edge, 1.6, enable_precise_upscale=True)


def extract(pixels: NDArray[np.uint8], settings: FeatureSettings) -> Features:
    """Take the features of a picture.

    Parameters
    ----------
    pixels : ndarray
        uint8 (height, width, 3) sRGB.
    settings : FeatureSettings
        Working size and number.

    Returns
    -------
    Features
        Strongest first; empty for a picture without texture or of a few px.
    """
    height, width = pixels.shape[:2]
    scale = min(settings.longest / max(height, width), settings.enlarge)
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    gray = cv2.cvtColor(resize(pixels, *size), cv2.COLOR_RGB2GRAY)
    if min(gray.shape) < 16:
        return empty(width, height)
    points, raw = sift(settings.most, settings.contrast, settings.edge).detectAndCompute(gray, None)
    if not points:
        return empty(width, height)
    table = np.array([(*p.pt, p.size, p.angle, p.response) for p in points], np.float32)
    order = np.argsort(-table[:, 4], kind="stable")[: settings.most]
    table = table[order]
    across = np.array([width / gray.shape[1], height / gray.shape[0]], np.float32)
    return Features(
        xy=(table[:, :2] + 0.5) * across - 0.5,
        size=table[:, 2] * across.mean(),
        angle=np.deg2rad(table[:, 3]),
        descriptors=root(raw[order]),
        width=width,
        height=height,
    )


def root(raw: NDArray[np.float32]) -> NDArray[np.uint8]:
    """Turn SIFT rows into RootSIFT, quantised."""
    rows = np.sqrt(raw / (raw.sum(axis=1, keepdims=True) + 1e-9))
    quantised: NDArray[np.uint8] = np.minimum(np.rint(rows * UNIT), 255).astype(np.uint8)
    return quantised


def empty(width: int, height: int) -> Features:
    """Return the features of a picture that has none."""
    none = np.empty(0, np.float32)
    return Features(
        np.empty((0, 2), np.float32), none, none, np.empty((0, DIMENSIONS), np.uint8), width, height
    )
