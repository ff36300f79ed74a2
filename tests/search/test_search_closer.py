"""A closer look at the candidates of a doubtful answer."""

import numpy as np
import pytest
from search_fakes import ListArm, fact

from loupebook.records.model import Lighting
from loupebook.search import QueryPhoto, search_set
from loupebook.search.arm import ArmHit
from loupebook.search.closer import CLEAR, LEAD, in_doubt, on_grid, part_of
from loupebook.search.fuse import FusedHit

QUERY = QueryPhoto(np.zeros((240, 480, 3), np.uint8))
OUTLINE = ((120.0, 60.0), (240.0, 60.0), (240.0, 120.0), (120.0, 120.0))
FACTS = {
    1: fact("G1", edition="Oval"),
    2: fact("F1", "fake", edition="Oval"),
    3: fact("G2", edition="Shield"),
    4: fact("G3", edition="Shield", lighting=Lighting.UV_A),
    5: fact("G4"),
}


class Looking(ListArm):
    """A locating arm: a table of first scores, and one of what a closer look sees."""

    def __init__(self, scores, closer):
        super().__init__("local", scores)
        self.closer = closer
        self.parts = []

    def look_closer(self, query, parts):
        self.parts.append(dict(parts))
        return [
            ArmHit(photo, self.closer[photo], outline=OUTLINE, detail={"inliers": 9})
            for photo in parts
            if photo in self.closer
        ]


def search(whole, local, closer):
    arm = Looking(local, closer)
    result = search_set([ListArm("embedding", whole), arm], QUERY, FACTS)
    return arm, {match.photo_id: match for match in result.matches}


def fused(evidence, **detail):
    return FusedHit(1, 0.5, evidence, "both", detail.pop("outline", None), detail)


WHOLE = {1: 0.74, 2: 0.73, 3: 0.75, 4: 0.72, 5: 0.70}


class TestDoubt:
    @pytest.mark.parametrize(
        ("first", "second", "doubt"),
        [
            (CLEAR + 9, CLEAR, False),
            (CLEAR + 9, CLEAR + 9 - LEAD / 2, True),
            (CLEAR - 1, CLEAR - 20, True),
        ],
    )
    def test_near_seconds_and_weak_firsts_are_doubtful(self, first, second, doubt):
        assert in_doubt([fused(first), fused(second)]) is doubt

    def test_a_clear_answer_spares_the_look(self):
        arm, _ = search(WHOLE, {3: 90.0}, {1: 80.0})
        assert arm.parts == []

    def test_a_doubtful_one_is_looked_at_once(self):
        arm, _ = search(WHOLE, {}, {1: 30.0})
        assert len(arm.parts) == 1


class TestGain:
    def test_the_candidate_seen_closer_comes_first(self):
        _, found = search(WHOLE, {}, {1: 60.0})
        assert found[1].rank == 1
        assert found[1].outline == OUTLINE
        assert found[1].detail["inliers"] == 9
        assert found[1].detail["scores"]["local"] == 60.0

    def test_its_design_gains_as_a_whole_so_standings_are_not_set_apart(self):
        _, before = search(WHOLE, {}, {})
        _, after = search(WHOLE, {}, {1: 60.0})
        apart = before[1].evidence - before[2].evidence
        assert after[1].evidence - after[2].evidence == pytest.approx(apart)
        assert after[2].rank == 2

    def test_another_light_of_the_edition_gains_nothing(self):
        _, before = search(WHOLE, {}, {})
        _, after = search(WHOLE, {}, {3: 60.0})
        assert after[4].evidence == pytest.approx(before[4].evidence)

    def test_seeing_less_takes_nothing_away(self):
        _, before = search(WHOLE, {1: 20.0}, {})
        _, after = search(WHOLE, {1: 20.0}, {1: 5.0})
        assert after[1].evidence == pytest.approx(before[1].evidence)
        assert "closer_look" not in after[1].detail


class TestLargeParts:
    def test_all_are_looked_at_where_one_was_not_verified(self):
        arm, _ = search(WHOLE, {1: 20.0}, {1: 60.0})
        assert {1, 3} <= set(arm.parts[0])

    def test_the_right_one_is_matched_anew_as_well_as_its_rivals(self):
        """A score of the first look must not be held against one of the second."""
        _, found = search(WHOLE, {1: 20.0}, {1: 90.0, 3: 60.0})
        assert found[1].rank < found[3].rank

    def test_what_was_all_verified_is_not_looked_at_at_the_same_size(self):
        arm, _ = search(WHOLE, dict.fromkeys(WHOLE, 12.0), {1: 60.0})
        assert arm.parts == []

    def test_what_was_not_is(self):
        arm, _ = search(WHOLE, {3: 12.0}, {1: 60.0})
        assert arm.parts[0][1] == (0, 0, 480, 240)


class TestPart:
    def test_a_place_found_gets_room_about_it(self):
        left, top, right, bottom = part_of(fused(0.0, outline=OUTLINE), QUERY)
        assert left < 120
        assert top < 60
        assert right > 240
        assert bottom > 120
        assert (right - left) * (bottom - top) < 240 * 480 / 3

    def test_otherwise_the_window_that_the_embedding_liked(self):
        assert part_of(fused(0.0, query_part=[240, 0, 480, 120]), QUERY) == (240, 0, 480, 120)

    def test_or_the_whole_photo(self):
        assert part_of(fused(0.0), QUERY) == (0, 0, 480, 240)

    def test_near_boxes_become_one(self):
        assert on_grid((101, 52, 199, 149), 480, 240) == on_grid((105, 54, 195, 145), 480, 240)

    def test_a_tiny_photo_keeps_its_size(self):
        assert on_grid((0, 0, 5, 3), 5, 3) == (0, 0, 5, 3)
