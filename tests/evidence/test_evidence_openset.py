from __future__ import annotations

import numpy as np
import pytest

from loupebook.evidence.openset import (
    conformal_p_values,
    judge_closeness,
    noticed_share,
    specimens_needed,
)


def test_p_value_counts_the_query_in() -> None:
    # Three of nine lie at or below 0.35: (1 + 3) / (9 + 1).
    held = np.arange(1, 10) / 10
    assert conformal_p_values([0.35, 0.05, 2.0], held).tolist() == pytest.approx([0.4, 0.1, 1.0])


def test_photos_of_one_specimen_share_its_weight() -> None:
    held = [0.1, 0.1, 0.1, 0.1, 0.9]
    names = ["A", "A", "A", "A", "B"]
    assert conformal_p_values([0.5], held, names)[0] == pytest.approx(2 / 3)


@pytest.mark.parametrize(("level", "needed"), [(0.05, 19), (0.1, 9), (0.01, 99), (0.5, 1)])
def test_enough_specimens_are_those_that_can_reject(level: float, needed: int) -> None:
    assert specimens_needed(level) == needed
    held = np.linspace(0.5, 0.9, needed)
    assert judge_closeness(0.1, held, level=level).close_reference is False
    short = judge_closeness(0.1, held[:-1], level=level)
    assert short.close_reference is None
    assert short.p_value is None
    assert short.missing == 1


def test_near_query_is_close_and_no_query_is_unknown() -> None:
    held = np.linspace(0.5, 0.9, 40)
    assert judge_closeness(0.8, held).close_reference is True
    assert judge_closeness(None, held).close_reference is None


def test_test_that_misses_absent_makers_does_not_say_close() -> None:
    held = np.linspace(0.5, 0.9, 40)
    assert judge_closeness(0.8, held, noticed=0.9).close_reference is True
    blind = judge_closeness(0.8, held, noticed=0.06)
    assert blind.close_reference is None
    assert blind.p_value is not None
    assert judge_closeness(0.1, held, noticed=0.06).close_reference is False


def test_noticed_share_counts_specimens_and_not_photos() -> None:
    held, names = np.linspace(0.5, 0.9, 40), list(range(40))
    # Twenty specimens far off with one photo each, one near with twenty.
    strangers = [*[0.1] * 20, *[0.8] * 20]
    shown = [*range(20), *[20] * 20]
    assert noticed_share(strangers, shown, held, names) == pytest.approx(20 / 21)
    assert noticed_share(strangers[:5], shown[:5], held, names) is None
    assert noticed_share(strangers, shown, held[:10], names[:10]) is None


@pytest.mark.parametrize("level", [0.0, 1.0, -1.0])
def test_impossible_level_is_refused(level: float) -> None:
    with pytest.raises(ValueError, match="level"):
        specimens_needed(level)
