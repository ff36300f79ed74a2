"""Near designs told apart where they differ from each other."""

import numpy as np
import pytest
from search_fakes import ListArm, PlacingArm, fact

from drawn_prints import draw_print
from loupebook.errors import PhotoUnreadable
from loupebook.imaging import resize_to_fit
from loupebook.search import QueryPhoto, search_set
from loupebook.search.laying import Seen
from loupebook.search.siblings import MOST, tell_siblings, told_apart

SIDE = 360
WHERE = ((70.0, 50.0), (430.0, 60.0), (420.0, 410.0), (60.0, 400.0))


def a_print(seed=1):
    return np.asarray(draw_print(seed, SIDE))


def other_print(pixels, *, colour=False):
    """Return the sibling: the same print, but for one emblem or one field of colour."""
    changed = pixels.copy()
    if colour:
        changed[200:300, 60:300] = changed[200:300, 60:300][..., ::-1] // 2 + (90, 20, 0)
    else:
        rng = np.random.default_rng(5)
        emblem = np.kron(rng.integers(0, 2, (12, 12)), np.ones((8, 8)))[..., None] * 255
        changed[130:226, 130:226] = emblem
    return changed


def photographed(pixels, seed=3, *, light=(1.0, 1.0, 1.0)):
    """Return a query that shows a print at `WHERE`, in other light, blurred and noisy."""
    import cv2

    rng = np.random.default_rng(seed)
    side = np.array([[0, 0], [SIDE - 1, 0], [SIDE - 1, SIDE - 1], [0, SIDE - 1]], np.float32)
    mapping = cv2.getPerspectiveTransform(side, np.array(WHERE, np.float32))
    scene = cv2.warpPerspective(pixels, mapping, (500, 470), borderValue=(120, 110, 100))
    lit = cv2.GaussianBlur(scene, (0, 0), 1.0) * np.array(light) * 0.9
    return np.clip(lit + rng.normal(0, 3, lit.shape), 0, 255).astype(np.uint8)


@pytest.mark.parametrize("colour", [False, True])
@pytest.mark.parametrize("light", [(1.0, 1.0, 1.0), (1.1, 1.0, 0.8)])
def test_the_query_speaks_for_the_photo_of_its_own_print(colour, light):
    one = a_print()
    other = other_print(one, colour=colour)
    mine, theirs = Seen(one, WHERE), Seen(other, WHERE)
    assert told_apart(photographed(one, light=light), mine, theirs) > 0.5
    assert told_apart(photographed(other, light=light), mine, theirs) < -0.5


def test_an_outline_may_be_off_by_some_px():
    one = a_print()
    other = other_print(one)
    off = tuple((x + 4, y - 3) for x, y in WHERE)
    assert told_apart(photographed(one), Seen(one, off), Seen(other, WHERE)) > 0.5


def test_two_photos_of_one_print_are_not_told_apart():
    one = a_print()
    brighter = np.clip(one * 1.05, 0, 255).astype(np.uint8)
    assert abs(told_apart(photographed(one), Seen(one, WHERE), Seen(brighter, WHERE))) < 0.3


def test_prints_that_agree_nowhere_are_no_siblings():
    rng = np.random.default_rng(8)
    other = rng.integers(0, 256, (SIDE, SIDE, 3), dtype=np.uint8)
    assert told_apart(photographed(a_print()), Seen(a_print(), WHERE), Seen(other, WHERE)) == 0


@pytest.mark.parametrize(
    "outline",
    [
        ((5.0, 5.0), (15.0, 5.0), (15.0, 15.0), (5.0, 15.0)),
        ((-900.0, -900.0), (-500.0, -900.0), (-500.0, -500.0), (-900.0, -500.0)),
    ],
)
def test_a_place_too_small_or_outside_says_nothing(outline):
    one = a_print()
    seen = Seen(one, outline), Seen(other_print(one), outline)
    assert told_apart(photographed(one), *seen) == 0


def test_it_says_no_more_than_it_may():
    one = a_print()
    inverse = 255 - one
    inverse[: SIDE // 3] = one[: SIDE // 3]
    assert abs(told_apart(photographed(one), Seen(one, WHERE), Seen(inverse, WHERE))) <= MOST


FACTS = {
    1: fact("G1", edition="Oval"),
    2: fact("F1", "fake", edition="Oval"),
    3: fact("G2", edition="Shield"),
}
WHOLE = {1: 0.80, 2: 0.79, 3: 0.81}
LOCAL = {1: 60.0, 2: 58.0, 3: 64.0}


class TestSearch:
    def search(self, pixels, glance):
        arms = [ListArm("embedding", WHOLE), PlacingArm(LOCAL, WHERE)]
        result = search_set(arms, QueryPhoto(pixels), FACTS, glance=glance)
        return {match.photo_id: match for match in result.matches}

    def test_the_edition_that_fits_where_they_differ_comes_first(self):
        oval = a_print()
        shield = other_print(oval)
        photos = {1: oval, 2: oval, 3: shield}
        assert self.search(photographed(oval), lambda _: oval)[3].rank == 1
        found = self.search(photographed(oval), photos.__getitem__)
        assert found[1].rank == 1
        # All photos of an edition are shifted alike: never genuine against fake.
        assert found[1].detail["told_apart"] == found[2].detail["told_apart"] > 0

    def test_small_reference_photos_do(self):
        oval = a_print()
        photos = {1: oval, 2: oval, 3: other_print(oval)}
        small = {photo: resize_to_fit(pixels, 200) for photo, pixels in photos.items()}
        assert self.search(photographed(oval), small.__getitem__)[1].rank == 1

    def test_a_photo_that_cannot_be_read_changes_nothing(self):
        def damaged(photo):
            raise PhotoUnreadable("The photo is damaged.")

        found = self.search(photographed(a_print()), damaged)
        assert found[3].rank == 1
        assert "told_apart" not in found[1].detail

    def test_no_photo_is_read_where_one_edition_is_far_ahead(self):
        def never(photo):
            raise AssertionError(photo)

        facts = {1: FACTS[1], 3: FACTS[3]}
        arms = [ListArm("embedding", {1: 0.95, 3: 0.6}), PlacingArm({1: 150.0, 3: 20.0}, WHERE)]
        result = search_set(arms, QueryPhoto(photographed(a_print())), facts, glance=never)
        assert result.matches[0].photo_id == 1

    def test_nothing_is_shifted_where_the_first_is_not_placed(self):
        assert (
            tell_siblings(QueryPhoto(photographed(a_print())), [], {}, lambda _: None).shifts == {}
        )
