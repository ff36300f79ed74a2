"""What arms that keep derived state on disk have in common: up to date, damaged, thrown away."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from threading import RLock

from loupebook.errors import IndexDamaged
from loupebook.search.arm import (
    Pending,
    Progress,
    ReadPhoto,
    SyncReport,
    difference,
    no_progress,
)
from loupebook.search.files import may_not_write, only_readable, remove_leftovers
from loupebook.search.kept_store import KeptStore


class KeptArm(ABC):
    """An arm with a store and an index in one folder; see :class:`loupebook.search.SearchArm`.

    Parameters
    ----------
    folder : Path
        Where the derived state lies.
    fingerprint : str
        Hex digest of all that the state depends on beside the photos; it names the files.
    """

    _store: KeptStore | None = None

    def __init__(self, folder: Path, fingerprint: str) -> None:
        self.fingerprint = fingerprint
        self._store_path = folder / f"{fingerprint[:12]}.sqlite"
        self._index_path = folder / f"{fingerprint[:12]}.index"
        self._lock = RLock()

    def pending(self, photos: Mapping[int, str]) -> Pending:
        """Say what :meth:`sync` would have to do."""
        with self._lock:
            self._let_go_of_outdated()
            only_read = only_readable(self._store_path)
            return replace(self._pending(photos, only_read=only_read), only_read=only_read)

    def _let_go_of_outdated(self) -> None:
        if self._store is not None and self._store.outdated:
            self.close()

    def _pending(self, photos: Mapping[int, str], *, only_read: bool) -> Pending:
        if only_read and not self._store_path.exists():
            return difference({}, photos)
        try:
            held = self._held_photos()
        except IndexDamaged as exc:
            return Pending(to_add=frozenset(photos), damage=str(exc))
        return difference(held, photos)

    def sync(
        self, photos: Mapping[int, str], read: ReadPhoto, progress: Progress = no_progress
    ) -> SyncReport:
        """Take in what is new, forget what is gone, bring the index up to date.

        Raises
        ------
        SetError
            If there is something to do and this user may not write the files, or if they cannot
            be read or written just now; what was there is kept.
        """
        with self._lock:
            self._let_go_of_outdated()
            if only_readable(self._store_path):
                if self.pending(photos):
                    raise may_not_write(self._store_path.parent)
                return SyncReport(added=0, withdrawn=0, kept=len(photos))
            rebuilt = None
            try:
                plan, failed, kept = self._sync_once(photos, read, progress)
            except IndexDamaged as exc:
                rebuilt = str(exc)
                self.clear()
                plan, failed, kept = self._sync_once(photos, read, progress)
            return SyncReport(
                added=len(plan.to_add) - len(failed),
                withdrawn=len(plan.to_withdraw),
                kept=kept,
                failed=failed,
                rebuilt=rebuilt,
            )

    def clear(self) -> None:
        """Delete the derived state.

        Raises
        ------
        SetError
            If this user may not.
        """
        with self._lock:
            if only_readable(self._store_path):
                raise may_not_write(self._store_path.parent)
            self.close()
            for path in (self._store_path, self._index_path):
                for suffix in ("", "-wal", "-shm"):
                    path.with_name(path.name + suffix).unlink(missing_ok=True)
            remove_leftovers(self._store_path.parent)

    @abstractmethod
    def close(self) -> None:
        """Let go of files."""

    @abstractmethod
    def _held_photos(self) -> Mapping[int, str]:
        """Return the photos held, photo id to sha256, as they stand on disk."""

    @abstractmethod
    def _sync_once(
        self, photos: Mapping[int, str], read: ReadPhoto, progress: Progress
    ) -> tuple[Pending, dict[int, str], int]:
        """Bring the state up to date; return the plan, what failed and how many stayed."""
