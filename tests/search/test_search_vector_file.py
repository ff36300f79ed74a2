"""A damaged or foreign index file is never opened, always named."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loupebook.errors import IndexDamaged
from loupebook.search.checked_file import read_checked, write_checked
from loupebook.search.vector_file import MAGIC, IndexOrigin, load_index, save_index
from loupebook.search.vector_index import VectorIndex

ORIGIN = IndexOrigin(set_id="set-1", fingerprint="f" * 64, store_id="s", revision=3)


def load(path):
    return load_index(path, set_id="set-1", fingerprint="f" * 64)


@pytest.fixture(scope="module")
def vectors():
    drawn = np.random.default_rng(0).standard_normal((120, 8)).astype(np.float32)
    return drawn / np.linalg.norm(drawn, axis=1, keepdims=True)


@pytest.fixture(scope="module")
def saved(tmp_path_factory, vectors):
    index = VectorIndex(8)
    index.add(np.arange(120) * 3, vectors)
    path = tmp_path_factory.mktemp("index") / "vectors.index"
    save_index(path, index, ORIGIN)
    return path


@pytest.mark.parametrize("flat_limit", [1000, 50])
def test_what_is_saved_comes_back(tmp_path, vectors, flat_limit):
    index = VectorIndex(8, flat_limit=flat_limit)
    index.add(np.arange(120) * 3, vectors)
    save_index(tmp_path / "deep" / "x.index", index, ORIGIN)
    back, origin = load(tmp_path / "deep" / "x.index")
    assert (origin, back.kind, back.trained_for) == (ORIGIN, index.kind, index.trained_for)
    for one, other in zip(back.search(vectors, 5), index.search(vectors, 5), strict=True):
        np.testing.assert_array_equal(one, other)
    back.remove([3])
    back.add(np.array([1]), vectors[1:2])
    assert back.search(vectors[1:2], 1)[1][0, 0] == 1
    assert [file.name for file in (tmp_path / "deep").iterdir()] == ["x.index"]


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_any_flipped_bit_is_noticed(saved, tmp_path_factory, data):
    content = bytearray(saved.read_bytes())
    place = data.draw(st.integers(0, len(content) - 1))
    content[place] ^= 1 << data.draw(st.integers(0, 7))
    damaged = tmp_path_factory.mktemp("flip") / "vectors.index"
    damaged.write_bytes(content)
    with pytest.raises(IndexDamaged):
        load(damaged)


@pytest.mark.parametrize("share", [0.0, 0.01, 0.3, 0.999])
def test_a_file_cut_short_is_noticed(saved, tmp_path, share):
    content = saved.read_bytes()
    (tmp_path / "cut").write_bytes(content[: int(share * len(content))])
    with pytest.raises(IndexDamaged):
        load(tmp_path / "cut")


@pytest.mark.parametrize(
    "content",
    [
        b"something else altogether",
        MAGIC,
        MAGIC + (2**40).to_bytes(8, "little"),
        MAGIC + (2).to_bytes(8, "little") + b"[]",
        MAGIC + (2).to_bytes(8, "little") + b"{}" + b"IxMp",
    ],
)
def test_a_foreign_file_is_refused(tmp_path, content):
    (tmp_path / "foreign").write_bytes(content)
    with pytest.raises(IndexDamaged):
        load(tmp_path / "foreign")


def test_a_missing_file_is_named(tmp_path):
    with pytest.raises(IndexDamaged, match="nowhere"):
        load(tmp_path / "nowhere")


@pytest.mark.parametrize(("set_id", "fingerprint"), [("set-2", "f" * 64), ("set-1", "e" * 64)])
def test_an_index_of_another_set_or_encoder_is_refused(saved, set_id, fingerprint):
    with pytest.raises(IndexDamaged, match="another set or encoder"):
        load_index(saved, set_id=set_id, fingerprint=fingerprint)


def test_a_header_that_lies_about_sound_bytes_is_refused(saved, tmp_path):
    header, body = read_checked(saved, MAGIC)
    write_checked(tmp_path / "lie", MAGIC, header | {"rows": 119}, [np.array(body)])
    with pytest.raises(IndexDamaged, match="not what its header says"):
        load(tmp_path / "lie")
