"""Practice rounds: what is asked, what was found, when it is asked again.

A *lesson* is a design as it is, or as one press copies it: it is asked again on other
photos, never on a specimen whose answer the learner has just seen (in this sitting, or in the
one before if that was within a day). Standings are those of confirmed references; a query is
never part of practice.
"""

from __future__ import annotations

import csv
import io
import random
import secrets
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime, timedelta
from threading import Lock
from typing import Any, Generic, TypeVar
from weakref import WeakValueDictionary

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from loupebook.compare import Comparison, Consensus
from loupebook.errors import (
    PhotoError,
    PracticeInvalid,
    RecordInvalid,
    RecordNotFound,
    SetDamaged,
)
from loupebook.library.practice_lessons import (
    as_named_now,
    design_words,
    lesson_of,
    point_words,
)
from loupebook.library.sheets import Looked, SetSource
from loupebook.records import Answer, Catalogue, Practice, RoundRecord
from loupebook.records.model import Lighting, PhotoFacts, PhotoRecord, Standing
from loupebook.records.practice import CANNOT_TELL
from loupebook.records.text import clean_name
from loupebook.search import Progress, no_progress
from loupebook.sheets import Mapped, Paper, SheetPoint, numbered, places_that_differ
from loupebook.sheets.quiz import Asked, make_key, make_quiz
from loupebook.sheets.repetition import FIRST_DAYS, Due, schedule
from loupebook.sheets.scores import Scores, scores_of
from loupebook.sheets.templates.common import (
    consensus_plate,
    genuine_group,
    held_words,
    photo_plate,
)

DIFFICULTIES = ("easy", "middle", "hard")
GIVEN = ("genuine", "fake", CANNOT_TELL)
_SHOWS = 2.0
"""Departure, in times what is usual, from which a point counts as visibly different."""
MEASURED = "a measured place"
JUST_SEEN = timedelta(days=FIRST_DAYS)
"""How long a specimen is not asked about again: until what was missed is due."""
_NEAR = 0.15
_MOST_KEPT = 8
Made = TypeVar("Made")


@dataclass(frozen=True)
class RoundDefinition:
    """What a round asks.

    Parameters
    ----------
    editions : tuple of str
        Which, by name, or with marque and element as :func:`.design_words` writes them where
        several share a name; empty for all.
    questions : int
        How many in one sitting.
    difficulty : str
        ``easy``: copies that lie far from genuine ones, and a genuine one is shown beside;
        ``middle``: all; ``hard``: copies that lie near, and genuine ones that lie far.
    lighting : Lighting
        Which photos are shown.
    """

    editions: tuple[str, ...] = ()
    questions: int = 10
    difficulty: str = "middle"
    lighting: Lighting = Lighting.DIFFUSE

    def __post_init__(self) -> None:
        if self.difficulty not in DIFFICULTIES:
            raise RecordInvalid(
                f"difficulty: use one of {', '.join(DIFFICULTIES)}", field="difficulty"
            )
        if not 1 <= self.questions <= 200:
            raise RecordInvalid("questions: a sitting has 1 to 200", field="questions")

    def covers(self, fact: PhotoFacts) -> bool:
        """Return whether a photo may be asked about, as far as design and light go."""
        named = fact.edition is not None and (
            not self.editions
            or fact.edition in self.editions
            or design_words(fact) in self.editions
        )
        return named and fact.lighting is self.lighting

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {**asdict(self), "editions": list(self.editions), "lighting": str(self.lighting)}

    @classmethod
    def from_dict(cls, given: Mapping[str, Any]) -> RoundDefinition:
        """Read the JSON form."""
        return cls(
            tuple(given["editions"]), int(given["questions"]), str(given["difficulty"]),
            Lighting(given["lighting"]),
        )  # fmt: skip


@dataclass(frozen=True)
class Sitting:
    """One run of a learner through a round.

    Parameters
    ----------
    sitting : str
        Its random name.
    practice_round : RoundRecord
        The round.
    learner : str
        Who sits it.
    photo_ids : tuple of int
        What is asked, in order.
    """

    sitting: str
    practice_round: RoundRecord
    learner: str
    photo_ids: tuple[int, ...]


@dataclass(frozen=True, eq=False)
class Explained:
    """The answer to a question, as the learner sees it afterwards.

    Parameters
    ----------
    answer : Answer
        As recorded.
    shown, genuine : ndarray
        The photo and the genuine consensus in one frame; the photo as it is where it could
        not be laid there, and no consensus where there is none.
    points : tuple of SheetPoint
        Places on both, with what a genuine one shows and what copies get wrong.
    says : str
        What the comparison measured.
    """

    answer: Answer
    shown: NDArray[np.uint8]
    genuine: NDArray[np.uint8] | None
    points: tuple[SheetPoint, ...]
    says: str

    def pictures(self) -> tuple[NDArray[np.uint8], NDArray[np.uint8] | None]:
        """Return both pictures, of one size, with the numbered places drawn on them."""
        if self.genuine is None:
            return numbered(self.shown, self.points), None
        # Of one size, so that one zoom shows the same place of both.
        height, width = self.shown.shape[:2]
        same = Image.fromarray(self.genuine).resize((width, height), Image.Resampling.BICUBIC)
        return numbered(self.shown, self.points), numbered(np.asarray(same), self.points)


class Trainer:
    """Makes rounds, asks, records and explains answers, and says how well it went.

    Parameters
    ----------
    catalogue : Catalogue
        The opened catalogue.
    source : SetSource
        Gives photos, frames and points.
    nearness : callable
        Photo id to similarity with genuine photos of its edition, of other specimens.
    """

    def __init__(
        self,
        catalogue: Catalogue,
        source: SetSource,
        nearness: Callable[[], Mapping[int, float]],
    ) -> None:
        self._catalogue = catalogue
        self._practice = Practice(catalogue)
        self._source = source
        self._nearness = nearness
        self._looked: _Kept[Looked | None] = _Kept()
        self._beside: _Kept[NDArray[np.uint8] | None] = _Kept()

    # ------------------------------------------------------------------ rounds

    def make_round(
        self,
        name: str,
        definition: RoundDefinition,
        *,
        by: str,
        progress: Progress = no_progress,
    ) -> RoundRecord:
        """Record a round, and make the frames ready in which its answers are shown.

        Raises
        ------
        PracticeInvalid
            If it has too little to ask: photos of both standings are needed.
        RecordInvalid
            If it names an edition that the set does not have.
        RecordConflict
            If there is a round of that name.
        """
        self._refuse_unknown(definition.editions)
        facts = self._asked(definition)
        standings = {fact.standing for fact in facts.values()}
        if len(standings) < 2:
            raise PracticeInvalid(
                "A round needs photos of genuine and of fake specimens in that lighting; choose "
                "more editions or another lighting."
            )
        made = self._practice.make_round(name, definition.to_dict(), by=by)
        groups = {
            genuine_group(self._catalogue.specimen(fact.specimen), fact.view, fact.lighting)
            for fact in facts.values()
        }
        for done, group in enumerate(sorted(groups, key=lambda one: one.name)):
            progress("Making frames ready", done, len(groups))
            self._source.consensus(group)
        return made

    def _refuse_unknown(self, editions: Sequence[str]) -> None:
        facts = self._catalogue.facts().values()
        known = {fact.edition for fact in facts} | set(self.designs())
        unknown = [name for name in editions if name not in known]
        if unknown:
            raise RecordInvalid(
                f"editions: the set has no confirmed specimen of {', '.join(unknown)}; write the "
                "names as they stand in the library",
                field="editions",
            )

    def designs(self) -> list[str]:
        """Return the designs that a round can be limited to, as a definition names them."""
        facts = self._catalogue.facts().values()
        return sorted({design_words(fact) for fact in facts if fact.edition is not None})

    def rounds(self) -> list[RoundRecord]:
        """Return all rounds, newest first."""
        return self._practice.rounds()

    def round(self, name: str) -> RoundRecord:
        """Return one round, or raise :class:`~loupebook.errors.RecordNotFound`."""
        return self._practice.get(name)

    def _asked(self, definition: RoundDefinition) -> dict[int, PhotoFacts]:
        """Return the photos that a round may ask about."""
        facts = {
            photo_id: fact
            for photo_id, fact in self._catalogue.facts().items()
            if definition.covers(fact)
        }
        if definition.difficulty == "middle":
            return facts
        return self._by_difficulty(facts, definition)

    def _by_difficulty(
        self, facts: dict[int, PhotoFacts], definition: RoundDefinition
    ) -> dict[int, PhotoFacts]:
        near = self._nearness()
        hard = definition.difficulty == "hard"
        kept: dict[int, PhotoFacts] = {}
        for standing in Standing:
            some = [photo for photo, fact in facts.items() if fact.standing is standing]
            # Near copies are hard to tell, and so are genuine ones that lie far.
            nearest_first = (standing is Standing.FAKE) == hard
            some.sort(key=lambda photo: near.get(photo, 0.0), reverse=nearest_first)
            kept |= {photo: facts[photo] for photo in some[: max(1, -(-len(some) // 2))]}
        return kept

    # ------------------------------------------------------------------ sitting

    def sit(
        self, practice_round: RoundRecord, *, learner: str, at: datetime | None = None
    ) -> Sitting:
        """Choose what a learner is asked: what is due first, then what is new.

        Raises
        ------
        PracticeInvalid
            If nothing is left that the learner has not just seen with its answer.
        RecordInvalid
            The learner's name is not allowed.
        """
        definition = RoundDefinition.from_dict(practice_round.definition)
        learner = clean_name(learner, "learner")
        facts = self._asked(definition)
        answers = self.answers(learner=learner)
        instant = at or datetime.now(UTC)
        barred = self.just_seen(answers, at=instant)
        free = {photo: fact for photo, fact in facts.items() if fact.specimen not in barred}
        if not free:
            raise PracticeInvalid(
                "You have just seen the answer to everything that this round can ask. Come back "
                "in a day, practise another round first, or ask the trainer for more specimens."
            )
        name = secrets.token_hex(8)
        chosen = _draw(
            free, schedule(answers), answers, instant, definition.questions, random.Random(name),
        )  # fmt: skip
        return Sitting(name, practice_round, learner, tuple(chosen))

    def just_seen(self, answers: Sequence[Answer], *, at: datetime) -> frozenset[str]:
        """Return the specimens whose answer a learner saw in the latest sitting, within a day."""
        seen = [
            answer.photo_id
            for answer in answers
            if answer.sitting == answers[-1].sitting
            and datetime.fromisoformat(answer.at) > at - JUST_SEEN
        ]
        return frozenset(fact.specimen for fact in self._catalogue.facts(seen).values())

    def photo(self, photo_id: int) -> NDArray[np.uint8]:
        """Return a photo to judge, without its metadata."""
        return self._source.pixels(self._catalogue.photo(photo_id))

    def genuine_beside(self, photo_id: int) -> NDArray[np.uint8] | None:
        """Return what genuine ones of a photo's edition have in common, for easy rounds.

        The specimen asked about takes no part in it. Where there is no second genuine one,
        there is no such picture for copies either: that it is missing must tell nothing.
        """
        photo = self._catalogue.photo(photo_id)
        specimen = self._catalogue.specimen(photo.specimen)
        consensus = self._source.consensus(genuine_group(specimen, photo.view, photo.lighting))
        if consensus is None or len({one.specimen for one in consensus.photos}) < 2:
            return None
        return self._beside.get(
            photo_id, (photo, consensus), lambda: _pixels_without(consensus, photo.specimen)
        )

    def answer(
        self,
        sitting: Sitting,
        photo_id: int,
        *,
        given: str,
        confidence: float,
        marks: Sequence[tuple[float, float]] = (),
        at: datetime | None = None,
    ) -> Explained:
        """Record a judgement and explain it.

        Parameters
        ----------
        sitting : Sitting
            From :meth:`sit`.
        photo_id : int
            What was asked.
        given : str
            ``genuine``, ``fake`` or ``cannot tell``.
        confidence : float
            How probable the learner holds the judgement to be, 0.5..1.
        marks : sequence of (x, y)
            Where the learner saw it, fractions of the photo.
        at : datetime, optional
            When; now by default.

        Raises
        ------
        RecordInvalid
            A value is not allowed.
        RecordConflict
            This was answered already.
        """
        if given not in GIVEN:
            raise RecordInvalid(f"given: use one of {', '.join(GIVEN)}", field="given")
        if not 0.5 <= confidence <= 1:
            raise RecordInvalid("confidence: give 50 to 100 %", field="confidence")
        if photo_id not in sitting.photo_ids:
            raise RecordInvalid("photo: it is not part of this sitting", field="photo")
        fact = self._catalogue.facts([photo_id])[photo_id]
        shown = self._look_up(photo_id)
        places = {
            point_words(fact, name): outcome
            for name, outcome in judged_places(
                shown, marks, fake=fact.standing is Standing.FAKE
            ).items()
        }
        instant = None if at is None else at.isoformat()
        recorded = self._practice.record(
            sitting.practice_round,
            Answer(
                sitting.sitting, sitting.learner, photo_id, lesson_of(fact), str(fact.standing),
                given, 0.5 if given == CANNOT_TELL else confidence,
                {**places, "": [list(mark) for mark in marks]}, instant or "",
            ),
        )  # fmt: skip
        return shown.explained(recorded)

    def explain(self, sitting: Sitting, photo_id: int) -> Explained:
        """Explain a judgement that is on record already.

        Raises
        ------
        RecordNotFound
            If that photo was not answered in this sitting.
        """
        answers = self.answers(learner=sitting.learner, practice_round=sitting.practice_round)
        for one in answers:
            if (one.sitting, one.photo_id) == (sitting.sitting, photo_id):
                return self._look_up(photo_id).explained(one)
        raise RecordNotFound("this photo was not answered in this sitting")

    def look_ahead(self, photo_id: int) -> None:
        """Work out the explanation of a photo while the learner looks at it."""
        self._look_up(photo_id)

    def _look_up(self, photo_id: int) -> _Shown:
        """Return a photo with what the set says of it now; only the comparison is kept."""
        photo = self._catalogue.photo(photo_id)
        specimen = self._catalogue.specimen(photo.specimen)
        group = genuine_group(specimen, photo.view, photo.lighting)
        looked = self._looked.get(
            photo_id,
            (photo, group, self._source.consensus(group)),
            lambda: self._source.look(photo, group),
        )
        what = f"This photo of {specimen.name}"
        if looked is None:
            says = held_words(what, None, group)
            return _Shown(self._source.pixels(photo), None, (), None, None, says)
        points = self._source.points(group) if looked.laid.registered else []
        if not points and specimen.standing is Standing.FAKE:
            points = places_that_differ(looked.comparison)
        return _Shown(
            looked.laid.pixels, looked.consensus, tuple(points), looked.comparison, looked.mapped,
            held_words(what, looked.comparison, group),
        )  # fmt: skip

    # ------------------------------------------------------------------ results

    def scores(
        self, *, learner: str | None = None, practice_round: RoundRecord | None = None
    ) -> Scores:
        """Return the results of all answers, or of one learner or round."""
        return scores_of(self.answers(learner=learner, practice_round=practice_round))

    def answers(
        self, *, learner: str | None = None, practice_round: RoundRecord | None = None
    ) -> list[Answer]:
        """Return answers, oldest first, with lessons and points named as they are now."""
        answers = self._practice.answers(learner=learner, practice_round=practice_round)
        facts = self._catalogue.facts({one.photo_id for one in answers})
        return [as_named_now(one, facts.get(one.photo_id)) for one in answers]

    def learners(self) -> Sequence[str]:
        """Return who has answered."""
        return self._practice.learners()

    def due(self, learner: str) -> list[Due]:
        """Return when each lesson of a learner is due, soonest first."""
        found = schedule(self.answers(learner=learner))
        return sorted(found.values(), key=lambda one: one.at)

    # ------------------------------------------------------------------ on paper

    def quiz(
        self,
        practice_round: RoundRecord,
        *,
        seed: int = 1,
        paper: Paper = Paper.A4,
        made_at: datetime | None = None,
    ) -> tuple[bytes, bytes]:
        """Return a printable quiz and, apart from it, its answer key; the same seed, the same quiz.

        Raises
        ------
        PracticeInvalid
            If there is nothing to ask, or no photo drawn can be read.
        """
        definition = RoundDefinition.from_dict(practice_round.definition)
        facts = self._asked(definition)
        if not facts:
            raise PracticeInvalid("The set no longer holds a photo that this round could ask.")
        now = made_at or datetime.now(UTC)
        chance = random.Random(f"{practice_round.name}/{seed}")
        chosen = _draw(facts, {}, (), now, definition.questions, chance)
        asked, left_out = self._all_on_paper(chosen)
        name = f"{practice_round.name}, no. {seed}"
        info = self._catalogue.info()
        return (
            make_quiz(name, asked, info, paper=paper, made_at=now),
            make_key(name, asked, info, paper=paper, made_at=now, left_out=left_out),
        )

    def _all_on_paper(self, chosen: Sequence[int]) -> tuple[list[Asked], list[str]]:
        """Return questions, and the specimens whose photo is damaged or gone."""
        asked: list[Asked] = []
        left_out: list[str] = []
        for photo_id in chosen:
            photo = self._catalogue.photo(photo_id)
            try:
                self._source.pixels(photo)
            except (SetDamaged, PhotoError):
                left_out.append(photo.specimen)
            else:
                asked.append(self._on_paper(photo))
        if not asked:
            raise PracticeInvalid(
                "No photo that was drawn can be read. Run `loupebook verify`: it names the files."
            )
        return asked, left_out

    def _on_paper(self, photo: PhotoRecord) -> Asked:
        specimen = self._catalogue.specimen(photo.specimen)
        group = genuine_group(specimen, photo.view, photo.lighting)
        shown = self._look_up(photo.photo_id)
        answer = photo_plate(self._source, specimen, photo, group=group, points=shown.points)
        beside = consensus_plate(self._source, group, design_words(specimen), points=shown.points)
        question = photo_plate(self._source, specimen, photo)
        return Asked(replace(question, bare=True), answer, beside, shown.points, shown.says)


class _Kept(Generic[Made]):
    """The latest few things made of photos, each for as long as what it was made of stands.

    Whoever asks for what another thread is making waits for it; other photos do not.
    """

    def __init__(self) -> None:
        self._held: dict[int, tuple[object, Made]] = {}
        self._lock = Lock()
        # Weak, so that a photo has a lock only as long as somebody asks for it.
        self._making: WeakValueDictionary[int, Lock] = WeakValueDictionary()

    def get(self, photo_id: int, made_of: object, make: Callable[[], Made]) -> Made:
        """Return what was made for a photo, made where it is not at hand."""
        with self._lock:
            making = self._making.setdefault(photo_id, Lock())
        with making:
            known = self._held.get(photo_id)
            if known is None or known[0] != made_of:
                known = made_of, make()
                self._keep(photo_id, known)
            return known[1]

    def _keep(self, photo_id: int, known: tuple[object, Made]) -> None:
        with self._lock:
            kept = list(self._held.items())[1 - _MOST_KEPT :]
            self._held = {**dict(kept), photo_id: known}


def _pixels_without(consensus: Consensus, specimen: str) -> NDArray[np.uint8] | None:
    rest = consensus.without(specimen)
    return None if rest is None else rest.pixels


@dataclass(frozen=True, eq=False)
class _Shown:
    """A photo and what is known of it."""

    pixels: NDArray[np.uint8]
    genuine: NDArray[np.uint8] | None
    points: tuple[SheetPoint, ...]
    comparison: Comparison | None
    mapped: Mapped | None
    says: str

    def explained(self, answer: Answer) -> Explained:
        return Explained(answer, self.pixels, self.genuine, self.points, self.says)

    def departs_at(self, point: SheetPoint) -> bool:
        """Say whether a point was measured to differ; True where it was not measured."""
        figures = self.comparison.figures if self.comparison else ()
        figure = next((one for one in figures if one.name == "structure"), None)
        if point.measured or figure is None or figure.map is None:
            return True
        rows, columns = figure.map.shape
        place = point.place
        inside = figure.map[
            int(place.top * rows) : max(1, round((place.top + place.height) * rows)),
            int(place.left * columns) : max(1, round((place.left + place.width) * columns)),
        ]
        return bool(inside.size and float(np.percentile(inside, 99)) >= _SHOWS)


def judged_places(
    shown: _Shown, marks: Sequence[tuple[float, float]], *, fake: bool
) -> dict[str, str]:
    """Return what became of each point: found, missed, or marked on a genuine one.

    Parameters
    ----------
    shown : _Shown
        The photo with its points.
    marks : sequence of (x, y)
        Where the learner marked, fractions of the photo.
    fake : bool
        Whether the specimen is fake.
    """
    if shown.mapped is None:
        return {}
    in_frame = [place for mark in marks if (place := frame_place(shown.mapped, mark)) is not None]
    outcomes: dict[str, str] = {}
    for point in shown.points:
        marked = any(point.place.grown(_NEAR).contains(*place) for place in in_frame)
        name = MEASURED if point.measured else point.name
        if not fake:
            if marked:
                outcomes[name] = "false alarm"
        elif marked:
            outcomes[name] = "found"
        elif shown.departs_at(point):
            # Of several measured places it is enough to have seen one.
            outcomes.setdefault(name, "missed")
    return outcomes


def frame_place(mapped: Mapped, mark: tuple[float, float]) -> tuple[float, float] | None:
    """Return where a mark on the photo lies in the frame, fractions; `None` if outside."""
    apart = np.linalg.norm(mapped.at - np.asarray(mark), axis=-1)
    apart[~mapped.valid] = np.inf
    row, column = np.unravel_index(int(np.argmin(apart)), apart.shape)
    if apart[row, column] > 0.02:
        return None
    return (column + 0.5) / apart.shape[1], (row + 0.5) / apart.shape[0]


def _draw(
    facts: Mapping[int, PhotoFacts],
    due: Mapping[str, Due],
    answers: Sequence[Answer],
    at: datetime,
    count: int,
    chance: random.Random,
) -> list[int]:
    """Choose photos: one a specimen, a fair coin for the standing, due lessons first."""
    seen = {answer.photo_id: number for number, answer in enumerate(answers)}
    lessons: dict[str, list[int]] = {}
    for photo in chance.sample(sorted(facts), len(facts)):
        lessons.setdefault(lesson_of(facts[photo]), []).append(photo)
    for photos in lessons.values():
        photos.sort(key=lambda photo: seen.get(photo, -1))
    order = {name: _urgency(due.get(name), at) for name in lessons}
    waiting: dict[Standing, list[str]] = {standing: [] for standing in Standing}
    for name in sorted(lessons, key=lambda name: (order[name], chance.random())):
        waiting[facts[lessons[name][0]].standing].append(name)
    chosen: list[int] = []
    used: set[str] = set()
    while len(chosen) < count and any(waiting.values()):
        standing = chance.choice([one for one in Standing if waiting[one]])
        name = waiting[standing].pop(0)
        free = [photo for photo in lessons[name] if facts[photo].specimen not in used]
        if not free:
            continue
        chosen.append(free[0])
        used.add(facts[free[0]].specimen)
        lessons[name].remove(free[0])
        waiting[standing].append(name)
    return chosen


def _urgency(due: Due | None, at: datetime) -> tuple[int, float]:
    """Return a sort key: due lessons first, the longest overdue foremost; then new; then others."""
    if due is None:
        return 1, 0.0
    wait = (due.at - at).total_seconds()
    return (0, wait) if wait <= 0 else (2, wait)


def answers_csv(answers: Sequence[Answer]) -> str:
    """Return answers as CSV text, one a row.

    A leading ``=``, ``+``, ``-`` or ``@`` would make a spreadsheet run a cell as a formula,
    so such text is marked with an apostrophe.
    """
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(
        ["at", "learner", "sitting", "photo", "lesson", "truth", "given", "right", "confidence",
         "places"]
    )  # fmt: skip
    for one in answers:
        places = "; ".join(f"{point} {became}" for point, became in one.places.items() if point)
        row = [one.at, one.learner, one.sitting, one.photo_id, one.lesson, one.truth, one.given,
               one.right, one.confidence, places]  # fmt: skip
        writer.writerow(
            f"'{cell}" if isinstance(cell, str) and cell[:1] in "=+-@" and cell else cell
            for cell in row
        )
    return stream.getvalue()
