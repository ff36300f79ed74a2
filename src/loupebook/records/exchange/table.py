"""The photos of a set as one table, in the form that ``loupebook add --manifest`` reads."""

from __future__ import annotations

import csv
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from loupebook.records.manifest import COLUMNS
from loupebook.records.manifest_cells import guarded, serial_cell
from loupebook.records.model import SpecimenRecord

TABLE_FILE = "manifest.csv"


def write_table(path: Path, rows: Iterable[tuple[SpecimenRecord, dict[str, Any]]]) -> None:
    """Write a row a photo.

    Parameters
    ----------
    path : Path
        The CSV file.
    rows : iterable of (SpecimenRecord, dict)
        A specimen, and the line of one of its photos as in ``photos.jsonl``.
    """
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(COLUMNS)
        for record, photo in rows:
            cells = _cells(record, photo)
            writer.writerow([guarded(cells[column]) for column in COLUMNS])


def _cells(record: SpecimenRecord, photo: dict[str, Any]) -> dict[str, str]:
    known = record.provenance
    scale = photo["px_per_mm"]
    return {
        "path": photo["file"],
        "specimen": record.name,
        "element": record.element.value,
        "standing": record.standing.value,
        "marque": record.marque or "",
        "edition": record.edition or "",
        "origin": record.origin or "",
        "view": photo["view"],
        "lighting": photo["lighting"],
        "source": known.source or "",
        "confirmed_by": known.confirmed_by or "",
        "confirmed_on": known.confirmed_on or "",
        "basis": known.basis or "",
        "serial": serial_cell(record.serials),
        "notes": record.notes or "",
        "px_per_mm": "" if scale is None else repr(scale),
        "state": record.state.value,
    }
