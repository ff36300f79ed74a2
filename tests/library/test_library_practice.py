"""Practice rounds: what is asked, what is kept back, what is learnt from the answers."""

from __future__ import annotations

import csv
import io
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path
from threading import Event, Lock

import pytest

from loupebook.compare import Group
from loupebook.errors import PracticeInvalid, RecordConflict, RecordInvalid, RecordNotFound
from loupebook.library import (
    Library,
    Lighting,
    RoundDefinition,
    Sitting,
    answers_csv,
    practice,
)
from loupebook.library.practice_lessons import design_words
from loupebook.library.sheets import Looked, SetSource
from loupebook.records import Answer, Practice
from loupebook.records.model import Element, PhotoRecord, SpecimenRecord, Standing
from loupebook.sheets.templates.common import genuine_group
from taught_set import (
    EDITION,
    PATCH,
    PHOTO_PX,
    copied_print,
    genuine_print,
    opened_copy,
    photo,
)

pdfium = pytest.importorskip("pypdfium2", reason="pypdfium2 is not installed (extra 'test')")
START = datetime(2026, 3, 1, 9, 0, tzinfo=UTC)
DESIGN = f"Marque A, {EDITION}, band"


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
        outcomes.setdefault(lesson, set()).add(explained.answer.places.get(f"{DESIGN}: Left patch"))
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


def test_what_is_drawn_later_is_in_the_explanation(library: Library, begun: Sitting) -> None:
    asked = begun.photo_ids[0]
    before = [point.name for point in library.practice.explain(begun, asked).points]
    later = library.points.add(
        1, PATCH, title="Later", genuine_shows="plain", copies_show="a patch", by="a curator"
    )
    try:
        after = [point.name for point in library.practice.explain(begun, asked).points]
    finally:
        library.points.retire(later.point_id, by="a curator")
    assert after == [*before, "Later"]


def test_the_comparison_is_made_once(
    library: Library, begun: Sitting, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = begun.photo_ids[0]
    library.practice.explain(begun, asked)

    def refuse(*_: object) -> None:
        raise AssertionError("compared again")

    monkeypatch.setattr(SetSource, "look", refuse)
    library.practice.explain(begun, asked)


def test_an_answer_waits_for_the_comparison_made_ahead(
    library: Library, begun: Sitting, monkeypatch: pytest.MonkeyPatch
) -> None:
    compared: list[int] = []
    both_ask = Event()
    look = SetSource.look

    class WatchedLock:
        """Tells when somebody has to wait."""

        def __init__(self) -> None:
            self._lock = Lock()

        def __enter__(self) -> None:
            if self._lock.locked():
                both_ask.set()
            self._lock.acquire()

        def __exit__(self, *_: object) -> None:
            self._lock.release()

    def counted(source: SetSource, photo: PhotoRecord, group: Group) -> Looked | None:
        compared.append(photo.photo_id)
        if len(compared) == 2:
            both_ask.set()
        assert both_ask.wait(60)
        return look(source, photo, group)

    monkeypatch.setattr(practice, "Lock", WatchedLock, raising=False)
    monkeypatch.setattr(SetSource, "look", counted)
    trainer = practice.Trainer(library._catalogue, library.sheet_source, dict)
    sitting = trainer.sit(begun.practice_round, learner="Una", at=START)
    asked = sitting.photo_ids[0]
    with ThreadPoolExecutor(2) as threads:
        asking = [
            threads.submit(trainer.look_ahead, asked),
            threads.submit(trainer.answer, sitting, asked, given="fake", confidence=0.9, at=START),
        ]
    for one in asking:
        one.result()
    assert compared == [asked]


def test_the_genuine_picture_beside_is_made_without_the_specimen_asked_about(
    library: Library,
) -> None:
    (shown,) = library.photos("G-0")
    group = genuine_group(library.specimen("G-0"), shown.view, shown.lighting)
    rest = library.sheet_source.consensus(group).without("G-0")
    assert (library.practice.genuine_beside(shown.photo_id) == rest.pixels).all()


def test_scores_are_of_one_learner_or_of_all(library: Library, begun: Sitting) -> None:
    own = library.practice.scores(learner="Lea")
    assert own.answers == 4
    assert library.practice.scores().answers >= 4
    assert library.practice.scores(practice_round=begun.practice_round).answers >= 4
    assert "Lea" in library.practice.learners()
    assert library.practice.answers(learner=" Lea ") == library.practice.answers(learner="Lea")
    again = library.practice.sit(begun.practice_round, learner=" Lea", at=START)
    assert again.learner == "Lea"
    assert library.practice.round(" First ") == begun.practice_round


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


def test_a_damaged_photo_costs_the_quiz_one_question(taught_folder: Path, tmp_path: Path) -> None:
    library = opened_copy(taught_folder, tmp_path / "set")
    made = library.practice.make_round("First", RoundDefinition(questions=4), by="a trainer")
    drawn = library.practice.sit(made, learner="Lea", at=START).photo_ids

    def damage(photo_id: int) -> str:
        one = library._catalogue.photo(photo_id)
        (file,) = (tmp_path / "set").rglob(f"{one.sha256}*")
        file.chmod(0o644)
        file.write_bytes(file.read_bytes()[:100])
        return one.specimen

    def printed() -> list[str]:
        return [
            " ".join(
                " ".join(p.get_textpage().get_text_range().split()) for p in pdfium.PdfDocument(f)
            )
            for f in library.practice.quiz(made, seed=3, made_at=START)
        ]

    _, whole = printed()
    chosen = next(p for p in drawn if library._catalogue.photo(p).specimen in whole)
    # A point drawn on it costs the others nothing either.
    library.points.add(
        chosen,
        PATCH,
        title="Left patch",
        genuine_shows="plain",
        copies_show="white",
        by="a curator",
    )
    library = Library.open(tmp_path / "set")
    broken = damage(chosen)
    quiz, key = printed()
    assert quiz.count("cannot tell") == 4
    assert f"damaged or missing: {broken}." in key
    assert broken not in quiz
    for photo_id in library.practice._asked(RoundDefinition()):
        damage(photo_id)
    with pytest.raises(PracticeInvalid, match="loupebook verify"):
        printed()


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
    with pytest.raises(RecordInvalid, match="no confirmed specimen of Edition Z"):
        library.practice.make_round("Z", RoundDefinition((EDITION, "Edition Z")), by="t")


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


@pytest.fixture(scope="module")
def two_makers(tmp_path_factory: pytest.TempPathFactory) -> Library:
    made = Library.create(tmp_path_factory.mktemp("makers") / "set", name="Two makers")
    pictures = {"genuine": genuine_print(), "fake": copied_print(0)}
    for marque in ("Abelo", "Zunda"):
        for turn, (standing, picture) in enumerate(pictures.items()):
            name = f"{marque}-{standing}"
            record = SpecimenRecord(
                name, Element.BAND, Standing(standing), marque=marque, edition="Robusto",
                origin="press-1" if turn else None,
            )  # fmt: skip
            # Stored by content: the same picture could not be two specimens.
            shot = photo(picture.rotate(0.5 * (marque == "Zunda")), f"{name}.png")
            assert made.add_specimen(record, [shot], by="a curator").ok
    return made


def test_editions_of_two_makers_that_share_a_name_are_two_lessons(two_makers: Library) -> None:
    both = two_makers.practice.make_round("Both", RoundDefinition(("Robusto",)), by="t")
    asked = specimens(two_makers, two_makers.practice.sit(both, learner="Lea", at=START))
    assert len(asked) == 4
    designs = two_makers.practice.designs()
    assert designs == ["Abelo, Robusto, band", "Zunda, Robusto, band"]
    one = two_makers.practice.make_round("One", RoundDefinition((designs[1],)), by="t")
    sitting = two_makers.practice.sit(one, learner="Lea", at=START)
    assert sorted(specimens(two_makers, sitting)) == ["Zunda-fake", "Zunda-genuine"]
    for photo_id in sitting.photo_ids:
        two_makers.practice.answer(sitting, photo_id, given="fake", confidence=1.0, at=START)
    assert {due.lesson for due in two_makers.practice.due("Lea")} == {
        "Zunda, Robusto, band: genuine",
        "Zunda, Robusto, band: press-1",
    }


def test_what_was_answered_under_the_name_of_the_edition_alone_counts_on(
    two_makers: Library,
) -> None:
    made = two_makers.practice.make_round("Before", RoundDefinition(), by="t")
    (shown,) = two_makers.photos("Abelo-fake")
    places = {"Robusto: Left patch": "found", "": [[0.5, 0.5]]}
    Practice(two_makers._catalogue).record(
        made,
        Answer(
            "s", "Max", shown.photo_id, "Robusto: press-1", "fake", "fake", 0.8, places,
            START.isoformat(),
        ),
    )  # fmt: skip
    (due,) = two_makers.practice.due("Max")
    assert due.lesson == "Abelo, Robusto, band: press-1"
    (point,) = two_makers.practice.scores(learner="Max").points
    assert (point.point, point.found) == ("Abelo, Robusto, band: Left patch", 1)


def test_one_genuine_specimen_alone_is_not_shown_beside_anything(two_makers: Library) -> None:
    for specimen in ("Abelo-genuine", "Abelo-fake"):
        (shown,) = two_makers.photos(specimen)
        assert two_makers.practice.genuine_beside(shown.photo_id) is None


@pytest.mark.parametrize(
    ("marque", "edition", "element", "words"),
    [
        ("Belquora", "Belquora band I", Element.BAND, "Belquora band I"),
        ("Belquora", "Belquora band I", Element.SEAL, "Belquora band I, seal"),
        ("Ro", "Robusto", Element.BAND, "Ro, Robusto, band"),
        (None, "Robusto", Element.CAP, "Robusto, cap"),
    ],
)
def test_a_design_is_named_by_what_its_edition_leaves_unsaid(
    marque: str | None, edition: str, element: Element, words: str
) -> None:
    record = SpecimenRecord("S", element, Standing.GENUINE, marque=marque, edition=edition)
    assert design_words(record) == words
