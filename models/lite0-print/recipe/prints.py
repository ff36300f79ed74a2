"""Flat prints of training worlds, drawn once: `python -m recipe.prints FOLDER --marques 120`.

Every print becomes two small WebP files: ``…c.webp``, what reflects (RGB, with the cut outline
as alpha), and ``…s.webp``, how it shines (red: bare metal, green: relief, blue: hologram).
The name says world, marque, edition, origin, standing and specimen. World seeds below
:data:`HELD_OUT` train; those from there on never do, and the demo world is held out too.
"""

from __future__ import annotations

import argparse
import fcntl
import multiprocessing
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import cv2
import numpy as np

from loupebook.demo.demo_set import Taking
from loupebook.demo.press.origin import PrintOrigin
from loupebook.demo.surface import PrintedSurface
from loupebook.demo.world import World, print_specimen
from loupebook.errors import WorldInvalid
from loupebook.records.model import Element, Standing

HELD_OUT = 900_000
FIRST_TRAINING_SEED = 100_000
MARQUES_A_WORLD = 10
HOUSE_RUNS, COPIES = 2, 2
SPECIMENS = (1, 3, 4, 4)
"""Which specimen of each origin shown is drawn."""
SIDE = 384
SCALES = {Element.BAND: 6.0, Element.SEAL: 4.0, Element.CAP: 7.0}
"""px/mm: what a 256 px photo of the item can show."""
RELIEF_MM = 0.25
"""Relief that is stored as 0 or 255."""


def _shrunk(values: np.ndarray, factor: float) -> np.ndarray:
    height, width = values.shape[:2]
    size = (max(8, round(width * factor)), max(8, round(height * factor)))
    return cv2.resize(values, size, interpolation=cv2.INTER_AREA)


def flatten(surface: PrintedSurface) -> tuple[np.ndarray, np.ndarray]:
    """Colour with outline (h, w, 4) and shine (h/2, w/2, 3), uint8, in OpenCV's BGR order."""
    metal = surface.metal[..., None]
    linear = np.clip(surface.albedo * (1 - metal) + surface.metal_tint * metal, 0, 1)
    factor = min(1.0, SIDE / max(linear.shape[:2]))
    linear = _shrunk(np.ascontiguousarray(linear, np.float32), factor)
    srgb = np.where(linear <= 0.0031308, linear * 12.92, 1.055 * linear ** (1 / 2.4) - 0.055)
    outline = _shrunk(np.ascontiguousarray(surface.coverage, np.float32), factor)
    colour = np.concatenate([srgb[..., ::-1], outline[..., None]], 2)
    relief = np.clip(surface.relief_mm / RELIEF_MM * 0.5 + 0.5, 0, 1)
    shine = np.stack([surface.hologram, relief, surface.metal], 2).astype(np.float32)
    shine = _shrunk(np.ascontiguousarray(shine), factor / 2)
    return (np.clip(part * 255 + 0.5, 0, 255).astype(np.uint8) for part in (colour, shine))


def shown(origins: Sequence[PrintOrigin], rng: np.random.Generator) -> list[int]:
    """Return which origins of an edition are shown: two house runs, two copies drawn by lot."""
    house = [k for k, o in enumerate(origins) if o.standing is Standing.GENUINE]
    fakes = [k for k, o in enumerate(origins) if o.standing is Standing.FAKE]
    return house[:HOUSE_RUNS] + [int(k) for k in rng.permutation(fakes)[:COPIES]]


def draw_marque(job: tuple[int, int, Path]) -> int:
    """Draw the prints of one marque: two house runs and two copies of each edition."""
    seed, marque, folder = job
    cv2.setNumThreads(1)
    world = World(seed, marques=MARQUES_A_WORLD)
    name = world.marques[marque]
    rng = np.random.default_rng([seed, marque, 77])
    count = 0
    for number, edition in enumerate(e for e in world.editions if e.marque == name):
        origins = list(world.origins(edition))
        for place, specimen in zip(shown(origins, rng), SPECIMENS, strict=True):
            surface = print_specimen(
                edition,
                origins[place],
                specimen_seed=specimen,
                px_per_mm=SCALES[edition.element],
            )
            colour, shine = flatten(surface)
            standing = "g" if origins[place].standing is Standing.GENUINE else "f"
            stem = f"{seed}-{marque}-{number}-{place}-{standing}-{specimen}-{surface.geometry}"
            quality = [cv2.IMWRITE_WEBP_QUALITY, 72]
            cv2.imwrite(str(folder / f"{stem}-c.webp"), colour, quality)
            cv2.imwrite(str(folder / f"{stem}-s.webp"), shine, [cv2.IMWRITE_WEBP_QUALITY, 50])
            count += 1
    return count


@contextmanager
def _turn(lock: Path | None) -> Iterator[None]:
    """Hold the lock of a shared machine for one round of work."""
    if lock is None:
        yield
        return
    with lock.open("w") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        yield
    time.sleep(0.3)


def main() -> None:
    """Draw until all marques are there."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--marques", type=int, default=120)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--lock", type=Path)
    chosen = parser.parse_args()
    try:
        Taking(workers=chosen.processes).check()
    except WorldInvalid as error:
        parser.error(str(error))
    chosen.folder.mkdir(parents=True, exist_ok=True)
    jobs = [
        (FIRST_TRAINING_SEED + k // MARQUES_A_WORLD, k % MARQUES_A_WORLD, chosen.folder)
        for k in range(chosen.marques)
    ]
    jobs = [j for j in jobs if not list(chosen.folder.glob(f"{j[0]}-{j[1]}-3-*-c.webp"))]
    start, done = time.time(), 0
    with multiprocessing.get_context("spawn").Pool(chosen.processes) as pool:
        # A shared machine is given back after every round; alone, all is one round.
        size = chosen.processes if chosen.lock else max(1, len(jobs))
        for first in range(0, len(jobs), size):
            with _turn(chosen.lock):
                done += sum(pool.imap_unordered(draw_marque, jobs[first : first + size]))
            print(f"{done} prints in {time.time() - start:.0f} s", flush=True)


if __name__ == "__main__":
    main()
