"""A timm image tower whose feature map is pooled by the generalised mean.

Imports torch: import it where an encoder is made, not before.
"""

from __future__ import annotations

from typing import Any, cast

from torch import Tensor, nn


class GemPooled(nn.Module):
    """Generalised mean of the trunk's feature map, put through the tower's head.

    Parameters
    ----------
    tower : torch module
        open_clip's timm tower, with ``trunk`` and ``head``.
    power : float
        Exponent of the mean (Radenović, Tolias, Chum, doi:10.1109/TPAMI.2018.2846566).
    """

    def __init__(self, tower: Any, power: float) -> None:
        super().__init__()
        self.trunk, self.head, self.power = tower.trunk, tower.head, power

    def forward(self, batch: Tensor) -> Tensor:
        """Return features (n, dim) of a batch (n, 3, height, width)."""
        feature_map = self.trunk.forward_features(batch).clamp(min=1e-6)
        pooled = feature_map.pow(self.power).mean(dim=(2, 3)).pow(1.0 / self.power)
        return cast("Tensor", self.head(pooled))
