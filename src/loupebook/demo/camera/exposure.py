"""What a renderer hands to the phone, and how the phone meters it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import torch
from torch import Tensor

from loupebook.demo.camera.scene import SceneBatch
from loupebook.errors import WorldInvalid


@dataclass(frozen=True, eq=False)
class Exposure:
    """What falls on the sensor, and what it shows.

    Parameters
    ----------
    light : Tensor (B, 3, H, W)
        Linear, exposed so that the item's mean is the scene's `exposure`.
    item : Tensor (B, H, W)
        How much of each pixel is the item.
    artwork_mm : Tensor (B, 2, H, W)
        Artwork position (x, y) in mm from its top left corner; meaningless off the item.
    depth_mm : Tensor (B, H, W)
        Distance along the view axis.
    """

    light: Tensor
    item: Tensor
    artwork_mm: Tensor
    depth_mm: Tensor


class Renderer(Protocol):
    """Renders the scenes of a fixed set of surfaces to linear light."""

    def expose(self, scenes: SceneBatch) -> Exposure:
        """Render a batch."""


def check_surfaces(scenes: SceneBatch, count: int) -> None:
    """Refuse scenes that show more surfaces than a renderer has.

    Raises
    ------
    WorldInvalid
        Too high a surface number.
    """
    if int(scenes.surface.max()) >= count or int(scenes.rod_surface.max()) >= count:
        raise WorldInvalid("a scene asks for a surface that this renderer was not given")


def item_level(light: Tensor, item: Tensor) -> Tensor:
    """Brightness of the item that a phone meters for, highlights cut (B, 1, 1, 1).

    The picture as a whole counts for a fifth, so that an item lost in the dark does not
    blow up its surroundings.
    """
    grey = light.mean(1, keepdim=True)
    area = item.sum((1, 2, 3), keepdim=True).clamp(min=1.0)
    mean = (grey * item).sum((1, 2, 3), keepdim=True) / area
    cut = torch.minimum(grey, 3 * mean)
    mean = (cut * item).sum((1, 2, 3), keepdim=True) / area
    whole = torch.minimum(grey, 4 * mean).mean((1, 2, 3), keepdim=True)
    return (0.8 * mean + 0.2 * whole).clamp(min=1e-4)
