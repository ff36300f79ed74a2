"""When a lesson is asked again, held against the published rule."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from loupebook.records import Answer
from loupebook.sheets.repetition import Memory, changed_easiness, quality_of, schedule

pytestmark = pytest.mark.external
# Source: P. A. Wozniak, Optimization of learning (Master's thesis, University of Technology in
# Poznan, 1990), section 3.2: I(1) := 1, I(2) := 6, I(n) := I(n-1) * EF; EF starts at 2.5 and
# never falls below 1.3; EF' := EF + (0.1 - (5-q) * (0.08 + (5-q) * 0.02)).


@pytest.mark.parametrize(
    ("quality", "change"),
    # The rule's formula worked out by hand for each quality.
    [(5, +0.10), (4, 0.0), (3, -0.14), (2, -0.32), (1, -0.54), (0, -0.80)],
)
def test_the_easiness_changes_as_published(quality: int, change: float) -> None:
    assert changed_easiness(2.5, quality) == pytest.approx(2.5 + change)


def test_the_reduced_form_of_the_formula_agrees() -> None:
    # The thesis gives the same as EF' := EF - 0.8 + 0.28 q - 0.02 q q.
    for quality in range(6):
        reduced = 2.5 - 0.8 + 0.28 * quality - 0.02 * quality * quality
        assert changed_easiness(2.5, quality) == pytest.approx(reduced)


def test_intervals_of_unchanging_easiness() -> None:
    # With q = 4 throughout EF stays 2.5: 1, 6, 15, 37.5 rounded up to 38, then 95.
    memory, days = Memory(), []
    for _ in range(5):
        memory = memory.after(4)
        days.append(memory.days)
    assert days == [1, 6, 15, 38, 95]


def test_easiness_never_falls_below_the_least() -> None:
    memory = Memory()
    for _ in range(30):
        memory = memory.after(3)
    assert memory.easiness == pytest.approx(1.3)


@pytest.mark.parametrize("quality", [0, 1, 2])
def test_a_miss_starts_the_intervals_anew_and_leaves_the_easiness(quality: int) -> None:
    memory = Memory().after(5).after(5).after(5)
    missed = memory.after(quality)
    assert (missed.repetitions, missed.days) == (0, 1)
    assert missed.easiness == memory.easiness
    assert missed.after(5).days == 1
    assert missed.after(5).after(5).days == 6


def test_a_quality_outside_the_scale_is_refused() -> None:
    with pytest.raises(ValueError, match="0 to 5"):
        Memory().after(6)


def answer(lesson: str, given: str, confidence: float, day: float) -> Answer:
    at = datetime(2026, 1, 1, tzinfo=UTC) + timedelta(days=day)
    return Answer("s", "L", 1, lesson, "fake", given, confidence, {}, at.isoformat())


@pytest.mark.parametrize(
    ("given", "confidence", "quality"),
    [("fake", 1.0, 5), ("fake", 0.9, 5), ("fake", 0.8, 4), ("fake", 0.6, 3),
     ("cannot tell", 0.5, 2), ("genuine", 0.6, 1), ("genuine", 0.9, 0)],
)  # fmt: skip
def test_judgements_become_qualities(given: str, confidence: float, quality: int) -> None:
    assert quality_of(answer("A", given, confidence, 0)) == quality


def test_lessons_are_due_one_by_one() -> None:
    due = schedule(
        [answer("A", "fake", 0.8, 0), answer("B", "genuine", 1.0, 0), answer("A", "fake", 0.8, 1)]
    )
    assert due["A"].at == datetime(2026, 1, 8, tzinfo=UTC)
    assert due["B"].at == datetime(2026, 1, 2, tzinfo=UTC)


@pytest.mark.parametrize("hours", [0.2, 6, 11])
def test_what_is_asked_again_before_it_is_due_is_one_repetition(hours: float) -> None:
    soon = hours / 24
    right = [answer("A", "fake", 0.8, 0), answer("A", "fake", 1.0, soon)]
    assert schedule(right) == schedule(right[:1])
    missed = schedule([*right, answer("A", "genuine", 1.0, 2 * soon)])["A"]
    assert (missed.memory.repetitions, missed.memory.days) == (0, 1)
    assert missed.at == datetime(2026, 1, 2, tzinfo=UTC) + timedelta(days=2 * soon)


def test_who_practises_every_day_an_hour_sooner_is_not_early() -> None:
    daily = [answer("A", "fake", 0.8, day * 23 / 24) for day in range(7)]
    memory = schedule(daily)["A"].memory
    # Due after 1 day, then after 6: the days between count for nothing.
    assert (memory.repetitions, memory.days) == (2, 6)
    assert schedule([*daily, answer("A", "fake", 0.8, 7)])["A"].memory.days == 15
