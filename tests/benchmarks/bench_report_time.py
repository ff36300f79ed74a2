"""How long the set report takes, and how that grows: `bench_report_time.py PHOTOS...`.

Each size is a process of its own, so that peak memory is that size's. Pictures are those of
the demo set (rendered, invented), each laid on a table of its own, warped and lit at random,
so that photos of one edition show one print and no two are the same picture. Vectors are made
up. Two photos a specimen, twenty specimens an edition, five of each print origin.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
sys.path[:0] = [str(HERE.parent), str(HERE)]

from table import print_table, save_tables

from invented_prints import CAMERAS, encoded
from loupebook.bench.cases import BenchReference, demo_case
from loupebook.encoders.threads import core_count
from loupebook.evidence.table import PhotoTable
from loupebook.imaging import decode_photo
from loupebook.records.catalogue import Catalogue
from loupebook.records.model import Element, Lighting, NewPhoto, SpecimenRecord, Standing, View
from loupebook.setreport import ReportContext, report_on_set
from loupebook.setreport import report as making

Row = dict[str, object]
DIM = 512
A_SPECIMEN, AN_EDITION, AN_ORIGIN = 2, 20, 5
APART, DISTURBED = 0.75, 0.35
"""Noise of editions about the marque and of photos about the edition, of length 1."""


def varied(pixels: np.ndarray, rng: np.random.Generator) -> bytes:
    """Return a picture of the same item elsewhere: warped, lit, on a table of its own."""
    height, width = pixels.shape[:2]
    corners = np.float32([[0, 0], [width, 0], [width, height], [0, height]])
    placed = corners + rng.normal(0, 0.05 * width, (4, 2)).astype(np.float32)
    mapping = cv2.getPerspectiveTransform(corners, placed)
    coarse = (rng.uniform(30, 225, 3) + rng.normal(0, 30, (12, 16, 3))).astype(np.float32)
    scene = cv2.resize(coarse, (width, height), interpolation=cv2.INTER_CUBIC)
    down, across = height // 5, width // 5
    item = cv2.warpPerspective(pixels, mapping, (width, height), borderMode=cv2.BORDER_REFLECT)
    scene[down:-down, across:-across] = item[down:-down, across:-across]
    lit = scene * (rng.uniform(0.8, 1.15, 3) + np.linspace(-0.1, 0.1, width)[None, :, None])
    noisy = lit + rng.normal(0, 2, lit.shape)
    return encoded(np.clip(noisy, 0, 255).astype(np.uint8), quality=85)


def specimens(count: int) -> Iterator[SpecimenRecord]:
    """Yield records, edition by edition, half of each genuine."""
    for number in range(count):
        edition, place = divmod(number, AN_EDITION)
        fake = place >= AN_EDITION // 2
        yield SpecimenRecord(
            f"S-{number:05d}",
            Element.BAND,
            Standing.FAKE if fake else Standing.GENUINE,
            marque=f"Marque {edition // 2}",
            edition=f"Edition {edition}",
            origin=f"press {edition}-{place // AN_ORIGIN}" if fake else None,
        )


def fill(catalogue: Catalogue, photos: int, references: Sequence[BenchReference]) -> None:
    """Record specimens with their pictures."""
    rng = np.random.default_rng(1)
    pictures = [reference.read() for reference in references[:: max(1, len(references) // 60)]]
    for number, record in enumerate(specimens(photos // A_SPECIMEN)):
        taken = []
        for place in range(A_SPECIMEN):
            pixels = pictures[(number // AN_EDITION + place) % len(pictures)]
            height, width = pixels.shape[:2]
            taken.append(
                NewPhoto(
                    varied(pixels, rng), f"{record.name}-{place}.jpg", "image/jpeg", width, height,
                    View.FACE, (Lighting.DIFFUSE, Lighting.RAKING)[place],
                    camera=CAMERAS[int(rng.integers(len(CAMERAS)))],
                )
            )  # fmt: skip
        catalogue.add_specimen(record, taken, by="bench")


def made_up_vectors(table: PhotoTable) -> np.ndarray:
    """Return unit vectors: editions about their marque, photos about their edition."""
    rng = np.random.default_rng(2)

    def drawn() -> np.ndarray:
        return rng.normal(0, 1 / np.sqrt(DIM), DIM)

    marques: dict[object, np.ndarray] = {}
    editions: dict[object, np.ndarray] = {}
    rows = np.empty((len(table), DIM), np.float32)
    for place, fact in enumerate(table.facts):
        marque = marques.setdefault(fact.marque, drawn())
        edition = editions.setdefault(fact.edition, marque + APART * drawn())
        rows[place] = edition + DISTURBED * drawn()
    return rows / np.linalg.norm(rows, axis=1, keepdims=True)


def measure(photos: int) -> Row:
    """Report on one set and time its sections."""
    case = demo_case(ROOT / "reference_sets/demo", ROOT / "reference_sets/demo_queries")
    laps: dict[str, float] = {}
    make = making._make

    def timed(context: ReportContext, name: str) -> object:
        start = time.perf_counter()
        section = make(context, name)
        laps[name] = time.perf_counter() - start
        return section

    making._make = timed  # type: ignore[assignment]
    with (
        tempfile.TemporaryDirectory() as scratch,
        Catalogue.create(Path(scratch) / "set", name="bench", notice="Rendered, varied") as held,
    ):
        fill(held, photos, case.references)
        facts = held.facts()
        table = PhotoTable.of(facts, sorted(facts))
        context = ReportContext(
            folder=held.folder, info=held.info(), specimens=tuple(held.specimens()),
            photos={photo.photo_id: photo for photo in held.photos()}, table=table,
            vectors=made_up_vectors(table), encoder="made up", fingerprint="0" * 64,
            read=lambda photo: decode_photo(held.photo_bytes(photo)).pixels,
        )  # fmt: skip
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        wall, work = time.perf_counter(), time.process_time()
        report_on_set(context)
        wall, work = time.perf_counter() - wall, time.process_time() - work
    return {
        "photos": photos,
        "cores used": core_count(),
        "report, s": round(wall, 1),
        "processor time, s": round(work, 1),
        "duplicates, s": round(laps.pop("duplicates"), 1),
        "slowest others, s": ", ".join(
            f"{name} {laps[name]:.1f}" for name in sorted(laps, key=lambda n: -laps[n])[:3]
        ),
        "peak memory, MiB": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024),
        "before it, MiB": round(before),
    }


def grown(rows: Sequence[Row]) -> list[Row]:
    """Return by what power of the number of photos the time grows, size to size."""
    made: list[Row] = []
    for small, large in pairwise(rows):
        more = float(str(large["photos"])) / float(str(small["photos"]))
        longer = float(str(large["processor time, s"])) / float(str(small["processor time, s"]))
        made.append(
            {
                "from": small["photos"],
                "to": large["photos"],
                "processor time": f"x {longer:.1f}",
                "power of the number of photos": round(float(np.log(longer) / np.log(more)), 2),
            }
        )
    return made


def main() -> None:
    """Measure the sizes named, a process each."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("photos", type=int, nargs="+")
    parser.add_argument("--out", type=Path, help="write the tables as Markdown")
    options = parser.parse_args()
    if len(options.photos) == 1:
        row = measure(options.photos[0])
        print(json.dumps(row))
        return
    rows: list[Row] = []
    for photos in options.photos:
        command = [sys.executable, __file__, str(photos)]
        done = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True)
        rows.append(json.loads(done.stdout.splitlines()[-1]))
        print_table("Report time", rows)
    if options.out:
        command_line = "python tests/benchmarks/bench_report_time.py " + " ".join(
            map(str, options.photos)
        )
        tables = {"Time and memory": rows, "Growth": grown(rows)}
        notes = ["Pictures are rendered ones, varied at random; vectors are made up."]
        save_tables(options.out, "Time of the set report", command_line, tables, notes)


if __name__ == "__main__":
    main()
