"""Supervised contrastive loss at two levels: edition, and print origin within it.

Khosla et al. 2020, "Supervised Contrastive Learning", arXiv:2004.11362, loss L_out.
At the level of the print origin the other origins of the same edition are negatives, and
the hardest of all. Each loss is taken on the whole embedding and on its leading part
(Kusupati et al. 2022, "Matryoshka Representation Learning", arXiv:2205.13147).
"""

from __future__ import annotations

import torch
from torch import Tensor


def contrastive(unit: Tensor, label: Tensor, temperature: float) -> Tensor:
    """Mean over photos of -log p(a positive) among all other photos of the batch."""
    logits = unit @ unit.T / temperature
    own = torch.eye(len(unit), dtype=torch.bool, device=unit.device)
    logits = logits.masked_fill(own, -1e4)
    positive = (label[:, None] == label[None]) & ~own
    log_p = logits - torch.logsumexp(logits, 1, keepdim=True)
    counts = positive.sum(1)
    picked = (log_p * positive).sum(1)[counts > 0] / counts[counts > 0]
    return -picked.mean()


def two_levels(
    unit: Tensor, edition: Tensor, origin: Tensor, *, origin_share: float, leading: int
) -> Tensor:
    """The training loss."""
    total = unit.new_zeros(())
    head = torch.nn.functional.normalize(unit[:, :leading], dim=1)
    for part, weight in ((unit, 1.0), (head, 0.5)):
        total = total + weight * (1 - origin_share) * contrastive(part, edition, 0.10)
        if origin_share > 0:
            total = total + weight * origin_share * contrastive(part, origin, 0.07)
    return total
