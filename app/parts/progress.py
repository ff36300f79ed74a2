"""Long work with a bar that moves and words that say what is being done."""

from __future__ import annotations

import time
from contextlib import contextmanager
from typing import TYPE_CHECKING

import streamlit as st

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

LEAST_BETWEEN = 0.15
"""Seconds between two updates: each is a message to the browser."""


@contextmanager
def shown_progress() -> Iterator[Callable[[str, int, int], None]]:
    """Yield what the library tells its progress to; the bar goes when the work ends."""
    bar = st.progress(0.0, "Starting…")
    last = {"what": "", "at": 0.0}

    def tell(what: str, done: int, total: int) -> None:
        now = time.monotonic()
        if what == last["what"] and now - float(last["at"]) < LEAST_BETWEEN:
            return
        last.update(what=what, at=now)
        bar.progress(min(1.0, done / max(1, total)), f"{what}: {done:,} of {total:,}")

    try:
        yield tell
    finally:
        bar.empty()
