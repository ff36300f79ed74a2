"""What a set report consists of: plain values with a JSON form."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Any

from loupebook.evidence.plots import Plot

WORK_LIST = "work_list"
"""Name of the section that orders what the others found."""


class Action(StrEnum):
    """What mends a finding; front ends offer it as a button."""

    OPEN_PAIR = "open the pair"
    MERGE = "merge"
    WITHDRAW = "withdraw"
    RE_PHOTOGRAPH = "re-photograph"
    PHOTOGRAPH = "photograph"
    COLLECT = "collect specimens"
    CHECK_RECORD = "check the record"
    REBUILD = "rebuild"
    NOTHING = "nothing, it is mended"


@dataclass(frozen=True)
class Finding:
    """One thing that is wrong, with what mends it.

    Parameters
    ----------
    kind : str
        Short name of what was found, such as ``near-duplicate``.
    says : str
        What was found, in plain words.
    action : Action
        What mends it.
    specimens : tuple of str
        Specimens concerned.
    photos : tuple of int
        Photos concerned, by row id.
    weight : float
        0..1, how sure and how bad; findings of a section come in falling order.
    detail : mapping
        Figures behind it; plain JSON values.
    """

    kind: str
    says: str
    action: Action
    specimens: tuple[str, ...] = ()
    photos: tuple[int, ...] = ()
    weight: float = 0.5
    detail: Mapping[str, Any] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {
            "kind": self.kind,
            "says": self.says,
            "action": str(self.action),
            "specimens": list(self.specimens),
            "photos": list(self.photos),
            "weight": round(self.weight, 4),
            "detail": dict(self.detail),
        }

    @classmethod
    def from_dict(cls, stored: Mapping[str, Any]) -> Finding:
        """Return what :meth:`to_dict` stored."""
        return cls(
            stored["kind"],
            stored["says"],
            Action(stored["action"]),
            tuple(stored["specimens"]),
            tuple(stored["photos"]),
            stored["weight"],
            stored["detail"],
        )


@dataclass(frozen=True)
class Table:
    """A table as it is shown: a caption, column heads and rows of plain values."""

    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[Any, ...], ...]

    @property
    def cells(self) -> list[list[str]]:
        """The rows as people read them."""
        return [[_cell(value) for value in row] for row in self.rows]

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {
            "caption": self.caption,
            "columns": list(self.columns),
            "rows": [list(row) for row in self.rows],
        }

    @classmethod
    def from_dict(cls, stored: Mapping[str, Any]) -> Table:
        """Return what :meth:`to_dict` stored."""
        return cls(
            stored["caption"], tuple(stored["columns"]), tuple(tuple(r) for r in stored["rows"])
        )


@dataclass(frozen=True)
class Section:
    """One section of a report.

    Parameters
    ----------
    name : str
        Key in the JSON.
    title : str
        Heading.
    summary : str
        One or two sentences.
    findings : tuple of Finding
        Worst first.
    tables : tuple of Table
        Figures behind the summary.
    plots : tuple of Plot
        Pictures, each with words and numbers.
    figures : mapping
        Numbers for programs; plain JSON values.
    made_from : mapping
        ``set_id``, ``set_version``, ``encoder`` with its ``fingerprint``, and a digest of the
        ``photos`` with vectors that the section was made from.
    """

    name: str
    title: str
    summary: str
    findings: tuple[Finding, ...] = ()
    tables: tuple[Table, ...] = ()
    plots: tuple[Plot, ...] = ()
    figures: Mapping[str, Any] = field(default_factory=dict)
    made_from: Mapping[str, Any] = field(default_factory=dict)

    def to_dict(self, *, with_pictures: bool = False) -> dict[str, Any]:
        """Return the JSON form; pictures of plots only if asked for."""
        return {
            "title": self.title,
            "summary": self.summary,
            "findings": [finding.to_dict() for finding in self.findings],
            "tables": [table.to_dict() for table in self.tables],
            "plots": [_plot_dict(plot, with_pictures) for plot in self.plots],
            "figures": dict(self.figures),
            "made_from": dict(self.made_from),
        }

    @classmethod
    def from_dict(cls, name: str, stored: Mapping[str, Any]) -> Section:
        """Return what ``to_dict(with_pictures=True)`` stored."""
        return cls(
            name,
            stored["title"],
            stored["summary"],
            tuple(Finding.from_dict(one) for one in stored["findings"]),
            tuple(Table.from_dict(one) for one in stored["tables"]),
            tuple(Plot(**{**one, "png": base64.b64decode(one["png"])}) for one in stored["plots"]),
            stored["figures"],
            stored["made_from"],
        )

    def ordered(self) -> Section:
        """Return the same section with its findings in falling order of weight."""
        return replace(self, findings=tuple(sorted(self.findings, key=lambda found: -found.weight)))


@dataclass(frozen=True)
class SetReport:
    """The quality report of a set.

    Parameters
    ----------
    set_name : str
        Name of the set.
    notice : str or None
        Line shown wherever the set is shown.
    set_version : int
        Change counter that it was made at.
    encoder : str
        Name and fingerprint of the encoder.
    made_at : str
        Instant, UTC.
    sections : mapping
        Name to section, in the order of reading.
    holds_uv : bool
        Whether the set holds photos taken under UV-A: some may be shown, or asked for.
    """

    set_name: str
    notice: str | None
    set_version: int
    encoder: str
    made_at: str
    sections: Mapping[str, Section]
    holds_uv: bool

    def about_at(self, change: int) -> str:
        """Say what the report was made from, and so where the set is at another change now."""
        made = f"Change {self.set_version} of the set, encoder {self.encoder}, made {self.made_at}."
        if change == self.set_version:
            return made
        return f"{made} The set has changed since, to change {change}: this may not hold any more."

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form: one top-level key a section."""
        return {name: section.to_dict() for name, section in self.sections.items()}


def _cell(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "" if value is None else str(value)


def _plot_dict(plot: Plot, with_pictures: bool) -> dict[str, Any]:
    stored = {"name": plot.name, "title": plot.title, "alt": plot.alt, "csv": plot.csv}
    if with_pictures:
        stored |= {"svg": plot.svg, "png": base64.b64encode(plot.png).decode()}
    return stored
