"""Benchmarks of add and search on registry pictures."""

from __future__ import annotations

import io
import json
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from statistics import median

import numpy as np
from PIL import Image

from loupebook.encoders import Encoder, load_encoder
from loupebook.library import Library, SpecimenRecord, check_photo, decode_photo
from loupebook.records.model import Element, Standing
from loupebook.search import QueryPhoto
from loupebook.search.local.arm import LocalArm
from loupebook.search.local.features import Features, root
from registry_pictures import distinct_openmoji, on_white, vendor_emoji

Row = dict[str, object]


def _specimen(name: str) -> SpecimenRecord:
    return SpecimenRecord(name=name, element=Element.SEAL, standing=Standing.GENUINE)


def _jpeg(picture: Image.Image, quality: int) -> bytes:
    target = io.BytesIO()
    picture.save(target, "JPEG", quality=quality)
    return target.getvalue()


def _openmoji_set(work: Path, count: int) -> tuple[Path, list[Path]]:
    """Build (once) a set of distinct OpenMoji pictures of 400 px; return it and the files."""
    folder, photos = work / f"openmoji-{count}", work / f"openmoji-{count}-photos"
    if not photos.is_dir():
        photos.mkdir(parents=True)
        for name, picture in distinct_openmoji(count):
            picture.save(photos / f"{name}.png")
    files = sorted(photos.glob("*.png"))
    if not folder.is_dir():
        with Library.create(folder) as library:
            report = library.add_files([photos], _specimen, by="benchmark")
            assert report.ok, report.faults[:3]
            library.sync()
    return folder, files


def _timed(work: Callable[[], object], repeats: int) -> float:
    """Return the median time of `work` in ms."""
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        times.append((time.perf_counter() - start) * 1000)
    return median(times)


def time_one_search(work: Path) -> list[Row]:
    """One search on 1,200 photos with a 12-megapixel JPEG, part by part (medians)."""
    folder, files = _openmoji_set(work, 1200)
    small = Image.open(files[5]).resize((3000, 3000))
    frame = Image.new("RGB", (4000, 3000), (128, 128, 128))
    frame.paste(small, (500, 0))
    data = _jpeg(frame, 90)
    rows: list[Row] = []
    with Library.open(folder) as library:
        encoder = library.encoder()
        library.search(data)
        reports = [library.search(data) for _ in range(9)]
        for part in reports[0].timings_ms:
            times = [report.timings_ms[part] for report in reports]
            rows.append({"part": part, "ms": median(times)})
        rows.append({"part": "whole search", "ms": median(r.elapsed_ms for r in reports)})
        pixels = decode_photo(data).pixels
        rows.append({"part": "embed one view", "ms": _timed(lambda: encoder.embed([pixels]), 9)})
        for arm in library.arms():
            fresh = _timed(lambda arm=arm: arm.find(QueryPhoto(pixels)), 9)
            rows.append({"part": f"{arm.name} arm", "ms": fresh})
            query = QueryPhoto(pixels)
            arm.find(query)
            again = _timed(lambda arm=arm, query=query: arm.find(query), 9)
            rows.append({"part": f"{arm.name} arm, same query again: index alone", "ms": again})
        shown = [match.photo_id for match in reports[0].matches]

        def render() -> None:
            json.dumps(reports[0].to_dict())
            for photo in shown:
                library.thumbnail(photo)

        rows.append({"part": "render (JSON, 10 thumbnails)", "ms": _timed(render, 9)})
        rows.append({"part": "photo check alone", "ms": _timed(lambda: check_photo(pixels), 9)})
    return rows


def encoder_throughput(work: Path) -> list[Row]:
    """Photos a second through `embed` beside the bare network on the same tensors."""
    del work
    encoder = load_encoder()
    pictures = [np.asarray(picture) for _, picture in distinct_openmoji(64)]
    tensors = [encoder.preprocess.batch(pictures[start : start + 16]) for start in (0, 16, 32, 48)]

    def bare() -> None:
        for batch in tensors:
            encoder.embed_batch(batch)

    bare()
    # In turns and the best of each, so that other work on the machine weighs on both alike.
    bare_times, embed_times = [], []
    for _ in range(9):
        bare_times.append(_timed(bare, 1))
        embed_times.append(_timed(lambda: encoder.embed(pictures), 1))
    bare_ms, embed_ms = min(bare_times), min(embed_times)
    single = _timed(lambda: encoder.embed(pictures[:1]), 9)
    return [
        {"what": "bare network, photos/s", "value": 64_000 / bare_ms},
        {"what": "embed, photos/s", "value": 64_000 / embed_ms},
        {"what": "embed / bare (target >= 0.8)", "value": bare_ms / embed_ms},
        {"what": "one photo, ms (median)", "value": single},
    ]


_OPENING = """
import resource, sys, time
from pathlib import Path
from loupebook.encoders import load_encoder
from loupebook.library import Library
import numpy as np
load_encoder().embed([np.zeros((64, 64, 3), np.uint8)])
start = time.perf_counter()
library = Library.open(Path(sys.argv[1]))
library._encoder = load_encoder()
loaded = time.perf_counter()
answer = library.search(Path(sys.argv[2]))
done = time.perf_counter()
again = library.search(Path(sys.argv[2]))
assert len(answer.matches) == 10
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
print(loaded - start, done - loaded, again.elapsed_ms / 1000, peak)
"""


class _RandomVectors:
    """Passes for an encoder and gives random vectors: an index as large, made in no time."""

    def __init__(self, encoder: Encoder) -> None:
        self.name, self.fingerprint, self.dim = encoder.name, encoder.fingerprint, encoder.dim
        self._rng = np.random.default_rng(1)

    def embed(self, pictures: Sequence[np.ndarray], *, batch_size: int = 16) -> np.ndarray:
        rows = self._rng.normal(size=(len(pictures), self.dim)).astype(np.float32)
        return rows / np.linalg.norm(rows, axis=1, keepdims=True)


def _put_random_patches(library: Library) -> None:
    """Fill the local arm's store, 700 patches a photo."""
    rng = np.random.default_rng(2)
    (local,) = (arm for arm in library.arms() if isinstance(arm, LocalArm))
    store = local._open()
    for start in range(0, 10_000, 500):
        photos = [library.photo(number + 1) for number in range(start, start + 500)]
        store.put([(photo.photo_id, photo.sha256, _random_patches(rng, 700)) for photo in photos])
    # What the arm's own sync does when it has put photos in.
    local._ready()


def _random_patches(rng: np.random.Generator, count: int) -> Features:
    values = rng.gamma(0.6, 40, (count, 128)).astype(np.float32)
    return Features(
        xy=rng.uniform(0, 256, (count, 2)).astype(np.float32),
        size=rng.uniform(2, 20, count).astype(np.float32),
        angle=rng.uniform(0, 6.28, count).astype(np.float32),
        descriptors=root(values**2),
        width=256,
        height=256,
    )


def open_ten_thousand(work: Path) -> list[Row]:
    """Open a set of 10,000 photos in a fresh process; model load is left out of the time.

    The vectors and patches in its indexes are random: opening does not care, and taking them
    from photos takes long.
    """
    folder, photos = work / "ten-thousand", work / "ten-thousand-photos"
    if not (work / "ten-thousand.txt").is_file():
        shutil.rmtree(photos, ignore_errors=True)
        shutil.rmtree(folder, ignore_errors=True)
        photos.mkdir(parents=True)
        rng = np.random.default_rng(1)
        for number in range(10_000):
            coarse = rng.integers(0, 256, (8, 8, 3), dtype=np.uint8)
            picture = Image.fromarray(coarse).resize((256, 256), Image.Resampling.BICUBIC)
            picture.save(photos / f"{number:05d}.jpg", quality=85)
        start = time.perf_counter()
        with Library.create(folder) as library:
            library._encoder = _RandomVectors(load_encoder())
            assert library.add_files([photos], _specimen, by="benchmark").ok
            added = time.perf_counter()
            _put_random_patches(library)
            library.sync()
        (work / "ten-thousand.txt").write_text(f"{added - start}")
    adding = float((work / "ten-thousand.txt").read_text())
    query = photos / "00042.jpg"
    done = subprocess.run(
        [sys.executable, "-c", _OPENING, str(folder), str(query)],
        capture_output=True,
        text=True,
        check=True,
    )
    loaded, first, later, peak = (float(word) for word in done.stdout.split())
    return [
        {"what": "add 10,000 photos, s", "value": adding},
        {"what": "open (fingerprint of a second encoder included), s", "value": loaded},
        {"what": "first answer after that (target < 2), s", "value": first},
        {"what": "later answer, s", "value": later},
        {"what": "peak memory, MiB", "value": peak},
    ]


def registry_self_retrieval(work: Path) -> list[Row]:
    """Each of 1,200 pictures re-saved at quality 60, halved and turned: itself at rank 1?"""
    folder, files = _openmoji_set(work, 1200)
    rows: list[Row] = []
    with Library.open(folder) as library:
        same = min(
            library.search(file.read_bytes(), k=1).matches[0].detail["scores"]["embedding"]
            for file in files[::12]
        )
        rows.append(
            {"change": "none, smallest cosine with itself", "pictures": len(files[::12]),
             "value": same, "found instead": ""}
        )  # fmt: skip
        for turn in (90, 180, 270):
            missed = []
            for file in files:
                picture = Image.open(file)
                halved = picture.resize((picture.width // 2, picture.height // 2))
                query = _jpeg(halved.rotate(turn, expand=True), 60)
                first = library.search(query, k=1).matches[0].specimen
                if first != file.stem:
                    missed.append(f"{file.stem}: {first}")
            rows.append(
                {"change": f"q60, 50 %, {turn} degrees, share at rank 1", "pictures": len(files),
                 "value": 1 - len(missed) / len(files), "found instead": ", ".join(missed)}
            )  # fmt: skip
            print(rows[-1], flush=True)
    return rows


def across_vendors(work: Path) -> list[Row]:
    """800 code points: Noto Emoji pictures as references, Twemoji pictures as queries."""
    google, twitter = vendor_emoji("google", work), vendor_emoji("twitter", work)
    names = sorted(set(google) & set(twitter))
    names = [names[round(i)] for i in np.linspace(0, len(names) - 1, 800)]
    folder = work / "vendors"
    shutil.rmtree(folder, ignore_errors=True)
    photos = work / "vendors-photos"
    photos.mkdir(parents=True, exist_ok=True)
    for name in names:
        on_white(google[name]).save(photos / f"{name}.png")
    with Library.create(folder) as library:
        assert library.add_files([photos], _specimen, by="benchmark").ok
        ranks = []
        for name in names:
            matches = library.search(np.asarray(on_white(twitter[name])), k=10).matches
            found = [match.specimen for match in matches]
            ranks.append(found.index(name) if name in found else 99)
    return [
        {"code points": len(names), "recall@1": float(np.mean(np.array(ranks) == 0)),
         "recall@10": float(np.mean(np.array(ranks) < 10))}
    ]  # fmt: skip
