"""Making the catalogue file of a new set, all at once or not at all."""

from __future__ import annotations

import os
import secrets
import uuid
from pathlib import Path

from sqlalchemy import insert

from loupebook.errors import SetError, SetExists
from loupebook.records.change import now
from loupebook.records.engine import open_engine, translated, writing
from loupebook.records.migrations import bring_up_to_date
from loupebook.records.photo_store import sync_folder
from loupebook.records.reading import CATALOGUE_FILE
from loupebook.records.tables import SetInfoRow


def make_set(folder: Path, *, name: str, notice: str | None, two_person: bool) -> None:
    """Make a set's folder and catalogue; the texts are cleaned already.

    The catalogue is made under a temporary name and gets its own when it is complete, so
    a crash leaves no half set, and the set can then be made again.

    Raises
    ------
    SetExists
        The folder is a set already, or holds something else.
    SetError
        It cannot be written.
    """
    row: dict[str, object] = {
        "id": 1,
        "set_id": str(uuid.uuid4()),
        "name": name,
        "created_at": now(),
        "change_counter": 0,
        "two_person": two_person,
        "notice": notice,
    }
    try:
        _refuse_occupied(folder)
        folder.mkdir(parents=True, exist_ok=True)
        draft = folder / f".{CATALOGUE_FILE}.{secrets.token_hex(8)}.new"
        try:
            _write_draft(draft, row)
            _publish(draft, folder / CATALOGUE_FILE)
            sync_folder(folder)
        finally:
            draft.unlink(missing_ok=True)
    except OSError as exc:
        raise SetError(f"{folder}: the set could not be made: {exc.strerror}") from exc


def _refuse_occupied(folder: Path) -> None:
    if (folder / CATALOGUE_FILE).exists():
        raise SetExists(f"{folder}: a set is here already; open it or choose another folder")
    if folder.exists() and not folder.is_dir():
        raise SetExists(f"{folder}: a file is here; choose another place for the set")
    if folder.is_dir() and any(not _is_draft(path) for path in folder.iterdir()):
        raise SetExists(f"{folder}: the folder is not empty; choose a new or empty folder")


def _is_draft(path: Path) -> bool:
    return path.name.startswith(f".{CATALOGUE_FILE}.")


def _write_draft(draft: Path, row: dict[str, object]) -> None:
    with translated(draft):
        engine = open_engine(draft, wait_s=5, create=True)
        try:
            bring_up_to_date(engine)
            with writing(engine).begin() as connection:
                connection.execute(insert(SetInfoRow).values(row))
        finally:
            engine.dispose()


def _publish(draft: Path, target: Path) -> None:
    """Give a finished catalogue its name, unless another process was quicker."""
    try:
        os.link(draft, target)
    except FileExistsError:
        raise SetExists(f"{target.parent}: another process has just made a set here") from None
    except OSError:  # a file system without hard links
        draft.rename(target)
