"""Several people at once in one set, each in a process: the short form of the benchmark.

``python tests/benchmarks/many_people.py`` lets ten of them work for five minutes.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

BENCHMARK = Path(__file__).parents[1] / "benchmarks" / "many_people.py"


def test_nothing_is_lost_wrong_or_locked_and_verify_passes() -> None:
    # In a process of its own, because it forks.
    done = subprocess.run(
        [sys.executable, str(BENCHMARK), "--people", "3", "--seconds", "6", "--no-table"],
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "Errors shown to a person: 0. Wrong results: 0. Lost writes: 0." in done.stdout
    assert "verify says: sound" in done.stdout
    assert "| add |" in done.stdout
