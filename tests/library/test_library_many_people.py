"""Several people at once in one set, each in a process: the short form of the benchmark.

``python tests/benchmarks/many_people.py`` lets ten of them work for five minutes.
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))

import many_people


def test_nothing_is_lost_wrong_or_locked_and_verify_passes(tmp_path: Path) -> None:
    outcome = many_people.run(tmp_path / "set", people=3, seconds=6)
    assert outcome.errors == []
    assert outcome.wrong == []
    assert outcome.lost == []
    assert outcome.sound, outcome.verified
    assert len(outcome.times["add"]) >= 3
