"""Smooth random fields: leaf mottle, paper fibre, ink mottle."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

Map = npt.NDArray[np.float32]


def cloud(
    shape: tuple[int, ...],
    sigma: float | tuple[float, float],
    rng: np.random.Generator,
    *,
    turn: float = 0.0,
    lift: float = 0.0,
) -> Map:
    """Smooth noise of unit deviation; wide clouds are made small and enlarged.

    A pair of widths (px) gives noise drawn out along the direction `turn`.
    """
    long, short = sigma if isinstance(sigma, tuple) else (sigma, sigma)
    shrink = max(1.0, short / 2.0)
    reach = 1.0 if long == short else 1.45  # so that the turned square still covers the map
    rows, columns = (int(np.ceil(n * reach / shrink)) + 4 for n in shape)
    noise = rng.standard_normal((rows, columns), dtype=np.float32)
    noise = cv2.GaussianBlur(
        noise,
        (0, 0),
        sigmaX=max(0.5, long / shrink),
        sigmaY=max(0.5, short / shrink),
        borderType=cv2.BORDER_REFLECT,
    )
    matrix = cv2.getRotationMatrix2D((columns / 2, rows / 2), -np.degrees(turn), shrink)
    matrix[:, 2] += np.array([shape[1] - columns, shape[0] - rows]) / 2
    big = cv2.warpAffine(noise, matrix, (shape[1], shape[0]), borderMode=cv2.BORDER_REFLECT)
    return np.asarray(lift + big / (big.std() + 1e-9), dtype=np.float32)
