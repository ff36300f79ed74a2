"""Practice rounds and the answers given in them. Answers are never changed."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.exc import IntegrityError

from loupebook.errors import RecordConflict, RecordNotFound
from loupebook.records.catalogue import Catalogue
from loupebook.records.change import now
from loupebook.records.text import clean_name, shown
from loupebook.records.work_tables import PracticeAnswerRow, PracticeRoundRow

CANNOT_TELL = "cannot tell"


@dataclass(frozen=True)
class RoundRecord:
    """A round as the trainer put it together.

    Parameters
    ----------
    round_id : int
        Row number.
    name : str
        Its name within the set.
    definition : mapping
        What it asks; see ``loupebook.library.practice``.
    at, by : str
        When and by whom it was made.
    """

    round_id: int
    name: str
    definition: Mapping[str, Any]
    at: str
    by: str


@dataclass(frozen=True)
class Answer:
    """One answer.

    Parameters
    ----------
    sitting : str
        Names one run of a learner through a round.
    learner : str
        Who answered.
    photo_id : int
        What was shown.
    lesson : str
        What it teaches: a design as it is, or as one press copies it.
    truth : str
        Standing of the specimen shown, as recorded at that time.
    given : str
        ``genuine``, ``fake`` or ``cannot tell``.
    confidence : float
        How probable the learner held the own judgement, 0.5..1; 0.5 with ``cannot tell``.
    places : mapping
        Point to what became of it: ``found``, ``missed``, ``false alarm``; and under
        ``""`` the places marked, as fractions of the photo.
    at : str
        Instant; filled in when recorded.
    """

    sitting: str
    learner: str
    photo_id: int
    lesson: str
    truth: str
    given: str
    confidence: float
    places: Mapping[str, Any]
    at: str = ""

    @property
    def right(self) -> bool:
        """Whether the judgement was the known standing."""
        return self.given == self.truth


class Practice:
    """The practice rounds of one set."""

    def __init__(self, catalogue: Catalogue) -> None:
        self._catalogue = catalogue

    def make_round(self, name: str, definition: Mapping[str, Any], *, by: str) -> RoundRecord:
        """Record a round.

        Raises
        ------
        RecordConflict
            There is one of that name.
        """
        name = clean_name(name, "name")
        text = json.dumps(definition, ensure_ascii=False, sort_keys=True)
        with self._catalogue._changing(by) as change:
            known = select(PracticeRoundRow.id).where(PracticeRoundRow.name == name)
            if change.connection.execute(known).one_or_none() is not None:
                raise RecordConflict(
                    f"there is a practice round named {shown(name)} already; choose another name"
                )
            row = PracticeRoundRow(name=name, definition=text, at=now(), by=change.by)
            change.session.add(row)
            change.log("make-practice-round", None, {"name": name, **definition}, counts=False)
            made = _round(row)
        return made

    def rounds(self) -> list[RoundRecord]:
        """Return all rounds, newest first."""
        query = select(PracticeRoundRow.__table__).order_by(PracticeRoundRow.id.desc())
        with self._catalogue._reading() as connection:
            return [_round(row) for row in connection.execute(query)]

    def get(self, name: str) -> RoundRecord:
        """Return one round.

        Raises
        ------
        RecordNotFound
            There is none of that name.
        RecordInvalid
            It is no name.
        """
        name = clean_name(name, "name")
        for one in self.rounds():
            if one.name == name:
                return one
        raise RecordNotFound(f"the set has no practice round named {shown(name)}")

    def record(self, practice_round: RoundRecord, answer: Answer) -> Answer:
        """Record an answer.

        Raises
        ------
        RecordConflict
            That photo was answered in this sitting already.
        """
        learner = clean_name(answer.learner, "learner")
        with self._catalogue._changing(learner) as change:
            row = PracticeAnswerRow(
                round_id=practice_round.round_id,
                sitting=answer.sitting,
                learner=change.by,
                at=answer.at or now(),
                photo_id=answer.photo_id,
                lesson=answer.lesson,
                truth=answer.truth,
                given=answer.given,
                confidence=answer.confidence,
                places=json.dumps(answer.places, ensure_ascii=False, sort_keys=True),
            )
            change.session.add(row)
            try:
                change.session.flush()
            except IntegrityError as exc:
                raise RecordConflict(
                    "this photo was answered in this sitting already; go on to the next"
                ) from exc
            # Answers are many and no part of the set's history: they stand for themselves.
            change.logged = True
            recorded = _answer(row)
        return recorded

    def answers(
        self, *, learner: str | None = None, practice_round: RoundRecord | None = None
    ) -> list[Answer]:
        """Return answers, oldest first.

        Raises
        ------
        RecordInvalid
            The learner's name is not allowed.
        """
        query = select(PracticeAnswerRow.__table__).order_by(PracticeAnswerRow.id)
        if learner is not None:
            wanted = clean_name(learner, "learner")
            query = query.where(PracticeAnswerRow.learner == wanted)
        if practice_round is not None:
            query = query.where(PracticeAnswerRow.round_id == practice_round.round_id)
        with self._catalogue._reading() as connection:
            return [_answer(row) for row in connection.execute(query)]

    def learners(self) -> Sequence[str]:
        """Return who has answered, sorted."""
        query = select(PracticeAnswerRow.learner).distinct().order_by(PracticeAnswerRow.learner)
        with self._catalogue._reading() as connection:
            return list(connection.execute(query).scalars())


def _round(row: Any) -> RoundRecord:
    return RoundRecord(row.id, row.name, json.loads(row.definition), row.at, row.by)


def _answer(row: Any) -> Answer:
    return Answer(
        row.sitting, row.learner, row.photo_id, row.lesson, row.truth, row.given,
        row.confidence, json.loads(row.places), row.at,
    )  # fmt: skip
