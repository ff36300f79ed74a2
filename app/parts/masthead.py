"""The head of every page: what the tool is, which set is open, and the standing caution."""

from __future__ import annotations

from typing import TYPE_CHECKING

from parts.component import web_component
from parts.current_set import overview_of
from parts.words import CAUTION, counted

if TYPE_CHECKING:
    from loupebook.library import Library

_mount = web_component("masthead")


def show_masthead(library: Library | None) -> None:
    """Show the head; `None` means that no set is open."""
    data: dict[str, object] = {"caution": CAUTION, "set": None, "notice": None, "counts": []}
    if library is not None:
        info, overview = library.info(), overview_of(library)
        data |= {
            "set": info.name,
            "notice": info.notice,
            "counts": [
                ["genuine", f"{overview.genuine:,} genuine"],
                ["fake", f"{overview.fake:,} fake"],
                [None, counted(overview.photos, "photo")],
            ],
        }
    _mount(key="masthead", data=data)
