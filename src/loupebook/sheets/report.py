"""A set report on paper."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from loupebook.records.model import SetInfo
from loupebook.sheets.paper import Paper
from loupebook.sheets.setting import page_data
from loupebook.sheets.typeset import typeset
from loupebook.sheets.words import printable

MOST_FINDINGS = 30
MOST_ROWS = 80
"""Findings and rows printed a section; the JSON form holds all."""
MOST_ILLUSTRATED = 10
"""Findings a section that are printed with their photos."""


@dataclass(frozen=True)
class PrintedSection:
    """One section, in plain values.

    Parameters
    ----------
    title, summary : str
        Heading and what it says.
    findings : sequence of (str, str, sequence of int)
        What was found, what to do, and the photos concerned.
    tables : sequence of (str, columns, rows)
        Captions and cells.
    plots : sequence of (str, str, str)
        Title, words, and the picture as SVG.
    """

    title: str
    summary: str
    findings: Sequence[tuple[str, str, Sequence[int]]] = ()
    tables: Sequence[tuple[str, Sequence[str], Sequence[Sequence[str]]]] = ()
    plots: Sequence[tuple[str, str, str]] = ()


def make_set_report(
    sections: Sequence[PrintedSection],
    info: SetInfo,
    *,
    about: str,
    closing: str,
    uv: bool,
    photos: Mapping[int, bytes],
    paper: Paper = Paper.A4,
    made_at: datetime | None = None,
) -> bytes:
    """Set a report as a PDF.

    Parameters
    ----------
    sections : sequence of PrintedSection
        In the order of reading.
    info : SetInfo
        The set.
    about : str
        What the report was made from.
    closing : str
        What it does not say.
    uv : bool
        Whether the set holds photos taken under UV-A.
    photos : mapping
        Row id of a photo to a small JPEG; one that is missing is left out.
    paper : Paper
        What it is printed on.
    made_at : datetime, optional
        When; now by default.

    Raises
    ------
    SheetInvalid
        If the pages cannot be set.
    """
    instant = made_at or datetime.now(UTC)
    pictures = {f"photo-{photo}.jpg": content for photo, content in photos.items()}
    data = {
        **page_data("Set report", info.name, paper, info, instant, uv=uv),
        "about": printable(f"{about} · printed {instant:%Y-%m-%d %H:%M} UTC"),
        "closing": closing,
        "sections": [
            _section(number, section, photos, pictures)
            for number, section in enumerate(sections, start=1)
        ],
    }
    return typeset("report", data, pictures, made_at=instant)[0]


def _section(
    number: int,
    section: PrintedSection,
    photos: Mapping[int, bytes],
    pictures: dict[str, bytes],
) -> dict[str, Any]:
    plots = []
    for place, (title, words, svg) in enumerate(section.plots, start=1):
        file = f"plot-{number}-{place}.svg"
        pictures[file] = svg.encode()
        plots.append({"title": title, "alt": words, "file": file})
    return {
        "title": printable(section.title),
        "summary": printable(section.summary),
        "findings": [
            {
                "says": printable(says),
                "action": action,
                "pictures": _shown(concerned, photos) if place < MOST_ILLUSTRATED else [],
            }
            for place, (says, action, concerned) in enumerate(section.findings[:MOST_FINDINGS])
        ],
        "left_out": max(0, len(section.findings) - MOST_FINDINGS),
        "tables": [_table(*table) for table in section.tables if table[2]],
        "plots": plots,
    }


def _shown(concerned: Sequence[int], photos: Mapping[int, bytes]) -> list[dict[str, str]]:
    return [
        {"file": f"photo-{photo}.jpg", "alt": f"Photo {photo}"}
        for photo in concerned[:2]
        if photo in photos
    ]


def _table(caption: str, columns: Sequence[str], rows: Sequence[Sequence[str]]) -> dict[str, Any]:
    kept = [[printable(cell) for cell in row] for row in rows[:MOST_ROWS]]
    longest = [
        max(len(str(head)), *(len(row[n]) for row in kept)) for n, head in enumerate(columns)
    ]
    return {
        "caption": printable(caption),
        "columns": [printable(head) for head in columns],
        "rows": kept,
        # Long cells break over lines; none may squeeze the others to nothing.
        "widths": [min(24.0, max(2.0, length**0.6)) for length in longest],
        "left_out": max(0, len(rows) - MOST_ROWS),
    }
