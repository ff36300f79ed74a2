"""The descriptor index on disk: one file, checked before FAISS sees a byte of it.

Layout: :data:`MAGIC`, length of the header (8 bytes, little endian), the header (JSON: what
it was made from and the sha256 of all that follows), the store's row ids held (int64), then
what FAISS serialises. It is a cache: damaged, foreign or missing, it is made anew from the
feature store.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Collection
from pathlib import Path
from typing import Any

import numpy as np

from loupebook.errors import IndexDamaged
from loupebook.search.files import write_atomically
from loupebook.search.local.descriptor_index import DescriptorIndex

MAGIC = b"loupebook descriptor index 1\n"
_LONGEST_HEADER = 65_536


def save(path: Path, index: DescriptorIndex, rows: Collection[int], made_from: str) -> None:
    """Write an index, atomically; `made_from` names set, arm and store."""
    import faiss

    held = np.fromiter(rows, "<i8", len(rows))
    payload = faiss.serialize_index(index.faiss_index)
    digest = hashlib.sha256(held.tobytes())
    digest.update(payload.data)
    header = {
        "made_from": made_from,
        "rows": len(held),
        "patches": len(index),
        "trained_for": index.trained_for,
        "sha256": digest.hexdigest(),
    }
    head = json.dumps(header, sort_keys=True).encode()
    write_atomically(
        path, [MAGIC, len(head).to_bytes(8, "little"), head, held.tobytes(), payload.data]
    )


def load(path: Path, made_from: str) -> tuple[DescriptorIndex, set[int]]:
    """Read an index and the row ids that it holds.

    Raises
    ------
    IndexDamaged
        If the file is missing, cut short, altered or made from something else.
    """
    import faiss

    try:
        content = np.memmap(path, np.uint8, mode="r")
    except (OSError, ValueError) as exc:
        raise IndexDamaged(f"The index {path} cannot be read: {exc}. Rebuild it.") from exc
    header, start = _header(path, content)
    if header.get("made_from") != made_from:
        raise IndexDamaged(f"The index {path} was made from something else. Rebuild it.")
    body = content[start:]
    if hashlib.sha256(body.data).hexdigest() != header.get("sha256"):
        raise IndexDamaged(f"The index {path} was altered or cut short. Rebuild it.")
    cut = 8 * int(header["rows"])
    rows = np.frombuffer(bytes(body[:cut]), "<i8")
    try:
        inner = faiss.deserialize_index(np.asarray(body[cut:]))
    except RuntimeError as exc:
        raise IndexDamaged(f"FAISS cannot read the index {path}: {exc}. Rebuild it.") from exc
    return DescriptorIndex.adopt(inner, int(header["trained_for"])), set(rows.tolist())


def _header(path: Path, content: Any) -> tuple[dict[str, Any], int]:
    """Return the header and where the body starts."""
    start = len(MAGIC) + 8
    if bytes(content[: len(MAGIC)]) != MAGIC or len(content) < start:
        raise IndexDamaged(f"{path} is not an index of ours. Rebuild it.")
    length = int.from_bytes(bytes(content[len(MAGIC) : start]), "little")
    if length > _LONGEST_HEADER:
        raise IndexDamaged(f"The header of the index {path} is damaged. Rebuild it.")
    try:
        header = json.loads(bytes(content[start : start + length]))
    except ValueError as exc:
        raise IndexDamaged(f"The header of the index {path} is damaged. Rebuild it.") from exc
    if not isinstance(header, dict):
        raise IndexDamaged(f"The header of the index {path} is damaged. Rebuild it.")
    return header, start + length
