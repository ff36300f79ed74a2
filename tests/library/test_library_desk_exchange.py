"""Points of comparison out of one set and into another, as W3C annotations."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from drawn_prints import as_bytes, draw_print
from loupebook.errors import RecordInvalid
from loupebook.library import (
    Element,
    IncomingPhoto,
    Library,
    SpecimenRecord,
    Standing,
    points_to_annotations,
)
from loupebook.library.desk_exchange import ni_of, region_of, selector_of, sha256_of

BOX = ((10.0, 20.0), (110.0, 20.0), (110.0, 80.0), (10.0, 80.0))
KITE = ((50.0, 10.0), (90.5, 60.0), (50.0, 120.25), (20.0, 60.0))


def a_set(folder: Path) -> Library:
    library = Library.create(folder, name="Prints")
    record = SpecimenRecord(
        "S-0", Element.SEAL, Standing.GENUINE, marque="Marque A", edition="First"
    )
    library.add_specimen(record, [IncomingPhoto(as_bytes(draw_print(0)), "0.png")], by="a curator")
    return library


def test_points_go_from_one_set_to_another(tmp_path: Path) -> None:
    with a_set(tmp_path / "one") as one, a_set(tmp_path / "two") as two:
        for region, title in ((BOX, "Left eye"), (KITE, "Star")):
            one.points.add(
                1, region, title=title, genuine_shows="Round.", copies_show="Flat.", by="a curator"
            )
        text = points_to_annotations(one.points.of())
        taken = two.take_in_points(text, by="another")
        for there, here in zip(one.points.of(), taken, strict=True):
            assert here.region == there.region
            assert here.title == there.title
            assert (here.genuine_shows, here.copies_show) == ("Round.", "Flat.")
            assert here.by == "another"


def test_two_makers_editions_of_one_name_have_points_of_their_own(tmp_path: Path) -> None:
    with a_set(tmp_path / "one") as one:
        record = SpecimenRecord(
            "S-1", Element.SEAL, Standing.GENUINE, marque="Marque B", edition="First"
        )
        photo = IncomingPhoto(as_bytes(draw_print(1)), "1.png")
        one.add_specimen(record, [photo], by="a curator")
        one.points.add(1, BOX, title="Left eye", genuine_shows="Round.", by="a curator")
        assert [design.marque for design in one.designs()] == ["Marque A", "Marque B"]
        assert [point.title for point in one.points_for(1)] == ["Left eye"]
        assert one.points_for(2) == []


def test_a_broken_annotation_leaves_the_set_as_it_was(tmp_path: Path) -> None:
    with a_set(tmp_path / "one") as one, a_set(tmp_path / "two") as two:
        one.points.add(1, BOX, title="Left eye", genuine_shows="Round.", by="a curator")
        page = json.loads(points_to_annotations(one.points.of()))
        page["items"].append({"type": "Annotation"})
        with pytest.raises(RecordInvalid, match="lacks what a point needs"):
            two.take_in_points(json.dumps(page), by="another")
        assert two.points.of() == []


def test_points_come_in_all_or_none_and_once(tmp_path: Path) -> None:
    with a_set(tmp_path / "one") as one, a_set(tmp_path / "two") as two:
        for title in ("Left eye", "Star"):
            one.points.add(1, BOX, title=title, genuine_shows="Round.", by="a curator")
        text = points_to_annotations(one.points.of())
        with pytest.raises(RecordInvalid, match="genuine_shows"):
            two.take_in_points(text[::-1].replace(".dnuoR", " ", 1)[::-1], by="another")
        assert two.points.of() == []
        assert [point.title for point in two.take_in_points(text, by="another")] == [
            "Left eye",
            "Star",
        ]
        two.points.retire(1, by="another")
        assert two.take_in_points(text, by="another") == []
        assert [point.title for point in two.points.of()] == ["Star"]


def test_a_point_on_an_unknown_photo_is_refused_with_its_name(tmp_path: Path) -> None:
    with a_set(tmp_path / "one") as one, Library.create(tmp_path / "two") as empty:
        one.points.add(1, BOX, title="Left eye", genuine_shows="Round.", by="a curator")
        text = points_to_annotations(one.points.of())
        with pytest.raises(RecordInvalid, match="'Left eye' is drawn on is not in this set"):
            empty.take_in_points(text, by="another")


@pytest.mark.parametrize(
    "text", ["", "[]", "{}", "[" * 100_000, '{"type": "AnnotationPage", "items": 3}']
)
def test_what_is_no_annotation_page_is_refused(tmp_path: Path, text: str) -> None:
    with a_set(tmp_path / "one") as one, pytest.raises(RecordInvalid):
        one.take_in_points(text, by="another")


@pytest.mark.external
def test_a_digest_is_named_as_in_rfc_6920() -> None:
    # RFC 6920, section 8.1: the SHA-256 of "Hello World!" as an ni URI.
    digest = "7f83b1657ff1fc53b92dc18148a1d65dfc2d4b1fa3d677284addd200126d9069"
    uri = "ni:///sha-256;f4OxZX_x_FO5LcGBSKHWXfwtSx-j1ncoSt3SABJtkGk"
    assert ni_of(digest) == uri
    assert sha256_of(uri) == digest


@pytest.mark.external
def test_selectors_are_those_of_the_recommendation() -> None:
    # Web Annotation Data Model (W3C, 2017), examples 22 and 28: a fragment of four numbers
    # that conforms to Media Fragments 1.0, and an SVG shape. A fragment's first px spans 0
    # to 1, ours has its centre at 0.
    found = region_of({"type": "FragmentSelector", "value": "xywh=50,50,640,480"})
    assert found == ((49.5, 49.5), (689.5, 49.5), (689.5, 529.5), (49.5, 529.5))
    told = selector_of(BOX)
    assert told["type"] == "FragmentSelector"
    assert told["conformsTo"] == "http://www.w3.org/TR/media-frags/"
    assert told["value"] == "xywh=pixel:10.5,20.5,100,60"
    assert selector_of(KITE)["type"] == "SvgSelector"
    assert region_of(selector_of(KITE)) == KITE


@pytest.mark.parametrize(
    "selector",
    [
        {"type": "FragmentSelector", "value": "xywh=percent:1,2,3,4"},
        {"type": "SvgSelector", "value": "<svg><circle r='3'/></svg>"},
        {"type": "TextQuoteSelector", "exact": "x"},
        {"type": "SvgSelector", "value": "<polygon " * 2_000},
        {"type": "SvgSelector", "value": f"<polygon points='{'1,2 ' * 6_000}'/>"},
        {},
        "x",
    ],
)
def test_other_selectors_are_refused(selector: dict) -> None:
    with pytest.raises(RecordInvalid, match="selector"):
        region_of(selector)


@pytest.mark.parametrize("uri", ["", "urn:x", "ni:///sha-256;AAAA", "ni:///sha-256;" + "*" * 43])
def test_what_names_no_digest_is_refused(uri: str) -> None:
    with pytest.raises(RecordInvalid, match="RFC 6920"):
        sha256_of(uri)
