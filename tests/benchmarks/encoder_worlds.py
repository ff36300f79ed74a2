"""Photos of held-out worlds under the product's own camera, and what an encoder makes of them.

The worlds' seeds start at 900,000; the encoders' training worlds start at 100,000. Rendered
pictures of invented items, never photographs.
"""

from __future__ import annotations

import csv
import multiprocessing
import os
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

from loupebook.encoders import Encoder

FIRST_SEED = 900_000
WORLDS = 2
MARQUES = 10
FAKES = 3
SIDE = 480
SCALES = {"band": 7.0, "seal": 4.5, "cap": 7.0}
_FIELDS = ["path", "element", "edition", "origin", "specimen", "standing", "skill", "lighting"]


def _photograph(job: tuple[int, int, Path]) -> list[list[str]]:
    """Photograph one marque: of each origin two specimens, three photos."""
    import torch

    from loupebook.demo.camera.phone import develop, draw_handling, sensor_noise
    from loupebook.demo.camera.request import Shot
    from loupebook.demo.camera.sampler import sample_scenes
    from loupebook.demo.camera.torch_renderer import TorchRenderer
    from loupebook.demo.world import World, print_specimen
    from loupebook.records.model import Lighting, Standing

    torch.set_num_threads(1)
    cv2.setNumThreads(1)
    seed, marque, folder = job
    world = World(seed, marques=MARQUES)
    rows, surfaces, shots = [], [], []
    for edition in (e for e in world.editions if e.marque == world.marques[marque]):
        origins = list(world.origins(edition))
        house = [o for o in origins if o.standing is Standing.GENUINE]
        fakes = [o for o in origins if o.standing is Standing.FAKE][-FAKES:]
        scale = SCALES[edition.element.value]
        for origin in house + fakes:
            for specimen in (21, 22):
                surfaces.append(
                    print_specimen(edition, origin, specimen_seed=specimen, px_per_mm=scale)
                )
                for number in range(2 if specimen == 21 else 1):
                    at = len(shots)
                    lighting = Lighting.RAKING if at % 7 == 3 else Lighting.DIFFUSE
                    shots.append(
                        Shot(
                            seed=(seed * MARQUES + marque) * 1000 + at,
                            surface=len(surfaces) - 1,
                            lighting=lighting,
                            query=bool(number == 1),
                        )
                    )
                    rows.append(
                        [
                            f"{seed}-{marque}-{at}.jpg", edition.element.value, edition.name,
                            f"{seed} {origin.name}", f"{seed} {origin.name} {specimen}",
                            origin.standing.value, origin.skill, lighting.value,
                        ]
                    )  # fmt: skip
    renderer = TorchRenderer(surfaces, device="cpu")
    for start in range(0, len(shots), 6):
        part = shots[start : start + 6]
        scenes = sample_scenes(part, surfaces, height=SIDE, width=SIDE)
        seeds = [shot.seed for shot in part]
        dim = np.array([shot.lighting is Lighting.RAKING for shot in part])
        handling = draw_handling(seeds, poor=np.zeros(len(part), bool), dim=dim)
        noise = torch.from_numpy(sensor_noise(seeds, SIDE, SIDE))
        pictures = develop(renderer.expose(scenes).light, handling, noise)
        for picture, row in zip(pictures, rows[start : start + 6], strict=True):
            pixels = picture.permute(1, 2, 0).numpy().astype(np.uint8)
            Image.fromarray(pixels).save(folder / row[0], quality=88)
    return rows


def draw(folder: Path) -> None:
    """Photograph the held-out worlds into a folder, with a ``photos.csv``."""
    folder.mkdir(parents=True, exist_ok=True)
    jobs = [(FIRST_SEED + w, m, folder) for w in range(WORLDS) for m in range(MARQUES)]
    processes = len(os.sched_getaffinity(0))
    with multiprocessing.get_context("spawn").Pool(processes) as pool:
        rows = [row for made in pool.imap(_photograph, jobs) for row in made]
    with (folder / "photos.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(_FIELDS)
        writer.writerows(rows)


def figures(vectors: np.ndarray, rows: list[dict[str, str]]) -> dict[str, float]:
    """Every photo against all photos of other specimens.

    ``edition R@1``: the nearest is of the same edition. ``origin mAP``: mean average
    precision of the print origin among photos of the same edition. ``standing error``: the
    nearest photo of the same edition has the other standing; ``hardest third`` is its mean
    over the third of origins where it is greatest. ``overlap``: chance that a pair of two
    origins of one edition is closer than a pair of two specimens of one origin (1 - AUC).
    """
    from sklearn.metrics import average_precision_score, roc_auc_score

    names = {field: np.array([row[field] for row in rows]) for field in _FIELDS}
    sims = vectors @ vectors.T
    sims[names["specimen"][:, None] == names["specimen"][None]] = -2
    hits = names["edition"][sims.argmax(1)] == names["edition"]
    precisions, wrong, same, other = [], [], [], []
    for k in range(len(rows)):
        pool = np.flatnonzero((names["edition"] == names["edition"][k]) & (sims[k] > -2))
        found, alike = sims[k, pool], names["origin"][pool] == names["origin"][k]
        precisions.append(average_precision_score(alike, found))
        wrong.append(names["standing"][pool[found.argmax()]] != names["standing"][k])
        same.extend(found[alike])
        other.extend(found[~alike])
    per_origin = sorted(
        float(np.mean(np.array(wrong)[names["origin"] == o])) for o in set(names["origin"])
    )
    hardest = per_origin[-(len(per_origin) // 3) :]
    labels = np.r_[np.ones(len(same)), np.zeros(len(other))]
    return {
        "edition R@1": float(hits.mean()),
        "origin mAP": float(np.mean(precisions)),
        "standing error": float(np.mean(wrong)),
        "hardest third": float(np.mean(hardest)),
        "overlap": float(1 - roc_auc_score(labels, np.r_[same, other])),
    }


def measure(encoder: Encoder, folder: Path) -> list[dict[str, object]]:
    """Figures of one encoder, overall and by element."""
    with (folder / "photos.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    pictures = (np.asarray(Image.open(folder / row["path"]).convert("RGB")) for row in rows)
    vectors = encoder.embed(list(pictures))
    table: list[dict[str, object]] = []
    for element in ("all", "band", "seal", "cap"):
        mine = [k for k, row in enumerate(rows) if element in ("all", row["element"])]
        found = figures(vectors[mine], [rows[k] for k in mine])
        table.append({"encoder": encoder.name, "element": element, "photos": len(mine), **found})
    return table
