"""The page Points, without a browser."""

from __future__ import annotations

from pathlib import Path

import pytest
from app_driver import PAGES, opened, told, words

from drawn_prints import draw_print
from loupebook.library import Element, Library, SpecimenRecord, Standing, points_to_annotations
from taught_set import PATCH, PHOTO_PX, opened_copy, photo

PAGES["points"] = "views/points.py"


def add_zeta(library: Library, number: int) -> None:
    record = SpecimenRecord(
        f"Z-{number}", Element.BAND, Standing.GENUINE, marque="Zeta", edition="Edition Z"
    )
    shot = photo(draw_print(23 + number, PHOTO_PX), f"z{number}.png")
    assert library.add_specimen(record, [shot], by="a curator").ok


def test_the_design_stays_with_what_is_typed_of_it_when_the_set_changes(
    taught_folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told(monkeypatch, tmp_path / "set")
    with opened_copy(taught_folder, tmp_path / "set") as library:
        add_zeta(library, 1)
        at = opened("points")
        zeta = next(one.shown for one in library.designs() if one.marque == "Zeta")
        at.selectbox(key="point-design").set_value(zeta).run()
        at.text_input[0].set_value("Crown")
        add_zeta(library, 2)
        next(one for one in at.button if one.label == "Record this point").click().run()
        assert "Take a region" in at.error[0].value
        assert at.selectbox(key="point-design").value == zeta
        assert at.text_input[0].value == "Crown"
        for name in ("Z-1", "Z-2"):
            library.withdraw(name, by="a curator", reason="tested")
        at.run()
        assert not at.exception
        assert at.text_input[0].value == ""  # it was said of a design that is gone


def test_points_that_were_taken_in_are_listed_at_once(
    taught_folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told(monkeypatch, tmp_path / "set")
    with opened_copy(taught_folder, tmp_path / "set") as library:
        point = library.points.add(1, PATCH, title="The patch", genuine_shows="plain", by="me")
        page = points_to_annotations([point]).replace("The patch", "The corner")
        library.points.retire(point.point_id, by="me")
        at = opened("points")
        at.file_uploader[0].upload("points.jsonld", page.encode(), "application/json").run()
        at.text_input(key="points-file-by").set_value("me")
        next(one for one in at.button if one.label == "Take these points in").click().run()
        assert "1 point taken in." in words(at)
        assert "On record: 1 point" in words(at)


def test_an_address_that_names_no_photo_opens_the_page(
    taught_folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told(monkeypatch, tmp_path / "set")
    with opened_copy(taught_folder, tmp_path / "set"):
        at = opened("points")
        at.query_params["of-photo"] = "9" * 23
        at.run()
        assert not at.exception
        assert not at.error
