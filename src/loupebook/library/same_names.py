"""Files whose names would put photos of different items under one specimen."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from loupebook.errors import PhotoError, RecordInvalid
from loupebook.imaging import read_photo_file
from loupebook.records.catalogue import Catalogue
from loupebook.records.model import SpecimenRecord
from loupebook.records.photo_store import digest
from loupebook.records.text import clean_name

_ANY_STEM = "any stem"


def named_by_file(specimen_for: Callable[[str], SpecimenRecord]) -> bool:
    """Return whether a function names each specimen as its file is called."""
    return specimen_for(_ANY_STEM).name == _ANY_STEM


def ambiguous_files(catalogue: Catalogue, files: Sequence[Path]) -> Mapping[Path, str]:
    """Return the files whose specimen their name does not tell, and why.

    Cameras count from one again and again, so photos of two items may well be called alike.

    Parameters
    ----------
    catalogue : Catalogue
        The set that they are to be added to.
    files : sequence of Path
        All files of one addition, each to become the specimen that it is called.
    """
    recorded: dict[str, set[str]] = defaultdict(set)
    for photo in catalogue.photos():
        recorded[photo.specimen].add(photo.sha256)
    called: dict[str, list[Path]] = defaultdict(list)
    for file in files:
        try:
            called[clean_name(file.stem, "specimen")].append(file)
        except RecordInvalid:
            continue  # it is left out for its name
    found: dict[Path, str] = {}
    for name, alike in called.items():
        known = recorded.get(name, set())
        if len(alike) == 1 and not known:
            continue
        digests = {file: _digest_of(file) for file in alike}
        new = {file: sha256 for file, sha256 in digests.items() if sha256 not in known}
        if len({*new.values(), *known} - {None}) > 1:
            why = "this specimen has other photos" if known else "another file is called the same"
            hint = "say --specimen NAME, or list the photos in a manifest"
            found |= dict.fromkeys(new, f"{name}: {why}; {hint}")
    return found


def _digest_of(file: Path) -> str | None:
    try:
        return digest(read_photo_file(file))
    except PhotoError:
        return None  # it is left out for what is wrong with it
