"""The two renderers of the demo world held against each other, and their speed.

    python tests/benchmarks/demo_renderers.py agreement    50 scenes by both (needs raytrace)
    python tests/benchmarks/demo_renderers.py speed        seconds a photo, peak memory

`speed` without ``--small`` needs the extra ``render``; with it, stand-in surfaces of the
tests are used, so that it runs on a machine with nothing but torch, OpenCV and SciPy.
"""

from __future__ import annotations

import argparse
import resource
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

_HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(_HERE), str(_HERE.parent / "demo")]

import numpy as np
import torch
from demo_photos import draw_scenes, pictures_of
from standin_surfaces import band, cap, seal
from table import print_table, save_tables

from loupebook.demo.camera.phone import develop, draw_handling
from loupebook.demo.camera.request import Shot
from loupebook.demo.camera.sampler import sample_scenes
from loupebook.demo.camera.scene import SceneBatch
from loupebook.demo.camera.torch_renderer import TorchRenderer
from loupebook.demo.surface import PrintedSurface
from loupebook.records.model import Lighting

Row = dict[str, object]
_LIGHTS = (Lighting.DIFFUSE,) * 3 + (Lighting.RAKING, Lighting.TILT)


def world_surfaces(marques: int) -> list[PrintedSurface]:
    """First genuine specimen of every edition of some makers."""
    from loupebook.demo.world import demo_world, print_specimen

    world = demo_world()
    wanted = set(world.marques[:marques])
    scale = {"band": 14.0, "seal": 8.0, "cap": 12.0}
    return [
        print_specimen(e, world.origins(e)[0], 1, px_per_mm=scale[e.element.value])
        for e in world.editions
        if e.marque in wanted
    ]


def shots_for(surfaces: list[PrintedSurface], count: int) -> list[Shot]:
    shots = []
    for k in range(count):
        number = k % len(surfaces)
        shape = surfaces[number].geometry
        light = _LIGHTS[k % len(_LIGHTS)]
        if shape == "dome":
            light = Lighting.DIFFUSE
        elif shape == "strip" and light is Lighting.RAKING:
            light = Lighting.UV_A
        tilt = 12.0 if light is Lighting.TILT else 0.0
        shots.append(Shot(7_000 + k, number, light, query=k % 2 == 1, tilt=tilt))
    return shots


def agreement(scenes: int, samples: int) -> tuple[list[Row], list[Row]]:
    """Both renderers on the same scenes: pixels, and the rankings of an ImageNet embedding."""
    from loupebook.demo.camera.mitsuba_renderer import MitsubaRenderer
    from loupebook.encoders import load_encoder

    surfaces = world_surfaces(4)
    shots = shots_for(surfaces, scenes)
    shaded_by, traced_by = (
        TorchRenderer(surfaces, supersample=1.35),
        MitsubaRenderer(surfaces, samples=samples),
    )
    pairs, errors = [], []
    for number, shot in enumerate(shots):
        scene = draw_scenes([shot], surfaces, scale=0.75)
        exposures = [renderer.expose(scene) for renderer in (shaded_by, traced_by)]
        shaded, traced = (pictures_of(e.light, [shot])[0].astype(float) for e in exposures)
        item = exposures[0].item[0].numpy() > 0.5
        both = np.corrcoef(shaded[item].ravel(), traced[item].ravel())[0, 1]
        errors.append(
            (
                shot.lighting.value,
                _psnr(shaded, traced, np.ones_like(item)),
                _psnr(shaded, traced, item),
                float(both),
                float(np.abs(shaded - traced)[item].mean()),
            )
        )
        pairs.append((shaded.astype(np.uint8), traced.astype(np.uint8)))
        print(number, errors[-1], flush=True)
    vectors = [
        load_encoder("lite0-imagenet").embed(list(side)) for side in zip(*pairs, strict=True)
    ]
    rows = _pixel_rows(errors)
    return rows, _ranking_rows(*vectors)


def _psnr(first: np.ndarray, second: np.ndarray, where: np.ndarray) -> float:
    return float(10 * np.log10(255**2 / ((first - second)[where] ** 2).mean()))


def _pixel_rows(errors: list[tuple[str, float, float, float, float]]) -> list[Row]:
    rows = []
    for light in [*dict.fromkeys(e[0] for e in errors), "all"]:
        group = np.array([e[1:] for e in errors if light in (e[0], "all")])
        middle = np.median(group, 0)
        rows.append(
            {
                "lighting": light,
                "scenes": len(group),
                "PSNR, whole picture (dB, median)": round(float(middle[0]), 1),
                "PSNR, item (dB, median)": round(float(middle[1]), 1),
                "correlation on the item (median)": round(float(middle[2]), 3),
                "least": round(float(group[:, 2].min()), 3),
                "mean difference on the item (of 255)": round(float(middle[3]), 1),
            }
        )
    return rows


def _ranking_rows(shaded: np.ndarray, traced: np.ndarray) -> list[Row]:
    """How alike an embedding ranks all other scenes, seen by one renderer or the other."""
    count = len(shaded)
    inside, across = shaded @ shaded.T, traced @ traced.T
    mixed = traced @ shaded.T
    off = ~np.eye(count, dtype=bool)
    ranks = [np.argsort(np.argsort(m[off].reshape(count, -1), 1), 1) for m in (inside, across)]
    spearman = [float(np.corrcoef(a, b)[0, 1]) for a, b in zip(*ranks, strict=True)]
    nearest = [m[off].reshape(count, -1).argmax(1) for m in (inside, across)]
    return [
        {
            "scenes": count,
            "cosine of the two pictures of a scene (median)": round(
                float(np.median(np.diag(mixed))), 3
            ),
            "a traced picture finds its shaded twin first": round(
                float((mixed.argmax(1) == np.arange(count)).mean()), 3
            ),
            "same nearest other scene": round(float((nearest[0] == nearest[1]).mean()), 3),
            "rank correlation of all others (median)": round(float(np.median(spearman)), 3),
        }
    ]


def _timed(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def _row(what: str, seconds: float, photos: int, memory_gib: float) -> Row:
    return {
        "what": what,
        "seconds a photo": round(seconds / photos, 4),
        "photos a second": round(photos / seconds, 2),
        "peak memory (GiB)": round(memory_gib, 2),
    }


def _process_gib() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20


def stream(
    device: str, surfaces: list[PrintedSurface], batch: int, repeats: int, *, compiled: bool = False
) -> Row:
    """Scene drawing, shading and phone at 384 px, batch after batch: the training stream."""
    renderer = TorchRenderer(surfaces, device=device, compiled=compiled)
    shots = [
        Shot(s.seed, s.surface, s.lighting, query=True, tilt=s.tilt)
        for s in shots_for(surfaces, batch)
    ]
    seeds = [shot.seed for shot in shots]
    handling = draw_handling(seeds, poor=np.zeros(batch, bool), dim=np.zeros(batch, bool))

    def drawn(batches: int) -> Iterator[SceneBatch]:
        for _ in range(batches):
            yield sample_scenes(shots, surfaces, height=384, width=384)

    # As a training loop would: the phone's steps fused as well.
    developed = torch.compile(develop) if compiled else develop

    def work(batches: int) -> None:
        for exposure in renderer.expose_all(drawn(batches)):
            developed(exposure.light, handling, torch.randn(exposure.light.shape, device=device))
        if device != "cpu":
            torch.cuda.synchronize()

    work(3)  # torch compiles at the first batch, and once more at the second
    if device != "cpu":
        torch.cuda.reset_peak_memory_stats()
    seconds = _timed(lambda: work(repeats)) / repeats
    used = _process_gib() if device == "cpu" else torch.cuda.max_memory_allocated() / 2**30
    name = f"{torch.get_num_threads()} threads" if device == "cpu" else torch.cuda.get_device_name()
    kind = "torch, compiled" if compiled else "torch"
    return _row(f"{kind}, 384 px, batch {batch}, {name}", seconds, batch, used)


def large(surfaces: list[PrintedSurface], samples: int) -> list[Row]:
    """One photo at a time at 900 px: torch as the demo set is drawn, and traced light."""
    shots = shots_for(surfaces, 3)
    size = {"height": 675, "width": 900}
    scenes = sample_scenes(shots, surfaces, **size)
    shaded = TorchRenderer(surfaces, supersample=1.35)
    cores = torch.get_num_threads()
    seconds = _timed(lambda: shaded.expose(scenes))
    rows = [_row(f"torch, 900 px, {cores} threads", seconds, 3, _process_gib())]
    from loupebook.demo.camera.mitsuba_renderer import MitsubaRenderer

    traced = MitsubaRenderer(surfaces, samples=samples)
    seconds = _timed(lambda: traced.expose(scenes))
    what = f"Mitsuba, 900 px, {samples} paths a px, {cores} threads"
    return [*rows, _row(what, seconds, 3, _process_gib())]


def speed(small: bool, samples: int) -> list[Row]:
    surfaces: list[PrintedSurface] = (
        [band(14.0), seal(8.0), cap(12.0)] if small else list(world_surfaces(1))
    )
    rows = []
    if torch.cuda.is_available():
        rows += [stream("cuda", surfaces, n, 12, compiled=True) for n in (256, 512)]
        rows += [stream("cuda", surfaces, n, 6) for n in (64, 256, 512)]
    else:
        rows += [stream("cpu", surfaces, 16, 3), *large(surfaces, samples)]
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("part", choices=["agreement", "speed"])
    parser.add_argument("--scenes", type=int, default=50)
    parser.add_argument("--samples", type=int, default=48)
    parser.add_argument("--small", action="store_true", help="stand-in surfaces")
    parser.add_argument("--out", type=Path)
    chosen = parser.parse_args()
    if chosen.part == "agreement":
        pixels, ranks = agreement(chosen.scenes, chosen.samples)
        tables = {"Pixels": pixels, "Rankings of an ImageNet embedding": ranks}
        title = "The two renderers of the demo world on the same scenes"
    else:
        tables = {"Speed": speed(chosen.small, chosen.samples)}
        title = "Speed of the demo world's renderers"
    for name, rows in tables.items():
        print_table(name, rows)
    out = chosen.out or _HERE / "results" / f"demo_{chosen.part}.md"
    save_tables(
        out, title, " ".join(["python tests/benchmarks/demo_renderers.py", *sys.argv[1:]]), tables
    )


if __name__ == "__main__":
    main()
