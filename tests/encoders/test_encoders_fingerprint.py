"""The fingerprint changes when, and only when, what decides the embeddings changes."""

from __future__ import annotations

import pytest
import torch

from loupebook.encoders.fingerprint import fingerprint_encoder


def tower() -> dict[str, torch.Tensor]:
    generator = torch.Generator().manual_seed(3)
    return {
        "conv.weight": torch.randn(4, 3, 3, 3, generator=generator),
        "bn.num_batches_tracked": torch.tensor(7),
    }


SETTINGS = {"preprocess": {"size": 32, "mean": [0.5, 0.5, 0.5]}, "pooling": {"kind": "gem"}}


def test_the_same_content_gives_the_same_fingerprint_in_any_order():
    shuffled = dict(reversed(list(tower().items())))
    resorted = dict(reversed(list(SETTINGS.items())))
    assert fingerprint_encoder(tower(), SETTINGS) == fingerprint_encoder(shuffled, resorted)


def test_memory_layout_does_not_matter():
    laid_out = {
        name: t.to(memory_format=torch.channels_last) if t.ndim == 4 else t
        for name, t in tower().items()
    }
    assert fingerprint_encoder(laid_out, SETTINGS) == fingerprint_encoder(tower(), SETTINGS)


@pytest.mark.parametrize(
    "change",
    [
        lambda state: state["conv.weight"].view(-1)[17].mul_(1 + 2**-22),
        lambda state: state["bn.num_batches_tracked"].add_(1),
        lambda state: state.update({"conv.bias": torch.zeros(4)}),
        lambda state: state.pop("bn.num_batches_tracked"),
        lambda state: state.update({"conv.weight": state["conv.weight"].reshape(3, 4, 3, 3)}),
        lambda state: state.update({"conv.weight": state["conv.weight"].double()}),
    ],
    ids=["one bit of a weight", "a counter", "a tensor more", "one fewer", "shape", "type"],
)
def test_any_change_of_the_weights_changes_it(change):
    state = tower()
    change(state)
    assert fingerprint_encoder(state, SETTINGS) != fingerprint_encoder(tower(), SETTINGS)


def test_any_change_of_a_setting_changes_it():
    other = {**SETTINGS, "pooling": {"kind": "tower"}}
    assert fingerprint_encoder(tower(), other) != fingerprint_encoder(tower(), SETTINGS)


def test_half_precision_tensors_are_accepted():
    state = {name: t.to(torch.bfloat16) for name, t in tower().items()}
    assert len(fingerprint_encoder(state, SETTINGS)) == 64
