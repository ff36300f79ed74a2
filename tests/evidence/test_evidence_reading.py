from __future__ import annotations

import json
import re
from dataclasses import replace

import numpy as np
import pytest

from loupebook.evidence.openset import judge_closeness
from loupebook.evidence.reading import (
    EITHER_PRESS,
    Basis,
    Strength,
    no_item_reading,
    reading_with_calibration,
    reading_without_calibration,
    strengths_to_tell,
)
from loupebook.evidence.verbal import support_words

KEYS = {
    "close_reference", "p_value", "nearness", "known_press", "unseen_press", "basis", "needs",
    "says", "brief", "does_not_say",
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
    assert ": none of them lie as far off" in reading["says"]
    assert "without a calibration" not in reading["says"]
    assert reading["needs"] == []


@pytest.mark.parametrize(
    ("similarity", "much"),
    [(0.78, "near as is typical"), (0.62, "nothing unusual"), (0.54, "farther off than most")],
)
def test_a_share_is_told_with_whether_it_is_much_or_little(similarity: float, much: str) -> None:
    closeness = judge_closeness(similarity, np.linspace(0.5, 0.9, 40), noticed=0.82)
    reading = reading_without_calibration(
        closeness=closeness, basis=basis(30, 20, 6), nearest="S-1"
    )
    assert closeness.close_reference
    assert "40 specimens of the set were each held against the nearest other" in reading["says"]
    share = np.mean(np.linspace(0.5, 0.9, 40) <= similarity)
    assert f"{100 * share:.0f} % of them lie no nearer than your" in reading["says"]
    assert much in reading["says"]
    assert "(At 5 % or fewer, your photo counted in, nothing counts as close.)" in reading["says"]
    assert "own maker taken out of the set: 82 % were rightly" in reading["says"]
    assert max(map(len, re.split(r"[.:)] ", reading["says"]))) < 130
    assert "S-1" in reading["brief"]
    assert len(reading["brief"]) < 170


def test_nearness_is_said_where_makers_can_be_told_apart() -> None:
    seen = judge_closeness(0.8, np.linspace(0.5, 0.9, 40), noticed=0.9)
    told = reading_without_calibration(
        closeness=replace(seen, nearness=0.83), basis=basis(40, 40, 9), element="band", nearest="S"
    )
    assert told["nearness"] == 0.83
    assert "your photo lies at 0.83" in told["says"]
    blind = replace(judge_closeness(0.8, np.linspace(0.5, 0.9, 40), noticed=0.1), nearness=0.83)
    told = reading_without_calibration(
        closeness=blind, basis=basis(40, 40, 9), element="band", nearest="S"
    )
    assert "own scale" not in told["says"]


def test_a_test_that_cannot_see_strangers_says_what_was_tried() -> None:
    closeness = judge_closeness(0.8, np.linspace(0.5, 0.9, 40), noticed=0.28)
    says = reading_without_calibration(closeness=closeness, basis=basis(30, 20, 6), nearest="S-1")[
        "says"
    ]
    assert "Whether the set holds the maker of your item cannot be told" in says
    assert "only 28 % were rightly called “nothing close”" in says


def test_why_there_is_no_figure_is_a_sentence_of_its_own() -> None:
    far = judge_closeness(0.1, np.linspace(0.5, 0.9, 40))
    near = judge_closeness(0.8, np.linspace(0.5, 0.9, 40))
    for closeness, have, why in (
        (far, basis(30, 20, 6), "figures are learned from items that lie close to the set"),
        (far, basis(30, 20, 4), "figures are learned from items that lie close to the set"),
        (near, basis(30, 20, 6), "there is no calibration for this search"),
        (near, basis(2, 1, 6), "Still needed: 8 more genuine and 9 more fake items"),
    ):
        says = reading_without_calibration(closeness=closeness, basis=have, nearest="S-1")["says"]
        assert "No figure of strength" in says
        assert why in says


@pytest.mark.parametrize("similarity", [0.1, 0.8])
def test_where_filters_leave_out_what_is_nearer_the_set_as_a_whole_is_not_judged(
    similarity: float,
) -> None:
    seen = judge_closeness(similarity, np.linspace(0.5, 0.9, 40))
    reading = reading_without_calibration(
        closeness=replace(seen, nearer_left_out=True), basis=basis(30, 20, 6), nearest="S-1",
        narrowed=True,
    )  # fmt: skip
    for words in (reading["says"], reading["brief"]):
        assert "The filters leave out some that lie nearer." in words
    assert "nearest other one of all, without filters" in reading["says"]
    assert "The set holds no close reference" not in reading["says"]
    assert "the filters leave out the nearest genuine or the nearest fake" in reading["says"]


def test_nothing_found_makes_no_claim() -> None:
    reading = reading_without_calibration(
        closeness=judge_closeness(None, []), basis=basis(0, 0, 0), nearest=None
    )
    assert reading["says"] == "Nothing in this set was found near the photo."
    assert reading["brief"] == reading["says"]


def test_of_a_picture_that_shows_no_item_no_share_is_told() -> None:
    near = judge_closeness(0.6, np.linspace(0.5, 0.9, 40))
    reading = reading_without_calibration(closeness=near, basis=basis(30, 20, 6), nearest="S-1")
    nothing = no_item_reading(reading, "nothing but noise")
    assert set(nothing) == KEYS
    assert nothing["close_reference"] is False
    assert "specimens" not in nothing["says"]
    assert "nothing but noise" in nothing["says"]
    assert "mean nothing" in nothing["brief"]
    assert nothing["does_not_say"] == reading["does_not_say"]


def test_two_figures_that_support_nothing_are_one_sentence() -> None:
    reading = reading_with_calibration(
        closeness=judge_closeness(0.8, np.linspace(0.5, 0.9, 40)),
        basis=basis(30, 20, 6),
        known_press=strength(-0.0001),
        unseen_press=strength(-0.0001),
        nearest="S-1",
    )
    assert reading["says"].count("no support for either") == 1
    assert "a copy of whatever press" in reading["says"]
    assert str(reading["known_press"]["log10_lr"]) == "0.0"


@pytest.mark.parametrize(
    ("known", "unseen", "told"),
    [(0.5, 0.6, 1), (-0.5, -0.6, 1), (0.5, -0.5, 2), (0.5, 1.2, 2), (None, 0.5, 1), (0.0, 0.1, 1)],
)
def test_two_figures_of_one_rung_and_one_way_are_one_sentence(
    known: float | None, unseen: float | None, told: int
) -> None:
    pairs = strengths_to_tell(*(None if v is None else strength(v) for v in (known, unseen)))
    assert len(pairs) == told
    if told == 1 and known is not None and unseen is not None:
        ((one, copy),) = pairs
        assert copy == EITHER_PRESS
        assert one.log10_lr == min(known, unseen, key=abs)
        assert (one.low, one.high) == (
            min(strength(v).low for v in (known, unseen)),
            max(strength(v).high for v in (known, unseen)),
        )


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


def strength(log10_lr: float) -> Strength:
    return Strength(log10_lr, log10_lr - 0.4, log10_lr + 0.3, support_words(log10_lr))


@pytest.mark.parametrize(
    ("log10_lr", "expected"),
    [
        (1.5, "about 32 times more probable for a genuine item than for a copy from a press"),
        (-1.5, "about 32 times more probable for a copy from a press that the set knows than"),
        (0.1, "no support for either"),
    ],
)
def test_strength_names_both_propositions(log10_lr: float, expected: str) -> None:
    reading = reading_with_calibration(
        closeness=judge_closeness(0.8, np.linspace(0.5, 0.9, 40)),
        basis=basis(30, 20, 2),
        known_press=strength(log10_lr),
        unseen_press=None,
        element="band",
        nearest="S-1",
    )
    assert set(reading) == KEYS
    assert expected in reading["says"]
    assert reading["known_press"]["log10_lr"] == log10_lr
    assert reading["unseen_press"] is None
    assert reading["needs"] == [
        "fakes from 3 more print origins for a figure against unseen presses"
    ]


@pytest.mark.parametrize("similarity", [0.1, None])
def test_no_figure_where_nothing_is_close(similarity: float | None) -> None:
    reading = reading_with_calibration(
        closeness=judge_closeness(similarity, np.linspace(0.5, 0.9, 40)),
        basis=basis(30, 20, 9),
        known_press=strength(1.5),
        unseen_press=strength(1.0),
        nearest="S-1" if similarity else None,
    )
    assert reading["known_press"] is None
    assert reading["unseen_press"] is None
