"""Each known print against the others: a copy among genuine ones stands out, and hides nowhere."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from compare_prints import PX_PER_MM, draw_print, small_shot, violet

from desk_prints import copied
from loupebook.compare import Held, LeftOut, Source, build_consensus, each_left_out
from loupebook.compare.comparison import DIFFERS_FROM

SCALE = PX_PER_MM * 1.2


@cache
def sources() -> tuple[Source, ...]:
    """Three genuine specimens, and a copy that is recorded as a fourth."""
    item = draw_print(3)
    shown = {f"G-{k}": small_shot(item, 10 + k) for k in range(3)}
    shown["wrong"] = small_shot(copied(item), 20)
    return tuple(
        Source(k, f"sha{k}", name, pixels, SCALE) for k, (name, pixels) in enumerate(shown.items())
    )


@cache
def held() -> Held:
    return Held(build_consensus(sources()), {})


@pytest.fixture(scope="module")
def found() -> dict[str, LeftOut]:
    return {one.specimen: one for one in each_left_out(held(), sources(), uv=False)}


def test_a_copy_recorded_as_genuine_departs_most(found: dict[str, LeftOut]) -> None:
    assert all(one.laid and one.z is not None for one in found.values())
    genuine = [one.z for name, one in found.items() if name != "wrong"]
    assert found["wrong"].z > max(genuine)
    assert found["wrong"].each["structure"] > 2 + max(
        one.each["structure"] for name, one in found.items() if name != "wrong"
    )
    assert found["wrong"].differs
    assert not any(one.differs for name, one in found.items() if name != "wrong")
    # One measurement that differs is not talked down by those that find nothing.
    assert found["wrong"].departure >= found["wrong"].each["structure"] >= DIFFERS_FROM
    assert all(found[name].departure == found[name].z for name in ("G-0", "G-1", "G-2"))


def test_a_specimen_takes_no_part_in_what_it_is_held_against() -> None:
    whole = held().consensus
    rest = whole.made_without("wrong")
    assert {photo.specimen for photo in rest.photos} == {"G-0", "G-1", "G-2"}
    # The copy had widened what counts as usual where it differs.
    part = rest.spread[0] / whole.spread[0]
    assert part[whole.mask].min() < 0.6
    assert np.median(part[whole.mask]) > 0.95
    assert whole.made_without("nobody") is whole


def test_a_copy_stands_out_among_two_genuine_ones_too() -> None:
    """What is usual is not learned from the copy either."""
    three = [one for one in sources() if one.specimen in ("G-0", "G-1", "wrong")]
    (found,) = each_left_out(Held(build_consensus(three), {}), three[2:], uv=False)
    assert "structure" in found.differs


def test_what_is_the_only_specimen_is_passed_over() -> None:
    alone = build_consensus(sources()[:1])
    assert alone.made_without("G-0") is None
    assert not list(each_left_out(Held(alone, {}), sources()[:1], uv=False))


def test_another_print_is_not_laid_over_them() -> None:
    other = Source(9, "sha9", "other", small_shot(draw_print(8), 30), SCALE)
    (told,) = each_left_out(held(), [other], uv=False)
    assert not told.laid
    assert told.z is None


def test_a_photo_lit_otherwise_than_recorded_is_passed_over() -> None:
    lamp = Source(9, "sha9", "other", violet(small_shot(draw_print(3), 30)), SCALE)
    assert not list(each_left_out(held(), [lamp], uv=False))
