"""The local arm as a whole: found in clutter, mirrored refused, upkeep, damage, poor photos."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from loupebook.errors import IndexDamaged, PhotoUnreadable
from loupebook.search.arm import LocatingArm, QueryPhoto, SearchArm
from loupebook.search.local.arm import LocalArm

SET_ID = "set-a"
SIDE = 360


def design(seed: int) -> np.ndarray:
    """Draw a flat print: shapes and letters from a seed."""
    rng = np.random.default_rng(seed)
    picture = np.full((SIDE, SIDE, 3), 235, np.uint8)
    for _ in range(30):
        x, y, r = (int(v) for v in rng.integers(20, SIDE - 20, 3))
        ink = tuple(int(v) for v in rng.integers(0, 200, 3))
        text = "".join(rng.choice(list("ABCDEFGHKLMNPRSTUVXYZ"), 3))
        cv2.circle(picture, (x, y), 4 + r % 22, ink, 2 + r % 3)
        cv2.putText(picture, text, (y, x), cv2.FONT_HERSHEY_SIMPLEX, 0.8, ink, 2)
    return picture


DESIGNS = {10 + n: design(n) for n in range(12)}
SHAS = {photo: f"sha-{photo}" for photo in DESIGNS}


def photograph(*placed: tuple[np.ndarray, np.ndarray], side: int = 800) -> np.ndarray:
    """Lay pictures into a noisy frame by homographies."""
    rng = np.random.default_rng(5)
    frame = cv2.GaussianBlur(rng.integers(0, 255, (side, side, 3), dtype=np.uint8), (0, 0), 6)
    for picture, matrix in placed:
        laid = cv2.warpPerspective(picture, matrix, (side, side), flags=cv2.INTER_AREA)
        mask = cv2.warpPerspective(np.full(picture.shape[:2], 255, np.uint8), matrix, (side, side))
        frame[mask > 250] = laid[mask > 250]
    noisy = frame + rng.normal(0, 4, frame.shape)
    return np.clip(noisy, 0, 255).astype(np.uint8)


def to_corners(corners: list[tuple[float, float]]) -> np.ndarray:
    """Return the homography that takes a design's corners to `corners`."""
    last = SIDE - 1
    source = np.float32([[0, 0], [last, 0], [last, last], [0, last]])
    return cv2.getPerspectiveTransform(source, np.float32(corners))


TURNED = [(420, 160), (660, 280), (560, 540), (300, 420)]


@pytest.fixture
def arm(tmp_path: Path) -> LocalArm:
    made = LocalArm(tmp_path / "local", set_id=SET_ID)
    made.sync(SHAS, DESIGNS.__getitem__)
    return made


def test_it_is_a_search_arm(arm: LocalArm):
    assert isinstance(arm, SearchArm)
    assert isinstance(arm, LocatingArm)
    assert not arm.pending(SHAS)


def test_finds_the_item_and_its_outline(arm: LocalArm):
    query = QueryPhoto(photograph((DESIGNS[14], to_corners(TURNED))))
    hits = arm.find(query)
    assert hits[0].photo_id == 14
    assert np.abs(np.array(hits[0].outline) - TURNED).max() < 6
    assert hits[0].detail["inliers"] >= 20
    assert 0.3 < hits[0].detail["covered_reference"] <= 1
    assert all(len(point) == 4 for point in hits[0].detail["points"])
    assert all(hit.score < hits[0].score / 3 for hit in hits[1:])


def test_mirrored_item_is_refused(arm: LocalArm):
    photo = photograph((DESIGNS[14], to_corners(TURNED)))
    found = arm.find(QueryPhoto(photo))[0].score
    mirrored = arm.find(QueryPhoto(photo[:, ::-1].copy()))
    assert all(hit.score < found / 5 for hit in mirrored if hit.photo_id == 14)


def test_two_items_of_one_kind_are_two_outlines(arm: LocalArm):
    left = [(30, 60), (330, 40), (350, 340), (50, 350)]
    right = [(440, 400), (760, 420), (740, 740), (420, 720)]
    query = photograph((DESIGNS[11], to_corners(left)), (DESIGNS[11], to_corners(right)))
    best = arm.find(QueryPhoto(query))[0]
    assert best.photo_id == 11
    outlines = [np.array(best.outline), *map(np.array, best.detail["others"])]
    for corners in (left, right):
        assert min(np.abs(outline - corners).max() for outline in outlines) < 15


def test_two_different_items_are_both_found(arm: LocalArm):
    left = [(30, 60), (330, 40), (350, 340), (50, 350)]
    right = [(440, 400), (760, 420), (740, 740), (420, 720)]
    query = photograph((DESIGNS[11], to_corners(left)), (DESIGNS[17], to_corners(right)))
    assert {hit.photo_id for hit in arm.find(QueryPhoto(query))[:2]} == {11, 17}


def test_region_leaves_the_rest_out(arm: LocalArm):
    left = [(30, 60), (330, 40), (350, 340), (50, 350)]
    right = [(440, 400), (760, 420), (740, 740), (420, 720)]
    pixels = photograph((DESIGNS[11], to_corners(left)), (DESIGNS[17], to_corners(right)))
    hits = arm.find(QueryPhoto(pixels, region=((420, 390), (770, 390), (770, 750), (410, 750))))
    assert hits[0].photo_id == 17
    assert all(hit.score < hits[0].score / 5 for hit in hits[1:])


def test_a_small_item_is_seen_better_closer(arm: LocalArm):
    small = [(1500, 1510), (1640, 1530), (1620, 1670), (1490, 1650)]
    query = QueryPhoto(photograph((DESIGNS[14], to_corners(small)), side=2000))
    box = (1450, 1460, 1700, 1720)
    at_first = {hit.photo_id: hit for hit in arm.find(query)}
    closer = {hit.photo_id: hit for hit in arm.look_closer(query, {14: box, 15: box, 99: box})}
    assert closer[14].score > 2 * (at_first[14].score if 14 in at_first else 1)
    assert np.abs(np.array(closer[14].outline) - small).max() < 6
    assert 15 not in closer or closer[15].score < closer[14].score / 5


def test_allowed_and_limit(arm: LocalArm):
    query = QueryPhoto(photograph((DESIGNS[14], to_corners(TURNED))))
    assert 14 not in {hit.photo_id for hit in arm.find(query, allowed=[10, 11, 999])}
    assert [hit.photo_id for hit in arm.find(query, allowed=[14])] == [14]
    assert arm.find(query, allowed=[]) == []
    assert len(arm.find(query, limit=1)) == 1
    assert arm.find(query, limit=0) == []


@pytest.mark.parametrize(
    "pixels",
    [
        np.zeros((1, 1, 3), np.uint8),
        np.full((3000, 4000, 3), 200, np.uint8),
        np.zeros((10, 4000, 3), np.uint8),
        np.random.default_rng(0).integers(0, 255, (1500, 2000, 3), dtype=np.uint8),
    ],
    ids=["one-pixel", "blank-huge", "sliver", "noise"],
)
def test_poor_photos_have_a_clear_empty_answer(arm: LocalArm, pixels: np.ndarray):
    assert [hit for hit in arm.find(QueryPhoto(pixels)) if hit.score > 3] == []


def test_empty_set_answers_nothing(tmp_path: Path):
    arm = LocalArm(tmp_path, set_id=SET_ID)
    arm.sync({}, DESIGNS.__getitem__)
    assert arm.find(QueryPhoto(DESIGNS[10])) == []


def test_withdrawn_photo_is_not_found_and_returns(arm: LocalArm):
    query = QueryPhoto(photograph((DESIGNS[14], to_corners(TURNED))))
    without = {photo: sha for photo, sha in SHAS.items() if photo != 14}
    report = arm.sync(without, DESIGNS.__getitem__)
    assert (report.added, report.withdrawn, report.kept) == (0, 1, 11)
    assert 14 not in {hit.photo_id for hit in arm.find(query)}
    assert arm.sync(SHAS, DESIGNS.__getitem__).added == 1
    assert arm.find(query)[0].photo_id == 14


def test_what_a_set_held_before_changes_no_answer(arm: LocalArm, tmp_path: Path):
    other_item = to_corners([(x + 330, y + 330) for x, y in TURNED])
    query = QueryPhoto(
        photograph((DESIGNS[14], to_corners(TURNED)), (DESIGNS[15], other_item), side=1100)
    )
    without = {photo: sha for photo, sha in SHAS.items() if photo != 15}
    arm.sync(without, DESIGNS.__getitem__)
    never_had = LocalArm(tmp_path / "never", set_id=SET_ID)
    never_had.sync(without, DESIGNS.__getitem__)
    assert arm.find(query) == never_had.find(query)
    arm.sync(SHAS, DESIGNS.__getitem__)
    rebuilt = LocalArm(tmp_path / "rebuilt", set_id=SET_ID)
    rebuilt.sync(SHAS, DESIGNS.__getitem__)
    assert arm.find(QueryPhoto(query.pixels)) == rebuilt.find(query)


def test_changed_bytes_are_taken_again(arm: LocalArm):
    changed = {**SHAS, 10: "other"}
    assert arm.pending(changed).to_add == {10}
    arm.sync(changed, lambda _: design(99))
    hits = arm.find(QueryPhoto(photograph((design(99), to_corners(TURNED)))))
    assert hits[0].photo_id == 10


def test_state_outlives_the_process_without_reading_photos(arm: LocalArm, tmp_path: Path):
    arm.close()
    again = LocalArm(tmp_path / "local", set_id=SET_ID)

    def refuse(photo: int) -> np.ndarray:
        raise AssertionError(photo)

    assert again.sync(SHAS, refuse).kept == len(SHAS)
    query = QueryPhoto(photograph((DESIGNS[14], to_corners(TURNED))))
    assert again.find(query)[0].photo_id == 14


def test_unreadable_photo_is_reported_and_tried_again(tmp_path: Path):
    arm = LocalArm(tmp_path, set_id=SET_ID)

    def read(photo: int) -> np.ndarray:
        if photo == 12:
            raise PhotoUnreadable("cut short")
        return DESIGNS[photo]

    report = arm.sync(SHAS, read)
    assert report.failed == {12: "cut short"}
    assert arm.pending(SHAS).to_add == {12}


def test_killed_sync_goes_on_where_it_was(tmp_path: Path):
    many = {photo: f"s{photo}" for photo in range(40)}
    arm = LocalArm(tmp_path, set_id=SET_ID)

    def die(photo: int) -> np.ndarray:
        if photo == 35:
            raise KeyboardInterrupt
        return DESIGNS[10 + photo % 12]

    with pytest.raises(KeyboardInterrupt):
        arm.sync(many, die)
    arm.close()
    again = LocalArm(tmp_path, set_id=SET_ID)
    assert again.pending(many).to_add == set(range(32, 40))
    assert again.sync(many, lambda photo: DESIGNS[10 + photo % 12]).added == 8


@pytest.mark.parametrize("suffix", [".sqlite", ".index"])
def test_damage_is_found_and_mended(arm: LocalArm, tmp_path: Path, suffix: str):
    arm.close()
    (path,) = (tmp_path / "local").glob(f"*{suffix}")
    content = bytearray(path.read_bytes())
    middle = len(content) // 2
    content[middle : middle + 4096] = bytes(4096)
    path.write_bytes(bytes(content[: len(content) - 100]))
    again = LocalArm(tmp_path / "local", set_id=SET_ID)
    query = QueryPhoto(photograph((DESIGNS[14], to_corners(TURNED))))
    again.sync(SHAS, DESIGNS.__getitem__)
    try:
        hits = again.find(query)
    except IndexDamaged:
        assert again.pending(SHAS)
        again.sync(SHAS, DESIGNS.__getitem__)
        hits = again.find(query)
    assert hits[0].photo_id == 14


def test_state_of_another_set_is_not_used(arm: LocalArm, tmp_path: Path):
    arm.close()
    other = LocalArm(tmp_path / "local", set_id="set-b")
    assert other.pending(SHAS).damage
    assert other.sync(SHAS, DESIGNS.__getitem__).rebuilt


def test_a_set_of_blank_photos_is_held_and_answers_nothing(tmp_path: Path):
    made = LocalArm(tmp_path, set_id="blank")
    blank = np.full((50, 50, 3), 9, np.uint8)
    made.sync({1: "a"}, lambda _: blank)
    assert made.sync({1: "a", 2: "b"}, lambda _: blank).added == 1
    assert made.find(QueryPhoto(design(1))) == []
