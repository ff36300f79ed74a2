"""Practice rounds: what is asked, what is kept back, what is learnt from the answers."""

from __future__ import annotations

import csv
import io
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from loupebook.errors import PracticeInvalid, RecordConflict, RecordInvalid, RecordNotFound
from loupebook.library import Library, Lighting, RoundDefinition, Sitting, answers_csv
from loupebook.records import Answer, Practice
from taught_set import EDITION, PATCH, PHOTO_PX, opened_copy

pdfium = pytest.importorskip("pypdfium2", reason="pypdfium2 is not installed (extra 'test')")
START = datetime(2026, 3, 1, 9, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def library(taught_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Library:
    made = opened_copy(taught_folder, tmp_path_factory.mktemp("practice") / "set")
    made.points.add(
        1, PATCH, title="Left patch",
        genuine_shows="plain", copies_show="a white patch", by="a curator",
    )  # fmt: skip
    return made


@pytest.fixture(scope="module")
def begun(library: Library) -> Sitting:
    made = library.practice.make_round("First", RoundDefinition(questions=4), by="a trainer")
    return library.practice.sit(made, learner="Lea", at=START)


def specimens(library: Library, sitting: Sitting) -> list[str]:
    return [library.photo(photo_id).specimen for photo_id in sitting.photo_ids]


def test_each_specimen_is_asked_once_and_both_standings_can_come(
    library: Library, begun: Sitting
) -> None:
    asked = specimens(library, begun)
    assert len(asked) == len(set(asked)) == 4


def test_a_learner_who_comes_again_sees_none_of_what_was_just_answered(
    library: Library, begun: Sitting
) -> None:
    for minute, photo_id in enumerate(begun.photo_ids):
        library.practice.answer(
            begun, photo_id, given="fake", confidence=0.9, at=START + timedelta(minutes=minute)
        )
    for _ in range(10):
        again = library.practice.sit(begun.practice_round, learner="Lea", at=START)
        assert not set(specimens(library, again)) & set(specimens(library, begun))
    other = library.practice.sit(begun.practice_round, learner="Max", at=START)
    assert len(other.photo_ids) == 4


def test_what_was_missed_is_due_tomorrow_and_asked_first(library: Library, begun: Sitting) -> None:
    missed = {
        one.lesson for one in library.practice.answers(learner="Lea") if one.truth == "genuine"
    }
    due = {one.lesson: one for one in library.practice.due("Lea")}
    for lesson in missed:
        assert due[lesson].at.date() == (START + timedelta(days=1)).date()
    known = {one.lesson for one in library.practice.answers(learner="Lea")}
    assert set(due) == known


def test_marks_are_judged_in_the_frame(library: Library) -> None:
    sitting = library.practice.sit(library.practice.round("First"), learner="Ann", at=START)
    x, y = (sum(values) / len(PATCH) / PHOTO_PX for values in zip(*PATCH, strict=True))
    middle = (x, y)
    outcomes = {}
    for photo_id in sitting.photo_ids:
        explained = library.practice.answer(
            sitting, photo_id, given="fake", confidence=0.8, marks=[middle]
        )
        lesson = explained.answer.lesson
        outcomes.setdefault(lesson, set()).add(
            explained.answer.places.get(f"{EDITION}: Left patch")
        )
        shown, genuine = explained.pictures()
        assert shown.shape == genuine.shape
        assert [point.name for point in explained.points] == ["Left patch"]
        specimen = library.photo(photo_id).specimen
        assert explained.says.startswith(
            f"This photo of {specimen}, held against known genuine ones of {EDITION} ("
        )
    for lesson, found in outcomes.items():
        assert found == ({"false alarm"} if lesson.endswith("genuine") else {"found"}), lesson


def test_answers_are_checked_and_given_once(library: Library, begun: Sitting) -> None:
    first = begun.photo_ids[0]
    with pytest.raises(RecordConflict, match="answered in this sitting already"):
        library.practice.answer(begun, first, given="fake", confidence=0.9)
    assert library.practice.explain(begun, first).answer.at == START.isoformat()
    with pytest.raises(RecordNotFound, match="not answered"):
        library.practice.explain(begun, 9999)
    with pytest.raises(RecordInvalid, match="given"):
        library.practice.answer(begun, first, given="perhaps", confidence=0.9)
    with pytest.raises(RecordInvalid, match="confidence"):
        library.practice.answer(begun, first, given="fake", confidence=0.3)
    with pytest.raises(RecordInvalid, match="not part"):
        library.practice.answer(begun, 9999, given="fake", confidence=0.9)


def test_scores_are_of_one_learner_or_of_all(library: Library, begun: Sitting) -> None:
    own = library.practice.scores(learner="Lea")
    assert own.answers == 4
    assert library.practice.scores().answers >= 4
    assert library.practice.scores(practice_round=begun.practice_round).answers >= 4
    assert "Lea" in library.practice.learners()


def test_every_answer_is_a_row_of_the_csv(library: Library) -> None:
    answers = library.practice.answers()
    rows = list(csv.DictReader(io.StringIO(answers_csv(answers))))
    assert [row["learner"] for row in rows] == [answer.learner for answer in answers]
    assert rows[0]["given"] == "fake"


def test_answers_change_neither_the_version_nor_the_log(library: Library, begun: Sitting) -> None:
    before = (library.info().change_counter, len(library.log()))
    sitting = library.practice.sit(begun.practice_round, learner="Eve", at=START)
    library.practice.answer(sitting, sitting.photo_ids[0], given="cannot tell", confidence=1.0)
    assert (library.info().change_counter, len(library.log())) == before
    assert library.practice.answers(learner="Eve")[0].confidence == 0.5


def test_the_printed_quiz_gives_nothing_away_and_the_key_tells_all(
    library: Library, begun: Sitting
) -> None:
    quiz, key = library.practice.quiz(begun.practice_round, seed=3, made_at=START)
    asked, told = (
        " ".join(" ".join(p.get_textpage().get_text_range().split()) for p in pdfium.PdfDocument(f))
        for f in (quiz, key)
    )
    for specimen in library.specimens():
        assert specimen.name not in asked
        assert specimen.name.encode() not in quiz
    assert "press-" not in asked
    assert asked.count("cannot tell") == 5
    assert "Answer key" in told
    assert sum(told.count(one.name) for one in library.specimens()) >= 4
    assert "drawn, invented" in asked
    assert "drawn, invented" in told
    again, _ = library.practice.quiz(begun.practice_round, seed=3, made_at=START)
    assert again == quiz


def test_hard_rounds_ask_near_copies_and_easy_ones_far(library: Library) -> None:
    near = library._nearness_to_genuine()
    asked = {}
    for difficulty in ("easy", "hard"):
        definition = RoundDefinition(questions=6, difficulty=difficulty)
        chosen = library.practice._asked(definition)
        fakes = [near[photo] for photo, fact in chosen.items() if fact.standing == "fake"]
        asked[difficulty] = sum(fakes) / len(fakes)
    assert asked["hard"] > asked["easy"]


def test_rounds_that_cannot_teach_are_refused(library: Library) -> None:
    with pytest.raises(PracticeInvalid, match="genuine and of fake"):
        library.practice.make_round("UV", RoundDefinition(lighting=Lighting.UV_A), by="t")
    with pytest.raises(RecordConflict, match="already"):
        library.practice.make_round("First", RoundDefinition(), by="t")
    with pytest.raises(RecordInvalid, match="difficulty"):
        RoundDefinition(difficulty="cruel")


def test_what_was_just_seen_is_not_asked_for_a_day(library: Library) -> None:
    made = library.practice.make_round("All", RoundDefinition(questions=99), by="t")
    sitting = library.practice.sit(made, learner="Tim", at=START)
    kept = Practice(library._catalogue)
    instant = START.isoformat()
    for photo_id in sitting.photo_ids:
        given = Answer(sitting.sitting, "Tim", photo_id, "lesson", "fake", "fake", 0.8, {}, instant)
        kept.record(made, given)
    with pytest.raises(PracticeInvalid, match="just seen"):
        library.practice.sit(made, learner="Tim", at=START + timedelta(hours=20))
    again = library.practice.sit(made, learner="Tim", at=START + timedelta(days=1))
    assert set(again.photo_ids) == set(sitting.photo_ids)
