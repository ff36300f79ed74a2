from __future__ import annotations

from functools import cache

import cv2
import numpy as np
import pytest
from compare_prints import draw_print, misplaced, photograph
from skimage.data import chelsea

from loupebook.compare import Picture, register
from loupebook.compare.lifted import LiftedMap, fit_plane, plane_map, refine
from loupebook.compare.registration import LEAST_FACING, _Part, facing
from loupebook.search.local.pair import match_pair


@cache
def shot(design: int, seed: int, bend: float = 0.0):
    return photograph(draw_print(design), seed, bend=bend)


def laid(query, reference):
    return register(Picture.of(query), Picture.of(reference))


@pytest.mark.parametrize("bend", [0.0, 1.6])
def test_known_pose_is_recovered_to_a_fraction_of_a_px(bend):
    reference, query = shot(1, 10, bend), shot(1, 11, bend)
    found = laid(query.pixels, reference.pixels)
    assert found.registered, found.reason
    apart = misplaced(found.warp, reference, query)
    assert len(apart) > 700
    assert np.median(apart) < 0.5
    assert np.percentile(apart, 90) < 1.2


def test_a_flat_print_needs_no_cylinder_and_a_bent_one_does():
    assert not laid(shot(1, 11).pixels, shot(1, 10).pixels).bent
    assert laid(shot(1, 11, 1.6).pixels, shot(1, 10, 1.6).pixels).bent


@pytest.mark.parametrize("axis", np.arange(0, 180, 15))
def test_a_cylinder_is_found_however_it_lies_in_the_reference(axis):
    """From an upright and a level axis alone, one that lies aslant ended in a false minimum."""
    turn = np.deg2rad(axis)
    roll = cv2.Rodrigues(0.35 * np.array([-np.sin(turn), np.cos(turn), 0]))[0]
    camera = np.column_stack([roll, [0, 0, 4.0]])
    camera[:2] *= 900
    true = LiftedMap(camera, turn, 0.0, 1.05, np.array([200.0, 200.0]), 200.0)
    points = np.random.default_rng(1).uniform(40, 360, (300, 2))
    points = points[true.seen(points)]
    target = true(points)
    plane, _ = fit_plane(points, target, threshold=8.0, middle=true.middle, unit=true.unit)
    found = refine(plane, points, target, np.ones(len(points)), bend=True, loss_px=1.0)
    assert np.median(np.linalg.norm(found(points) - target, axis=1)) < 0.3


@pytest.mark.parametrize("turned", [False, True])
def test_a_large_print_laid_over_itself_lies_exactly(turned):
    """Sides of the dense picture, and of the working one, are rounded to whole px by themselves."""
    item = cv2.resize(draw_print(1, width=460, height=175), (2417, 919), cv2.INTER_CUBIC)
    item = np.ascontiguousarray(np.rot90(item)) if turned else item
    found = laid(item, item)
    assert found.registered
    whole = Picture.of(item)
    corners = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * [whole.width - 1, whole.height - 1]
    assert np.abs(found.warp(corners.astype(float)) - corners).max() < 0.15


def test_wrong_proportions_stay_visible_on_a_cylinder():
    item = draw_print(1)
    # The middle third is squeezed: no pose of a cylinder looks like that.
    rows, columns = np.indices(item.shape[:2]).astype(np.float32)
    squeezed = cv2.remap(
        item, columns + 7 * np.sin(columns / item.shape[1] * 2 * np.pi * 1.5).astype(np.float32),
        rows, cv2.INTER_CUBIC,
    )  # fmt: skip
    reference = shot(1, 10, 1.2)
    honest = laid(shot(1, 12, 1.2).pixels, reference.pixels)
    other = laid(photograph(squeezed, 12, bend=1.2).pixels, reference.pixels)
    assert other.registered
    assert other.residual_px > 2.5 * honest.residual_px


def test_residual_in_mm_follows_from_the_scale():
    found = register(Picture.of(shot(1, 11).pixels), Picture.of(shot(1, 10).pixels), px_per_mm=20)
    assert found.residual_mm == pytest.approx(found.residual_px / 20)


def test_homography_refers_to_the_photos_as_handed_in():
    reference, query = shot(2, 10).pixels, shot(2, 11).pixels
    large = cv2.resize(query, None, fx=3, fy=3, interpolation=cv2.INTER_CUBIC)
    plain, scaled = laid(query, reference), laid(large, reference)
    assert Picture.of(large).shrunk < 1
    corners = np.array([[[200.0, 150], [500, 150], [500, 450], [200, 450]]])
    once, thrice = (cv2.perspectiveTransform(corners, m.homography) for m in (plain, scaled))
    assert np.abs((once + 0.5) * 3 - 0.5 - thrice).max() < 3


def test_a_small_item_in_a_large_photo_is_looked_at_by_itself():
    reference, query = shot(2, 10), shot(2, 11)
    rng = np.random.default_rng(3)
    small = cv2.resize(query.pixels, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    table = cv2.GaussianBlur(rng.normal(90, 40, (2200, 2900, 3)), (0, 0), 2.0)
    photo = np.clip(table, 0, 255).astype(np.uint8)
    top, left = 1300, 400
    photo[top : top + small.shape[0], left : left + small.shape[1]] = small
    ready, known = Picture.of(photo), Picture.of(reference.pixels)
    whole, found = match_pair(ready.features, known.features), register(ready, known)
    assert found.registered
    assert found.inliers > 1.5 * whole.inliers

    def in_query(points):
        return (ready.to_full(found.warp(points)) - [left, top] + 0.5) / 0.5 - 0.5

    apart = misplaced(in_query, reference, query)
    assert len(apart) > 700
    assert np.median(apart) < 1.0
    corners = np.array([[[250.0, 200], [500, 200], [500, 400], [250, 400]]])
    plane = cv2.perspectiveTransform(corners, found.homography)
    assert np.abs(plane - ready.to_full(found.warp(corners))).max() < 3


def screened(picture: np.ndarray, pitch: float) -> np.ndarray:
    """Print a picture in three inks through coarse halftone screens at angles of their own."""
    rows, columns = np.mgrid[: picture.shape[0], : picture.shape[1]] * 2 * np.pi / pitch
    planes = []
    for ink, angle in enumerate(np.deg2rad([15, 75, 0])):
        across = np.cos(angle) * columns + np.sin(angle) * rows
        down = np.cos(angle) * rows - np.sin(angle) * columns
        dot = (2 + np.cos(across) + np.cos(down)) / 4
        planes.append(np.where(picture[..., ink] / 255 > dot, 255, 0))
    return cv2.GaussianBlur(np.stack(planes, -1).astype(np.uint8), (0, 0), 0.6)


@pytest.mark.parametrize("pitch", [5, 8, 12])
def test_a_coarse_halftone_copy_is_laid_over_by_what_it_shows_softened(pitch):
    """scikit-image's `chelsea`, printed through a coarse screen and turned by 20 degrees."""
    known = chelsea()
    middle = (known.shape[1] / 2, known.shape[0] / 2)
    turn = cv2.getRotationMatrix2D(middle, 20, 0.8)
    copy = cv2.warpAffine(screened(known, pitch), turn, known.shape[1::-1])
    query, reference = Picture.of(copy), Picture.of(known)
    assert not register(query, reference, softened=False).registered
    found = register(query, reference)
    assert found.registered, found.reason
    corners = np.array([[[100.0, 60], [350, 60], [350, 240], [100, 240]]])
    apart = cv2.perspectiveTransform(corners, found.homography) - cv2.transform(corners, turn)
    assert np.linalg.norm(apart, axis=-1).mean() < 1.5


@pytest.mark.parametrize("spread", [0, 1, 900])
def test_no_part_is_cut_out_that_is_empty_or_nearly_the_whole(spread):
    photo = Picture.of(np.zeros((900, 1200, 3), np.uint8))
    places = np.array([[100.0, 100], [100 + spread, 100], [100, 100 + 0.8 * spread]])
    assert _Part.about(places, photo) is None


def test_blank_photo_is_refused_with_the_reason():
    blank = np.full((500, 600, 3), 190, np.uint8)
    found = laid(blank, shot(1, 10).pixels)
    assert not found.registered
    assert "too little print" in found.reason


def test_mirrored_photo_is_refused_with_the_reason():
    mirrored = np.ascontiguousarray(shot(1, 11).pixels[:, ::-1])
    found = laid(mirrored, shot(1, 10).pixels)
    assert not found.registered
    assert "mirrored" in found.reason


def test_another_print_is_refused():
    found = laid(shot(3, 11).pixels, shot(1, 10).pixels)
    assert not found.registered
    assert "same print" in found.reason or "alike" in found.reason


def test_a_repeated_pattern_is_refused():
    tile = draw_print(4, width=92, height=92)
    pattern = np.tile(tile, (6, 8, 1))
    found = laid(photograph(pattern, 11, tilt=0.1).pixels, pattern)
    assert not found.registered


def test_noise_is_refused_never_raised():
    rng = np.random.default_rng(1)
    noise = rng.integers(0, 255, (300, 400, 3), np.uint8).astype(np.uint8)
    assert not laid(noise, shot(1, 10).pixels).registered
    assert not laid(np.zeros((3, 3, 3), np.uint8), shot(1, 10).pixels).registered


@pytest.mark.parametrize("radius", [np.inf, 0.8])
def test_a_grid_is_mapped_as_its_points_are(radius):
    # A band seen at an angle, up to where the cylinder turns away.
    camera = np.array([[700, 40, 60, 900], [-30, 650, 20, 700], [0.05, 0.08, 0.1, 1.0]])
    warp = LiftedMap(camera, 0.3, 0.05, radius, np.array([400.0, 300.0]), 400.0)
    rows, columns = np.mgrid[0:481, 0:639].astype(float)
    at = (np.stack([columns, rows], -1) + 0.5) * 1.25 - 0.5
    x, y = warp.on_grid(at[0, :, 0], at[:, 0, 1])
    np.testing.assert_allclose(np.stack([x, y], -1), warp(at), rtol=0, atol=1e-9)


def test_the_narrowest_of_a_map_is_what_its_least_direction_shows():
    """A turned map that presses to 0.3: singular values of its matrix, from linear algebra."""
    turn = cv2.Rodrigues(np.array([0.0, 0.0, 0.7]))[0]
    matrix = turn @ np.diag([0.3, 1.4, 1.0])
    pressed = plane_map(matrix, np.array([100.0, 80.0]), 100.0)
    points = np.random.default_rng(2).uniform(0, 200, (50, 2))
    assert pressed.narrowest(points) == pytest.approx(0.3, abs=1e-6)


def grid(rows: int, columns: int) -> np.ndarray:
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float64)
    return np.stack([x, y], -1)


class Rounded:
    """A cylinder unrolled in the reference and seen from afar: the cosine of each place's angle."""

    def __init__(self, angle: np.ndarray) -> None:
        self.angle = angle

    def narrowest(self, points: np.ndarray) -> np.ndarray:
        return np.cos(np.interp(points[..., 0], np.arange(len(self.angle)), self.angle))


def test_where_a_round_item_turns_away_it_does_not_face_the_camera():
    angle = np.linspace(-1.45, 1.45, 400)
    faces = facing(Rounded(angle), grid(200, 400), np.ones((200, 400), bool))
    share = np.cos(angle) / np.median(np.cos(angle))
    told = np.abs(share - LEAST_FACING) > 0.05
    assert (faces == (share >= LEAST_FACING))[:, told].all()
    assert 0 < faces.mean() < 1


def test_a_flat_print_faces_the_camera_all_over_and_a_round_one_does_not():
    def shown(bend: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        item = draw_print(1)
        rows, columns = item.shape[:2]
        query = photograph(item, 12, bend=bend, tilt=0.1)
        found = laid(query.pixels, item)
        assert found.registered
        at, every = grid(rows, columns), np.ones((rows, columns), bool)
        return facing(found.warp, at, every & found.warp.seen(at)), found.warp(at), at

    assert shown(0.0)[0].all()
    faces, _, at = shown(2.7)
    middle = np.abs(at[..., 0] - at[..., 0].mean()) < 0.25 * np.ptp(at[..., 0])
    assert faces[middle].all()
    assert 0.01 < 1 - faces.mean() < 0.4
