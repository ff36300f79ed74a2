"""The methods behind the sections, on data whose truth is known."""

from __future__ import annotations

from dataclasses import astuple
from pathlib import Path

import cv2
import numpy as np
import pytest

from invented_prints import PHOTO, draw_edition, encoded, photograph
from loupebook.imaging import decode_photo
from loupebook.records.serials import plain_serial
from loupebook.search import no_progress
from loupebook.setreport.association import associate, holm
from loupebook.setreport.labels import judge_labels
from loupebook.setreport.pairs import check_pair, near_by_hash, prepare
from loupebook.setreport.sections.retrieval import _limits
from loupebook.setreport.traits import measure_traits, read_traits


def shots(edition: int, count: int, *, plain: bool, seed: int) -> list[np.ndarray]:
    rng = np.random.default_rng(seed)
    background = np.full((PHOTO[1], PHOTO[0], 3), 235.0, np.float32) if plain else None
    return [photograph(draw_edition(edition), rng, background=background) for _ in range(count)]


@pytest.mark.parametrize("plain", [False, True])
@pytest.mark.parametrize("edition", range(3))
def test_other_photos_of_the_same_print_are_not_copies(edition: int, plain: bool) -> None:
    ready = [prepare(pixels) for pixels in shots(edition, 4, plain=plain, seed=edition)]
    for i in range(4):
        for j in range(i):
            assert not check_pair(ready[i], ready[j]).same


@pytest.mark.parametrize("plain", [False, True])
@pytest.mark.parametrize("edition", range(3))
def test_resaved_and_cropped_photos_are_copies(edition: int, plain: bool) -> None:
    (photo,) = shots(edition, 1, plain=plain, seed=edition)
    resaved = decode_photo(encoded(photo, quality=60)).pixels
    smaller = cv2.resize(photo, (320, 244), interpolation=cv2.INTER_AREA)
    for other in (resaved, smaller, photo[20:-12, 14:-25]):
        assert check_pair(prepare(photo), prepare(other)).same


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_turned_photo_is_a_copy_where_the_frame_tells(turns: int) -> None:
    (photo,) = shots(0, 1, plain=False, seed=7)
    turned = np.ascontiguousarray(np.rot90(photo, turns))
    assert check_pair(prepare(photo), prepare(turned)).same


def test_two_items_on_one_table_at_one_angle_are_not_one_picture() -> None:
    """A genuine seal and a copy of the demo set, which lie alike on the same wood."""
    folder = Path(__file__).parents[2] / "reference_sets" / "demo" / "photos"
    taken = [
        prepare(decode_photo(next(folder.glob(f"{number}-*.jpg"))).pixels)
        for number in ("0310", "0324")
    ]
    found = check_pair(*taken)
    assert found.coarse > 0.99
    assert not found.same


def test_blank_pictures_are_no_copies_of_anything() -> None:
    blank = np.full((100, 120, 3), 128, np.uint8)
    assert not check_pair(prepare(blank), prepare(blank)).same


def test_near_hashes_against_plain_loops() -> None:
    rng = np.random.default_rng(0)
    hashes = rng.integers(0, 2**63, 300, dtype=np.uint64)
    hashes[200:] = hashes[:100] ^ np.uint64(0b1011)
    hashes[180:195] = hashes[0]  # more like ones than count
    plain = set()
    for i in range(300):
        apart = sorted(
            (bin(int(hashes[i]) ^ int(hashes[j])).count("1"), j) for j in range(300) if j != i
        )
        plain |= {(min(i, j), max(i, j)) for bits, j in apart[:8] if bits <= 14}
    assert near_by_hash(hashes, 8) == plain
    assert len(plain) >= 100


@pytest.mark.parametrize("count", [0, 1, 2, 3])
def test_few_hashes_are_all_near(count: int) -> None:
    pairs = near_by_hash(np.zeros(count, np.uint64), 8)
    assert pairs == {(i, j) for i in range(count) for j in range(i + 1, count)}


def test_traits_see_the_frame_and_not_the_item() -> None:
    frame = np.full((200, 240, 3), (200, 40, 40), np.uint8)
    other = frame.copy()
    other[40:160, 40:200] = np.random.default_rng(0).integers(0, 256, (120, 160, 3))
    one, two = measure_traits(frame), measure_traits(other)
    assert (one.frame_l, one.frame_a, one.frame_b) == (two.frame_l, two.frame_a, two.frame_b)
    assert one.sharpness == pytest.approx(two.sharpness)
    assert one.pixel_sha256 != two.pixel_sha256


@pytest.mark.parametrize("seed", range(5))
def test_confound_is_found_and_its_strength_known(seed: int) -> None:
    rng = np.random.default_rng(seed)
    label = np.arange(80) % 2 == 0
    strata = [n // 20 for n in range(80)]
    feature = label + rng.normal(0, 0.7, 80) + 5.0 * np.array(strata)
    found = associate(feature[:, None], label, strata, seed=seed)
    assert found is not None
    assert found.p_value <= 0.001
    assert found.area > 0.75


def test_permutation_p_values_are_uniform_under_chance() -> None:
    # Validity: over 400 draws, p <= 0.05 in the exact binomial band (2 to 4 sigma: 7..35).
    alarms = 0
    for seed in range(400):
        rng = np.random.default_rng(seed)
        label = rng.random(40) < 0.4
        features = rng.normal(size=(40, 3))
        found = associate(
            features, label, [n // 10 for n in range(40)], permutations=199, seed=seed
        )
        alarms += found is not None and found.p_value <= 0.05
    assert 7 <= alarms <= 35


def test_difference_between_editions_is_no_confound() -> None:
    rng = np.random.default_rng(1)
    strata = ["a"] * 40 + ["b"] * 40
    label = np.r_[rng.random(40) < 0.9, rng.random(40) < 0.1]
    feature = np.r_[np.zeros(40), np.ones(40)] + rng.normal(0, 0.01, 80)
    found = associate(feature[:, None], label, strata)
    assert found is not None
    assert found.p_value > 0.01
    assert 0.2 < found.area < 0.8


def test_nothing_to_test_is_none() -> None:
    label = np.array([True, False] * 5)
    assert associate(np.ones((10, 2)), label, ["a"] * 10) is None
    assert associate(np.arange(10.0)[:, None], label, list(label)) is None


def test_a_label_that_most_bear_does_not_pass_by_its_number() -> None:
    # Nine in ten bear one label and are confirmed; those of the other are not.
    labels = np.repeat([0, 1], [90, 10])
    chance = np.tile([0.9, 0.1], (100, 1))
    found = judge_labels(chance, labels, [f"s{n}" for n in range(100)], ("a", "b"))
    assert found.agreement == pytest.approx(0.9)
    assert not found.telling
    assert not found.named.any()
    none = judge_labels(np.full((2, 2), np.nan), labels[:2], ["a", "b"], ("a", "b"))
    assert not none.telling


@pytest.mark.parametrize("value", ["ab-12.34", " AB 1234 ", "A_B/12 34"])
def test_serials_are_compared_without_separators(value: str) -> None:
    assert plain_serial(value) == "AB1234"


def test_holm_by_hand() -> None:
    assert holm([0.01, 0.04, 0.03]) == pytest.approx([0.03, 0.06, 0.06])


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("shape", [(1, 1), (2, 9), (9, 9), (5, 300), (3000, 1)])
def test_a_photo_of_a_few_px_has_traits_that_are_numbers(
    shape: tuple[int, int], tmp_path: Path
) -> None:
    """A tenth of less than ten px is none, and the frame of a picture was then nowhere."""
    pixels = np.full((*shape, 3), 200, np.uint8)
    kept = [
        read_traits(tmp_path / "traits.sqlite", {1: "a"}, lambda _: pixels, no_progress)[1]
        for _ in range(2)
    ]
    assert kept[0] == kept[1] == measure_traits(pixels)
    assert np.isfinite(astuple(kept[1])[2:]).all()
    assert kept[1].frame_l == pytest.approx(80.6, abs=0.1)  # IEC 61966-2-1 and CIE 15: L* of 200


def test_a_set_of_few_that_all_find_their_own_has_limits_of_some_width() -> None:
    value, low, high = _limits(np.ones(9), [f"specimen {number // 3}" for number in range(9)])
    # Three specimens, not nine photos: Wilson (1927), 3 / (3 + 1.96²).
    assert (value, low, high) == (1.0, pytest.approx(0.4385, abs=1e-4), 1.0)
