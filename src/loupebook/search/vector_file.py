"""The vector index on disk: one file, checked before FAISS sees a byte of it.

Layout: :data:`MAGIC`, the length of the header (8 bytes, little endian), the header (JSON),
then what FAISS serialises. The header names the set, the arm, the store and its revision,
and the sha256 of all that follows. Files of other origin are never opened: FAISS trusts its
input, so a file is read only if it names this set and this arm and its hash is right, and
derived files are never taken over from another library.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from loupebook.errors import IndexDamaged
from loupebook.search.files import write_atomically
from loupebook.search.vector_index import FLAT_LIMIT, VectorIndex

Bytes: TypeAlias = NDArray[np.uint8]

MAGIC = b"loupebook vector index 1\n"
_LONGEST_HEADER = 65_536


@dataclass(frozen=True)
class IndexOrigin:
    """What an index was made from.

    Parameters
    ----------
    set_id : str
        The set it belongs to.
    fingerprint : str
        The arm that made it.
    store_id : str
        The vector store it was filled from.
    revision : int
        The store's revision at that time.
    """

    set_id: str
    fingerprint: str
    store_id: str
    revision: int


def save_index(path: Path, index: VectorIndex, origin: IndexOrigin) -> None:
    """Write an index and its header, atomically."""
    import faiss

    payload = faiss.serialize_index(index.faiss_index)
    header = {
        **asdict(origin),
        "dim": index.dim,
        "kind": index.kind,
        "rows": len(index),
        "trained_for": index.trained_for,
        "payload_bytes": payload.nbytes,
        "payload_sha256": _digest(payload),
    }
    head = json.dumps(header, sort_keys=True).encode()
    write_atomically(path, [MAGIC, len(head).to_bytes(8, "little"), head, payload.data])


def load_index(
    path: Path, *, set_id: str, fingerprint: str, flat_limit: int = FLAT_LIMIT
) -> tuple[VectorIndex, IndexOrigin]:
    """Read an index back.

    Raises
    ------
    IndexDamaged
        If the file is missing, cut short, altered, of another kind or made for another set
        or arm. It must then be made anew from the vector store.
    """
    import faiss

    try:
        content = np.memmap(path, np.uint8, mode="r")
    except (OSError, ValueError) as exc:
        raise IndexDamaged(f"The index {path} cannot be read: {exc}. Rebuild it.") from exc
    header, payload = _split(path, content)
    try:
        origin = IndexOrigin(**{key: header[key] for key in IndexOrigin.__dataclass_fields__})
        wanted = (header["payload_bytes"], header["payload_sha256"])
        shape = (header["rows"], header["dim"], header["trained_for"])
    except (KeyError, TypeError) as exc:
        raise IndexDamaged(f"The header of the index {path} is incomplete. Rebuild it.") from exc
    if (origin.set_id, origin.fingerprint) != (set_id, fingerprint):
        raise IndexDamaged(f"The index {path} was made for another set or encoder. Rebuild it.")
    if wanted != (payload.nbytes, _digest(payload)):
        raise IndexDamaged(f"The index {path} was altered or cut short. Rebuild it.")
    try:
        inner = faiss.deserialize_index(payload)
    except RuntimeError as exc:
        raise IndexDamaged(f"FAISS cannot read the index {path}: {exc}. Rebuild it.") from exc
    index = VectorIndex.adopt(inner, trained_for=shape[2], flat_limit=flat_limit)
    if (len(index), index.dim) != shape[:2]:
        raise IndexDamaged(f"The index {path} is not what its header says. Rebuild it.")
    return index, origin


def _digest(payload: Bytes) -> str:
    return hashlib.sha256(payload.data).hexdigest()


def _split(path: Path, content: Bytes) -> tuple[dict[str, Any], Bytes]:
    """Part a file into its header and what follows."""
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
    return header, content[start + length :]
