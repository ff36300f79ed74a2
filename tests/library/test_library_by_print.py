"""What a comparison is worth: from kept prints to a reading, on the desk and in words."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import cv2
import pytest

from desk_prints import Shots, fill, shots_of, told
from loupebook.evidence.prints import prints_path
from loupebook.library import Library, strength_paragraphs
from print_rows import have_prints_tell


@pytest.fixture(scope="module")
def shots() -> Shots:
    return shots_of()


@pytest.fixture
def library(tmp_path: Path, shots: Shots) -> Iterator[Library]:
    with Library.create(tmp_path / "set", name="Prints") as made:
        fill(made, shots)
        yield made


@pytest.fixture
def telling(monkeypatch: pytest.MonkeyPatch) -> None:
    have_prints_tell(monkeypatch)


def test_a_reading_waits_for_the_prints_and_follows_the_set(library: Library, shots: Shots) -> None:
    query = shots.copy_query.pixels
    assert library.compare(query, 1).reading is None
    library.report(only=["prints"], prints=True)
    reading = library.compare(query, 1).reading
    assert reading is not None
    assert reading["known_press"] is None
    assert (reading["basis"]["genuine"], reading["basis"]["fake"]) == (0, 0)
    # Two genuine specimens: each is held against one alone, which tells nothing.
    assert "10 more genuine and 10 more fake seals" in reading["says"]
    # What the prints gave holds only as long as the design's photos stand as they did.
    library.withdraw("F-0", by="a curator", reason="a test")
    assert "Not all prints" in library.compare(query, 1).reading["says"]
    library.report(only=["prints"], prints=True)
    again = library.compare(query, 1).reading
    assert again is not None
    assert "Not all prints" not in again["says"]
    # Another program sees the same, and a lost file is no fault.
    with Library.open(library.folder) as other:
        assert other.compare(query, 1).reading["basis"] == {
            **again["basis"], "made_at": other.compare(query, 1).reading["basis"]["made_at"],
        }  # fmt: skip
    prints_path(library.folder).unlink()
    assert library.compare(query, 1).reading is None


@pytest.mark.usefixtures("telling")
def test_the_desk_says_what_the_print_is_worth(library: Library, shots: Shots) -> None:
    desk = library.desk(told(library, shots.copy_query.pixels, "G-0", "F-0"))
    desk.align()
    measures = desk.to_dict()["measures"]
    (genuine,) = [one for one in measures.values() if one["against"].startswith("genuine")]
    assert "more probable for a copy" in genuine["strength"][0]
    assert "holds only if your item is of the design" in genuine["strength"][-2]
    assert "It does not say that the item is genuine" in genuine["strength"][-1]
    # Nearness to a press of copies is not calibrated, so nothing is said of it.
    (fake,) = [one for one in measures.values() if one["against"].startswith("fake")]
    assert fake["strength"] == []


@pytest.mark.usefixtures("telling")
def test_a_design_of_one_specimen_is_not_read(library: Library, shots: Shots) -> None:
    assert library.compare(shots.copy_query.pixels, 1).reading is not None
    library.withdraw("G-1", by="a curator", reason="a test")
    assert library.compare(shots.copy_query.pixels, 1).reading is None


@pytest.mark.usefixtures("telling")
def test_nothing_is_said_of_a_poor_photo_or_where_nothing_is_close(
    library: Library, shots: Shots
) -> None:
    said = library.compare(shots.copy_query.pixels, 1).to_dict()
    assert strength_paragraphs(said)
    assert strength_paragraphs(said, far=True) == []
    assert strength_paragraphs(said, poor=True) == []
    blurred = cv2.GaussianBlur(shots.copy_query.pixels, (0, 0), 6)
    poor = library.compare(blurred, 1)
    assert not poor.photo_check.shows_print
    assert poor.to_dict()["reading"] is None
    # Where no measurement tells anything, what all together are worth is not said either.
    mute = [{**row, "z": None} for row in said["measurements"]]
    assert strength_paragraphs({**said, "measurements": mute}) == []
    # Saved before there were readings by print.
    del said["reading"]
    assert strength_paragraphs(said) == []
