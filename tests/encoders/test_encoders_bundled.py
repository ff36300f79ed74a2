"""What ships with Loupebook is found, and what does not is named."""

from __future__ import annotations

import pytest

from loupebook.bundled import bundled
from loupebook.encoders import DEFAULT_ENCODER
from loupebook.errors import LoupebookError


def test_the_default_encoder_ships_small_and_with_its_card():
    folder = bundled(f"models/{DEFAULT_ENCODER}")
    assert (folder / "open_clip_model.safetensors").stat().st_size <= 10_000_000
    assert "Apache-2.0" in (folder / "MODEL_CARD.md").read_text(encoding="utf-8")


def test_a_missing_folder_is_named():
    with pytest.raises(LoupebookError, match="models/nowhere"):
        bundled("models/nowhere")
