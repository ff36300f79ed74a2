"""The benchmark itself: every method on every case, in one run."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from itertools import chain, count
from typing import Any

from loupebook.bench.cases import BenchCase
from loupebook.bench.figures import CaseFigures, Estimate, figures_of
from loupebook.bench.left_out import without_unread
from loupebook.bench.methods import Method

COLUMNS = (
    "recall@1", "recall@5", "recall@10", "mAP", "origin recall@1", "origin mAP",
    "standing", "nearest genuine", "outline",
)  # fmt: skip


@dataclass(frozen=True)
class CaseAbout:
    """What a case was: its name, kind of pictures, counts, and what it had to leave out."""

    name: str
    kind: str
    references: int
    queries: int
    left_out: tuple[str, ...]

    @classmethod
    def of(cls, case: BenchCase) -> CaseAbout:
        """Return what is said of a case that was run."""
        counts = len(case.references), len(case.queries)
        return cls(case.name, case.kind, *counts, tuple(case.left_out))


@dataclass(frozen=True)
class BenchResult:
    """The figures of all rows, case by case."""

    rows: tuple[CaseFigures, ...]
    cases: tuple[CaseAbout, ...]

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {
            "cases": [{**asdict(case), "left_out": list(case.left_out)} for case in self.cases],
            "rows": [row.to_json() for row in self.rows],
        }


def run_bench(
    cases: Sequence[BenchCase],
    methods: Sequence[Method],
    *,
    progress: Callable[[str, int, int], None],
) -> BenchResult:
    """Run every method on every case.

    Parameters
    ----------
    cases, methods : sequences
        What is run. A case of the same name as an earlier one gets a number behind it; photos
        that cannot be read are left out of it, and named.
    progress : callable
        Called with (what, done, in all).

    Raises
    ------
    BenchInvalid
        If none of the references or queries of a case can be read.
    """
    cases = [without_unread(case, progress) for case in named_apart(cases)]
    rows = []
    for case in cases:
        for method in methods:
            try:
                method.prepare(case.references, progress)
                rankings = []
                for done, query in enumerate(case.queries, start=1):
                    rankings.append(method.rank(query.read()))
                    progress(f"{case.name}: {method.name}", done, len(case.queries))
            finally:
                method.close()
            rows.append(figures_of(method.name, case, rankings))
    return BenchResult(tuple(rows), tuple(map(CaseAbout.of, cases)))


def named_apart(cases: Sequence[BenchCase]) -> list[BenchCase]:
    """Number cases of one name: figures are told apart by it."""
    apart: dict[str, BenchCase] = {}
    for case in cases:
        names = chain([case.name], (f"{case.name} ({number})" for number in count(2)))
        name = next(name for name in names if name not in apart)
        apart[name] = replace(case, name=name)
    return list(apart.values())


def table_of(result: BenchResult) -> str:
    """Return the figures as Markdown, one table a case."""
    parts = []
    for case in result.cases:
        rows = [row for row in result.rows if row.case == case.name]
        columns = [column for column in COLUMNS if any(column in row.figures for row in rows)]
        parts.append(
            f"## {case.name} ({case.kind}): {case.references} references, {case.queries} queries\n"
        )
        if case.left_out:
            parts.append(f"{len(case.left_out)} left out:\n")
            parts += [*(f"- {one}" for one in case.left_out), ""]
        parts.append(f"| method | {' | '.join(columns)} | absent, area | ms a query |")
        parts.append("|---|" + "---|" * (len(columns) + 2))
        for row in rows:
            cells = [shown(row.figures.get(column)) for column in columns]
            area = "" if row.absent_area is None else f"{row.absent_area:.3f}"
            parts.append(
                f"| {row.method} | {' | '.join(cells)} | {area} | {row.milliseconds:.0f} |"
            )
        parts.append(strata_of(rows))
    return "\n".join(parts)


def strata_of(rows: Sequence[CaseFigures]) -> str:
    """Return recall@1 of each method by stratum."""
    lines = []
    for key in sorted({key for row in rows for key in row.strata}):
        values = sorted({value for row in rows for value in row.strata.get(key, {})})
        lines += [f"\nRecall@1 by {key}:\n", f"| method | {' | '.join(values)} |"]
        lines.append("|---|" + "---|" * len(values))
        for row in rows:
            cells = [shown(row.strata.get(key, {}).get(value)) for value in values]
            lines.append(f"| {row.method} | {' | '.join(cells)} |")
    return "\n".join(lines) + "\n"


def shown(estimate: Estimate | None) -> str:
    """Return a figure with its interval."""
    if estimate is None:
        return "—"
    return f"{estimate.value:.3f} [{estimate.low:.2f}, {estimate.high:.2f}]"
