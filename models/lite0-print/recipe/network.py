"""The tower with generalised-mean pooling and a linear head, as the product runs it."""

from __future__ import annotations

from pathlib import Path

import timm
import torch
from safetensors.torch import load_file
from torch import Tensor, nn

GEM_POWER = 3.0


class Tower(nn.Module):
    """Features of an EfficientNet-Lite, GeM, linear projection to `dim`, unit length.

    Batch normalisation keeps its ImageNet statistics: rendered batches would bend them.
    """

    def __init__(self, dim: int, trunk: str = "tf_efficientnet_lite0") -> None:
        super().__init__()
        self.trunk = timm.create_model(trunk, num_classes=0, global_pool="")
        self.proj = nn.Linear(self.trunk.num_features, dim, bias=False)

    def train(self, mode: bool = True) -> Tower:
        """Set the mode, but leave batch normalisation as it is."""
        super().train(mode)
        for module in self.trunk.modules():
            if isinstance(module, nn.BatchNorm2d):
                module.eval()
        return self

    def pooled(self, batch: Tensor) -> Tensor:
        """GeM-pooled features (B, 1280) of pictures in 0..1."""
        features = self.trunk.forward_features(batch * 2 - 1).float().clamp(min=1e-6)
        return features.pow(GEM_POWER).mean(dim=(2, 3)).pow(1 / GEM_POWER)

    def forward(self, batch: Tensor) -> Tensor:
        """Unit embeddings (B, dim)."""
        return nn.functional.normalize(self.proj(self.pooled(batch)), dim=1)


def load_start(tower: Tower, weights: Path) -> bool:
    """Take the trunk of a shipped folder, and its head if it has one; say whether it had."""
    state = load_file(weights)
    prefix = "visual.trunk."
    trunk = {k.removeprefix(prefix): v.float() for k, v in state.items() if k.startswith(prefix)}
    tower.trunk.load_state_dict(trunk, strict=False)
    head = state.get("visual.head.proj.weight")
    if head is None:
        return False
    with torch.no_grad():
        tower.proj.weight.copy_(head.float())
    return True


@torch.no_grad()
def start_projection(tower: Tower, features: Tensor) -> None:
    """Start the projection at the principal components of pooled features.

    The untrained network then ranks nearly as the ImageNet tower does, and the leading
    numbers of an embedding carry the most, which makes it fit to be cut short.
    """
    unit = nn.functional.normalize(features, dim=1)
    _, _, axes = torch.linalg.svd(unit - unit.mean(0), full_matrices=False)
    tower.proj.weight.copy_(axes[: tower.proj.out_features])
