"""The desks that are in use, by keys that cannot be guessed, within a bound of memory."""

from __future__ import annotations

import logging
import secrets
from collections import OrderedDict
from threading import Lock, Thread
from typing import TYPE_CHECKING

from loupebook.errors import RecordNotFound

if TYPE_CHECKING:
    from collections.abc import Sequence

    from loupebook.library import Desk, Library, SearchReport

MOST_BYTES = 1_000_000_000
"""Decoded photos of all desks together; the desk unused for longest is put away first."""


class DeskStore:
    """Desks by key; shared by all sessions of this server."""

    def __init__(self, most_bytes: int = MOST_BYTES) -> None:
        self._most_bytes = most_bytes
        self._desks: OrderedDict[str, Desk] = OrderedDict()
        self._lock = Lock()

    def open(self, library: Library, report: SearchReport) -> str:
        """Lay out a new desk, start bringing it into one frame, and return its key."""
        key = secrets.token_urlsafe(16)
        desk = library.desk(report)
        with self._lock:
            self._desks[key] = desk
            while len(self._desks) > 1 and self._held() > self._most_bytes:
                self._desks.popitem(last=False)
        _in_background(desk)
        return key

    def get(self, key: str) -> Desk:
        """Return a desk, or raise :class:`KeyError` if it was put away."""
        with self._lock:
            desk = self._desks[key]
            self._desks.move_to_end(key)
            return desk

    def show(self, key: str, photo_ids: Sequence[int]) -> None:
        """Have these references on a desk beside the nearest ones, and no others."""
        desk = self.get(key)
        before = desk.version
        desk.keep_only(photo_ids)
        for photo_id in photo_ids:
            try:
                desk.lay_out(photo_id)
            except RecordNotFound:
                continue
        desk.forget_old_points()
        if desk.version != before:
            _in_background(desk)

    def drop(self, key: str) -> None:
        """Put a desk away that its session has done with."""
        with self._lock:
            self._desks.pop(key, None)

    def _held(self) -> int:
        return sum(desk.bytes_held for desk in self._desks.values())


def _in_background(desk: Desk) -> None:
    Thread(target=_align, args=(desk,), name="desk", daemon=True).start()


def _align(desk: Desk) -> None:
    try:
        desk.align()
    except Exception:
        # Whatever went wrong, the page must not wait for ever.
        logging.getLogger(__name__).exception("A desk could not be brought into one frame.")
        desk.give_up("an unexpected fault, which the server's log tells of")


DESKS = DeskStore()
