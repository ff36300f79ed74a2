"""The descriptor index on disk; see ``loupebook.search.checked_file``.

The body is the store's row ids held (int64), then what FAISS serialises. It is a cache:
damaged, foreign or missing, it is made anew from the feature store.
"""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path

import numpy as np

from loupebook.errors import IndexDamaged
from loupebook.search.checked_file import read_checked, write_checked
from loupebook.search.local.descriptor_index import DescriptorIndex

MAGIC = b"loupebook descriptor index 2\n"


def save(path: Path, index: DescriptorIndex, rows: Collection[int], made_from: str) -> None:
    """Write an index, atomically; `made_from` names set, arm and store."""
    import faiss

    held = np.fromiter(rows, "<i8", len(rows))
    header = {
        "made_from": made_from,
        "rows": len(held),
        "patches": len(index),
        "trained_for": index.trained_for,
    }
    body = [held.view(np.uint8), faiss.serialize_index(index.faiss_index)]
    write_checked(path, MAGIC, header, body)


def load(path: Path, made_from: str) -> tuple[DescriptorIndex, set[int]]:
    """Read an index and the row ids that it holds.

    Raises
    ------
    IndexDamaged
        If the file is missing, cut short, altered or made from something else.
    """
    import faiss

    header, body = read_checked(path, MAGIC)
    if header.get("made_from") != made_from:
        raise IndexDamaged(f"The index {path} was made from something else. Rebuild it.")
    try:
        cut, trained_for = 8 * int(header["rows"]), int(header["trained_for"])
        inner = faiss.deserialize_index(np.asarray(body[cut:]))
    except (KeyError, TypeError, ValueError, RuntimeError) as exc:
        raise IndexDamaged(f"FAISS cannot read the index {path}: {exc}. Rebuild it.") from exc
    rows = np.frombuffer(bytes(body[:cut]), "<i8")
    return DescriptorIndex.adopt(inner, trained_for), set(rows.tolist())
