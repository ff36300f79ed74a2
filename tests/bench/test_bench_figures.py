"""Figures of the retrieval benchmark, by hand."""

from __future__ import annotations

import numpy as np
import pytest

from loupebook.bench.cases import BenchCase, BenchQuery, BenchReference
from loupebook.bench.figures import (
    Ranking,
    estimate,
    figures_of,
    overlap,
)
from loupebook.evidence.ranking import area_under_roc, average_precision


def blank() -> np.ndarray:
    return np.zeros((100, 100, 3), np.uint8)


def test_what_was_never_returned_counts_as_never_found() -> None:
    assert average_precision(np.array([True, False]), 4) == pytest.approx(0.25)


def test_a_query_that_found_nothing_lies_below_all_others() -> None:
    """Scikit-learn holds the area to account in ``tests/external``; it takes no infinities."""
    assert area_under_roc([1.0, 2.0, float("-inf")], [True, True, False]) == 1.0


def test_overlap_of_squares() -> None:
    square = np.array([[10, 10], [49, 10], [49, 49], [10, 49]], float)
    assert overlap(square, square, (100, 100)) == 1.0
    assert overlap(square, square + np.array([20, 0]), (100, 100)) == pytest.approx(1 / 3)
    assert overlap(square, square + 50, (100, 100)) == 0.0


def test_intervals_resample_specimens_not_photos() -> None:
    values = [1.0] * 50 + [0.0] * 50
    by_photo = estimate(values, [str(n) for n in range(100)])
    by_specimen = estimate(values, ["a"] * 50 + ["b"] * 50)
    assert by_photo.value == by_specimen.value == 0.5
    assert (by_specimen.low, by_specimen.high) == (0.0, 1.0)
    assert by_photo.high - by_photo.low < 0.3


@pytest.mark.parametrize(
    ("found", "low", "high"),
    [(1.0, 0.722, 1.0), (0.0, 0.0, 0.278)],
)
def test_all_or_none_of_few_specimens_has_limits_of_some_width(
    found: float, low: float, high: float
) -> None:
    """Of ten trials: Brown, Cai, DasGupta (2001), doi:10.1214/ss/1009213286, the Wilson interval
    (n / (n + z²) for all of n); resampled, they would be no width apart."""
    made = estimate([found] * 30, [f"specimen {number // 3}" for number in range(30)])
    assert (made.value, made.count) == (found, 30)
    assert (made.low, made.high) == pytest.approx((low, high), abs=1e-3)


def test_figures_count_specimens_and_standing() -> None:
    references = [
        BenchReference(blank, "A", "a1", "genuine", "house"),
        BenchReference(blank, "A", "a1", "genuine", "house"),
        BenchReference(blank, "A", "a2", "fake", "press"),
        BenchReference(blank, "B", "b1", "genuine", "other"),
    ]
    queries = [
        BenchQuery(blank, "A", "q1", "fake", "press", strata={"element": "band"}),
        BenchQuery(blank, "C", "q2", "genuine", "none"),
    ]
    case = BenchCase("small", "drawn", references, queries)
    rankings = [Ranking([3, 0, 1, 2], 5.0, None, 0.01), Ranking([3], 1.0, None, 0.03)]
    row = figures_of("some", case, rankings)
    assert row.figures["recall@1"].value == 0.0
    assert row.figures["recall@5"].value == 1.0
    # Specimens in order: b1, a1, a2; the right ones stand second and third.
    assert row.figures["mAP"].value == pytest.approx((1 / 2 + 2 / 3) / 2)
    assert row.figures["origin mAP"].value == pytest.approx(1 / 3)
    assert row.figures["standing"].value == 0.0
    assert row.figures["nearest genuine"].value == 0.0
    assert row.absent_area == 1.0
    assert row.strata["element"]["band"].count == 1
    assert row.milliseconds == pytest.approx(20)
