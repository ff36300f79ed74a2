"""The comparison on held-out rendered worlds: registration, maps, verdicts, AUC, ablation.

1. ``python tests/benchmarks/bench_compare_worlds.py FOLDER SEED MARQUES`` renders worlds.
2. ``python tests/benchmarks/bench_compare.py measure FOLDER ROWS.jsonl [PROCESSES]`` measures
   every query (goes on where it stopped).
3. ``python tests/benchmarks/bench_compare.py typical ROWS.jsonl...`` takes the typical
   behaviour of genuine items from the rows of *tuning* worlds.
4. ``python tests/benchmarks/bench_compare.py report ROWS.jsonl [OUT.md]`` prints the tables;
   worlds reported must not be those of step 3.

Rival maps of differences, all on the same aligned pictures: absolute difference, SSIM
(scikit-image), distance of dense RootSIFT. Rival scores: perceptual hash (imagehash), SIFT
inliers (OpenCV, ratio test and RANSAC), cosine of the bundled encoder; each takes the nearest
genuine reference, and hash and encoder are given the aligned pictures. Every picture is
rendered and invented.
"""

from __future__ import annotations

import json
import multiprocessing
import sys
import time
from functools import partial
from pathlib import Path

import cv2
import imagehash
import numpy as np
import torch
from bench_compare_tables import report, typical
from bench_compare_worlds import TRUTH_PX_PER_MM, Case, Picture, load_cases
from PIL import Image
from skimage.metrics import structural_similarity
from sklearn.metrics import average_precision_score

from loupebook.compare import Picture as Ready
from loupebook.compare import Source, build_consensus, register
from loupebook.compare.comparison import measured, own_figures
from loupebook.compare.light import to_srgb
from loupebook.compare.picture import WORKING_SIDE
from loupebook.encoders import load_encoder


def measure(folder: Path, rows: Path, processes: int = 1) -> None:
    """Write one row a query, a case a process."""
    done = {json.loads(line)["id"] for line in rows.open()} if rows.exists() else set()
    work = partial(measure_case, done=done)
    with multiprocessing.get_context("spawn").Pool(processes) as pool:
        for made in pool.imap_unordered(work, load_cases(folder)):
            with rows.open("a") as stream:
                stream.writelines(json.dumps(row) + "\n" for row in made)
            for row in made:
                print(row["id"], row["standing"], row["skill"], row["registered"], row["reason"])


def measure_case(case: Case, done: set[str]) -> list[dict]:
    """Measure the queries of one edition and lighting that are not done yet."""
    torch.set_num_threads(1)
    cv2.setNumThreads(1)
    names = {f"{p.path.parent.name}/{p.path.stem}": p for p in case.of("query")}
    names = {name: picture for name, picture in names.items() if name not in done}
    if not names:
        return []
    encoder = load_encoder()
    references = case.of("reference")
    consensus = build_consensus(
        [Source(n, str(n), p.specimen, p.pixels, p.px_per_mm) for n, p in enumerate(references)]
    )
    uv = case.lighting == "uv-a"
    own = own_figures(consensus, uv=uv)
    shown = [np.rint(to_srgb(p.colour) * 255).astype(np.uint8) for p in consensus.photos]
    known = encoder.embed(shown)
    made = []
    for name, picture in names.items():
        ready = Ready.of(picture.pixels)
        start = time.process_time()
        laid = register(ready, consensus.picture, px_per_mm=consensus.px_per_mm)
        found = measured(ready, laid, consensus, own=own, uv=uv)
        row = {
            "id": name, "edition": case.edition, "element": case.element,
            "lighting": case.lighting, "standing": picture.standing, "skill": picture.skill,
            "poor": picture.poor, "px_per_mm": picture.px_per_mm,
            "registered": laid.registered, "reason": laid.reason, "inliers": laid.inliers,
            "cpu_s": time.process_time() - start, "own": own,
            "values": {f.name: f.value for f in found.figures},
            "sift": max(sift_inliers(picture.pixels, p.pixels) for p in references),
        }  # fmt: skip
        if found.framed is not None:
            query = found.framed.pixels
            row["hash"] = min(int(hash_of(query) - hash_of(other)) for other in shown)
            row["cosine"] = float((known @ encoder.embed([query])[0]).max())
            row["maps"] = map_quality(case, picture, found, consensus)
        made.append(row)
    return made


def hash_of(pixels: np.ndarray) -> imagehash.ImageHash:
    """Perceptual hash."""
    return imagehash.phash(Image.fromarray(pixels), hash_size=16)


def sift_inliers(query: np.ndarray, reference: np.ndarray) -> int:
    """Count SIFT matches that agree on a homography: ratio .8, RANSAC 5 px."""
    sift = cv2.SIFT.create(1500)
    small = [
        cv2.resize(p, None, fx=0.7, fy=0.7, interpolation=cv2.INTER_AREA)
        for p in (query, reference)
    ]
    (a, first), (b, second) = (sift.detectAndCompute(p, None) for p in small)
    if first is None or second is None or len(b) < 2:
        return 0
    pairs = cv2.BFMatcher().knnMatch(first, second, k=2)
    good = [m for m, n in pairs if m.distance < 0.8 * n.distance]
    if len(good) < 4:
        return 0
    source = np.float32([a[m.queryIdx].pt for m in good])
    target = np.float32([b[m.trainIdx].pt for m in good])
    inside = cv2.findHomography(source, target, cv2.RANSAC, 5.0)[1]
    return 0 if inside is None else int(inside.sum())


def truth_in_frame(case: Case, consensus: object, origin: str) -> tuple[np.ndarray, np.ndarray]:
    """Return where the origin's plates differ, and where the item lies, in the frame."""
    anchor = case.of("reference")[consensus.photos[0].photo_id]
    left, top, scale = consensus.place
    # Places are counted in the picture that is worked on, truth in the photo.
    shrunk = min(1.0, WORKING_SIDE / max(anchor.pixels.shape[:2]))
    left, top, scale = left / shrunk, top / shrunk, scale * shrunk
    y, x = np.mgrid[0 : consensus.shape[0], 0 : consensus.shape[1]].astype(float)
    at = np.rint(((np.stack([x, y], -1) + 0.5) / scale - 0.5 + [left, top]) / 2).astype(int)
    art = anchor.artwork_mm
    inside = (at[..., 0] < art.shape[2]) & (at[..., 1] < art.shape[1])
    mm = art[:, at[..., 1].clip(0, art.shape[1] - 1), at[..., 0].clip(0, art.shape[2] - 1)]
    item = np.isfinite(mm[0]) & inside
    mask = case.truth(origin)
    column, row = np.rint(np.nan_to_num(mm) * TRUTH_PX_PER_MM).astype(int)
    return mask[row.clip(0, mask.shape[0] - 1), column.clip(0, mask.shape[1] - 1)] & item, item


def map_quality(case: Case, picture: Picture, found: object, consensus: object) -> dict | None:
    """Average precision of maps against the truth; `None` where nothing differs."""
    if picture.standing == "genuine":
        return None
    truth, item = truth_in_frame(case, consensus, picture.origin)
    framed = found.framed
    seen = framed.inner & item
    every = np.zeros_like(seen)
    every[::2, ::2] = True
    seen &= every
    if truth[seen].sum() < 10:
        return None
    query, model = framed.pixels, consensus.pixels
    grey = [cv2.cvtColor(p, cv2.COLOR_RGB2GRAY) for p in (query, model)]
    ssim = 1 - structural_similarity(*grey, full=True, data_range=255)[1]
    maps = {
        "ours": framed.departs,
        "ours without the network": framed.apart,
        "the network alone": framed.told.drawn,
        "absolute difference": np.abs(query.astype(np.float32) - model).mean(axis=2),
        "SSIM": ssim,
        "dense RootSIFT": dense_distance(*grey),
    }
    scores = {
        name: float(average_precision_score(truth[seen], m[seen])) for name, m in maps.items()
    }
    return {"share": float(truth[seen].mean()), **scores}


def dense_distance(query: np.ndarray, model: np.ndarray, step: int = 4) -> np.ndarray:
    """Return the distance of RootSIFT patches of 12 px on a grid, as a map."""
    sift = cv2.SIFT.create()
    grid = [
        cv2.KeyPoint(float(x), float(y), 12.0, 0.0)
        for y in range(0, query.shape[0], step)
        for x in range(0, query.shape[1], step)
    ]
    rows = []
    for picture in (query, model):
        raw = sift.compute(picture, grid)[1]
        rows.append(np.sqrt(raw / (raw.sum(axis=1, keepdims=True) + 1e-9)))
    apart = np.linalg.norm(rows[0] - rows[1], axis=1)
    small = apart.reshape(len(range(0, query.shape[0], step)), -1).astype(np.float32)
    return cv2.resize(small, query.shape[::-1], interpolation=cv2.INTER_LINEAR)


if __name__ == "__main__":
    verb, *rest = sys.argv[1:]
    if verb == "measure":
        worlds, written, *processes = rest
        measure(Path(worlds), Path(written), *map(int, processes))
    else:
        {"typical": typical, "report": report}[verb](*map(Path, rest))
