"""Encoders side by side: `python tests/benchmarks/bench_encoder.py lite0-imagenet lite0-print`.

Prints one table a part and writes ``bench_out/encoder-*.json``.

parts
    worlds    held-out rendered worlds, as photographed by ``--photos FOLDER`` (see below):
              edition recall@1, print-origin mAP, standing error, overlap of distributions
    demo      the demo's held-out queries against the demo set, by group
    emoji     OpenMoji re-saved, halved, turned; Google's emoji find Twitter's and back
    cartons   real hand-held cartons, one clean reference each, ``--cartons FOLDER``
    speed     one photo, a batch, against the bare tower
    same      the same embedding whatever the batch and the threads

``--draw FOLDER`` photographs held-out worlds with the product's own renderer (seeds from
900,000 on, never used in training) and stops; it takes all cores.
"""

from __future__ import annotations

import argparse
import csv
import io
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path

sys.path[:0] = [str(Path(__file__).resolve().parent), str(Path(__file__).resolve().parent.parent)]

import numpy as np
from PIL import Image
from table import print_table, save_rows

from loupebook.encoders import Encoder, load_encoder
from loupebook.search.windows import ANYWHERE, TURNED, View

ROOT = Path(__file__).resolve().parents[2]
Row = dict[str, object]
Pixels = np.ndarray


def read(path: Path) -> Pixels:
    """Read a picture."""
    return np.asarray(Image.open(path).convert("RGB"))


def embedded(
    encoder: Encoder, pictures: Sequence[Pixels], views: Sequence[View] = TURNED[:1]
) -> np.ndarray:
    """Embeddings of every view: (n, views, dim)."""
    cut = [view.cut(picture) for picture in pictures for view in views]
    return encoder.embed(cut).reshape(len(pictures), -1, encoder.dim)


def similarity(queries: np.ndarray, references: np.ndarray) -> np.ndarray:
    """Best cosine over the views of a query: (queries, references)."""
    best = np.full((len(queries), len(references)), -1.0, np.float32)
    for view in range(queries.shape[1]):
        np.maximum(best, queries[:, view] @ references.T, out=best)
    return best


def recall(sims: np.ndarray, wanted: Sequence[str], names: Sequence[str]) -> float:
    """Share of queries whose nearest reference bears the wanted name."""
    nearest = sims.argmax(1)
    return float(np.mean([names[n] == w for n, w in zip(nearest, wanted, strict=True)]))


SEARCHES = {"whole, 1 turn": TURNED[:1], "whole, 4 turns": TURNED, "anywhere": ANYWHERE}


def by_search(
    encoder: Encoder, queries: Sequence[Pixels], references: np.ndarray
) -> dict[str, np.ndarray]:
    """Similarities under every way of searching, embedding each view once."""
    vectors = embedded(encoder, queries, ANYWHERE)
    discounts = np.array([view.discount for view in ANYWHERE], np.float32)
    cosines = vectors @ references.T - discounts[:, None]
    return {
        name: cosines[:, [ANYWHERE.index(view) for view in views]].max(axis=1)
        for name, views in SEARCHES.items()
    }


def cartons(encoder: Encoder, chosen: argparse.Namespace) -> list[Row]:
    """Real hand-held cartons: item and family (the maker's like cartons) at rank 1."""
    with (chosen.cartons / "manifest.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    clean = [row for row in rows if row["role"] == "reference"]
    held = [row for row in rows if row["role"] == "query"]
    references = embedded(encoder, [read(chosen.cartons / r["path"]) for r in clean])[:, 0]
    sims = by_search(encoder, [read(chosen.cartons / r["path"]) for r in held], references)
    return [
        {
            "encoder": encoder.name, "search": name, "photos": len(held),
            "item R@1": recall(found, [r["item"] for r in held], [r["item"] for r in clean]),
            "family R@1": recall(found, [r["family"] for r in held], [r["family"] for r in clean]),
        }
        for name, found in sims.items()
    ]  # fmt: skip


def _resaved(picture: Image.Image) -> dict[str, Pixels]:
    buffer = io.BytesIO()
    picture.save(buffer, "JPEG", quality=60)
    half = picture.resize((picture.width // 2, picture.height // 2), Image.Resampling.LANCZOS)
    turned = picture.rotate(17, Image.Resampling.BICUBIC, expand=True, fillcolor="white")
    return {
        "JPEG 60": np.asarray(Image.open(buffer).convert("RGB")),
        "half size": np.asarray(half),
        "turned 90": np.rot90(np.asarray(picture)).copy(),
        "turned 17": np.asarray(turned),
    }


def emoji(encoder: Encoder, chosen: argparse.Namespace) -> list[Row]:
    """Registry pictures: found again after handling, and one design across vendors."""
    from registry_pictures import distinct_openmoji, on_white, vendor_emoji

    rows: list[Row] = []
    pictures = [picture for _, picture in distinct_openmoji(chosen.emoji, 256, every=3)]
    names = [str(number) for number in range(len(pictures))]
    references = embedded(encoder, [np.asarray(p) for p in pictures])[:, 0]
    handled = [_resaved(picture) for picture in pictures]
    for how in handled[0]:
        for views in (TURNED[:1], TURNED):
            sims = similarity(embedded(encoder, [h[how] for h in handled], views), references)
            rows.append(
                {"encoder": encoder.name, "set": f"OpenMoji, {how}", "turns": len(views),
                 "pictures": len(names), "R@1": recall(sims, names, names)}
            )  # fmt: skip
    cache = chosen.work / "emoji"
    vendors = {vendor: vendor_emoji(vendor, cache) for vendor in ("google", "twitter")}
    shared = sorted(set(vendors["google"]) & set(vendors["twitter"]))
    points = [p for p in shared if "1f3f" not in p][:: max(1, len(shared) // (2 * chosen.emoji))]
    drawn = {
        vendor: embedded(encoder, [np.asarray(on_white(files[p])) for p in points])
        for vendor, files in vendors.items()
    }
    for one, other in (("google", "twitter"), ("twitter", "google")):
        sims = similarity(drawn[one], drawn[other][:, 0])
        rows.append(
            {"encoder": encoder.name, "set": f"{one} finds {other}", "turns": 1,
             "pictures": len(points), "R@1": recall(sims, points, points)}
        )  # fmt: skip
    return rows


def demo(encoder: Encoder, chosen: argparse.Namespace) -> list[Row]:
    """The demo's held-out queries: nearest edition, origin and standing, by group."""
    folder, asked = ROOT / "reference_sets/demo", ROOT / "reference_sets/demo_queries"
    with (folder / "manifest.csv").open(encoding="utf-8") as file:
        held = list(csv.DictReader(file))
    with (asked / "truth.csv").open(encoding="utf-8") as file:
        queries = list(csv.DictReader(file))
    references = embedded(encoder, [read(folder / r["path"]) for r in held])[:, 0]
    sims = by_search(encoder, [read(asked / q["path"]) for q in queries], references)
    rows: list[Row] = []
    groups = sorted({q["group"] for q in queries})
    for name, found in sims.items():
        nearest = found.argmax(1)
        for group in [*groups, "all but unknown marque"]:
            mine = [
                k for k, q in enumerate(queries)
                if q["group"] == group or (group not in groups and q["group"] != "unknown marque")
            ]  # fmt: skip
            row: Row = {
                "encoder": encoder.name,
                "search": name,
                "group": group,
                "photos": len(mine),
            }
            for field in ("edition", "origin", "standing"):
                hits = [held[nearest[k]][field] == queries[k][field] for k in mine]
                row[f"{field} R@1"] = float(np.mean(hits))
            within = []
            for k in mine:
                same = [n for n, r in enumerate(held) if r["edition"] == queries[k]["edition"]]
                if same:
                    best = same[int(np.argmax(found[k, same]))]
                    within.append(held[best]["standing"] == queries[k]["standing"])
            row["standing within edition"] = float(np.mean(within)) if within else None
            rows.append(row)
    return rows


def speed(encoder: Encoder, chosen: argparse.Namespace) -> list[Row]:
    """Milliseconds a photo, single and in batches, and of the bare tower."""
    import torch

    photo = np.random.default_rng(0).integers(0, 256, (1200, 1600, 3), dtype=np.uint8)
    encoder.embed([photo] * 4)

    def pace(work: Callable[[], object], photos: int, repeats: int) -> float:
        taken = []
        for _ in range(repeats):
            start = time.perf_counter()
            work()
            taken.append((time.perf_counter() - start) / photos * 1000)
        return float(np.median(taken))

    tensor = encoder.preprocess.batch([photo])  # type: ignore[attr-defined]
    return [
        {
            "encoder": encoder.name, "threads": torch.get_num_threads(), "dim": encoder.dim,
            "one photo, ms": pace(lambda: encoder.embed([photo]), 1, 15),
            "in 16s, ms a photo": pace(lambda: encoder.embed([photo] * 32), 32, 3),
            "network alone, ms": pace(lambda: encoder.embed_batch(tensor), 1, 15),  # type: ignore[attr-defined]
        }
    ]  # fmt: skip


def same(encoder: Encoder, chosen: argparse.Namespace) -> list[Row]:
    """Least cosine between embeddings of one photo, across batch sizes and threads."""
    import torch

    rng = np.random.default_rng(0)
    photos = [rng.integers(0, 256, (240, 320, 3), dtype=np.uint8) for _ in range(6)]
    first = encoder.embed(photos, batch_size=6)
    before = torch.get_num_threads()
    others = [encoder.embed(photos, batch_size=size) for size in (1, 2, 5)]
    for threads in (1, 2):
        torch.set_num_threads(threads)
        others.append(encoder.embed(photos, batch_size=3))
    torch.set_num_threads(before)
    least = min(float((first * other).sum(1).min()) for other in others)
    return [
        {"encoder": encoder.name, "least cosine": least, "fingerprint": encoder.fingerprint[:12]}
    ]


def worlds(encoder: Encoder, chosen: argparse.Namespace) -> list[Row]:
    """Held-out worlds, every photo against all others: see `encoder_worlds`."""
    from encoder_worlds import measure

    return measure(encoder, chosen.photos)


PARTS: dict[str, Callable[[Encoder, argparse.Namespace], list[Row]]] = {
    "worlds": worlds,
    "demo": demo,
    "emoji": emoji,
    "cartons": cartons,
    "speed": speed,
    "same": same,
}


def main() -> None:
    """Run the parts named, or all that have their pictures."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("encoders", nargs="*", default=["lite0-imagenet"])
    parser.add_argument("--only", action="append", choices=sorted(PARTS))
    parser.add_argument("--photos", type=Path, help="photos of held-out worlds")
    parser.add_argument("--cartons", type=Path, help="real cartons, with manifest.csv")
    parser.add_argument("--emoji", type=int, default=400, help="pictures of each emoji set")
    parser.add_argument("--work", type=Path, default=Path("bench_out"))
    parser.add_argument("--draw", type=Path, help="photograph held-out worlds into this folder")
    chosen = parser.parse_args()
    if chosen.draw:
        from encoder_worlds import draw

        draw(chosen.draw)
        return
    missing = {name for name in ("photos", "cartons") if getattr(chosen, name) is None}
    skipped = {"worlds" if name == "photos" else name for name in missing}
    for part in chosen.only or [name for name in PARTS if name not in skipped]:
        rows = [row for name in chosen.encoders for row in PARTS[part](load_encoder(name), chosen)]
        print_table(part, rows)
        save_rows(chosen.work / f"encoder-{part}.json", part, rows)


if __name__ == "__main__":
    main()
