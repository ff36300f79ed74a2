"""Models and pictures shared by the tests of encoders."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from small_encoder_model import CONFIG, write_model


@pytest.fixture(scope="session")
def small_model(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_model(tmp_path_factory.mktemp("small-vit"), CONFIG)


@pytest.fixture(scope="session")
def pictures() -> list[np.ndarray]:
    """Pictures of many shapes: photos that scikit-image bundles, cut and scaled."""
    from skimage import data

    astronaut, coffee, cat = data.astronaut(), data.coffee(), data.chelsea()
    return [
        astronaut,
        coffee[:, :300],
        cat[:90, :],
        astronaut[100:140, 100:130],
        np.ascontiguousarray(coffee[::4, ::4]),
        np.ascontiguousarray(np.rot90(cat)),
        cat[:48, :48],
    ]
