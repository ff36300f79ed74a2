"""Recall, outline and time of the local arm on synthetic stand-ins for phone photos.

Run: ``python tests/benchmarks/bench_local_arm.py [labels] [caps] [queries a kind]``. The
worlds are those of ``local_worlds``; every query is rendered, none is a photograph.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import local_worlds
import numpy as np

from loupebook.bench.capture import shoot
from loupebook.bench.figures import overlap
from loupebook.search.arm import QueryPhoto
from loupebook.search.local.arm import LocalArm

BANDS = ((0.1, 0.2), (0.2, 0.4), (0.4, 0.8))
"""Shares of the frame that the item fills."""


def main(labels: int, caps: int, queries: int) -> None:
    """Print one row a kind and band."""
    items = local_worlds.make_items(labels, caps)
    backdrop = local_worlds.backdrop_pictures()
    with tempfile.TemporaryDirectory() as folder:
        arm = LocalArm(Path(folder), set_id="bench")
        start = time.perf_counter()
        arm.sync({n: item.name for n, item in enumerate(items)}, lambda n: items[n].pixels)
        print(f"{len(items)} references, {(time.perf_counter() - start) / len(items):.3f} s each")
        print("kind     fills   n  recall@1  family@1  IoU>=0.8  s a query")
        for kind in ("label", "cap", "picture"):
            group = [item for item in items if item.kind == kind]
            for band, (low, high) in enumerate(BANDS):
                rows = []
                for n in range(queries):
                    rng = np.random.default_rng([band, n, len(kind)])
                    item = group[n * 7 % len(group)]
                    shot = shoot(
                        rng,
                        item.pixels,
                        rng.uniform(low, high),
                        backdrop,
                        bend=item.bend,
                        is_round=item.round,
                    )
                    start = time.perf_counter()
                    hits = arm.find(QueryPhoto(shot.pixels), limit=1)
                    took = time.perf_counter() - start
                    best = items[hits[0].photo_id] if hits else None
                    right = best is item
                    shared = (
                        overlap(np.array(hits[0].outline), shot.outline, shot.pixels.shape[:2])
                        if right
                        else np.nan
                    )
                    same = best is not None and best.family == item.family
                    rows.append((right, same, shared >= 0.8 if right else np.nan, took))
                recall, family, placed, took = np.nanmean(np.array(rows, float), axis=0)
                print(
                    f"{kind:8} {low:.1f}-{high:.1f} {queries:3} {recall:9.2f} {family:9.2f} "
                    f"{placed:9.2f} {took:10.2f}",
                    flush=True,
                )


if __name__ == "__main__":
    given = [int(word) for word in sys.argv[1:4]]
    main(*(given + [120, 120, 30][len(given) :]))
