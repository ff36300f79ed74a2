"""Kill -9 at random moments, many times."""

from __future__ import annotations

import random
import shutil
import tempfile
from pathlib import Path

from crash_child import add_photos_to, kill_at_random, time_undisturbed, write_photos
from loupebook.library import Library

Row = dict[str, object]


PHOTOS = 40
KILLS = 25


def kill_fifty_times(work: Path) -> list[Row]:
    """25 kills -9 during add and 25 during rebuild; after each, one rebuild must mend all."""
    work.mkdir(parents=True, exist_ok=True)
    rng = random.Random(1)
    rows: list[Row] = []
    for what in ("add", "rebuild"):
        folder = Path(tempfile.mkdtemp(dir=work))
        manifest = write_photos(folder / "photos", PHOTOS)
        set_folder = folder / "set"
        with Library.create(set_folder) as library:
            if what == "rebuild":
                add_photos_to(library, manifest)
        whole = time_undisturbed(set_folder, what, manifest)
        if what == "add":
            _begin_anew(set_folder)
        cut_short = lost = rebuilt = unsound = 0
        recorded: set[str] = set()
        for kill in range(KILLS):
            cut_short += kill_at_random(set_folder, what, manifest, rng.uniform(0.02, whole))
            with Library.open(set_folder) as library:
                now = {photo.sha256 for photo in library.photos()}
                lost += len(recorded - now)
                recorded = now
                if not library.verify().ok:
                    rebuilt += 1
                    library.rebuild()
                    unsound += not library.verify().ok
            print(f"{what} {kill + 1}: {len(recorded)} photos, {lost} lost, {unsound} unsound")
            if what == "add" and len(recorded) == PHOTOS:
                # All is added: begin anew, so that the next kill has something to hit.
                _begin_anew(set_folder)
                recorded = set()
        rows.append(
            {"killed during": what, "kills": KILLS, "cut short": cut_short,
             "needed a rebuild": rebuilt, "confirmed photos lost": lost,
             "unsound after one rebuild": unsound}
        )  # fmt: skip
        shutil.rmtree(folder)
    return rows


def _begin_anew(set_folder: Path) -> None:
    shutil.rmtree(set_folder)
    Library.create(set_folder).close()
