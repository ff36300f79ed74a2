"""The desk says where the print agrees with another design than the nearest."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest
from compare_prints import PX_PER_MM, SMALL, draw_print, photograph

from desk_prints import Shots, copied, fill, shots_of, told
from loupebook.library import (
    Element,
    IncomingPhoto,
    Library,
    SearchReport,
    SpecimenRecord,
    Standing,
    encode_jpeg,
    near_designs,
    strength_paragraphs,
)
from loupebook.library import desk as desk_room
from print_rows import have_prints_tell


@pytest.fixture(scope="module")
def shots() -> Shots:
    return shots_of()


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory, shots: Shots) -> Iterator[Library]:
    """Two designs of one maker that differ in one part: the second shows what copies show."""
    with Library.create(tmp_path_factory.mktemp("designs") / "set", name="Prints") as made:
        fill(made, shots)
        for k in range(3):
            photo = photograph(copied(draw_print(3)), 50 + k, tilt=0.12, size=SMALL)
            record = SpecimenRecord(
                f"S-{k}", Element.SEAL, Standing.GENUINE, marque="Marque A", edition="Second"
            )
            incoming = IncomingPhoto(
                encode_jpeg(photo.pixels, quality=95), f"S-{k}.jpg", px_per_mm=PX_PER_MM
            )
            assert made.add_specimen(record, [incoming], by="a curator").ok
        yield made


@pytest.fixture
def telling(monkeypatch: pytest.MonkeyPatch) -> None:
    have_prints_tell(monkeypatch)


def report(library: Library, pixels, nearest: str, further: str) -> SearchReport:
    """Return the answer of a search that found one design first and then the other."""
    first = told(library, pixels, nearest, None)
    other = told(library, pixels, further, None).matches
    return replace(first, matches=(*first.matches, *other))


def nearer(library: Library, pixels, nearest: str, further: str) -> str:
    """Return what stands in place of what the print is worth."""
    desk = library.desk(report(library, pixels, nearest, further))
    desk.align()
    state = desk.to_dict()
    assert state["done"]
    (measures,) = state["measures"].values()
    return " ".join(measures["strength"])


@pytest.mark.usefixtures("telling")
def test_a_print_of_the_second_design_found_as_the_first_is_told(
    library: Library, shots: Shots
) -> None:
    said = nearer(library, shots.copy_query.pixels, "G-0", "S-0")
    assert said.startswith("The print agrees better with Second")
    assert "those of First" in said
    # What sets two designs apart must not be put into a figure for copies.
    assert "more probable" not in said


def test_it_is_saved_with_the_examination(library: Library, shots: Shots) -> None:
    found = report(library, shots.copy_query.pixels, "G-0", "S-0")
    query = encode_jpeg(shots.copy_query.pixels, quality=95)
    saved = library.examinations.save(found, query, title="Another design", by="An Examiner")
    (compared,) = saved.document["comparisons"]
    assert compared["nearer"].startswith("The print agrees better with Second")
    assert strength_paragraphs(compared) == [compared["nearer"]]


@pytest.mark.usefixtures("telling")
def test_nothing_is_said_where_the_nearest_design_agrees(library: Library, shots: Shots) -> None:
    for query, nearest, further in (("copy_query", "S-0", "G-0"), ("genuine_query", "G-0", "S-0")):
        said = nearer(library, getattr(shots, query).pixels, nearest, further)
        assert "agrees better" not in said
        assert "more probable for a genuine item" in said


def test_one_design_alone_is_done_without(library: Library, shots: Shots) -> None:
    assert "agrees better" not in nearer(library, shots.copy_query.pixels, "G-0", "G-1")


@pytest.mark.usefixtures("telling")
def test_points_drawn_while_the_worth_is_looked_for_cost_nothing(
    library: Library, shots: Shots, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The page forgets what was measured when points were drawn; the desk must not trip over it."""
    desk = library.desk(report(library, shots.genuine_query.pixels, "G-0", "S-0"))
    looked = near_designs.nearer_design

    def meanwhile(*asked: object) -> str:
        desk._measures.clear()
        return looked(*asked)

    monkeypatch.setattr(desk_room, "nearer_design", meanwhile)
    desk.align()
    assert desk.to_dict()["measures"] == {}
    monkeypatch.setattr(desk_room, "nearer_design", looked)
    desk.align()
    state = desk.to_dict()
    assert state["done"]
    assert all(one["strength"] for one in state["measures"].values())
