"""The descriptor index on disk; see ``loupebook.search.checked_file``.

The body is the store's row ids held, each with its row's checksum (int64, side by side), then
what FAISS serialises. It is a cache:
damaged, foreign or missing, it is made anew from the feature store.

Gigabytes pass through a file or piece by piece: an index of 100,000 photos has no room in
memory for a second one of its size.
"""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any, cast

import numpy as np

from loupebook.errors import IndexDamaged
from loupebook.search.checked_file import Bytes, read_checked, write_checked
from loupebook.search.files import make_folder, only_readable
from loupebook.search.local.descriptor_index import DescriptorIndex

MAGIC = b"loupebook descriptor index 4\n"
_PIECE = 2**20
"""Bytes that FAISS is handed at a time."""


def save(path: Path, index: DescriptorIndex, rows: Mapping[int, int], made_from: str) -> None:
    """Write an index, atomically, where it can be written.

    Parameters
    ----------
    path : Path
        The file.
    index : DescriptorIndex
        The index.
    rows : mapping
        Row ids that it holds, each with its row's checksum.
    made_from : str
        Names set, arm and store.
    """
    import faiss

    if only_readable(path):
        return
    held = np.array(list(rows.items()), "<i8").reshape(-1)
    header = {
        "made_from": made_from,
        "rows": len(rows),
        "patches": len(index),
        "trained_for": index.trained_for,
        "a_photo": index.a_photo,
    }
    # A full disk, of which FAISS tells by a RuntimeError, does not fail the search that made it.
    with suppress(OSError, RuntimeError):
        make_folder(path.parent)
        with tempfile.TemporaryDirectory(prefix=f".{path.name}.", dir=path.parent) as folder:
            written = Path(folder) / "faiss"
            faiss.write_index(index.faiss_index, str(written))
            body = (held.view(np.uint8), np.memmap(written, np.uint8, mode="r"))
            write_checked(path, MAGIC, header, body)
            del body  # some systems keep a file that is mapped


def load(path: Path, made_from: str) -> tuple[DescriptorIndex, dict[int, int]]:
    """Read an index and the row ids that it holds, each with its row's checksum.

    Raises
    ------
    IndexDamaged
        If the file is missing, cut short, altered or made from something else.
    """
    header, body = read_checked(path, MAGIC)
    if header.get("made_from") != made_from:
        raise IndexDamaged(f"The index {path} was made from something else. Rebuild it.")
    try:
        cut = 16 * int(header["rows"])
        trained_for, a_photo = int(header["trained_for"]), int(header["a_photo"])
        inner = _read(body[cut:])
    except (KeyError, TypeError, ValueError, RuntimeError) as exc:
        raise IndexDamaged(f"FAISS cannot read the index {path}: {exc}. Rebuild it.") from exc
    rows = np.frombuffer(bytes(body[:cut]), "<i8").reshape(-1, 2)
    return DescriptorIndex.adopt(inner, trained_for, a_photo), dict(rows.tolist())


def _read(body: Bytes) -> Any:
    import faiss

    at = 0

    def piece(size: int) -> bytes:
        nonlocal at
        taken = body[at : at + size].tobytes()
        at += len(taken)
        return taken

    reader = cast("Any", faiss).PyCallbackIOReader(piece, _PIECE)  # not in FAISS's type stubs
    return faiss.read_index(reader)
