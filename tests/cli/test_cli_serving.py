"""Ending the page: whoever ends `loupebook app` ends its server with it."""

from __future__ import annotations

import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

ADDRESS = "http://127.0.0.1:"


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def answers(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


@pytest.mark.parametrize("ended_by", [signal.SIGTERM, signal.SIGINT])
def test_ending_the_program_ends_its_server(tmp_path: Path, ended_by: signal.Signals) -> None:
    port = free_port()
    # A shell that runs tests in the background lets them ignore the signal; a terminal does not.
    heard = "import signal; signal.signal(signal.SIGINT, signal.default_int_handler)"
    code = f"{heard}; from loupebook.cli import app; "
    code += f"app(['app', '--no-browser', '--port', '{port}'])"
    process = subprocess.Popen(
        [sys.executable, "-c", code], cwd=tmp_path, stdout=subprocess.PIPE, text=True
    )
    try:
        assert process.stdout is not None
        told = next((line for line in process.stdout if line.startswith("The page")), "")
        # No browser was opened, so no page is open yet.
        assert told.startswith(f"The page answers at {ADDRESS}{port} ")
        assert answers(port)
        process.send_signal(ended_by)
        assert "Stopped." in process.communicate(timeout=60)[0]
        assert process.returncode == 0
    finally:
        process.kill()
    # The port is free as soon as the server has let go of it.
    deadline = time.monotonic() + 10
    while answers(port) and time.monotonic() < deadline:
        time.sleep(0.1)
    assert not answers(port)
