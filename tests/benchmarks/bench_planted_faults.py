"""How well the set report finds planted faults, and what it finds on a clean set.

Run: ``python tests/benchmarks/bench_planted_faults.py [--set FOLDER] [--seeds N]``. Without
a set, the drawn world of ``tests/invented_prints.py`` is used. What is found on the clean
set and counts as a fault there is not held against the planted ones: only findings that the
clean set does not have are.
"""

from __future__ import annotations

import argparse
import hashlib
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
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
from table import print_table, save_tables

from invented_prints import CAMERAS, Item, invented_items, record_items
from loupebook.encoders import Encoder, load_encoder
from loupebook.library import Library
from loupebook.library.evidence_glue import embedding_arm
from loupebook.library.report_glue import pending_of, report_context
from loupebook.records.catalogue import Catalogue
from loupebook.records.model import Standing
from loupebook.setreport import Finding, SetReport, report_on_set
from loupebook.setreport.association import associate

Row = dict[str, object]
Photo = tuple[str, int]
CACHES = ("traits.sqlite", "pairs.sqlite", "prints.sqlite")
"""What a report keeps by the hashes of photos, and may take over from another set."""
FOLLOWS = {"background": frozenset({"brightness", "sharpness"})}
"""What a planted circumstance changes beside itself: that is found too, and rightly."""
CHECKED = (
    *("coverage", "duplicates", "serials", "standing_conflicts", "leakage", "label_suspects"),
    "confounds",
)


class RememberingEncoder:
    """Embeds each picture once in this process: variants of a set share most of theirs."""

    def __init__(self, encoder: Encoder) -> None:
        self._encoder = encoder
        self._held: dict[bytes, np.ndarray] = {}
        self.name, self.fingerprint, self.dim = encoder.name, encoder.fingerprint, encoder.dim

    def embed(self, pictures: Sequence[np.ndarray], *, batch_size: int = 16) -> np.ndarray:
        """Embed pictures, those already seen from memory."""
        keys = [
            hashlib.sha256(repr(p.shape).encode() + np.ascontiguousarray(p).tobytes()).digest()
            for p in pictures
        ]
        new = [n for n, key in enumerate(keys) if key not in self._held]
        vectors = self._encoder.embed([pictures[n] for n in new], batch_size=batch_size)
        self._held.update(zip((keys[n] for n in new), vectors, strict=True))
        return np.stack([self._held[key] for key in keys])


class Reporter:
    """Records items as sets of their own and reports on them.

    Parameters
    ----------
    scratch : Path
        Where the sets lie.
    """

    def __init__(self, scratch: Path) -> None:
        self._scratch = scratch
        self._encoder = RememberingEncoder(load_encoder())
        self._kept = scratch / "kept"
        self._kept.mkdir()
        self._made = 0

    def report(
        self, items: Sequence[Item], sections: Sequence[str], *, withdrawn: str | None = None
    ) -> tuple[SetReport, dict[int, Photo]]:
        """Report on items; return also whose photo each row id is.

        With `withdrawn`, that specimen is withdrawn after encoding, so that encodings are stale.
        """
        self._made += 1
        folder = self._scratch / f"set-{self._made}"
        with Catalogue.create(folder, name="planted", notice="Planted faults") as catalogue:
            held = record_items(catalogue, list(items))
        derived = folder / "derived" / "setreport"
        derived.mkdir(parents=True)
        for cache in self._kept.iterdir():
            shutil.copy(cache, derived)
        start = time.perf_counter()
        with Library.open(folder) as library:
            library._encoder = self._encoder
            report = _report(library, sections, withdrawn)
        for name in CACHES:
            if (derived / name).is_file():
                shutil.copy(derived / name, self._kept)
        shutil.rmtree(folder)
        print(f"reported in {time.perf_counter() - start:.1f} s", file=sys.stderr, flush=True)
        return report, {
            photo: (name, k) for name, ids in held.items() for k, photo in enumerate(ids)
        }


def _report(library: Library, sections: Sequence[str], withdrawn: str | None) -> SetReport:
    catalogue = library._catalogue
    arm = embedding_arm(library.arms())
    assert arm is not None
    arm.sync(catalogue.indexable(), library._read_reference)
    if withdrawn:
        library.withdraw(withdrawn, by="bench", reason="planted")
    pending = pending_of(catalogue, [arm])
    arm.sync(catalogue.indexable(), library._read_reference)
    context = report_context(
        catalogue, [arm], library.encoder(), library._read_reference, pending=pending
    )
    return report_on_set(context, only=sections)


def clean_rows(report: SetReport, seed: int) -> list[Row]:
    """Return what the report finds where nothing was planted, kind by kind."""
    rows = []
    for name in CHECKED:
        kinds = [finding.kind for finding in report.sections[name].findings]
        said = ", ".join(f"{kinds.count(kind)} {kind}" for kind in sorted(set(kinds)))
        rows.append(
            {"seed": seed, "section": name, "findings": len(kinds), "of which": said or "none"}
        )
    return rows


def mixed(reporter: Reporter, items: list[Item], clean: SetReport, seed: int) -> list[Row]:
    """Plant faults that concern single specimens and photos, all in one set."""
    rng = np.random.default_rng(seed)
    truth = Truth()
    changed = plant_wrong_standings(items, rng, truth)
    changed = plant_duplicates(changed, rng, truth)
    changed = plant_serial(changed, rng, truth)
    changed = plant_twice(changed, rng, truth)
    withdrawn = changed[-1].record.name
    sections = ("duplicates", "serials", "label_suspects", "stale")
    report, where = reporter.report(changed, sections, withdrawn=withdrawn)
    pairs: dict[str, set[frozenset[Photo]]] = {"exact-duplicate": set(), "near-duplicate": set()}
    for finding in report.sections["duplicates"].findings:
        pairs[finding.kind].add(frozenset(where[photo] for photo in finding.photos))
    near = {p for p in truth.near if withdrawn not in {name for name, _ in p}}
    serials = _new(report, clean, "serials", lambda f: frozenset(f.specimens), "shared-serial")
    suspects = _new(
        report, clean, "label_suspects", lambda f: f.specimens[0], "suspect-standing"
    )  # fmt: skip
    order = report.sections["label_suspects"].figures["order"]
    first = set(order[: max(1, round(0.05 * len(order)))])
    stale = {finding.kind for finding in report.sections["stale"].findings}
    return [
        _row(seed, "exact duplicates, 2 %", truth.exact, pairs["exact-duplicate"]),
        _row(seed, "near duplicates, 5 %", near, pairs["near-duplicate"]),
        _row(seed, "shared serial", truth.serial, serials),
        _row(seed, "wrong standings, 3 %: first 5 %", truth.wrong_standing, first),
        _row(seed, "wrong standings, 3 %: named", truth.wrong_standing, suspects),
        _row(seed, "stale encodings", {"stale-encodings"}, stale),
    ]


def by_print(reporter: Reporter, items: list[Item], seeds: Sequence[int]) -> dict[str, list[Row]]:
    """Plant wrong standings alone, and let the report weigh prints and likeness together.

    What was compared of designs that no wrong standing touches is kept from set to set.
    """
    sections = ("prints", "label_suspects")
    clean, _ = reporter.report(items, sections)
    rows: list[Row] = []
    missed: list[Row] = []
    for seed in seeds:
        truth = Truth()
        changed = plant_wrong_standings(items, np.random.default_rng(seed), truth)
        report, _ = reporter.report(changed, sections)
        section = report.sections["label_suspects"]
        named = {f.specimens[0] for f in section.findings if f.kind == "suspect-standing"}
        # Five in a hundred of the whole set, as for the list by likeness alone.
        first = set(section.figures["order"][: max(1, round(0.05 * len(changed)))])
        recorded = {item.record.name: item.record.standing for item in changed}
        copies = {n for n in truth.wrong_standing if recorded[n] is Standing.GENUINE}
        rows += [
            _row(seed, "wrong standings by print: first 5 %", truth.wrong_standing, first),
            _row(seed, "wrong standings by print: named", truth.wrong_standing, named),
        ]
        missed.append({
            "seed": seed, "copies recorded as genuine": len(copies), "in the first 5 %":
            len(first & copies), "named": len(named & copies),
        })  # fmt: skip
        print_table(f"Wrong standings by print, seed {seed}", rows)
    section, suspects = (clean.sections[name].figures for name in sections)
    return {
        "Wrong standings by print, all seeds": pooled(rows),
        "Copies recorded as genuine": missed,
        "Nothing planted": [{
            "judged": suspects["judged"], "prints held against others": section["judged"],
            "prints that tell": section["told"], "named": suspects["standing_suspects"],
        }],
    }  # fmt: skip


def structural(reporter: Reporter, items: list[Item], clean: SetReport, seed: int) -> list[Row]:
    """Plant faults that concern the whole set, each in a set of its own."""
    rng = np.random.default_rng(seed)
    truth = Truth()
    report, _ = reporter.report(plant_gap(items, rng, truth), ["coverage"])

    def shot(finding: Finding) -> tuple[str, str]:
        return str(finding.detail["edition"]).split(" (")[0], str(finding.detail["lighting"])

    gaps = _new(report, clean, "coverage", shot, "missing-shot")
    rows = [_row(seed, "missing edition × lighting", {truth.missing}, gaps)]
    report, _ = reporter.report(plant_twice(items, rng, truth), ["leakage"])
    groups = {frozenset(f.specimens) for f in report.sections["leakage"].findings}
    rows.append(_row(seed, "one specimen twice", truth.twice, groups))
    for name, plant in (("camera", plant_camera), ("background", plant_background)):
        report, _ = reporter.report(plant(items, Truth()), ["confounds"])
        found = {f.detail["circumstance"] for f in report.sections["confounds"].findings}
        found -= FOLLOWS.get(name, frozenset())
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
    return {"cameras drawn by chance": trials, "called a confound": alarms,
            "share": round(alarms / trials, 4)}  # fmt: skip


def _new(
    report: SetReport, clean: SetReport, section: str, key: Callable[[Finding], object], kind: str
) -> set[object]:
    """Return the findings of a kind that the clean set does not have."""
    now, before = (
        {key(f) for f in made.sections[section].findings if f.kind == kind}
        for made in (report, clean)
    )
    return now - before


def _row(seed: int, fault: str, truth: set, found: set) -> Row:  # type: ignore[type-arg]
    right = len(truth & found)
    return {
        "fault": fault,
        "seed": seed,
        "planted": len(truth),
        "found": right,
        "recall": round(right / max(1, len(truth)), 3),
        "precision": round(right / len(found), 3) if found else "",
        "false": len(found - truth),
    }


def pooled(rows: Sequence[Row]) -> list[Row]:
    """Return one row a fault: all seeds together."""
    made = []
    for fault in dict.fromkeys(row["fault"] for row in rows):
        mine = [row for row in rows if row["fault"] == fault]
        planted, found, false = (
            sum(int(str(row[key])) for row in mine) for key in ("planted", "found", "false")
        )
        made.append({
            "fault": fault, "seeds": len(mine), "planted": planted, "found": found,
            "recall": round(found / max(1, planted), 3),
            "precision": round(found / max(1, found + false), 3), "false": false,
        })  # fmt: skip
    return made


def run(reporter: Reporter, options: argparse.Namespace) -> dict[str, list[Row]]:
    """Report on all variants of all seeds."""
    rows: list[Row] = []
    clean: list[Row] = []
    items = items_of_set(options.set) if options.set else []
    report = None
    for seed in range(options.first_seed, options.first_seed + options.seeds):
        if not options.set:
            items, report = invented_items(editions=8, seed=seed), None
        if report is None:
            report, _ = reporter.report(items, CHECKED)
            clean += clean_rows(report, seed)
        rows += mixed(reporter, items, report, seed)
        rows += structural(reporter, items, report, seed)
        print_table(f"Planted faults, seed {seed}", rows)
    return {
        "All seeds": pooled(rows),
        "Nothing planted": clean,
        "Chance": [false_alarms(items, 200)],
        "Seed by seed": sorted(rows, key=lambda row: str(row["fault"])),
    }


def main() -> None:
    """Plant, report, compare."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--set", type=Path, help="take the specimens of this set")
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument(
        "--prints", action="store_true", help="only wrong standings, found print by print"
    )
    parser.add_argument("--out", type=Path, help="write the tables as Markdown")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        reporter = Reporter(Path(scratch))
        if options.prints:
            if not options.set:
                parser.error("--prints takes a set (--set): drawn items show no prints")
            seeds = range(options.first_seed, options.first_seed + options.seeds)
            tables = by_print(reporter, items_of_set(options.set), seeds)
        else:
            tables = run(reporter, options)
    for title, rows in tables.items():
        print_table(title, rows)
    if options.out:
        command = f"python tests/benchmarks/bench_planted_faults.py --seeds {options.seeds}"
        command += f" --first-seed {options.first_seed}" + " --set DEMO" * bool(options.set)
        command += " --prints" * options.prints
        save_tables(options.out, "Faults planted into a set, by the report", command, tables)


if __name__ == "__main__":
    main()
