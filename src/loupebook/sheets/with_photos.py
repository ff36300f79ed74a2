"""A set as the templates see it, less the specimens of which there is no photo to show."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace
from typing import Any

from loupebook.errors import RecordNotFound, SheetInvalid
from loupebook.records.model import SpecimenRecord
from loupebook.sheets.definition import SheetDefinition
from loupebook.sheets.source import SheetSource

LEFT_OUT = "Left out, since no photo of them is on record"
ONLY_THESE = frozenset({"pair"})
"""Templates that show those named or none: another beside one of two would mislead."""


class WithPhotos:
    """A source without the specimens that have lost their photos, or never had one.

    Those that lack the view or the light of a sheet only keep their place on it.

    Parameters
    ----------
    source : SheetSource
        The whole set.
    """

    def __init__(self, source: SheetSource) -> None:
        self._source = source
        self._empty: dict[str, None] = {}

    def __getattr__(self, name: str) -> Any:
        return getattr(self._source, name)

    def specimens(self, **wanted: Any) -> list[SpecimenRecord]:
        """Return confirmed specimens with photos, by name.

        Raises
        ------
        SheetInvalid
            If there are specimens, but no photo of any.
        """
        found = self._source.specimens(**wanted)
        shown: list[SpecimenRecord] = []
        empty: list[str] = []
        for one in found:
            if self._source.photos(one.name):
                shown.append(one)
            else:
                empty.append(one.name)
        if empty and not shown:
            raise _nothing_to_show(empty)
        self._empty |= dict.fromkeys(empty)
        return shown

    def named(self, definition: SheetDefinition) -> SheetDefinition:
        """Return a definition that names only specimens with photos.

        Raises
        ------
        SheetInvalid
            If nothing is left to show, or the template shows just those that were named.
        """
        shown = tuple(name for name in definition.specimens if self._has_photos(name))
        empty = [name for name in definition.specimens if name not in shown]
        if empty and (not shown or definition.template in ONLY_THESE):
            raise _nothing_to_show(empty)
        self._empty |= dict.fromkeys(empty)
        return replace(definition, specimens=shown)

    def _has_photos(self, name: str) -> bool:
        with suppress(RecordNotFound):  # which the template says in its own words
            return bool(self._source.photos(name))
        return True

    def remarks(self, definition: SheetDefinition) -> tuple[str, ...]:
        """Return what was left out of those that a sheet is about, in a line."""
        asked = definition.specimens
        left_out = sorted(name for name in self._empty if not asked or name in asked)
        return (f"{LEFT_OUT}: {', '.join(left_out)}.",) if left_out else ()


def _nothing_to_show(names: list[str]) -> SheetInvalid:
    return SheetInvalid(
        f"No photo is on record of {', '.join(sorted(names))}: add one, or name others."
    )
