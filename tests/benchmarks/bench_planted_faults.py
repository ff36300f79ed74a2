"""How well the set report finds planted faults, and what it finds on a clean set.

Run: ``python tests/benchmarks/bench_planted_faults.py [--set FOLDER] [--seeds N]``. Without
a set, the drawn world of ``tests/invented_prints.py`` is used.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent), str(HERE)]

from planted_faults import (
    Truth,
    items_of_set,
    plant_background,
    plant_camera,
    plant_duplicates,
    plant_gap,
    plant_serial,
    plant_twice,
    plant_wrong_standings,
    random_cameras,
)
from table import print_table, save_rows

from invented_prints import CAMERAS, Item, invented_items, record_items
from loupebook.library import Library
from loupebook.library.report_glue import pending_of, report_context
from loupebook.records.catalogue import Catalogue
from loupebook.records.model import Standing
from loupebook.setreport import SetReport, report_on_set
from loupebook.setreport.association import associate

Row = dict[str, object]


def reported(
    items: Sequence[Item], folder: Path, *, stale: bool = False
) -> tuple[SetReport, dict[int, tuple[str, int]], dict[str, float]]:
    """Record items as a set, report on it; return also whose photo each row id is."""
    with Catalogue.create(folder, name="planted", notice="Planted faults") as catalogue:
        held = record_items(catalogue, list(items))
    where = {photo: (name, k) for name, ids in held.items() for k, photo in enumerate(ids)}
    times = {}
    with Library.open(folder) as library:
        start = time.perf_counter()
        library.sync()
        times["sync"] = time.perf_counter() - start
        if stale:
            library.withdraw(items[-1].record.name, by="bench", reason="planted")
        start = time.perf_counter()
        catalogue = library._catalogue
        pending = pending_of(catalogue, library.arms())
        library.sync()
        context = report_context(
            catalogue, library.arms(), library.encoder(), library._read_reference, pending=pending
        )
        report = report_on_set(context)
        times["report"] = time.perf_counter() - start
    return report, where, times


def clean(items: Sequence[Item], seed: int, folder: Path) -> list[Row]:
    report, _, _ = reported(items, folder)
    return [
        {"seed": seed, "fault": f"none: {name}", "planted": 0, "found": "", "recall": "",
         "precision": "", "false findings": len(section.findings)}
        for name, section in report.sections.items()
        if name in ("duplicates", "serials", "standing_conflicts", "leakage", "label_suspects",
                    "confounds", "coverage")
    ]  # fmt: skip


def planted(items: list[Item], seed: int, folder: Path) -> list[Row]:
    rng = np.random.default_rng(seed)
    truth = Truth()
    changed = plant_wrong_standings(items, rng, truth)
    changed = plant_duplicates(changed, rng, truth)
    changed = plant_serial(changed, rng, truth)
    changed = plant_twice(changed, rng, truth)
    report, where, times = reported(changed, folder, stale=True)
    sections = report.sections
    pairs = {"exact-duplicate": set(), "near-duplicate": set()}
    for finding in sections["duplicates"].findings:
        pairs[finding.kind].add(frozenset(where[photo] for photo in finding.photos))
    withdrawn = changed[-1].record.name
    near = {p for p in truth.near if withdrawn not in {name for name, _ in p}}
    serials = {frozenset(f.specimens) for f in sections["serials"].findings}
    order = sections["label_suspects"].figures["order"]
    first = set(order[: max(1, round(0.05 * len(order)))])
    suspects = {
        f.specimens[0] for f in sections["label_suspects"].findings if f.kind == "suspect-standing"
    }
    stale = sections["stale"].findings
    print(f"seed {seed}: sync {times['sync']:.1f} s, report {times['report']:.1f} s")
    return [
        _row(seed, "exact duplicates 2 %", truth.exact, pairs["exact-duplicate"]),
        _row(seed, "near duplicates 5 %", near, pairs["near-duplicate"]),
        _row(seed, "shared serial", truth.serial, serials),
        _row(seed, "wrong standing 3 %, first 5 %", truth.wrong_standing, first),
        _row(seed, "wrong standing 3 %, named", truth.wrong_standing, suspects),
        _row(seed, "stale encodings", {"stale-encodings"}, {f.kind for f in stale}),
    ]


def structural(items: list[Item], seed: int, folder: Path) -> list[Row]:
    """Faults that concern the whole set, each in a set of its own."""
    rows = []
    rng = np.random.default_rng(seed)
    truth = Truth()
    report, _, _ = reported(plant_gap(items, truth), folder / "gap")
    gaps = {
        (str(f.detail["edition"]).split(" (")[0].split(" ", 2)[-1], f.detail["lighting"])
        for f in report.sections["coverage"].findings
        if f.kind == "missing-shot"
    }
    rows.append(_row(seed, "missing edition x lighting", {truth.missing}, gaps))
    report, _, _ = reported(plant_twice(items, rng, truth), folder / "twice")
    groups = {frozenset(f.specimens) for f in report.sections["leakage"].findings}
    rows.append(_row(seed, "one specimen twice", truth.twice, groups))
    for name, plant in (("camera", plant_camera), ("background", plant_background)):
        report, _, _ = reported(plant(items, Truth()), folder / name)
        found = {f.detail["circumstance"] for f in report.sections["confounds"].findings}
        rows.append(_row(seed, f"one {name} for one standing", {name}, found))
    return rows


def false_alarms(items: list[Item], trials: int) -> Row:
    """Cameras drawn by chance, many times over: how often is the camera called a confound?"""
    alarms = 0
    for trial in range(trials):
        drawn = random_cameras(items, np.random.default_rng(trial))
        features = np.array([[float(i.shots[0].camera == c) for c in CAMERAS] for i in drawn])
        fake = np.array([i.record.standing is Standing.FAKE for i in drawn])
        found = associate(features, fake, [i.record.edition for i in drawn], seed=trial)
        alarms += found is not None and found.p_value <= 0.05
    return {"seed": f"{trials} draws", "fault": "none: chance cameras, p <= 0.05", "planted": 0,
            "found": alarms, "recall": "", "precision": "",
            "false findings": round(alarms / trials, 4)}  # fmt: skip


def _row(seed: int, fault: str, truth: set, found: set) -> Row:  # type: ignore[type-arg]
    right = len(truth & found)
    return {
        "seed": seed,
        "fault": fault,
        "planted": len(truth),
        "found": len(found),
        "recall": round(right / max(1, len(truth)), 3),
        "precision": round(right / max(1, len(found)), 3),
        "false findings": len(found - truth),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--set", type=Path, help="take the specimens of this set")
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--out", type=Path, help="write the rows as JSON")
    options = parser.parse_args()
    rows: list[Row] = []
    for seed in range(options.seeds):
        items = items_of_set(options.set) if options.set else invented_items(editions=8, seed=seed)
        with tempfile.TemporaryDirectory() as scratch:
            folder = Path(scratch)
            rows += planted(items, seed, folder / "planted")
            rows += structural(items, seed, folder)
            rows += clean(items, seed, folder / "clean")
    rows.append(false_alarms(items, 200))
    print_table("Planted faults", rows)
    if options.out:
        save_rows(options.out, "Planted faults", rows)


if __name__ == "__main__":
    main()
