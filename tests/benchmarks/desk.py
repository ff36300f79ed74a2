"""The comparison desk in a browser with a 20-megapixel query: `python tests/benchmarks/desk.py`.

Drives a headless Chromium at three window sizes and measures time to the first references, to
the aligned view and to full zoom at a corner, memory of the page, bytes sent, and how far apart
the same place of the print lies under the crosshair of both views after ten random pans and
zooms, against drawn prints whose truth is known px by px. Prints a table and writes
``results/desk.md``. The first row is a fresh server: encoder, index and consensus images are
made then; the others find them made.
"""

from __future__ import annotations

import random
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np
import psutil

_HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(_HERE), str(_HERE.parent), str(_HERE.parent / "browser")]

from browser_driver import FLAGS, chromium_path, page_served
from playwright.sync_api import CDPSession, Page, Request, sync_playwright
from table import print_table, save_markdown

from desk_prints import Photo, Shots, copied, draw_print, fill, photograph, told
from loupebook.library import Desk, Library, encode_jpeg

WINDOWS = ((1440, 900), (1440, 900), (1024, 768), (390, 844))
SMALL = (1216, 1824)
ENLARGED = 3
"""Photos are drawn small, with their truth, and enlarged: 5472 × 3648 px are 20 megapixels."""
KEYS = ("+", "+", "-", "ArrowLeft", "ArrowRight", "ArrowUp")
READY = """() => {
    const panes = [...document.querySelectorAll('*')].flatMap(host =>
        host.shadowRoot ? [...host.shadowRoot.querySelectorAll('.pane .glass')] : []);
    const seen = panes.filter(pane => pane.clientWidth);
    const layers = seen.flatMap(pane => [...pane.querySelectorAll('.layer:not([hidden])')]);
    return layers.length > 1 && layers.every(one => one.dataset.ready === 'true');
}"""
CENTRES = """all => all.filter(one => one.clientWidth).map(glass => {
    const pane = glass.getBoundingClientRect();
    const sheet = glass.querySelector('.sheet').getBoundingClientRect();
    return [(pane.left + pane.width / 2 - sheet.left) / sheet.width,
            (pane.top + pane.height / 2 - sheet.top) / sheet.height];
})"""


@dataclass
class Counted:
    """Bytes that came to a page."""

    total: int = 0
    by_url: dict[str, str] = field(default_factory=dict)

    def listen(self, session: CDPSession) -> None:
        session.send("Network.enable")
        session.on("Network.loadingFinished", lambda e: self.add(e["encodedDataLength"]))
        session.on(
            "Network.webSocketFrameReceived",
            lambda e: self.add(len(e["response"]["payloadData"])),
        )

    def add(self, count: float) -> None:
        self.total += int(count)


def large(photo: Photo, times: int, seed: int) -> np.ndarray:
    """Return a photo enlarged, with the noise that a camera of that size has."""
    rows, columns = photo.pixels.shape[:2]
    size = (columns * times, rows * times)
    pixels = cv2.resize(photo.pixels, size, interpolation=cv2.INTER_CUBIC)
    noise = np.random.default_rng(seed).normal(0, 2, pixels.shape).astype(np.float32)
    return np.clip(pixels + noise, 0, 255).astype(np.uint8)


def photographed() -> tuple[Shots, Shots]:
    """Return the photos with their truth, and the same enlarged (their truth is left small)."""
    item = draw_print(3, width=920, height=680)
    copy = copied(item)
    queries = [photograph(one, 30 + k, tilt=0.2, size=SMALL) for k, one in enumerate((item, copy))]
    references = {f"G-{k}": photograph(item, 10 + k, tilt=0.12, size=SMALL) for k in range(2)}
    references["F-0"] = photograph(copy, 20, tilt=0.12, size=SMALL)
    small = Shots(references, *queries)
    twice = {name: Photo(large(one, 2, 5), one.place) for name, one in references.items()}
    thrice = [Photo(large(one, ENLARGED, 6), one.place) for one in queries]
    return small, Shots(twice, *thrice)


def until(page: Page, ready: Callable[[], object]) -> float:
    start = time.perf_counter()
    ready()
    return time.perf_counter() - start


def renderer_mib() -> float:
    """Return the memory of the greatest page process, MiB that it alone holds."""
    held = [
        one.memory_full_info().uss
        for one in psutil.Process().children(recursive=True)
        if "--type=renderer" in " ".join(one.cmdline())
    ]
    return max(held, default=0) / 2**20


def drive(page: Page, address: str, query: bytes, desk: Desk, shots: Shots) -> dict[str, object]:
    """Go through one examination and return its row."""
    counted = Counted()
    counted.listen(page.context.new_cdp_session(page))
    arrived: list[float] = []
    page.on(
        "requestfinished",
        lambda one: arrived.append(time.perf_counter()) if _hands_in(one) else None,
    )
    page.goto(address)
    page.get_by_role("heading", name="Examine").wait_for()
    opened = counted.total
    page.get_by_test_id("stFileUploaderDropzoneInput").set_input_files(
        {"name": "query.jpg", "mimeType": "image/jpeg", "buffer": query}
    )
    start = time.perf_counter()
    page.wait_for_function(READY, polling=20)
    seen = time.perf_counter()
    first = seen - start
    page.get_by_text("Aligned: your photo").wait_for()
    aligned = time.perf_counter() - start
    page.wait_for_function(READY, polling=20)
    shown = time.perf_counter() - start
    page.locator("details.measured", has_text="Measured against").first.wait_for()
    measured = time.perf_counter() - start
    at_rest = counted.total
    glass = page.locator(".pane:visible .glass").first
    glass.scroll_into_view_if_needed()
    page.wait_for_timeout(500)
    glass.focus()
    page.keyboard.press("1")
    for _ in range(60):
        page.keyboard.press("Shift+ArrowLeft")
        page.keyboard.press("Shift+ArrowUp")
    zoomed = time.perf_counter()
    page.wait_for_function(READY, polling=20)
    corner = time.perf_counter() - zoomed
    apart = lock_error(page, desk, shots)
    return {
        "first references, s": first,
        "of it after the photo has arrived, s": seen - arrived[0],
        "aligned, s": aligned,
        "aligned and drawn, s": shown,
        "measured, s": measured,
        "full zoom at a corner, s": corner,
        "memory of the page, MiB": renderer_mib(),
        "page itself, MB": opened / 1e6,
        "sent until measured, MB": (at_rest - opened) / 1e6,
        "sent in all, MB": (counted.total - opened) / 1e6,
        "worst lock error, print px": apart,
    }


def _hands_in(request: Request) -> bool:
    return request.method == "PUT" and "upload_file" in request.url


def lock_error(page: Page, desk: Desk, shots: Shots) -> float:
    """Return the greatest distance, over ten random views, of the places under the crosshair."""
    panes = page.locator(".pane .glass")
    visible = page.locator(".pane:visible .glass")
    visible.first.focus()
    page.keyboard.press("0")
    chance = random.Random(4)
    width, height = desk.to_dict()["frame"]["width"], desk.to_dict()["frame"]["height"]
    worst = 0.0
    for _ in range(10):
        visible.nth(chance.randrange(2)).focus()
        for _ in range(chance.randint(1, 5)):
            page.keyboard.press(
                chance.choice(["+", "+", "-", "ArrowLeft", "ArrowRight", "ArrowUp"])
            )
        page.wait_for_timeout(60)
        query, reference = panes.evaluate_all(CENTRES)[:2]
        in_frame = [np.array([u * width, v * height]) - 0.5 for u, v in (query, reference)]
        landed = desk.layer("query", aligned=True).to_photo(in_frame[0][None])[0]
        of_query = truth(shots.genuine_query, landed, ENLARGED)
        of_reference = truth(shots.references["G-0"], in_frame[1], 2)
        apart = float(np.hypot(*(of_query - of_reference)))
        if np.isfinite(apart):
            worst = max(worst, apart)
    return worst


def truth(photo: Photo, at: np.ndarray, times: int) -> np.ndarray:
    """Return which place of the print lies at a px of an enlarged photo."""
    x, y = np.float32((at + 0.5) / times - 0.5)
    found = [
        cv2.remap(photo.place[..., k].astype(np.float32), x.reshape(1, 1), y.reshape(1, 1), 1)
        for k in (0, 1)
    ]
    return np.array([one[0, 0] for one in found])


def main() -> None:
    """Measure and write the table."""
    small, shots = photographed()
    # Another file for every row: the server keeps what it has decoded.
    queries = [encode_jpeg(shots.genuine_query.pixels, quality=90 - n) for n in range(len(WINDOWS))]
    rows: list[dict[str, object]] = []
    with tempfile.TemporaryDirectory() as work, sync_playwright() as driver:
        folder = Path(work) / "set"
        with Library.create(folder, name="Prints") as library:
            fill(library, shots)
            desk = library.desk(told(library, shots.genuine_query.pixels, "G-0", "F-0"))
            desk._find_frame()
            with page_served(folder, Path(work) / "log") as address:
                for number, (width, height) in enumerate(WINDOWS):
                    browser = driver.chromium.launch(executable_path=chromium_path(), args=FLAGS)
                    page = browser.new_page(viewport={"width": width, "height": height})
                    page.set_default_timeout(180_000)
                    row = drive(page, address, queries[number], desk, small)
                    label = f"{width} × {height}{', fresh server' if number == 0 else ''}"
                    rows.append({"window": label, **row})
                    browser.close()
    print_table(f"20-megapixel query of {len(queries[0]) / 1e6:.1f} MB", rows)
    save_markdown(
        _HERE / "results" / "desk.md",
        f"Comparison desk with a 20-megapixel query of {len(queries[0]) / 1e6:.1f} MB",
        "python tests/benchmarks/desk.py",
        rows,
    )


if __name__ == "__main__":
    main()
