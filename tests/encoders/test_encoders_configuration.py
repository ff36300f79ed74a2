"""Configurations of model folders: what is malformed is refused, and nothing is fetched."""

from __future__ import annotations

import json
import shutil
import socket
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from small_encoder_model import CONFIG

from loupebook.bundled import bundled
from loupebook.encoders import load_encoder
from loupebook.encoders.configuration import CONFIG_FILE, read_configuration
from loupebook.errors import EncoderUnavailable


@pytest.fixture
def folder(small_model: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(small_model, tmp_path / "model"))


def changed(place: str, value: Any) -> dict[str, Any]:
    """Return the small model's configuration with one value put in its place."""
    config = json.loads(json.dumps(CONFIG))
    inner = config
    *way, last = place.split(".")
    for key in way:
        inner = inner[key]
    inner[last] = value
    return config


@pytest.mark.parametrize(
    ("place", "value"),
    [
        ("model_cfg", None),
        ("model_cfg.embed_dim", "24"),
        ("model_cfg.embed_dim", 0),
        ("model_cfg.vision_cfg", "vit"),
        ("model_cfg.text_cfg", []),
        ("preprocess_cfg", [1]),
        ("preprocess_cfg.mean", [0.5, 0.5]),
        ("preprocess_cfg.mean", "abc"),
        ("preprocess_cfg.std", [0.5, 0.0, 0.5]),
        ("preprocess_cfg.std", [0.5, float("nan"), 0.5]),
        ("preprocess_cfg.interpolation", "lanczos"),
        ("preprocess_cfg.resize_mode", "stretch"),
        ("preprocess_cfg.fill_color", 256),
        ("loupebook", None),
    ],
)
def test_a_malformed_configuration_is_refused_by_the_name_of_what_is_wrong(
    folder: Path, place: str, value: Any
) -> None:
    (folder / CONFIG_FILE).write_text(json.dumps(changed(place, value)), encoding="utf-8")
    with pytest.raises(EncoderUnavailable) as refused:
        load_encoder(f"local-dir:{folder}", device="cpu")
    assert f"{folder / CONFIG_FILE} cannot be used: {place} " in str(refused.value)
    assert "correct the file" in str(refused.value)


def test_all_that_is_wrong_is_said_at_once(folder: Path) -> None:
    config = changed("preprocess_cfg.mean", 1) | {"loupebook": []}
    (folder / CONFIG_FILE).write_text(json.dumps(config), encoding="utf-8")
    with pytest.raises(EncoderUnavailable, match=r"mean must.*; loupebook must"):
        read_configuration(folder)


@pytest.mark.parametrize("content", [b"", b"\xff\xfe", b"[" * 100_000, b"{", b"\xef\xbb\xbf{}"])
def test_what_is_no_json_is_refused_with_what_to_do(folder: Path, content: bytes) -> None:
    (folder / CONFIG_FILE).write_bytes(content)
    with pytest.raises(EncoderUnavailable, match=r"not valid JSON.*restore the file"):
        read_configuration(folder)


@pytest.mark.parametrize(
    ("place", "value"),
    [
        ("model_cfg.vision_cfg.timm_model_name", "hf-hub:invented/tower"),
        ("model_cfg.text_cfg.hf_model_name", "invented/words"),
    ],
)
def test_a_model_folder_that_names_a_hub_is_refused_and_nothing_is_fetched(
    folder: Path, place: str, value: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = no_network(monkeypatch)
    (folder / CONFIG_FILE).write_text(json.dumps(changed(place, value)), encoding="utf-8")
    with pytest.raises(EncoderUnavailable, match="works without a network"):
        load_encoder(f"local-dir:{folder}", device="cpu")
    assert not asked


def test_local_models_ask_no_network(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked = no_network(monkeypatch)
    for name in (None, "lite0-imagenet", f"local-dir:{folder}"):
        vectors = load_encoder(name, device="cpu").embed([np.zeros((20, 30, 3), np.uint8)])
        assert np.isfinite(vectors).all()
    assert not asked


@pytest.mark.parametrize("power", [True, float("inf"), 0.5, "3"])
def test_a_power_that_is_none_is_refused(tmp_path: Path, power: Any) -> None:
    folder = Path(shutil.copytree(bundled("models/lite0-imagenet"), tmp_path / "model"))
    config = read_configuration(folder) | {"loupebook": {"pooling": "gem", "gem_power": power}}
    (folder / CONFIG_FILE).write_text(json.dumps(config), encoding="utf-8")
    with pytest.raises(EncoderUnavailable, match="gem_power"):
        load_encoder(f"local-dir:{folder}", device="cpu")


def no_network(monkeypatch: pytest.MonkeyPatch) -> list[object]:
    """Refuse every connection, and return what was asked for."""
    asked: list[object] = []

    def refuse(*wanted: object, **_: object) -> None:
        asked.append(wanted)
        raise OSError("no network in this test")

    monkeypatch.setattr(socket, "getaddrinfo", refuse)
    monkeypatch.setattr(socket.socket, "connect", refuse)
    return asked
