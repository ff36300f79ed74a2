"""Photos of training worlds laid into frames, as a comparison sees them: `-m recipe.frames DIR`.

Of every printed edition: three careful genuine photos that a consensus is made of (two of one
house run, one of another), casual ones of a further specimen of each run, and one of each of
four copies, two of one of them. Many editions teach more than many photos of each; of the two
bands of a marque only one is drawn. The frame is that of the careful photo which the item fills
most; the others are laid into it by the truth of the renderer instead of a registration, then
moved by what followed points still show, brought to the frame's light and to a common sharpness
by the product's own code. One folder an edition. World seeds from 300,000 on: those of
benchmarks are never among them.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import cv2
import numpy as np
import torch
from numpy.polynomial.chebyshev import chebvander2d
from numpy.typing import NDArray
from scipy.interpolate import LinearNDInterpolator
from scipy.spatial import QhullError

from loupebook.compare.consensus import Consensus, frame_scale, masked_median, room_about
from loupebook.compare.frame import Framed
from loupebook.compare.grid import corners, flatten_light, follow
from loupebook.compare.light import log_colour, match_light, to_srgb
from loupebook.compare.look import lightness
from loupebook.compare.registration import LEAST_FACING, SURE
from loupebook.demo.camera.phone import Handling, develop, draw_handling
from loupebook.demo.camera.request import Shot
from loupebook.demo.camera.sampler import sample_scenes
from loupebook.demo.camera.scene import SceneBatch
from loupebook.demo.camera.torch_renderer import TorchRenderer
from loupebook.demo.press.edition import Edition
from loupebook.demo.press.origin import PrintOrigin
from loupebook.demo.world import World, origin_difference, print_specimen
from loupebook.imaging.checks.blur import estimate_blur
from loupebook.records.model import Element, Lighting, Standing

FIRST_SEED = 300_000
MARQUES_A_WORLD = 1
SIZES = ((1215, 1620), (1620, 2160), (2430, 3240))
"""Rows and columns of photos; all of an edition are of one size."""
PRINT_PX_PER_MM = {Element.BAND: (25.0, 28.0, 32.0), Element.SEAL: (15.0, 20.0, 26.0)}
"""How fine prints are drawn, by size of the photos."""
TRUTH_PX_PER_MM = 8.0
_POINTS = 4000
_RAKING = 0.15
_UV = 0.25
"""Share of seals photographed under UV-A."""
_COARSE = 8
"""Px of a photo that a px of the sketch stands for in which the item is looked for."""
_CURVED = (8, 4)
"""Greatest powers of artwork x and y by which a band's place in a photo is told."""
_SMOOTH_PX = 0.3
"""Miss, px of a photo, from which places are told by triangles instead."""
_EVERY = 4
"""Px between points whose place is looked up; between them it is smooth."""

Grey = NDArray[np.float32]
Places = Callable[[NDArray], NDArray[np.float64]]


@dataclass(frozen=True)
class Job:
    """One edition to draw, unless the time is up."""

    seed: int
    place: int
    folder: Path
    device: str
    until: float


def jobs_of(seed: int, chosen: argparse.Namespace, until: float) -> list[Job]:
    """One band and the seal of each marque: two bands of one marque are nearly one design."""
    editions = World(seed, marques=MARQUES_A_WORLD).editions
    jobs = []
    for marque in sorted({e.marque for e in editions}):
        for element in (Element.BAND, Element.SEAL):
            able = [k for k, e in enumerate(editions) if (e.marque, e.element) == (marque, element)]
            place = able[seed % len(able)]
            device = chosen.device[(seed + place) % len(chosen.device)]
            jobs.append(Job(seed, place, chosen.folder, device, until))
    return jobs


@dataclass(frozen=True, eq=False)
class Taken:
    """One photo with its truth."""

    origin: PrintOrigin
    specimen: int
    reference: bool
    pixels: NDArray[np.uint8]
    item: NDArray[np.bool_]
    artwork_mm: Grey
    px_per_mm: float
    light: Lighting


@dataclass(frozen=True)
class Laid:
    """One line of ``frames.json``: a photo in the frame."""

    file: str
    origin: int
    specimen: int
    skill: str
    genuine: bool
    reference: bool
    softer: float
    px_per_mm: float


def plan(edition: Edition, world: World) -> list[tuple[PrintOrigin, int, bool, int]]:
    """(origin, specimen, careful, photos) of an edition."""
    origins = world.origins(edition)
    house = [o for o in origins if o.standing is Standing.GENUINE]
    fakes = [o for o in origins if o.standing is Standing.FAKE]
    rows = [(origin, k, True, 1) for n, origin in enumerate(house) for k in range(2 - n)]
    rows += [(origin, 2, False, 1) for origin in house]
    twice = len(edition.name) % len(fakes)
    return rows + [(origin, 0, False, 1 + (k == twice)) for k, origin in enumerate(fakes)]


def light_of(edition: Edition, rng: np.random.Generator) -> Lighting:
    """Draw the light that an edition is photographed in."""
    drawn = rng.random()
    if edition.element is Element.SEAL and drawn > 1 - _UV:
        return Lighting.UV_A
    return Lighting.RAKING if drawn < _RAKING else Lighting.DIFFUSE


def window(renderer: TorchRenderer, scenes: SceneBatch) -> tuple[slice, slice]:
    """Rows and columns of a photo that hold the item and what a frame leaves about it.

    Cut at whole JPEG blocks, so that a part is saved as it would be in the whole photo.
    """
    item = renderer.expose(scenes.scaled(1 / _COARSE)).item[0].cpu().numpy() > 0
    rows, columns = (np.flatnonzero(item.any(axis=axis)) * _COARSE for axis in (1, 0))
    if not len(rows):
        return slice(0, scenes.height), slice(0, scenes.width)
    room = room_about(int(np.ptp(columns)), int(np.ptp(rows))) + 3 * _COARSE

    def about(found: NDArray[np.int64], most: int) -> slice:
        first, last = max(0, int(found[0]) - room), int(found[-1]) + _COARSE + room
        return slice(first // 8 * 8, min(most, last))

    return about(rows, scenes.height), about(columns, scenes.width)


def cut(scenes: SceneBatch, part: tuple[slice, slice]) -> SceneBatch:
    """The same scene, of which the camera takes a part of the picture."""
    first = np.array([[part[1].start, part[0].start]], np.float32)
    high, wide = (edge.stop - edge.start for edge in part)
    return replace(scenes, height=high, width=wide, centre_px=scenes.centre_px - first)


def developed(
    light: torch.Tensor,
    handling: Handling,
    part: tuple[slice, slice],
    size: tuple[int, int],
    seed: int,
) -> NDArray[np.uint8]:
    """Develop a part of a photo where it lies in the whole: lenses differ over the picture."""
    whole = light.mean((2, 3), keepdim=True).expand(-1, -1, *size).clone()
    whole[..., part[0], part[1]] = light
    source = torch.Generator(light.device).manual_seed(seed)
    noise = torch.randn(whole.shape, generator=source, device=light.device)
    pixels = develop(whole, handling, noise)[0, :, part[0], part[1]]
    return pixels.permute(1, 2, 0).cpu().numpy()


def photograph(edition: Edition, world: World, seed: int, device: str) -> list[Taken]:
    """Take all photos of an edition."""
    rng = np.random.default_rng([seed, len(edition.name), 41])
    light = light_of(edition, rng)
    size = int(rng.integers(len(SIZES)))
    (height, width), scale = SIZES[size], PRINT_PX_PER_MM[edition.element][size]
    dim = np.array([light is not Lighting.DIFFUSE])
    taken = []
    for origin, specimen, careful, count in plan(edition, world):
        surface = print_specimen(edition, origin, specimen, px_per_mm=scale)
        renderer = TorchRenderer([surface], device=device)
        for _ in range(count):
            shot = Shot(int(rng.integers(1 << 31)), 0, light, query=not careful)
            scenes = sample_scenes([shot], [surface], height=height, width=width)
            part = window(renderer, scenes)
            exposure = renderer.expose(cut(scenes, part))
            handling = draw_handling([shot.seed], poor=np.array([False]), dim=dim)
            pixels = developed(exposure.light, handling, part, (height, width), shot.seed)
            quality = [cv2.IMWRITE_JPEG_QUALITY, int(handling.quality[0]) + 10]
            saved = cv2.imencode(".jpg", pixels[..., ::-1], quality)[1]
            taken.append(
                Taken(
                    origin, specimen, careful,
                    cv2.imdecode(saved, cv2.IMREAD_COLOR)[..., ::-1],
                    exposure.item[0].cpu().numpy() > 0.5,
                    exposure.artwork_mm[0].float().cpu().numpy(),
                    float(scenes.focal_px[0] / scenes.focus_mm[0]),
                    light,
                )
            )  # fmt: skip
    return taken


@dataclass(frozen=True, eq=False)
class Frame:
    """The frame of an edition: what of the artwork each px shows."""

    mm: Grey
    inside: NDArray[np.bool_]
    px_per_mm: float
    first: Grey


def frame_of(anchor: Taken) -> Frame:
    """Cut the frame out of the anchor, as a consensus does."""
    rows, columns = np.nonzero(anchor.item)
    room = room_about(int(np.ptp(columns)), int(np.ptp(rows)))
    left, top = max(0, columns.min() - room), max(0, rows.min() - room)
    right, bottom = columns.max() + room + 1, rows.max() + room + 1
    part = (slice(top, bottom), slice(left, right))
    high, wide = anchor.item[part].shape
    scale = frame_scale(wide, high, anchor.px_per_mm)
    size = (round(wide * scale), round(high * scale))
    known = np.where(anchor.item, anchor.artwork_mm, np.nan)[:, part[0], part[1]]
    mm = np.stack([cv2.resize(plane, size, interpolation=cv2.INTER_LINEAR) for plane in known])
    first = cv2.resize(log_colour(anchor.pixels[part]), size, interpolation=cv2.INTER_AREA)
    return Frame(mm, np.isfinite(mm).all(axis=0), anchor.px_per_mm * scale, first)


def curved(known: Grey, at: NDArray[np.float64]) -> Places | None:
    """Fit places on a photo (n, 2) to those on the artwork (n, 2), mm.

    A band's place in a photo is smooth all over, so that a polynomial tells it to a small part of
    a px at a tenth of the time of a triangulation. `None` where it does not: a seal has an edge.
    """
    low, high = known.min(axis=0), known.max(axis=0)

    def terms(mm: NDArray) -> NDArray[np.float64]:
        x, y = (2 * (mm - low) / np.maximum(high - low, 1e-6) - 1).astype(np.float64).T
        return chebvander2d(x, y, _CURVED)

    held = terms(known)
    fit = np.linalg.lstsq(held, at, rcond=1e-8)[0]
    if np.percentile(np.abs(held @ fit - at), 99) > _SMOOTH_PX:
        return None

    def place(mm: NDArray) -> NDArray[np.float64]:
        beyond = ((mm < low - 0.05) | (mm > high + 0.05)).any(axis=1)
        return np.where(beyond[:, None], np.nan, terms(np.clip(mm, low, high)) @ fit)

    return place


def places(photo: Taken, frame: Frame) -> Grey | None:
    """Photo px (2, H, W) of each frame px, by the truth; NaN where the photo does not show it."""
    rows, columns = np.nonzero(photo.item)
    step = max(1, int(np.sqrt(len(rows) / _POINTS)))
    kept = (rows % step == 0) & (columns % step == 0)
    rows, columns = rows[kept], columns[kept]
    if len(rows) < 200:
        return None
    known = photo.artwork_mm[:, rows, columns].T
    inverse = curved(known, np.column_stack([columns, rows]).astype(float))
    if inverse is None:
        try:
            inverse = LinearNDInterpolator(known, np.column_stack([columns, rows]).astype(float))
        except QhullError:
            return None
    few = frame.mm[:, ::_EVERY, ::_EVERY]
    known_there = np.isfinite(few).all(axis=0)
    coarse = np.full(few.shape, np.nan, np.float32)
    coarse[:, known_there] = inverse(few[:, known_there].T).T
    rows, columns = (np.arange(n, dtype=np.float32) / _EVERY for n in frame.inside.shape)
    x, y = np.meshgrid(columns, rows)
    return np.stack([cv2.remap(plane, x, y, cv2.INTER_LINEAR) for plane in coarse])


def faces(at: Grey) -> NDArray[np.bool_]:
    """Say where an item faces the camera, as a comparison asks (`registration.facing`)."""
    few = at[:, ::_EVERY, ::_EVERY]
    down, right = np.gradient(few, _EVERY, axis=(1, 2))
    known = np.isfinite(down).all(axis=0) & np.isfinite(right).all(axis=0)
    step = np.stack([right, down], axis=-1).transpose(1, 2, 0, 3)
    narrow = np.linalg.svd(np.where(known[..., None, None], step, 0.0), compute_uv=False)[..., 1]
    if not known.any():
        return np.zeros(at.shape[1:], bool)
    kept = (narrow >= LEAST_FACING * np.median(narrow[known])) | ~known
    return cv2.resize(kept.astype(np.uint8), at.shape[:0:-1], interpolation=cv2.INTER_NEAREST) > 0


def sampled(photo: Taken, at: Grey) -> tuple[Grey, NDArray[np.bool_], float]:
    """Logarithmic colour in the frame, where it is seen, and photo px a frame px."""
    x, y = (np.nan_to_num(plane, nan=-9.0) for plane in at)
    item = (cv2.remap(photo.item.astype(np.uint8), x, y, cv2.INTER_NEAREST) > 0) & faces(at)
    stretch = float(np.nanmedian(np.hypot(*np.gradient(at, axis=2))))
    picture = photo.pixels
    if stretch > 1.05:
        picture = cv2.GaussianBlur(picture, (0, 0), 0.42 * np.sqrt(stretch**2 - 1) + 0.05)
    return log_colour(cv2.remap(picture, x, y, cv2.INTER_CUBIC)), item, stretch


def moved(colour: Grey, seen: NDArray[np.bool_], frame: Frame, reach: float) -> NDArray | None:
    """Homography of frame px that takes out what followed points still show of pose."""
    mask = seen & frame.inside
    query, model = (flatten_light(lightness(p), reach, mask) for p in (colour, frame.first))
    points = corners(model, mask, cell=max(8, round(max(mask.shape) / 50)))
    if len(points) < 12:
        return None
    cells = follow(model, query, points, mask)
    sure = cells.likeness > SURE
    if sure.sum() < 12:
        return None
    start = cells.at[sure]
    return cv2.findHomography(start, start + cells.shift[sure], cv2.RANSAC, 1.5)[0]


def lay(photo: Taken, frame: Frame, reach: float) -> tuple[Grey, NDArray[np.bool_], float] | None:
    """Lay a photo into the frame; `None` where it cannot be followed."""
    at = places(photo, frame)
    if at is None:
        return None
    colour, seen, _ = sampled(photo, at)
    matrix = moved(colour, seen, frame, reach)
    if matrix is None:
        return None
    how = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    out = [cv2.warpPerspective(p, matrix, p.shape[::-1], flags=how, borderValue=np.nan) for p in at]
    return sampled(photo, np.stack(out))


def held(frame: Frame, photos: list[Grey], seen: list[NDArray[np.bool_]]) -> Consensus:
    """A consensus without its spreads: they are the trainer's to make."""
    valid = np.stack(seen)
    count = valid.sum(axis=0).astype(np.uint8)
    empty = np.zeros((2, *count.shape), np.float32)
    return Consensus(
        (), {}, masked_median(np.stack(photos), valid), empty[0], empty, count,
        frame.inside & (count > 0), frame.px_per_mm,
    )  # fmt: skip


def draw(job: Job) -> int:
    """Draw one edition; returns how many photos there are of it."""
    out = job.folder / f"{job.seed}-{job.place}"
    world = World(job.seed, marques=MARQUES_A_WORLD)
    edition = world.editions[job.place]
    if time.time() > job.until:
        return 0
    torch.set_num_threads(1)
    cv2.setNumThreads(1)
    taken = photograph(edition, world, job.seed * 100 + job.place, job.device)
    references = [t for t in taken if t.reference]
    anchor = max(references, key=lambda t: t.item.sum())
    frame = frame_of(anchor)
    reach = float(np.clip(1.1 * frame.px_per_mm, 6.0, 24.0))
    pictures: dict[str, NDArray] = {}
    lines: list[Laid] = []
    colours, seen = [frame.first], [frame.inside]
    origins = [o.name for o in world.origins(edition)]

    def keep(photo: Taken, colour: Grey, valid: NDArray[np.bool_], softer: float) -> None:
        name = f"{len(lines):02d}"
        code = np.rint(to_srgb(colour) * 255).astype(np.uint8)
        pictures[name] = np.dstack([code, valid.astype(np.uint8) * 255])
        lines.append(
            Laid(
                name, origins.index(photo.origin.name), photo.specimen, photo.origin.skill,
                photo.origin.standing is Standing.GENUINE, photo.reference, softer,
                photo.px_per_mm,
            )
        )  # fmt: skip

    keep(anchor, frame.first, frame.inside, 0.0)
    for photo in references:
        laid = None if photo is anchor else lay(photo, frame, reach)
        if laid is None:
            continue
        colour, _ = match_light(laid[0], frame.first, laid[1] & frame.inside)
        colours.append(colour)
        seen.append(laid[1])
        keep(photo, colour, laid[1], 0.0)
    consensus = held(frame, colours, seen)
    for photo in taken:
        laid = None if photo.reference else lay(photo, frame, reach)
        if laid is None:
            continue
        blur = estimate_blur(cv2.cvtColor(photo.pixels, cv2.COLOR_RGB2GRAY).astype(np.float32))
        framed = Framed(consensus, laid[0], laid[1] & consensus.mask, laid[2], laid[1], blur)
        if framed.inner.sum() < 5000:
            continue
        keep(photo, framed.in_place[0], framed.inner, framed.sharpness[1])
    truth = {}
    for number, origin in enumerate(world.origins(edition)):
        if origin.standing is Standing.FAKE:
            apart = origin_difference(edition, origin, px_per_mm=TRUTH_PX_PER_MM)
            mask = apart.uv_mask if anchor.light is Lighting.UV_A else apart.mask
            column, row = np.rint(np.nan_to_num(frame.mm) * TRUTH_PX_PER_MM).astype(int)
            shown = mask[row.clip(0, mask.shape[0] - 1), column.clip(0, mask.shape[1] - 1)]
            truth[f"truth{number}"] = np.packbits(shown & frame.inside)
    out.mkdir(parents=True, exist_ok=True)
    np.savez(out / "frames.npz", **pictures, **truth)
    facts = {
        "element": edition.element.value, "shape": frame.inside.shape,
        "px_per_mm": frame.px_per_mm, "photos": [asdict(line) for line in lines],
    }  # fmt: skip
    # Whole or not at all: a training beside this one reads what it finds.
    (out / "frames.part").write_text(json.dumps(facts))
    (out / "frames.part").rename(out / "frames.json")
    if job.device.startswith("cuda"):
        # Each process would keep what it once took on every GPU that it drew on.
        torch.cuda.empty_cache()
    return len(lines)


def main() -> None:
    """Draw editions until all are there or the time is up."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--first", type=int, default=FIRST_SEED, help="first world seed")
    parser.add_argument("--worlds", type=int, default=100)
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument(
        "--device", nargs="+", default=["cuda" if torch.cuda.is_available() else "cpu"]
    )
    chosen = parser.parse_args()
    start = time.time()
    until = start + 60 * chosen.minutes
    seeds = range(chosen.first, chosen.first + chosen.worlds)
    jobs = [job for seed in seeds for job in jobs_of(seed, chosen, until)]
    count = told = 0
    with multiprocessing.get_context("spawn").Pool(chosen.processes) as pool:
        for made in pool.imap_unordered(draw, jobs):
            count += made
            if time.time() - start > told + 20:
                told = int(time.time() - start)
                print(f"{count} photos in {told} s", flush=True)
    print(f"{count} photos in {time.time() - start:.0f} s", flush=True)


if __name__ == "__main__":
    main()
