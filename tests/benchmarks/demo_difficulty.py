"""How hard the copies are: `python tests/benchmarks/demo_difficulty.py`.

For every fake origin: how much of the artwork differs from the genuine edition, and how
often each of three simple ways of looking puts a genuine photo before any other when it is
shown a photo of that copy. References are as the shipped set has them: three genuine
specimens of an edition, two of one run and one of the next, and one of every copy, two
photos each. More specimens of each copy are asked about, two photos each, with the copy
itself among the references ("known") or without it ("unknown"). By chance a genuine photo is
first for 6 of 14 known, and for 6 of 12 unknown. Few photos asked make the share of origins
that fool all three too low: of four specimens even a copy that nothing tells from genuine
ones, each way fooled half the time, passes all three by luck in one of four trials.

Ways: pHash (imagehash), SIFT inliers of a homography (OpenCV), ImageNet embedding
(`models/lite0-imagenet`). Photos are careful, diffuse, 480 x 360 px.
"""

from __future__ import annotations

import argparse
import multiprocessing
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

_HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(_HERE))

import cv2
import imagehash
import numpy as np
import torch
from demo_photos import take
from PIL import Image
from table import print_table, save_tables

from loupebook.demo.camera.request import Shot
from loupebook.demo.camera.torch_renderer import TorchRenderer
from loupebook.demo.demo_set import Taking
from loupebook.demo.press.edition import Edition
from loupebook.demo.press.presses import SKILLS
from loupebook.demo.world import World, demo_world, origin_difference, print_specimen
from loupebook.encoders import load_encoder
from loupebook.errors import WorldInvalid
from loupebook.records.model import Element, Standing

Row = dict[str, object]


@dataclass(frozen=True)
class Photo:
    """A picture, what it shows, and whether it is a reference or asked about."""

    origin: str
    genuine: bool
    reference: bool
    picture: np.ndarray


WAYS = ("phash", "sift", "imagenet")
_FOOLED = 0.4
_ASKED = 12
"""Specimens of each copy that are asked about."""
_PX_PER_MM = {Element.BAND: 14.0, Element.SEAL: 8.0, Element.CAP: 12.0}


@dataclass(frozen=True)
class Rendering:
    """How the photos are made.

    Parameters
    ----------
    asked : int
        Specimens of each copy that are asked about.
    device : str
        Where torch shades.
    """

    asked: int
    device: str


def photos_of(world: World, edition: Edition, how: Rendering) -> list[Photo]:
    """Every photo of an edition: references, then what is asked about."""
    taken: list[Photo] = []
    for number, origin in enumerate(world.origins(edition)):
        genuine = origin.standing is Standing.GENUINE
        references = 2 if number == 0 else 1
        for specimen in range(references if genuine else references + how.asked):
            scale = _PX_PER_MM[edition.element]
            surface = print_specimen(edition, origin, specimen + 40, px_per_mm=scale)
            first = 10_000 * world.editions.index(edition) + 1_000 * number + 10 * specimen
            shots = [Shot(first + k, 0) for k in range(2)]
            renderer = TorchRenderer([surface], device=how.device)
            for picture in take(renderer, shots, [surface]):
                taken.append(Photo(origin.name, genuine, specimen < references, picture))
    return taken


def likeness(photos: list[Photo], encoder: object) -> dict[str, np.ndarray]:
    """Photo by reference, by each way; higher is more alike."""
    pictures = [p.picture for p in photos]
    hashes = [imagehash.phash(Image.fromarray(p)) for p in pictures]
    by_hash = np.array([[-float(a - b) for b in hashes] for a in hashes])
    vectors = encoder.embed(pictures)  # type: ignore[attr-defined]
    known = [p.reference for p in photos]
    return {"phash": by_hash, "sift": _inliers(pictures, known), "imagenet": vectors @ vectors.T}


def _inliers(pictures: list[np.ndarray], known: list[bool]) -> np.ndarray:
    sift, matcher = cv2.SIFT_create(nfeatures=600), cv2.BFMatcher()
    seen = [sift.detectAndCompute(cv2.cvtColor(p, cv2.COLOR_RGB2GRAY), None) for p in pictures]
    found = np.zeros((len(pictures), len(pictures)))
    for a, (points_a, text_a) in enumerate(seen):
        for b, (points_b, text_b) in enumerate(seen):
            if known[a] or not known[b] or min(len(points_a), len(points_b)) < 8:
                continue
            pairs = matcher.knnMatch(text_a, text_b, k=2)
            good = [p[0] for p in pairs if len(p) == 2 and p[0].distance < 0.8 * p[1].distance]
            if len(good) < 8:
                continue
            ours = np.float32([points_a[m.queryIdx].pt for m in good])
            theirs = np.float32([points_b[m.trainIdx].pt for m in good])
            _, kept = cv2.findHomography(ours, theirs, cv2.RANSAC, 4.0, maxIters=500)
            found[a, b] = 0 if kept is None else int(kept.sum())
    return found


def fooled(photos: list[Photo], alike: np.ndarray, origin: str, *, known: bool) -> float:
    """Share of an origin's photos for which a genuine photo comes first; ties are shared."""
    own = np.array([p.origin == origin for p in photos])
    genuine = np.array([p.genuine for p in photos])
    reference = np.array([p.reference for p in photos])
    rivals = reference & (known | ~own)
    shares = []
    for query in np.nonzero(own & ~reference)[0]:
        first = rivals & (alike[query] >= alike[query][rivals].max() - 1e-6)
        shares.append(float(genuine[first].mean()))
    return float(np.mean(shares))


def measure_edition(world: World, how: Rendering, number: int) -> list[Row]:
    torch.set_num_threads(1)
    cv2.setNumThreads(1)
    edition = world.editions[number]
    photos = photos_of(world, edition, how)
    alike = likeness(photos, load_encoder("lite0-imagenet"))
    rows = []
    for origin in world.origins(edition):
        if origin.standing is Standing.GENUINE:
            continue
        cap = edition.element is Element.CAP
        share = "" if cap else round(origin_difference(edition, origin).structural, 4)
        row: Row = {"origin": origin.name, "skill": origin.skill, "artwork differs": share}
        for known in (True, False):
            for way in WAYS:
                name = f"{way}, {'known' if known else 'unknown'}"
                row[name] = round(fooled(photos, alike[way], origin.name, known=known), 2)
        rows.append(row)
    return rows


def measure(world: World, editions: list[int], how: Rendering, processes: int) -> list[Row]:
    """Rows of all copies of some editions, an edition a process."""
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(processes, mp_context=context) as pool:
        rows: list[Row] = []
        for number, part in zip(
            editions, pool.map(partial(measure_edition, world, how), editions), strict=True
        ):
            print(world.editions[number].name, flush=True)
            rows += part
    return rows


def fools_all(row: Row, state: str) -> bool:
    return all(float(str(row[f"{way}, {state}"])) > _FOOLED for way in WAYS)


def summary(rows: list[Row]) -> list[Row]:
    """By element and skill: how many origins fool each way, and all three."""
    groups = [
        (f"{e.value}, {s}", [r for r in rows if f" {e.value}" in str(r["origin"])
                             and r["skill"] == s])
        for e in Element for s in SKILLS
    ]  # fmt: skip
    groups = [(name, group) for name, group in groups if group]
    lines = []
    printed = [row for row in rows if row["artwork differs"] != ""]
    for name, group in [*groups, ("bands and seals", printed), ("all", rows)]:
        differs = [float(str(r["artwork differs"])) for r in group if r["artwork differs"] != ""]
        line: Row = {
            "origins": name,
            "count": len(group),
            "artwork differs (mean)": round(float(np.mean(differs)), 4) if differs else "",
        }
        for way in WAYS:
            line[f"{way} fooled (mean)"] = round(
                float(np.mean([float(str(r[f"{way}, known"])) for r in group])), 2
            )
        for state in ("known", "unknown"):
            share = np.mean([fools_all(r, state) for r in group])
            line[f"fool all three > 40 %, {state}"] = round(float(share), 2)
        lines.append(line)
    return lines


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--marques", type=int, default=10, help="how many makers")
    parser.add_argument("--first", type=int, default=0, help="the first of them")
    parser.add_argument("--asked", type=int, default=_ASKED, help="specimens of each copy")
    parser.add_argument("--device", default="cpu", help="where torch shades: cpu or cuda")
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--out", type=Path, default=_HERE / "results" / "demo_difficulty.md")
    chosen = parser.parse_args()
    try:
        Taking(workers=chosen.processes, device=chosen.device).check()
    except WorldInvalid as error:
        parser.error(str(error))
    if not 1 <= chosen.asked < 100:
        parser.error("1 to 99 specimens of each copy: more would share their seeds")
    world = demo_world()
    wanted = set(world.marques[chosen.first : chosen.first + chosen.marques])
    editions = [k for k, e in enumerate(world.editions) if e.marque in wanted]
    how = Rendering(chosen.asked, chosen.device)
    rows = measure(world, editions, how, chosen.processes)
    total = summary(rows)
    print_table("difficulty", total)
    save_tables(
        chosen.out,
        "How hard the copies of the demo world are",
        " ".join(["python tests/benchmarks/demo_difficulty.py", *sys.argv[1:]]),
        {"By skill": total, "By origin: share of photos with a genuine photo first": rows},
        [" ".join(__doc__.split("\n\n")[1].split())],
    )


if __name__ == "__main__":
    main()
