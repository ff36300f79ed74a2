"""A child process that adds to a set or rebuilds it, and is killed at a random moment."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from pathlib import Path

from drawn_prints import draw_print
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
    library.sync()
else:
    library.rebuild()
print("done", flush=True)
"""


def write_photos(folder: Path, count: int) -> Path:
    """Write `count` photos and a manifest of them; return the manifest."""
    folder.mkdir(parents=True)
    rows = ["path,specimen,element,standing"]
    for number in range(count):
        draw_print(number, 256).save(folder / f"{number}.jpg")
        rows.append(f"{number}.jpg,S-{number},band,genuine")
    manifest = folder / "manifest.csv"
    manifest.write_text("\n".join(rows), encoding="utf-8")
    return manifest


def add_photos_to(library: Library, manifest: Path) -> None:
    """Add the whole manifest."""
    report = library.add_manifest(manifest, by="parent")
    assert report.ok, report.faults


def _started(set_folder: Path, what: str, manifest: Path) -> subprocess.Popen[str]:
    """Start the child and wait until it is about to begin."""
    child = subprocess.Popen(
        [sys.executable, "-c", CHILD, str(set_folder), what, str(manifest)],
        stdout=subprocess.PIPE,
        text=True,
    )
    assert child.stdout is not None
    assert child.stdout.readline().strip() == "ready"
    return child


def time_undisturbed(set_folder: Path, what: str, manifest: Path) -> float:
    """Let the child finish; return the seconds from its beginning to its end."""
    child = _started(set_folder, what, manifest)
    start = time.perf_counter()
    assert child.wait() == 0
    return time.perf_counter() - start


def kill_at_random(set_folder: Path, what: str, manifest: Path, wait: float) -> bool:
    """Run the child and kill it `wait` seconds after it began; say whether it was cut short."""
    child = _started(set_folder, what, manifest)
    assert child.stdout is not None
    time.sleep(wait)
    child.send_signal(signal.SIGKILL)
    rest = child.stdout.read()
    child.wait()
    return "done" not in rest
