"""Learn what the score of each search arm is worth: ``src/loupebook/search/fusion.json``.

Run: ``python tests/benchmarks/learn_fusion.py [--world SEED] [--test SEED] [--rendered FOLDER]
[--test-rendered FOLDER] [--write]``. Learns on one world of ``local_worlds`` and on rendered
worlds (folders that ``bench retrieval`` keeps: FOLDER, and FOLDER-queries beside it), and
reports on others; every query is drawn or rendered, none is a photograph. Weights come from
the softmax over the candidates of a query (which of them is the right design?), the offset
from logistic regression over all candidates, right and wrong ones weighing the same: a
similarity is the probability at even odds beforehand.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

import local_worlds
import numpy as np
from scipy.optimize import minimize
from scipy.special import logsumexp

import loupebook.search.fuse
from loupebook.bench.capture import shoot
from loupebook.bench.cases import FILLS, demo_case
from loupebook.encoders import load_encoder
from loupebook.errors import LoupebookError
from loupebook.search import EmbeddingArm, QueryPhoto
from loupebook.search.find import best_of_both
from loupebook.search.local.arm import LocalArm

QUERIES = {"label": 14, "cap": 14, "picture": 7}
"""Queries of each kind and share of the frame."""
CANDIDATES = 60
LEARNED_UP_TO = 100.0
"""Local score up to which its worth is learned."""
MOST_LOCAL = 200.0
"""Local score up to which it counts: the seals of the demo set needed what lies above."""
CENTRE_LOCAL = 10.0
"""Local score that chance or repeated ornament rarely reaches."""


@dataclass(frozen=True)
class Asked:
    """The candidates of one query: scores of both arms, and which are the right design."""

    kind: str
    embedding: np.ndarray
    local: np.ndarray
    right: np.ndarray


def ask(seed: int) -> list[Asked]:
    """Put a world's queries to both arms."""
    items = local_worlds.make_items(120, 120, seed=seed)
    backdrop = local_worlds.backdrop_pictures()
    asked = []
    with tempfile.TemporaryDirectory() as folder:
        embedding = EmbeddingArm(Path(folder) / "e", load_encoder(), set_id="learn")
        local = LocalArm(Path(folder) / "l", set_id="learn")
        for arm in (embedding, local):
            arm.sync({n: item.name for n, item in enumerate(items)}, lambda n: items[n].pixels)
        for kind, count in QUERIES.items():
            group = [item for item in items if item.kind == kind]
            for band, (low, high) in enumerate(FILLS.values()):
                for number in range(count):
                    rng = np.random.default_rng([band, number, len(kind), seed])
                    item = group[number * 7 % len(group)]
                    shot = shoot(
                        rng, item.pixels, rng.uniform(low, high), backdrop,
                        bend=item.bend, is_round=item.round,
                    )  # fmt: skip
                    right = np.array([other is item for other in items])
                    asked.append(candidates(embedding, local, shot.pixels, right, f"{kind}{band}"))
    return asked


def ask_rendered(folder: Path) -> list[Asked]:
    """Put the queries of a rendered world to both arms; right is the right edition."""
    case = demo_case(folder, folder.with_name(f"{folder.name}-queries"))
    editions = np.array([one.design for one in case.references])
    asked = []
    with tempfile.TemporaryDirectory() as kept:
        embedding = EmbeddingArm(Path(kept) / "e", load_encoder(), set_id="learn")
        local = LocalArm(Path(kept) / "l", set_id="learn")
        for arm in (embedding, local):
            arm.sync({n: str(n) for n in range(len(editions))}, lambda n: case.references[n].read())
        for query in case.queries:
            right = editions == query.design
            if right.any():
                kind = query.strata["element"]
                asked.append(candidates(embedding, local, query.read(), right, kind))
    return asked


def candidates(
    embedding: EmbeddingArm, local: LocalArm, pixels: np.ndarray, right: np.ndarray, kind: str
) -> Asked:
    """Score one query by both arms, the item found looked at again."""
    query = QueryPhoto(pixels)
    near = embedding.find(query, limit=400)
    placed = local.find(query)
    if placed:
        try:
            item = replace(query, region=placed[0].outline, upright=True)
            again = embedding.find(item, limit=400)
            near = best_of_both(near, again)
        except LoupebookError:
            pass
    cosine = {hit.photo_id: hit.score for hit in near}
    score = {hit.photo_id: hit.score for hit in placed}
    ids = sorted({hit.photo_id for hit in near[:CANDIDATES]} | set(score))
    floor = near[-1].score
    return Asked(
        kind,
        np.array([cosine.get(n, floor) for n in ids]),
        np.minimum([score.get(n, 0.0) for n in ids], LEARNED_UP_TO),
        right[ids],
    )


def learn(asked: list[Asked]) -> tuple[float, float, float]:
    """Return the weights of both scores and the cosine that balances a local score of 0."""
    told = [one for one in asked if one.right.any()]

    def surprise(weights: np.ndarray) -> float:
        total = 1e-4 * float((weights**2).sum())
        for one in told:
            evidence = weights[0] * one.embedding + weights[1] / 30 * one.local
            total += (logsumexp(evidence) - logsumexp(evidence[one.right])) / len(told)
        return total

    first, second = minimize(surprise, [10.0, 3.0], method="BFGS").x
    cosine, local = (np.concatenate([getattr(o, n) for o in asked]) for n in ("embedding", "local"))
    right = np.concatenate([one.right for one in asked])
    evidence = first * cosine + second / 30 * local

    def offset_surprise(offset: np.ndarray) -> float:
        apart = evidence - offset[0]
        missed = np.logaddexp(0, -apart[right]).mean()
        return float(missed + np.logaddexp(0, apart[~right]).mean())

    offset = minimize(offset_surprise, [first * 0.8], method="Nelder-Mead").x[0]
    return float(first), float(second / 30), float(offset / first)


def report(asked: list[Asked], weights: tuple[float, float, float]) -> None:
    """Print recall@1 of each arm and of both."""
    first, second, _ = weights
    print("kind       n  embedding  local  fused")
    rows = {}
    for one in asked:
        fused = first * one.embedding + second * one.local
        found = [s.max() > 0 and one.right[s.argmax()] for s in (one.embedding, one.local, fused)]
        rows.setdefault(one.kind, []).append(found)
    for kind, found in sorted(rows.items()):
        share = np.mean(found, axis=0)
        print(f"{kind:9} {len(found):3} {share[0]:10.2f} {share[1]:6.2f} {share[2]:6.2f}")
    every = np.mean([f for found in rows.values() for f in found], axis=0)
    print(f"{'all':9} {len(asked):3} {every[0]:10.3f} {every[1]:6.3f} {every[2]:6.3f}", flush=True)


def main() -> None:
    """Learn, report, and write if asked to."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--world", type=int, default=2)
    parser.add_argument("--test", type=int)
    parser.add_argument("--rendered", type=Path, action="append", default=[])
    parser.add_argument("--test-rendered", type=Path, action="append", default=[])
    parser.add_argument("--write", action="store_true")
    given = parser.parse_args()
    asked = ask(given.world) + [one for folder in given.rendered for one in ask_rendered(folder)]
    weights = learn(asked)
    first, second, balanced = weights
    worth = {
        "learned": " ".join(
            [f"tests/benchmarks/learn_fusion.py --world {given.world}"]
            + [f"--rendered {folder.name}" for folder in given.rendered]
        ),
        "arms": {
            "embedding": {
                "weight": round(first, 2),
                "centre": round(balanced - second * CENTRE_LOCAL / first, 4),
                "most": 1.0,
            },
            "local": {
                "weight": round(second, 4),
                "centre": CENTRE_LOCAL,
                "most": MOST_LOCAL,
                "least": 0.0,
            },
        },
    }
    print(json.dumps(worth, indent=2))
    report(asked, weights)
    if given.test is not None:
        report(ask(given.test), weights)
    for folder in given.test_rendered:
        report(ask_rendered(folder), weights)
    if given.write:
        path = Path(loupebook.search.fuse.__file__).with_name("fusion.json")
        path.write_text(json.dumps(worth, indent=2) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
