"""Runs the trained network on two pictures in one frame."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
import torch
from numpy.typing import NDArray
from safetensors.torch import load_file
from torch.nn import functional

from loupebook.bundled import bundled
from loupebook.compare.pair.network import PairNetwork, inputs_of

WEIGHTS = "models/pair-print/weights.safetensors"
_STEP = 16
"""Sides that the network takes are multiples of it."""
_PART, _LESS = 0.02, 3.0
"""Share of the item drawn otherwise that speaks by itself, and by how much less (log odds).

The network's one answer goes by what runs through a whole print, as copies of its training
do; of a print with one part plainly replaced its map is sure and its answer is not. Genuine
photos of three editions (of benchmark seed 90210) stay 1.7 and more below their answer by this.
"""
SUREST = 0.999
"""Shares nearer 1 are not told apart."""


@dataclass(frozen=True, eq=False)
class Told:
    """What the network makes of two pictures.

    Parameters
    ----------
    log_odds : float
        That they come from different presses, as in training (half of the pairs did), or that
        a part of the one is surely drawn otherwise, whichever is greater.
    drawn : ndarray
        float32 (height, width), probability that the drawing differs at a px.
    """

    log_odds: float
    drawn: NDArray[np.float32]


@cache
def network() -> PairNetwork:
    """Return the network with the weights that ship."""
    made = PairNetwork()
    made.load_state_dict({k: v.float() if v.is_floating_point() else v
                          for k, v in load_file(bundled(WEIGHTS)).items()})  # fmt: skip
    return made.eval().requires_grad_(False).to(memory_format=torch.channels_last)


def tell(
    query: NDArray[np.float32],
    model: NDArray[np.float32],
    spread: NDArray[np.float32],
    seen: NDArray[np.bool_],
) -> Told:
    """Ask the network whether two pictures differ.

    Parameters
    ----------
    query, model : ndarray
        float32 (height, width, 3) sRGB 0..1 at one sharpness, in one frame and light.
    spread : ndarray
        float32 (height, width), how far colours of known ones lie apart (natural logarithm).
    seen : ndarray
        bool (height, width), where both can be compared.
    """
    rows, columns = seen.shape
    planes = [torch.from_numpy(np.ascontiguousarray(p)) for p in (query, model)]
    colours = [plane.permute(2, 0, 1)[None] for plane in planes]
    rest = [torch.from_numpy(p.astype(np.float32))[None, None] for p in (spread, seen)]
    room = (0, -columns % _STEP, 0, -rows % _STEP)
    held = network()
    with torch.inference_mode():
        given = functional.pad(inputs_of(*colours, *rest), room)
        # What the network says of the pair mirrored is as good: the mean of both is surer. One
        # after the other, as both at once take twice the memory.
        answer, drawn = held(given.contiguous(memory_format=torch.channels_last))
        mirrored = given.flip(3).contiguous(memory_format=torch.channels_last)
        other, otherwise = held(mirrored)
        share = torch.sigmoid((drawn + otherwise.flip(3)) / 2)[0, 0].numpy()
    large = cv2.resize(share, (given.shape[3], given.shape[2]), interpolation=cv2.INTER_LINEAR)
    drawn_otherwise = np.ascontiguousarray(large[:rows, :columns]) * seen
    whole = float((answer + other) / 2)
    return Told(max(whole, _odds_of_a_part(drawn_otherwise[seen])), drawn_otherwise)


def _odds_of_a_part(drawn: NDArray[np.float32]) -> float:
    if not drawn.size:
        return -math.inf
    sure = min(float(np.quantile(drawn, 1 - _PART)), SUREST)
    return math.log(max(sure, 1e-6) / (1 - sure)) - _LESS
