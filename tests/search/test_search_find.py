"""Fusion, grouping, filters, and the nearest genuine and fake."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from search_fakes import ListArm, fact

from loupebook.errors import CropInvalid, QueryInvalid, SearchError
from loupebook.records.model import IntakeState, Lighting, Standing, View
from loupebook.search import ArmHit, QueryPhoto, search_set
from loupebook.search.fuse import Worth, default_worths, fuse_hits

QUERY = QueryPhoto(np.zeros((4, 4, 3), np.uint8))
WORTHS = {"embedding": Worth(20.0, 0.7, 1.0), "local": Worth(0.2, 10.0, 400.0, least=0.0)}


class TestFusion:
    def test_a_single_arm_keeps_its_cosine(self):
        (hit,) = fuse_hits({"embedding": [ArmHit(3, 0.83)]})
        assert (hit.similarity, hit.found_by) == (0.83, "embedding")
        assert hit.detail["scores"] == {"embedding": 0.83}

    def test_log_odds_of_two_arms_add_up(self):
        (hit,) = fuse_hits({"embedding": [ArmHit(3, 0.75)], "local": [ArmHit(3, 12.0)]}, WORTHS)
        assert hit.evidence == pytest.approx(20 * 0.05 + 0.2 * 2)
        assert hit.similarity == pytest.approx(1 / (1 + math.exp(-1.4)))
        assert hit.found_by == "both"

    def test_a_photo_that_an_arm_did_not_return_counts_with_its_least(self):
        embedding = [ArmHit(1, 0.9), ArmHit(2, 0.5)]
        local = [ArmHit(7, 30.0)]
        fused = {h.photo_id: h for h in fuse_hits({"embedding": embedding, "local": local}, WORTHS)}
        assert fused[7].evidence == pytest.approx(20 * (0.5 - 0.7) + 0.2 * 20)
        assert fused[1].evidence == pytest.approx(20 * 0.2 - 0.2 * 10)
        assert fused[7].detail["scores"] == {"local": 30.0}

    def test_a_score_beyond_the_most_adds_nothing(self):
        worths = {**WORTHS, "local": Worth(0.2, 10.0, 100.0, least=0.0)}
        hits = {"embedding": [], "local": [ArmHit(1, 100.0), ArmHit(2, 300.0)]}
        first, second = fuse_hits(hits, worths)
        assert first.evidence == second.evidence

    def test_an_arm_that_found_nothing_leaves_the_order_of_the_other(self):
        hits = [ArmHit(n, score) for n, score in enumerate((0.9, 0.2, 0.6, 0.4))]
        fused = fuse_hits({"embedding": hits, "local": []}, WORTHS)
        assert [hit.photo_id for hit in fused] == [0, 2, 3, 1]
        assert {hit.found_by for hit in fused} == {"embedding"}

    def test_strong_geometry_outranks_a_middling_embedding(self):
        fused = fuse_hits(
            {
                "embedding": [ArmHit(1, 0.78), ArmHit(2, 0.45)],
                "local": [ArmHit(2, 60.0, outline=((0, 0), (9, 0), (9, 9), (0, 9)))],
            },
            WORTHS,
        )
        assert fused[0].photo_id == 2
        assert fused[0].found_by == "local"
        assert fused[0].outline is not None

    def test_order_survives_where_the_similarity_rounds_to_one(self):
        hits = [ArmHit(1, 200.0), ArmHit(2, 300.0)]
        fused = fuse_hits({"local": hits, "embedding": []}, WORTHS)
        assert [hit.photo_id for hit in fused] == [2, 1]
        assert fused[0].similarity == pytest.approx(1.0)
        assert fused[0].evidence > fused[1].evidence

    @given(
        st.dictionaries(st.integers(0, 9), st.floats(0, 1)),
        st.dictionaries(st.integers(0, 9), st.floats(0, 400)),
    )
    def test_similarities_lie_in_0_to_1_and_more_evidence_never_harms(self, near, local):
        embedding = [ArmHit(photo, score) for photo, score in near.items()]
        alone = {
            hit.photo_id: hit for hit in fuse_hits({"embedding": embedding, "local": []}, WORTHS)
        }
        joined = fuse_hits(
            {"embedding": embedding, "local": [ArmHit(p, s) for p, s in local.items()]}, WORTHS
        )
        assert {hit.photo_id for hit in joined} == set(near) | set(local)
        for hit in joined:
            assert 0.0 <= hit.similarity <= 1.0
            if hit.photo_id in alone:
                assert hit.evidence >= alone[hit.photo_id].evidence - 1e-12

    def test_an_arm_without_a_weight_is_named(self):
        with pytest.raises(SearchError, match=r"smell.*fusion\.json"):
            fuse_hits({"embedding": [], "smell": []})

    def test_the_shipped_weights_rise(self):
        assert {"embedding", "local"} <= set(default_worths())
        assert all(worth.weight > 0 for worth in default_worths().values())


FACTS = {
    1: fact("G1"),
    2: fact("G1", view=View.BACK),
    3: fact("G2", marque="Brannock", lighting=Lighting.UV_A),
    4: fact("F1", "fake"),
    5: fact("F2", "fake", marque=None),
    6: fact("W", state=IntakeState.WITHDRAWN),
    7: fact("P", "fake", state=IntakeState.PROPOSED),
}
SCORES = {1: 0.5, 2: 0.9, 3: 0.7, 4: 0.8, 5: 0.3, 6: 0.99, 7: 0.98}


def find(**options):
    return search_set([ListArm("embedding", SCORES)], QUERY, FACTS, **options)


def names(result):
    return [match.specimen for match in result.matches]


class TestSearchSet:
    def test_each_specimen_once_by_its_nearest_photo(self):
        result = find()
        assert names(result) == ["G1", "F1", "G2", "F2"]
        assert [match.rank for match in result.matches] == [1, 2, 3, 4]
        assert (result.matches[0].photo_id, result.matches[0].similarity) == (2, 0.9)
        assert result.empty_reason is None

    def test_withdrawn_and_proposed_specimens_are_never_found(self):
        assert {"W", "P"}.isdisjoint(names(find(limit=100)))

    def test_nearest_genuine_and_fake_are_given_though_cut_off(self):
        result = find(limit=1)
        assert names(result) == ["G1"]
        assert result.nearest_genuine == result.matches[0]
        assert (result.nearest_fake.specimen, result.nearest_fake.rank) == ("F1", 2)

    def test_a_fake_beyond_all_that_was_returned_is_searched_for_alone(self):
        facts = {n: fact(f"G{n}") for n in range(300)} | {999: fact("F", "fake")}
        arm = ListArm("embedding", {n: 0.9 - n / 1000 for n in range(300)} | {999: 0.01})
        result = search_set([arm], QUERY, facts, limit=3)
        assert result.nearest_fake.specimen == "F"
        assert result.nearest_fake.rank == 51
        assert arm.asked[-1][0] == frozenset({999})

    def test_a_specimen_with_very_many_photos_does_not_crowd_out_the_others(self):
        facts = {n: fact("crowd") for n in range(400)} | {n: fact(f"S{n}") for n in range(400, 420)}
        arm = ListArm("embedding", {n: 0.9 - n / 1000 for n in range(420)})
        assert len(search_set([arm], QUERY, facts, limit=10).matches) == 10

    @pytest.mark.parametrize(
        ("filters", "expected"),
        [
            ({"view": "back"}, ["G1"]),
            ({"lighting": "uv-a"}, ["G2"]),
            ({"marque": "Brannock"}, ["G2"]),
            ({"standing": "fake"}, ["F1", "F2"]),
            ({"standing": Standing.FAKE, "marque": "Aldermoor"}, ["F1"]),
            ({"without": ["G1", "F2"]}, ["F1", "G2"]),
            ({"element": "band"}, ["G1", "F1", "G2", "F2"]),
        ],
    )
    def test_filters(self, filters, expected):
        assert names(find(**filters)) == expected

    def test_within_a_standing_the_other_has_no_nearest(self):
        assert find(standing="fake").nearest_genuine is None

    def test_filters_that_leave_nothing_give_the_reason(self):
        result = find(element="cap", marque="Brannock")
        assert (result.matches, result.nearest_genuine, result.nearest_fake) == ((), None, None)
        assert "element cap" in result.empty_reason
        assert "marque Brannock" in result.empty_reason

    def test_an_empty_set_says_so(self):
        assert "no confirmed photo" in search_set([ListArm("a", {})], QUERY, {}).empty_reason
        only_proposed = {7: FACTS[7]}
        result = search_set([ListArm("a", SCORES)], QUERY, only_proposed)
        assert "no confirmed photo" in result.empty_reason

    @pytest.mark.parametrize(
        ("filters", "allowed"),
        [
            ({"element": "ring"}, "band, seal, cap"),
            ({"view": "top"}, "left-edge"),
            ({"lighting": "flash"}, "raking"),
            ({"standing": "real"}, "genuine, fake"),
            ({"marque": "Nobody"}, "Aldermoor, Brannock"),
            ({"limit": 0}, "at least 1"),
        ],
    )
    def test_a_value_that_is_not_known_lists_those_that_are(self, filters, allowed):
        with pytest.raises(QueryInvalid, match=allowed):
            find(**filters)

    def test_an_arm_that_breaks_the_filters_is_caught(self):
        class Stray(ListArm):
            def find(self, query, *, allowed=None, limit=50):
                return [ArmHit(6, 0.99)]

        with pytest.raises(SearchError, match="not asked"):
            search_set([Stray("embedding", {})], QUERY, FACTS)

    def test_without_arms_nothing_is_searched(self):
        with pytest.raises(SearchError):
            search_set([], QUERY, FACTS)


class LocatingArm(ListArm):
    """Finds one photo, at a given place; a closer look, taken at most once, sees nothing."""

    def __init__(self, outline):
        super().__init__("local", {3: 60.0})
        self.outline = outline
        self.parts = None

    def find(self, query, *, allowed=None, limit=50):
        found = super().find(query, allowed=allowed, limit=limit)
        return [ArmHit(hit.photo_id, hit.score, outline=self.outline) for hit in found]

    def look_closer(self, query, parts):
        assert self.parts is None, "looked closer twice at one query"
        self.parts = dict(parts)
        return []


class CuttingArm(ListArm):
    """Likes photo 3 better once only the item is shown, and may fail to cut it out."""

    fails = False
    turned: float | None = None
    """Score of photo 3 where the picture is looked at from all sides."""

    def find(self, query, *, allowed=None, limit=50):
        if query.region is None and not query.placed and self.turned is not None:
            return [ArmHit(3, self.turned)]
        if query.region is None:
            return super().find(query, allowed=allowed, limit=limit)
        if self.fails:
            raise CropInvalid("A corner lies far outside.")
        return [ArmHit(3, 0.97)] if allowed is None or 3 in allowed else []


class TestSecondLook:
    QUERY = QueryPhoto(np.zeros((100, 100, 3), np.uint8))
    OUTLINE = ((10.0, 10.0), (80.0, 10.0), (80.0, 70.0), (10.0, 70.0))

    def search(self, *, fails=False):
        cutting = CuttingArm("embedding", SCORES)
        cutting.fails = fails
        return search_set([cutting, LocatingArm(self.OUTLINE)], self.QUERY, FACTS)

    def test_the_item_found_is_looked_at_again(self):
        result = self.search()
        assert result.located.region == self.OUTLINE
        best = next(match for match in result.matches if match.photo_id == 3)
        assert best.detail["scores"] == {"embedding": 0.97, "local": 60.0}
        assert [item.outline for item in result.items] == [self.OUTLINE]

    def test_a_sure_place_spares_the_search_all_over_the_photo(self):
        whole, item = self.search().looked_at
        assert whole.placed
        assert whole.region is None
        assert item.region == self.OUTLINE

    def test_an_unsure_place_does_not(self):
        locating = LocatingArm(self.OUTLINE)
        locating.scores = {3: 12.0}
        result = search_set([CuttingArm("embedding", SCORES), locating], self.QUERY, FACTS)
        assert not result.looked_at[0].placed

    def test_an_item_that_cannot_be_cut_out_leaves_the_first_look(self):
        result = self.search(fails=True)
        assert result.located is None
        best = next(match for match in result.matches if match.photo_id == 3)
        assert best.detail["scores"] == {"embedding": 0.7, "local": 60.0}

    def test_a_sure_item_that_cannot_be_cut_out_is_looked_for_all_over_after_all(self):
        cutting = CuttingArm("embedding", SCORES)
        cutting.fails, cutting.turned = True, 0.9
        result = search_set([cutting, LocatingArm(self.OUTLINE)], self.QUERY, FACTS)
        best = next(match for match in result.matches if match.photo_id == 3)
        assert best.detail["scores"] == {"embedding": 0.9, "local": 60.0}
        (whole,) = result.looked_at
        assert not whole.placed
