"""Printed surfaces of training worlds, made once on all cores and kept as half precision.

World seeds below :data:`HELD_OUT` train; those from there on never do, and the demo world
(its own seed) is held out too.
"""

from __future__ import annotations

import multiprocessing
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import numpy as np

from loupebook.demo.surface import PrintedSurface
from loupebook.demo.world import World, print_specimen
from loupebook.records.model import Element, Standing

HELD_OUT = 900_000
FIRST_TRAINING_SEED = 100_000
MARQUES_A_WORLD = 10
SCALES = {Element.BAND: 7.0, Element.SEAL: 4.5, Element.CAP: 7.0}
"""px/mm: what a 256 px photo of the item can show."""

_MAPS = [
    f.name
    for f in fields(PrintedSurface)
    if f.name not in ("element", "geometry", "px_per_mm", "radius_mm", "shoulder_mm", "metadata")
]


@dataclass(frozen=True)
class Labelled:
    """A surface and what it is, by number within its collection.

    Parameters
    ----------
    marque, edition, origin : int
        Greater numbers never repeat over worlds. Two house runs are two origins.
    genuine : bool
        Printed by the house.
    """

    surface: PrintedSurface
    marque: int
    edition: int
    origin: int
    genuine: bool


def make_surfaces(seeds: list[int], *, processes: int) -> list[Labelled]:
    """Print two specimens of one house run, one of another, and one of three copies."""
    jobs = [(seed, marque) for seed in seeds for marque in range(MARQUES_A_WORLD)]
    with multiprocessing.get_context("spawn").Pool(processes) as pool:
        made = pool.map(_print_marque, jobs, chunksize=1)
    collected: list[Labelled] = []
    for number, batch in enumerate(made):
        for edition, origin, genuine, packed in batch:
            collected.append(
                Labelled(
                    surface=_unpack(packed),
                    marque=number,
                    edition=number * 8 + edition,
                    origin=(number * 8 + edition) * 16 + origin,
                    genuine=genuine,
                )
            )
    return collected


def _print_marque(job: tuple[int, int]) -> list[tuple[int, int, bool, dict[str, Any]]]:
    seed, marque = job
    world = World(seed, marques=MARQUES_A_WORLD)
    name = world.marques[marque]
    rng = np.random.default_rng([seed, marque, 77])
    made = []
    for number, edition in enumerate(e for e in world.editions if e.marque == name):
        origins = list(world.origins(edition))
        house = [o for o in origins if o.standing is Standing.GENUINE]
        fakes = [o for o in origins if o.standing is Standing.FAKE]
        picked = [(house[0], 1), (house[0], 2), (house[1], 3)]
        picked += [(fakes[k], 4) for k in rng.permutation(len(fakes))[:3]]
        for origin, specimen in picked:
            surface = print_specimen(
                edition, origin, specimen_seed=specimen, px_per_mm=SCALES[edition.element]
            )
            genuine = origin.standing is Standing.GENUINE
            made.append((number, origins.index(origin), genuine, _pack(surface)))
    return made


def _pack(surface: PrintedSurface) -> dict[str, Any]:
    packed: dict[str, Any] = {}
    for name in _MAPS:
        values = getattr(surface, name)
        # A constant map costs nothing: it is sent as its first pixel.
        constant = bool((values == values[:1, :1]).all())
        packed[name] = values[:1, :1].astype(np.float32) if constant else values.astype(np.float16)
    packed["shape"] = surface.coverage.shape
    for name in ("element", "geometry", "px_per_mm", "radius_mm", "shoulder_mm"):
        packed[name] = getattr(surface, name)
    return packed


def _unpack(packed: dict[str, Any]) -> PrintedSurface:
    height, width = packed.pop("shape")
    for name in _MAPS:
        values = packed[name].astype(np.float32)
        packed[name] = np.broadcast_to(values, (height, width, *values.shape[2:]))
    return PrintedSurface(**packed)


def save_surfaces(collected: list[Labelled], path: Path) -> None:
    """Keep a collection on local disk, so that a resumed run need not print again."""
    arrays: dict[str, Any] = {
        "labels": np.array([[c.marque, c.edition, c.origin, c.genuine] for c in collected])
    }
    for number, one in enumerate(collected):
        packed = _pack(one.surface)
        meta = [str(packed.pop(key)) for key in ("element", "geometry")]
        sizes = [packed.pop(key) for key in ("px_per_mm", "radius_mm", "shoulder_mm")]
        arrays[f"{number}/meta"] = np.array(meta)
        arrays[f"{number}/sizes"] = np.array(sizes, np.float64)
        arrays[f"{number}/shape"] = np.array(packed.pop("shape"))
        for name, values in packed.items():
            arrays[f"{number}/{name}"] = values
    np.savez(path, **arrays)


def load_surfaces(path: Path) -> list[Labelled]:
    """Read what :func:`save_surfaces` wrote."""
    collected = []
    with np.load(path, allow_pickle=False) as arrays:
        for number, label in enumerate(arrays["labels"]):
            packed: dict[str, Any] = {name: arrays[f"{number}/{name}"] for name in _MAPS}
            element, geometry = arrays[f"{number}/meta"]
            scale, radius, shoulder = (float(v) for v in arrays[f"{number}/sizes"])
            packed |= {
                "shape": tuple(int(v) for v in arrays[f"{number}/shape"]),
                "element": Element(str(element)), "geometry": str(geometry),
                "px_per_mm": scale, "radius_mm": radius, "shoulder_mm": shoulder,
            }  # fmt: skip
            marque, edition, origin, genuine = (int(v) for v in label)
            collected.append(Labelled(_unpack(packed), marque, edition, origin, bool(genuine)))
    return collected
