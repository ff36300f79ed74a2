"""The store keeps whole photos or none, notices damage, and survives a kill."""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from loupebook.errors import IndexDamaged, SearchError, SetError
from loupebook.search.vector_store import PhotoVectors, VectorStore

DIM = 12


def open_store(path, **changed):
    return VectorStore(path, **{"set_id": "s", "fingerprint": "f", "dim": DIM, **changed})


def photo(photo_id: int, *, seed: int = 0, parts=("whole", "centre")) -> PhotoVectors:
    rng = np.random.default_rng([photo_id, seed])
    return PhotoVectors(
        photo_id,
        f"sha-{photo_id}-{seed}",
        {part: rng.standard_normal(DIM).astype(np.float32) for part in parts},
    )


def everything(store):
    labels = store.labels()
    found = list(store.vectors(labels.row_ids))
    return labels, np.concatenate([vectors for _, vectors in found]) if found else np.empty(
        (0, DIM)
    )


def test_what_is_put_comes_back(tmp_path):
    store = open_store(tmp_path / "deep" / "store.sqlite")
    store.put([photo(4), photo(9)])
    store.close()
    labels, vectors = everything(open_store(tmp_path / "deep" / "store.sqlite"))
    assert labels.photos == {4: "sha-4-0", 9: "sha-9-0"}
    assert labels.photo_ids.tolist() == [4, 4, 9, 9]
    assert labels.parts == ("whole", "centre", "whole", "centre")
    expected = np.stack([*photo(4).parts.values(), *photo(9).parts.values()])
    np.testing.assert_allclose(vectors, expected, rtol=1e-3)


def test_row_ids_are_never_given_out_twice(tmp_path):
    store = open_store(tmp_path / "store.sqlite")
    store.put([photo(1)])
    first = set(store.labels().row_ids.tolist())
    store.put([photo(1, seed=1)])
    second = set(store.labels().row_ids.tolist())
    store.withdraw([1])
    store.put([photo(1)])
    third = set(store.labels().row_ids.tolist())
    assert first.isdisjoint(second)
    assert third.isdisjoint(first | second)
    assert store.labels().photos == {1: "sha-1-0"}


def test_a_store_that_fell_back_gives_another_photo_other_row_ids(tmp_path):
    """As after a power cut, or where an earlier copy of the file is put back."""
    rows = []
    for number in (2, 3):
        store = open_store(tmp_path / f"{number}.sqlite")
        store.put([photo(1)])
        store.put([photo(number)])
        rows.append(store.labels().row_ids.tolist())
    assert rows[0][:2] == rows[1][:2], "of the same photo they are the same"
    assert set(rows[0][2:]).isdisjoint(rows[1][2:])


def test_a_photo_that_another_process_has_written_is_left_alone(tmp_path):
    one, other = (open_store(tmp_path / "store.sqlite") for _ in range(2))
    one.put([photo(1)])
    before = one.labels().row_ids.tolist()
    other.put([photo(1), photo(2)])
    assert one.labels().row_ids.tolist()[:2] == before
    assert one.labels().photos == {1: "sha-1-0", 2: "sha-2-0"}


def test_rows_that_another_process_has_withdrawn_are_left_out(tmp_path):
    store = open_store(tmp_path / "store.sqlite")
    store.put([photo(1), photo(2)])
    rows = store.labels().row_ids
    open_store(tmp_path / "store.sqlite").withdraw([1])
    ((found, vectors),) = store.vectors(rows)
    assert found.tolist() == rows[2:].tolist()
    np.testing.assert_allclose(vectors, np.stack([*photo(2).parts.values()]), rtol=1e-3)
    store.withdraw([2])
    ((found, vectors),) = store.vectors(rows)
    assert (len(found), vectors.shape) == (0, (0, DIM))


def test_the_revision_moves_with_every_change_and_only_then(tmp_path):
    store = open_store(tmp_path / "store.sqlite")
    seen = [store.revision]
    store.put([photo(1)])
    seen.append(store.revision)
    store.labels()
    store.withdraw([])
    assert store.revision == seen[-1]
    store.withdraw([1])
    seen.append(store.revision)
    assert seen == sorted(set(seen))


def test_a_photo_with_a_bad_vector_leaves_nothing_of_its_batch(tmp_path):
    store = open_store(tmp_path / "store.sqlite")
    bad = PhotoVectors(2, "sha", {"whole": np.full(DIM, np.inf, np.float32)})
    with pytest.raises(SearchError, match="Photo 2"):
        store.put([photo(1), bad])
    assert store.labels().photos == {}


@pytest.mark.parametrize(
    "change", [{"set_id": "other"}, {"fingerprint": "other"}, {"dim": DIM + 1}]
)
def test_a_store_of_something_else_is_refused(tmp_path, change):
    open_store(tmp_path / "store.sqlite").close()
    with pytest.raises(IndexDamaged, match=next(iter(change))):
        open_store(tmp_path / "store.sqlite", **change)


def test_a_store_that_can_only_be_read_is_no_damaged_one(tmp_path):
    store = open_store(tmp_path / "store.sqlite")
    store._db.execute("PRAGMA query_only = ON")
    with pytest.raises(SetError, match="only be read"):
        store.put([photo(1)])


def test_a_full_disk_is_no_damage(tmp_path):
    store = open_store(tmp_path / "store.sqlite")
    store.put([photo(1)])
    (pages,) = store._db.execute("PRAGMA page_count").fetchone()
    store._db.execute(f"PRAGMA max_page_count = {pages}")
    with pytest.raises(SetError, match=r"Nothing was deleted. The disk is full"):
        store.put([photo(number) for number in range(2, 200)])
    assert store.labels().photos == {1: "sha-1-0"}


@pytest.mark.parametrize(
    ("code", "ours"),
    [
        (sqlite3.SQLITE_IOERR_SHMSIZE, SetError),
        (sqlite3.SQLITE_CANTOPEN, SetError),
        (sqlite3.SQLITE_NOMEM, SetError),
        (sqlite3.SQLITE_CORRUPT_INDEX, IndexDamaged),
        (sqlite3.SQLITE_ERROR, IndexDamaged),
        (sqlite3.SQLITE_LOCKED, SearchError),
    ],
)
def test_only_wrong_content_is_damage(tmp_path, code, ours):
    store = open_store(tmp_path / "store.sqlite")
    fault = sqlite3.OperationalError("what SQLite says")
    fault.sqlite_errorcode = code
    with pytest.raises(ours) as raised, store._checked():
        raise fault
    assert type(raised.value) is ours


def test_a_store_that_the_system_does_not_let_us_open_is_no_damaged_one(tmp_path):
    (tmp_path / "store.sqlite").mkdir()
    with pytest.raises(SetError, match="Nothing was deleted"):
        open_store(tmp_path / "store.sqlite")


def test_a_copy_with_its_log_that_can_only_be_read_says_what_to_do(tmp_path, monkeypatch):
    store = open_store(tmp_path / "store.sqlite")
    store.put([photo(1)])
    monkeypatch.setattr(os, "access", lambda *_: False)
    reader = open_store(tmp_path / "store.sqlite")
    # What SQLite says where it may not make its file for sharing the log; root always may.
    fault = sqlite3.OperationalError("unable to open database file")
    fault.sqlite_errorcode = sqlite3.SQLITE_CANTOPEN
    with (
        pytest.raises(SetError, match=r"store\.sqlite-wal lies beside it.*Copy"),
        reader._checked(),
    ):
        raise fault


def test_a_file_put_in_its_place_is_noticed(tmp_path):
    store = open_store(tmp_path / "store.sqlite")
    store.put([photo(1)])
    assert not store.outdated
    (tmp_path / "store.sqlite").unlink()
    assert store.outdated
    open_store(tmp_path / "store.sqlite")
    assert store.outdated


@pytest.mark.parametrize("content", [b"not a database" * 500, b"SQLite format 3\0" + b"x" * 5000])
def test_a_foreign_file_is_refused(tmp_path, content):
    (tmp_path / "store.sqlite").write_bytes(content)
    with pytest.raises(IndexDamaged):
        open_store(tmp_path / "store.sqlite")


def test_another_database_is_refused_and_left_alone(tmp_path):
    with sqlite3.connect(tmp_path / "store.sqlite") as db:
        db.execute("CREATE TABLE diary (day TEXT)")
    db.close()
    with pytest.raises(IndexDamaged):
        open_store(tmp_path / "store.sqlite")


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE labels SET photo_id = 77 WHERE row_id = :second",
        "UPDATE labels SET sha256 = 'other' WHERE row_id = :second",
        "UPDATE labels SET part = 'other' WHERE row_id = :second",
        "UPDATE vectors SET vector = zeroblob(24) WHERE row_id = :second",
        "UPDATE vectors SET vector = x'00' WHERE row_id = :second",
        "DELETE FROM vectors WHERE row_id = :second",
        "UPDATE vectors SET vector = (SELECT vector FROM vectors WHERE row_id = :first),"
        " crc = (SELECT crc FROM vectors WHERE row_id = :first) WHERE row_id = :second",
    ],
)
def test_altered_rows_are_noticed(tmp_path, statement):
    store = open_store(tmp_path / "store.sqlite")
    store.put([photo(1), photo(2)])
    first, second = store.labels().row_ids[:2].tolist()
    store.close()
    with sqlite3.connect(tmp_path / "store.sqlite") as db:
        db.execute(statement, {"first": first, "second": second})
    db.close()
    with pytest.raises(IndexDamaged, match="ebuild"):
        everything(open_store(tmp_path / "store.sqlite"))


WRITER = """
import sys
from pathlib import Path
sys.path.insert(0, sys.argv[2])
from test_search_vector_store import open_store, photo
store = open_store(Path(sys.argv[1]))
print("ready", flush=True)
for start in range(0, 100_000, 4):
    store.put([photo(number) for number in range(start, start + 4)])
    print(start + 4, flush=True)
"""


def test_killed_at_any_moment_it_keeps_every_committed_batch(tmp_path):
    rng = random.Random(11)
    for round_number in range(4):
        path = tmp_path / f"store-{round_number}.sqlite"
        writer = subprocess.Popen(
            [sys.executable, "-c", WRITER, str(path), str(Path(__file__).parent)],
            stdout=subprocess.PIPE,
            text=True,
        )
        assert writer.stdout.readline() == "ready\n"
        time.sleep(rng.uniform(0.0, 0.15))
        writer.send_signal(signal.SIGKILL)
        printed = [int(line) for line in writer.stdout.read().split()]
        writer.wait()
        labels, vectors = everything(open_store(path))
        kept = len(labels.photos)
        assert kept >= max(printed, default=0), "a batch that was reported is gone"
        assert kept % 4 == 0, "half a batch was kept"
        assert len(vectors) == 2 * kept
        assert sorted(labels.photos) == list(range(kept))


def test_a_file_that_goes_while_it_is_looked_at_is_outdated(tmp_path, monkeypatch):
    store = open_store(tmp_path / "store.sqlite")
    (tmp_path / "store.sqlite").unlink()
    # As where another process deletes it between two looks.
    monkeypatch.setattr(Path, "exists", lambda _: True)
    assert store.outdated
