"""The keeper of a set's calibration, on a real set with the encoder that ships."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import pytest

from invented_prints import Item, invented_items, record_items
from loupebook.library import Library, facade
from loupebook.library import evidence_glue as glue
from loupebook.records.catalogue import Catalogue
from loupebook.records.model import Lighting
from loupebook.search import QueryPhoto, search_set


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    items = invented_items(
        editions=3, genuine=5, presses=2, fakes=3, lightings=(Lighting.DIFFUSE,), seed=4
    )
    target = tmp_path_factory.mktemp("glue") / "set"
    with Catalogue.create(target, name="drawn") as catalogue:
        record_items(catalogue, items)
    return target


def test_search_is_read_and_calibration_follows_the_set(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = []
    calibrate = glue.calibrate_set

    def counted(*args, **kwargs):
        made.append(1)
        return calibrate(*args, **kwargs)

    monkeypatch.setattr(glue, "calibrate_set", counted)
    fresh = invented_items(editions=3, genuine=7, presses=0, lightings=(Lighting.DIFFUSE,), seed=4)
    with Library.open(folder) as library:
        library.sync()
        catalogue, arms = library._catalogue, library.arms()
        arm = glue.embedding_arm(arms)
        assert arm is not None

        def read(keeper: glue.EvidenceKeeper):
            version, facts = catalogue.info().change_counter, catalogue.facts()
            query = QueryPhoto(fresh[6].shots[0].pixels)
            result = search_set(arms, query, facts)
            return keeper.read(arm, result, facts, encoder="lite0@0123", set_version=version)

        keeper = glue.EvidenceKeeper(catalogue)
        first = read(keeper)
        assert first is not None
        assert first["close_reference"] is True
        assert first["known_press"] is not None
        assert first["unseen_press"] is not None
        assert (first["basis"]["genuine"], first["basis"]["fake"]) == (15, 18)
        assert first["basis"]["origins"] == 6
        assert read(keeper) == first
        # Another process finds it on disk.
        assert read(glue.EvidenceKeeper(catalogue)) == first
        assert len(made) == 1
        library.withdraw("S-0-00", by="test", reason="test")
        library.sync()
        after = read(keeper)
        assert after is not None
        assert after["basis"]["genuine"] == 14
        assert after["basis"]["set_version"] > first["basis"]["set_version"]
        assert len(made) == 2


def test_a_standing_corrected_during_a_search_is_in_the_next_reading(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fresh = invented_items(editions=3, genuine=7, presses=0, lightings=(Lighting.DIFFUSE,), seed=4)
    query = fresh[6].shots[0].pixels
    searched = facade.search_set
    with Library.open(folder) as library, Catalogue.open(folder) as another:

        def overtaken(*args, **kwargs):
            found = searched(*args, **kwargs)
            another.edit_specimen("S-1-00", {"standing": "fake"}, by="me", reason="mixed up")
            return found

        version = library.info().change_counter
        with monkeypatch.context() as during:
            during.setattr(facade, "search_set", overtaken)
            first = library.search(query).reading["basis"]
        after = library.search(query).reading["basis"]
        another.edit_specimen("S-1-00", {"standing": "genuine"}, by="me", reason="put back")
    assert after["genuine"] == first["genuine"] - 1
    assert after["fake"] == first["fake"] + 1
    assert (first["set_version"], after["set_version"]) == (version, version + 1)


def test_what_is_named_is_what_was_measured_under_the_same_filters(folder: Path) -> None:
    fresh = invented_items(editions=3, genuine=7, presses=0, lightings=(Lighting.DIFFUSE,), seed=4)
    with Library.open(folder) as library:
        library.sync()
        facts, arms = library._catalogue.facts(), library.arms()
        arm = glue.embedding_arm(arms)
        keeper = glue.EvidenceKeeper(library._catalogue)
        version = library.info().change_counter

        def read(item: Item, **filters: str) -> dict:
            result = search_set(arms, QueryPhoto(item.shots[0].pixels), facts, **filters)
            passing = [photo for photo, fact in facts.items() if result.filters.passes(fact)]
            likest = glue.nearest_photo(arm, result.looked_at, passing)
            reading = keeper.read(arm, result, facts, encoder="lite0@0123", set_version=version)
            assert f" {facts[likest.photo_id].specimen}" in reading["brief"]
            return reading

        for item in (fresh[0], fresh[-1]):
            own, strange = sorted(("Marque 0", "Marque 1"), key=lambda m: m != item.record.marque)
            whole, other = read(item), read(item, marque=strange)
            assert other["p_value"] < whole["p_value"]
            assert other["known_press"] is None
            assert "The filters leave out some that lie nearer." in other["says"]
            # What the filters do not touch is read as without them.
            assert read(item, marque=own)["known_press"] is not None
            # One side alone tells nothing of the other.
            for standing in ("genuine", "fake"):
                assert read(item, standing=standing)["known_press"] is None


def test_calibration_of_half_the_photos_is_not_that_of_all(folder: Path) -> None:
    with Library.open(folder) as library:
        library.sync()
        arm = glue.embedding_arm(library.arms())
        assert arm is not None
        ids, vectors = arm.held_vectors()
        half = len(ids) // 2
        partly = SimpleNamespace(
            fingerprint=arm.fingerprint,
            held_photos=lambda: ids[:half].tolist(),
            held_vectors=lambda: (ids[:half], vectors[:half]),
        )
        facts = library._catalogue.facts()
        keeper = glue.EvidenceKeeper(library._catalogue)
        version = library.info().change_counter
        few = keeper.calibration(partly, facts, set_version=version).elements["band"]
        whole = keeper.calibration(arm, facts, set_version=version).elements["band"]
        assert few.genuine + few.fake < whole.genuine + whole.fake


def test_empty_set_has_nothing_to_read(tmp_path: Path) -> None:
    with Library.create(tmp_path / "set") as library:
        arm = glue.embedding_arm(library.arms())
        assert arm is not None
        query = QueryPhoto(invented_items(editions=1)[0].shots[0].pixels)
        result = search_set(library.arms(), query, {})
        keeper = glue.EvidenceKeeper(library._catalogue)
        assert keeper.read(arm, result, {}, encoder="x", set_version=0) is None
