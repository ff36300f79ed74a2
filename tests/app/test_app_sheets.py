"""The page Sheets, without a browser."""

from __future__ import annotations

from pathlib import Path

import pytest
from app_driver import PAGES, opened, told

from drawn_prints import draw_print
from loupebook.library import (
    Element,
    SheetDefinition,
    SpecimenRecord,
    Standing,
    definition_of,
)
from taught_set import EDITION, PATCH, opened_copy, photo

PAGES["sheets"] = "views/sheets.py"


def test_a_press_that_copies_two_designs_is_asked_for_one(
    taught_folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told(monkeypatch, tmp_path / "set")
    other = SpecimenRecord(
        "B-0", Element.BAND, Standing.FAKE, marque="Marque A", edition="Edition B", origin="press-1"
    )
    with opened_copy(taught_folder, tmp_path / "set") as library:
        assert library.add_specimen(other, [photo(draw_print(23), "b.png")], by="me").ok
        at = opened("sheets")
        at.selectbox(key="sheet-template").set_value("press").run()
        at.selectbox(key="sheet-origin").set_value("press-2").run()
        assert "sheet-copied" not in [one.key for one in at.selectbox]
        at.selectbox(key="sheet-origin").set_value("press-1").run()
        assert at.selectbox(key="sheet-copied").options == [
            f"Marque A, {EDITION}, band", "Marque A, Edition B, band"
        ]  # fmt: skip
        assert at.selectbox(key="sheet-copied").value == ("Marque A", EDITION, "band")
        assert not at.exception


def test_a_pair_shows_the_one_that_was_chosen_though_the_other_is_left_open(
    taught_folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told(monkeypatch, tmp_path / "set")
    asked: list[SheetDefinition] = []
    with opened_copy(taught_folder, tmp_path / "set"):
        at = opened("sheets")
        at.selectbox(key="sheet-edition").set_value((EDITION, "Marque A")).run()
        monkeypatch.setattr(
            "parts.sheeting.show_preview", lambda library, definition: asked.append(definition)
        )
        at.selectbox(key="sheet-copy").set_value("F-1-0").run()
        assert not at.exception
    assert asked[-1].specimens == ("F-1-0",)


def test_a_kept_sheet_is_looked_at_again_once_a_point_is_drawn(
    taught_folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told(monkeypatch, tmp_path / "set")
    with opened_copy(taught_folder, tmp_path / "set") as library:
        library.sheets.save("Card", definition_of(template="pocket", edition=EDITION), by="me")
        library.sheets.make_saved("Card", by="me")
        at = opened("sheets")
        assert not at.warning
        library.points.add(1, PATCH, title="The patch", genuine_shows="plain", by="a curator")
        at.run()
        assert ["has changed since it was made" in one.value for one in at.warning] == [True]
