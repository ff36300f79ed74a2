"""The main job in a real browser: a photo in, the nearest reference first, side by side."""

from __future__ import annotations

import base64
import json
import random
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
from PIL import Image

from drawn_prints import as_bytes, draw_print
from loupebook.library import (
    Element,
    IncomingPhoto,
    Library,
    Lighting,
    SpecimenRecord,
    Standing,
    View,
)

playwright_api = pytest.importorskip(
    "playwright.sync_api", reason="playwright is not installed (extra 'test')"
)
pytestmark = pytest.mark.browser

DESK = {"width": 1440, "height": 900}
PHONE = {"width": 390, "height": 844}


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    chromium_path()
    folder = tmp_path_factory.mktemp("browser")
    library = Library.create(folder / "set", name="Prints", notice="drawn, invented")
    for number in range(8):
        standing = Standing.FAKE if number % 2 else Standing.GENUINE
        record = SpecimenRecord(f"S-{number}", Element.BAND, standing, marque="Marque A")
        photos = [IncomingPhoto(as_bytes(draw_print(number)), f"{number}.png")]
        if number == 0:
            uv = as_bytes(draw_print(99))
            photos.append(IncomingPhoto(uv, "0-uv.png", View.BACK, Lighting.UV_A))
        assert library.add_specimen(record, photos, by="a curator").ok
    library.close()
    with page_served(folder / "set", folder / "log") as served:
        yield served


@pytest.fixture(scope="module")
def browser() -> Iterator[playwright_api.Browser]:
    path = chromium_path()
    with playwright_api.sync_playwright() as driver:
        started = driver.chromium.launch(executable_path=path, args=FLAGS)
        yield started
        started.close()


@pytest.fixture
def page(browser: playwright_api.Browser, address: str) -> Iterator[playwright_api.Page]:
    context = browser.new_context(viewport=DESK)
    yield visited(context, address)
    context.close()


@pytest.fixture
def phone(browser: playwright_api.Browser, address: str) -> Iterator[playwright_api.Page]:
    context = browser.new_context(viewport=PHONE, has_touch=True, is_mobile=True)
    yield visited(context, address)
    context.close()


def visited(context: playwright_api.BrowserContext, address: str) -> playwright_api.Page:
    page = context.new_page()
    page.set_default_timeout(PATIENCE_MS)
    page.goto(address)
    page.get_by_role("heading", name="Examine").wait_for()
    return page


def hand_in(page: playwright_api.Page, number: int = 3, name: str = "suspect.jpg") -> None:
    """Give the page a scaled, recompressed photo of specimen `number`."""
    photo = as_bytes(draw_print(number).resize((240, 240)), "JPEG", quality=60)
    page.get_by_test_id("stFileUploaderDropzoneInput").set_input_files(
        {"name": name, "mimeType": "image/jpeg", "buffer": photo}
    )
    page.get_by_role("list", name="Nearest known specimens").wait_for()
    # The desk is fed from its own address, and begins anew when the answer comes to it.
    page.locator('.pane[data-key="query"] .layer[data-ready="true"]').first.wait_for()
    until_settled(page)
    # Aligned ones would take their place when they are ready.
    page.get_by_role("radio", name="As photographed").click()


def transforms(page: playwright_api.Page) -> list[tuple[float, float, float]]:
    """Return scale and shift of each pane, the shift as a share of the pane."""
    return page.locator(".pane .glass").evaluate_all(
        """panes => panes.filter(pane => pane.clientWidth).map(pane => {
            const stage = getComputedStyle(pane.querySelector('.stage'));
            const { a, e, f } = new DOMMatrix(stage.transform);
            return [a, e / pane.clientWidth, f / pane.clientHeight];
        })"""
    )


def assert_locked(page: playwright_api.Page) -> None:
    first, *others = transforms(page)
    assert others
    for other in others:
        assert other == pytest.approx(first, abs=2e-4)


def test_an_uploaded_photo_brings_the_nearest_reference_first(page: playwright_api.Page) -> None:
    hand_in(page, 3)
    first = page.get_by_role("list", name="Nearest known specimens").get_by_role("button").first
    assert first.get_attribute("aria-label").startswith("Rank 1, Fake, S-3, Likeness")
    captions = page.locator(".pane figcaption").all_inner_texts()
    assert "Your photo" in captions[0]
    assert "Nearest genuine" in captions[1]
    assert "Nearest fake" in captions[2]
    assert "S-3" in captions[2]
    loaded = page.locator(".pane img").evaluate_all("all => all.every(img => img.naturalWidth > 0)")
    assert loaded


def test_nothing_is_fetched_from_anywhere_else(
    browser: playwright_api.Browser, address: str
) -> None:
    context = browser.new_context(viewport=DESK)
    asked: list[str] = []
    context.on("request", lambda request: asked.append(request.url))
    hand_in(visited(context, address))
    context.close()
    assert len(asked) > 5
    assert [url for url in asked if not url.startswith((address, "data:", "blob:"))] == []


def test_the_style_sheet_comes_with_the_document(page: playwright_api.Page, address: str) -> None:
    document = page.request.get(address, headers={"Accept": "text/html"})
    assert document.ok
    assert "stCaptionContainer" in document.text()
    style = page.locator("body > style").first.text_content()
    assert "stCaptionContainer" in style


def test_zoom_and_pan_are_locked_through_random_acts(page: playwright_api.Page) -> None:
    hand_in(page)
    chance = random.Random(7)
    panes = page.locator(".pane .glass")
    panes.first.scroll_into_view_if_needed()
    page.wait_for_timeout(400)
    for _ in range(10):
        box = panes.nth(chance.randrange(3)).bounding_box()
        x, y = (
            box["x"] + box["width"] * chance.random(),
            box["y"] + box["height"] * chance.random(),
        )
        page.mouse.move(x, y)
        if chance.random() < 0.5:
            page.mouse.wheel(0, chance.choice([-300, -200, 150]))
        else:
            page.mouse.down()
            page.mouse.move(x + chance.randint(-80, 80), y + chance.randint(-60, 60), steps=4)
            page.mouse.up()
        page.wait_for_timeout(60)
        assert_locked(page)
    assert transforms(page)[0][0] > 1


def test_unlocked_one_picture_moves_alone_and_stays_in_step_afterwards(
    page: playwright_api.Page,
) -> None:
    hand_in(page)
    pane = page.locator(".pane .glass").nth(1)
    pane.focus()
    for key in ("+", "+", "l", "ArrowRight"):
        page.keyboard.press(key)
    before = transforms(page)
    assert before[1][1] < before[0][1]
    page.keyboard.press("l")
    page.keyboard.press("ArrowDown")
    after = transforms(page)
    for now, then in zip(after, before, strict=True):
        assert now[1] - then[1] == pytest.approx(0, abs=2e-4)
        assert now[2] - then[2] == pytest.approx(after[0][2] - before[0][2], abs=2e-4)


def test_the_keyboard_alone_zooms_moves_and_goes_back(page: playwright_api.Page) -> None:
    hand_in(page)
    page.get_by_role("application", name="Your photo suspect.jpg").focus()
    page.keyboard.press("+")
    page.keyboard.press("ArrowLeft")
    scale, across, _ = transforms(page)[0]
    assert scale == pytest.approx(1.3)
    assert across == pytest.approx(-0.07)
    assert page.get_by_label("Zoom", exact=True).inner_text() == "1.3 ×"
    page.keyboard.press("0")
    assert transforms(page)[0] == pytest.approx([1, 0, 0])
    assert_locked(page)


def test_a_double_click_goes_in_at_that_place(page: playwright_api.Page) -> None:
    hand_in(page)
    pane = page.locator(".pane .glass").nth(2)
    box = pane.bounding_box()
    pane.dblclick(position={"x": box["width"] * 0.25, "y": box["height"] * 0.5})
    assert transforms(page)[0] == pytest.approx([2, -0.25, -0.5], abs=0.01)
    assert_locked(page)


def test_a_pasted_picture_is_searched(page: playwright_api.Page) -> None:
    page.locator(".paste").wait_for()
    picture = base64.b64encode(as_bytes(draw_print(6))).decode()
    page.evaluate(
        """async base64 => {
            const bytes = Uint8Array.from(atob(base64), one => one.charCodeAt(0));
            const clipboardData = new DataTransfer();
            clipboardData.items.add(new File([bytes], 'clip.png', { type: 'image/png' }));
            document.dispatchEvent(new ClipboardEvent('paste', { clipboardData, bubbles: true }));
        }""",
        picture,
    )
    first = page.get_by_role("list", name="Nearest known specimens").get_by_role("button").first
    first.wait_for()
    assert "S-6" in first.get_attribute("aria-label")
    assert "clip.png" in page.locator(".pane figcaption").first.inner_text()


def test_pasting_words_says_that_there_is_no_picture(page: playwright_api.Page) -> None:
    page.locator(".paste").wait_for()
    page.evaluate(
        """() => {
            const clipboardData = new DataTransfer();
            clipboardData.setData('text/plain', 'words');
            document.dispatchEvent(new ClipboardEvent('paste', { clipboardData, bubbles: true }));
        }"""
    )
    page.get_by_text("There is no picture on the clipboard.").wait_for()


def drag(page: playwright_api.Page, name: str, across: float, down: float) -> None:
    handle = page.locator(f'[data-grip="{name}"]')
    handle.scroll_into_view_if_needed()
    page.wait_for_timeout(400)
    box = handle.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + across, y + down, steps=5)
    page.mouse.up()


def searched_size(page: playwright_api.Page) -> tuple[int, int]:
    text = page.locator(".pane figcaption").first.inner_text()
    width, _, height = next(
        line for line in text.splitlines() if line.endswith("px as searched")
    ).split()[:3]
    return int(width), int(height)


def open_crop(page: playwright_api.Page) -> None:
    page.get_by_text("Correct the outline").click()
    page.get_by_role("button", name="Search this part").wait_for()
    until_settled(page)


@pytest.mark.parametrize("size", [(1024, 768), (1440, 900)])
def test_the_pictures_stand_in_the_first_view(
    page: playwright_api.Page, size: tuple[int, int]
) -> None:
    page.set_viewport_size({"width": size[0], "height": size[1]})
    hand_in(page)
    page.locator('[data-testid="stMain"]').evaluate("main => main.scrollTo(0, 0)")
    top = page.locator(".pane .glass").first.bounding_box()["y"]
    assert top < 0.68 * size[1]
    assert page.locator(".sheet.brief .limits").is_visible()


def test_a_dragged_crop_is_what_is_searched(page: playwright_api.Page) -> None:
    hand_in(page)
    open_crop(page)
    assert searched_size(page) == (240, 240)
    frame = page.locator(".frame").bounding_box()
    drag(page, "corner-0", frame["width"] * 0.25, frame["height"] * 0.5)
    page.get_by_role("button", name="Search this part").click()
    page.get_by_text("180 × 120 px as searched").wait_for()
    page.get_by_text("Searched anew: the part you marked, 38 % of the photo").wait_for()
    reading = page.locator(".sheet.brief")
    box = reading.bounding_box()
    assert 0 < box["y"] < page.viewport_size["height"] - box["height"]


def test_handles_move_by_keyboard_and_a_turn_is_searched(page: playwright_api.Page) -> None:
    hand_in(page)
    open_crop(page)
    page.locator('[data-grip="side-1"]').focus()
    for _ in range(5):
        page.keyboard.press("Shift+ArrowLeft")
    assert "75 % across" in page.locator('[data-grip="corner-1"]').get_attribute("aria-label")
    page.get_by_role("button", name="Turn right by a quarter").click()
    page.get_by_role("button", name="Search this part").click()
    page.get_by_text("240 × 180 px as searched").wait_for()


def test_four_corners_stay_a_proper_shape(page: playwright_api.Page) -> None:
    hand_in(page)
    open_crop(page)
    page.get_by_role("button", name="Four corners").click()
    frame = page.locator(".frame").bounding_box()
    drag(page, "corner-0", frame["width"] * 0.9, frame["height"] * 0.95)
    page.get_by_role("button", name="Search this part").click()
    until_settled(page)
    assert page.get_by_role("list", name="Nearest known specimens").is_visible()
    assert not page.get_by_test_id("stAlert").count()


def test_a_chosen_card_lies_beside_the_query_and_the_zoom_stays(page: playwright_api.Page) -> None:
    hand_in(page, 3)
    page.locator(".pane .glass").first.focus()
    page.keyboard.press("+")
    cards = page.get_by_role("list", name="Nearest known specimens").get_by_role("button")
    name = cards.nth(4).locator(".name").inner_text()
    cards.nth(4).click()
    chosen = page.locator('.pane[data-key^="photo-"]')
    chosen.wait_for(state="attached")
    assert name in chosen.locator("figcaption").inner_text()
    assert transforms(page)[0][0] == pytest.approx(1.3)


def test_results_and_the_view_can_be_saved(page: playwright_api.Page, tmp_path: Path) -> None:
    hand_in(page, 3)
    with page.expect_download() as download:
        page.get_by_role("button", name="Results as JSON").click()
    download.value.save_as(tmp_path / "answer.json")
    answer = json.loads((tmp_path / "answer.json").read_text(encoding="utf-8"))
    assert answer["matches"][0]["specimen"] == "S-3"
    assert answer["reading"]["does_not_say"]
    with page.expect_download() as download:
        page.get_by_role("button", name="Save what is seen as a picture").click()
    download.value.save_as(tmp_path / "view.png")
    with Image.open(tmp_path / "view.png") as picture:
        assert picture.width > 1200
        assert len(picture.convert("RGB").getcolors(2**24)) > 100


def test_an_undecodable_file_is_said_plainly(page: playwright_api.Page) -> None:
    page.get_by_test_id("stFileUploaderDropzoneInput").set_input_files(
        {"name": "broken.jpg", "mimeType": "image/jpeg", "buffer": b"not a picture"}
    )
    page.get_by_text("Nothing was searched.").wait_for()


def test_on_a_phone_the_menu_closes_when_a_page_is_chosen(phone: playwright_api.Page) -> None:
    choose_library_in_menu(phone)


def test_the_menu_closes_before_any_component_has_loaded(
    browser: playwright_api.Browser, address: str
) -> None:
    # On a slow phone the menu can be touched while the parts of the page are on their way.
    context = browser.new_context(viewport=PHONE, has_touch=True, is_mobile=True)
    context.route("**/BidiComponent*.js", lambda route: route.abort())
    choose_library_in_menu(visited(context, address))
    context.close()


def choose_library_in_menu(phone: playwright_api.Page) -> None:
    """Choose *Library* in the menu over the page, and wait until the menu lies beside it."""
    phone.get_by_test_id("stExpandSidebarButton").tap()
    phone.get_by_test_id("stSidebarCollapseButton").wait_for()
    phone.get_by_test_id("stSidebarNavLink").filter(has_text="Library").tap()
    phone.get_by_role("heading", name="Library").wait_for()
    phone.get_by_test_id("stExpandSidebarButton").wait_for()
    link = phone.get_by_test_id("stSidebarNavLink").first
    phone.wait_for_function(
        "one => one.getBoundingClientRect().right <= 0", arg=link.element_handle()
    )


def test_on_a_phone_nothing_scrolls_sideways_and_the_lock_holds(phone: playwright_api.Page) -> None:
    assert_no_sideways_scroll(phone)
    hand_in(phone, 3)
    assert_no_sideways_scroll(phone)
    panes = [box for box in phone.locator(".pane .glass").all() if box.is_visible()]
    assert len(panes) == 2
    assert panes[0].bounding_box()["x"] == panes[1].bounding_box()["x"]
    panes[0].focus()
    phone.keyboard.press("+")
    assert_locked(phone)
    phone.get_by_role("radio", name="Nearest fake").click()
    assert phone.locator('.pane[data-key="nearest-fake"] .glass').is_visible()
    assert not phone.locator('.pane[data-key="nearest-genuine"] .glass').is_visible()
    assert_locked(phone)


def test_on_a_phone_two_fingers_zoom_both_pictures(phone: playwright_api.Page) -> None:
    hand_in(phone, 3)
    pane = phone.locator(".pane .glass").first
    pane.scroll_into_view_if_needed()
    phone.wait_for_timeout(500)
    box = pane.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    session = phone.context.new_cdp_session(phone)

    def touch(kind: str, apart: float) -> None:
        points = [{"x": x - apart, "y": y, "id": 1}, {"x": x + apart, "y": y, "id": 2}]
        session.send(
            "Input.dispatchTouchEvent",
            {"type": kind, "touchPoints": [] if kind == "touchEnd" else points},
        )

    touch("touchStart", 30)
    for apart in (40, 60, 90):
        touch("touchMove", apart)
    touch("touchEnd", 90)
    assert transforms(phone)[0][0] == pytest.approx(3, rel=0.1)
    assert_locked(phone)


@pytest.mark.parametrize("path", ["library", "add_specimens", "library?specimen=S-0"])
def test_other_pages_fit_a_phone(phone: playwright_api.Page, address: str, path: str) -> None:
    phone.goto(f"{address}/{path}")
    phone.get_by_role("heading", level=1).wait_for()
    until_settled(phone)
    assert_no_sideways_scroll(phone)


def test_a_specimen_opens_from_the_list_and_its_uv_photo_brings_the_caution(
    page: playwright_api.Page, address: str
) -> None:
    page.goto(f"{address}/library")
    page.get_by_role("button", name="Genuine, S-0").click()
    page.get_by_role("button", name="Back to the list").wait_for()
    assert page.url.endswith("specimen=S-0")
    page.get_by_role("list", name="Photos").get_by_role("button", name="UV-A lamp").click()
    page.get_by_text("never look into it").wait_for()
    assert "dark" in page.locator(".viewer").get_attribute("class")
    page.get_by_role("button", name="Back to the list").click()
    page.get_by_role("button", name="Genuine, S-0").wait_for()
