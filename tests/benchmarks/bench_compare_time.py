"""Time and memory of one comparison: a 12-megapixel query against eight references.

Run: ``python tests/benchmarks/bench_compare_time.py FOLDER`` on a world rendered by
``bench_compare_worlds.py``. The consensus is at hand, as after any earlier comparison with the
edition; what it took to make is printed beside. Wall and processor time of this process.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from pathlib import Path

import cv2
from bench_compare_worlds import load_cases

from loupebook.compare import ConsensusStore, Group, Picture, Wanted, pictures_of, register
from loupebook.compare.comparison import measured


def main(folder: Path) -> None:
    """Print one line a step."""
    case = load_cases(folder)[0]
    genuine = [p for p in case.pictures if p.standing == "genuine" and not p.poor][:9]
    *references, last = genuine
    query = cv2.resize(last.pixels, (4000, 3000), interpolation=cv2.INTER_CUBIC)
    group = Group(case.edition, None, case.element, "face", "diffuse", "genuine")
    wanted = [Wanted(n, str(n), p.specimen, p.px_per_mm) for n, p in enumerate(references)]
    with tempfile.TemporaryDirectory() as home:
        store = ConsensusStore(Path(home), set_id="bench")
        lap = Clock()
        store.get(group, wanted, lambda n: references[n].pixels)
        lap(f"consensus of {len(references)} photos made")
        held = ConsensusStore(Path(home), set_id="bench").get(group, wanted, lambda n: None)
        lap("consensus read from disk")
        total = Clock()
        ready = Picture.of(query)
        laid = register(ready, held.consensus.picture)
        lap("first result: query laid over the consensus")
        found = measured(ready, laid, held.consensus, own=held.own, uv=False)
        lap("all measurements")
        pictures_of(found)
        lap("maps drawn")
        total("one comparison as a whole")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"greatest memory of the process: {peak:.0f} MiB")


class Clock:
    """Prints wall and processor time since the last call."""

    def __init__(self) -> None:
        self._wall, self._cpu = time.perf_counter(), time.process_time()

    def __call__(self, what: str) -> None:
        """Print one lap."""
        wall, cpu = time.perf_counter(), time.process_time()
        print(f"{what}: {wall - self._wall:.2f} s, processor {cpu - self._cpu:.2f} s", flush=True)
        self._wall, self._cpu = wall, cpu


if __name__ == "__main__":
    main(Path(sys.argv[1]))
