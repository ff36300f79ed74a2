"""Puts a retrieval benchmark together for the command line."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from loupebook.bench import (
    BenchCase,
    BenchResult,
    WorldsWanted,
    demo_case,
    make_methods,
    photo_case,
    picture_case,
    run_bench,
)
from loupebook.bundled import bundled
from loupebook.errors import BenchInvalid
from loupebook.search import Progress, no_progress


def bench_retrieval(
    *,
    demo: bool = False,
    worlds: WorldsWanted | None = None,
    pictures: Sequence[Path] = (),
    photos: Sequence[Path] = (),
    encoders: Sequence[str] = (),
    queries: int | None = None,
    progress: Progress = no_progress,
) -> BenchResult:
    """Measure how often search finds the right reference, beside simpler ways.

    Parameters
    ----------
    demo : bool
        Take the demo set with its held-out queries.
    worlds : WorldsWanted, optional
        Worlds to render.
    pictures : sequence of Path
        Folders of pictures; each is photographed by computation.
    photos : sequence of Path
        Tables of one's own photos: path, item, role.
    encoders : sequence of str
        Further encoders to rank whole frames with.
    queries : int, optional
        Most queries a case; `None` is all.
    progress : callable, optional
        Called with (what, done, in all).

    Raises
    ------
    BenchInvalid
        If nothing is asked for, or something that cannot be measured on.
    """
    cases: list[BenchCase] = []
    if demo:
        cases.append(
            demo_case(bundled("reference_sets/demo"), bundled("reference_sets/demo_queries"))
        )
    if worlds is not None:
        cases += worlds.cases(progress)
    each = 30 if queries is None else max(1, queries // 3)
    cases += [picture_case(folder.name, folder, queries=each) for folder in pictures]
    cases += [photo_case(table) for table in photos]
    if not cases:
        raise BenchInvalid("Nothing to measure on: take the demo set, a world, or pictures.")
    methods = make_methods(encoders)
    return run_bench([case.sample(queries) for case in cases], methods, progress=progress)
