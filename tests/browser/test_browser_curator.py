"""A story in a real browser: one enters, a second confirms, an inspector finds, another library
takes the bag in and finds the same.

Set ``LOUPEBOOK_SCREENSHOTS`` to a folder to keep a picture of each step, desk and phone.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import ExitStack
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

from drawn_prints import as_bytes, draw_print
from loupebook.library import (
    Element,
    IncomingPhoto,
    Library,
    Provenance,
    Serial,
    SpecimenRecord,
    Standing,
)

playwright_api = pytest.importorskip(
    "playwright.sync_api", reason="playwright is not installed (extra 'test')"
)
pytestmark = pytest.mark.browser

DESK = {"width": 1440, "height": 900}
PHONE = {"width": 390, "height": 844}
SHOTS = os.environ.get("LOUPEBOOK_SCREENSHOTS")


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, str]]:
    """Serve two libraries: ours, in which two must confirm, and an empty one."""
    chromium_path()
    folder = tmp_path_factory.mktemp("curator")
    ours = Library.create(folder / "ours", name="Prints", notice="drawn", two_person=True)
    for number in range(5):
        record = SpecimenRecord(
            f"S-{number}",
            Element.BAND,
            Standing.FAKE if number % 2 else Standing.GENUINE,
            marque="Marque A",
            edition="Edition 1",
            provenance=Provenance(source="a shop"),
            serials=(Serial(f"A 10{number}", "left"),),
        )
        photo = IncomingPhoto(as_bytes(draw_print(number)), f"{number}.png")
        assert ours.add_specimen(record, [photo], by="E. Example").ok
        ours.confirm(record.name, by="F. Example", basis="laboratory: file 7")
    ours.close()
    Library.create(folder / "theirs", name="Another house").close()
    with ExitStack() as stack:
        served = [
            stack.enter_context(page_served(folder / name, folder / f"{name}.log"))
            for name in ("ours", "theirs")
        ]
        yield served[0], served[1]


@pytest.fixture(scope="module")
def browser() -> Iterator[playwright_api.Browser]:
    with playwright_api.sync_playwright() as driver:
        started = driver.chromium.launch(executable_path=chromium_path(), args=FLAGS)
        yield started
        started.close()


class Sitting:
    """One person at one browser."""

    def __init__(self, browser: playwright_api.Browser, address: str) -> None:
        self.page = browser.new_context(viewport=DESK, accept_downloads=True).new_page()
        self.page.set_default_timeout(PATIENCE_MS // 2)
        self.address = address

    def open(self, path: str) -> None:
        self.page.goto(f"{self.address}/{path}")
        self.page.get_by_role("heading", level=1).wait_for()
        self.settled()

    def settled(self) -> None:
        until_settled(self.page)

    def fill(self, label: str, value: str) -> None:
        # Fields in closed parts of the page bear the same labels.
        field = self.page.get_by_label(label, exact=True).filter(visible=True).first
        field.fill(value)
        field.press("Tab")
        self.settled()

    def choose(self, label: str, option: str) -> None:
        box = self.page.get_by_role("combobox", name=label).first
        box.click()
        box.press_sequentially(option)
        box.press("Enter")
        self.settled()

    def pick(self, group: str, option: str) -> None:
        self.page.get_by_role("radiogroup", name=group).get_by_text(option).click()
        self.settled()

    def press(self, name: str) -> None:
        self.page.get_by_role("button", name=name).first.click()
        self.settled()

    def hand_in(self, name: str, kind: str, data: bytes) -> None:
        self.page.get_by_test_id("stFileUploaderDropzoneInput").first.set_input_files(
            {"name": name, "mimeType": kind, "buffer": data}
        )
        self.settled()

    def look(self, step: str) -> None:
        """Hold the layout to its width, desk and phone; keep pictures where that is asked for."""
        if SHOTS:
            self.page.wait_for_timeout(2500)
        for name, size in (("desk", DESK), ("phone", PHONE)):
            self.page.set_viewport_size(size)
            assert_no_sideways_scroll(self.page, f"{step} at {name}")
            if SHOTS:
                Path(SHOTS).mkdir(parents=True, exist_ok=True)
                height = self.page.evaluate(
                    "document.querySelector('[data-testid=stMain]').scrollHeight"
                )
                self.page.set_viewport_size({**size, "height": min(int(height) + 80, 6000)})
                self.page.wait_for_timeout(500)
                self.page.screenshot(path=str(Path(SHOTS) / f"{step}-{name}.png"))
        self.page.set_viewport_size(DESK)
        self.page.wait_for_timeout(300)


def test_the_story(
    browser: playwright_api.Browser, address: tuple[str, str], tmp_path: Path
) -> None:
    ours, theirs = address
    enter(Sitting(browser, ours))
    confirm(Sitting(browser, ours))
    nearest = find(Sitting(browser, ours), "3-inspector-finds")
    assert nearest[0] == "N-1"
    bag = hand_on(Sitting(browser, ours), tmp_path)
    take_in(Sitting(browser, theirs), bag)
    assert find(Sitting(browser, theirs), "6-other-library-finds") == nearest


def enter(curator: Sitting) -> None:
    curator.open("add_specimens")
    curator.hand_in("new.jpg", "image/jpeg", as_bytes(draw_print(20), "JPEG", quality=92))
    page = curator.page
    page.get_by_role("list", name="Nearest known specimens").wait_for()
    curator.fill("Name of the specimen *", "N-1")
    curator.pick("Standing *", "Fake")
    curator.pick("Element *", "Band")
    curator.fill("Serial numbers", "A 102 | left")
    page.get_by_text("The serial A102 stands on specimen S-2 too").wait_for()
    page.get_by_text("1 needed and 4 worth having are still missing").wait_for()
    curator.look("1a-curator-enters")
    curator.open("add_specimens")  # the browser is closed and opened again
    page.get_by_text("Begun and not saved (1)").click()
    curator.look("1b-draft-kept")
    curator.press("Go on")
    name = page.get_by_role("textbox", name="Name of the specimen *")
    playwright_api.expect(name).to_have_value("N-1")
    curator.fill("Your name *", "E. Example")
    curator.press("Save with 1 photo")
    page.get_by_text("It waits for a second person").wait_for()
    curator.look("1c-curator-saved")
    curator.open("confirm")
    page.get_by_role("button", name="Fake, N-1").click()
    curator.settled()
    curator.choose("On what grounds *", "laboratory")
    curator.fill("Your name *", "e. example")
    curator.press("Confirm")
    page.get_by_text("in this set a second person must confirm it").wait_for()


def confirm(second: Sitting) -> None:
    second.open("confirm")
    second.look("2a-waiting")
    second.page.get_by_role("button", name="Fake, N-1").click()
    second.settled()
    second.page.get_by_role("list", name="Nearest known specimens").wait_for()
    second.choose("On what grounds *", "laboratory")
    second.fill("Letter, receipt or file number", "report 12")
    second.fill("Your name *", "G. Example")
    second.look("2b-second-looks")
    second.press("Confirm")
    second.page.get_by_text("is confirmed; it is searched from now on").wait_for()
    second.look("2c-confirmed")
    second.open("library?specimen=N-1")
    second.page.get_by_text("changes of fields").click()
    second.look("2d-record-and-history")


def find(inspector: Sitting, step: str) -> list[str]:
    inspector.open("")
    suspect = draw_print(20).resize((260, 260)).rotate(2, fillcolor=(90, 90, 90))
    inspector.hand_in("suspect.jpg", "image/jpeg", as_bytes(suspect, "JPEG", quality=70))
    listed = inspector.page.get_by_role("list", name="Nearest known specimens")
    listed.wait_for()
    inspector.settled()
    inspector.look(step)
    labels = [
        card.get_attribute("aria-label").split(", ") for card in listed.get_by_role("button").all()
    ]
    return [label[2] for label in labels]


def hand_on(curator: Sitting, folder: Path) -> Path:
    curator.open("upkeep")
    curator.fill("What others may do with it", "CC BY 4.0")
    curator.fill("Your name *", "E. Example")
    curator.press("Make the bag")
    curator.page.get_by_text("are in the bag").wait_for()
    curator.look("4-handed-on")
    with curator.page.expect_download() as download:
        curator.page.get_by_role("button", name="Download reference-set.zip").click()
    download.value.save_as(folder / "bag.zip")
    return folder / "bag.zip"


def take_in(other: Sitting, bag: Path) -> None:
    other.open("upkeep")
    other.page.get_by_role("tab", name="Take in").click()
    damaged = bytearray(bag.read_bytes())
    damaged[len(damaged) // 2] ^= 1
    uploader = other.page.get_by_role("tabpanel", name="Take in")
    data = {"name": "bag.zip", "mimeType": "application/zip", "buffer": bytes(damaged)}
    uploader.get_by_test_id("stFileUploaderDropzoneInput").set_input_files(data)
    other.settled()
    uploader.get_by_label("Your name *").fill("H. Example")
    uploader.get_by_label("Your name *").press("Tab")
    other.settled()
    uploader.get_by_role("button", name="Take it in").click()
    other.page.get_by_text("This bag is refused; nothing was written.").wait_for()
    other.look("5a-damaged-bag-refused")
    uploader.get_by_test_id("stFileUploaderDropzoneInput").set_input_files(
        {**data, "buffer": bag.read_bytes()}
    )
    # The page rests while a file is on its way: only when the refusal goes is the new one there.
    other.page.get_by_text("This bag is refused; nothing was written.").wait_for(state="hidden")
    other.settled()
    uploader.get_by_role("button", name="Look into it").click()
    other.page.get_by_text("Nothing was written yet.").wait_for()
    other.look("5b-looked-into")
    uploader.get_by_role("button", name="Take it in").click()
    other.page.get_by_text("3 genuine").wait_for()  # the head of the page counts anew
    other.page.get_by_text("6 specimens new").wait_for()
    assert other.page.get_by_text("Nothing was written yet.").count() == 0
    other.look("5c-taken-in")
    other.page.get_by_role("tab", name="Check").click()
    other.press("Check the set")
    other.look("5d-checked")
