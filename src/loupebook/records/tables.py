"""The catalogue's tables, typed.

The migrations make the tables; these classes map them (a test holds the two equal).
Conventions: texts are NFC; instants and dates as in :mod:`loupebook.records.model`;
a serial whose place is not recorded has the place ``''`` so that it stays unique.
"""

from __future__ import annotations

from sqlalchemy import (
    CheckConstraint,
    Float,
    ForeignKey,
    ForeignKeyConstraint,
    Index,
    Integer,
    Text,
    UniqueConstraint,
)
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column


class Base(DeclarativeBase):
    """Root of the mapped tables; each has a row number of its own."""

    type_annotation_map = {str: Text, int: Integer, float: Float}  # noqa: RUF012

    id: Mapped[int] = mapped_column(primary_key=True, sort_order=-1)


class SetInfoRow(Base):
    """The one row that a set says of itself."""

    __tablename__ = "set_info"
    __table_args__ = (CheckConstraint("id = 1"),)

    set_id: Mapped[str]
    name: Mapped[str]
    created_at: Mapped[str]
    change_counter: Mapped[int]
    two_person: Mapped[bool] = mapped_column(Integer)
    notice: Mapped[str | None]


class MarqueRow(Base):
    """A brand printed on items."""

    __tablename__ = "marque"

    name: Mapped[str] = mapped_column(unique=True)


class EditionRow(Base):
    """A design of one element of one marque."""

    __tablename__ = "edition"
    __table_args__ = (
        UniqueConstraint("marque_id", "element", "name"),
        # Target of the specimen's composite key, which holds an edition to its marque.
        UniqueConstraint("id", "marque_id", "element"),
    )

    marque_id: Mapped[int] = mapped_column(ForeignKey("marque.id"))
    element: Mapped[str]
    name: Mapped[str]


class PrintOriginRow(Base):
    """A press run that specimens are believed to come from."""

    __tablename__ = "print_origin"

    name: Mapped[str] = mapped_column(unique=True)


class SpecimenRow(Base):
    """One physical object with a known standing, and who says so."""

    __tablename__ = "specimen"
    __table_args__ = (
        ForeignKeyConstraint(
            ["edition_id", "marque_id", "element"],
            ["edition.id", "edition.marque_id", "edition.element"],
        ),
        CheckConstraint("edition_id IS NULL OR marque_id IS NOT NULL"),
        Index("specimen_marque", "marque_id"),
        Index("specimen_edition", "edition_id"),
        Index("specimen_origin", "origin_id"),
    )

    name: Mapped[str] = mapped_column(unique=True)
    element: Mapped[str]
    standing: Mapped[str]
    state: Mapped[str]
    state_before_withdrawal: Mapped[str | None]
    marque_id: Mapped[int | None] = mapped_column(ForeignKey("marque.id"))
    edition_id: Mapped[int | None]
    origin_id: Mapped[int | None] = mapped_column(ForeignKey("print_origin.id"))
    source: Mapped[str | None]
    confirmed_by: Mapped[str | None]
    confirmed_on: Mapped[str | None]
    basis: Mapped[str | None]
    entered_by: Mapped[str]
    entered_at: Mapped[str]
    notes: Mapped[str | None]
    withdrawn_reason: Mapped[str | None]


class SerialRow(Base):
    """A serial number as read at one place of a specimen."""

    __tablename__ = "serial"
    __table_args__ = (
        UniqueConstraint("specimen_id", "value", "place"),
        Index("serial_value", "value"),
    )

    specimen_id: Mapped[int] = mapped_column(ForeignKey("specimen.id"))
    value: Mapped[str]
    place: Mapped[str]


class PhotoRow(Base):
    """One image of one specimen; its bytes lie in the photo store under their digest."""

    __tablename__ = "photo"
    __table_args__ = (Index("photo_specimen", "specimen_id"),)

    sha256: Mapped[str] = mapped_column(unique=True)
    specimen_id: Mapped[int] = mapped_column(ForeignKey("specimen.id"))
    view: Mapped[str]
    lighting: Mapped[str]
    file_name: Mapped[str]
    media_type: Mapped[str]
    byte_count: Mapped[int]
    width: Mapped[int]
    height: Mapped[int]
    captured_at: Mapped[str | None]
    camera_make: Mapped[str | None]
    camera_model: Mapped[str | None]
    camera_lens: Mapped[str | None]
    px_per_mm: Mapped[float | None]
    photo_check: Mapped[str]


class EventRow(Base):
    """One line of the log. Triggers in the file refuse to change or delete it."""

    __tablename__ = "event"
    __table_args__ = (Index("event_specimen", "specimen"),)

    at: Mapped[str]
    actor: Mapped[str]
    action: Mapped[str]
    specimen: Mapped[str | None]
    detail: Mapped[str]
    change_number: Mapped[int]
    state: Mapped[str]
    chain: Mapped[str]


class PointRow(Base):
    """A point of comparison: a region of an edition's consensus image and what to look for.

    `region` is in px of the photo that gave the consensus its frame, as JSON.
    """

    __tablename__ = "point"
    __table_args__ = (Index("point_edition", "edition_id"), Index("point_photo", "photo_id"))

    edition_id: Mapped[int] = mapped_column(ForeignKey("edition.id"))
    view: Mapped[str]
    lighting: Mapped[str]
    photo_id: Mapped[int] = mapped_column(ForeignKey("photo.id"))
    region: Mapped[str]
    title: Mapped[str]
    genuine_shows: Mapped[str]
    copies_show: Mapped[str]
    by: Mapped[str]
    at: Mapped[str]
    retired_at: Mapped[str | None]


class PersonRow(Base):
    """One person of a team: what the identity provider says, and the roles."""

    __tablename__ = "person"

    name: Mapped[str] = mapped_column(unique=True)
    identity: Mapped[str] = mapped_column(unique=True)
    roles: Mapped[str]
