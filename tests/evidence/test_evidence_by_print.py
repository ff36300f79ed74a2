"""Readings by print: calibrated on the set's own prints, bounded, and silent where they must be."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from loupebook.compare import LeftOut
from loupebook.evidence.by_print import COARSEST, PrintCalibration, calibrate_prints, read_print
from loupebook.evidence.metrics import cllr
from loupebook.evidence.prints import LeftOutPrints, designs_of
from loupebook.records.model import Standing
from print_rows import a_fact, a_set


def calibrated(**told: float) -> PrintCalibration:
    return calibrate_prints(*a_set(**told))["seal"]  # type: ignore[arg-type]


def read(held: PrintCalibration, z: float, detail: float = 1.0) -> dict:
    return read_print(
        held, departure=z, detail=detail, element="seal", comparison="comparison",
        set_version=4, made_at="2026-01-01T00:00:00Z",
    )  # fmt: skip


def test_the_more_a_print_departs_the_more_speaks_for_a_copy() -> None:
    held = calibrated()
    ratios = [read(held, z)["known_press"]["log10_lr"] for z in (-0.5, 0.5, 1.5, 2.5, 3.5)]
    assert ratios == sorted(ratios, reverse=True)
    assert ratios[0] > 0.5
    assert ratios[-1] < -0.5
    # Twenty specimens bear no likelihood ratio beyond 21.
    assert abs(np.array(ratios)).max() <= np.log10(21) + 1e-9
    assert cllr(held.held["known"].log10_lr, held.held["known"].genuine) < 0.5


def test_where_prints_do_not_tell_the_figure_says_so() -> None:
    reading = read(calibrated(apart=0.0), 0.2)
    assert abs(reading["known_press"]["log10_lr"]) < np.log10(2)
    assert "no support for either" in reading["says"]


def test_it_is_specimens_and_presses_that_count_not_photos() -> None:
    held = calibrated(genuine=12, fake=12, origins=6, photos=5)
    assert (held.genuine, held.fake, held.origins) == (12, 12, 6)
    assert held.known is not None
    assert held.known.copy_units == 12
    assert held.unseen is not None
    assert held.unseen.copy_units == 6
    few = calibrated(genuine=9, photos=5)
    assert few.known is None
    assert few.unseen is None
    reading = read(few, 0.0)
    assert reading["known_press"] is None
    assert "1 more genuine seal for a figure of strength" in reading["says"]
    one_press = calibrated(origins=2)
    assert one_press.known is not None
    assert one_press.unseen is None
    assert "3 more print origins" in read(one_press, 0.0)["needs"][0]


def test_a_photo_coarser_than_the_known_ones_gets_no_figure() -> None:
    held = calibrated()
    assert read(held, 0.0, COARSEST)["known_press"] is not None
    coarse = read(held, 0.0, 0.4)
    assert coarse["known_press"] is None
    assert coarse["unseen_press"] is None
    assert "shows 40 % of the detail" in coarse["says"]
    assert "Take it closer" in coarse["says"]


def test_prints_that_wait_to_be_compared_are_named_before_specimens_are_asked_for() -> None:
    prints, facts = a_set(genuine=4)
    stale = replace(prints, missing={"seal": 9, "band": 3})
    made = calibrate_prints(stale, facts)
    for element, photos in (("seal", 9), ("band", 3)):
        says = read_print(
            made[element], departure=0.0, detail=1.0, element=element, comparison="",
            set_version=1, made_at="",
        )["says"]  # fmt: skip
        assert f"({photos} of {element}s have not)" in says
        assert "Still needed" not in says
    # Where the rest gives a figure, that is given, and what takes no part is told.
    whole, facts = a_set()
    says = read(calibrate_prints(replace(whole, missing={"seal": 2}), facts)["seal"], 0.0)["says"]
    assert "more probable" in says
    assert "(2 of seals have not)" in says


def test_a_print_held_against_one_specimen_alone_tells_nothing() -> None:
    prints, facts = a_set()
    alone = tuple(replace(row, others=1) for row in prints.rows[:2])
    made = calibrate_prints(replace(prints, rows=(*alone, *prints.rows[2:])), facts)
    assert made["seal"].genuine == 19


def test_the_words_name_the_copy_the_condition_and_the_limits() -> None:
    reading = read(calibrated(), 3.5)
    assert "more probable for a copy" in reading["says"]
    assert "only if your item is of the design" in reading["says"]
    assert "must not be multiplied" in reading["says"]
    assert "does not say that the item is genuine" in reading["does_not_say"]
    assert "Good copies lie among genuine prints" in reading["does_not_say"]
    assert reading["departure"] == 3.5
    assert "20 genuine and 20 fake seals of this set" in reading["says"]
    assert reading["basis"]["genuine"] == 20
    assert reading["basis"]["set_version"] == 4
    # Two figures on one rung of the scale are one sentence, with the more careful of them.
    sentence = reading["says"].split("\n\n")[0]
    careful = min(
        (reading[press]["log10_lr"] for press in ("known_press", "unseen_press")), key=abs
    )
    assert "a copy of whatever press" in sentence
    assert f"{10**-careful:.2g} times" in sentence or f"{10**-careful:.0f} times" in sentence


def test_prints_that_could_not_be_laid_or_were_withdrawn_take_no_part() -> None:
    prints, facts = a_set()
    count = len(prints.rows)
    more = LeftOut(count, "s99", laid=False, z=None), LeftOut(9999, "gone", True, 9.0, others=2)
    facts[count] = a_fact("s99", Standing.GENUINE, None)
    made = calibrate_prints(replace(prints, rows=(*prints.rows, *more)), facts)
    assert made["seal"].genuine == 20
    assert calibrate_prints(LeftOutPrints(()), facts) == {}


def test_the_limit_of_the_set_is_told_where_a_figure_lies_on_it() -> None:
    held = calibrated(apart=6.0)
    assert "supports no more" in read(held, 12.0)["says"]
    assert "supports no more" not in read(calibrated(apart=0.0), 0.2)["says"]


def test_one_press_and_several_are_told_apart_in_words() -> None:
    assert "of 1 recorded press." in read(calibrated(origins=1), 0.0)["says"]
    assert "of 10 recorded presses." in read(calibrated(), 0.0)["says"]


@pytest.mark.parametrize("press", ["known", "unseen"])
def test_likelihood_ratios_of_the_sets_own_prints_are_left_out_ones(press: str) -> None:
    prints, facts = a_set()
    made = calibrate_prints(prints, facts)["seal"]
    held, fit = made.held[press], getattr(made, press)
    assert held.genuine.sum() == 40
    # A unit that lies far off would bend a fit that knows it towards itself.
    inside = fit.log10_lr([-row.departure for row in prints.rows])
    assert np.abs(held.log10_lr - inside).max() > 1e-3
    figures = held.figures()
    assert figures["cllr_min"] <= figures["cllr"] < 1


def test_designs_of_two_makers_that_share_a_name_are_two() -> None:
    _, facts = a_set(genuine=4, fake=2, origins=1, photos=1)
    other = {k: fact._replace(marque="Namesake") for k, fact in facts.items() if k in (2, 3, 5)}
    designs = {one.group.marque: one for one in designs_of(facts | other)}
    assert {maker: (one.genuine, one.fake) for maker, one in designs.items()} == {
        "Marl": ((0, 1), (4,)), "Namesake": ((2, 3), (5,)),
    }  # fmt: skip
