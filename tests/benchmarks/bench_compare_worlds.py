"""Renders the worlds that the comparison is measured on, with exact truth beside them.

Run: ``python tests/benchmarks/bench_compare_worlds.py FOLDER SEED MARQUES`` (``--times 2`` for
photos twice as wide and high, ``--device cuda`` for a GPU, ``--processes``). One folder an
edition, written once and kept; a run that was cut off goes on where it stopped. Of every
printed edition: five genuine references (two house runs), four genuine queries of other
specimens and one taken badly, and one query of each of four fake origins. Seals again under
UV-A. All pictures are rendered and invented.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
from dataclasses import dataclass
from functools import cached_property, partial
from pathlib import Path

import cv2
import numpy as np
import torch

from loupebook.demo.camera.phone import develop, draw_handling, sensor_noise
from loupebook.demo.camera.request import Shot
from loupebook.demo.camera.sampler import sample_scenes
from loupebook.demo.camera.torch_renderer import TorchRenderer
from loupebook.demo.press.edition import Edition
from loupebook.demo.press.origin import PrintOrigin
from loupebook.demo.world import World, origin_difference, print_specimen
from loupebook.records.model import Element, Lighting, Standing, View

HEIGHT, WIDTH = 810, 1080
TRUTH_PX_PER_MM = 8.0
_PX_PER_MM = {Element.BAND: 22.0, Element.SEAL: 14.0}
_FINEST = 60.0
_FIRST_QUERY = 500


@dataclass(frozen=True)
class Rendering:
    """How large photos are, in times of HEIGHT x WIDTH, and where they are shaded."""

    times: float = 1.0
    device: str = "cpu"

    @property
    def size(self) -> tuple[int, int]:
        """Height and width, px."""
        return round(HEIGHT * self.times), round(WIDTH * self.times)

    def print_px_per_mm(self, element: Element) -> float:
        """Resolution of the print."""
        return min(_FINEST, _PX_PER_MM[element] * max(1.0, self.times))


@dataclass(frozen=True)
class Picture:
    """One rendered photo and what it shows."""

    path: Path
    role: str
    standing: str
    origin: str
    skill: str
    specimen: str
    lighting: str
    poor: bool
    px_per_mm: float

    @cached_property
    def pixels(self) -> np.ndarray:
        """uint8 sRGB."""
        return cv2.cvtColor(cv2.imread(str(self.path)), cv2.COLOR_BGR2RGB)

    @cached_property
    def artwork_mm(self) -> np.ndarray:
        """(2, rows / 2, columns / 2) artwork x and y at every second px; NaN off the item."""
        with np.load(self.path.with_suffix(".npz")) as held:
            return held["artwork_mm"].astype(np.float32)


@dataclass(frozen=True)
class Case:
    """One edition under one lighting: references, queries and truth by origin."""

    folder: Path
    edition: str
    element: str
    lighting: str
    width_mm: float
    height_mm: float
    pictures: tuple[Picture, ...]

    def of(self, role: str) -> list[Picture]:
        """Pictures of one role: ``reference`` or ``query``."""
        return [p for p in self.pictures if p.role == role]

    def truth(self, origin: str) -> np.ndarray:
        """Return where the origin's plates differ, at :data:`TRUTH_PX_PER_MM`."""
        masks = np.load(self.folder / "truth.npz")
        kind = "uv" if self.lighting == "uv-a" else "seen"
        return masks[f"{kind}:{origin}"]


def _shots(
    world: World, edition: Edition
) -> list[tuple[PrintOrigin, int, Lighting, bool, bool, str]]:
    """(origin, specimen, lighting, query, poor, role) of every photo of an edition."""
    origins = world.origins(edition)
    house = [o for o in origins if o.standing is Standing.GENUINE]
    fakes = [o for o in origins if o.standing is Standing.FAKE]
    plain, uv = Lighting.DIFFUSE, Lighting.UV_A
    known = [(house[0], 0), (house[0], 1), (house[0], 2), (house[1], 0), (house[1], 1)]
    new = [(house[k % 2], _FIRST_QUERY + k) for k in range(4)]
    rows = [(o, s, plain, False, False, "reference") for o, s in known]
    rows += [(o, s, plain, True, False, "query") for o, s in new]
    rows += [(o, _FIRST_QUERY, plain, True, False, "query") for o in fakes]
    rows += [(house[0], _FIRST_QUERY + 9, plain, True, True, "query")]
    if edition.element is Element.SEAL:
        rows += [(o, s, uv, False, False, "reference") for o, s in known]
        rows += [(o, s, uv, True, False, "query") for o, s in new[:2]]
        rows += [(o, _FIRST_QUERY, uv, True, False, "query") for o in fakes]
    return rows


def render_edition(place: int, world: World, folder: Path, seed: int, how: Rendering) -> None:
    """Render one edition into its folder, unless it is there."""
    torch.set_num_threads(1)
    cv2.setNumThreads(1)
    edition = world.editions[place]
    folder = folder / f"{seed}-{edition.name.replace(' ', '-')}"
    if edition.element is Element.CAP or (folder / "edition.json").exists():
        return
    folder.mkdir(parents=True, exist_ok=True)
    masks, facts = {}, []
    for origin in world.origins(edition):
        truth = origin_difference(edition, origin, px_per_mm=TRUTH_PX_PER_MM)
        masks[f"seen:{origin.name}"], masks[f"uv:{origin.name}"] = truth.mask, truth.uv_mask
    np.savez_compressed(folder / "truth.npz", **masks)
    printed = None
    for number, (origin, specimen, lighting, query, poor, role) in enumerate(
        sorted(_shots(world, edition), key=lambda row: (row[0].name, row[1]))
    ):
        if printed != (origin.name, specimen):
            scale = how.print_px_per_mm(edition.element)
            surface = print_specimen(edition, origin, specimen, px_per_mm=scale)
            renderer = TorchRenderer([surface], device=how.device)
            printed = (origin.name, specimen)
        shot = Shot(
            int(np.random.default_rng([seed, origin.seed, number]).integers(1 << 31)),
            0, lighting, View.FACE, query=query, poor=poor,
        )  # fmt: skip
        name = folder / f"{number:02d}.jpg"
        scale = _photograph(renderer, surface, shot, name, how)
        facts.append(
            {
                "path": name.name, "role": role, "standing": origin.standing.value,
                "origin": origin.name, "skill": origin.skill, "lighting": lighting.value,
                "specimen": f"{origin.name} {specimen}", "poor": poor, "px_per_mm": scale,
            }
        )  # fmt: skip
    head = {
        "edition": edition.name, "element": edition.element.value,
        "width_mm": surface.width_mm, "height_mm": surface.height_mm, "pictures": facts,
    }  # fmt: skip
    (folder / "edition.json").write_text(json.dumps(head, indent=1))
    print(folder, flush=True)


def _photograph(
    renderer: TorchRenderer, surface: object, shot: Shot, path: Path, how: Rendering
) -> float:
    height, width = how.size
    scenes = sample_scenes([shot], [surface], height=height, width=width)
    exposure = renderer.expose(scenes)
    handling = draw_handling(
        [shot.seed],
        poor=np.array([shot.poor]),
        dim=np.array([shot.lighting is Lighting.UV_A]),
    )
    noise = torch.from_numpy(sensor_noise([shot.seed], height, width)).to(how.device)
    pixels = develop(exposure.light, handling, noise)[0].permute(1, 2, 0).cpu().numpy()
    bgr = cv2.cvtColor(pixels, cv2.COLOR_RGB2BGR)
    cv2.imwrite(str(path), bgr, [cv2.IMWRITE_JPEG_QUALITY, int(handling.quality[0]) + 10])
    seen = exposure.item[0].cpu().numpy() > 0.5
    warp = np.where(seen, exposure.artwork_mm[0].cpu().numpy(), np.nan)[:, ::2, ::2]
    np.savez_compressed(path.with_suffix(".npz"), artwork_mm=warp.astype(np.float32))
    return float(scenes.focal_px[0] / scenes.focus_mm[0])


def render(folder: Path, seed: int, marques: int, how: Rendering, processes: int) -> None:
    """Render what is missing of one world, an edition a process."""
    world = World(seed, marques=marques)
    work = partial(render_edition, world=world, folder=folder, seed=seed, how=how)
    with multiprocessing.get_context("spawn").Pool(processes) as pool:
        for _ in pool.imap_unordered(work, range(len(world.editions))):
            pass


def load_cases(folder: Path) -> list[Case]:
    """Read what was rendered: one case an edition and lighting."""
    cases = []
    for path in sorted(folder.glob("*/edition.json")):
        held = json.loads(path.read_text())
        every = [Picture(**{**p, "path": path.parent / p["path"]}) for p in held["pictures"]]
        for lighting in sorted({p.lighting for p in every}):
            cases.append(
                Case(
                    path.parent, held["edition"], held["element"], lighting,
                    held["width_mm"], held["height_mm"],
                    tuple(p for p in every if p.lighting == lighting),
                )
            )  # fmt: skip
    return cases


def main() -> None:
    """Read the command line and render."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("seed", type=int)
    parser.add_argument("marques", type=int)
    parser.add_argument("--times", type=float, default=1.0)
    parser.add_argument("--device", default="cpu")
    parser.add_argument("--processes", type=int, default=1)
    chosen = parser.parse_args()
    how = Rendering(chosen.times, chosen.device)
    render(chosen.folder, chosen.seed, chosen.marques, how, chosen.processes)


if __name__ == "__main__":
    main()
