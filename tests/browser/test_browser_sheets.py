"""A story in a real browser: examined, saved, printed, reopened; sheets; a round taken twice."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from browser_driver import (
    FLAGS,
    PATIENCE_MS,
    assert_no_sideways_scroll,
    chromium_path,
    page_served,
    until_settled,
)

from drawn_prints import as_bytes
from loupebook.library import Element, Library, SpecimenRecord, Standing
from taught_set import EDITION, PATCH, copied_print, genuine_print, opened_copy, photo

playwright_api = pytest.importorskip(
    "playwright.sync_api", reason="playwright is not installed (extra 'test')"
)
pytestmark = pytest.mark.browser
DESK = {"width": 1440, "height": 900}
SHOTS = os.environ.get("LOUPEBOOK_SHOTS")
"""A folder in which to keep a picture of every step, to be looked at."""


@pytest.fixture(scope="module")
def story(
    taught_folder: Path, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[str, Path]]:
    chromium_path()
    folder = tmp_path_factory.mktemp("story")
    with opened_copy(taught_folder, folder / "set") as library:
        library.points.add(
            1, PATCH, title="The patch", genuine_shows="plain", copies_show="a white patch",
            by="a curator",
        )  # fmt: skip
    with page_served(folder / "set", folder / "log") as address:
        yield address, folder / "set"


@pytest.fixture
def page(story: tuple[str, Path]) -> Iterator[playwright_api.Page]:
    with playwright_api.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=chromium_path(), args=FLAGS)
        opened = browser.new_context(viewport=DESK).new_page()
        opened.set_default_timeout(PATIENCE_MS)
        yield opened
        browser.close()


def shot(page: playwright_api.Page, name: str) -> None:
    until_settled(page)
    assert page.get_by_test_id("stException").count() == 0
    if SHOTS:
        page.wait_for_timeout(800)
        page.screenshot(path=str(Path(SHOTS) / f"{name}.png"))


def choose(page: playwright_api.Page, label: str, option: str) -> None:
    page.get_by_role("combobox", name=label, exact=True).first.click()
    page.get_by_role("option", name=option, exact=True).click()
    shot(page, f"choose-{label}")


def saved_by(page: playwright_api.Page, button: str) -> bytes:
    with page.expect_download() as download:
        page.get_by_role("button", name=button).first.click()
    return Path(download.value.path()).read_bytes()


def framed_with_its_button(page: playwright_api.Page) -> None:
    """Check that on a phone an entry of the list and its button lie in one frame."""
    page.set_viewport_size({"width": 390, "height": 844})
    entry = page.locator(".st-key-exam-entry-1")
    button = entry.get_by_role("button", name="Open", exact=True).bounding_box()
    assert float(entry.evaluate("one => parseFloat(getComputedStyle(one).borderTopWidth)")) > 0
    around = entry.bounding_box()
    assert around["y"] < button["y"]
    assert button["y"] + button["height"] < around["y"] + around["height"]
    shot(page, "02-list-phone")
    page.set_viewport_size(DESK)


def test_an_inspector_examines_saves_prints_and_reopens_after_the_set_has_changed(
    story: tuple[str, Path], page: playwright_api.Page
) -> None:
    address, folder = story
    page.goto(address)
    page.get_by_test_id("stFileUploaderDropzoneInput").set_input_files(
        {
            "name": "suspect.jpg",
            "mimeType": "image/jpeg",
            "buffer": as_bytes(copied_print(0, 5.0), "JPEG", quality=85),
        }
    )
    offered = page.get_by_text("Save this examination")
    offered.first.wait_for()
    shot(page, "01-examined")
    # While the page is drawn anew, the old offer stands beside the new one for a moment.
    playwright_api.expect(offered).to_have_count(1, timeout=PATIENCE_MS)
    offered.click()
    page.get_by_label("What is examined *").wait_for()
    shot(page, "01-saving")
    page.get_by_label("What is examined *").fill("Band of box 17")
    page.get_by_label("Notes").last.fill("Seized at the harbour.")
    page.get_by_label("Your name *").last.fill("An Inspector")
    page.get_by_role("button", name="Save", exact=True).click()
    page.get_by_text("Saved as examination 1.").wait_for()
    shot(page, "02-saved")
    page.get_by_role("link", name="Open the examinations").click()
    page.get_by_role("button", name="Open", exact=True).wait_for()
    framed_with_its_button(page)
    page.get_by_role("button", name="Open", exact=True).click()
    page.get_by_text("Then and now").wait_for()
    assert "images are as they were saved" in page.locator("body").inner_text()
    shot(page, "03-reopened")
    patch = page.get_by_role("radiogroup", name="The patch")
    patch.get_by_text("differs", exact=True).click()
    page.get_by_label("Your name *").fill("An Inspector")
    page.get_by_role("button", name="Save as a further revision").click()
    page.get_by_text("Examination 1, revision 2").wait_for()
    shot(page, "04-marked")
    page.get_by_role("button", name="Make the record to print").click()
    page.get_by_role("button", name="Record (PDF)").wait_for()
    assert saved_by(page, "Record (PDF)")[:5] == b"%PDF-"
    with Library.open(folder) as other:
        record = other.examinations.open(1)
        nearest = record.document["answer"]["matches"][0]["specimen"]
        other.withdraw(nearest, by="a curator", reason="mixed up")
    page.get_by_role("button", name="Ask today's set").click()
    page.get_by_text("What has changed").wait_for()
    body = page.locator("body").inner_text()
    assert f"{nearest}, a reference then, is withdrawn" in body
    page.get_by_text("What has changed").scroll_into_view_if_needed()
    shot(page, "05-then-and-now")
    sha256 = record.document["examined"]["sha256"]
    path = folder / "examinations" / sha256[:2] / sha256
    content = path.read_bytes()
    path.write_bytes(content[:-1] + bytes([content[-1] ^ 1]))
    page.reload()
    page.get_by_text("Altered or missing: query as handed in").wait_for()
    shot(page, "06-altered")
    path.write_bytes(content)
    with Library.open(folder) as other:
        other.reinstate(nearest, by="a curator")


def test_a_trainer_makes_every_kind_of_sheet_and_keeps_one(
    story: tuple[str, Path], page: playwright_api.Page
) -> None:
    address, folder = story
    page.goto(f"{address}/sheets")
    for number, (template, choices) in enumerate(
        {
            "Genuine against copy": {"Edition": EDITION},
            "One copy press and its constant flaws": {"Print origin": "press-1"},
            "One point across many specimens": {"Edition": EDITION},
            "Through the years": {"Marque": "Marque A", "Element": "band"},
            "One specimen in every light": {"Specimen": "G-0"},
            "Pocket card": {"Marque": "Marque A"},
        }.items()
    ):
        page.get_by_role("button", name="Preview").or_(
            page.get_by_text("Choose a")
        ).first.wait_for()
        choose(page, "What the sheet shows", template)
        for label, option in choices.items():
            choose(page, label, option)
        # A preview that is shown has a button of its own, further down.
        page.get_by_role("button", name="Preview").first.click()
        # The preview of the last template stands until the new one is made.
        until_settled(page)
        page.get_by_text("Preview, page 1").wait_for()
        shot(page, f"1{number}-sheet")
    page.get_by_role("button", name="Make files to print").click()
    page.get_by_role("button", name="PDF (").wait_for()
    assert saved_by(page, "PDF (")[:5] == b"%PDF-"
    page.get_by_label("Keep this sheet as").fill("Cards")
    page.get_by_label("Your name *").first.fill("A Trainer")
    page.get_by_role("button", name="Keep", exact=True).click()
    page.get_by_text("It can be made again").wait_for()
    more = SpecimenRecord(
        "F-new", Element.BAND, Standing.FAKE, marque="Marque A", edition=EDITION, origin="press-1"
    )
    with Library.open(folder) as other:
        other.sheets.make_saved("Cards", by="A Trainer")
        other.withdraw("F-0-0", by="me", reason="r")
        assert other.add_specimen(more, [photo(genuine_print(3.0), "n.png")], by="me").ok
    page.reload()
    page.get_by_role("tab", name="Kept sheets").click()
    page.get_by_text("Cards · Pocket card").click()
    page.get_by_text("The set has changed since it was made").wait_for()
    shot(page, "17-kept")
    with Library.open(folder) as other:
        other.reinstate("F-0-0", by="me")


def test_a_learner_takes_a_round_twice_and_sees_how_good_it_was(
    story: tuple[str, Path], page: playwright_api.Page
) -> None:
    address, folder = story
    page.goto(f"{address}/practice")
    page.get_by_role("tab", name="Make a round").click()
    page.get_by_label("Name of the round").fill("First round")
    page.get_by_label("Questions").fill("2")
    page.get_by_label("Your name *").last.fill("A Trainer")
    page.get_by_role("button", name="Make the round").click()
    page.get_by_text("is ready.").wait_for()
    shot(page, "20-round-made")
    page.reload()
    asked: list[list[str]] = []
    for turn in range(2):
        page.get_by_label("Your name *").first.fill("Lea")
        page.get_by_role("button", name="Begin").click()
        for number in range(2):
            page.get_by_text(f"Question {number + 1} of 2").wait_for()
            page.get_by_text("Tap where you see it").wait_for()
            glass = page.locator(".judge .glass")
            glass.focus()
            page.keyboard.press("+")
            box = glass.bounding_box()
            page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 3)
            page.get_by_text("1 place marked").wait_for()
            shot(page, f"2{turn}-{number}-question")
            assert not any(name in page.locator("body").inner_text() for name in ("G-", "F-"))
            page.get_by_text("◆ Fake").click()
            page.get_by_role("button", name="Answer").click()
            page.get_by_text("On record this specimen is").wait_for()
            shot(page, f"2{turn}-{number}-answer")
            page.get_by_role("button", name="Next").or_(
                page.get_by_role("button", name="To the results")
            ).click()
        page.get_by_text("Done:").wait_for()
        shot(page, f"2{turn}-done")
        page.get_by_role("button", name="Back to the rounds").click()
        with Library.open(folder) as other:
            answers = other.practice.answers(learner="Lea")[-2:]
            asked.append([other.photo(one.photo_id).specimen for one in answers])
    assert not set(asked[0]) & set(asked[1])
    page.get_by_role("tab", name="Results").click()
    page.get_by_text("Sensitivity:").wait_for()
    shot(page, "28-results")
    assert saved_by(page, "Every answer as CSV").startswith(b"at,learner")


def test_a_phone_shows_every_page_without_sideways_scrolling(story: tuple[str, Path]) -> None:
    address, _ = story
    with playwright_api.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=chromium_path(), args=FLAGS)
        context = browser.new_context(
            viewport={"width": 390, "height": 844}, has_touch=True, is_mobile=True
        )
        page = context.new_page()
        page.set_default_timeout(PATIENCE_MS)
        for name in ("sheets", "practice", "examinations"):
            page.goto(f"{address}/{name}")
            page.get_by_role("heading", name=name.capitalize()).first.wait_for()
            shot(page, f"30-phone-{name}")
            assert_no_sideways_scroll(page, name)
        browser.close()
