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
Share = NDArray[np.float32]

FROM, TO = 1.3, 2.8
_RINGS = 6
_STOPS = np.array([[255, 236, 130], [250, 150, 40], [200, 30, 30], [110, 0, 20]], np.float32)


def difference_map(comparison: Comparison) -> Pixels | None:
    """Return the structure map over the query, uint8 sRGB; `None` where nothing was measured."""
    share = shares(comparison).get("structure")
    if comparison.framed is None or share is None:
        return None
    return overlay(comparison.framed.pixels, share, comparison.framed.inner)


def shares(comparison: Comparison) -> dict[str, Share]:
    """Return each measurement's map as shares 0..1: 0 shows nothing, 1 is full colour."""
    framed = comparison.framed
    found: dict[str, Share] = {}
    for figure in comparison.figures if framed is not None else ():
        if figure.map is None or framed is None:
            continue
        low, high = FROM, TO
        if figure.name != "structure":
            values = figure.map[framed.inner]
            most = float(np.percentile(values, 99.8)) if values.size else 0.0
            high = max(most, _FULL.get(figure.name, 1e-6))
            low = 0.35 * high
        share = np.clip((figure.map - low) / (high - low), 0, 1) * framed.inner
        found[figure.name] = np.asarray(share, np.float32)
    return found


def overlay(picture: Pixels, share: Share, seen: NDArray[np.bool_]) -> Pixels:
    """Lay a map over a picture.

    Parameters
    ----------
    picture : ndarray
        uint8 (height, width, 3).
    share : ndarray
        float32 (height, width), 0..1.
    seen : ndarray
        Where the map says anything; the rest is hatched.
    """
    grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY).astype(np.float32)
    pale = np.repeat((150 + 0.41 * grey)[..., None], 3, axis=2)
    rows, columns = np.indices(seen.shape)
    hatch = ((rows + columns) % 12 < 2) & ~seen
    pale[hatch] = pale[hatch] * 0.75
    colour, alpha = tint(share)
    laid = np.clip(pale * (1 - alpha) + colour * alpha, 0, 255).astype(np.uint8)
    return ringed(laid, share)


def tint(share: Share) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return colour (height, width, 3), 0..255, and opacity (height, width, 1) of a map."""
    place = share * (len(_STOPS) - 1)
    lower = np.minimum(place.astype(int), len(_STOPS) - 2)
    between = (place - lower)[..., None]
    colour = _STOPS[lower] * (1 - between) + _STOPS[lower + 1] * between
    alpha = np.clip(share * 2.5, 0, 0.85)[..., None]
    return np.asarray(colour, np.float32), np.asarray(alpha, np.float32)


def strongest(share: Share) -> list[tuple[tuple[float, float], float]]:
    """Return the strongest spots of a map, strongest first: centre (x, y) and radius, px."""
    strong = (share > 0.5).astype(np.uint8)
    near = max(3, round(max(share.shape) / 60))
    joined = cv2.dilate(strong, np.ones((near, near), np.uint8))
    count, labels, boxes, centres = cv2.connectedComponentsWithStats(joined)
    weight = np.bincount(labels.ravel(), (share * strong).ravel(), minlength=count)
    spots = []
    for number in [k for k in np.argsort(-weight) if k != 0][:_RINGS]:
        across, down = (int(boxes[number, k]) for k in (2, 3))
        radius = min(round(0.6 * max(across, down)) + near, max(share.shape) // 5)
        x, y = (float(v) for v in centres[number])
        spots.append(((x, y), float(radius)))
    return spots


def ringed(picture: Pixels, share: Share) -> Pixels:
    """Ring the strongest spots."""
    out = picture.copy()
    for (x, y), radius in strongest(share):
        cv2.circle(out, (int(x), int(y)), int(radius), (20, 20, 20), 2, cv2.LINE_AA)
    return out


def pictures_of(comparison: Comparison) -> dict[str, Pixels]:
    """Return the pictures of a comparison by name: query and reference aligned, and maps."""
    framed = comparison.framed
    if framed is None:
        return {}
    found = {"query-aligned": framed.pixels, "reference-aligned": framed.consensus.pixels}
    for name, share in shares(comparison).items():
        shown = "differences" if name == "structure" else name.lower().replace(" ", "-")
        found[f"map-{shown}"] = overlay(framed.pixels, share, framed.inner)
    return found


_FULL = {"colour": 12.0, "geometry": 0.15, "line work": 0.5, "UV plate": 0.5}
"""Least figure at which a map is in full colour, so that small ones stay pale."""
