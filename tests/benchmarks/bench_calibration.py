"""How far readings can be trusted: asked with queries whose truth is known.

Run: ``python tests/benchmarks/bench_calibration.py [--seed 950101]... [--prints] [--times K]
[--work DIR]``. The references of a rendered world, on which nothing was trained or tuned, become a
set; the set is calibrated as the library does it, and asked with the world's held-out queries: new
genuine specimens, copies of presses that the set knows, copies of presses that it has never
seen, and items of makers that it does not hold. With ``--prints`` the set's own prints are held
against each other first, and each query is compared with the nearest genuine design as well. All
pictures are rendered and invented.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent), str(HERE)]

from sklearn.metrics import roc_auc_score
from table import print_table, save_tables

from loupebook.bench.cases import BenchQuery
from loupebook.bench.worlds import HELD_OUT, WorldsWanted
from loupebook.errors import ComparisonError
from loupebook.evidence.metrics import cllr, cllr_min, misleading_share
from loupebook.evidence.proportions import wilson_interval
from loupebook.library import Library, SearchReport

Row = dict[str, object]
GENUINE, KNOWN, UNSEEN, ABSENT = (
    "genuine, new specimen",
    "fake, known origin",
    "fake, unseen origin",
    "unknown marque",
)
LEVEL = 0.05


@dataclass(frozen=True)
class Asked:
    """One query's truth and what the library read."""

    world: int
    group: str
    element: str
    skill: str
    specimen: str
    edition: str
    nearest_edition: str | None
    similarity: float
    close: bool | None
    p_value: float | None
    nearness: float | None
    known: float | None
    unseen: float | None
    scores: dict[str, dict[str, float]]
    known_by_print: float | None = None
    unseen_by_print: float | None = None

    @property
    def right_edition(self) -> bool:
        """Whether the nearest specimen is of the query's own edition."""
        return self.nearest_edition == self.edition


def build_set(folder: Path, references: Path) -> None:
    """Make a set of a world's references; one that is there already is brought up to date."""
    if not (folder / "catalogue.sqlite").is_file():
        with Library.create(folder, name=folder.name, notice="Rendered, invented.") as library:
            report = library.add_manifest(references / "manifest.csv", by="bench")
            if not report.ok:
                raise SystemExit("\n".join(map(str, report.faults)))
    with Library.open(folder) as library:
        library.sync()


def ask(library: Library, world: int, query: BenchQuery, *, prints: bool) -> Asked:
    """Put one query to a set."""
    pixels = query.read()
    report = library.search(pixels, k=3)
    reading = report.reading
    nearest = report.matches[0] if report.matches else None
    by_print = read_by_print(library, pixels, report) if prints else {}

    return Asked(
        world=world,
        group=query.strata["group"],
        element=query.strata["element"],
        skill=query.strata["skill"],
        specimen=query.specimen,
        edition=query.design,
        nearest_edition=None if nearest is None else nearest.edition,
        similarity=0.0 if nearest is None else nearest.similarity,
        close=reading["close_reference"],
        p_value=reading["p_value"],
        nearness=reading["nearness"],
        known=strength_of(reading, "known_press"),
        unseen=strength_of(reading, "unseen_press"),
        scores={
            name: {} if match is None else {"fused": match.similarity, **match.detail["scores"]}
            for name, match in (
                ("genuine", report.nearest_genuine),
                ("fake", report.nearest_fake),
            )
        },
        known_by_print=strength_of(by_print, "known_press"),
        unseen_by_print=strength_of(by_print, "unseen_press"),
    )


def strength_of(reading: Mapping[str, Any], press: str) -> float | None:
    """Return the log10 LR that a reading gives, if it gives one."""
    held = reading.get(press)
    return None if held is None else float(held["log10_lr"])


def read_by_print(library: Library, pixels: np.ndarray, report: SearchReport) -> Mapping[str, Any]:
    """Return what the comparison with the nearest genuine design is worth.

    Pages withhold it where the print agrees better with another design; here it counts.
    """
    if report.nearest_genuine is None or report.reading["close_reference"] is False:
        return {}
    try:
        return library.compare(pixels, report.nearest_genuine.photo_id).reading or {}
    except ComparisonError:
        return {}


def ask_world(seed: int, work: Path, *, workers: int, prints: bool, times: float) -> list[Asked]:
    """Ask one world's queries, or take the answers that were kept."""
    world = f"{seed}" if times == 1 else f"{seed}-{times:g}-times"
    kept = work / f"asked-{world}{'-prints' if prints else ''}.json"
    if kept.is_file():
        return [Asked(**row) for row in json.loads(kept.read_text(encoding="utf-8"))]
    (case,) = WorldsWanted((seed,), work, times=times, workers=workers).cases(lambda *_: None)
    build_set(work / f"set-{world}", work / f"world-{world}")
    with Library.open(work / f"set-{world}") as library:
        if prints:
            library.report(only=["prints"], prints=True)
        asked = [ask(library, seed, query, prints=prints) for query in case.queries]
    kept.write_text(json.dumps([asdict(one) for one in asked]), encoding="utf-8")
    return asked


def press_row(
    asked: Sequence[Asked], press: str, copies: str, read: Callable[[Asked], float | None]
) -> Row:
    """Return the figures of one reading over genuine queries and one kind of copy."""
    groups = [one for one in asked if one.group in (GENUINE, copies)]
    given = [(read(one), one.group == GENUINE) for one in groups]
    ratios = np.array([ratio for ratio, _ in given if ratio is not None])
    genuine = np.array([is_genuine for ratio, is_genuine in given if ratio is not None], bool)
    row: Row = {
        "reading": press,
        "genuine asked": sum(is_genuine for _, is_genuine in given),
        "copies asked": sum(not is_genuine for _, is_genuine in given),
        "given a figure": f"{ratios.size} of {len(given)}",
    }
    if not genuine.any() or genuine.all():
        return {**row, "Cllr": "", "Cllr-min": "", "loss": "", "loss if set perfectly": "",
                "genuine with LR < 1/10": "", "copies with LR > 10": ""}  # fmt: skip
    cost, least = cllr(ratios, genuine), cllr_min(ratios, genuine)
    against, towards = misleading_share(ratios, genuine)
    return {
        **row,
        "Cllr": round(cost, 3),
        "Cllr-min": round(least, 3),
        "loss": round(cost - least, 3),
        "loss if set perfectly": round(chance_loss(least, genuine), 3),
        "genuine with LR < 1/10": _share(against, int(genuine.sum())),
        "copies with LR > 10": _share(towards, int((~genuine).sum())),
    }


def chance_loss(least: float, genuine: np.ndarray, *, draws: int = 60) -> float:
    """Return the mean loss that perfectly set likelihood ratios show with as many queries.

    Cllr-min is the cost after the best monotone map found on the queries themselves; few of
    them let that map follow chance, so that even ratios which need no setting seem to lose
    something. Simulated with normal log ratios (variance twice the mean), as far apart as gives
    the Cllr-min found.
    """
    rng = np.random.default_rng(0)
    sizes = int(genuine.sum()), int((~genuine).sum())
    truth = np.repeat([True, False], sizes)
    found = []
    for apart in np.arange(0.1, 5.0, 0.1):
        costs = []
        for _ in range(draws):
            signs = np.where(truth, 1.0, -1.0)
            ratios = (signs * apart**2 / 2 + apart * rng.normal(size=truth.size)) / np.log(10)
            costs.append((cllr(ratios, truth), cllr_min(ratios, truth)))
        cost, lowest = np.mean(costs, axis=0)
        found.append((abs(lowest - least), cost - lowest))
    return float(min(found)[1])


def closeness_row(asked: Sequence[Asked], element: str = "all") -> Row:
    """Return how often "nothing close" is said, of what the set holds and of what it lacks."""
    told = [
        one
        for one in asked
        if one.p_value is not None and one.group in (GENUINE, KNOWN, UNSEEN, ABSENT)
        and element in ("all", one.element)
    ]  # fmt: skip
    absent = np.array([one.group == ABSENT for one in told], bool)
    p_values = np.array([one.p_value for one in told], dtype=float)
    said = p_values <= LEVEL
    row: Row = {
        "element": element,
        "of known kind": int((~absent).sum()),
        "absent makers": int(absent.sum()),
    }
    if not absent.any() or absent.all():
        return {**row, "false alarm": "", "recall": "", "area of nearness": ""}
    # What cannot be put on the scale is taken for the middle between makers and editions.
    near = [0.5 if one.nearness is None else one.nearness for one in told]
    return {
        **row,
        "false alarm": _share(said[~absent].mean(), int((~absent).sum())),
        "recall": _share(said[absent].mean(), int(absent.sum())),
        "area of nearness": round(float(roc_auc_score(~absent, near)), 3),
    }


def _share(share: float, count: int) -> str:
    found = wilson_interval(round(share * count), count)
    return f"{100 * share:.1f} % ({100 * found.low:.1f} to {100 * found.high:.1f})"


def press_rows(asked: Sequence[Asked], *, prints: bool) -> list[Row]:
    """Return the table of both readings, and of those by print."""
    rows = [
        press_row(asked, "known press", KNOWN, lambda one: one.known),
        press_row(asked, "unseen press", UNSEEN, lambda one: one.unseen),
    ]
    if prints:
        rows += [
            press_row(asked, "known press, by print", KNOWN, lambda one: one.known_by_print),
            press_row(asked, "unseen press, by print", UNSEEN, lambda one: one.unseen_by_print),
        ]
    return rows


def closeness_rows(asked: Sequence[Asked]) -> list[Row]:
    """Return the table of the open-set test."""
    return [closeness_row(asked, element) for element in ("all", "band", "seal", "cap")]


def group_rows(asked: Iterable[Asked]) -> list[Row]:
    """Return what was asked, and how often the nearest specimen was of the right edition."""
    held = list(asked)
    counts = Counter(one.group for one in held)
    right = Counter(one.group for one in held if one.right_edition)
    return [
        {"queries": group, "asked": count, "nearest is of the right edition": right[group]}
        for group, count in sorted(counts.items())
    ]


def main() -> None:
    """Ask the worlds named and write the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, action="append", help=f"from {HELD_OUT} on")
    parser.add_argument("--work", type=Path, default=Path("bench_out/work"))
    parser.add_argument("--times", type=float, default=1.0, help="photos so much wider and higher")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--prints", action="store_true", help="compare prints as well")
    parser.add_argument("--out", type=Path, help="write the tables as Markdown")
    options = parser.parse_args()
    seeds = options.seed or [HELD_OUT + 101]
    asked = [
        one
        for seed in seeds
        for one in ask_world(
            seed, options.work, workers=options.workers, prints=options.prints, times=options.times
        )
    ]  # fmt: skip
    tables = {
        "Readings of held-out queries": press_rows(asked, prints=options.prints),
        "Nothing close": closeness_rows(asked),
        "Queries": group_rows(asked),
    }
    for title, rows in tables.items():
        print_table(title, rows)
    if options.out:
        command = "bench_calibration.py" + "".join(f" --seed {seed}" for seed in seeds)
        command += " --prints" * options.prints
        command += "" if options.times == 1 else f" --times {options.times:g}"
        title = "Readings of held-out rendered worlds, by the truth"
        save_tables(options.out, title, f"python tests/benchmarks/{command}", tables)


if __name__ == "__main__":
    main()
