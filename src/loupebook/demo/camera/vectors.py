"""Small vector helpers in numpy for scene building; vectors are (n, 3)."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float32]
Numbers = float | NDArray[np.floating]


def floats(values: ArrayLike) -> Floats:
    """Single precision array of plain numbers."""
    return np.asarray(values, np.float32)


def vec(x: Numbers, y: Numbers, z: Numbers) -> Floats:
    """Stack components, broadcast to one length, shape (n, 3)."""
    return np.stack(np.broadcast_arrays(x, y, z), axis=-1).astype(np.float32)


def normalise(vector: Floats) -> Floats:
    """Scale to length 1."""
    length = np.linalg.norm(vector, axis=-1, keepdims=True)
    return np.asarray(vector / np.maximum(length, 1e-9), np.float32)


def perpendicular(vector: Floats, towards: Floats) -> Floats:
    """Part of `towards` that stands at right angles to the unit `vector`, normalised."""
    inner = (vector * towards).sum(-1, keepdims=True)
    return normalise(towards - inner * vector)


def frame_with_x(axis: Floats, z_hint: Floats) -> Floats:
    """Right-handed frames (n, 3, 3) with rows x = `axis` and z nearest to `z_hint`."""
    z = perpendicular(axis, z_hint)
    y = np.cross(z, axis)
    return np.stack([axis, y, z], axis=-2).astype(np.float32)


def rotate(vector: Floats, axis: Floats, angle: Numbers) -> Floats:
    """Rotate about a unit axis by `angle` (n,) radians (Rodrigues)."""
    cosine = np.cos(angle)[..., None]
    sine = np.sin(angle)[..., None]
    inner = (vector * axis).sum(-1, keepdims=True)
    turned = vector * cosine + np.cross(axis, vector) * sine + axis * inner * (1 - cosine)
    return np.asarray(turned, np.float32)
