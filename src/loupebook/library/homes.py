"""Where sets lie when nobody says: the person's data folder and the environment."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path

from platformdirs import user_data_path

from loupebook.search.files import write_atomically

SET_VARIABLE = "LOUPEBOOK_SET"
"""Environment variable that names the set to work on."""

HOME_VARIABLE = "LOUPEBOOK_HOME"
"""Environment variable that moves the folder under which sets are built."""

DEMO_SET_NAME = "demo"
_NAME_FILE = "your-name.txt"
_LONGEST_NAME = 200


def home() -> Path:
    """Return the folder under which sets without a path of their own lie."""
    named = os.environ.get(HOME_VARIABLE)
    return Path(named).expanduser() if named else user_data_path("loupebook")


def demo_set_folder() -> Path:
    """Return where the demo set is built (it need not exist yet)."""
    return home() / "sets" / DEMO_SET_NAME


def is_set(folder: Path) -> bool:
    """Say whether `folder` holds a catalogue."""
    return (folder / "catalogue.sqlite").is_file()


def default_set() -> Path | None:
    """Return the set to read when none is named.

    Returns
    -------
    Path or None
        The folder in the environment variable ``LOUPEBOOK_SET``; else the demo set if it
        has been built; else `None`.
    """
    named = os.environ.get(SET_VARIABLE)
    if named:
        return Path(named).expanduser()
    demo = demo_set_folder()
    return demo if is_set(demo) else None


def remembered_name() -> str:
    """Return the name that changes were last signed with on this computer; empty if none was."""
    try:
        kept = (home() / _NAME_FILE).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        return ""
    return kept.strip()[:_LONGEST_NAME]


def remember_name(name: str) -> None:
    """Keep a name for the next time; a folder that cannot be written keeps none."""
    with suppress(OSError):
        write_atomically(home() / _NAME_FILE, [name.strip()[:_LONGEST_NAME].encode()])
