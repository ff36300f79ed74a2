"""Maps and aligned pictures for eyes.

A map is laid over a pale copy of the query: nothing where query and genuine ones agree,
yellow where it departs by twice what is usual, dark red from four times on. Colour is never
the only sign: the strongest spots are ringed as well.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from loupebook.compare.comparison import Comparison

Pixels = NDArray[np.uint8]

FROM, TO = 1.3, 2.8
_RINGS = 6
_STOPS = np.array([[255, 236, 130], [250, 150, 40], [200, 30, 30], [110, 0, 20]], np.float32)


def difference_map(comparison: Comparison) -> Pixels | None:
    """Return the structure map over the query, uint8 sRGB; `None` where nothing was measured."""
    framed = comparison.framed
    if framed is None:
        return None
    figure = next((one for one in comparison.figures if one.name == "structure"), None)
    if figure is None or figure.map is None:
        return None
    return overlay(framed.pixels, figure.map, framed.inner)


def overlay(
    picture: Pixels, values: NDArray[np.float32], seen: NDArray[np.bool_],
    *, low: float = FROM, high: float = TO,
) -> Pixels:  # fmt: skip
    """Lay a map over a picture.

    Parameters
    ----------
    picture : ndarray
        uint8 (height, width, 3).
    values : ndarray
        float32 (height, width).
    seen : ndarray
        Where the map says anything; the rest is hatched.
    low, high : float
        Where colour begins and where it is full.
    """
    grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY).astype(np.float32)
    pale = np.repeat((150 + 0.41 * grey)[..., None], 3, axis=2)
    rows, columns = np.indices(seen.shape)
    hatch = ((rows + columns) % 12 < 2) & ~seen
    pale[hatch] = pale[hatch] * 0.75
    share = np.clip((values - low) / (high - low), 0, 1) * seen
    place = share * (len(_STOPS) - 1)
    lower = np.minimum(place.astype(int), len(_STOPS) - 2)
    between = (place - lower)[..., None]
    colour = _STOPS[lower] * (1 - between) + _STOPS[lower + 1] * between
    alpha = np.clip(share * 2.5, 0, 0.85)[..., None]
    laid = np.clip(pale * (1 - alpha) + colour * alpha, 0, 255).astype(np.uint8)
    return ringed(laid, share)


def ringed(picture: Pixels, share: NDArray[np.float32]) -> Pixels:
    """Ring the strongest spots."""
    strong = (share > 0.5).astype(np.uint8)
    near = max(3, round(max(share.shape) / 60))
    joined = cv2.dilate(strong, np.ones((near, near), np.uint8))
    count, labels, boxes, centres = cv2.connectedComponentsWithStats(joined)
    if count <= 1:
        return picture
    weight = np.bincount(labels.ravel(), (share * strong).ravel(), minlength=count)
    out = picture.copy()
    for number in [k for k in np.argsort(-weight) if k != 0][:_RINGS]:
        across, down = (int(boxes[number, k]) for k in (2, 3))
        radius = min(round(0.6 * max(across, down)) + near, max(share.shape) // 5)
        centre = tuple(int(v) for v in centres[number])
        cv2.circle(out, centre, radius, (20, 20, 20), 2, cv2.LINE_AA)
    return out


def pictures_of(comparison: Comparison) -> dict[str, Pixels]:
    """Return the pictures of a comparison by name: query and reference aligned, and maps."""
    framed = comparison.framed
    if framed is None:
        return {}
    found = {"query-aligned": framed.pixels, "reference-aligned": framed.consensus.pixels}
    shown = difference_map(comparison)
    if shown is not None:
        found["map-differences"] = shown
    for figure in comparison.figures:
        if figure.map is None or figure.name == "structure":
            continue
        values = figure.map[framed.inner]
        high = float(np.percentile(values, 99.8)) if values.size else 0.0
        limit = max(high, _FULL.get(figure.name, 1e-6))
        name = "map-" + figure.name.lower().replace(" ", "-")
        found[name] = overlay(framed.pixels, figure.map, framed.inner, low=0.35 * limit, high=limit)
    return found


_FULL = {"colour": 12.0, "geometry": 0.15, "line work": 0.5, "UV plate": 0.5}
"""Least figure at which a map is in full colour, so that small ones stay pale."""
