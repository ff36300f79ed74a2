"""Kill -9 while photos are added: what was confirmed stays, what was not leaves no trace."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from records_material import photo_of, specimen_of

from loupebook.records.catalogue import Catalogue

CHILD = """
import sys
from pathlib import Path
from loupebook.records.catalogue import Catalogue
from records_material import photo_of, specimen_of
with Catalogue.open(Path(sys.argv[1])) as catalogue:
    print("ready", flush=True)
    for number in range(10_000):
        photos = [photo_of((sys.argv[2], number, 0)), photo_of((sys.argv[2], number, 1))]
        _, recorded = catalogue.add_specimen(
            specimen_of(f"{sys.argv[2]}-{number}", marque="M"), photos, by="child"
        )
        if number % 3 == 2:
            catalogue.withdraw(f"{sys.argv[2]}-{number - 1}", by="child", reason="r")
        print(*(photo.sha256 for photo in recorded), flush=True)
"""


def confirmed_before_kill(folder: Path, run: int, wait_s: float) -> set[str]:
    """Let a child add photos, kill it, and return the digests that it reported as recorded."""
    paths = os.pathsep.join([str(Path(__file__).parent), *filter(None, sys.path)])
    child = subprocess.Popen(
        [sys.executable, "-c", CHILD, str(folder), str(run)],
        stdout=subprocess.PIPE,
        text=True,
        env=os.environ | {"PYTHONPATH": paths},
    )
    assert child.stdout is not None
    assert child.stdout.readline() == "ready\n"
    time.sleep(wait_s)
    child.send_signal(signal.SIGKILL)
    lines = child.stdout.read().split("\n")[:-1]  # the last may be cut
    assert child.wait() == -signal.SIGKILL
    return {sha256 for line in lines for sha256 in line.split()}


def kill_again_and_again(folder: Path, times: int, seed: int) -> None:
    rng = random.Random(seed)
    confirmed: set[str] = set()
    Catalogue.create(folder, name="S").close()
    for run in range(times):
        confirmed |= confirmed_before_kill(folder, run, rng.uniform(0, 0.5))
        with Catalogue.open(folder) as catalogue:
            report = catalogue.verify()
            assert report.ok, report.damage
            photos = catalogue.photos()
            assert confirmed <= {photo.sha256 for photo in photos}
            assert len(photos) == 2 * catalogue.count_specimens(), "a specimen is half there"
            assert catalogue.info().change_counter == len(catalogue.events())
            catalogue.add_specimen(
                specimen_of(f"after-{run}"),
                [photo_of(("after", run, 0)), photo_of(("after", run, 1))],
                by="parent",
            )
            catalogue.remove_temporary_files()
            left = catalogue.verify().leftovers
        assert all(".part" not in path for path in left)
    assert len(confirmed) > times, "hardly anything was added, so nothing was tested"


@pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL does not exist there")
def test_kill_nine_while_adding(tmp_path: Path) -> None:
    kill_again_and_again(tmp_path / "set", times=10, seed=20261125)


@pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL does not exist there")
@pytest.mark.parametrize(
    "function",
    ["_write_draft", "_next_step", "writing", "_publish", "sync_folder", "is_read_only"],
)
def test_kill_nine_while_a_set_is_made(tmp_path: Path, function: str) -> None:
    code = """
import os, sys
from pathlib import Path
from loupebook.records.catalogue import Catalogue
def die(frame, event, argument):
    if event == "call" and frame.f_code.co_name == sys.argv[2]:
        os.kill(os.getpid(), 9)
sys.setprofile(die)
Catalogue.create(Path(sys.argv[1]), name="S")
"""
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path / "set"), function], check=False
    )
    assert done.returncode == -signal.SIGKILL
    made = (tmp_path / "set" / "catalogue.sqlite").exists()
    assert made == (function in {"sync_folder", "is_read_only"})
    if not made:
        Catalogue.create(tmp_path / "set", name="S").close()
    with Catalogue.open(tmp_path / "set") as catalogue:
        assert catalogue.verify().ok
