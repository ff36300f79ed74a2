from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from loupebook.errors import CropInvalid
from loupebook.imaging import (
    Box,
    crop_box,
    letterbox,
    rectify,
    resize_to_fit,
    rotate_by,
    rotate_quarter,
)

pictures = st.tuples(st.integers(1, 40), st.integers(1, 40)).flatmap(
    lambda size: arrays(np.uint8, (*size, 3))
)


@pytest.fixture(scope="module")
def label() -> np.ndarray:
    """A smooth label with a distinct colour towards each corner."""
    rows, columns = np.mgrid[0:200, 0:300]
    planes = [columns * 0.8, rows * 1.2, 255 - columns * 0.4 - rows * 0.4]
    picture = np.stack(planes, axis=-1).clip(0, 255).astype(np.uint8)
    cv2.circle(picture, (80, 60), 25, (250, 250, 250), -1, cv2.LINE_AA)
    cv2.rectangle(picture, (180, 110), (260, 170), (10, 20, 30), -1)
    return picture


def test_crop_is_a_copy_of_the_named_pixels(label):
    cut = crop_box(label, Box(10, 20, 40, 60))
    assert np.array_equal(cut, label[20:60, 10:40])
    assert not np.shares_memory(cut, label)
    assert np.array_equal(crop_box(label, Box(0, 0, 300, 200)), label)


@pytest.mark.parametrize(
    ("box", "words"),
    [
        (Box(5, 5, 5, 9), "empty"),
        (Box(9, 5, 5, 9), "empty"),
        (Box(-1, 0, 5, 5), "outside"),
        (Box(0, 0, 301, 5), "outside"),
        (Box(0, 0, 5, 201), "outside"),
    ],
)
def test_impossible_boxes_are_refused(label, box, words):
    with pytest.raises(CropInvalid, match=words):
        crop_box(label, box)


@given(pictures, st.integers(-9, 9))
def test_quarter_turns_go_clockwise_and_come_back(picture, turns):
    turned = rotate_quarter(picture, turns)
    assert np.array_equal(rotate_quarter(turned, -turns), picture)
    assert np.array_equal(rotate_quarter(picture, turns + 4), turned)
    once = rotate_quarter(picture, 1)
    assert np.array_equal(once[0, -1], picture[0, 0])  # top left goes to the top right


def test_any_angle_holds_the_whole_photo_and_comes_back(label):
    turned = rotate_by(label, 30)
    assert turned.shape[:2] == (
        int(np.ceil(300 * 0.5 + 200 * np.sqrt(0.75))),
        int(np.ceil(300 * np.sqrt(0.75) + 200 * 0.5)),
    )
    back = rotate_by(turned, -30)
    top, left = (back.shape[0] - 200) // 2, (back.shape[1] - 300) // 2
    inner = back[top + 5 : top + 195, left + 5 : left + 295].astype(int)
    assert np.abs(inner - label[5:195, 5:295]).mean() < 2
    assert np.array_equal(rotate_by(label, 90), rotate_quarter(label, 1))
    with pytest.raises(CropInvalid):
        rotate_by(label, float("nan"))


def test_small_angles_turn_clockwise(label):
    black = np.zeros((101, 101, 3), np.uint8)
    black[48:53, 90:95] = 255  # to the right of the centre
    turned = rotate_by(black, 30, fill=(0, 0, 0))
    row, column = np.argwhere(turned[..., 0] > 128).mean(axis=0)
    assert row > turned.shape[0] / 2  # moved down: clockwise
    assert column > turned.shape[1] / 2


def test_rectify_undoes_a_known_warp(label):
    corners = np.array([[60, 40], [420, 90], [390, 330], [40, 300]], float)
    outer = np.array([[0, 0], [300, 0], [300, 200], [0, 200]], float)
    matrix = cv2.getPerspectiveTransform(
        (outer - 0.5).astype(np.float32), (corners - 0.5).astype(np.float32)
    )
    photo = cv2.warpPerspective(label, matrix, (480, 380), flags=cv2.INTER_CUBIC)
    straight = rectify(photo, corners, size=(300, 200))
    assert straight.shape == (200, 300, 3)
    inner = (slice(4, -4), slice(4, -4))
    assert np.abs(straight[inner].astype(int) - label[inner]).mean() < 1.5


def test_rectify_of_the_whole_photo_changes_nothing(label):
    corners = [[0, 0], [300, 0], [300, 200], [0, 200]]
    assert np.array_equal(rectify(label, corners), label)
    half = rectify(label, corners, size=(150, 100))
    assert np.abs(half.astype(int) - resize_to_fit(label, 150)).max() <= 1


def test_rectify_to_a_longest_side_is_rectify_and_then_shrink(label):
    corners = [[12, 9], [290, 20], [280, 190], [5, 180]]
    small = rectify(label, corners, longest=90)
    assert max(small.shape[:2]) == 90
    shrunk = resize_to_fit(rectify(label, corners), 90)
    assert small.shape == shrunk.shape
    # Two ways to average the same areas; they part at edges of the print alone.
    assert np.abs(small.astype(int) - shrunk).mean() < 4
    assert np.array_equal(rectify(label, corners, longest=9000), rectify(label, corners))


def test_rectified_size_follows_the_longer_of_opposite_sides(label):
    straight = rectify(label, [[50, 50], [250, 50], [200, 150], [60, 150]])
    assert straight.shape[1] == 200
    assert straight.shape[0] == round(np.hypot(50, 100))


def test_shrinking_rectify_does_not_alias():
    stripes = np.zeros((400, 400, 3), np.uint8)
    stripes[:, ::2] = 255
    small = rectify(stripes, [[0, 0], [400, 0], [400, 400], [0, 400]], size=(90, 90))
    assert small.std() < 12  # an even grey, no false stripes


@pytest.mark.parametrize(
    ("corners", "words"),
    [
        ([[0, 0], [100, 0], [100, 100]], "four pairs"),
        ([[0, 0], [100, 0], [100, 100], [0, float("nan")]], "four pairs"),
        ("rubbish", "four pairs"),
        ([[0, 0], [100, 100], [100, 0], [0, 100]], "cross"),
        ([[0, 0], [0, 100], [100, 100], [100, 0]], "anticlockwise"),
        ([[0, 0], [100, 0], [20, 20], [0, 100]], "dent"),
        ([[0, 0], [100, 0], [50, 3], [10, 4]], "nearly in one line"),
        ([[0, 0], [100, 0], [100, 4], [0, 100]], "apart"),
        ([[50, 50], [50, 50], [50, 50], [50, 50]], "apart"),
        ([[0, 0], [900, 0], [900, 100], [0, 100]], "far outside"),
        ([[1e300, 0], [900, 0], [900, 100], [0, 100]], "far outside"),
    ],
)
def test_impossible_corners_say_what_is_wrong(label, corners, words):
    with pytest.raises(CropInvalid, match=words) as caught:
        rectify(label, corners)
    assert "clockwise from the top left" in str(caught.value)


@pytest.mark.parametrize("size", [(0, 10), (10, -1), (40_000, 10), (15_000, 15_000)])
def test_impossible_sizes_are_refused(label, size):
    with pytest.raises(CropInvalid):
        rectify(label, [[0, 0], [300, 0], [300, 200], [0, 200]], size=size)


@given(arrays(np.float64, (4, 2), elements=st.floats(allow_nan=True, allow_infinity=True)))
def test_any_corners_either_work_or_are_refused(corners):
    photo = np.full((50, 70, 3), 128, np.uint8)
    try:
        straight = rectify(photo, corners)
    except CropInvalid:
        return
    assert straight.ndim == 3


@given(st.lists(st.tuples(st.integers(-30, 100), st.integers(-20, 70)), min_size=4, max_size=4))
def test_likely_corners_either_work_or_are_refused(corners):
    photo = np.full((50, 70, 3), 128, np.uint8)
    try:
        straight = rectify(photo, corners)
    except CropInvalid:
        return
    assert min(straight.shape[:2]) >= 7


@given(pictures, st.integers(1, 60))
def test_resize_to_fit_fits_and_keeps_shape(picture, longest):
    fitted = resize_to_fit(picture, longest)
    assert max(fitted.shape[:2]) == min(longest, max(picture.shape[:2]))
    if max(picture.shape[:2]) <= longest:
        assert fitted is picture


def test_shrinking_averages_areas():
    checks = np.indices((64, 64)).sum(axis=0) % 2 * 255
    picture = np.repeat(checks[..., None], 3, axis=2).astype(np.uint8)
    assert np.abs(resize_to_fit(picture, 16).astype(int) - 127.5).max() <= 1
    with pytest.raises(ValueError, match="at least 1"):
        resize_to_fit(picture, 0)


def test_letterbox_centres_on_the_fill(label):
    square = letterbox(label, 150)
    assert square.shape == (150, 150, 3)
    assert (square[:25] == 255).all()
    assert (square[125:] == 255).all()
    assert np.array_equal(square[25:125], resize_to_fit(label, 150))
