"""Drawing a region on a consensus image: the points that stand there, and a frame to drag."""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np
import streamlit as st

from parts.component import web_component
from parts.pictures import served_pixels

if TYPE_CHECKING:
    from collections.abc import Sequence

    from loupebook.library import ConsensusPicture, Library, PointRecord

_mount = web_component("crop", "desk_follow")

LONGEST = 1600
START = ((0.35, 0.35), (0.65, 0.35), (0.65, 0.65), (0.35, 0.65))


@st.cache_resource(show_spinner="Laying the genuine photos over each other…", max_entries=8)
def consensus_of(
    _library: Library,
    photo_id: int,
    set_id: str,  # noqa: ARG001 (part of the cache key)
    change_counter: int,  # noqa: ARG001 (part of the cache key)
) -> ConsensusPicture:
    """Return the consensus image of a design, made anew only when the set has changed."""
    return _library.consensus_picture(photo_id)


def draw_region(
    picture: ConsensusPicture, points: Sequence[PointRecord], key: str
) -> list[tuple[float, float]] | None:
    """Offer a frame to drag over a consensus image.

    Parameters
    ----------
    picture : ConsensusPicture
        What to draw on.
    points : sequence of PointRecord
        Those that stand there already; drawn with their numbers.
    key : str
        Unique key.

    Returns
    -------
    list of (x, y) or None
        The region in px of the anchor photo; `None` until one was chosen.
    """
    height, width = picture.pixels.shape[:2]
    _mount(
        key=key,
        data={
            "url": served_pixels(marked(picture, points), key),
            "width": width,
            "height": height,
            "alt": "Consensus image with the points of comparison that stand on it",
            "action": "Take this region",
            "corners": [list(corner) for corner in START],
            "upright": True,
        },
        on_region_change=lambda: None,
    )
    sent = (st.session_state.get(key) or {}).get("region")
    if not sent:
        return None
    drawn = [(x * width - 0.5, y * height - 0.5) for x, y in sent["corners"]]
    return picture.to_photo(drawn)


def marked(picture: ConsensusPicture, points: Sequence[PointRecord]) -> np.ndarray:
    """Return the image, enlarged, with the points on it outlined and numbered."""
    height, width = picture.pixels.shape[:2]
    scale = max(1.0, LONGEST / max(height, width))
    size = (round(width * scale), round(height * scale))
    drawn = cv2.resize(picture.pixels, size, interpolation=cv2.INTER_CUBIC)
    for number, point in enumerate(points, start=1):
        if point.photo_id != picture.photo_id:
            continue
        corners = np.asarray(picture.from_photo(point.region))
        outline = np.rint((corners + 0.5) * scale - 0.5).astype(np.int32)
        for colour, thick in (((0, 0, 0), 7), ((255, 255, 255), 3)):
            cv2.polylines(drawn, [outline], True, colour, thick, cv2.LINE_AA)
            at = (int(outline[0][0]) + 8, int(outline[0][1]) + 34)
            cv2.putText(
                drawn, str(number), at, cv2.FONT_HERSHEY_SIMPLEX, 1.1, colour, thick, cv2.LINE_AA
            )
    return drawn
