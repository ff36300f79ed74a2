"""Building the demo set: from the pictures that ship, into the person's data folder.

The pictures under ``reference_sets/demo`` are rendered and invented. The set that is built
from them is an ordinary set: it can be searched, browsed and changed.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from loupebook.bundled import bundled
from loupebook.errors import LoupebookError
from loupebook.library.facade import Library
from loupebook.library.homes import demo_set_folder, is_set
from loupebook.library.results import AddReport
from loupebook.search import Progress, no_progress
from loupebook.search.files import write_atomically

NOTICE = "Demo: every picture here is rendered and every marque invented. Nothing is a photograph."
DEMO_PERSON = "demo builder"
SEAL = "built_from.sha256"
"""Remembers the manifest and points that the set was built from; written last."""


@dataclass(frozen=True)
class DemoBuilt:
    """What building the demo set has done.

    Parameters
    ----------
    folder : Path
        Where the set lies.
    report : AddReport
        What was added; empty if it was there already.
    set_aside : Path, optional
        Where an older demo set went.
    """

    folder: Path
    specimens: int
    photos: int
    report: AddReport
    set_aside: Path | None = None

    def says(self) -> str:
        """Return one or two sentences for the person."""
        text = (
            f"The demo set holds {self.photos} rendered pictures of {self.specimens} invented "
            f"specimens, at {self.folder}."
        )
        if self.set_aside:
            text += f" An older one was kept at {self.set_aside}."
        return text

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {
            "folder": str(self.folder),
            "specimens": self.specimens,
            "photos": self.photos,
            "set_aside": str(self.set_aside) if self.set_aside else None,
            **self.report.to_dict(),
        }


def build_demo_set(folder: Path | None = None, *, progress: Progress = no_progress) -> DemoBuilt:
    """Build the demo set, or finish or renew it; a sound one is left as it is.

    Parameters
    ----------
    folder : Path, optional
        Where to; default is the person's data folder.
    progress : callable, optional
        Called with (what, done, total).

    Raises
    ------
    LoupebookError
        If the pictures that ship are not all sound.
    """
    folder = folder or demo_set_folder()
    manifest = bundled("reference_sets") / "demo" / "manifest.csv"
    points = manifest.with_name("points.jsonld").read_bytes()
    digest = hashlib.sha256(manifest.read_bytes() + points).hexdigest()
    seal = folder / SEAL
    set_aside = None
    sealed = seal.read_text().strip() if seal.is_file() else None
    if sealed is not None and sealed != digest:
        set_aside = _set_aside(folder)
    with _open_or_create(folder) as library:
        report = AddReport()
        if sealed != digest:
            report = library.add_manifest(manifest, by=DEMO_PERSON, progress=progress)
            if not report.ok:
                faults = "\n".join(str(fault) for fault in report.faults)
                raise LoupebookError(f"The demo pictures that ship are not sound:\n{faults}")
            if not library.points.of():
                library.take_in_points(points.decode("utf-8"), by=DEMO_PERSON)
        library.sync(progress=progress)
        overview = library.overview()
    write_atomically(seal, [f"{digest}\n".encode()])
    return DemoBuilt(folder, overview.specimens, overview.photos, report, set_aside)


def _open_or_create(folder: Path) -> Library:
    if is_set(folder):
        return Library.open(folder)
    folder.parent.mkdir(parents=True, exist_ok=True)
    return Library.create(folder, name="demo", notice=NOTICE)


def _set_aside(folder: Path) -> Path:
    """Move a demo set of an older release out of the way; a person may have added to it."""
    number = 1
    while (kept := folder.with_name(f"{folder.name}-older-{number}")).exists():
        number += 1
    folder.rename(kept)
    return kept
