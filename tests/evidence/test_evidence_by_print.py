"""Readings by print: calibrated on the set's own prints, bounded, and silent where they must be."""

from __future__ import annotations

import numpy as np
import pytest

from loupebook.compare import LeftOut
from loupebook.evidence.by_print import COARSEST, PrintCalibration, calibrate_prints, read_print
from loupebook.evidence.metrics import cllr
from loupebook.records.model import Standing
from print_rows import SEEN, a_fact, a_set


def calibrated(**told: float) -> PrintCalibration:
    return calibrate_prints(*a_set(**told))["seal"]  # type: ignore[arg-type]


def read(held: PrintCalibration, z: float, px_per_mm: float | None = SEEN) -> dict:
    return read_print(
        held, departure=z, px_per_mm=px_per_mm, element="seal", comparison="comparison",
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
    assert held.px_per_mm == SEEN
    assert read(held, 0.0, COARSEST * SEEN)["known_press"] is not None
    coarse = read(held, 0.0, COARSEST * SEEN - 0.5)
    assert coarse["known_press"] is None
    assert coarse["unseen_press"] is None
    assert "shows 6 px a mm" in coarse["says"]
    assert "Take it closer" in coarse["says"]
    # Without a scale there is nothing to hold against each other.
    assert read(held, 0.0, None)["known_press"] is not None


def test_the_words_name_the_copy_the_condition_and_the_limits() -> None:
    reading = read(calibrated(), 3.5)
    assert "more probable for a copy" in reading["says"]
    assert "only if your item is of the design" in reading["says"]
    assert "does not say that the item is genuine" in reading["does_not_say"]
    assert "20 genuine and 20 fake seals of this set" in reading["says"]
    assert reading["basis"]["genuine"] == 20
    assert reading["basis"]["set_version"] == 4
    # Two figures on one rung of the scale are one sentence, with the more careful of them.
    sentence = reading["says"].split("\n\n")[0]
    careful = min(
        (reading[press]["log10_lr"] for press in ("known_press", "unseen_press")), key=abs
    )
    assert "a copy from any press, known to the set or not" in sentence
    assert f"{10**-careful:.2g} times" in sentence or f"{10**-careful:.0f} times" in sentence


def test_prints_that_could_not_be_laid_or_were_withdrawn_take_no_part() -> None:
    rows, facts = a_set()
    rows += [LeftOut(len(rows), "s99", laid=False, z=None), LeftOut(9999, "gone", True, 9.0)]
    facts[len(rows) - 2] = a_fact("s99", Standing.GENUINE, None)
    assert calibrate_prints(rows, facts)["seal"].genuine == 20
    assert calibrate_prints([], facts) == {}


@pytest.mark.parametrize("press", ["known", "unseen"])
def test_likelihood_ratios_of_the_sets_own_prints_are_left_out_ones(press: str) -> None:
    rows, facts = a_set()
    held = calibrate_prints(rows, facts)["seal"].held[press]
    assert held.genuine.sum() == 40
    # What a photo's own unit says of itself would make it larger than a fit without it.
    figures = held.figures()
    assert figures["cllr_min"] <= figures["cllr"] < 1
