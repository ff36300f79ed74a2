"""The seam that every way of finding photos fits: :class:`SearchArm`.

An arm keeps its own derived state on disk, is brought up to date by :meth:`SearchArm.sync`
and answers one query at a time with :meth:`SearchArm.find`. Arms know photo ids and pixels
only; specimens, standings and filters belong to ``loupebook.search.search_set``.

Conventions: points are ``(x, y)`` in px of the picture they lie in, x to the right and y
down, the centre of the top left pixel at ``(0, 0)``. Photo ids are the catalogue's row ids.
`None` for `allowed` means "every photo held", an empty collection means "none".
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, Protocol, TypeAlias, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from loupebook.errors import QueryInvalid

Pixels: TypeAlias = NDArray[np.uint8]
"""A picture: uint8, (height, width, 3), sRGB."""

Point: TypeAlias = tuple[float, float]
Box: TypeAlias = tuple[int, int, int, int]
"""Left, top, right, bottom: a part of a picture, right and bottom excluded."""

Outline: TypeAlias = tuple[Point, Point, Point, Point]
"""Four corners, clockwise from the top left corner *of the item as the reference shows it*,
so that the order also tells which way up the item lies in the query."""

ReadPhoto: TypeAlias = Callable[[int], Pixels]
"""Photo id to decoded pixels. Raises a ``LoupebookError`` where that fails."""

Progress: TypeAlias = Callable[[str, int, int], None]
"""Called with (what is being done, photos done, photos in all). Called from one thread."""


def no_progress(what: str, done: int, total: int) -> None:
    """Report nothing: the default where nobody watches."""


@dataclass(frozen=True)
class QueryPhoto:
    """The photo that is put to the library, decoded once and shared by all arms.

    Parameters
    ----------
    pixels : ndarray
        The full decoded query, uint8 sRGB (height, width, 3), oriented, never scaled down.
        Arms must not write to it.
    region : Outline, optional
        Where the item lies, if a person or another arm has said so; clockwise from the
        corner that is its top left as marked. `None` means anywhere in the photo.
    upright : bool
        Whether that corner is known to be the item's own top left, as it is where an arm has
        laid a reference over it.
    placed : bool
        Whether the item's place is known already and is asked about apart: then a search all
        over the photo would find but chance likeness.

    Raises
    ------
    QueryInvalid
        If the pixels are not a picture.
    """

    pixels: Pixels
    region: Outline | None = None
    upright: bool = False
    placed: bool = False

    def __post_init__(self) -> None:
        shape = self.pixels.shape
        if self.pixels.dtype != np.uint8 or len(shape) != 3 or shape[2] != 3 or 0 in shape:
            raise QueryInvalid(
                f"A query must be a uint8 picture of shape (height, width, 3), "
                f"not {self.pixels.dtype} {shape}."
            )


@dataclass(frozen=True)
class ArmHit:
    """One photo that an arm has found.

    Parameters
    ----------
    photo_id : int
        Row id of the photo.
    score : float
        On the arm's own scale; greater is nearer. Scales of two arms are not comparable:
        ``loupebook.search.fuse`` brings them together.
    outline : Outline, optional
        Where the item lies in the query, if the arm can tell.
    detail : mapping
        What the score rests on, for explanation (inliers, area covered, quarter turns…).
        Plain JSON values only; each arm documents its keys.
    """

    photo_id: int
    score: float
    outline: Outline | None = None
    detail: Mapping[str, Any] = field(default_factory=lambda: MappingProxyType({}))


@dataclass(frozen=True)
class SyncReport:
    """What a sync has done.

    Parameters
    ----------
    added, withdrawn, kept : int
        Photos newly held, no longer held, and left as they were. A photo whose bytes
        changed counts as withdrawn and added.
    failed : mapping
        Photo id to the reason, for photos that could not be read; they are tried again at
        the next sync.
    rebuilt : str, optional
        Why derived state was thrown away and made anew, if it was.
    """

    added: int
    withdrawn: int
    kept: int
    failed: Mapping[int, str] = field(default_factory=lambda: MappingProxyType({}))
    rebuilt: str | None = None


@dataclass(frozen=True)
class Pending:
    """What separates an arm's derived state from the catalogue; empty means up to date.

    Parameters
    ----------
    to_add, to_withdraw : frozenset of int
        Photos not held yet, and photos held that must go.
    damage : str, optional
        Why the derived state cannot be used, if it cannot; the next sync makes it anew.
    only_read : bool
        Whether this user may not write the derived state, so that another must sync it.
    """

    to_add: frozenset[int] = frozenset()
    to_withdraw: frozenset[int] = frozenset()
    damage: str | None = None
    only_read: bool = False

    def __bool__(self) -> bool:
        return bool(self.to_add or self.to_withdraw or self.damage)


def difference(held: Mapping[int, str], wanted: Mapping[int, str]) -> Pending:
    """Compare what an arm holds with what the catalogue wants, both photo id to sha256.

    A photo whose sha256 differs is in both sets: it must go and come back.
    """
    return Pending(
        to_add=frozenset(photo for photo, sha in wanted.items() if held.get(photo) != sha),
        to_withdraw=frozenset(photo for photo, sha in held.items() if wanted.get(photo) != sha),
    )


@runtime_checkable
class SearchArm(Protocol):
    """One way of finding photos. Build it for one set folder; use it from one thread."""

    @property
    def name(self) -> str:
        """Short name, also the key of its fusion weights, such as ``embedding``."""

    @property
    def fingerprint(self) -> str:
        """Hex digest of all that the derived state depends on beside the photos."""

    def pending(self, photos: Mapping[int, str]) -> Pending:
        """Say what :meth:`sync` would have to do. Cheap; reads no photo.

        Damage is reported in the answer, never raised: :meth:`sync` mends it.
        """

    def sync(
        self, photos: Mapping[int, str], read: ReadPhoto, progress: Progress = no_progress
    ) -> SyncReport:
        """Bring derived state to exactly `photos` (photo id to sha256), incrementally.

        Killed at any moment, it leaves a state that the next sync finishes from; damaged or
        foreign state is found by its checksum and rebuilt. Where this user may not write it, it
        raises ``SetError``, unless nothing is to be done.
        """

    def find(
        self, query: QueryPhoto, *, allowed: Collection[int] | None = None, limit: int = 50
    ) -> list[ArmHit]:
        """Return at most `limit` hits, nearest first, one a photo, all within `allowed`."""

    def clear(self) -> None:
        """Delete the derived state; the next sync makes it anew."""

    def close(self) -> None:
        """Let go of files."""


@runtime_checkable
class LocatingArm(SearchArm, Protocol):
    """An arm whose hits say where in the query the item lies."""

    def look_closer(self, query: QueryPhoto, parts: Mapping[int, Box]) -> list[ArmHit]:
        """Look at parts of the query, enlarged, each with the one photo it is thought to show.

        Parameters
        ----------
        query : QueryPhoto
            The photo.
        parts : mapping
            Photo id to the part of the query to lay beside it.

        Returns
        -------
        list of ArmHit
            On the scale of :meth:`find`, in px of the whole query; without the photos that
            do not agree.
        """
