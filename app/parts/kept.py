"""An examination in work survives a reload: kept on this computer under a key in the address.

The photo and what was chosen, marked and typed lie in a folder of the system's temporary
folder that only this user can read, for a day at most; the answer itself is kept in memory as
long as there is room, and else searched anew. Nothing of it is part of the set.
"""

from __future__ import annotations

import getpass
import json
import os
import re
import secrets
import shutil
import tempfile
import time
from collections import OrderedDict
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from threading import Lock
from typing import Any

KEY = re.compile(r"[A-Za-z0-9_-]{16}")
MOST_KEPT = 30
MOST_BYTES = 600 * 2**20
KEPT_S = 24 * 3600
MOST_ANSWERS = 4
_PHOTO, _STATE = "photo", "state.json"


@dataclass(frozen=True)
class InWork:
    """What is kept of an examination in work.

    Parameters
    ----------
    data : bytes
        The query as it was handed in.
    name : str
        Name of the query.
    state : dict
        What was chosen, marked and typed, as JSON values.
    """

    data: bytes = field(repr=False)
    name: str
    state: dict[str, Any]


class Keeper:
    """Keeps examinations in work in a folder, within bounds.

    Parameters
    ----------
    folder : Path
        Made where missing, readable by this user only.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._answers: OrderedDict[str, Any] = OrderedDict()
        self._holders: dict[str, str] = {}
        self._lock = Lock()

    def begin(self, data: bytes, name: str, holder: str) -> str:
        """Keep a query and return its key; the oldest make room.

        Raises
        ------
        OSError
            The system refuses it; then nothing of it is left.
        """
        key = secrets.token_urlsafe(12)
        place = self._folder / key
        try:
            place.mkdir(parents=True, mode=0o700)
            self._folder.chmod(0o700)
            (place / _PHOTO).write_bytes(data)
            self._write(place, {"name": name})
        except OSError:
            shutil.rmtree(place, ignore_errors=True)
            raise
        with self._lock:
            self._holders[key] = holder
        self._make_room(key)
        return key

    def save(self, key: str, state: dict[str, Any]) -> None:
        """Keep what was chosen, marked and typed; nothing happens if the key is gone."""
        place = self._folder / key
        if KEY.fullmatch(key) and place.is_dir():
            self._write(place, state)

    def get(self, key: str) -> InWork | None:
        """Return what is kept under a key; `None` if nothing is, or no longer."""
        if not KEY.fullmatch(key):
            return None
        place = self._folder / key
        try:
            state = json.loads((place / _STATE).read_text(encoding="utf-8"))
            return InWork((place / _PHOTO).read_bytes(), str(state["name"]), state)
        except (OSError, ValueError, KeyError, TypeError):
            return None

    def holder(self, key: str) -> str | None:
        """Return the session that works on a key."""
        with self._lock:
            return self._holders.get(key)

    def hold(self, key: str, holder: str) -> None:
        """Say which session works on a key."""
        with self._lock:
            self._holders[key] = holder

    def remember(self, key: str, answer: Any) -> None:
        """Keep an answer in memory; the one unused for longest makes room."""
        with self._lock:
            self._answers[key] = answer
            self._answers.move_to_end(key)
            while len(self._answers) > MOST_ANSWERS:
                self._answers.popitem(last=False)

    def answer(self, key: str) -> Any:
        """Return an answer kept in memory, or `None`."""
        with self._lock:
            return self._answers.get(key)

    def _write(self, place: Path, state: dict[str, Any]) -> None:
        fresh = place / f"{_STATE}.new"
        fresh.write_text(json.dumps(state, ensure_ascii=False), encoding="utf-8")
        fresh.replace(place / _STATE)

    def _make_room(self, spared: str) -> None:
        kept = []
        for place in self._folder.iterdir():
            with suppress(OSError):
                size = (place / _PHOTO).stat().st_size
                kept.append(((place / _STATE).stat().st_mtime, size, place))
        held = 0
        for number, (at, size, place) in enumerate(sorted(kept, reverse=True)):
            held += size
            old = time.time() - at > KEPT_S or number >= MOST_KEPT or held > MOST_BYTES
            if old and place.name != spared:
                shutil.rmtree(place, ignore_errors=True)


def private_folder() -> Path:
    """Return the folder of this user in the system's temporary folder.

    A folder of that name that belongs to somebody else is left alone.
    """
    folder = Path(tempfile.gettempdir()) / f"loupebook-{getpass.getuser()}"
    try:
        folder.mkdir(mode=0o700, exist_ok=True)
    except OSError:
        # A full disk must not take the pages away: it is tried again with each query, and told.
        return folder / "in-work"
    mine = not hasattr(os, "getuid") or folder.stat().st_uid == os.getuid()
    if not mine or folder.is_symlink():
        return Path(tempfile.mkdtemp(prefix="loupebook-"))
    folder.chmod(0o700)
    return folder / "in-work"


KEEPER = Keeper(private_folder())
