"""Rendered worlds from seeds that nothing was trained or tuned on."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from loupebook.bench.cases import BenchCase, demo_case
from loupebook.errors import BenchInvalid

HELD_OUT = 950_000
"""World seeds from here on are kept for benchmarks: training and tuning draw from others."""
MARQUES = 4
"""Makers of a world: sixteen editions, each with two house runs and four fake ones."""


@dataclass(frozen=True)
class WorldsWanted:
    """Which worlds to measure on, and how to render them.

    Parameters
    ----------
    seeds : sequence of int
        World seeds, from :data:`HELD_OUT` on for figures that are to be quoted.
    folder : Path, optional
        Where rendered worlds are kept; needed with `seeds`. Those of one seed and another size
        are other worlds.
    times : float
        How many times as wide and high as those of the demo set their photos are.
    workers : int
        Processes that render.
    device : str
        What shades: ``cpu``, ``cuda`` or ``cuda:N``.
    """

    seeds: Sequence[int] = ()
    folder: Path | None = None
    times: float = 1.0
    workers: int = 1
    device: str = "cpu"

    def cases(self, progress: Callable[[str, int, int], None]) -> list[BenchCase]:
        """Render each world that was not rendered before.

        Raises
        ------
        BenchInvalid
            If no folder is named, or what renders worlds is not installed.
        """
        if not self.seeds:
            return []
        if self.folder is None:
            raise BenchInvalid("Name a folder to keep rendered worlds in.")
        return [self._case(seed, self.folder, progress) for seed in self.seeds]

    def _case(
        self, seed: int, folder: Path, progress: Callable[[str, int, int], None]
    ) -> BenchCase:
        """Render a world and its queries, or take it from `folder` if it was rendered before."""
        try:
            from loupebook.demo.demo_set import Taking, render_queries, render_world
            from loupebook.demo.world import World
        except ImportError as exc:
            raise BenchInvalid(
                "Rendering worlds needs more packages: pip install 'loupebook[render]'."
            ) from exc
        world = World(seed, marques=MARQUES)
        size = "" if self.times == 1 else f"-{self.times:g}-times"
        known, asked = folder / f"world-{seed}{size}", folder / f"world-{seed}{size}-queries"
        taking = Taking(workers=self.workers, times=self.times, device=self.device)
        if not (known / "manifest.csv").is_file():
            render_world(world, known, seed=seed, how=taking, progress=progress)
        if not (asked / "truth.csv").is_file():
            with_truth = replace(taking, truth=True)
            render_queries(world, asked, seed=seed, how=with_truth, progress=progress)
        said = "" if self.times == 1 else f", {self.times:g} times as wide and high"
        return demo_case(known, asked, name=f"rendered world {seed}{said}")
