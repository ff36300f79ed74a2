"""Folding batch normalisation changes no feature, and leaves alone what it cannot fold."""

from __future__ import annotations

import copy
from concurrent.futures import ThreadPoolExecutor

import pytest
import timm
import torch
from torch import nn

from loupebook.encoders.folding import fold_batch_norms


def settled(network: nn.Module) -> nn.Module:
    """Give the normalisations something to do: a fresh one is the identity."""
    generator = torch.Generator().manual_seed(1)
    for module in network.modules():
        if isinstance(module, nn.BatchNorm2d):
            for values, low in ((module.running_mean, -0.2), (module.running_var, 0.5)):
                values.uniform_(low, low + 1, generator=generator)
            with torch.no_grad():
                module.weight.uniform_(0.5, 1.5, generator=generator)
                module.bias.uniform_(-0.3, 0.3, generator=generator)
    return network.eval().requires_grad_(False)


@pytest.mark.external
@pytest.mark.parametrize("name", ["tf_efficientnet_lite0", "resnet18", "mobilenetv3_small_050"])
def test_timm_networks_give_the_same_features_folded(name):
    network = settled(timm.create_model(name, num_classes=0))
    before = copy.deepcopy(network.state_dict())
    batch = torch.rand(2, 3, 96, 96, generator=torch.Generator().manual_seed(2))
    folded = fold_batch_norms(network, batch)
    with torch.inference_mode():
        expected, given = network(batch), folded(batch)
    assert not any(isinstance(module, nn.BatchNorm2d) for module in folded.modules())
    torch.testing.assert_close(given, expected, rtol=1e-3, atol=1e-4)
    assert all(torch.equal(value, before[key]) for key, value in network.state_dict().items())


class Shared(nn.Module):
    """Uses one convolution with its normalisation and without."""

    def __init__(self) -> None:
        super().__init__()
        self.convolution, self.norm = nn.Conv2d(3, 4, 3), nn.BatchNorm2d(4)

    def forward(self, batch: torch.Tensor) -> torch.Tensor:
        plain = self.convolution(batch)
        return self.norm(plain) + plain


class Backwards(nn.Module):
    """Normalises first, whatever the order of its definitions says."""

    def __init__(self) -> None:
        super().__init__()
        self.convolution, self.norm = nn.Conv2d(3, 3, 3), nn.BatchNorm2d(3)

    def forward(self, batch: torch.Tensor) -> torch.Tensor:
        return self.convolution(self.norm(batch))


@pytest.mark.parametrize("kind", [Shared, Backwards])
def test_a_network_that_folding_would_change_is_left_as_it_is(kind):
    network = settled(kind())
    batch = torch.rand(1, 3, 8, 8, generator=torch.Generator().manual_seed(3))
    assert fold_batch_norms(network, batch) is network


def test_a_network_without_normalisation_is_left_as_it_is():
    plain = nn.Sequential(nn.Conv2d(3, 4, 3), nn.ReLU()).eval()
    assert fold_batch_norms(plain, torch.rand(1, 3, 8, 8)) is plain


def test_networks_run_in_other_threads_while_one_is_folded():
    running = settled(timm.create_model("resnet18", num_classes=0))
    batch = torch.rand(1, 3, 64, 64)
    with torch.inference_mode():
        expected = running(batch)
    with ThreadPoolExecutor(2) as pool:
        folding = [pool.submit(fold_batch_norms, running, batch) for _ in range(4)]
        while not all(one.done() for one in folding):
            with torch.inference_mode():
                torch.testing.assert_close(running(batch), expected)
    assert all(one.result() is not running for one in folding)
