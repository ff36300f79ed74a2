"""What a saved examination shows: the map that tells most, and what matches were ranked by."""

from __future__ import annotations

import math

import pytest

from loupebook.sheets.recorded import likeness_words, places_words, telling_map


def compared(pictures: list[str], **z: float | None) -> dict[str, object]:
    rows = [{"name": name.replace("_", " "), "z": value} for name, value in z.items()]
    return {"measurements": rows, "pictures": dict.fromkeys(pictures, "0" * 64)}


def test_the_map_is_of_the_measurement_that_departs_most() -> None:
    every = ["map-differences", "map-colour", "map-line-work"]
    told = telling_map(compared(every, structure=0.4, colour=1.9, line_work=6.2))
    assert (told.name, told.picture) == ("line work", "map-line-work")
    assert told.title == "Map: line work"
    told = telling_map(compared(every, structure=0.4, colour=-1.9, line_work=None))
    assert (told.name, told.picture) == ("structure", "map-differences")


def test_a_measurement_whose_map_was_not_saved_is_passed_over() -> None:
    told = telling_map(compared(["map-colour"], halftone_screen=9.0, colour=-0.5))
    assert told.name == "colour"
    assert telling_map(compared([], colour=5.0)) is None
    assert telling_map(compared(["map-colour"], colour=None)) is None


def test_matches_are_told_by_the_log_odds_that_ranked_them() -> None:
    assert likeness_words({"log_odds": 21.36, "similarity": 1.0}) == "21.4"
    assert likeness_words({"log_odds": None, "similarity": 1.0}) == "above 14.5"


@pytest.mark.parametrize("odds", [-9.0, -1.5, 0.0, 3.5, 6.5])
def test_log_odds_of_older_records_are_worked_out_of_the_similarity(odds: float) -> None:
    saved = {"similarity": round(1 / (1 + math.exp(-odds)), 6)}
    assert float(likeness_words(saved).replace("−", "-")) == pytest.approx(odds, abs=0.06)


@pytest.mark.parametrize(
    ("similarity", "told"), [(1.0, "above 14.5"), (0.0, "below −14.5"), (0.999999, "14")]
)
def test_no_more_digits_are_given_than_were_saved(similarity: float, told: str) -> None:
    assert likeness_words({"similarity": similarity}) == told


def test_places_are_counted_where_they_were_sought() -> None:
    assert places_words({"inliers": 265}) == "265"
    assert places_words({"inliers": None}) == "–"
