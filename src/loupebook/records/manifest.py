"""Reading a manifest: a CSV file that says what a set of photo files shows.

Header ``path,specimen,element,marque,edition,standing,origin,view,lighting,source,
confirmed_by,confirmed_on,serial,notes``, in any order; ``basis``, ``px_per_mm`` and ``state``
may be added; only ``path``, ``specimen``, ``element`` and ``standing`` are required. One row
describes one photo; rows of one specimen must agree and complete each other. An empty
cell means "not recorded".

Accepted as spreadsheets save it: UTF-8 with or without byte order mark; comma, semicolon
or tab; any line ends; quoted cells with line breaks. Lines are counted as a text editor
counts them, from 1, and a row has the line that it begins on. How a cell is written is in
:mod:`loupebook.records.manifest_cells`.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

from loupebook.errors import ManifestError, RecordConflict, RecordInvalid
from loupebook.records.manifest_cells import Cells, ManifestRow, read_cells, spreadsheet_damage
from loupebook.records.merge import merge_records
from loupebook.records.model import SpecimenRecord
from loupebook.records.text import shown

REQUIRED_COLUMNS = ("path", "specimen", "element", "standing")
COLUMNS = (
    *("path", "specimen", "element", "marque", "edition", "standing", "origin", "view"),
    *("lighting", "source", "confirmed_by", "confirmed_on", "serial", "notes"),
    *("basis", "px_per_mm", "state"),
)
SIZE_LIMIT = 64_000_000
"""Largest manifest, in bytes."""

__all__ = ["COLUMNS", "Manifest", "ManifestFault", "ManifestRow", "read_manifest"]


@dataclass(frozen=True)
class ManifestFault:
    """Something to say about one cell, row or column of a manifest.

    Parameters
    ----------
    file : Path
        The manifest.
    line : int
        Line on which the row begins, from 1.
    column : str
        Name of the column, or empty where the row as a whole is meant.
    message : str
        What is wrong and what is allowed.
    """

    file: Path
    line: int
    column: str
    message: str

    def __str__(self) -> str:
        """Return ``file:line: column: message``, as compilers write it."""
        return f"{self.file}:{self.line}: " + f"{self.column}: " * bool(self.column) + self.message


@dataclass(frozen=True)
class Manifest:
    """What a manifest says.

    Parameters
    ----------
    rows : tuple of ManifestRow
        The sound rows, in the order of the file.
    faults : tuple of ManifestFault
        Why the other rows were left out; a row may have several.
    findings : tuple of ManifestFault
        What is worth a look although nothing was left out for it: unknown columns, rows
        given twice, numbers that a spreadsheet seems to have rounded.
    """

    rows: tuple[ManifestRow, ...]
    faults: tuple[ManifestFault, ...] = ()
    findings: tuple[ManifestFault, ...] = ()


def read_manifest(path: Path, *, allow_absolute: bool = False) -> Manifest:
    """Read a manifest; bad rows are reported and never stop the rest.

    Parameters
    ----------
    path : Path
        The CSV file. Photo paths in it are taken from its folder.
    allow_absolute : bool, default False
        Whether a photo may be given by an absolute path.

    Returns
    -------
    Manifest
        Rows, faults and findings. The photo files themselves are not looked at.

    Raises
    ------
    ManifestError
        The file as a whole cannot be used; the message names every reason.
    """
    path = Path(path)
    text = _read_text(path)
    delimiter = _delimiter_of(text)
    reader = _Reader(path, allow_absolute=allow_absolute)
    records = _records(text, delimiter, reader)
    line, header = next(records, (1, []))
    if reader.faults:
        raise ManifestError(f"{reader.faults[0]}; the first line must name the columns")
    columns = _columns_of(path, header)
    reader.note_unknown(line, header)
    for line, cells in records:
        if any(cell.strip() for cell in cells):
            reader.read_row(line, columns, cells)
    return Manifest(tuple(reader.rows), tuple(reader.faults), tuple(reader.findings))


@dataclass
class _Reader:
    """What has been read so far, and what later rows are held against."""

    file: Path
    allow_absolute: bool
    rows: list[ManifestRow] = field(default_factory=list)
    faults: list[ManifestFault] = field(default_factory=list)
    findings: list[ManifestFault] = field(default_factory=list)
    specimens: dict[str, SpecimenRecord] = field(default_factory=dict)
    by_path: dict[Path, ManifestRow] = field(default_factory=dict)

    def fault(self, line: int, column: str, message: str) -> None:
        self.faults.append(ManifestFault(self.file, line, column, message))

    def finding(self, line: int, column: str, message: str) -> None:
        self.findings.append(ManifestFault(self.file, line, column, message))

    def note_unknown(self, line: int, header: list[str]) -> None:
        for name in header:
            if name.strip() and _column_name(name) not in COLUMNS:
                known = ", ".join(COLUMNS)
                message = f"the column {shown(name.strip())} is not known and was not read"
                self.finding(line, name.strip(), f"{message}; known are: {known}")

    def read_row(self, line: int, columns: list[str], texts: list[str]) -> None:
        if any(text.strip() for text in texts[len(columns) :]):
            count = f"the row has {len(texts)} cells, the header {len(columns)}"
            self.fault(line, "", f"{count}; put a cell that holds the separator in quotes")
            return
        cells = Cells(dict(zip(columns, texts, strict=False)))
        row = read_cells(
            cells, line=line, folder=self.file.parent, allow_absolute=self.allow_absolute
        )
        for problem in cells.problems:
            self.fault(line, problem.field or "", str(problem))
        if row is not None and self._agrees(row):
            self.rows.append(row)
            for column, message in spreadsheet_damage(row):
                self.finding(line, column, message)

    def _agrees(self, row: ManifestRow) -> bool:
        """Hold a sound row against the rows before it."""
        earlier = self.by_path.get(row.path)
        if earlier is not None:
            if replace(row, line=earlier.line, path_text=earlier.path_text) == earlier:
                self.finding(row.line, "path", f"the same row as line {earlier.line}; read once")
            else:
                self.fault(
                    row.line,
                    "path",
                    f"{shown(row.path_text)} is in line {earlier.line} already, with other "
                    "values; keep one of the rows",
                )
            return False
        try:
            self._learn(row)
        except (RecordConflict, RecordInvalid) as exc:
            column = exc.field or ""
            self.fault(row.line, column, f"{exc} (an earlier row of this manifest says so)")
            return False
        self.by_path[row.path] = row
        return True

    def _learn(self, row: ManifestRow) -> None:
        before = self.specimens.get(row.specimen)
        known = row.record if before is None else merge_records(before, row.record).record
        if known.state is not row.state:  # an empty cell says confirmed, so none is completed
            raise RecordConflict(
                f"state: specimen {shown(row.specimen)} is {known.state} and {row.state}; give all "
                "its rows the same",
                field="state",
            )
        self.specimens[row.specimen] = known


def _read_text(path: Path) -> str:
    try:
        size = path.stat().st_size
        if size > SIZE_LIMIT:
            raise ManifestError(
                f"{path}: the manifest has {size:,} bytes; at most {SIZE_LIMIT:,} are read. "
                "Split it"
            )
        data = path.read_bytes()
    except OSError as exc:
        raise ManifestError(f"{path}: the manifest cannot be read: {exc.strerror}") from exc
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise ManifestError(f"{path}: the manifest is UTF-16 text; save it as CSV in UTF-8")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as exc:
        line = data.count(b"\n", 0, exc.start) + 1
        raise ManifestError(
            f"{path}: line {line} is not UTF-8 text; save the manifest as CSV in UTF-8"
        ) from exc
    if "\0" in text:
        line = text.count("\n", 0, text.index("\0")) + 1
        raise ManifestError(f"{path}: line {line} holds a zero byte; this is not a CSV file")
    return text


def _delimiter_of(text: str) -> str:
    """Return the separator under which the header has the most known columns."""

    def known(delimiter: str) -> int:
        try:
            header = next(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter), [])
        except csv.Error:
            return 0
        return sum(_column_name(name) in COLUMNS for name in header)

    return max(",;\t", key=known)


def _records(text: str, delimiter: str, reader: _Reader) -> Iterator[tuple[int, list[str]]]:
    """Yield each record with the line that it begins on; note those that cannot be split."""
    source = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    while True:
        line = source.line_num + 1
        try:
            yield line, next(source)
        except StopIteration:
            return
        except csv.Error as exc:
            reader.fault(line, "", f"the row cannot be split into cells ({exc}); check its quotes")


def _columns_of(path: Path, header: list[str]) -> list[str]:
    columns = [_column_name(name) for name in header]
    reasons = [f"the column {name} is missing" for name in REQUIRED_COLUMNS if name not in columns]
    reasons += [
        f"the column {name} is there {columns.count(name)} times"
        for name in COLUMNS
        if columns.count(name) > 1
    ]
    if reasons:
        raise ManifestError(
            f"{path}: {'; '.join(reasons)}. The first line must name the columns: "
            + ",".join(COLUMNS[:-3])
        )
    return columns


def _column_name(name: str) -> str:
    return "_".join(name.strip().casefold().replace("-", " ").replace("_", " ").split())
