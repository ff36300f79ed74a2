from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from drawn_prints import as_bytes, draw_print
from loupebook.errors import RecordInvalid, RecordNotFound
from loupebook.records.catalogue import Catalogue
from loupebook.records.model import Element, NewPhoto, Serial, SpecimenRecord, Standing
from loupebook.records.points import Mark, PointMark, Points
from loupebook.records.serials import specimens_with_serial

REGION = ((10, 20), (110, 20), (110, 80), (10, 80))


@pytest.fixture
def catalogue(tmp_path: Path) -> Iterator[Catalogue]:
    with Catalogue.create(tmp_path / "set", name="Prints") as made:
        for number, edition in enumerate(("First", None)):
            record = SpecimenRecord(
                f"S-{number}",
                Element.SEAL,
                Standing.GENUINE,
                marque="Marque A",
                edition=edition,
                serials=(Serial(f"AB-12 3{number}", "left"),),
            )
            photo = NewPhoto(as_bytes(draw_print(number)), f"{number}.png", "image/png", 320, 320)
            made.add_specimen(record, [photo], by="a curator")
        yield made


def drawn(catalogue: Catalogue, **changed: object) -> int:
    texts = {"title": "Left eye", "genuine_shows": "A round eye.", "copies_show": "A slit."}
    return Points(catalogue).add(1, REGION, by="a curator", **(texts | changed)).point_id


def test_a_point_is_read_as_it_was_drawn(catalogue: Catalogue) -> None:
    before = catalogue.info().change_counter
    number = drawn(catalogue)
    point = Points(catalogue).get(number)
    assert point.region == REGION
    assert (point.marque, point.edition, point.element) == ("Marque A", "First", Element.SEAL)
    assert point.sha256 == catalogue.photo(1).sha256
    assert (point.title, point.copies_show, point.by) == ("Left eye", "A slit.", "a curator")
    assert catalogue.info().change_counter == before
    assert catalogue.events()[-1].action == "add-point"
    assert catalogue.verify().ok


def test_a_retired_point_leaves_the_list_and_stays_on_record(catalogue: Catalogue) -> None:
    points = Points(catalogue)
    kept, gone = drawn(catalogue), drawn(catalogue, title="Right eye")
    points.retire(gone, by="a curator")
    assert [one.point_id for one in points.of(edition="First")] == [kept]
    assert points.get(gone).title == "Right eye"
    with pytest.raises(RecordNotFound):
        points.retire(gone, by="a curator")


def edition_of(catalogue: Catalogue, **changes: str) -> list[str]:
    catalogue.edit_specimen("S-0", changes, by="a curator", reason="spelling")
    return [point.edition for point in Points(catalogue).of()]


def test_points_follow_when_the_name_of_their_edition_is_corrected(catalogue: Catalogue) -> None:
    drawn(catalogue)
    Points(catalogue).retire(drawn(catalogue, title="Right eye"), by="a curator")
    catalogue.edit_specimen("S-1", {"edition": "First"}, by="a curator", reason="r")
    assert edition_of(catalogue, edition="Frist edition") == ["First"]
    catalogue.edit_specimen("S-1", {"edition": "Frist edition"}, by="a curator", reason="r")
    # The last one has left: nothing is of the old name any more.
    assert edition_of(catalogue) == ["Frist edition"]
    assert [one.name for one in catalogue.editions()] == ["Frist edition"]
    assert catalogue.verify().ok


def test_points_stay_where_the_new_edition_has_its_own(catalogue: Catalogue) -> None:
    catalogue.edit_specimen("S-1", {"edition": "Second"}, by="a curator", reason="r")
    first = drawn(catalogue)
    region, texts = REGION, {"title": "Star", "genuine_shows": "Five rays."}
    second = Points(catalogue).add(2, region, by="a curator", **texts).point_id
    assert edition_of(catalogue, edition="Second") == ["First", "Second"]
    assert [one.name for one in catalogue.editions()] == ["First", "Second"]
    Points(catalogue).retire(first, by="a curator")
    assert [one.name for one in catalogue.editions()] == ["Second"]
    assert Points(catalogue).get(second).edition == "Second"


def test_filters_leave_what_they_name(catalogue: Catalogue) -> None:
    number = drawn(catalogue)
    points = Points(catalogue)
    assert [one.point_id for one in points.of(element="seal", lighting="diffuse")] == [number]
    assert points.of(element="band") == []
    assert points.of(lighting="uv-a") == []


@pytest.mark.parametrize(
    ("region", "says"),
    [
        (((1, 1), (2, 2)), "3 to 200"),
        (((0, 0), (10, 10), (20, 20)), "less than 4 px"),
        (((0, 0), (float("nan"), 10), (20, 0)), "finite"),
        ((("a", 0), (3, 10), (20, 0)), "pairs of numbers"),
    ],
)
def test_a_region_that_is_none_is_refused(catalogue: Catalogue, region: tuple, says: str) -> None:
    with pytest.raises(RecordInvalid, match=says):
        Points(catalogue).add(1, region, title="x", genuine_shows="y", by="a curator")


def test_a_region_is_held_within_the_photo(catalogue: Catalogue) -> None:
    far = ((-50, -50), (900, -50), (900, 900), (-50, 900))
    point = Points(catalogue).add(1, far, title="x", genuine_shows="y", by="a curator")
    assert point.region == ((-0.5, -0.5), (319.5, -0.5), (319.5, 319.5), (-0.5, 319.5))


def test_a_photo_of_no_edition_bears_no_point(catalogue: Catalogue) -> None:
    with pytest.raises(RecordInvalid, match="no edition on record"):
        Points(catalogue).add(2, REGION, title="x", genuine_shows="y", by="a curator")
    with pytest.raises(RecordNotFound):
        Points(catalogue).add(9, REGION, title="x", genuine_shows="y", by="a curator")


def test_a_point_must_say_what_genuine_shows(catalogue: Catalogue) -> None:
    with pytest.raises(RecordInvalid, match="say what a genuine one shows"):
        drawn(catalogue, genuine_shows="  ")


def test_marks_survive_being_written() -> None:
    mark = PointMark(3, "Left eye", Mark.CANNOT_TELL, "in shadow", 1.25, "1.2 times what is usual")
    assert PointMark.from_dict(mark.to_dict()) == mark
    assert PointMark.from_dict(PointMark(4, "x").to_dict()) == PointMark(4, "x")
    for broken in ({}, {"point_id": 1, "title": "x", "mark": "genuine"}, []):
        with pytest.raises(RecordInvalid):
            PointMark.from_dict(broken)


def test_a_serial_is_found_however_it_is_spaced(catalogue: Catalogue) -> None:
    assert specimens_with_serial(catalogue, "ab 123-1") == [("S-1", "AB-12 31", "left")]
    assert specimens_with_serial(catalogue, "99") == []
    assert specimens_with_serial(catalogue, " - ") == []
