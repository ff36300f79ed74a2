"""Kill -9 in the middle of `add` and of `rebuild`: nothing confirmed is lost.

The default run kills a few times; ``tests/benchmarks/run.py --only crash`` kills 50 times.
"""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from conftest import draw_print

from loupebook.library import Library

CHILD = """
import sys
from pathlib import Path
from loupebook.library import Library
library = Library.open(Path(sys.argv[1]))
library.encoder()
print("ready", flush=True)
if sys.argv[2] == "add":
    report = library.add_manifest(Path(sys.argv[3]), by="child")
    assert report.ok, report.faults
else:
    library.rebuild()
print("done", flush=True)
"""


def kill_at_random(set_folder: Path, what: str, manifest: Path, wait: float) -> bool:
    """Run the child and kill it `wait` seconds after it began; say whether it was cut short."""
    child = subprocess.Popen(
        [sys.executable, "-c", CHILD, str(set_folder), what, str(manifest)],
        stdout=subprocess.PIPE,
        text=True,
    )
    assert child.stdout is not None
    assert child.stdout.readline().strip() == "ready"
    time.sleep(wait)
    child.send_signal(signal.SIGKILL)
    rest = child.stdout.read()
    child.wait()
    return "done" not in rest


@pytest.mark.parametrize("what", ["add", "rebuild"])
def test_kill_nine_loses_nothing(tmp_path: Path, what: str) -> None:
    photos = tmp_path / "photos"
    photos.mkdir()
    rows = ["path,specimen,element,standing"]
    for number in range(40):
        draw_print(number, 256).save(photos / f"{number}.jpg")
        rows.append(f"{number}.jpg,S-{number},band,genuine")
    manifest = photos / "manifest.csv"
    manifest.write_text("\n".join(rows), encoding="utf-8")
    set_folder = tmp_path / "set"
    with Library.create(set_folder) as library:
        if what == "rebuild":
            assert library.add_manifest(manifest, by="parent").ok
    rng = random.Random(5)
    cut_short = 0
    recorded: set[str] = set()
    for _ in range(4):
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
        library.add_manifest(manifest, by="parent")
        assert library.overview().photos == 40
