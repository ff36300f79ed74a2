"""Which part of the photo is searched: drawn on the picture, handed to the library."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any, TypeAlias

import streamlit as st

from loupebook.library import Box, encode_jpeg, resize_to_fit
from parts.component import web_component
from parts.pictures import served
from parts.words import plain

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from loupebook.library import SearchReport

_mount = web_component("crop", "desk_follow")

WHOLE = ((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0))
LONGEST_SHOWN = 1200
SMALL_SIDE = 240
"""Longest side of the small picture beside the choice of an item, px."""
FOUND = "found"
PICKED = "picked-item"
KEPT = "kept-region"
ANEW, NEAREST = "searched-anew", "nearest-said"
Outline: TypeAlias = tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Region:
    """A part of a photo.

    Parameters
    ----------
    corners : tuple of (x, y)
        Fractions of the turned photo, clockwise from the top left.
    turns : int
        Clockwise quarter turns, applied first.
    mode : str
        ``box`` for an upright rectangle, ``corners`` for four free corners.
    """

    corners: tuple[tuple[float, float], ...] = WHOLE
    turns: int = 0
    mode: str = "box"

    @classmethod
    def of(cls, value: dict[str, Any]) -> Region:
        """Read what the component sends."""
        corners = tuple((float(x), float(y)) for x, y in value["corners"])
        mode = "corners" if value["mode"] == "corners" else "box"
        return cls(corners, int(value["turns"]) % 4, mode)

    def to_dict(self) -> dict[str, Any]:
        """Return what the component sends."""
        return {
            "corners": [list(one) for one in self.corners],
            "turns": self.turns,
            "mode": self.mode,
        }

    @property
    def whole(self) -> bool:
        """Whether nothing is cut off."""
        return self.corners == WHOLE

    @property
    def share(self) -> float:
        """How much of the photo it holds, 0..1."""
        ends = zip(self.corners, (*self.corners[1:], self.corners[0]), strict=True)
        return abs(sum(a[0] * b[1] - b[0] * a[1] for a, b in ends)) / 2

    def arguments(self, width: int, height: int) -> dict[str, Any]:
        """Return the search arguments for a photo of that size before turning."""
        given: dict[str, Any] = {"quarter_turns": self.turns}
        if self.whole:
            return given
        if self.turns % 2:
            width, height = height, width
        points = [(x * width, y * height) for x, y in self.corners]
        if self.mode == "corners":
            return given | {"corners": points}
        left, top, right, bottom = *points[0], *points[2]
        box = Box(round(left), round(top), round(right), round(bottom))
        return given | {"box": box}


def region_of(photo: str) -> Region:
    """Return the item picked, else the region last drawn on that photo."""
    picked = st.session_state.get(PICKED)
    if picked and picked[0] == photo:
        return picked[1]
    return _kept_region(photo)


def keep_region(photo: str, region: Region) -> None:
    """Keep a region drawn on the photo with that hash, wherever the session goes meanwhile."""
    st.session_state[KEPT] = (photo, region)


def _kept_region(photo: str) -> Region:
    kept = st.session_state.get(KEPT)
    return kept[1] if kept and kept[0] == photo else Region()


def show_crop(
    pixels: NDArray[np.uint8], photo: str, found: Outline | None, follow: str | None = None
) -> None:
    """Show the photo with its crop.

    Parameters
    ----------
    pixels : ndarray
        The decoded photo.
    photo : str
        Hash of the photo.
    found : tuple of (x, y), optional
        Outline of the item as the search has found it, fractions of the whole unturned photo.
    follow : str, optional
        Address of the desk that tells the outline once it is found.
    """
    height, width = pixels.shape[:2]
    _mount(
        key=_key(photo),
        data={
            "url": served(_shown(photo, pixels), "image/jpeg", "crop-photo"),
            "width": width,
            "height": height,
            "alt": "Your photo with the part that is searched",
            "action": "Search this part",
            "found": found,
            "found_words": "The item, as the search has found it",
            "part_words": "The part that is searched",
            "follow": follow,
            **_kept_region(photo).to_dict(),
        },
        on_region_change=partial(_search_part, photo),
    )


def _search_part(photo: str) -> None:
    """Take over what the picture of that photo has sent; it forgets it where the page is left."""
    sent = (st.session_state.get(_key(photo)) or {}).get("region")
    if sent:
        keep_region(photo, Region.of(sent))
    _search_drawn()


def _search_drawn() -> None:
    """Search what is drawn, not a picked item."""
    st.session_state.pop(PICKED, None)
    _note_anew()


def _note_anew() -> None:
    """Take note that a part is searched by hand, so that the answer says so."""
    number = st.session_state.get(ANEW, (0, None))[0]
    st.session_state[ANEW] = (number + 1, st.session_state.get(NEAREST))


def anew_words(photo: str, report: SearchReport) -> tuple[int, str]:
    """Return what was changed by hand, and its number; 0 and nothing where nothing was.

    Parameters
    ----------
    photo : str
        Hash of the photo.
    report : SearchReport
        The answer on show.
    """
    number, before = st.session_state.get(ANEW, (0, None))
    nearest = report.matches[0].specimen
    st.session_state[NEAREST] = (photo, nearest)
    if not number or before is None or before[0] != photo:
        return 0, ""
    region = region_of(photo)
    picked = st.session_state.get(PICKED)
    if picked and picked[0] == photo:
        what = f"item {picked[2]} alone"
    else:
        share = round(100 * region.share)
        what = "the whole photo" if region.whole else f"the part you marked, {share} % of the photo"
    turned = f", turned by {90 * region.turns}°" if region.turns else ""
    change = (
        f"the nearest is {nearest} as before"
        if nearest == before[1]
        else f"the nearest is now {nearest}; before it was {before[1]}"
    )
    return number, f"Searched anew: {what}{turned}; {change}."


@st.cache_resource(show_spinner=False, max_entries=4)
def _shown(photo: str, _pixels: NDArray[np.uint8]) -> bytes:  # noqa: ARG001 (photo is the key)
    return encode_jpeg(resize_to_fit(_pixels, LONGEST_SHOWN), quality=92)


def outline_of(photo: str) -> Outline | None:
    """Return where the item was found in the whole photo with that hash, in fractions of it."""
    kept = st.session_state.get(FOUND)
    return kept[1] if kept and kept[0] == photo else None


def remember_outline(photo: str, region: Region, report: SearchReport) -> None:
    """Keep where a search of the whole photo has found the item."""
    if region != Region() or not report.matches or outline_of(photo):
        return
    height, width = report.query_pixels.shape[:2]
    found = report.matches[0].location
    outline = None if found is None else tuple((x / width, y / height) for x, y in found)
    st.session_state[FOUND] = (photo, outline)


def offer_items(report: SearchReport, photo: str, pixels: NDArray[np.uint8]) -> None:
    """Offer each item of a photo that shows several, or the way back from one to all.

    Parameters
    ----------
    report : SearchReport
        The answer on show.
    photo : str
        Hash of the photo.
    pixels : ndarray
        The decoded photo.
    """
    picked = st.session_state.get(PICKED)
    if picked and picked[0] == photo:
        st.markdown(f"**Item {picked[2]} of {picked[3]}** of this photo is searched alone.")
        st.button("Search the whole photo again", on_click=_search_drawn)
        return
    if len(report.items) < 2 or region_of(photo) != Region():
        return
    count = len(report.items)
    st.markdown(f"**This photo seems to show {count} items.** Search them one at a time:")
    for number, item in enumerate(report.items, start=1):
        region = region_about(item.outline, pixels.shape[1], pixels.shape[0])
        with st.container(horizontal=True, vertical_alignment="center"):
            st.image(_cut(pixels, region), width=96)
            st.button(
                f"Item {number}, near {plain(item.specimen)}",
                key=f"item-{number}",
                on_click=pick_item,
                args=(photo, region, number, count),
            )


def region_about(outline: Outline, width: int, height: int) -> Region:
    """Return the region that an outline in px marks.

    An outline that leaves the photo gives the upright box about what is in the photo: beyond
    its edge there is nothing to search or to straighten.
    """
    corners = tuple((x / width, y / height) for x, y in outline)
    if all(0 <= share <= 1 for corner in corners for share in corner):
        return Region(corners, 0, "corners")
    across, down = ([min(max(one[axis], 0.0), 1.0) for one in corners] for axis in (0, 1))
    left, top, right, bottom = min(across), min(down), max(across), max(down)
    return Region(((left, top), (right, top), (right, bottom), (left, bottom)))


def _cut(pixels: NDArray[np.uint8], region: Region) -> NDArray[np.uint8]:
    """Return the upright box about a region, small."""
    height, width = pixels.shape[:2]
    across, down = ([one[axis] for one in region.corners] for axis in (0, 1))
    left, top = int(min(across) * (width - 1)), int(min(down) * (height - 1))
    right, bottom = max(int(max(across) * width), left + 1), max(int(max(down) * height), top + 1)
    return resize_to_fit(pixels[top:bottom, left:right], SMALL_SIDE)


def pick_item(photo: str, region: Region, number: int, count: int) -> None:
    """Search one item alone from now on: the region of item `number` of `count`."""
    st.session_state[PICKED] = (photo, region, number, count)
    _note_anew()


def _key(photo: str) -> str:
    return f"crop-{photo[:16]}"
