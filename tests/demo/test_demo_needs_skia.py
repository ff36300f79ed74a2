"""Says why the tests of the invented world are not run, where they are not."""

from __future__ import annotations

import pytest


def test_skia_draws() -> None:
    skia = pytest.importorskip(
        "skia",
        reason="skia cannot be loaded, so no test of the invented world ran "
        "(on Debian: apt-get install libegl1 libgl1 libfontconfig1)",
        exc_type=ImportError,
    )
    surface = skia.Surface(4, 4)
    surface.getCanvas().clear(skia.ColorRED)
    assert surface.toarray()[0, 0].tolist() in ([0, 0, 255, 255], [255, 0, 0, 255])
