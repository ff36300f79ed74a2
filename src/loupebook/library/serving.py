"""Running the page: Streamlit on the loopback address, usage statistics off."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
import webbrowser
from collections.abc import Callable
from pathlib import Path

from loupebook.bundled import bundled
from loupebook.errors import LoupebookError
from loupebook.library.homes import SET_VARIABLE

LOOPBACK = "127.0.0.1"
USUAL_PORT = 8501
START_SECONDS = 120
STOP_SECONDS = 20
"""What the page is given to end what it is at, such as saving an examination."""


def serve_page(
    folder: Path | None, *, port: int | None, browser: bool, announce: Callable[[str], None]
) -> None:
    """Serve the page on `folder` until the process is stopped.

    Parameters
    ----------
    folder : Path, optional
        The set to open; `None` lets the page say that there is none.
    port : int, optional
        Port on the loopback address; `None` takes 8501, or a free one if that is taken.
    browser : bool
        Whether to open the address in the person's browser.
    announce : callable
        Called with the line that names the address, once the page answers.

    Raises
    ------
    LoupebookError
        If the page does not come up, or the port named is taken.
    """
    chosen = _choose_port(port)
    environment = dict(os.environ)
    if folder is not None:
        environment[SET_VARIABLE] = str(folder.resolve())
    # Whoever ends this process ends the page: SIGTERM takes the same way out as Ctrl+C.
    before = signal.signal(signal.SIGTERM, signal.default_int_handler)
    process = subprocess.Popen(_command(chosen), env=environment)
    address = f"http://{LOOPBACK}:{chosen}"
    try:
        _wait_until_up(process, address)
        state = "is open" if browser else "answers"
        announce(f"The page {state} at {address} (press Ctrl+C to stop).")
        if browser:
            webbrowser.open(address)
        process.wait()
    except KeyboardInterrupt:
        announce("Stopped.")
    finally:
        _end(process)
        signal.signal(signal.SIGTERM, before)


def _end(process: subprocess.Popen[bytes]) -> None:
    process.terminate()
    try:
        process.wait(STOP_SECONDS)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


def _command(port: int) -> list[str]:
    options = {
        "server.address": LOOPBACK,
        "server.port": str(port),
        "server.headless": "true",
        "server.fileWatcherType": "none",
        "server.maxUploadSize": "80",
        "browser.gatherUsageStats": "false",
        "client.toolbarMode": "minimal",
    }
    flags = [part for name, value in options.items() for part in (f"--{name}", value)]
    return [sys.executable, "-m", "streamlit", "run", str(bundled("app") / "main.py"), *flags]


def _choose_port(wanted: int | None) -> int:
    if _is_free(wanted or USUAL_PORT):
        return wanted or USUAL_PORT
    if wanted is not None:
        raise LoupebookError(f"Port {wanted} is taken. Name another with --port, or leave it out.")
    with socket.socket() as probe:
        probe.bind((LOOPBACK, 0))
        port: int = probe.getsockname()[1]
        return port


def _is_free(port: int) -> bool:
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((LOOPBACK, port))
        except OSError:
            return False
    return True


def _wait_until_up(process: subprocess.Popen[bytes], address: str) -> None:
    # A proxy from the environment must never stand between us and the loopback address.
    opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))
    deadline = time.monotonic() + START_SECONDS
    while time.monotonic() < deadline:
        if process.poll() is not None:
            raise LoupebookError(
                f"The page stopped while starting (exit code {process.returncode}); "
                "its own message stands above."
            )
        try:
            with opener.open(f"{address}/_stcore/health", timeout=2):
                return
        except (urllib.error.URLError, OSError):
            time.sleep(0.2)
    raise LoupebookError(f"The page did not answer at {address} within {START_SECONDS} seconds.")
