"""Near designs told apart by where they differ more than the photos of either differ."""

import cv2
import numpy as np
import pytest
from search_fakes import ListArm, PlacingArm, fact

from drawn_prints import draw_print
from loupebook.search import QueryPhoto, search_set
from loupebook.search.laying import Seen
from loupebook.search.many_photos import NOTHING, told_by_many
from loupebook.search.siblings import MOST

SIDE = 360
WIDE = 520
CORNERS = ((40.0, 40.0), (480.0, 50.0), (470.0, 480.0), (50.0, 470.0))
"""Where a reference photo, which shows the print with room about it, lies in the query."""


def print_of(design):
    """Return the older print, or the newer one with another emblem."""
    pixels = np.asarray(draw_print(3, SIDE)).copy()
    if design == "newer":
        rng = np.random.default_rng(5)
        emblem = np.kron(rng.integers(0, 2, (10, 10)), np.ones((9, 9)))[..., None] * 255
        pixels[130:220, 130:220] = emblem
    return pixels


def reference(design, seed):
    """Return a photo of a print: bent, lit from one side, on a ground of its own."""
    rng = np.random.default_rng(seed)
    ground = cv2.GaussianBlur(rng.integers(0, 256, (WIDE, WIDE, 3), dtype=np.uint8), (0, 0), 4)
    photo = np.asarray(ground, np.uint8).copy()
    margin = (WIDE - SIDE) // 2
    photo[margin : margin + SIDE, margin : margin + SIDE] = print_of(design)
    y, x = np.mgrid[0:WIDE, 0:WIDE].astype(np.float32)
    bend = rng.uniform(-9, 9) * np.sin(np.pi * x / WIDE).astype(np.float32)
    photo = cv2.remap(photo, x, y + bend, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
    lit = photo * (1 + rng.uniform(-0.3, 0.3) * (x / WIDE - 0.5))[..., None]
    return np.clip(lit + rng.normal(0, 2, lit.shape), 0, 255).astype(np.uint8)


def query_of(design):
    """Return a query: the print at `CORNERS`, softer, with noise."""
    frame = np.array([[0, 0], [WIDE - 1, 0], [WIDE - 1, WIDE - 1], [0, WIDE - 1]], np.float32)
    mapping = cv2.getPerspectiveTransform(frame, np.array(CORNERS, np.float32))
    seen = cv2.warpPerspective(reference(design, 99), mapping, (WIDE, WIDE))
    soft = cv2.GaussianBlur(seen, (0, 0), 0.8)
    noisy = soft + np.random.default_rng(7).normal(0, 3, soft.shape)
    return np.clip(noisy, 0, 255).astype(np.uint8)


def photos_of(design, *, first=1, count=3):
    return [Seen(reference(design, first + k), CORNERS) for k in range(count)]


@pytest.mark.parametrize(("design", "sign"), [("older", 1), ("newer", -1)])
def test_the_query_goes_with_its_own_design(design, sign):
    told = told_by_many(query_of(design), photos_of("older"), photos_of("newer", first=11))
    assert sign * told.speaks > 0.3
    assert told.weight > 2


def test_nothing_speaks_where_both_are_one_design():
    """Three photos of it against three others: they differ by light and ground alone."""
    told = told_by_many(query_of("older"), photos_of("older"), photos_of("older", first=11))
    assert told.weight < 2


def test_an_item_too_small_says_nothing():
    corner = ((5.0, 5.0), (30.0, 5.0), (30.0, 30.0), (5.0, 30.0))
    tiny = [Seen(reference("older", 1), corner)] * 2
    assert told_by_many(query_of("older"), tiny, tiny) == NOTHING


def test_photos_that_do_not_meet_the_item_say_nothing():
    away = ((-900.0, -900.0), (-500.0, -900.0), (-500.0, -500.0), (-900.0, -500.0))
    outside = [Seen(photo.pixels, away) for photo in photos_of("newer")]
    assert told_by_many(query_of("older"), photos_of("older"), outside) == NOTHING


PHOTOS = {1: ("older", 1), 2: ("older", 2), 3: ("newer", 11), 4: ("newer", 12)}
FACTS = {photo: fact(f"{d}{seed}", edition=d) for photo, (d, seed) in PHOTOS.items()}


def found(design, scores, *, unreadable=(), facts=FACTS):
    def glance(photo):
        if photo in unreadable:
            from loupebook.errors import PhotoUnreadable

            raise PhotoUnreadable("gone")
        return reference(*PHOTOS[photo])

    whole = ListArm("embedding", dict.fromkeys(PHOTOS, 0.8))
    arms = [whole, PlacingArm(scores, CORNERS)]
    return search_set(arms, QueryPhoto(query_of(design)), facts, limit=4, glance=glance)


def test_a_search_ends_with_the_design_that_the_query_shows():
    """Local scores put the other design first; what differs between the two decides."""
    wrong = {1: 60.0, 2: 58.0, 3: 90.0, 4: 88.0}
    matches = found("older", wrong).matches
    assert FACTS[matches[0].photo_id].edition == "older"
    told = {FACTS[match.photo_id].edition: match.detail["told_apart"] for match in matches}
    assert told["older"] > 0 > told["newer"]


def test_no_design_becomes_likelier_than_the_first_was():
    wrong = {1: 60.0, 2: 58.0, 3: 90.0, 4: 88.0}
    before = found("older", wrong, unreadable=(1, 2, 3, 4)).matches[0].evidence
    assert found("older", wrong).matches[0].evidence == pytest.approx(before)


def test_specimens_of_no_edition_are_not_told_apart_so():
    """They may be of one print, and one of them genuine, the other fake."""
    unnamed = {1: fact("A"), 2: fact("A"), 3: fact("B"), 4: fact("B")}
    matches = found("older", {1: 60.0, 2: 58.0, 3: 90.0, 4: 88.0}, facts=unnamed).matches
    assert all(abs(match.detail.get("told_apart", 0)) <= MOST for match in matches)


def test_photos_that_cannot_be_read_are_left_out():
    wrong = {1: 60.0, 2: 58.0, 3: 90.0, 4: 88.0}
    assert found("older", wrong, unreadable=(1, 2)).matches[0].photo_id == 3
