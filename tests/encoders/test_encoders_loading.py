"""While an encoder is loaded only what loads it is silenced, and only in its own thread."""

from __future__ import annotations

import logging
import threading
import warnings

import pytest
from huggingface_hub import constants

from loupebook.encoders.load import _hub_or_cache, _quiet


def logged(records: list[logging.LogRecord]) -> list[str]:
    return [record.getMessage() for record in records]


def test_others_log_and_warn_while_an_encoder_is_loaded(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.INFO)

    def other() -> None:
        logging.getLogger("another.package").error("of another package")
        logging.getLogger().error("by the root, of another thread")

    with _quiet():
        logging.getLogger().error("by the root, as open_clip does")
        logging.getLogger("another.package").warning("here")
        thread = threading.Thread(target=other)
        thread.start()
        thread.join()
        with pytest.warns(UserWarning, match="of another package"):
            warnings.warn("of another package", UserWarning, stacklevel=1)
    logging.getLogger().error("after it")
    assert logged(caplog.records) == [
        "here",
        "of another package",
        "by the root, of another thread",
        "after it",
    ]


def test_what_loads_is_silent(
    caplog: pytest.LogCaptureFixture, recwarn: pytest.WarningsRecorder
) -> None:
    caplog.set_level(logging.INFO)
    logger = logging.getLogger("timm.models._hub")
    with _quiet():
        logger.error("a file cannot be had")
        logger.critical("this is no failure of loading")
        warnings.warn_explicit("quick GELU", UserWarning, "factory.py", 1, "open_clip.factory")
    assert logged(caplog.records) == ["this is no failure of loading"]
    assert not recwarn.list


def test_two_threads_leave_the_hub_client_as_it_was(monkeypatch: pytest.MonkeyPatch) -> None:
    """The first to come leaves last or first: neither may leave the client without a network."""
    monkeypatch.setattr("loupebook.encoders.load._answers", lambda _: False)
    before = constants.HF_HUB_OFFLINE
    first_in, first_may_go = threading.Event(), threading.Event()
    seen = []

    def first() -> None:
        with _hub_or_cache():
            first_in.set()
            first_may_go.wait(10)

    def second() -> None:
        with _hub_or_cache():
            seen.append(constants.HF_HUB_OFFLINE)
            first_may_go.set()
            threads[0].join(0.5)

    threads = [threading.Thread(target=first), threading.Thread(target=second)]
    threads[0].start()
    assert first_in.wait(10)
    threads[1].start()
    threads[1].join(0.3)
    first_may_go.set()
    for thread in threads:
        thread.join()
    assert seen == [True]
    assert before == constants.HF_HUB_OFFLINE
