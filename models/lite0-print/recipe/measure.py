"""Figures on held-out worlds while training goes on."""

from __future__ import annotations

import numpy as np
import torch
from torch import Tensor


def figures(unit: Tensor, edition: Tensor, origin: Tensor, genuine: Tensor) -> dict[str, float]:
    """Leave-one-photo-out retrieval within one pool of photos.

    Returns
    -------
    dict
        ``edition_r1``: nearest other photo has the same edition. ``origin_map``: mean
        average precision for the print origin, among photos of the same edition.
        ``standing_error``: nearest photo of the same edition has the other standing.
        ``overlap``: chance that a pair of two origins of one edition is closer than a pair
        of one origin (1 - AUC).
    """
    similarity = (unit @ unit.T).cpu().numpy()
    np.fill_diagonal(similarity, -2)
    edition_, origin_, genuine_ = (t.cpu().numpy() for t in (edition, origin, genuine))
    nearest = similarity.argmax(1)
    r1 = float((edition_[nearest] == edition_).mean())
    precisions, errors, same, other = [], [], [], []
    for row in range(len(unit)):
        pool = np.flatnonzero(edition_ == edition_[row])
        pool = pool[pool != row]
        order = pool[np.argsort(-similarity[row, pool])]
        hit = origin_[order] == origin_[row]
        if hit.any():
            ranks = np.flatnonzero(hit) + 1
            precisions.append(float((np.arange(1, len(ranks) + 1) / ranks).mean()))
        errors.append(genuine_[order[0]] != genuine_[row])
        same.extend(similarity[row, order[hit]])
        other.extend(similarity[row, order[~hit]])
    ranked = np.argsort(np.argsort(np.concatenate([same, other])))[: len(same)]
    auc = (ranked.sum() - len(same) * (len(same) - 1) / 2) / (len(same) * len(other))
    return {
        "edition_r1": r1,
        "origin_map": float(np.mean(precisions)),
        "standing_error": float(np.mean(errors)),
        "overlap": float(1 - auc),
    }


@torch.no_grad()
def embed_all(network: torch.nn.Module, photos: Tensor, chunk: int = 256) -> Tensor:
    """Embed photos already on the device."""
    parts = []
    for start in range(0, len(photos), chunk):
        parts.append(network(photos[start : start + chunk]))
    return torch.cat(parts)
