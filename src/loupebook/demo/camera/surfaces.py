"""Packs printed surfaces and surrounding materials into texture banks."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from loupebook.demo.camera.texture_bank import TextureBank
from loupebook.demo.camera.textures import Tile, make_tiles
from loupebook.demo.surface import PrintedSurface
from loupebook.errors import WorldInvalid

Array = NDArray[np.float32]
_PAPER_MM = 0.10


def _slopes(height_mm: Array, px_per_mm: float, *, wrap: bool) -> tuple[Array, Array]:
    """Slope of a height map along x and y, dimensionless."""
    if wrap:
        along_x = np.roll(height_mm, -1, 1) - np.roll(height_mm, 1, 1)
        along_y = np.roll(height_mm, -1, 0) - np.roll(height_mm, 1, 0)
        half = np.float32(px_per_mm / 2)
        return along_x * half, along_y * half
    along_y, along_x = (np.gradient(height_mm, axis=axis) * px_per_mm for axis in (0, 1))
    return along_x.astype(np.float32), along_y.astype(np.float32)


def surface_texture(surface: PrintedSurface, *, device: str | torch.device = "cpu") -> Tensor:
    """The maps of a surface as one texture (H, W, 18), see :class:`SurfaceBank`.

    Put together where it will live: a GPU does so in a small part of a core's time.
    """
    thickness = 0.0 if surface.geometry == "dome" else _PAPER_MM
    relief = surface.relief_mm + thickness * np.clip(surface.coverage, 0, 1)
    slope_x, slope_y = _slopes(relief.astype(np.float32), surface.px_per_mm, wrap=False)
    angle = surface.grating_angle
    planes = (
        surface.albedo,
        surface.coverage[..., None],
        surface.metal[..., None],
        surface.metal_tint,
        surface.roughness[..., None],
        slope_x[..., None],
        slope_y[..., None],
        surface.fluorescence,
        surface.hologram[..., None],
        surface.grating_pitch_um[..., None] * 1000.0,
        np.cos(angle)[..., None],
        np.sin(angle)[..., None],
    )
    held = (torch.from_numpy(np.ascontiguousarray(p, np.float32)).to(device) for p in planes)
    return torch.cat(list(held), dim=-1)


class SurfaceBank:
    """Printed surfaces ready for the torch renderer.

    Channels: 0-2 albedo, 3 coverage, 4 metal, 5-7 metal tint, 8 roughness, 9-10 slope
    along x and y, 11-13 fluorescence, 14 hologram, 15 grating pitch in nm, 16-17 cosine
    and sine of the grating direction.

    Parameters
    ----------
    surfaces : sequence of PrintedSurface
        What can be photographed.
    device : str or torch.device
        Where the maps live.
    """

    def __init__(
        self, surfaces: Sequence[PrintedSurface], *, device: str | torch.device = "cpu"
    ) -> None:
        if not surfaces:
            raise WorldInvalid("there is no surface to photograph")
        textures = [surface_texture(s, device=device) for s in surfaces]
        self.bank = TextureBank(textures, wrap=False, device=device)
        sizes = [(s.px_per_mm, s.width_mm, s.height_mm) for s in surfaces]
        self.sizes = torch.tensor(sizes, dtype=torch.float32, device=device)


def _tile_texture(tile: Tile) -> Array:
    pixels = tile.height_mm.shape[0]
    slope_x, slope_y = _slopes(tile.height_mm, pixels / tile.size_mm, wrap=True)
    planes = (tile.albedo, slope_x[..., None], slope_y[..., None], tile.roughness[..., None])
    return np.concatenate(planes, axis=-1).astype(np.float32)


class MaterialBank:
    """Materials of the surroundings: channels 0-2 albedo, 3-4 slopes, 5 roughness.

    Parameters
    ----------
    device : str or torch.device
        Where the tiles live.
    """

    def __init__(self, device: str | torch.device = "cpu") -> None:
        tiles = cached_tiles()
        self.bank = TextureBank([_tile_texture(t) for t in tiles], wrap=True, device=device)
        scales = [t.height_mm.shape[0] / t.size_mm for t in tiles]
        self.px_per_mm = torch.tensor(scales, dtype=torch.float32, device=device)

    def sample(self, material: Tensor, x_mm: Tensor, y_mm: Tensor, footprint_mm: Tensor) -> Tensor:
        """Channels (6, …) at positions in mm, averaged over a footprint in mm."""
        scale = self.px_per_mm[material]
        return self.bank.sample(material, x_mm * scale, y_mm * scale, footprint_mm * scale)


@lru_cache(maxsize=1)
def cached_tiles() -> tuple[Tile, ...]:
    """The tiles, made once a process."""
    return make_tiles()


@lru_cache(maxsize=2)
def material_bank(device: str) -> MaterialBank:
    """The materials on a device, made once a process."""
    return MaterialBank(device)
