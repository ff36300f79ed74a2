"""While an encoder is loaded only what loads it is silenced, and only in its own thread."""

from __future__ import annotations

import logging
import threading
import warnings

import pytest

from loupebook.encoders.load import _quiet


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
