"""Drafts: specimens that somebody has begun to enter, with their photos, kept until done.

A draft is no record: it lies in ``drafts/<id>/`` beside the catalogue, is in nobody's log,
and is deleted when it has been entered or given up. Every write is whole or not at all, so
that a browser closed or a machine switched off loses nothing that was taken in. Several
sessions may work on one: a write changes only what its page has changed.
"""

from __future__ import annotations

import json
import os
import re
import secrets
import shutil
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

from loupebook.errors import RecordInvalid, RecordNotFound, SetBusy, SetError, SetNotFound
from loupebook.records.change import now
from loupebook.records.checks import file_base_name
from loupebook.records.model import Lighting, View
from loupebook.records.photo_store import PhotoStore, digest
from loupebook.records.text import clean_name

MOST_PHOTOS = 200
"""Photos a draft may hold."""
MOST_BYTES = 2_000_000_000
"""Bytes that the photos of a draft may have together."""
_ID = re.compile(r"[0-9a-f]{16}", re.ASCII)
_FILE = "draft.json"
_LOCK = ".lock"
_WAIT_S = 30.0
"""How long a write waits for those of others; the longest puts a photo of 80 MB on disk."""


@dataclass(frozen=True)
class DraftPhoto:
    """A photo taken into a draft, and how it was taken as far as that was said."""

    sha256: str
    file_name: str
    byte_count: int
    view: View = View.FACE
    lighting: Lighting = Lighting.DIFFUSE
    px_per_mm: float | None = None


@dataclass(frozen=True)
class Draft:
    """A specimen begun.

    Parameters
    ----------
    draft_id : str
        Random identifier.
    by : str
        Who began it.
    begun_at, changed_at : str
        Instants.
    fields : mapping
        What has been entered so far, by field; plain values as the front end keeps them.
    photos : tuple of DraftPhoto
        In the order in which they were taken in.
    """

    draft_id: str
    by: str
    begun_at: str
    changed_at: str
    fields: Mapping[str, Any] = field(default_factory=dict)
    photos: tuple[DraftPhoto, ...] = ()


def new_draft_id() -> str:
    """Return a random identifier for a draft that is yet to be begun."""
    return secrets.token_hex(8)


class Drafts:
    """The drafts of one set.

    Parameters
    ----------
    folder : Path
        The set's folder.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder / "drafts"

    def all(self) -> list[Draft]:
        """Return every draft that can be read, the one changed last first."""
        found = []
        for path in self._folder.iterdir() if self._folder.is_dir() else ():
            if _ID.fullmatch(path.name) and (path / _FILE).is_file():
                found.append(_read(path))
        return sorted(found, key=lambda draft: draft.changed_at, reverse=True)

    def begin(self, *, by: str, draft_id: str | None = None) -> Draft:
        """Begin a draft, under an identifier of :func:`new_draft_id` that nobody uses yet.

        Raises
        ------
        SetNotFound
            The set's folder is gone.
        """
        instant = now()
        draft = Draft(draft_id or new_draft_id(), clean_name(by, "by"), instant, instant)
        path = self._path(draft.draft_id)
        try:
            self._folder.mkdir(exist_ok=True)
            path.mkdir(exist_ok=True)
        except FileNotFoundError as exc:
            raise SetNotFound(
                f"{self._folder.parent}: the set's folder is gone; nothing was kept"
            ) from exc
        except OSError as exc:
            raise _not_kept(path, exc) from exc
        with self._alone():
            return _read(path) if (path / _FILE).is_file() else self._write(draft)

    def get(self, draft_id: str) -> Draft:
        """Return a draft.

        Raises
        ------
        RecordNotFound
            There is none of that identifier; it may have been entered or given up.
        """
        path = self._path(draft_id)
        if not (path / _FILE).is_file():
            raise RecordNotFound("that draft is not there any more; it was entered or given up")
        return _read(path)

    def save(
        self,
        draft_id: str,
        fields: Mapping[str, Any],
        photos: tuple[DraftPhoto, ...],
        *,
        since: Draft,
    ) -> Draft:
        """Keep what a page has changed since it was drawn; what others changed meanwhile stays.

        Parameters
        ----------
        draft_id : str
            The draft.
        fields, photos
            As the page has them now.
        since : Draft
            As the page had them before. Photos that are no longer there are dropped.

        Returns
        -------
        Draft
            As it is kept, with what others have changed.

        Raises
        ------
        RecordNotFound
            It is gone: entered or given up.
        """
        with self._held(draft_id) as draft:
            dropped = {one.sha256 for one in since.photos} - {one.sha256 for one in photos}
            told = {name: one for name, one in fields.items() if one != since.fields.get(name)}
            kept = _described_anew(draft.photos, {*photos} - {*since.photos}, dropped)
            changed = replace(draft, fields={**draft.fields, **told}, photos=kept)
            if changed == draft:
                return draft
            saved = self._write(replace(changed, changed_at=now()))
            for sha256 in dropped:
                self._store(draft_id).path(sha256).unlink(missing_ok=True)
            return saved

    def take_in(self, draft_id: str, data: bytes, file_name: str) -> Draft:
        """Take a photo into a draft; one that it has already is not taken twice.

        Raises
        ------
        RecordInvalid
            The draft holds too many photos, or too much.
        RecordNotFound
            It is gone: entered or given up.
        """
        photo = DraftPhoto(digest(data), file_base_name(file_name), len(data))
        with self._held(draft_id) as draft:
            if any(one.sha256 == photo.sha256 for one in draft.photos):
                return draft
            held = sum(one.byte_count for one in draft.photos)
            if len(draft.photos) >= MOST_PHOTOS or held + len(data) > MOST_BYTES:
                raise RecordInvalid(
                    f"path: a draft holds at most {MOST_PHOTOS} photos of {MOST_BYTES:,} bytes in "
                    "all; enter this specimen, then add more photos to it",
                    field="path",
                )
            self._store(draft_id).put(data)
            return self._write(replace(draft, photos=(*draft.photos, photo), changed_at=now()))

    def photo_bytes(self, draft_id: str, sha256: str) -> bytes:
        """Return a photo of a draft, verified."""
        return self._store(draft_id).read(sha256)

    def discard(self, draft_id: str) -> None:
        """Delete a draft with its photos; one that is gone already stays gone."""
        path = self._path(draft_id)
        if path.is_dir():
            with self._alone():
                shutil.rmtree(path, ignore_errors=True)

    @contextmanager
    def _held(self, draft_id: str) -> Iterator[Draft]:
        """Give a draft that nobody else changes meanwhile."""
        self.get(draft_id)  # says that it is gone, where there is not even a folder to lock
        with self._alone():
            yield self.get(draft_id)

    @contextmanager
    def _alone(self) -> Iterator[None]:
        """Keep other sessions and processes from writing drafts of this set.

        The lock is SQLite's: it holds on every system, between threads too, and ends with
        whoever holds it.
        """
        file = self._folder / _LOCK
        try:
            # Made here: SQLite would let nobody but its maker write to it.
            file.open("ab").close()
        except OSError as exc:
            raise _not_kept(self._folder, exc) from exc
        try:
            with closing(sqlite3.connect(file, timeout=_WAIT_S, isolation_level=None)) as lock:
                lock.execute("BEGIN EXCLUSIVE")
                yield
        except sqlite3.Error as exc:
            if exc.sqlite_errorcode & 0xFF == sqlite3.SQLITE_BUSY:
                raise SetBusy(
                    f"{self._folder}: another session is writing drafts; try again in a moment"
                ) from exc
            raise SetError(f"{file}: drafts cannot be kept just now: {exc}") from exc

    def _path(self, draft_id: str) -> Path:
        if not _ID.fullmatch(draft_id):
            raise RecordNotFound("that is no identifier of a draft")
        return self._folder / draft_id

    def _store(self, draft_id: str) -> PhotoStore:
        return PhotoStore(self._path(draft_id) / "photos")

    def _write(self, draft: Draft) -> Draft:
        path = self._path(draft.draft_id)
        text = json.dumps(asdict(draft), ensure_ascii=False)
        temporary = path / f".{_FILE}.{secrets.token_hex(4)}"
        try:
            with temporary.open("w", encoding="utf-8") as file:
                file.write(text)
                file.flush()
                os.fsync(file.fileno())
            temporary.replace(path / _FILE)
        except OSError as exc:
            raise _not_kept(path, exc) from exc
        return draft


def _not_kept(path: Path, exc: OSError) -> SetError:
    return SetError(f"{path}: the draft could not be kept: {exc.strerror}")


def _described_anew(
    held: tuple[DraftPhoto, ...], changed: set[DraftPhoto], dropped: set[str]
) -> tuple[DraftPhoto, ...]:
    """Return the photos held, less those dropped, those that a page described anew as it does."""
    anew = {one.sha256: one for one in changed}
    return tuple(anew.get(one.sha256, one) for one in held if one.sha256 not in dropped)


def _read(path: Path) -> Draft:
    try:
        told = json.loads((path / _FILE).read_text(encoding="utf-8"))
        photos = tuple(
            DraftPhoto(
                **{**photo, "view": View(photo["view"]), "lighting": Lighting(photo["lighting"])}
            )
            for photo in told.pop("photos")
        )
        return Draft(**told, photos=photos)
    except (OSError, ValueError, TypeError, KeyError) as exc:
        raise SetError(
            f"{path}: the draft cannot be read ({exc}); move its folder elsewhere"
        ) from exc
