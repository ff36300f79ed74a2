"""One whole search as the set grows: real references among made-up ones.

The demo set's photos are the real part. The others are made up, photo by photo, from patches
and vectors of the demo set, mixed and disturbed: they take the time, memory and chance
likeness of as many photos, and show nothing that a query shows. ``--patches`` gives them fewer
patches each: a set of a million indexes only the strongest of every photo, and the disk need
not hold the others. Recall is that of the local arm against matching every real photo: whether
the photo that agrees best by its patches is among those that it verified.
"""

from __future__ import annotations

import argparse
import resource
import time
from collections.abc import Iterator
from pathlib import Path

import faiss
import numpy as np

from loupebook.bench.cases import BenchCase, demo_case
from loupebook.encoders import load_encoder
from loupebook.records.model import (
    Element,
    IntakeState,
    Lighting,
    PhotoFacts,
    Standing,
    View,
)
from loupebook.search import EmbeddingArm, QueryPhoto, search_set
from loupebook.search.local.arm import LocalArm, query_features
from loupebook.search.local.features import REFERENCE, Features
from loupebook.search.local.pair import match_pair
from loupebook.search.vector_store import PhotoVectors

Row = dict[str, object]
ROOT = Path(__file__).resolve().parents[2]
BATCH = 500
DISTURBED = 20
"""Standard deviation of the noise on patches, in their steps of 1/512."""


class Grown:
    """Both arms over the demo set and a number of made-up photos.

    Parameters
    ----------
    folder : Path
        Where derived state is kept between runs.
    case : BenchCase
        The demo set.
    photos : int
        How many photos there are to be in all.
    patches : int
        How many patches each made-up one has.
    """

    def __init__(self, folder: Path, case: BenchCase, photos: int, patches: int) -> None:
        self.case, self.photos, self.patches = case, photos, patches
        encoder = load_encoder()
        self.embedding = EmbeddingArm(folder / "embeddings", encoder, set_id="growth")
        self.local = LocalArm(folder / "local", set_id="growth")
        real = {number: f"demo {number}" for number in range(len(case.references))}
        held = self.local._open().held().photos
        if len(held) < len(real):
            for arm in (self.embedding, self.local):
                arm.sync(real, lambda number: case.references[number].read())
            held = real
        self._grow(sorted(held), encoder.dim)

    def _grow(self, held: list[int], dim: int) -> None:
        store, vectors = self.local._open(), self.embedding._open()
        row_of_photo = store.held().row_of_photo
        rows = [row_of_photo[number] for number in range(len(self.case.references))]
        taken = [features for _, features in store.features(rows)]
        patches = np.concatenate([features.descriptors for features in taken])
        whole = self.embedding.held_vectors()[1]
        rng = np.random.default_rng(len(held))
        for start in range(len(held), self.photos, BATCH):
            ids = range(start, min(start + BATCH, self.photos))
            store.put(
                [(n, f"made up {n}", _made_up(rng, patches, taken, self.patches)) for n in ids]
            )
            vectors.put(
                [PhotoVectors(n, f"made up {n}", {"whole": _mixed(rng, whole, dim)}) for n in ids]
            )

    def surest(self, pixels: np.ndarray) -> int | None:
        """Match every real photo with a query: the one that agrees best, if any does."""
        rows = self.local._open().held().row_of_photo
        asked = query_features(QueryPhoto(pixels))
        real = {rows[number]: number for number in range(len(self.case.references))}
        scores = {
            real[row]: match_pair(asked, features).score
            for row, features in self.local._open().features(list(real))
        }
        best = max(scores, key=scores.__getitem__)
        return best if scores[best] > 0 else None

    def facts(self) -> dict[int, PhotoFacts]:
        """Facts of all photos; a made-up one is a specimen of its own."""
        known = {}
        for number in range(self.photos):
            real = number < len(self.case.references)
            reference = self.case.references[number] if real else None
            known[number] = PhotoFacts(
                specimen=reference.specimen if reference else f"made up {number}",
                element=Element.BAND,
                standing=Standing(reference.standing) if reference else Standing.GENUINE,
                marque=None,
                edition=reference.design if reference else None,
                origin=None,
                view=View.FACE,
                lighting=Lighting.DIFFUSE,
                state=IntakeState.CONFIRMED,
            )
        return known


def _made_up(
    rng: np.random.Generator, patches: np.ndarray, taken: list[Features], count: int
) -> Features:
    frame = taken[int(rng.integers(len(taken)))]
    chosen = patches[rng.integers(len(patches), size=count)].astype(np.float32)
    disturbed = np.abs(chosen + rng.normal(0, DISTURBED, chosen.shape).astype(np.float32))
    longest = max(frame.width, frame.height)
    return Features(
        xy=(rng.random((count, 2)) * (frame.width, frame.height)).astype(np.float32),
        size=(longest * np.exp2(rng.uniform(-8, -3, count))).astype(np.float32),
        angle=rng.uniform(0, 2 * np.pi, count).astype(np.float32),
        descriptors=np.minimum(disturbed, 255).astype(np.uint8),
        width=frame.width,
        height=frame.height,
    )


def _mixed(rng: np.random.Generator, whole: np.ndarray, dim: int) -> np.ndarray:
    pair = whole[rng.integers(len(whole), size=2)].sum(axis=0) / 2
    mixed = pair + rng.normal(0, 0.6 / np.sqrt(dim), dim)
    return (mixed / np.linalg.norm(mixed)).astype(np.float32)


def queries(case: BenchCase, most: int) -> Iterator[tuple[str, np.ndarray]]:
    """Yield designs and pixels of queries whose edition is in the set."""
    known = {reference.design for reference in case.references}
    fit = [query for query in case.queries if query.design in known]
    for query in fit[:: max(1, len(fit) // most)][:most]:
        yield query.design, query.read()


def measure(
    folder: Path, case: BenchCase, photos: int, asked: int, patches: int = REFERENCE.most
) -> Row:
    """Search a set of `photos` photos with `asked` queries."""
    began = time.perf_counter()
    grown = Grown(folder, case, photos, patches)
    arms, facts = [grown.embedding, grown.local], grown.facts()
    put = time.perf_counter() - began
    began = time.perf_counter()
    for arm in arms:
        arm.find(QueryPhoto(np.full((64, 64, 3), 128, np.uint8)))
        arm._ready()
    opened = time.perf_counter() - began
    walls, works, right, kept = [], [], [], []
    for design, pixels in queries(case, asked):
        wall, work = time.perf_counter(), time.process_time()
        result = search_set(arms, QueryPhoto(pixels), facts)
        walls.append(time.perf_counter() - wall)
        works.append(time.process_time() - work)
        first = result.matches[0] if result.matches else None
        right.append(first is not None and facts[first.photo_id].edition == design)
        best = grown.surest(pixels)
        if best is not None:
            kept.append(best in {hit.photo_id for hit in grown.local.find(QueryPhoto(pixels))})
    memory, peak = own_memory(), resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    held = grown.local._ready().index
    index = held.faiss_index
    for arm in arms:
        arm.close()
    return {
        "photos": photos,
        "kind": type(faiss.downcast_index(getattr(index, "index", index))).__name__,
        "patches": index.ntotal,
        "indexed a photo": held.a_photo,
        "put, s": put,
        "index ready, s": opened,
        "search median, s": float(np.median(walls[1:])),
        "slowest, s": max(walls[1:]),
        "processor time, s": float(np.median(works[1:])),
        "edition R@1": float(np.mean(right)),
        "recall": float(np.mean(kept)),
        "index files, MiB": sum(f.stat().st_size for f in folder.rglob("*.index")) / 2**20,
        "its own memory, MiB": memory,
        "peak memory, MiB": peak,
    }


def own_memory() -> float:
    """Return MiB that this process holds itself: without pages of files, which can be dropped."""
    status = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
    return next(int(line.split()[1]) for line in status if line.startswith("RssAnon")) / 1024


def main() -> None:
    """Measure one size: a process each, so that peak memory is that size's."""
    from table import print_table, save_rows

    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("photos", type=int)
    parser.add_argument("--queries", type=int, default=24)
    parser.add_argument("--patches", type=int, default=REFERENCE.most, help="of a made-up photo")
    parser.add_argument("--work", type=Path, default=Path("bench_out/work"))
    given = parser.parse_args()
    case = demo_case(ROOT / "reference_sets/demo", ROOT / "reference_sets/demo_queries")
    folder = given.work / f"growth-{given.photos}-{given.patches}"
    row = measure(folder, case, given.photos, given.queries, given.patches)
    print_table("growth", [row])
    save_rows(given.work.parent / f"growth-{given.photos}.json", "growth", [row])


if __name__ == "__main__":
    main()
