"""Kill -9 in the middle of `add` and of `rebuild`: nothing confirmed is lost.

The default run kills a few times; ``tests/benchmarks/run.py --only crash`` kills 50 times.
"""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from crash_child import add_photos_to, kill_at_random, write_photos
from loupebook.library import Library


@pytest.mark.parametrize("what", ["add", "rebuild"])
def test_kill_nine_loses_nothing(tmp_path: Path, what: str) -> None:
    manifest = write_photos(tmp_path / "photos", 24)
    set_folder = tmp_path / "set"
    with Library.create(set_folder) as library:
        if what == "rebuild":
            add_photos_to(library, manifest)
    rng = random.Random(5)
    cut_short = 0
    recorded: set[str] = set()
    for _ in range(3):
        cut_short += kill_at_random(set_folder, what, manifest, rng.uniform(0.02, 0.7))
        with Library.open(set_folder) as library:
            now = {photo.sha256 for photo in library.photos()}
            assert recorded <= now, "a confirmed photo is gone"
            recorded = now
            assert library.rebuild().ok
            check = library.verify()
            assert check.ok, check.lines()
    assert cut_short, "no run was cut short, so nothing was tested"
    with Library.open(set_folder) as library:
        add_photos_to(library, manifest)
        assert library.overview().photos == 24
