"""Batch normalisation folded into the convolutions before it, for networks that only embed.

A trained batch normalisation is a fixed scale and shift for each channel; multiplied into the
weights of the convolution that feeds it, it costs nothing more (Jacob et al. 2018,
doi:10.1109/CVPR.2018.00286, section 3.2). Vectors change by rounding alone.

Which convolution feeds which normalisation is guessed from the order in which a block defines
them, and the guess is tried: writing a network's steps down by tracing would reach into every
other network that runs in the process meanwhile.

Imports torch: import it where an encoder is made, not before.
"""

from __future__ import annotations

import copy
from itertools import pairwise

import torch
from torch import Tensor, nn
from torch.nn.utils.fusion import fuse_conv_bn_eval

TOLERANCE = 1e-3
"""Greatest change of a feature, as a share of the greatest feature."""


def fold_batch_norms(network: nn.Module, example: Tensor) -> nn.Module:
    """Return the network with its batch normalisations folded, or as it is.

    Parameters
    ----------
    network : torch module
        In evaluation mode. It is not changed.
    example : Tensor
        A batch that it takes.

    Returns
    -------
    torch module
        A network that gives the same features; `network` itself where it has none to fold, or
        where folding would change what it gives for the example.
    """
    if not any(isinstance(module, nn.BatchNorm2d) for module in network.modules()):
        return network  # and no copy of what may be gigabytes
    folded = copy.deepcopy(network)
    if sum(_fold_block(block) for block in list(folded.modules())) == 0:
        return network
    with torch.inference_mode():
        expected, given = first_of(network(example)), first_of(folded(example))
    change = (given - expected).abs().max()
    return folded if bool(change <= TOLERANCE * expected.abs().max()) else network


def first_of(features: Tensor | tuple[Tensor, ...]) -> Tensor:
    """Return the pooled features: some towers return (pooled, tokens)."""
    return features[0] if isinstance(features, tuple) else features


def _fold_block(block: nn.Module) -> int:
    """Fold the normalisations that a block defines right after a convolution; count them."""
    count = 0
    for (first, convolution), (second, norm) in pairwise(list(block.named_children())):
        if isinstance(convolution, nn.Conv2d) and isinstance(norm, nn.BatchNorm2d):
            setattr(block, first, fuse_conv_bn_eval(convolution, norm))
            # timm's normalisations carry the activation that follows.
            setattr(block, second, getattr(norm, "act", nn.Identity()))
            count += 1
    return count
