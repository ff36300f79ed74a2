"""Points of comparison: where to look on an edition, and what to look for.

A point is a region of an edition's consensus image. Consensus images are derived and may be
made anew in another frame, so the region is kept in px of the photo that gave the frame when
it was drawn (the anchor), which never changes. Pixel centres lie at whole numbers.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from sqlalchemy import select, update

from loupebook.errors import RecordInvalid, RecordNotFound
from loupebook.records import queries
from loupebook.records.catalogue import Catalogue
from loupebook.records.change import Change, now
from loupebook.records.model import Element, Lighting, PhotoRecord, View
from loupebook.records.tables import EditionRow, MarqueRow, PhotoRow, PointRow
from loupebook.records.text import clean_name, clean_notes

Region = tuple[tuple[float, float], ...]
"""Corners (x, y) of a polygon in px of the anchor photo, at least three."""


class Mark(StrEnum):
    """What an examiner finds at a point. It speaks of the point, never of the item."""

    AGREES = "agrees"
    DIFFERS = "differs"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True)
class PointRecord:
    """One point of comparison.

    Parameters
    ----------
    point_id : int
        Row id.
    marque, element, edition, view, lighting
        What it is a point of.
    photo_id, sha256
        The anchor photo that `region` refers to.
    region : tuple of (x, y)
        See :data:`Region`.
    title : str
        A short name.
    genuine_shows : str
        What a genuine one shows there.
    copies_show : str
        What copies get wrong there; may be empty.
    by, at : str
        Who drew it, when.
    """

    point_id: int
    marque: str
    element: Element
    edition: str
    view: View
    lighting: Lighting
    photo_id: int
    sha256: str
    region: Region
    title: str
    genuine_shows: str
    copies_show: str
    by: str
    at: str


@dataclass(frozen=True)
class PointMark:
    """What an examiner noted at one point, for a saved examination.

    Parameters
    ----------
    point_id : int
        The point.
    title : str
        Its name when it was marked.
    mark : Mark, optional
        `None` where it was looked at but not marked.
    note : str
        In the examiner's words.
    figure : float, optional
        How far the query departs there, in times what is usual among genuine ones; `None`
        where the photo does not bear it.
    figure_says : str
        The same in words, or why there is no figure.
    """

    point_id: int
    title: str
    mark: Mark | None = None
    note: str = ""
    figure: float | None = None
    figure_says: str = ""

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {
            "point_id": self.point_id,
            "title": self.title,
            "mark": None if self.mark is None else str(self.mark),
            "note": self.note,
            "figure": None if self.figure is None else round(self.figure, 2),
            "figure_says": self.figure_says,
        }

    @classmethod
    def from_dict(cls, value: Mapping[str, Any]) -> PointMark:
        """Read the JSON form.

        Raises
        ------
        RecordInvalid
            If it is not one.
        """
        try:
            mark = value.get("mark")
            figure = value.get("figure")
            return cls(
                int(value["point_id"]),
                str(value["title"]),
                None if mark is None else Mark(mark),
                str(value.get("note", "")),
                None if figure is None else float(figure),
                str(value.get("figure_says", "")),
            )
        except (KeyError, TypeError, ValueError, AttributeError) as exc:
            raise RecordInvalid(f"mark: not the mark of a point: {exc}", field="mark") from exc


@dataclass(frozen=True)
class DrawnPoint:
    """A point as it is handed in.

    Parameters
    ----------
    sha256 : str
        The anchor photo.
    region : sequence of (x, y)
        Corners in px of that photo.
    title, genuine_shows, copies_show : str
        See :class:`PointRecord`.
    """

    sha256: str
    region: Sequence[Sequence[float]]
    title: str
    genuine_shows: str
    copies_show: str = ""


def take_point(change: Change, drawn: DrawnPoint) -> int | None:
    """Record a point unless the set lacks its photo, has it or had it.

    One that was taken out of use stays so: whoever did it is not overruled by its coming in
    again.

    Returns
    -------
    int or None
        Its number; None where it was not recorded.

    Raises
    ------
    RecordInvalid
        A text or the region is not allowed, or the photo belongs to no edition.
    """
    for photo in queries.list_photos(change.connection, PhotoRow.sha256 == drawn.sha256):
        corners = json.dumps(clean_region(drawn.region, photo.width, photo.height))
        held = select(PointRow.id).where(
            PointRow.photo_id == photo.photo_id,
            PointRow.region == corners,
            PointRow.title == clean_name(drawn.title, "title"),
        )
        if change.connection.execute(held).first() is None:
            return _write_point(change, photo, drawn)
    return None


def _write_point(change: Change, photo: PhotoRecord, drawn: DrawnPoint) -> int:
    specimen = queries.required_specimen(change.connection, photo.specimen)
    if specimen.edition is None:
        raise RecordInvalid(
            f"edition: specimen {specimen.name} has no edition on record, so nothing can be "
            "said of its design; record the edition first",
            field="edition",
        )
    written = {
        "view": str(photo.view),
        "lighting": str(photo.lighting),
        "region": json.dumps(clean_region(drawn.region, photo.width, photo.height)),
        "title": clean_name(drawn.title, "title"),
        "genuine_shows": _text(drawn.genuine_shows, "genuine_shows"),
        "copies_show": clean_notes(drawn.copies_show, "copies_show") or "",
    }
    edition = change.connection.execute(
        select(EditionRow.id)
        .join(MarqueRow, MarqueRow.id == EditionRow.marque_id)
        .where(EditionRow.name == specimen.edition)
        .where(EditionRow.element == str(specimen.element))
        .where(MarqueRow.name == specimen.marque)
    ).scalar_one()
    row = PointRow(edition_id=edition, photo_id=photo.photo_id, by=change.by, at=now(), **written)
    change.session.add(row)
    change.session.flush()
    told = {"point": row.id, "photo": photo.photo_id, "edition": specimen.edition, **written}
    change.log("add-point", None, told, counts=False)
    return row.id


class Points:
    """The points of comparison of one set.

    Parameters
    ----------
    catalogue : Catalogue
        The opened catalogue.
    """

    def __init__(self, catalogue: Catalogue) -> None:
        self._catalogue = catalogue

    def add(
        self,
        photo_id: int,
        region: Sequence[tuple[float, float]],
        *,
        title: str,
        genuine_shows: str,
        copies_show: str = "",
        by: str,
    ) -> PointRecord:
        """Record a point drawn on the consensus image whose frame a photo gives.

        Parameters
        ----------
        photo_id : int
            The anchor: a photo of a specimen whose edition is recorded.
        region : sequence of (x, y)
            Corners of the region in px of that photo.
        title, genuine_shows, copies_show : str
            See :class:`PointRecord`.
        by : str
            Who draws it.

        Raises
        ------
        RecordInvalid
            A text or the region is not allowed, or the photo belongs to no edition.
        RecordNotFound
            No such photo.
        """
        with self._catalogue._changing(by) as change:
            photo = queries.photo_numbered(change.connection, photo_id)
            drawn = DrawnPoint(photo.sha256, region, title, genuine_shows, copies_show)
            number = _write_point(change, photo, drawn)
        return self.get(number)

    def retire(self, point_id: int, *, by: str) -> None:
        """Take a point out of use; its record stays, since examinations refer to it.

        Raises
        ------
        RecordNotFound
            No such point, or it is out of use already.
        """
        with self._catalogue._changing(by) as change:
            gone = change.session.execute(
                update(PointRow)
                .where(PointRow.id == point_id, PointRow.retired_at.is_(None))
                .values(retired_at=now())
            )
            if gone.rowcount == 0:  # type: ignore[attr-defined]
                raise RecordNotFound(f"the set has no point number {point_id} in use")
            change.log("retire-point", None, {"point": point_id}, counts=False)

    def get(self, point_id: int) -> PointRecord:
        """Return one point, in use or not.

        Raises
        ------
        RecordNotFound
            No such point.
        """
        found = self._read(PointRow.id == point_id)
        if not found:
            raise RecordNotFound(f"the set has no point number {point_id}")
        return found[0]

    def of(
        self,
        *,
        marque: str | None = None,
        edition: str | None = None,
        element: str | None = None,
        view: str | None = None,
        lighting: str | None = None,
    ) -> list[PointRecord]:
        """Return the points in use that pass every filter given, in the order drawn."""
        wanted: list[Any] = [PointRow.retired_at.is_(None)]
        for column, value in (
            (MarqueRow.name, marque),
            (EditionRow.name, edition),
            (EditionRow.element, element),
            (PointRow.view, view),
            (PointRow.lighting, lighting),
        ):
            if value is not None:
                wanted.append(column == str(value))
        return self._read(*wanted)

    def _read(self, *wanted: Any) -> list[PointRecord]:
        query = (
            select(PointRow.__table__, EditionRow.name, EditionRow.element, MarqueRow.name,
                   PhotoRow.sha256)
            .join(EditionRow, EditionRow.id == PointRow.edition_id)
            .join(MarqueRow, MarqueRow.id == EditionRow.marque_id)
            .join(PhotoRow, PhotoRow.id == PointRow.photo_id)
            .where(*wanted)
            .order_by(PointRow.id)
        )  # fmt: skip
        with self._catalogue._reading() as connection:
            rows = connection.execute(query).all()
        return [
            PointRecord(
                row[0], row[-2], Element(row[-3]), row[-4], View(row.view),
                Lighting(row.lighting), row.photo_id, row[-1],
                tuple((float(x), float(y)) for x, y in json.loads(row.region)),
                row.title, row.genuine_shows, row.copies_show, row.by, row.at,
            )
            for row in rows
        ]  # fmt: skip


def clean_region(region: Sequence[Sequence[float]], width: int, height: int) -> list[list[float]]:
    """Return the corners, rounded to hundredths of a px and held within the photo.

    Raises
    ------
    RecordInvalid
        Fewer than three corners, numbers that are none, or a region without area.
    """
    try:
        corners = [(float(x), float(y)) for x, y in region]
    except (TypeError, ValueError) as exc:
        raise RecordInvalid(
            f"region: corners must be pairs of numbers: {exc}", field="region"
        ) from exc
    if len(corners) < 3 or len(corners) > 200:
        raise RecordInvalid("region: it takes 3 to 200 corners", field="region")
    if not all(math.isfinite(number) for corner in corners for number in corner):
        raise RecordInvalid("region: corners must be finite numbers", field="region")
    held = [
        [round(min(max(x, -0.5), width - 0.5), 2), round(min(max(y, -0.5), height - 0.5), 2)]
        for x, y in corners
    ]
    following = [*held[1:], held[0]]
    area = sum(x0 * y1 - x1 * y0 for (x0, y0), (x1, y1) in zip(held, following, strict=True)) / 2
    if abs(area) < 4:
        raise RecordInvalid(
            "region: it covers less than 4 px of the photo; draw a larger one", field="region"
        )
    return held


def _text(value: str, field: str) -> str:
    cleaned = clean_notes(value, field)
    if not cleaned:
        raise RecordInvalid(f"{field}: say what a genuine one shows there", field=field)
    return cleaned
