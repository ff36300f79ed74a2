"""Batch normalisation folded into the convolutions before it, for networks that only embed.

A trained batch normalisation is a fixed scale and shift for each channel; multiplied into the
weights of the convolution that feeds it, it costs nothing more (Jacob et al. 2018,
doi:10.1109/CVPR.2018.00286, section 3.2). Vectors change by rounding alone.

Imports torch: import it where an encoder is made, not before.
"""

from __future__ import annotations

from typing import cast

from torch import fx, nn
from torch.nn.utils.fusion import fuse_conv_bn_eval


def fold_batch_norms(network: nn.Module) -> nn.Module:
    """Return the network with its batch normalisations folded, or as it is.

    Parameters
    ----------
    network : torch module
        In evaluation mode. It is not changed.

    Returns
    -------
    torch module
        A network that gives the same features; `network` itself where it has none to fold, or
        where its steps depend on the data and so cannot be written down beforehand.
    """
    if not any(isinstance(module, nn.BatchNorm2d) for module in network.modules()):
        return network
    try:
        traced = fx.GraphModule(network, _LayerTracer().trace(network))
    except (fx.proxy.TraceError, TypeError, NotImplementedError):
        return network
    for convolution, norm in _pairs(traced):
        before = cast("nn.Conv2d", traced.get_submodule(convolution))
        after = cast("nn.BatchNorm2d", traced.get_submodule(norm))
        _put(traced, convolution, fuse_conv_bn_eval(before, after))
        # timm's normalisations carry the activation that follows.
        _put(traced, norm, getattr(after, "act", nn.Identity()))
    return traced


class _LayerTracer(fx.Tracer):
    """Writes a network's steps down, the layers that are sought as one step each."""

    def is_leaf_module(self, m: nn.Module, module_qualified_name: str) -> bool:
        # timm's convolutions pad by the size of what comes in and cannot be looked into.
        layer = isinstance(m, nn.Conv2d | nn.BatchNorm2d)
        return layer or super().is_leaf_module(m, module_qualified_name)


def _pairs(traced: fx.GraphModule) -> list[tuple[str, str]]:
    """Name the convolutions whose only use is a batch normalisation, and that, each used once."""
    modules = dict(traced.named_modules())
    calls = [node for node in traced.graph.nodes if node.op == "call_module"]
    targets = [str(node.target) for node in calls]
    found = []
    for node in calls:
        before = node.args[0] if node.args else None
        if not isinstance(before, fx.Node) or before not in calls or len(before.users) > 1:
            continue
        first, second = str(before.target), str(node.target)
        once = targets.count(first) == targets.count(second) == 1
        fits = isinstance(modules[first], nn.Conv2d) and isinstance(modules[second], nn.BatchNorm2d)
        if once and fits:
            found.append((first, second))
    return found


def _put(traced: fx.GraphModule, target: str, module: nn.Module) -> None:
    parent, _, name = target.rpartition(".")
    setattr(traced.get_submodule(parent), name, module)
