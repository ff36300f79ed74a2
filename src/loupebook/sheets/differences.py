"""Where a print departs from known genuine ones, as numbered places for call-outs."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from loupebook.compare import Comparison
from loupebook.sheets.plan import Place, SheetPoint

MOST_PLACES = 6
FROM = 1.3
"""Usual spreads from which a place is told of."""
_JOIN = 60
"""Places nearer than a sixtieth of the frame are one."""
_LEAST_SHARE = 4e-4
_MOST_SHARE = 0.35


def places_that_differ(comparison: Comparison, *, most: int = MOST_PLACES) -> list[SheetPoint]:
    """Return where a comparison found structure beyond what is usual, strongest first.

    Parameters
    ----------
    comparison : Comparison
        A query against a consensus image.
    most : int
        How many places at most.

    Returns
    -------
    list of SheetPoint
        Places as fractions of the frame, numbered from 1. Empty where nothing was measured.
    """
    departs_at = _structure_of(comparison)
    if comparison.framed is None or departs_at is None:
        return []
    beyond = np.clip(departs_at - FROM, 0, None) * comparison.framed.inner
    rows, columns = beyond.shape
    near = max(3, round(max(rows, columns) / _JOIN))
    strong = (beyond > 0.5).astype(np.uint8)
    joined = cv2.dilate(strong, np.ones((near, near), np.uint8))
    count, labels, boxes, _ = cv2.connectedComponentsWithStats(joined)
    weight = np.bincount(labels.ravel(), (beyond * strong).ravel(), minlength=count)
    found: list[SheetPoint] = []
    for label in sorted(range(1, count), key=lambda one: -weight[one]):
        left, top, width, height, _ = (int(value) for value in boxes[label])
        share = width * height / (rows * columns)
        if not _LEAST_SHARE <= share <= _MOST_SHARE:
            continue
        place = Place(left / columns, top / rows, width / columns, height / rows)
        number = len(found) + 1
        departs = float(departs_at[labels == label].max())
        says = f"departs here by up to {departs:.1f} times what is usual among known genuine ones"
        found.append(
            SheetPoint(number, f"Measured place {number}", place, copies=says, measured=True)
        )
        if len(found) == most:
            break
    return found


def could_tell_places(comparison: Comparison | None) -> bool:
    """Say whether a comparison would have found such places, had there been any."""
    return comparison is not None and _structure_of(comparison) is not None


def _structure_of(comparison: Comparison) -> NDArray[np.float32] | None:
    """Return how far what is printed departs, place by place; `None` where nothing tells."""
    found = next((one for one in comparison.figures if one.name == "structure"), None)
    return None if found is None else found.map
