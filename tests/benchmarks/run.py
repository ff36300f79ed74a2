"""Speed, memory and robustness of the main job, as tables: `python tests/benchmarks/run.py`.

Each part prints a table and writes the same rows to ``bench_out/NAME.json`` and to
``tests/benchmarks/results/NAME.md``. Ratios are of one run: machines are noisy.

parts
    search      one search broken into decode, check, embed, index, render
    encoder     embedding throughput against the bare network on the same tensors; latency
    catalogue   the reads that every page and search begins with, 10,000 photos
    opening     a set of 10,000 photos: time to the first answer, memory
    registry    1,000 and more registry pictures find themselves re-saved, halved, turned
    vendors     one emoji vendor's pictures find the other's
    crash       kill -9 during add and rebuild, 50 times
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from pathlib import Path

_HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(_HERE), str(_HERE.parent), str(_HERE.parent / "records")]

import catalogue_reads
import main_job
import robustness
from table import print_table, save_markdown, save_rows

RESULTS = _HERE / "results"
Part = Callable[[Path], list[dict[str, object]]]
PARTS: dict[str, Part] = {
    "search": main_job.time_one_search,
    "encoder": main_job.encoder_throughput,
    "catalogue": catalogue_reads.read_ten_thousand,
    "opening": main_job.open_ten_thousand,
    "registry": main_job.registry_self_retrieval,
    "vendors": main_job.across_vendors,
    "crash": robustness.kill_fifty_times,
}


def main() -> None:
    """Run the parts named, or all."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--only", action="append", choices=sorted(PARTS))
    parser.add_argument("--work", type=Path, default=Path("bench_out"))
    chosen = parser.parse_args()
    for name in chosen.only or PARTS:
        rows = PARTS[name](chosen.work / "work")
        print_table(name, rows)
        save_rows(chosen.work / f"{name}.json", name, rows)
        command = f"python tests/benchmarks/run.py --only {name}"
        save_markdown(
            RESULTS / f"{name}.md", (PARTS[name].__doc__ or "").splitlines()[0], command, rows
        )


if __name__ == "__main__":
    main()
