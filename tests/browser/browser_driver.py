"""A real server and a real headless browser for the tests beside this file."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Page

ROOT = Path(__file__).parents[2]
USUAL_NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome")
FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
PATIENCE_MS = 120_000
"""The first search loads the encoder and indexes the set, on a machine that may be busy."""


def chromium_path() -> str:
    """Return a Chromium on this machine, or skip and say why."""
    named = os.environ.get("LOUPEBOOK_CHROMIUM")
    found = named or next(filter(None, map(shutil.which, USUAL_NAMES)), None)
    if found is None:
        pytest.skip("no Chromium on this machine; install one, or name it in LOUPEBOOK_CHROMIUM")
    return found


def free_port() -> int:
    """Return a port of the loopback address that nobody uses now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


@contextmanager
def page_served(folder: Path, log: Path, *flags: str, port: int | None = None) -> Iterator[str]:
    """Serve the page on a set, on a free loopback port, and give its address."""
    port = port or free_port()
    command = [sys.executable, "-m", "streamlit", "run", str(ROOT / "app" / "main.py")]
    environment = os.environ | {
        "LOUPEBOOK_SET": str(folder),
        # What the page remembers must not reach the person who runs the tests.
        "LOUPEBOOK_HOME": str(log.parent / "home"),
        "PYTHONPATH": os.pathsep.join([str(ROOT / "src"), os.environ.get("PYTHONPATH", "")]),
        "OMP_NUM_THREADS": "1",
    }
    with log.open("wb") as output:
        process = subprocess.Popen(
            [*command, "--server.port", str(port), *flags],
            env=environment,
            stdout=output,
            stderr=subprocess.STDOUT,
        )
    try:
        address = f"http://127.0.0.1:{port}"
        wait_until_up(process, address, log)
        yield address
    finally:
        process.terminate()
        process.wait(timeout=30)


def wait_until_up(process: subprocess.Popen[bytes], address: str, log: Path) -> None:
    """Wait until the server answers; fail with its own words if it stops."""
    opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))
    deadline = time.monotonic() + 120
    while time.monotonic() < deadline:
        if process.poll() is not None:
            pytest.fail(f"the page stopped while starting: {log.read_text(errors='replace')}")
        try:
            with opener.open(f"{address}/_stcore/health", timeout=2):
                return
        except (urllib.error.URLError, OSError):
            time.sleep(0.2)
    pytest.fail("the page did not answer within 120 s")


def until_settled(page: Page, quiet_ms: int = 300) -> None:
    """Wait until nothing has been running on the page, or been faded as old, for a while."""
    page.evaluate("window.unsettled = window.looked = performance.now()")
    page.wait_for_function(
        """quiet => {
            const app = document.querySelector("[data-testid=stApp]");
            const boxes = [...document.querySelectorAll("[data-testid=stElementContainer]")];
            const now = performance.now();
            // While the page itself was too busy to be looked at, it was not quiet.
            const busy = now - window.looked > 150
                || app?.dataset.testScriptState !== "notRunning"
                || document.querySelector("[data-testid=stSkeleton]")
                || boxes.some(box => box.dataset.stale === "true"
                    || getComputedStyle(box).opacity !== "1");
            window.looked = now;
            if (busy) window.unsettled = now;
            return now - window.unsettled > quiet;
        }""",
        arg=quiet_ms,
        polling=30,
    )


def assert_no_sideways_scroll(page: Page, what: str = "the page") -> None:
    """Hold the page to its width; a width just changed is given time to be laid out."""
    from playwright.sync_api import TimeoutError as NeverSo

    try:
        page.wait_for_function(
            """[document.scrollingElement, ...document.querySelectorAll('[data-testid=stMain]')]
                .every(box => box.scrollWidth <= box.clientWidth)""",
            timeout=10_000,
        )
    except NeverSo:
        pytest.fail(f"{what} scrolls sideways")
