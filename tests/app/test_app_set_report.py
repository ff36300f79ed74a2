"""The page Set report: made once, read by section, acted on, stale when the set changes."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pypdfium2
import pytest
from app_driver import PAGES, opened, shown, words
from PIL import Image
from streamlit.testing.v1 import AppTest

from drawn_prints import as_bytes, draw_print
from loupebook.library import (
    Element,
    IncomingPhoto,
    IntakeState,
    Library,
    Serial,
    SpecimenRecord,
    Standing,
    report_pdf,
)


def put(library: Library, name: str, picture: Image.Image, standing: Standing, **fields: object):
    record = SpecimenRecord(name, Element.SEAL, standing, **fields)
    assert library.add_specimen(
        record, [IncomingPhoto(as_bytes(picture), f"{name}.png")], by="A"
    ).ok


@pytest.fixture
def library(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Library:
    """Eight specimens; two of them bear one serial under two standings, two are one photo."""
    made = Library.create(tmp_path / "set", name="prints")
    for number in range(6):
        standing = Standing.FAKE if number == 1 else Standing.GENUINE
        serials = (Serial("77 123 456"),) if number < 2 else ()
        put(made, f"S-{number}", draw_print(number, 160), standing, serials=serials)
    copied = np.asarray(draw_print(5, 160)).copy()
    copied[0, 0] = 255 - copied[0, 0]
    put(made, "S-5 again", Image.fromarray(copied), Standing.GENUINE)
    monkeypatch.setenv("LOUPEBOOK_SET", str(tmp_path / "set"))
    return made


def section(at: AppTest, name: str) -> AppTest:
    at.get("button_group")[0].set_value(name).run()
    return at


def made(at: AppTest) -> AppTest:
    next(button for button in at.button if button.label.startswith("Make")).click()
    at.run(timeout=120)
    assert not at.exception
    return at


def test_an_empty_set_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    Library.create(tmp_path / "empty").close()
    monkeypatch.setenv("LOUPEBOOK_SET", str(tmp_path / "empty"))
    assert "This set is empty" in [header.value for header in opened("set_report").header]


def test_report_is_made_read_and_acted_on(library: Library) -> None:
    at = opened("set_report")
    assert "Make the report" in [button.label for button in at.button]
    at = made(at)
    assert at.header[0].value == "Work list"
    assert "says nothing of any item" in words(at)
    at = section(at, "duplicates")
    assert "S\\-5 again" in words(at)
    cards = [card["name"] for plates in shown(at, "plates") for card in plates["cards"]]
    assert {"S-5", "S-5 again"} <= set(cards)
    at = section(at, "serials")
    assert "S\\-1" in words(at)
    which = next(box for box in at.selectbox if box.label == "Specimen")
    which.set_value("S-1")
    next(box for box in at.text_input if box.label.startswith("Your name")).set_value("B. Person")
    next(button for button in at.button if button.label == "Withdraw").click()
    at.run(timeout=120)
    assert library.specimen("S-1").state is IntakeState.WITHDRAWN
    assert "The set has changed since this report was made" in words(at)


def test_what_was_withdrawn_meanwhile_is_not_exchanged_for_another(library: Library) -> None:
    library.report()
    at = section(opened("set_report"), "serials")
    which = next(box for box in at.selectbox if box.label == "Specimen")
    assert which.value is None
    which.set_value("S-1")
    next(box for box in at.text_input if box.label.startswith("Your name")).set_value("B. Person")
    library.withdraw("S-1", by="C. Person", reason="sold")
    next(button for button in at.button if button.label == "Withdraw").click()
    at.run(timeout=120)
    assert "S\\-1 is not searched any more" in at.error[0].value
    assert library.specimen("S-0").state is IntakeState.CONFIRMED
    assert library.specimen("S-1").withdrawn_reason == "sold"


def test_the_page_of_findings_is_kept_when_a_link_was_followed(
    library: Library, monkeypatch: pytest.MonkeyPatch
) -> None:
    library.report()
    monkeypatch.setattr("parts.findings.PAGE", 1)
    at = opened("set_report")
    at.get("pagination")[0].set_value(2).run()
    at.switch_page(PAGES["library"]).run()
    at.switch_page(PAGES["set_report"]).run()
    assert at.session_state["findings-work_list"] == 2
    assert any(one.value.startswith("**2.**") for one in at.markdown)


def test_prints_are_compared_when_asked_for(library: Library) -> None:
    library.report()
    at = opened("set_report")
    offered = next(button for button in at.button if button.label == "Compare the prints")
    assert "goes on with the edition where it stood" in words(at)
    offered.click()
    at.run(timeout=120)
    assert not at.exception
    assert "Compare the prints" not in [button.label for button in at.button]
    assert at.header[0].value == "Prints held against each other"  # comes into view by itself
    assert "prints" in library.report().sections


def test_a_report_that_is_kept_shows_at_once_and_goes_to_paper(library: Library) -> None:
    report = library.report()
    assert library.kept_report() is not None
    at = opened("set_report")
    assert at.header[0].value == "Work list"
    content = report_pdf(report, info=library.info(), thumbnail=library.thumbnail)
    pages = pypdfium2.PdfDocument(content)
    text = "\n".join(page.get_textpage().get_text_range() for page in pages)
    for one in report.sections.values():
        assert one.title in text
    assert "S-5 again" in text
    assert json.dumps(report.to_dict())
    library.withdraw("S-0", by="A", reason="lost")
    assert library.kept_report() is None


def test_a_lost_photo_is_named_and_the_report_goes_on(library: Library) -> None:
    library.report()
    lost = library.photos("S-5")[0]
    (library.folder / "photos" / lost.sha256[:2] / lost.sha256).unlink()
    at = section(opened("set_report"), "duplicates")
    assert not at.exception
    assert not at.error
    assert any("S\\-5\\.png of S\\-5" in warning.value for warning in at.warning)
    cards = [card for plates in shown(at, "plates") for card in plates["cards"]]
    assert {card["name"]: bool(card["url"]) for card in cards} == {"S-5": False, "S-5 again": True}


def test_files_of_a_report_say_that_the_set_has_changed_since(
    library: Library, monkeypatch: pytest.MonkeyPatch
) -> None:
    offered = {}

    def keep(_label: str, content: object, name: str, *_: object, **__: object) -> None:
        offered[name] = content

    monkeypatch.setattr("streamlit.download_button", keep)
    version = library.report().set_version
    at = opened("set_report")
    assert "changed since" not in offered[f"set-report-{version}.html"]().decode()
    library.edit_specimen("S-0", {"notes": "x"}, by="A", reason="r")
    offered.clear()
    at.run()
    assert "has changed since this report was made" in words(at)
    said = f"The set has changed since, to change {library.info().change_counter}"
    # Files are named after the change that they tell of, not after the present one.
    assert said in offered[f"set-report-{version}.html"]().decode()
    paper = pypdfium2.PdfDocument(offered[f"set-report-{version}.pdf"]())
    text = paper[0].get_textpage().get_text_range()
    assert said in " ".join(text.split())
