"""Maps and aligned pictures for eyes.

A map is laid over a pale copy of the query, and says of its places what the measurement says
of the whole: nothing where it agrees, yellow from where it comes near the limit of what is
usual, orange at the limit, dark red where it differs. The strongest place of a map has the z
of its measurement; the others have less by as much as they depart less. Colour is never the
only sign: the strongest spots are ringed as well.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import cv2
import numpy as np
from numpy.typing import NDArray

from loupebook.compare.comparison import AGREES_TO, DIFFERS_FROM, NEAR_FROM, Comparison, Figure

Pixels = NDArray[np.uint8]
Share = NDArray[np.float32]

STRUCTURE = "structure"
"""The measurement whose map is the difference map."""
_RINGS = 6
_PEAK = 99.5
"""Percentile of a map that is its strongest place: one speck says little."""
_STANDS_OUT = 0.7
"""Share of the strongest place from which others stand out beside it."""
_STOPS = np.array([[255, 236, 130], [250, 150, 40], [200, 30, 30], [110, 0, 20]], np.float32)
_LIMIT = (AGREES_TO - NEAR_FROM) / (DIFFERS_FROM - NEAR_FROM)
_AT = np.array([0.0, _LIMIT, (1 + _LIMIT) / 2, 1.0])
"""Shares at which a map has the colours of `_STOPS`: orange is the limit."""


def difference_map(comparison: Comparison) -> Pixels | None:
    """Return the structure map over the query, uint8 sRGB; `None` where nothing was measured."""
    framed, share = comparison.framed, shares(comparison).get(STRUCTURE)
    if framed is None or share is None:
        return None
    return overlay(framed.pixels, share, framed.inner, standouts(comparison).get(STRUCTURE))


def map_key(measurement: str) -> str:
    """Return under which name :func:`pictures_of` gives the map of a measurement."""
    shown = "differences" if measurement == STRUCTURE else measurement.lower().replace(" ", "-")
    return f"map-{shown}"


def shares(comparison: Comparison) -> dict[str, Share]:
    """Return each measurement's map as shares 0..1: 0 shows nothing, 1 is full colour."""
    found: dict[str, Share] = {}
    for figure, relative, inner in _mapped(comparison):
        found[figure.name] = np.zeros(relative.shape, np.float32)
        if figure.z is None or not figure.usual or not figure.usual_to:
            continue
        scale = math.log(figure.usual_to / figure.usual) / AGREES_TO
        z = figure.z + np.log(np.maximum(relative, 1e-6)) / scale
        share = np.clip((z - NEAR_FROM) / (DIFFERS_FROM - NEAR_FROM), 0, 1) * inner
        found[figure.name] = np.asarray(share, np.float32)
    return found


def standouts(comparison: Comparison) -> dict[str, Share]:
    """Return by how much places of each map stand out, 0..1, however little that is.

    Maps of measurements that lie well within what is usual are left out: what stands out
    there is chance.
    """
    return {
        figure.name: np.asarray(
            np.clip((relative - _STANDS_OUT) / (1 - _STANDS_OUT), 0, 1) * inner, np.float32
        )
        for figure, relative, inner in _mapped(comparison)
        if figure.z is None or figure.z > NEAR_FROM
    }


def _mapped(comparison: Comparison) -> Iterator[tuple[Figure, Share, NDArray[np.bool_]]]:
    """Yield figures that have a map, the map in shares of its strongest place, what is seen."""
    framed = comparison.framed
    for figure in comparison.figures if framed is not None else ():
        if figure.map is None or framed is None:
            continue
        values = figure.map[framed.inner]
        peak = float(np.percentile(values, _PEAK)) if values.size else 0.0
        yield figure, figure.map / max(peak, 1e-6), framed.inner


def overlay(
    picture: Pixels, share: Share, seen: NDArray[np.bool_], spots: Share | None = None
) -> Pixels:
    """Lay a map over a picture.

    Parameters
    ----------
    picture : ndarray
        uint8 (height, width, 3).
    share : ndarray
        float32 (height, width), 0..1.
    seen : ndarray
        Where the map says anything; the rest is hatched.
    spots : ndarray, optional
        float32 (height, width), 0..1: what is ringed, as :func:`standouts` gives it.
    """
    grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY).astype(np.float32)
    pale = np.repeat((150 + 0.41 * grey)[..., None], 3, axis=2)
    rows, columns = np.indices(seen.shape)
    hatch = ((rows + columns) % 12 < 2) & ~seen
    pale[hatch] = pale[hatch] * 0.75
    colour, alpha = tint(share)
    laid = np.clip(pale * (1 - alpha) + colour * alpha, 0, 255).astype(np.uint8)
    return laid if spots is None else ringed(laid, spots)


def tint(share: Share) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return colour (height, width, 3), 0..255, and opacity (height, width, 1) of a map."""
    colour = np.stack([np.interp(share, _AT, stop) for stop in _STOPS.T], axis=-1)
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
    spots = standouts(comparison)
    for name, share in shares(comparison).items():
        found[map_key(name)] = overlay(framed.pixels, share, framed.inner, spots.get(name))
    return found
