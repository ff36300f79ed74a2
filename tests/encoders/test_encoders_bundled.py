"""What ships with Loupebook is found, and what does not is named."""

from __future__ import annotations

import pytest

from loupebook.bundled import bundled
from loupebook.encoders import DEFAULT_ENCODER
from loupebook.errors import LoupebookError


@pytest.mark.parametrize("name", ["lite0-imagenet", "lite0-print"])
def test_encoders_ship_small_and_with_their_cards(name):
    folder = bundled(f"models/{name}")
    assert (folder / "open_clip_model.safetensors").stat().st_size <= 10_000_000
    assert "Apache-2.0" in (folder / "MODEL_CARD.md").read_text(encoding="utf-8")


def test_the_default_is_among_them():
    assert (bundled(f"models/{DEFAULT_ENCODER}") / "open_clip_config.json").is_file()


def test_a_missing_folder_is_named():
    with pytest.raises(LoupebookError, match="models/nowhere"):
        bundled("models/nowhere")
