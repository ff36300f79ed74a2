"""Photos of training worlds under the product's own camera: `python -m recipe.photos FOLDER`.

The exact renderer is too slow to photograph a print anew for every step, so a bank of photos
is rendered once, a folder a marque with its ``photos.csv``, and `recipe.bank` cuts, turns and
develops them anew for every step. Every process renders the marques it draws, until the time
is up. World seeds as in `recipe.prints`: those of benchmarks are never among them.
"""

from __future__ import annotations

import argparse
import csv
import multiprocessing
import time
from dataclasses import asdict, dataclass
from pathlib import Path

import cv2
import numpy as np
import torch

from loupebook.demo.camera.phone import develop, draw_handling
from loupebook.demo.camera.request import Shot
from loupebook.demo.camera.sampler import sample_scenes
from loupebook.demo.camera.torch_renderer import TorchRenderer
from loupebook.demo.demo_set import Taking
from loupebook.demo.surface import PrintedSurface
from loupebook.demo.world import World, print_specimen
from loupebook.errors import WorldInvalid
from loupebook.records.model import Element, Lighting, Standing
from recipe.prints import MARQUES_A_WORLD, shown

FIRST_SEED = 200_000
HEIGHT, WIDTH = 336, 432
SCALES = {Element.BAND: 11.0, Element.SEAL: 5.5, Element.CAP: 9.0}
"""px/mm: what a photo of this size can show."""
SPECIMENS, VIEWS = 2, 3
BATCH = {"cuda": 32, "cpu": 8}
_LIGHTS = (Lighting.DIFFUSE,) * 4 + (Lighting.RAKING, Lighting.TILT)


@dataclass(frozen=True)
class Photo:
    """One line of ``photos.csv``; the box of the item in px."""

    path: str
    edition: int
    origin: int
    specimen: int
    genuine: bool
    left: int = 0
    top: int = 0
    right: int = 0
    bottom: int = 0


@dataclass(frozen=True)
class Job:
    """One marque to photograph, unless the time is up."""

    seed: int
    marque: int
    folder: Path
    device: str
    until: float


def _plan(job: Job) -> tuple[list[PrintedSurface], list[Shot], list[Photo]]:
    world = World(job.seed, marques=MARQUES_A_WORLD)
    name = world.marques[job.marque]
    rng = np.random.default_rng([job.seed, job.marque, 78])
    surfaces: list[PrintedSurface] = []
    shots: list[Shot] = []
    photos: list[Photo] = []
    for number, edition in enumerate(e for e in world.editions if e.marque == name):
        origins = list(world.origins(edition))
        for place in shown(origins, rng):
            for specimen in range(SPECIMENS):
                scale = SCALES[edition.element]
                surfaces.append(print_specimen(edition, origins[place], specimen, px_per_mm=scale))
                for view in range(VIEWS):
                    light = _LIGHTS[int(rng.integers(len(_LIGHTS)))]
                    if edition.element is Element.CAP:
                        light = Lighting.DIFFUSE
                    tilt = float(rng.uniform(-20, 20)) if light is Lighting.TILT else 0.0
                    shots.append(
                        Shot(
                            int(rng.integers(1 << 31)), len(surfaces) - 1, light,
                            query=view > 0, tilt=tilt, poor=bool(rng.random() < 0.06),
                        )
                    )  # fmt: skip
                    genuine = origins[place].standing is Standing.GENUINE
                    path = f"{len(photos):03d}.jpg"
                    photos.append(Photo(path, number, place, specimen, genuine))
    return surfaces, shots, photos


def _box(item: torch.Tensor) -> tuple[int, int, int, int]:
    rows, columns = torch.nonzero(item > 0.5, as_tuple=True)
    if not len(rows):
        return 0, 0, 0, 0
    return int(columns.min()), int(rows.min()), int(columns.max()) + 1, int(rows.max()) + 1


def photograph(job: Job) -> int:
    """Photograph one marque; returns how many photos there are of it."""
    out = job.folder / f"{job.seed}-{job.marque}"
    if time.time() > job.until or (out / "photos.csv").is_file():
        return 0
    cv2.setNumThreads(1)
    torch.set_num_threads(1)
    out.mkdir(parents=True, exist_ok=True)
    surfaces, shots, photos = _plan(job)
    renderer = TorchRenderer(surfaces, device=job.device)
    kept: list[Photo] = []
    size = BATCH[job.device.split(":")[0]]
    for first in range(0, len(shots), size):
        part = shots[first : first + size]
        scenes = sample_scenes(part, surfaces, height=HEIGHT, width=WIDTH)
        exposure = renderer.expose(scenes)
        handling = draw_handling(
            [shot.seed for shot in part],
            poor=np.array([shot.poor for shot in part]),
            dim=np.array([shot.lighting is Lighting.RAKING for shot in part]),
        )
        noise = torch.randn(exposure.light.shape, device=job.device)
        pictures = develop(exposure.light, handling, noise).permute(0, 2, 3, 1).cpu().numpy()
        items = exposure.item.cpu()
        for row, photo in enumerate(photos[first : first + size]):
            left, top, right, bottom = _box(items[row])
            if right - left < 24 or bottom - top < 24:
                continue
            quality = [cv2.IMWRITE_JPEG_QUALITY, int(handling.quality[row]) + 8]
            cv2.imwrite(str(out / photo.path), pictures[row][..., ::-1], quality)
            box = {"left": left, "top": top, "right": right, "bottom": bottom}
            kept.append(Photo(**(asdict(photo) | box)))
    with (out / "photos.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(asdict(kept[0])))
        writer.writeheader()
        writer.writerows(asdict(photo) for photo in kept)
    return len(kept)


def main() -> None:
    """Photograph marques until all are there or the time is up."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--first", type=int, default=FIRST_SEED, help="first world seed")
    parser.add_argument("--marques", type=int, default=600)
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--device", default="cuda" if torch.cuda.is_available() else "cpu")
    chosen = parser.parse_args()
    try:
        Taking(workers=chosen.processes, device=chosen.device).check()
    except WorldInvalid as error:
        parser.error(str(error))
    start = time.time()
    until = start + 60 * chosen.minutes
    jobs = [
        Job(chosen.first + k // MARQUES_A_WORLD, k % MARQUES_A_WORLD, chosen.folder,
            chosen.device, until)
        for k in range(chosen.marques)
    ]  # fmt: skip
    count = told = 0
    with multiprocessing.get_context("spawn").Pool(chosen.processes) as pool:
        for made in pool.imap_unordered(photograph, jobs):
            count += made
            if time.time() - start > told + 20:
                told = int(time.time() - start)
                print(f"{count} photos in {told} s", flush=True)
    print(f"{count} photos in {time.time() - start:.0f} s", flush=True)


if __name__ == "__main__":
    main()
