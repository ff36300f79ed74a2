"""The desks that are in use, by keys that cannot be guessed, within a bound of memory."""

from __future__ import annotations

import logging
import secrets
from collections import OrderedDict
from dataclasses import dataclass
from threading import Lock, Thread
from typing import TYPE_CHECKING, Any

from loupebook.errors import RecordNotFound

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from loupebook.library import Desk, Library, SearchReport

MOST_BYTES = 1_000_000_000
"""Decoded photos of all desks together; the desk unused for longest is put away first."""
FIRST_PICTURES_S = 0.7
"""How long other work gives way to the first pictures, which show the photos as they are."""


@dataclass
class _Place:
    """What lies under a key: nothing yet, or a desk with what the page says of it."""

    desk: Desk | None = None
    told: Mapping[str, Any] | None = None

    @property
    def version(self) -> int:
        return 0 if self.desk is None else self.desk.version

    def to_dict(self) -> dict[str, Any]:
        if self.desk is None:
            return {"version": 0, "layers": {}, "measures": {}, "frame": None, "done": False}
        return self.desk.to_dict() | {"told": self.told}


class DeskStore:
    """Desks by key; shared by all sessions of this server."""

    def __init__(self, most_bytes: int = MOST_BYTES) -> None:
        self._most_bytes = most_bytes
        self._places: OrderedDict[str, _Place] = OrderedDict()
        self._lock = Lock()

    def reserve(self) -> str:
        """Return the key of a desk whose answer is still being looked for."""
        key = secrets.token_urlsafe(16)
        with self._lock:
            self._places[key] = _Place()
        return key

    def lay(
        self, key: str, library: Library, report: SearchReport, told: Mapping[str, Any] | None
    ) -> Desk:
        """Lay an answer on the desk of that key and start bringing it into one frame.

        Parameters
        ----------
        key : str
            From :meth:`reserve`.
        library : Library
        report : SearchReport
        told : mapping, optional
            What a page that already shows the desk is to show on it, as JSON values; it
            comes to the page together with the desk's own state.
        """
        desk = library.desk(report)
        Thread(target=desk.make_first_pictures, name="first", daemon=True).start()
        with self._lock:
            self._places[key] = _Place(desk, told)
            self._places.move_to_end(key)
            while len(self._places) > 1 and self._held() > self._most_bytes:
                self._places.popitem(last=False)
        _in_background(desk)
        return desk

    def get(self, key: str) -> Desk:
        """Return a desk, or raise :class:`KeyError` if it was put away or bears nothing yet."""
        desk = self._place(key).desk
        if desk is None:
            raise KeyError(key)
        return desk

    def version(self, key: str) -> int:
        """Return which state of a desk this is; raise :class:`KeyError` if it was put away."""
        return self._place(key).version

    def state(self, key: str) -> dict[str, Any]:
        """Return the state of a desk, or raise :class:`KeyError` if it was put away."""
        return self._place(key).to_dict()

    def _place(self, key: str) -> _Place:
        with self._lock:
            place = self._places[key]
            self._places.move_to_end(key)
            return place

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
            self._places.pop(key, None)

    def _held(self) -> int:
        desks = (place.desk for place in self._places.values())
        return sum(desk.bytes_held for desk in desks if desk is not None)


def _in_background(desk: Desk) -> None:
    Thread(target=_align, args=(desk,), name="desk", daemon=True).start()


def _align(desk: Desk) -> None:
    try:
        desk.wait_until_seen(FIRST_PICTURES_S)
        desk.align()
    except Exception:
        # Whatever went wrong, the page must not wait for ever.
        logging.getLogger(__name__).exception("A desk could not be brought into one frame.")
        desk.give_up("an unexpected fault, which the server's log tells of")


DESKS = DeskStore()
