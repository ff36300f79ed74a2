"""The original bytes of every photo, each kept once under its SHA-256.

Layout: ``photos/ab/abcdef…`` (lower-case hex, no extension: a name says nothing about
the content). A file appears under its final name only when it is complete and on disk;
until then it has a temporary name, starting with a dot, in the same folder. Nothing a
person typed is ever part of a path here.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import secrets
from collections.abc import Iterator
from enum import Enum
from pathlib import Path

from loupebook.errors import SetDamaged, SetError

_DIGEST = re.compile(r"[0-9a-f]{64}", re.ASCII)
_TEMPORARY = re.compile(r"\.[0-9a-f]{64}\.[0-9a-f]{16}\.part", re.ASCII)
_BLOCK = 1 << 20


class Stored(Enum):
    """What became of bytes put into the store."""

    NEW = "new"
    PRESENT = "present"
    REPAIRED = "repaired"  # a damaged file of that name stood there


class PhotoStore:
    """The photo files of one set.

    Parameters
    ----------
    folder : Path
        The ``photos`` folder; made when first written to.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def path(self, sha256: str) -> Path:
        """Return where the bytes of a digest lie, or would lie.

        Raises
        ------
        ValueError
            The text is not a SHA-256 in lower-case hex.
        """
        if not is_digest(sha256):
            raise ValueError(f"not a SHA-256 in lower-case hex: {sha256!r}")
        return self.folder / sha256[:2] / sha256

    def put(self, data: bytes) -> Stored:
        """Store bytes so that they survive a power cut once this returns.

        Parameters
        ----------
        data : bytes
            The original bytes of a photo.

        Returns
        -------
        Stored
            Whether they were new, there already, or replaced a damaged file.

        Raises
        ------
        SetError
            The file cannot be written (disk full, read-only…).
        """
        sha256 = digest(data)
        target = self.path(sha256)
        try:
            outcome = self._state_of(target, sha256)
            if outcome is not Stored.PRESENT:
                _make_folder(target.parent)
                write_whole(target, data)
            # Also where the file was there: its writer may have died before this.
            sync_folder(target.parent)
        except OSError as exc:
            raise SetError(f"{target}: the photo could not be stored: {exc.strerror}") from exc
        return outcome

    def read(self, sha256: str) -> bytes:
        """Return the bytes of a digest, verified.

        Raises
        ------
        SetDamaged
            The file is missing, unreadable or altered.
        """
        path = self.path(sha256)
        try:
            data = path.read_bytes()
        except OSError as exc:
            raise SetDamaged(
                f"{path}: the photo file is missing or cannot be read ({exc.strerror}); "
                "add the original photo again or restore the file from a copy"
            ) from exc
        if digest(data) != sha256:
            raise SetDamaged(
                f"{path}: the photo file is altered (its SHA-256 differs from its name); "
                "add the original photo again or restore the file from a copy"
            )
        return data

    def digest_on_disk(self, sha256: str) -> str:
        """Return the SHA-256 of the file that bears a digest's name, read in blocks.

        Raises
        ------
        OSError
            It cannot be read.
        """
        with self.path(sha256).open("rb", buffering=0) as file:
            return _digest_of(iter(lambda: file.read(_BLOCK), b""))

    def files(self) -> Iterator[Path]:
        """Yield every file (and link, and whatever else) under the store's folder."""
        for path in sorted(self.folder.rglob("*")) if self.folder.is_dir() else ():
            if path.is_symlink() or not path.is_dir():
                yield path

    def remove_temporary(self) -> list[Path]:
        """Remove temporary files; call only while nobody else can be writing one.

        Returns
        -------
        list of Path
            What was removed.

        Raises
        ------
        SetError
            One of them cannot be removed.
        """
        abandoned = [path for path in self.files() if self._is_temporary(path)]
        for path in abandoned:
            try:
                path.unlink(missing_ok=True)
            except OSError as exc:
                raise SetError(f"{path}: cannot be removed: {exc.strerror}") from exc
        return abandoned

    def _is_temporary(self, path: Path) -> bool:
        return bool(_TEMPORARY.fullmatch(path.name)) and path.parent.parent == self.folder

    def _state_of(self, target: Path, sha256: str) -> Stored:
        if not target.exists():
            return Stored.NEW
        sound = target.is_file() and self.digest_on_disk(sha256) == sha256
        return Stored.PRESENT if sound else Stored.REPAIRED


def is_digest(text: str) -> bool:
    """Return whether a text is a SHA-256 in lower-case hex."""
    return bool(_DIGEST.fullmatch(text))


def digest(data: bytes) -> str:
    """Return the SHA-256 of bytes in lower-case hex."""
    return hashlib.sha256(data).hexdigest()


def _digest_of(blocks: Iterator[bytes]) -> str:
    running = hashlib.sha256()
    for block in blocks:
        running.update(block)
    return running.hexdigest()


def write_whole(target: Path, data: bytes) -> None:
    """Write a file whole or not at all, so that it survives a power cut once this returns.

    Raises
    ------
    OSError
        It cannot be written.
    """
    temporary = target.with_name(f".{target.name}.{secrets.token_hex(8)}.part")
    try:
        with temporary.open("xb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        temporary.replace(target)
    except BaseException:
        with contextlib.suppress(OSError):
            temporary.unlink(missing_ok=True)
        raise


def _make_folder(folder: Path) -> None:
    if not folder.is_dir():
        # No further up: where a set was deleted while it is open, nothing of it comes back.
        folder.parent.mkdir(exist_ok=True)
        folder.mkdir(exist_ok=True)
        sync_folder(folder.parent)
        sync_folder(folder.parent.parent)


def sync_folder(folder: Path) -> None:
    """Put a folder's entries on disk, so that a new name in it survives a power cut."""
    if os.name == "nt":  # Windows cannot open a folder; it orders these writes itself
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
