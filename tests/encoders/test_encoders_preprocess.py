"""Our preprocessing is open_clip's own transform, within two grey levels."""

from __future__ import annotations

import itertools

import numpy as np
import open_clip
import pytest
import torch
from hypothesis import given, settings
from hypothesis import strategies as st
from open_clip.transform import PreprocessCfg, image_transform_v2
from PIL import Image

from loupebook.encoders.preprocess import Preprocess
from loupebook.errors import EncoderUnavailable

LEVEL = 1 / 255


def config(mode: str, interpolation: str, size: int | tuple[int, int]) -> dict:
    return {
        "size": size,
        "mean": (0.5, 0.45, 0.4),
        "std": (0.25, 0.5, 1.0),
        "interpolation": interpolation,
        "resize_mode": mode,
        "fill_color": 128,
    }


@pytest.mark.external
@pytest.mark.parametrize(
    ("mode", "interpolation", "size"),
    [
        *itertools.product(("longest", "shortest", "squash"), ("bicubic", "bilinear"), (48, 96)),
        ("longest", "bicubic", (40, 72)),
        ("squash", "bicubic", (40, 72)),
    ],
)
def test_equal_to_the_transform_of_open_clip(pictures, mode, interpolation, size):
    # Source: open_clip.transform.image_transform_v2 of the installed open_clip.
    asked = config(mode, interpolation, size)
    theirs = image_transform_v2(PreprocessCfg(**asked), is_train=False)
    ours = Preprocess.from_open_clip(asked)
    levels = 0
    for picture in pictures:
        expected = theirs(Image.fromarray(picture))
        got = ours.batch([picture])[0]
        difference = (got - expected).abs() * torch.tensor(asked["std"]).view(3, 1, 1)
        assert got.shape == expected.shape
        # Two passes, each rounded to a grey level: two levels at the very most.
        assert float(difference.max()) <= 2 * LEVEL + 1e-6
        assert float((difference > LEVEL + 1e-6).float().mean()) < 1e-3
        levels += int((difference > 1e-6).sum())
    assert levels / sum(3 * got.shape[1] * got.shape[2] for _ in pictures) < 0.02


@settings(max_examples=60, deadline=None)
@given(
    height=st.integers(1, 400),
    width=st.integers(1, 400),
    mode=st.sampled_from(["longest", "shortest", "squash"]),
)
def test_any_shape_of_picture_comes_out_at_the_input_size(height, width, mode):
    ours = Preprocess.from_open_clip(config(mode, "bicubic", 32))
    fitted = ours.fit(np.full((height, width, 3), 77, np.uint8))
    assert fitted.shape == (3, 32, 32)
    # An even picture stays even: only letterbox bars have another level.
    assert set(np.unique(fitted.numpy())) <= {77, 128}


@pytest.mark.parametrize(("length", "breadth"), [(30_000, 1), (4000, 9), (3000, 70)])
def test_a_very_long_picture_takes_no_memory_for_its_ends(length, breadth, monkeypatch):
    ours = Preprocess.from_open_clip(config("shortest", "bicubic", 32))
    scaled = []
    interpolate = torch.nn.functional.interpolate

    def watched(source, size, **options):
        scaled.append(size)
        return interpolate(source, size=size, **options)

    monkeypatch.setattr(torch.nn.functional, "interpolate", watched)
    noise = np.random.default_rng(4).integers(0, 256, (length, breadth, 3), dtype=np.uint8)
    for picture in (noise, noise.transpose(1, 0, 2)):
        fitted = ours.fit(picture)
        kept = length // 2 - 20 * breadth, length // 2 + 20 * breadth
        # Seen from its middle, the picture is the same however long it is.
        whole = interpolate(
            torch.from_numpy(noise[kept[0] : kept[1]].copy()).permute(2, 0, 1)[None],
            size=(40 * 32, 32), mode="bicubic", antialias=True, align_corners=False,
        )[0, :, 20 * 32 - 16 : 20 * 32 + 16]  # fmt: skip
        if picture is not noise:
            fitted = fitted.transpose(1, 2)
        assert (fitted.int() - whole.int()).abs().float().mean() < 1
    assert max(max(size) for size in scaled) <= 33 * 32


def test_the_letterbox_is_centred_and_grey():
    ours = Preprocess.from_open_clip(config("longest", "bicubic", 64))
    fitted = ours.fit(np.zeros((32, 64, 3), np.uint8)).numpy()
    assert (fitted[:, :16] == 128).all()
    assert (fitted[:, 16:48] == 0).all()
    assert (fitted[:, 48:] == 128).all()


def test_an_unknown_mode_is_refused():
    with pytest.raises(EncoderUnavailable, match="longest, shortest, squash"):
        Preprocess.from_open_clip(config("stretch", "bicubic", 32))


def test_open_clip_knows_no_mode_that_we_do_not():
    # Ours must grow when theirs does: their transform refuses all but these three.
    with pytest.raises(AssertionError):
        image_transform_v2(PreprocessCfg(resize_mode="other"), is_train=False)
    assert open_clip.__version__
