"""The index of patches as the set grows, and on disk."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import faiss
import numpy as np
import pytest

from loupebook.errors import IndexDamaged
from loupebook.search.local import descriptor_index, packing, upkeep
from loupebook.search.local.descriptor_index import FLAT_MOST, GROWTH, DescriptorIndex
from loupebook.search.local.feature_store import FeatureStore
from loupebook.search.local.features import Features
from loupebook.search.local.upkeep import ROOM, IndexKeeper, patches_each


def made_up(seed: int, count: int) -> Features:
    rng = np.random.default_rng(seed)
    return Features(
        xy=(rng.random((count, 2)) * (400, 300)).astype(np.float32),
        size=rng.uniform(4, 40, count).astype(np.float32),
        angle=rng.uniform(0, 2 * np.pi, count).astype(np.float32),
        descriptors=rng.integers(0, 255, (count, 128)).astype(np.uint8),
        width=400,
        height=300,
    )


@pytest.fixture
def store(tmp_path: Path) -> FeatureStore:
    made = FeatureStore(tmp_path / "features.sqlite", set_id="S", fingerprint="F")
    made.put([(number, f"sha-{number}", made_up(number, 700)) for number in range(5)])
    return made


def test_many_new_photos_never_pass_through_the_small_index(
    store: FeatureStore, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    keeper = IndexKeeper(store, tmp_path / "features.index", "made from S")
    keeper.refresh()
    small = keeper.index
    store.put([(number, f"sha-{number}", made_up(number, 700)) for number in range(5, 30)])
    patches = 30 * 700
    assert patches > max(FLAT_MOST, GROWTH * small.trained_for)
    taken: list[int] = []
    as_it_is = DescriptorIndex.add

    def counted(index: DescriptorIndex, ids: np.ndarray, descriptors: np.ndarray) -> None:
        taken.append(len(descriptors))
        as_it_is(index, ids, descriptors)

    monkeypatch.setattr(DescriptorIndex, "add", counted)
    keeper.refresh()
    assert keeper.index is not small
    assert sum(taken) == len(keeper.index) == patches


def test_what_is_read_from_the_file_finds_what_was_written(
    store: FeatureStore, tmp_path: Path
) -> None:
    store.put([(number, f"sha-{number}", made_up(number, 700)) for number in range(5, 30)])
    path = tmp_path / "features.index"
    written = IndexKeeper(store, path, "made from S")
    written.refresh()
    read = IndexKeeper(store, path, "made from S")
    assert len(read.index) == len(written.index)
    asked = made_up(7, 700).descriptors[:50]
    for one, other in zip(read.index.search(asked, 8), written.index.search(asked, 8), strict=True):
        np.testing.assert_array_equal(one, other)
    # Nothing but the file itself is left beside the store.
    assert [one.name for one in tmp_path.iterdir() if "index" in one.name] == [path.name]


def test_lists_found_by_a_graph_hold_what_lists_looked_through_do(
    store: FeatureStore, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store.put([(number, f"sha-{number}", made_up(number, 700)) for number in range(5, 30)])

    def made(name: str) -> DescriptorIndex:
        keeper = IndexKeeper(store, tmp_path / name, "made from S")
        keeper.refresh()
        return keeper.index

    exact = made("exact.index")
    monkeypatch.setattr(descriptor_index, "GRAPH_FROM", 64)
    quick = made("quick.index")
    lists = quick.faiss_index
    assert lists.nlist >= 64
    # Only adding goes by the graph: it is neither searched nor written.
    assert type(faiss.downcast_index(lists.quantizer)) is faiss.IndexFlatL2
    asked = made_up(7, 700).descriptors
    (first, _), (second, _) = (index.search(asked, 1) for index in (exact, quick))
    assert (first == second).mean() > 0.98


def test_the_graph_is_made_of_the_lists_of_an_index_that_was_read(
    store: FeatureStore, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(descriptor_index, "GRAPH_FROM", 64)
    store.put([(number, f"sha-{number}", made_up(number, 700)) for number in range(5, 30)])
    IndexKeeper(store, tmp_path / "features.index", "made from S").refresh()
    read = IndexKeeper(store, tmp_path / "features.index", "made from S")
    store.put([(30, "sha-30", made_up(30, 700))])
    read.refresh()
    found, apart = read.index.search(made_up(30, 700).descriptors, 1)
    assert (apart[:, 0] == 0).mean() > 0.98
    assert len(set(found[:, 0])) > 650


def test_a_set_too_large_for_all_patches_indexes_the_strongest_of_each_photo(
    store: FeatureStore, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As on a set of a million photos, whose index has to fit the memory all the same."""
    monkeypatch.setattr(upkeep, "ANEW_PHOTOS", 0)
    most, path = 13_000, tmp_path / "features.index"
    for room in (descriptor_index, upkeep):
        monkeypatch.setattr(room, "MOST_PATCHES", most)
    keeper = IndexKeeper(store, path, "made from S")
    keeper.refresh()
    assert len(keeper.index) == 5 * 700

    store.put([(number, f"sha-{number}", made_up(number, 700)) for number in range(5, 30)])
    keeper.refresh()
    each = keeper.index.a_photo
    assert each == int(most / (30 * ROOM))
    assert len(keeper.index) == 30 * each
    found, apart = keeper.index.search(made_up(7, 700).descriptors, 1)
    assert (apart[:each, 0] == 0).all()
    assert not (apart[each:, 0] == 0).any()
    assert set(found[:each, 0]) == set(packing.pack(8, made_up(7, 700))[:each])

    read = IndexKeeper(store, path, "made from S")
    assert read.index.a_photo == each
    small = read.index
    store.put([(30, "sha-30", made_up(30, 700))])
    read.refresh()
    assert read.index is small
    assert len(small) == 31 * each
    store.put([(number, f"sha-{number}", made_up(number, 700)) for number in range(31, 38)])
    read.refresh()
    assert read.index.a_photo < each
    assert len(read.index) == 38 * read.index.a_photo <= most


def test_photos_with_few_patches_keep_them_all() -> None:
    room = upkeep.MOST_PATCHES / ROOM / 1_000_000
    assert patches_each(np.full(100_000, 700)) == 700
    assert patches_each(np.full(1_000_000, 700)) == int(room)
    assert patches_each(np.repeat([20, 700], 500_000)) == int(2 * room - 20)
    assert patches_each(np.array([], np.int64)) == 700


def test_a_store_whose_patches_cannot_be_counted_is_called_damaged(
    store: FeatureStore, tmp_path: Path
) -> None:
    with closing(sqlite3.connect(store.path)) as other, other:
        other.execute("PRAGMA foreign_keys = OFF")
        other.execute("DROP TABLE features")
    with pytest.raises(IndexDamaged):
        store.counts()
    with pytest.raises(IndexDamaged):
        IndexKeeper(store, tmp_path / "features.index", "made from S")


def test_photos_put_into_an_empty_set_go_into_an_index_that_suits_them(tmp_path: Path) -> None:
    store = FeatureStore(tmp_path / "features.sqlite", set_id="S", fingerprint="F")
    keeper = IndexKeeper(store, tmp_path / "features.index", "made from S")
    keeper.refresh()
    empty = keeper.index
    store.put([(number, f"sha-{number}", made_up(number, 700)) for number in range(3)])
    keeper.refresh()
    assert len(empty) == 0
    assert len(keeper.index) == keeper.index.trained_for == 3 * 700


def test_a_row_id_given_to_another_photo_is_noticed(tmp_path: Path) -> None:
    """The store falls back behind its index: a power cut, an earlier copy put back."""
    path = tmp_path / "features.index"
    for last in (1, 2):
        store = FeatureStore(tmp_path / f"{last}.sqlite", set_id="S", fingerprint="F")
        store.put([(0, "sha-0", made_up(0, 50)), (last, f"sha-{last}", made_up(last, 50))])
        keeper = IndexKeeper(store, path, "made from S")
        keeper.refresh()
        _, apart = keeper.index.search(made_up(last, 50).descriptors, 1)
        assert (apart == 0).all()


def test_an_index_that_the_disk_has_no_room_for_serves_all_the_same(
    store: FeatureStore, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_space(index: object, path: str) -> None:
        raise RuntimeError("No space left on device")

    monkeypatch.setattr(faiss, "write_index", no_space)
    keeper = IndexKeeper(store, tmp_path / "features.index", "made from S")
    keeper.refresh()
    assert len(keeper.index) == 5 * 700
    assert not list(tmp_path.glob("*.index"))


def neighbours(store: FeatureStore, keeper: IndexKeeper) -> list[np.ndarray]:
    """What is nearest to patches of all photos: photos, how each patch lies, and how near it is."""
    keeper.refresh()
    asked = np.concatenate([made_up(number, 700).descriptors[:40] for number in range(30)])
    ids, apart = keeper.index.search(asked, 8)
    photo_of = np.vectorize(lambda row: keeper.held.photo_of_row[row])
    photos, lies = photo_of(ids >> packing.GEOMETRY_BITS), ids & (2**packing.GEOMETRY_BITS - 1)
    # Equally near ones have no order.
    order = np.lexsort((lies, photos, apart))
    return [np.take_along_axis(plane, order, axis=1) for plane in (photos, lies, apart)]


def of_thirty(store: FeatureStore) -> None:
    store.put([(number, f"sha-{number}", made_up(number, 700)) for number in range(5, 30)])


@pytest.mark.parametrize("flat_most", [12_000, 30_000])
def test_answers_go_by_the_photos_held_and_not_by_how_they_came(
    store: FeatureStore, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, flat_most: int
) -> None:
    for room in (descriptor_index, upkeep):
        monkeypatch.setattr(room, "FLAT_MOST", flat_most)
    of_thirty(store)
    keeper = IndexKeeper(store, tmp_path / "features.index", "made from S")
    at_first = neighbours(store, keeper)
    store.withdraw([3, 11])
    without = neighbours(store, keeper)
    never_had = FeatureStore(tmp_path / "other.sqlite", set_id="S", fingerprint="F")
    never_had.put(
        [(n, f"sha-{n}", made_up(n, 700)) for n in reversed(range(30)) if n not in (3, 11)]
    )
    other = IndexKeeper(never_had, tmp_path / "other.index", "made from S")
    for one, theirs in zip(without, neighbours(never_had, other), strict=True):
        np.testing.assert_array_equal(one, theirs)
    store.put([(number, f"sha-{number}", made_up(number, 700)) for number in (11, 3)])
    for one, again in zip(at_first, neighbours(store, keeper), strict=True):
        np.testing.assert_array_equal(one, again)


@pytest.mark.parametrize("kind", ["exact", "bytes", "codes"])
def test_a_large_set_forgets_photos_withdrawn_without_being_made_anew(
    store: FeatureStore, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: str
) -> None:
    monkeypatch.setattr(upkeep, "ANEW_PHOTOS", 0)
    monkeypatch.setattr(descriptor_index, "BYTES_MOST", 700_000 if kind == "bytes" else 1_000)
    if kind == "exact":
        monkeypatch.setattr(descriptor_index, "FLAT_MOST", 30_000)
    of_thirty(store)
    path = tmp_path / "features.index"
    keeper = IndexKeeper(store, path, "made from S")
    photos, _, _ = neighbours(store, keeper)
    assert {3, 11} <= set(photos[:, 0])
    made = keeper.index
    store.withdraw([3, 11])
    for one in (keeper, IndexKeeper(store, path, "made from S")):
        photos, _, apart = neighbours(store, one)
        assert len(one.index) == 28 * 700
        assert not {3, 11} & set(photos.ravel())
        assert np.isfinite(apart).all()
    assert keeper.index is made


@pytest.mark.parametrize("bytes_most", [1_000, 700_000])
def test_patches_taken_out_and_put_back_are_found_as_if_they_had_stayed(
    monkeypatch: pytest.MonkeyPatch, bytes_most: int
) -> None:
    monkeypatch.setattr(descriptor_index, "BYTES_MOST", bytes_most)
    features = [made_up(number, 700) for number in range(30)]
    every = np.concatenate([one.descriptors for one in features])
    ids = np.concatenate([packing.pack(number, one) for number, one in enumerate(features)])
    index = DescriptorIndex(len(every), every, a_photo=700)
    index.add(ids, every)
    stayed = index.search(every[::7], 8)
    theirs = packing.of_rows(ids, [3, 11])
    index.remove(lambda given: packing.of_rows(given, [3, 11]))
    assert len(index) == 28 * 700
    index.add(ids[theirs], every[theirs])
    ids_again, apart_again = index.search(every[::7], 8)
    np.testing.assert_array_equal(apart_again, stayed[1])
    # Which of equally near ones is named is chance.
    assert (ids_again[:, 0] == stayed[0][:, 0]).mean() > 0.99


def test_what_an_index_is_trained_on_goes_by_photos_and_not_by_when_they_came(
    store: FeatureStore, tmp_path: Path
) -> None:
    of_thirty(store)

    def lists(name: str) -> np.ndarray:
        keeper = IndexKeeper(store, tmp_path / name, "made from S")
        keeper.refresh()
        trained = keeper.index.faiss_index
        return trained.quantizer.reconstruct_n(0, trained.nlist)

    before = lists("one.index")
    store.withdraw([0, 1, 2])
    store.put([(number, f"sha-{number}", made_up(number, 700)) for number in range(3)])
    np.testing.assert_array_equal(before, lists("two.index"))


def test_photos_without_texture_are_forgotten_too(store: FeatureStore, tmp_path: Path) -> None:
    blank = FeatureStore(tmp_path / "blank.sqlite", set_id="S", fingerprint="F")
    blank.put([(number, f"sha-{number}", made_up(number, 0)) for number in range(3)])
    keeper = IndexKeeper(blank, tmp_path / "blank.index", "made from S")
    keeper.refresh()
    blank.withdraw([1])
    keeper.refresh()
    assert len(keeper.index) == 0
