"""Rendered worlds from seeds that nothing was trained or tuned on."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from loupebook.bench.cases import BenchCase, demo_case
from loupebook.errors import BenchInvalid

HELD_OUT = 950_000
"""World seeds from here on are kept for benchmarks: training and tuning draw from others."""
MARQUES = 4
"""Makers of a world: sixteen editions, each with two house runs and four fake ones."""


def world_case(
    seed: int, folder: Path, *, workers: int, progress: Callable[[str, int, int], None]
) -> BenchCase:
    """Render a world and its queries, or take it from `folder` if it was rendered before.

    Parameters
    ----------
    seed : int
        World seed, from :data:`HELD_OUT` on for figures that are to be quoted.
    folder : Path
        Where rendered worlds are kept.
    workers : int
        Processes that render.
    progress : callable
        Called with (what, done, in all).

    Raises
    ------
    BenchInvalid
        If what renders worlds is not installed.
    """
    try:
        from loupebook.demo.demo_set import Taking, render_queries, render_world
        from loupebook.demo.world import World
    except ImportError as exc:
        raise BenchInvalid(
            "Rendering worlds needs more packages: pip install 'loupebook[render]'."
        ) from exc
    world = World(seed, marques=MARQUES)
    known, asked = folder / f"world-{seed}", folder / f"world-{seed}-queries"
    if not (known / "manifest.csv").is_file():
        render_world(world, known, seed=seed, how=Taking(workers=workers), progress=progress)
    if not (asked / "truth.csv").is_file():
        how = Taking(truth=True, workers=workers)
        render_queries(world, asked, seed=seed, how=how, progress=progress)
    return demo_case(known, asked, name=f"rendered world {seed}")
