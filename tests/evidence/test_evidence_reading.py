from __future__ import annotations

import json

import numpy as np
import pytest

from loupebook.evidence.openset import judge_closeness
from loupebook.evidence.reading import Basis, reading_without_calibration

KEYS = {
    "close_reference", "p_value", "known_press", "unseen_press", "basis", "needs", "says",
    "does_not_say",
}  # fmt: skip


def basis(genuine: int, fake: int, origins: int) -> Basis:
    return Basis(genuine, fake, origins, encoder="lite0@0123", set_version=7)


def test_small_set_gets_words_and_no_number() -> None:
    closeness = judge_closeness(0.7, [0.8, 0.6])
    reading = reading_without_calibration(
        closeness=closeness, basis=basis(2, 1, 1), element="band", nearest="S-1"
    )
    assert set(reading) == KEYS
    assert reading["close_reference"] is None
    assert reading["known_press"] is None
    assert "8 more genuine and 9 more fake bands for a figure of strength" in reading["needs"]
    assert any("4 more print origins" in need for need in reading["needs"])
    assert "S-1" in reading["says"]
    json.dumps(reading)


@pytest.mark.parametrize(("genuine", "fake"), [(0, 0), (12, 0), (0, 12)])
def test_one_sided_sets_say_what_is_missing(genuine: int, fake: int) -> None:
    reading = reading_without_calibration(
        closeness=judge_closeness(0.4, []), basis=basis(genuine, fake, 0), nearest="S-1"
    )
    assert ("more genuine" in reading["needs"][0]) == (genuine < 10)
    assert ("more fake" in reading["needs"][0]) == (fake < 10)


def test_far_query_is_called_far() -> None:
    reading = reading_without_calibration(
        closeness=judge_closeness(0.1, np.linspace(0.5, 0.9, 40)),
        basis=basis(30, 20, 6),
        nearest="S-1",
    )
    assert reading["close_reference"] is False
    assert "no close reference" in reading["says"]
    assert reading["needs"] == []


def test_nothing_found_makes_no_claim() -> None:
    reading = reading_without_calibration(
        closeness=judge_closeness(None, []), basis=basis(0, 0, 0), nearest=None
    )
    assert reading["says"] == "Nothing in this set was found near the photo."


def test_what_it_does_not_say_is_always_there() -> None:
    for similarity in (0.1, 0.8):
        reading = reading_without_calibration(
            closeness=judge_closeness(similarity, np.linspace(0.5, 0.9, 40)),
            basis=basis(30, 20, 6),
            nearest="S-1",
        )
        assert "does not say that the item is genuine" in reading["does_not_say"]
        assert "copies also lie" in reading["does_not_say"]
        assert "is genuine" not in reading["says"]
