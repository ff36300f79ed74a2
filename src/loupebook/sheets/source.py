"""What a sheet template may ask of a set."""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from loupebook.compare import Comparison, Consensus, Group
from loupebook.records.model import Element, PhotoRecord, SetInfo, SpecimenRecord, Standing
from loupebook.sheets.laid import Laid
from loupebook.sheets.plan import SheetPoint


class SheetSource(Protocol):
    """A set as the templates see it."""

    def info(self) -> SetInfo:
        """Return what the set says of itself."""

    def specimens(
        self,
        *,
        marque: str | None = None,
        edition: str | None = None,
        element: Element | None = None,
        origin: str | None = None,
        standing: Standing | None = None,
    ) -> list[SpecimenRecord]:
        """Return confirmed specimens by name."""

    def specimen(self, name: str) -> SpecimenRecord:
        """Return one specimen, or raise :class:`~loupebook.errors.RecordNotFound`."""

    def photos(self, specimen: str) -> list[PhotoRecord]:
        """Return the photos of a specimen."""

    def consensus(self, group: Group) -> Consensus | None:
        """Return a consensus image; `None` where none can be made."""

    def compare_photo(self, photo: PhotoRecord, group: Group) -> Comparison | None:
        """Compare a photo with a group's consensus; `None` where that cannot be done."""

    def compare_consensus(self, query: Group, reference: Group) -> Comparison | None:
        """Compare what two groups have in common; `None` where that cannot be done."""

    def pixels(self, photo: PhotoRecord) -> NDArray[np.uint8]:
        """Return a photo decoded.

        Raises
        ------
        PhotoError, SetError
            If it cannot be read, or was altered.
        """

    def laid(self, photo: PhotoRecord, group: Group) -> Laid:
        """Return a photo laid into the frame of a group's consensus; as :meth:`pixels`."""

    def points(self, group: Group) -> list[SheetPoint]:
        """Return the points of comparison drawn on a group's consensus image."""
