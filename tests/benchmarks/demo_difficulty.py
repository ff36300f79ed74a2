"""How hard the copies are: `python tests/benchmarks/demo_difficulty.py`.

For every fake origin: how much of the artwork differs from the genuine edition, and how
often each of three simple ways of looking puts a genuine photo before any other when it is
shown a photo of that copy. Every origin gives two specimens of two photos; genuine
editions give two runs. A query meets the photos of all other specimens of its edition,
those of its own origin's other specimen among them ("known"), or not ("unknown"). By
chance a genuine photo is first in 8 of 22, and in 8 of 20.

Ways: pHash (imagehash), SIFT inliers of a homography (OpenCV), ImageNet embedding
(`models/lite0-imagenet`). Photos are careful, diffuse, 480 x 360 px.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

_HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(_HERE))

import cv2
import imagehash
import numpy as np
from demo_photos import take
from PIL import Image
from table import print_table, save_tables

from loupebook.demo.camera.request import Shot
from loupebook.demo.camera.torch_renderer import TorchRenderer
from loupebook.demo.press.edition import Edition
from loupebook.demo.press.presses import SKILLS
from loupebook.demo.world import World, demo_world, origin_difference, print_specimen
from loupebook.encoders import load_encoder
from loupebook.records.model import Element, Standing

Row = dict[str, object]
WAYS = ("phash", "sift", "imagenet")
_FOOLED = 0.4
_PX_PER_MM = {Element.BAND: 14.0, Element.SEAL: 8.0, Element.CAP: 12.0}


def photos_of(world: World, edition: Edition) -> list[tuple[str, int, bool, np.ndarray]]:
    """(origin, specimen, genuine, picture) of every photo of an edition."""
    taken = []
    for number, origin in enumerate(world.origins(edition)):
        for specimen in range(2):
            scale = _PX_PER_MM[edition.element]
            surface = print_specimen(edition, origin, specimen + 40, px_per_mm=scale)
            first = 10_000 * world.editions.index(edition) + 100 * number + 10 * specimen
            shots = [Shot(first + k, 0) for k in range(2)]
            genuine = origin.standing is Standing.GENUINE
            for picture in take(TorchRenderer([surface]), shots, [surface]):
                taken.append((origin.name, specimen, genuine, picture))
    return taken


def likeness(pictures: list[np.ndarray], encoder: object) -> dict[str, np.ndarray]:
    """Photo by photo, by each way; higher is more alike."""
    hashes = [imagehash.phash(Image.fromarray(p)) for p in pictures]
    by_hash = np.array([[-float(a - b) for b in hashes] for a in hashes])
    vectors = encoder.embed(pictures)  # type: ignore[attr-defined]
    return {"phash": by_hash, "sift": _inliers(pictures), "imagenet": vectors @ vectors.T}


def _inliers(pictures: list[np.ndarray]) -> np.ndarray:
    sift, matcher = cv2.SIFT_create(nfeatures=600), cv2.BFMatcher()
    seen = [sift.detectAndCompute(cv2.cvtColor(p, cv2.COLOR_RGB2GRAY), None) for p in pictures]
    found = np.zeros((len(pictures), len(pictures)))
    for a, (points_a, text_a) in enumerate(seen):
        for b, (points_b, text_b) in enumerate(seen[:a]):
            if min(len(points_a), len(points_b)) < 8:
                continue
            pairs = matcher.knnMatch(text_a, text_b, k=2)
            good = [p[0] for p in pairs if len(p) == 2 and p[0].distance < 0.8 * p[1].distance]
            if len(good) < 8:
                continue
            ours = np.float32([points_a[m.queryIdx].pt for m in good])
            theirs = np.float32([points_b[m.trainIdx].pt for m in good])
            _, kept = cv2.findHomography(ours, theirs, cv2.RANSAC, 4.0, maxIters=500)
            found[a, b] = found[b, a] = 0 if kept is None else int(kept.sum())
    return found


def fooled(
    photos: list[tuple[str, int, bool, np.ndarray]], alike: np.ndarray, origin: str, *, known: bool
) -> float:
    """Share of an origin's photos for which a genuine photo comes first; ties are shared."""
    names = np.array([p[0] for p in photos])
    specimens = np.array([p[1] for p in photos])
    genuine = np.array([p[2] for p in photos])
    shares = []
    for query in np.nonzero(names == origin)[0]:
        own = names == origin
        rivals = ~own | (known & (specimens != specimens[query]))
        first = rivals & (alike[query] >= alike[query][rivals].max() - 1e-6)
        shares.append(float(genuine[first].mean()))
    return float(np.mean(shares))


def measure(world: World, editions: list[Edition]) -> list[Row]:
    encoder = load_encoder("lite0-imagenet")
    rows = []
    for edition in editions:
        photos = photos_of(world, edition)
        alike = likeness([p[3] for p in photos], encoder)
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
        print(edition.name, flush=True)
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
    for name, group in [*groups, ("all", rows)]:
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
    parser.add_argument("--marques", type=int, default=5, help="how many makers, in order")
    parser.add_argument("--out", type=Path, default=_HERE / "results" / "demo_difficulty.md")
    chosen = parser.parse_args()
    world = demo_world()
    wanted = set(world.marques[: chosen.marques])
    rows = measure(world, [e for e in world.editions if e.marque in wanted])
    total = summary(rows)
    print_table("difficulty", total)
    save_tables(
        chosen.out,
        "How hard the copies of the demo world are",
        f"python tests/benchmarks/demo_difficulty.py --marques {chosen.marques}",
        {"By skill": total, "By origin: share of photos with a genuine photo first": rows},
        [" ".join(__doc__.split("\n\n")[1].split())],
    )


if __name__ == "__main__":
    main()
