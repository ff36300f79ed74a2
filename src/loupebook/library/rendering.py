"""Drawing the invented world anew: the demo set from its seeds, or any other world."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from loupebook.encoders.threads import usable_cores
from loupebook.errors import WorldInvalid
from loupebook.search import Progress, no_progress


@dataclass(frozen=True)
class Rendered:
    """What was drawn.

    Parameters
    ----------
    references, queries : Path
        Folders with ``manifest.csv`` and with ``truth.csv``.
    """

    references: Path
    queries: Path

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {"references": str(self.references), "queries": str(self.queries)}


def render_demo_anew(
    out: Path,
    *,
    workers: int | None = None,
    traced: bool = False,
    progress: Progress = no_progress,
) -> Rendered:
    """Draw the demo set and its held-out queries again, from their seeds.

    Parameters
    ----------
    out : Path
        Folder that is to hold ``demo`` and ``demo_queries``; neither may hold anything.
    workers : int, optional
        Processes; default is one for each core that may be used.
    traced : bool
        Whether light is traced by Mitsuba (the extra ``raytrace``): seconds a photo on many
        cores, and other pictures than those of the set that ships.
    progress : callable, optional
        Called with (what, done, total).

    Raises
    ------
    WorldInvalid
        If a folder is not empty, or what draws is not installed.
    """
    _need_renderer()
    from loupebook.demo.demo_set import Taking, rebuild_demo

    how = Taking(workers=_processes() if workers is None else workers, traced=traced)
    rebuild_demo(out, how=how, progress=progress)
    return Rendered(out / "demo", out / "demo_queries")


def render_other_world(
    out: Path,
    *,
    seed: int,
    count: int | None = None,
    truth: bool = False,
    workers: int | None = None,
    traced: bool = False,
    times: float = 1.0,
    device: str = "cpu",
    progress: Progress = no_progress,
) -> Rendered:
    """Draw another invented world: references with a manifest, queries with their truth.

    Parameters
    ----------
    out : Path
        Folder that is to hold ``references`` and ``queries``; neither may hold anything.
    seed : int
        Decides makers, editions, presses and photos.
    count : int, optional
        Reference photos; default is one round over all editions.
    truth : bool
        Whether to write the exact place of the artwork beside each photo.
    workers, traced, progress
        As for :func:`render_demo_anew`.
    times : float
        How many times as wide and high as those of the demo set the photos are.
    device : str
        Where light is shaded: ``cpu``, ``cuda`` or ``cuda:N``.

    Raises
    ------
    WorldInvalid
        If the seed, count, size, device or folder cannot be used, or what draws is not installed.
    """
    _need_renderer()
    from loupebook.demo.demo_set import Taking, render_queries, render_world
    from loupebook.demo.world import World

    world = World(seed)
    made = Rendered(out / "references", out / "queries")
    how = Taking(
        truth=truth,
        workers=_processes() if workers is None else workers,
        traced=traced,
        times=times,
        device=device,
    )
    render_world(world, made.references, seed=seed, count=count, how=how, progress=progress)
    render_queries(world, made.queries, seed=seed, how=how, progress=progress)
    return made


def _processes() -> int:
    from loupebook.demo.demo_set import MOST_WORKERS

    return min(usable_cores(), MOST_WORKERS)


def _need_renderer() -> None:
    try:
        import skia  # noqa: F401
    except ImportError as exc:
        raise WorldInvalid(
            "Drawing worlds needs more packages: pip install 'loupebook[render]', and the system "
            f"libraries EGL and fontconfig. ({exc})"
        ) from exc
