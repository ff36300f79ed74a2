r"""How the cells of one manifest row are written.

``path``: relative to the manifest's folder and inside it; ``/`` or ``\\``. ``element``,
``standing``, ``view``, ``lighting``: any case, space or underscore for a hyphen.
``confirmed_on``: ISO 8601. ``serial``: several separated by ``|``, each ``value`` or
``place=value``. ``px_per_mm``: a number, decimal point or comma. A text that a spreadsheet
would run as a formula has an apostrophe before it, which is not read.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import TypeVar

from loupebook.errors import RecordInvalid
from loupebook.records.checks import clean_scale, clean_serials
from loupebook.records.model import (
    Element,
    Lighting,
    Provenance,
    Serial,
    SpecimenRecord,
    Standing,
    View,
)
from loupebook.records.text import (
    Choice,
    clean_date,
    clean_line,
    clean_name,
    clean_notes,
    read_choice,
    shown,
)

Value = TypeVar("Value")

_ROUNDED = re.compile(r"\d([.,]\d+)?E\+\d+", re.ASCII)


@dataclass(frozen=True)
class ManifestRow:
    """One photo as a manifest describes it; None is "not recorded".

    Parameters
    ----------
    line : int
        Line on which the row begins, from 1.
    path : Path
        The photo file, resolved from the manifest's folder.
    path_text : str
        The path as written.
    specimen : str
        Name of the specimen that the photo shows.
    element, standing, marque, edition, origin, serials, notes
        What the row says of the specimen.
    source, confirmed_by, confirmed_on, basis : str, optional
        Its provenance.
    view, lighting : optional
        How the photo was taken.
    px_per_mm : float, optional
        Scale of the photo.
    """

    line: int
    path: Path
    path_text: str
    specimen: str
    element: Element
    standing: Standing
    marque: str | None = None
    edition: str | None = None
    origin: str | None = None
    view: View | None = None
    lighting: Lighting | None = None
    source: str | None = None
    confirmed_by: str | None = None
    confirmed_on: str | None = None
    basis: str | None = None
    serials: tuple[Serial, ...] = ()
    notes: str | None = None
    px_per_mm: float | None = None

    @property
    def record(self) -> SpecimenRecord:
        """What the row says of its specimen."""
        return SpecimenRecord(
            name=self.specimen,
            element=self.element,
            standing=self.standing,
            marque=self.marque,
            edition=self.edition,
            origin=self.origin,
            provenance=Provenance(self.source, self.confirmed_by, self.confirmed_on, self.basis),
            serials=self.serials,
            notes=self.notes,
        )


_FORMULA = ("=", "+", "-", "@", "\t")


def guarded(text: str) -> str:
    """Return a cell so that no spreadsheet runs it as a formula; reading undoes it."""
    bare = text.lstrip("'")
    return f"'{text}" if bare.startswith(_FORMULA) else text


def _unguarded(text: str) -> str:
    bare = text.lstrip("'")
    return text[1:] if bare != text and bare.startswith(_FORMULA) else text


@dataclass
class Cells:
    """The cells of one row by column, and what was wrong with those read so far."""

    texts: dict[str, str]
    problems: list[RecordInvalid] = field(default_factory=list)

    def read(self, column: str, clean: Callable[[str, str], Value]) -> Value | None:
        """Return a cell cleaned; None where it is empty or wrong (then also a problem)."""
        text = self.texts.get(column, "")
        if not text.strip():
            return None
        try:
            return clean(_unguarded(text.strip()), column)
        except RecordInvalid as exc:
            self.problems.append(exc)
            return None

    def require(self, column: str, clean: Callable[[str, str], Value]) -> Value | None:
        """Return a cell cleaned; an empty one is a problem too."""
        if not self.texts.get(column, "").strip():
            self.problems.append(
                RecordInvalid(f"{column}: the cell is empty; it is required", field=column)
            )
        return self.read(column, clean)


def read_cells(
    cells: Cells, *, line: int, folder: Path, allow_absolute: bool
) -> ManifestRow | None:
    """Return the row, or None where a cell is wrong; ``cells.problems`` then says which.

    Parameters
    ----------
    cells : Cells
        The row's cells.
    line : int
        Line on which it begins.
    folder : Path
        Folder from which relative paths are taken.
    allow_absolute : bool
        Whether a photo may be given by an absolute path.
    """

    def locate(text: str, _column: str) -> Path:
        return _photo_path(text, folder, allow_absolute=allow_absolute)

    path = cells.require("path", locate)
    specimen = cells.require("specimen", clean_name)
    element = cells.require("element", _choice(Element))
    standing = cells.require("standing", _choice(Standing))
    optional = {
        "marque": cells.read("marque", clean_name),
        "edition": cells.read("edition", clean_name),
        "origin": cells.read("origin", clean_name),
        "source": cells.read("source", clean_line),
        "confirmed_by": cells.read("confirmed_by", clean_name),
        "confirmed_on": cells.read("confirmed_on", clean_date),
        "basis": cells.read("basis", clean_line),
        "notes": cells.read("notes", clean_notes),
    }
    view = cells.read("view", _choice(View))
    lighting = cells.read("lighting", _choice(Lighting))
    serials = cells.read("serial", read_serials) or ()
    px_per_mm = cells.read("px_per_mm", _scale)
    if cells.problems or path is None or specimen is None or element is None or standing is None:
        return None
    return ManifestRow(
        line=line,
        path=path,
        path_text=cells.texts["path"].strip(),
        specimen=specimen,
        element=element,
        standing=standing,
        view=view,
        lighting=lighting,
        serials=serials,
        px_per_mm=px_per_mm,
        **optional,
    )


def spreadsheet_damage(row: ManifestRow) -> Iterator[tuple[str, str]]:
    """Yield column and message for each value that a spreadsheet seems to have rounded."""
    for serial in row.serials:
        if _ROUNDED.fullmatch(serial.value):
            yield (
                "serial",
                f"serial: {shown(serial.value)} looks like a long number that a spreadsheet has "
                "rounded; format the column as text and type the number again",
            )


def _choice(kind: type[Choice]) -> Callable[[str, str], Choice]:
    return lambda text, column: read_choice(kind, text, column)


def _photo_path(text: str, folder: Path, *, allow_absolute: bool) -> Path:
    text = text.strip()
    if "\0" in text:
        raise RecordInvalid(f"path: {shown(text)} holds a zero byte", field="path")
    if PurePosixPath(text).is_absolute() or PureWindowsPath(text).anchor:
        if not allow_absolute:
            raise RecordInvalid(
                f"path: {shown(text)} is an absolute path; write it relative to the manifest's "
                "folder",
                field="path",
            )
        return Path(text)
    # Manifests made on Windows write a\b.jpg, and are read elsewhere.
    inside = Path(os.path.normpath(text.replace("\\", "/")))
    if ".." in inside.parts:
        raise RecordInvalid(
            f"path: {shown(text)} leaves the manifest's folder by '..'; put the photo into that "
            "folder or one below it",
            field="path",
        )
    return folder / inside


def read_serials(text: str, column: str) -> tuple[Serial, ...]:
    """Read serial numbers, each ``number`` or ``place=number``, separated by ``|``.

    Parameters
    ----------
    text : str
        The cell, or an option of the command line.
    column : str
        What it is called in a message.

    Raises
    ------
    RecordInvalid
        One of them lacks its place or its number, or cannot be recorded.
    """
    pieces = [piece for piece in text.split("|") if piece.strip()]
    return clean_serials(tuple(_serial(piece, column) for piece in pieces))


def _serial(piece: str, column: str) -> Serial:
    place, equals, value = piece.partition("=")
    if not equals:
        return Serial(piece)
    if not place.strip() or not value.strip():
        raise RecordInvalid(
            f"{column}: {shown(piece.strip())} is not allowed; write value or place=value, "
            "several separated by |",
            field=column,
        )
    return Serial(value, place)


def _scale(text: str, column: str) -> float:
    try:
        return clean_scale(float(text.strip().replace(",", ".")))
    except ValueError:
        raise RecordInvalid(
            f"{column}: {shown(text)} is not a number; write px per mm, for example 24.5",
            field=column,
        ) from None
