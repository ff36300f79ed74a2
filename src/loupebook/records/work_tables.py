"""The tables of work done *with* a set: examinations, sheets, practice.

They are part of the catalogue file, but no part of what the set knows: writing them leaves
the set's change counter alone.
"""

from __future__ import annotations

from sqlalchemy import ForeignKey, Index, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from loupebook.records.tables import Base


class ExaminationRow(Base):
    """One revision of one examination. Triggers in the file refuse to change or delete it."""

    __tablename__ = "examination"
    __table_args__ = (UniqueConstraint("number", "revision"),)

    number: Mapped[int]
    revision: Mapped[int]
    title: Mapped[str]
    at: Mapped[str]
    by: Mapped[str]
    document: Mapped[str]
    sha256: Mapped[str]


class SheetRow(Base):
    """What a comparison sheet is made from, so that it can be made again."""

    __tablename__ = "sheet"

    name: Mapped[str] = mapped_column(unique=True)
    definition: Mapped[str]
    at: Mapped[str]
    by: Mapped[str]
    made_from: Mapped[str | None]


class PracticeRoundRow(Base):
    """A round that a trainer has put together."""

    __tablename__ = "practice_round"

    name: Mapped[str] = mapped_column(unique=True)
    definition: Mapped[str]
    at: Mapped[str]
    by: Mapped[str]


class PracticeAnswerRow(Base):
    """One answer of one learner. A trigger in the file refuses to change it."""

    __tablename__ = "practice_answer"
    __table_args__ = (
        UniqueConstraint("sitting", "photo_id"),
        Index("practice_answer_learner", "learner"),
    )

    round_id: Mapped[int] = mapped_column(ForeignKey("practice_round.id"))
    sitting: Mapped[str]
    learner: Mapped[str]
    at: Mapped[str]
    photo_id: Mapped[int] = mapped_column(ForeignKey("photo.id"))
    lesson: Mapped[str]
    truth: Mapped[str]
    given: Mapped[str]
    confidence: Mapped[float]
    places: Mapped[str]
