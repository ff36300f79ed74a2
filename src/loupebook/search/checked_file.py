"""Derived files that are checked before anybody trusts a byte of them.

Layout: a magic line that names the kind, the length of the header (8 bytes, little endian),
the header (JSON, with the sha256 of its other entries and of all that follows), then the body.
FAISS trusts its input, so a body reaches it only once the hash is right; files of other origin
are never opened.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from loupebook.errors import IndexDamaged
from loupebook.search.files import keep_atomically

Bytes: TypeAlias = NDArray[np.uint8]
LONGEST_HEADER = 65_536


def write_checked(
    path: Path, magic: bytes, header: Mapping[str, Any], body: Sequence[Bytes]
) -> None:
    """Write a file of one kind, atomically; not at all where it cannot be written.

    Parameters
    ----------
    path : Path
        The file.
    magic : bytes
        Names the kind and its version; ends with a line break.
    header : mapping
        Plain JSON values.
    body : sequence of ndarray
        What follows, uint8.
    """
    digest = _digest(header, body)
    head = json.dumps({**header, "sha256": digest}, sort_keys=True).encode()
    parts = [part.data for part in body]
    keep_atomically(path, [magic, len(head).to_bytes(8, "little"), head, *parts])


def read_checked(
    path: Path, magic: bytes, *, longest_header: int = LONGEST_HEADER
) -> tuple[dict[str, Any], Bytes]:
    """Read a file back: its header and its body.

    Parameters
    ----------
    path : Path
        The file.
    magic : bytes
        As written.
    longest_header : int
        Bytes that the header of this kind may have.

    Raises
    ------
    IndexDamaged
        If the file is missing, cut short, altered or of another kind.
    """
    try:
        content = np.memmap(path, np.uint8, mode="r")
    except (OSError, ValueError) as exc:
        raise IndexDamaged(f"{path} cannot be read: {exc}. Rebuild it.") from exc
    start = len(magic) + 8
    if bytes(content[: len(magic)]) != magic or len(content) < start:
        raise IndexDamaged(f"{path} is no derived file of ours. Rebuild it.")
    length = int.from_bytes(bytes(content[len(magic) : start]), "little")
    if length > longest_header:
        raise IndexDamaged(f"The header of {path} is damaged. Rebuild it.")
    header = _header(path, bytes(content[start : start + length]))
    body = content[start + length :]
    if header.pop("sha256", None) != _digest(header, [body]):
        raise IndexDamaged(f"{path} was altered or cut short. Rebuild it.")
    return header, body


def _digest(header: Mapping[str, Any], body: Sequence[Bytes]) -> str:
    digest = hashlib.sha256(json.dumps(header, sort_keys=True).encode())
    for part in body:
        digest.update(part.data)
    return digest.hexdigest()


def _header(path: Path, text: bytes) -> dict[str, Any]:
    try:
        header = json.loads(text)
    except ValueError:
        header = None
    if not isinstance(header, dict):
        raise IndexDamaged(f"The header of {path} is damaged. Rebuild it.")
    return header
