"""The vector index on disk; see ``checked_file``.

The header names the set, the arm, the store and its revision. A file is taken only if it names
this set and this arm.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path

from loupebook.errors import IndexDamaged
from loupebook.search.checked_file import read_checked, write_checked
from loupebook.search.vector_index import FLAT_LIMIT, VectorIndex

MAGIC = b"loupebook vector index 3\n"


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

    header = {
        **asdict(origin),
        "dim": index.dim,
        "kind": index.kind,
        "rows": len(index),
        "trained_for": index.trained_for,
    }
    write_checked(path, MAGIC, header, [faiss.serialize_index(index.faiss_index)])


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

    header, payload = read_checked(path, MAGIC)
    try:
        origin = IndexOrigin(**{key: header[key] for key in IndexOrigin.__dataclass_fields__})
        shape = (header["rows"], header["dim"], header["trained_for"])
    except (KeyError, TypeError) as exc:
        raise IndexDamaged(f"The header of the index {path} is incomplete. Rebuild it.") from exc
    if (origin.set_id, origin.fingerprint) != (set_id, fingerprint):
        raise IndexDamaged(f"The index {path} was made for another set or encoder. Rebuild it.")
    try:
        inner = faiss.deserialize_index(payload)
    except RuntimeError as exc:
        raise IndexDamaged(f"FAISS cannot read the index {path}: {exc}. Rebuild it.") from exc
    index = VectorIndex.adopt(inner, trained_for=shape[2], flat_limit=flat_limit)
    if (len(index), index.dim) != shape[:2]:
        raise IndexDamaged(f"The index {path} is not what its header says. Rebuild it.")
    return index, origin
