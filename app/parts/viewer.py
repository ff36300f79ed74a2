"""The viewer: one reference photo under the glass."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from parts.component import web_component
from parts.pictures import served_reference
from parts.words import CAUTION, STANDING, UV_CAUTION, size, taken

GLASS = ("view", "layer", "glass", "saving")
"""Scripts that the viewer and the desk are both built on."""

if TYPE_CHECKING:
    from collections.abc import Sequence

    from loupebook.library import Library, PhotoRecord

_mount = web_component("viewer", *GLASS)


def show_photo(library: Library, photo: PhotoRecord) -> None:
    """Show one reference photo by itself."""
    specimen = library.specimen(photo.specimen)
    pane = {
        "key": "photo",
        "standing": str(specimen.standing),
        "heading": STANDING[specimen.standing],
        "short": STANDING[specimen.standing],
        "name": photo.file_name,
        "facts": [taken(photo.view, photo.lighting), size(photo)],
        "url": served_reference(library, photo.photo_id, "viewer-photo"),
        "width": photo.width,
        "height": photo.height,
        "alt": f"Photo {photo.file_name} of specimen {photo.specimen}",
        "dark": photo.lighting == "uv-a",
        "cautions": [UV_CAUTION] if photo.lighting == "uv-a" else [],
    }
    footnote = f"{library.info().name} · {photo.specimen} · {CAUTION}"
    _mount(
        key="one-photo",
        data={"label": "Photo of the specimen", "panes": [pane], "footnote": footnote},
    )


def show_panes(panes: Sequence[dict[str, Any]], *, label: str, footnote: str, key: str) -> None:
    """Show pictures of one frame side by side, zoom and pan locked together.

    Parameters
    ----------
    panes : sequence of dict
        ``key``, ``standing``, ``heading``, ``short``, ``name``, ``facts``, ``url``, ``width``,
        ``height``, ``alt``; optionally ``dark`` and ``cautions``.
    label, footnote : str
        For screen readers, and below the pictures.
    key : str
        Unique key.
    """
    _mount(key=key, data={"label": label, "panes": list(panes), "footnote": footnote})
