"""Putting a photo to the library from a page: filters, progress, and the answer kept."""

from __future__ import annotations

from contextlib import nullcontext, suppress
from typing import TYPE_CHECKING, TypeVar

import streamlit as st

from loupebook.library import Element, Lighting, SearchFilters, Standing, View
from parts.current_set import overview_of
from parts.intake import decoded
from parts.words import LIGHTING, STANDING, UV_CAUTION, VIEW

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from loupebook.library import Library, SearchReport
    from parts.crop import Region
    from parts.intake import Handed

ANY = "any"
FILTERS = {
    "element": Element,
    "view": View,
    "standing": Standing,
    "marque": str,
    "lighting": Lighting,
}
"""Filters and what kind of value each takes."""
CLEARED = "filters-cleared"
Option = TypeVar("Option")


def filters_chosen(library: Library) -> SearchFilters:
    """Return the filters as they are chosen, whether or not they are on the page yet."""
    if st.session_state.get("filter-marque") not in (None, *overview_of(library).marques):
        st.session_state["filter-marque"] = None
    chosen = {name: st.session_state.get(f"filter-{name}") for name in FILTERS}
    return SearchFilters(**chosen)


def choose_filters(library: Library) -> None:
    """Offer the filters of a search; :func:`filters_chosen` tells what is chosen."""
    left, right = st.columns(2)
    with left:
        _choice("Element", {one: str(one) for one in Element}, "filter-element")
        _choice("View", VIEW, "filter-view")
        _choice("Standing", STANDING, "filter-standing")
    with right:
        marques = overview_of(library).marques
        _choice("Marque", {name: name for name in marques}, "filter-marque")
        lighting = _choice("Lighting", LIGHTING, "filter-lighting")
    say_uv(lighting)


def _choice(label: str, options: dict[Option, str], key: str) -> Option | None:
    return st.selectbox(
        label,
        [None, *options],
        format_func=lambda option: ANY if option is None else options[option],
        key=key,
        # Where a run ends before it is drawn, and where the page is left, what was chosen still
        # holds: else another search than the one looked at would be saved.
        persist_state="session",
    )


def say_uv(lighting: Lighting | None) -> None:
    """Caution whoever works with a UV-A lamp."""
    if lighting is Lighting.UV_A:
        st.warning(UV_CAUTION, icon=":material/visibility_off:")


def clear_filters() -> None:
    """Set every filter back to "any"."""
    for name in FILTERS:
        st.session_state[f"filter-{name}"] = None
    st.session_state[CLEARED] = True


def filters_cleared() -> bool:
    """Say whether the filters were cleared since this was last asked."""
    return bool(st.session_state.pop(CLEARED, False))


def kept_filters() -> dict[str, str | None]:
    """Return the filters as they stand, as JSON values."""
    values = {name: st.session_state.get(f"filter-{name}") for name in FILTERS}
    return {name: None if value is None else str(value) for name, value in values.items()}


def keep_filters(kept: Mapping[str, str | None]) -> None:
    """Take up filters that were chosen before; what is no longer a choice is left out."""
    for name, kind in FILTERS.items():
        with suppress(ValueError):
            if kept.get(name) is not None:
                st.session_state[f"filter-{name}"] = kind(kept[name])


def search_kept(
    library: Library,
    photo: Handed,
    *,
    region: Region,
    filters: SearchFilters,
    k: int,
    place: str,
    before: Callable[[], None] | None = None,
) -> SearchReport:
    """Search, or return the answer kept from the last run if nothing has changed since.

    Parameters
    ----------
    library : Library
    photo : Handed
    region, filters, k
        What to search, among what, how many.
    place : str
        Which answer of the page this is.
    before : callable, optional
        Called before the photo is decoded and searched for, not where the answer is kept; it
        shows that something is going on.

    Raises
    ------
    PhotoError
        If the photo cannot be decoded within limits.
    """
    info = library.info()
    mark = (info.set_id, info.change_counter, photo.sha256, region, filters, k)
    kept = st.session_state.get(place)
    if kept is not None and kept[0] == mark:
        return kept[1]
    bar = st.empty()
    waiting = st.spinner("Looking through the library…") if before is None else nullcontext()
    if before is not None:
        before()

    def progress(what: str, done: int, total: int) -> None:
        bar.progress(done / max(total, 1), text=f"{what}: {done:,} of {total:,}")

    with waiting:
        query = decoded(photo)
        height, width = query.pixels.shape[:2]
        report = library.search(
            query,
            name=photo.name,
            filters=filters,
            k=k,
            progress=progress,
            **region.arguments(width, height),
        )
    bar.empty()
    st.session_state[place] = (mark, report)
    return report
