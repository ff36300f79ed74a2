"""Renders the demo set, its held-out queries, and any number of other worlds.

Everything follows from seeds; nothing written here is a photograph, and every file says so.
"""

from __future__ import annotations

import csv
import io
import multiprocessing
import re
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from itertools import groupby
from pathlib import Path

import numpy as np
import torch

from loupebook.demo.camera.exposure import Renderer
from loupebook.demo.camera.mitsuba_renderer import MitsubaRenderer
from loupebook.demo.camera.mitsuba_scene import VARIANTS, load_mitsuba
from loupebook.demo.camera.phone import PHONES, develop, draw_handling, sensor_noise
from loupebook.demo.camera.sampler import sample_scenes
from loupebook.demo.camera.torch_renderer import TorchRenderer
from loupebook.demo.photo_files import jpeg_bytes, write_truth
from loupebook.demo.photo_plan import (
    PlannedPhoto,
    plan_queries,
    plan_references,
    plan_shipped_queries,
)
from loupebook.demo.press.printing import FINEST_PX_PER_MM
from loupebook.demo.set_cards import DEMO_CARD, QUERY_CARD, WORLD_CARD
from loupebook.demo.surface import PrintedSurface
from loupebook.demo.world import World, demo_world, print_specimen
from loupebook.errors import WorldInvalid
from loupebook.records.model import Element, Lighting
from loupebook.records.photo_store import write_whole

Progress = Callable[[str, int, int], None]

#: Seed of the photos of the demo set and its queries.
DEMO_PHOTO_SEED = 7
SOURCE = "rendered, invented"
PHOTO_FOLDER, MANIFEST_FILE, TRUTH_FILE = "photos", "manifest.csv", "truth.csv"
"""What a folder of references or queries holds; the tables are written last."""
_CONFIRMED_ON = "2026-11-25"
_SIZE = {Element.BAND: (540, 720), Element.SEAL: (610, 1000), Element.CAP: (540, 720)}
_PX_PER_MM = {Element.BAND: 22.0, Element.SEAL: 12.0, Element.CAP: 18.0}
_SUPERSAMPLE = 1.35
_FINE_ENOUGH = 1.5
"""How much larger photos may be before the print is made finer too."""
MOST_WORKERS = 256
"""Processes that draw at once, at most: each holds a print and its renderer."""
_GPU = re.compile(r"cuda(:\d{1,4})?", re.ASCII)
_MANIFEST = (
    *("path", "specimen", "element", "marque", "edition", "standing", "origin", "view"),
    *("lighting", "source", "confirmed_by", "confirmed_on", "serial", "notes"),
    *("basis", "px_per_mm"),
)
_TRUTH = (
    *("path", "group", "element", "marque", "edition", "standing", "origin", "skill"),
    *("specimen", "view", "lighting", "px_per_mm", "notes"),
)


@dataclass(frozen=True)
class Taking:
    """How the photos of a world are rendered.

    Parameters
    ----------
    truth : bool
        Whether to write ground truth beside each photo.
    workers : int
        Processes.
    traced : bool
        Whether Mitsuba traces the light (the extra ``raytrace``), else torch shades.
    times : float
        How many times as wide and high as those of the demo set the photos are; at 3 they
        have 3.5 megapixels, and seals 5.5.
    device : str
        Where torch shades: ``cpu``, ``cuda`` or ``cuda:N``.
    """

    truth: bool = False
    workers: int = 1
    traced: bool = False
    times: float = 1.0
    device: str = "cpu"

    def check(self) -> None:
        """Refuse what cannot be.

        Raises
        ------
        WorldInvalid
            A number of workers or a size that cannot be; Mitsuba or the device is not there,
            or both are asked for.
        """
        if not 1 <= self.workers <= MOST_WORKERS:
            raise WorldInvalid(f"drawing takes 1 to {MOST_WORKERS} processes, not {self.workers}")
        if not 0.5 <= self.times <= 6:
            raise WorldInvalid(f"photos are 0.5 to 6 times as large, not {self.times:g}")
        if self.traced:
            load_mitsuba(VARIANTS[0])
        if self.device == "cpu":
            return
        if self.traced:
            raise WorldInvalid("Mitsuba traces on the CPU: leave out the device, or tracing")
        cards = torch.cuda.device_count()
        number = int(self.device.partition(":")[2] or "0") if _GPU.fullmatch(self.device) else cards
        if number >= cards:
            there = f" and cuda:0 to cuda:{cards - 1}" if cards else ", and no CUDA card"
            raise WorldInvalid(f"there is no device {self.device!r} here; there is cpu{there}")

    def size(self, element: Element) -> tuple[int, int]:
        """Height and width of a photo, px."""
        height, width = _SIZE[element]
        return round(height * self.times), round(width * self.times)

    def print_px_per_mm(self, element: Element) -> float:
        """Resolution of the print: finer for larger photos, as fine as a print can be."""
        return min(_PX_PER_MM[element] * max(1.0, self.times / _FINE_ENOUGH), FINEST_PX_PER_MM)


@dataclass(frozen=True)
class Taken:
    """A photo as written: its file name and its scale in px/mm at the item."""

    name: str
    px_per_mm: float


def _no_progress(_what: str, _done: int, _total: int) -> None:
    return None


def render_world(
    world: World,
    out: Path,
    *,
    seed: int,
    count: int | None = None,
    how: Taking = Taking(),
    progress: Progress = _no_progress,
) -> int:
    """Render reference photos of a world with a manifest and a card.

    Parameters
    ----------
    world : World
        Whose items.
    out : Path
        Folder to write to; it must be empty or not exist.
    seed : int
        Decides how the items are photographed.
    count : int, optional
        How many photos; default is one round over all editions.
    how : Taking
        How they are rendered.
    progress : callable
        Called with (what, done, total).

    Returns
    -------
    int
        Photos written.

    Raises
    ------
    WorldInvalid
        A folder that holds something, a count or seed that cannot be, or as
        :meth:`Taking.check`.
    """
    plan = plan_references(world, seed=seed, count=count)
    names = [_file_name(photo, number) for number, photo in enumerate(plan, start=1)]
    _check_folder(out, MANIFEST_FILE)
    taken = _take(plan, names, out / PHOTO_FOLDER, how=how, progress=progress)
    rows = [_manifest_row(photo, shot) for photo, shot in zip(plan, taken, strict=True)]
    write_whole(out / "SET_CARD.md", WORLD_CARD.format(seed=world.seed).encode())
    _write_table(out / MANIFEST_FILE, _MANIFEST, rows)
    return len(plan)


def render_queries(
    world: World,
    out: Path,
    *,
    seed: int,
    how: Taking = Taking(),
    progress: Progress = _no_progress,
) -> int:
    """Render held-out queries with ``truth.csv``; parameters as :func:`render_world`."""
    return _render_queries(plan_queries(world, seed=seed), out, how=how, progress=progress)


def _render_queries(
    plan: Sequence[PlannedPhoto], out: Path, *, how: Taking, progress: Progress
) -> int:
    names = [f"q{number:03d}" for number in range(1, len(plan) + 1)]
    _check_folder(out, TRUTH_FILE)
    taken = _take(plan, names, out / PHOTO_FOLDER, how=how, progress=progress)
    rows = [_truth_row(photo, shot) for photo, shot in zip(plan, taken, strict=True)]
    _write_table(out / TRUTH_FILE, _TRUTH, rows)
    return len(plan)


def rebuild_demo(
    folder: Path, *, how: Taking = Taking(), progress: Progress = _no_progress
) -> None:
    """Render ``demo`` and ``demo_queries`` anew under a folder that holds neither."""
    world, seed = demo_world(), DEMO_PHOTO_SEED
    render_world(world, folder / "demo", seed=seed, how=how, progress=progress)
    queries = plan_shipped_queries(world, seed=seed)
    _render_queries(queries, folder / "demo_queries", how=how, progress=progress)
    write_whole(folder / "demo" / "SET_CARD.md", DEMO_CARD.encode())
    write_whole(folder / "demo_queries" / "SET_CARD.md", QUERY_CARD.encode())


def _check_folder(out: Path, last: str) -> None:
    """Refuse a folder that holds something; `last` is the file that is written last."""
    if not out.exists():
        return
    if not out.is_dir():
        raise WorldInvalid(f"{out} is a file; give an empty folder")
    if (out / last).exists():
        raise WorldInvalid(f"{out} holds photos drawn earlier ({last}); give an empty folder")
    if (out / PHOTO_FOLDER).is_dir():
        raise WorldInvalid(
            f"{out} holds photos of a drawing that was broken off, or is still at work: it lacks "
            f"{last}, which is written last. If nothing draws there now, delete the folder and "
            "start again, or give an empty one"
        )
    if any(out.iterdir()):
        raise WorldInvalid(f"{out} holds something already; give an empty folder")


def _slug(text: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")


def _file_name(photo: PlannedPhoto, number: int) -> str:
    return f"{number:04d}-{_slug(photo.specimen.name)}-{photo.shot.lighting.value}"


def _take(
    plan: Sequence[PlannedPhoto],
    names: Sequence[str],
    folder: Path,
    *,
    how: Taking,
    progress: Progress,
) -> list[Taken]:
    """Print every specimen once and take its photos."""
    how.check()
    folder.mkdir(parents=True, exist_ok=True)
    pairs = zip(plan, names, strict=True)
    jobs = [list(job) for _, job in groupby(pairs, key=lambda pair: pair[0].specimen.name)]
    taken: list[Taken] = []
    work = partial(photograph_plan, folder=folder, how=how)
    if how.workers == 1:
        for job in jobs:
            taken += work(job)
            progress("rendering", len(taken), len(plan))
        return taken
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(how.workers, mp_context=context, initializer=_one_thread) as pool:
        for part in pool.map(work, jobs):
            taken += part
            progress("rendering", len(taken), len(plan))
    return taken


def _one_thread() -> None:
    """Workers fight over cores otherwise."""
    torch.set_num_threads(1)


def photograph_plan(
    job: Sequence[tuple[PlannedPhoto, str]], *, folder: Path, how: Taking
) -> list[Taken]:
    """Print the one specimen of a job and take its photos, named without their ending."""
    first = job[0][0]
    surface = print_specimen(
        first.edition, first.origin, first.specimen.seed,
        px_per_mm=how.print_px_per_mm(first.edition.element),
    )  # fmt: skip
    renderer: Renderer = (
        MitsubaRenderer([surface])
        if how.traced
        else TorchRenderer([surface], supersample=_SUPERSAMPLE, device=how.device)
    )
    return [_take_one(renderer, surface, photo, folder / name, how) for photo, name in job]


def _take_one(
    renderer: Renderer, surface: PrintedSurface, photo: PlannedPhoto, stem: Path, how: Taking
) -> Taken:
    height, width = how.size(photo.edition.element)
    scenes = sample_scenes([photo.shot], [surface], height=height, width=width)
    exposure = renderer.expose(scenes)
    dim = photo.shot.lighting in (Lighting.RAKING, Lighting.UV_A)
    handling = draw_handling(
        [photo.shot.seed], poor=np.array([photo.shot.poor]), dim=np.array([dim])
    )
    noise = torch.from_numpy(sensor_noise([photo.shot.seed], height, width)).to(how.device)
    pixels = develop(exposure.light, handling, noise)[0].permute(1, 2, 0).cpu().numpy()
    data = jpeg_bytes(
        pixels, quality=int(handling.quality[0]), model=PHONES[int(handling.phone[0])].model
    )
    path = stem.with_name(stem.name + ".jpg")
    path.write_bytes(data)
    if how.truth:
        item, artwork = exposure.item[0].cpu().numpy(), exposure.artwork_mm[0].cpu().numpy()
        write_truth(path.with_suffix(""), scenes, item, artwork)
    scale = float(scenes.focal_px[0] / scenes.focus_mm[0])
    return Taken(path.name, round(scale, 2))


def _manifest_row(photo: PlannedPhoto, taken: Taken) -> dict[str, str]:
    serials = "|".join(f"{s.place}={s.value}" for s in photo.specimen.serials)
    said = "; ".join(photo.origin.changes)
    return {
        "path": f"photos/{taken.name}",
        "specimen": photo.specimen.name,
        "element": photo.edition.element.value,
        "marque": photo.edition.marque,
        "edition": photo.edition.name,
        "standing": photo.origin.standing.value,
        "origin": photo.origin.name,
        "view": photo.shot.view.value,
        "lighting": photo.shot.lighting.value,
        "source": SOURCE,
        "confirmed_by": SOURCE,
        "confirmed_on": _CONFIRMED_ON,
        "serial": serials,
        "notes": f"Rendered, invented. {said}".strip(),
        "basis": "invented world: known because it was made so",
        "px_per_mm": f"{taken.px_per_mm:.2f}",
    }


def _truth_row(photo: PlannedPhoto, taken: Taken) -> dict[str, str]:
    return {
        "path": f"photos/{taken.name}",
        "group": photo.group,
        "element": photo.edition.element.value,
        "marque": photo.edition.marque,
        "edition": photo.edition.name,
        "standing": photo.origin.standing.value,
        "origin": photo.origin.name,
        "skill": photo.origin.skill,
        "specimen": photo.specimen.name,
        "view": photo.shot.view.value,
        "lighting": photo.shot.lighting.value,
        "px_per_mm": f"{taken.px_per_mm:.2f}",
        "notes": SOURCE,
    }


def _write_table(path: Path, columns: Sequence[str], rows: Sequence[dict[str, str]]) -> None:
    """Write a table whole or not at all: where it stands, everything before it was drawn."""
    stream = io.StringIO()
    writer = csv.DictWriter(stream, columns, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    write_whole(path, stream.getvalue().encode())
