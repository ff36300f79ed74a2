"""What a retrieval benchmark is run on: references whose answer is known, and queries.

A design is what search has to find: an edition, or in real photo collections the item.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from loupebook.errors import BenchInvalid
from loupebook.imaging import decode_photo, resize_to_fit

FILLS = {"10-20 %": (0.1, 0.2), "20-40 %": (0.2, 0.4), "40-80 %": (0.4, 0.8)}
"""Shares of the frame that an item fills, by which figures are broken down."""
LONGEST = 2048
"""Photos are brought to at most this many px a side; no method looks closer."""


@dataclass(frozen=True)
class BenchReference:
    """One reference photo.

    Parameters
    ----------
    read : callable
        Returns its pixels, uint8 sRGB (height, width, 3).
    design : str
        What it shows.
    specimen : str
        The object photographed; the unit that figures count.
    standing, origin, marque, element, view, lighting : str
        As in the catalogue; empty where the collection has none.
    px_per_mm : float, optional
        Scale of the photo as `read` returns it, where it is known.
    """

    read: Callable[[], NDArray[np.uint8]] = field(repr=False)
    design: str
    specimen: str
    standing: str = ""
    origin: str = ""
    marque: str = ""
    element: str = ""
    view: str = ""
    lighting: str = ""
    px_per_mm: float | None = None


@dataclass(frozen=True)
class BenchQuery:
    """One query with its answer.

    Parameters
    ----------
    read : callable
        Returns its pixels.
    design, specimen, standing, origin : str
        As for references; the specimen is the unit that intervals resample.
    outline : ndarray, optional
        Where the item lies, polygon (n, 2) in px.
    strata : mapping
        By what figures are broken down, such as ``{"element": "band"}``.
    """

    read: Callable[[], NDArray[np.uint8]] = field(repr=False)
    design: str
    specimen: str
    standing: str = ""
    origin: str = ""
    outline: NDArray[np.float64] | None = None
    strata: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class BenchCase:
    """References and queries under a name.

    Parameters
    ----------
    name, kind : str
        What it is called, and what kind of pictures it holds.
    references, queries : sequences
        What is searched, and what is asked.
    left_out : sequence of str
        What should be among them and could not be used, each with the reason.
    """

    name: str
    kind: str
    references: Sequence[BenchReference]
    queries: Sequence[BenchQuery]
    left_out: Sequence[str] = ()

    def sample(self, most: int | None, seed: int = 1) -> BenchCase:
        """Return the case with at most `most` queries, drawn at random."""
        if most is None or most >= len(self.queries):
            return self
        chosen = sorted(np.random.default_rng(seed).permutation(len(self.queries))[:most])
        return replace(self, queries=[self.queries[i] for i in chosen])


def file_reader(path: Path) -> Callable[[], NDArray[np.uint8]]:
    """Return what reads a photo when it is needed."""
    return lambda: resize_to_fit(decode_photo(path).pixels, LONGEST)


def scale_of(path: Path, recorded: str) -> float | None:
    """Return px a mm of a photo as :func:`file_reader` gives it; `None` where not to be had."""
    if not recorded:
        return None
    try:
        with Image.open(path) as photo:
            return float(recorded) * min(1.0, LONGEST / max(photo.size))
    except OSError:  # lost or damaged, which is said where the photo itself is read
        return None


def read_rows(path: Path, needed: Sequence[str]) -> list[dict[str, str]]:
    """Read a table.

    Raises
    ------
    BenchInvalid
        If it cannot be read, is empty or lacks a column.
    """
    try:
        # Spreadsheets write a byte order mark; a row may end early.
        with path.open(newline="", encoding="utf-8-sig") as stream:
            rows = list(csv.DictReader(stream, restval=""))
    except (OSError, UnicodeDecodeError, csv.Error) as exc:
        raise BenchInvalid(f"{path} cannot be read as a table: {exc}.") from exc
    missing = [name for name in needed if not rows or name not in rows[0]]
    if missing:
        raise BenchInvalid(f"{path} lacks the columns {', '.join(missing)}, or has no rows.")
    return rows


def demo_case(references: Path, queries: Path, *, name: str = "demo set") -> BenchCase:
    """Take a rendered world: a folder with ``manifest.csv`` and one with ``truth.csv``.

    Raises
    ------
    BenchInvalid
        If a table cannot be used.
    """
    known = read_rows(references / "manifest.csv", ("path", "specimen", "edition", "standing"))
    asked = read_rows(queries / "truth.csv", ("path", "group", "edition", "standing", "origin"))
    return BenchCase(
        name,
        "rendered, invented",
        [
            BenchReference(
                file_reader(references / row["path"]),
                row["edition"],
                row["specimen"],
                row["standing"],
                row["origin"],
                **{key: row.get(key, "") for key in ("marque", "element", "view", "lighting")},
                px_per_mm=scale_of(references / row["path"], row.get("px_per_mm", "")),
            )
            for row in known
        ],
        [
            BenchQuery(
                file_reader(queries / row["path"]),
                row["edition"],
                row["specimen"],
                row["standing"],
                row["origin"],
                strata={key: row[key] for key in ("group", "element", "lighting", "skill")}
                | frame_share(queries / row["path"]),
            )
            for row in asked
        ],
    )


def frame_share(photo: Path) -> dict[str, str]:
    """Return the stratum of a rendered photo by how much of it the item fills, where known.

    The ground truth that may lie beside the photo tells; without it there is no such stratum.
    """
    truth = photo.with_suffix(".truth.npz")
    if not truth.is_file():
        return {}
    with np.load(truth) as held:
        return {"fills": share_words(float(held["item"].mean()) / 255)}


def share_words(share: float) -> str:
    """Return among which of :data:`FILLS` a share of the frame lies, or that it is less or more."""
    for said, (low, high) in FILLS.items():
        if low <= share < high:
            return said
    return "less" if share < FILLS["10-20 %"][0] else "more"


def photo_case(manifest: Path) -> BenchCase:
    """Take one's own photos: a CSV with the columns path, item and role.

    Paths are relative to the table, by whose folder and name the case is called; role is
    ``reference`` or ``query``.

    Raises
    ------
    BenchInvalid
        If the table cannot be used.
    """
    rows = read_rows(manifest, ("path", "item", "role"))
    strange = sorted({row["role"] for row in rows} - {"reference", "query"})
    if strange:
        raise BenchInvalid(
            f"{manifest}: role must be 'reference' or 'query', not {', '.join(map(repr, strange))}."
        )
    folder = manifest.parent
    references = [
        BenchReference(file_reader(folder / row["path"]), row["item"], row["path"])
        for row in rows
        if row["role"] == "reference"
    ]
    queries = [
        BenchQuery(file_reader(folder / row["path"]), row["item"], row["item"])
        for row in rows
        if row["role"] == "query"
    ]
    if not references or not queries:
        raise BenchInvalid(f"{manifest} needs at least one reference and one query.")
    table = manifest.resolve()
    return BenchCase(f"{table.parent.name}/{table.stem}", "photographs", references, queries)
