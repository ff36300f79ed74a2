"""The embedding arm: finds, follows the catalogue, mends itself."""

from __future__ import annotations

import errno
import shutil

import numpy as np
import pytest
from search_fakes import ThumbnailEncoder, picture

from loupebook.encoders import load_encoder
from loupebook.errors import PhotoUnreadable, QueryInvalid, SetError
from loupebook.search import EmbeddingArm, QueryPhoto, SearchArm, files
from loupebook.search.vector_store import VectorStore

PHOTOS = {number: f"sha-{number}" for number in range(1, 41)}


def read(photo_id: int) -> np.ndarray:
    return picture(photo_id)


def make(tmp_path, encoder=None, set_id="set"):
    return EmbeddingArm(tmp_path / "embeddings", encoder or ThumbnailEncoder(), set_id=set_id)


@pytest.fixture
def arm(tmp_path):
    made = make(tmp_path)
    made.sync(PHOTOS, read)
    return made


def first(arm, photo_id, **options):
    return arm.find(QueryPhoto(picture(photo_id)), **options)[0]


def test_it_fits_the_seam(arm):
    assert isinstance(arm, SearchArm)


def test_every_indexed_photo_finds_itself_with_a_cosine_of_one(arm):
    for photo_id in PHOTOS:
        hit = first(arm, photo_id)
        assert hit.photo_id == photo_id
        assert hit.score >= 0.9999
        assert hit.detail["turn"] == 0


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_a_turned_photo_finds_itself_and_says_how_to_turn_it_back(arm, turns):
    for photo_id in list(PHOTOS)[:10]:
        turned = np.ascontiguousarray(np.rot90(picture(photo_id), turns))
        hit = arm.find(QueryPhoto(turned))[0]
        assert hit.photo_id == photo_id
        assert hit.score >= 0.9999
        # rot90 turns anticlockwise, `turn` is clockwise: as many turns lead back.
        assert hit.detail["turn"] == turns


def test_hits_are_in_order_one_a_photo_and_within_what_is_allowed(arm):
    hits = arm.find(QueryPhoto(picture(3)), allowed={3, 8, 21, 999}, limit=10)
    assert sorted(hit.photo_id for hit in hits) == [3, 8, 21]
    assert [hit.score for hit in hits] == sorted((hit.score for hit in hits), reverse=True)
    assert arm.find(QueryPhoto(picture(3)), allowed=()) == []
    assert len(arm.find(QueryPhoto(picture(3)), limit=7)) == 7
    assert arm.find(QueryPhoto(picture(3)), limit=0) == []


def test_a_marked_region_is_searched_alone(arm):
    canvas = np.full((200, 300, 3), 90, np.uint8)
    canvas[100:140, 50:80] = picture(12)
    region = ((49.5, 99.5), (79.5, 99.5), (79.5, 139.5), (49.5, 139.5))
    hit = arm.find(QueryPhoto(canvas, region=region))[0]
    assert hit.photo_id == 12
    assert hit.score > 0.99


def test_a_query_that_is_no_picture_is_refused():
    for shape in ((0, 5, 3), (5, 5), (5, 5, 4)):
        with pytest.raises(QueryInvalid):
            QueryPhoto(np.zeros(shape, np.uint8))
    with pytest.raises(QueryInvalid):
        QueryPhoto(np.zeros((5, 5, 3), np.float32))


def test_a_one_pixel_query_is_answered(arm):
    assert len(arm.find(QueryPhoto(np.full((1, 1, 3), 9, np.uint8)), limit=5)) == 5


class TestSync:
    def test_it_says_what_it_would_do_and_then_does_it(self, tmp_path):
        arm = make(tmp_path)
        assert arm.pending(PHOTOS).to_add == frozenset(PHOTOS)
        seen = []
        report = arm.sync(PHOTOS, read, lambda *told: seen.append(told))
        assert (report.added, report.withdrawn, report.kept) == (40, 0, 0)
        assert ("Embedding photos", 40, 40) in seen
        assert not arm.pending(PHOTOS)

    def test_only_what_is_new_is_embedded(self, arm):
        before = arm._encoder.embedded
        report = arm.sync({**PHOTOS, 50: "sha-50"}, read)
        assert (report.added, report.kept) == (1, 40)
        assert arm._encoder.embedded == before + 1
        assert first(arm, 50).photo_id == 50

    def test_a_withdrawn_photo_is_never_found_again(self, arm, tmp_path):
        left = {photo: sha for photo, sha in PHOTOS.items() if photo != 7}
        assert arm.sync(left, read).withdrawn == 1
        for one in (arm, make(tmp_path)):
            hits = one.find(QueryPhoto(picture(7)), limit=100)
            assert 7 not in {hit.photo_id for hit in hits}

    def test_a_photo_whose_bytes_changed_is_embedded_anew(self, arm):
        report = arm.sync({**PHOTOS, 7: "changed"}, lambda photo: picture(700))
        assert (report.added, report.withdrawn, report.kept) == (1, 1, 39)
        assert first(arm, 700).photo_id == 7

    def test_a_photo_that_cannot_be_read_is_named_and_tried_again(self, tmp_path):
        def read_some(photo_id):
            if photo_id == 5:
                raise PhotoUnreadable("no picture")
            return picture(photo_id)

        arm = make(tmp_path)
        report = arm.sync(PHOTOS, read_some)
        assert report.failed == {5: "no picture"}
        assert report.added == 39
        assert arm.pending(PHOTOS).to_add == {5}
        assert arm.sync(PHOTOS, read).added == 1

    def test_a_sync_that_was_broken_off_goes_on_where_it_was(self, tmp_path):
        def read_and_die(photo_id):
            if photo_id > 36:
                raise KeyboardInterrupt
            return picture(photo_id)

        arm = make(tmp_path)
        with pytest.raises(KeyboardInterrupt):
            arm.sync(PHOTOS, read_and_die)
        again = make(tmp_path)
        pending = again.pending(PHOTOS)
        assert 0 < len(pending.to_add) < 40
        assert again.sync(PHOTOS, read).added == len(pending.to_add)
        assert first(again, 40).photo_id == 40

    def test_another_process_that_changed_the_store_is_noticed(self, arm, tmp_path):
        make(tmp_path).sync({**PHOTOS, 60: "sha-60"}, read)
        assert first(arm, 60).photo_id == 60

    def test_another_encoder_keeps_its_own_state(self, arm, tmp_path):
        other = make(tmp_path, ThumbnailEncoder("other"))
        assert other.fingerprint != arm.fingerprint
        assert other.pending(PHOTOS).to_add == frozenset(PHOTOS)

    def test_state_of_another_set_is_never_used(self, arm, tmp_path):
        arm.close()
        foreign = make(tmp_path, set_id="another")
        assert foreign.pending(PHOTOS).damage
        assert foreign.sync(PHOTOS, read).rebuilt
        assert first(foreign, 9).photo_id == 9

    def test_clear_deletes_the_files(self, arm, tmp_path):
        arm.clear()
        assert list((tmp_path / "embeddings").iterdir()) == []
        assert arm.pending(PHOTOS).to_add == frozenset(PHOTOS)


class TestSharing:
    """Two arms with one folder, as two processes have."""

    def test_two_that_sync_at_once_keep_what_each_other_writes(self, tmp_path):
        quick, slow = make(tmp_path), make(tmp_path)

        def read_late(photo_id):
            if photo_id == 1:
                quick.sync(PHOTOS, read)
            return picture(photo_id)

        report = slow.sync(PHOTOS, read_late)
        rows = quick._open().labels().row_ids.tolist()
        assert report.rebuilt is None
        assert slow._encoder.embedded < len(PHOTOS), "what was done meanwhile is not done again"
        assert rows == make(tmp_path)._open().labels().row_ids.tolist()
        for one in (quick, slow):
            assert len({hit.photo_id for hit in one.find(QueryPhoto(picture(1)))}) == len(PHOTOS)

    def test_a_photo_withdrawn_while_the_index_is_brought_up_to_date(
        self, arm, tmp_path, monkeypatch
    ):
        other = make(tmp_path)
        other.sync({**PHOTOS, 60: "sha-60", 61: "sha-61"}, read)
        as_it_is = VectorStore.labels

        def labels_then_withdraw(store):
            found = as_it_is(store)
            monkeypatch.undo()
            other._open().withdraw([60])
            return found

        monkeypatch.setattr(VectorStore, "labels", labels_then_withdraw)
        assert first(arm, 61).photo_id == 61
        monkeypatch.setattr(VectorStore, "labels", labels_then_withdraw)
        arm._labels = None
        numbers, vectors = arm.held_vectors()
        assert len(numbers) == len(vectors) == len(PHOTOS) + 1
        assert 60 not in numbers

    def test_a_store_that_another_has_thrown_away_is_let_go(self, arm, tmp_path):
        other = make(tmp_path)
        other.clear()
        other.sync(PHOTOS, read)
        more = {**PHOTOS, 60: "sha-60"}
        assert arm.sync(more, read).added == 1
        assert not make(tmp_path).pending(more)


class TestFullDisk:
    def test_nothing_that_was_embedded_is_lost(self, arm, tmp_path):
        store = arm._open()
        (pages,) = store._db.execute("PRAGMA page_count").fetchone()
        store._db.execute(f"PRAGMA max_page_count = {pages}")
        more = {number: f"sha-{number}" for number in range(1, 121)}
        with pytest.raises(SetError, match="disk is full"):
            arm.sync(more, read)
        assert first(arm, 9).photo_id == 9
        arm.close()
        again = make(tmp_path)
        assert again.sync(more, read).rebuilt is None
        assert again._encoder.embedded <= 80

    def test_a_search_does_without_the_file_of_the_index(self, arm, tmp_path, monkeypatch):
        arm.close()
        (tmp_path / "embeddings" / f"{arm.fingerprint[:12]}.index").unlink()

        def no_space(path, chunks):
            raise OSError(errno.ENOSPC, "No space left on device")

        monkeypatch.setattr(files, "write_atomically", no_space)
        assert first(make(tmp_path), 9).photo_id == 9


def test_a_store_that_fell_back_behind_its_index_answers_rightly(arm, tmp_path):
    """As after a power cut, or where an earlier copy of the file is put back."""
    arm.close()
    store = arm._store_path
    shutil.copy(store, tmp_path / "earlier")
    arm.sync({**PHOTOS, 60: "sha-60"}, read)
    arm.close()
    shutil.copy(tmp_path / "earlier", store)
    again = make(tmp_path)
    again.sync({**PHOTOS, 61: "sha-61"}, read)
    assert first(again, 61).score >= 0.9999
    assert first(again, 60).score < 0.99


class TestDamage:
    @pytest.mark.parametrize("suffix", [".index", ".sqlite"])
    @pytest.mark.parametrize("damage", ["flip", "cut", "empty", "foreign"])
    def test_whatever_happens_to_a_file_answers_stay_right(self, arm, tmp_path, suffix, damage):
        arm.close()
        (path,) = [p for p in (tmp_path / "embeddings").iterdir() if p.suffix == suffix]
        content = bytearray(path.read_bytes())
        if damage == "flip":
            for place in range(100, len(content), 211):
                content[place] ^= 0x55
        changed = {"cut": content[: len(content) // 2], "empty": b"", "foreign": b"?" * 9999}
        path.write_bytes(changed.get(damage, content))
        mended = make(tmp_path)
        mended.sync(PHOTOS, read)
        for photo_id in PHOTOS:
            assert first(mended, photo_id).photo_id == photo_id
        assert not make(tmp_path).pending(PHOTOS)

    def test_an_index_without_its_store_is_not_trusted(self, arm, tmp_path):
        arm.close()
        for path in (tmp_path / "embeddings").glob("*.sqlite*"):
            path.unlink()
        # In the new store the same row ids belong to other photos.
        swapped = dict(reversed(list(PHOTOS.items())))
        renumbered = {photo: sha for photo, sha in swapped.items() if photo > 20}
        mended = make(tmp_path)
        mended.sync(renumbered, read)
        assert first(mended, 33).photo_id == 33
        assert len(mended.find(QueryPhoto(picture(1)), limit=100)) == 20


def test_the_default_encoder_finds_real_pictures_again(tmp_path):
    """An indexed photo searched unchanged has a cosine of one with itself."""
    from skimage import data

    photos = [data.astronaut(), data.coffee(), data.chelsea(), data.rocket(), data.retina()]
    arm = EmbeddingArm(tmp_path, load_encoder(device="cpu"), set_id="s")
    arm.sync({n: f"sha-{n}" for n in range(len(photos))}, lambda n: photos[n])
    for number, photo in enumerate(photos):
        best, second = arm.find(QueryPhoto(photo), limit=2)
        assert best.photo_id == number
        assert best.score >= 0.9999
        assert second.score < 0.9
