"""Writing derived files so that a crash leaves either the old file or the new one."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterable
from pathlib import Path


def write_atomically(path: Path, chunks: Iterable[bytes | memoryview]) -> None:
    """Write a file beside `path`, bring it to disk, then put it in place.

    Parameters
    ----------
    path : Path
        File to make or replace; its folder is made where missing.
    chunks : iterable of bytes
        The content, in order.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
    draft = Path(name)
    try:
        with os.fdopen(handle, "wb") as file:
            file.writelines(chunks)
            file.flush()
            os.fsync(file.fileno())
        draft.replace(path)
    finally:
        draft.unlink(missing_ok=True)
