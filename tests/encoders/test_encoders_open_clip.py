"""The open_clip path, on a real small model written to disk and loaded back."""

from __future__ import annotations

import copy
import json
import shutil
import subprocess
import sys
import time

import numpy as np
import open_clip
import pytest
import torch
from PIL import Image
from safetensors.torch import load_file, save_file
from small_encoder_model import CONFIG, write_model

from loupebook.bundled import bundled
from loupebook.encoders import DEFAULT_ENCODER, load_encoder
from loupebook.errors import EncoderUnavailable


@pytest.fixture(scope="module")
def encoder(small_model):
    return load_encoder(f"local-dir:{small_model}", device="cpu")


@pytest.fixture(scope="module")
def default():
    return load_encoder(device="cpu")


@pytest.mark.external
def test_embeddings_are_those_of_open_clip(small_model, encoder, pictures):
    # Source: open_clip's own model.encode_image over its own transform.
    model, transform = open_clip.create_model_from_pretrained(f"local-dir:{small_model}")
    with torch.inference_mode():
        batch = torch.stack([transform(Image.fromarray(picture)) for picture in pictures])
        expected = model.eval().encode_image(batch, normalize=True).numpy()
    got = encoder.embed(pictures)
    assert got.shape == (len(pictures), 24)
    assert got.dtype == np.float32
    # 1e-3: resizing may differ by one grey level (see test_encoders_preprocess).
    np.testing.assert_allclose(got, expected, atol=1e-3)
    assert (got * expected).sum(axis=1).min() > 0.9999


def test_rows_have_length_one(default, pictures):
    np.testing.assert_allclose(np.linalg.norm(default.embed(pictures), axis=1), 1.0, atol=1e-5)


def test_no_pictures_give_no_rows(encoder):
    assert encoder.embed([]).shape == (0, 24)


def test_batch_size_and_threads_do_not_change_an_embedding(default, pictures):
    alone = default.embed(pictures, batch_size=1)
    before = torch.get_num_threads()
    try:
        torch.set_num_threads(1)
        single = default.embed(pictures, batch_size=5)
    finally:
        torch.set_num_threads(before)
    for other in (default.embed(pictures), single):
        assert (alone * other).sum(axis=1).min() >= 0.9999


def test_another_process_gives_the_same_embedding_and_fingerprint(small_model, encoder, pictures):
    np.save(small_model.parent / "picture.npy", pictures[0])
    script = (
        "import sys, json, numpy as np\n"
        "from loupebook.encoders import load_encoder\n"
        "encoder = load_encoder(sys.argv[1], device='cpu')\n"
        "vector = encoder.embed([np.load(sys.argv[2])])[0]\n"
        "print(json.dumps([encoder.fingerprint, vector.tolist()]))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, encoder.name, str(small_model.parent / "picture.npy")],
        capture_output=True,
        text=True,
        check=True,
    )
    fingerprint, vector = json.loads(done.stdout.splitlines()[-1])
    assert fingerprint == encoder.fingerprint
    assert float(np.dot(vector, encoder.embed(pictures[:1])[0])) >= 0.9999


def test_the_default_ships(default):
    assert default.name == DEFAULT_ENCODER


@pytest.mark.parametrize(("name", "dim"), [("lite0-imagenet", 1280), ("lite0-print", 512)])
def test_what_ships_uses_gem_pooling(name, dim, pictures):
    encoder = load_encoder(name, device="cpu")
    # The tower as open_clip loads it, nothing folded.
    tower = open_clip.create_model(f"local-dir:{bundled('models') / name}").visual.eval()
    with torch.inference_mode():
        feature_map = tower.trunk.forward_features(encoder.preprocess.batch(pictures[:1]))
        pooled = feature_map.clamp(min=1e-6).double().pow(3).mean((2, 3)).pow(1 / 3)
        expected = tower.head(pooled.float())[0].double().numpy()
    assert encoder.dim == dim
    np.testing.assert_allclose(
        encoder.embed(pictures[:1])[0], expected / np.linalg.norm(expected), atol=1e-4
    )


def test_one_photo_turned_is_another_picture(default, pictures):
    turned = [pictures[0], np.ascontiguousarray(np.rot90(pictures[0]))]
    first, second = default.embed(turned)
    assert float(first @ second) < 0.95


class TestFingerprint:
    def test_a_copy_of_the_folder_has_the_same_one(self, small_model, encoder, tmp_path):
        shutil.copytree(small_model, tmp_path / "copy")
        copied = load_encoder(f"local-dir:{tmp_path / 'copy'}", device="cpu")
        assert copied.fingerprint == encoder.fingerprint

    def test_the_text_side_does_not_count(self, small_model, encoder, tmp_path):
        folder = tmp_path / "text"
        shutil.copytree(small_model, folder)
        weights = load_file(folder / "open_clip_model.safetensors")
        weights["token_embedding.weight"] = weights["token_embedding.weight"] + 1.0
        save_file(weights, folder / "open_clip_model.safetensors")
        assert load_encoder(f"local-dir:{folder}").fingerprint == encoder.fingerprint

    def test_other_weights_count(self, encoder, tmp_path):
        folder = write_model(tmp_path / "other", CONFIG, seed=6)
        assert load_encoder(f"local-dir:{folder}").fingerprint != encoder.fingerprint

    @pytest.mark.parametrize(
        ("key", "value"),
        [("mean", [0.5, 0.45, 0.40]), ("interpolation", "bilinear"), ("resize_mode", "longest")],
    )
    def test_preprocessing_counts(self, encoder, tmp_path, key, value):
        changed = copy.deepcopy(CONFIG)
        changed["preprocess_cfg"][key] = value
        folder = write_model(tmp_path / "changed", changed)
        assert load_encoder(f"local-dir:{folder}").fingerprint != encoder.fingerprint


class TestUnavailable:
    @pytest.mark.parametrize(
        ("name", "says"),
        [
            ("no-such-encoder", "local-dir:PATH"),
            ("local-dir:/no/such/folder", "open_clip_config.json"),
            ("NoModel/openai", "knows no model"),
            ("ViT-B-32/no-weights", "laion2b_s34b_b79k"),
        ],
    )
    def test_a_name_that_leads_nowhere_says_what_would(self, name, says):
        with pytest.raises(EncoderUnavailable, match=says):
            load_encoder(name)

    @pytest.mark.parametrize("name", ["hf-hub:nobody/nothing", "ViT-B-32/laion2b_s34b_b79k"])
    def test_without_a_network_it_says_so_at_once(self, name, monkeypatch, tmp_path):
        from huggingface_hub import constants

        monkeypatch.setattr(constants, "ENDPOINT", "http://127.0.0.1:9")
        monkeypatch.setattr(constants, "HF_HUB_CACHE", str(tmp_path))
        started = time.monotonic()
        with pytest.raises(EncoderUnavailable, match="cannot be reached"):
            load_encoder(name)
        # Left alone, the hub client retries for most of a minute.
        assert time.monotonic() - started < 20
        assert not constants.HF_HUB_OFFLINE

    def test_pickled_weights_are_refused(self, small_model, tmp_path):
        folder = tmp_path / "pickled"
        folder.mkdir()
        shutil.copy(small_model / "open_clip_config.json", folder)
        (folder / "open_clip_pytorch_model.bin").write_bytes(b"cos\nsystem\n(S'true'\ntR.")
        with pytest.raises(EncoderUnavailable, match="safetensors"):
            load_encoder(f"local-dir:{folder}")

    @pytest.mark.parametrize("name", ["open_clip_pytorch_model.bin", "model.pth"])
    def test_pickled_weights_beside_the_others_are_refused(self, small_model, tmp_path, name):
        folder = tmp_path / "both"
        shutil.copytree(small_model, folder)
        (folder / "open_clip_model.safetensors").rename(folder / "model.safetensors")
        torch.save(load_file(folder / "model.safetensors"), folder / name)
        with pytest.raises(EncoderUnavailable, match=f"{name}.*Move it"):
            load_encoder(f"local-dir:{folder}")

    def test_damaged_weights_are_named(self, small_model, tmp_path):
        folder = tmp_path / "cut"
        shutil.copytree(small_model, folder)
        weights = folder / "open_clip_model.safetensors"
        weights.write_bytes(weights.read_bytes()[:-100])
        with pytest.raises(EncoderUnavailable, match="cannot be loaded"):
            load_encoder(f"local-dir:{folder}")

    @pytest.mark.parametrize("text", ["{", "[]", '{"preprocess_cfg": {}}'])
    def test_a_damaged_configuration_is_named(self, small_model, tmp_path, text):
        folder = tmp_path / "config"
        shutil.copytree(small_model, folder)
        (folder / "open_clip_config.json").write_text(text)
        with pytest.raises(EncoderUnavailable):
            load_encoder(f"local-dir:{folder}")

    @pytest.mark.parametrize(
        "section", [{"pooling": "median"}, {"gem_power": 0.5}, {"whiten": True}]
    )
    def test_a_section_that_we_do_not_understand_is_refused(self, tmp_path, section):
        folder = write_model(tmp_path / "section", {**CONFIG, "loupebook": section})
        with pytest.raises(EncoderUnavailable, match="gem_power"):
            load_encoder(f"local-dir:{folder}")

    def test_gem_needs_a_feature_map(self, tmp_path):
        section = {"pooling": "gem", "gem_power": 3.0}
        folder = write_model(tmp_path / "gem", {**CONFIG, "loupebook": section})
        with pytest.raises(EncoderUnavailable, match="timm"):
            load_encoder(f"local-dir:{folder}")

    def test_a_device_that_is_not_there(self, small_model):
        with pytest.raises(EncoderUnavailable, match="auto"):
            load_encoder(f"local-dir:{small_model}", device="quantum")


def test_importing_the_package_loads_no_torch():
    script = "import sys, loupebook.encoders, loupebook.search; print('torch' in sys.modules)"
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "False"
