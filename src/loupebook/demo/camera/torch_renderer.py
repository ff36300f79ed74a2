"""Batched shading in torch: the same code on CPU and GPU.

Everything is vectorised over the scenes of a batch; loops run only over the few rods and
lamps that a scene may have.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import torch
import torch.nn.functional as functional
from torch import Tensor

from loupebook.demo.camera.exposure import Exposure, check_surfaces, item_level
from loupebook.demo.camera.focus import circle_of_confusion, focus_blur
from loupebook.demo.camera.scene import SceneBatch
from loupebook.demo.camera.shading import shade
from loupebook.demo.camera.surfaces import SurfaceBank, material_bank
from loupebook.demo.camera.texture_bank import TextureBank
from loupebook.demo.camera.tracing import trace
from loupebook.demo.surface import PrintedSurface
from loupebook.errors import WorldInvalid

#: Rays shaded together: as many as stay in a core's cache, or fill a GPU.
_RAYS_AT_ONCE = {"cpu": 24_000, "cuda": 12_000_000}


class TorchRenderer:
    """Renders scenes of a fixed set of surfaces.

    Parameters
    ----------
    surfaces : sequence of PrintedSurface
        `SceneBatch.surface` counts in it.
    device : str
        ``cpu``, ``cuda`` or ``cuda:N``.
    supersample : float
        Rays per picture px along each edge, at least 1.
    compiled : bool
        Whether torch compiles tracing, shading and focus into fused kernels: minutes once a
        process, then several times the photos of a GPU.

    Raises
    ------
    WorldInvalid
        No surfaces, or a supersampling below 1 or above 8.
    """

    def __init__(
        self,
        surfaces: Sequence[PrintedSurface],
        *,
        device: str = "cpu",
        supersample: float = 1.0,
        compiled: bool = False,
    ) -> None:
        if not 1 <= supersample <= 8:
            raise WorldInvalid(f"supersample must be 1 to 8, not {supersample}")
        self.device = device
        self.supersample = supersample
        self._surfaces = SurfaceBank(surfaces, device=device)
        covers = [np.asarray(s.coverage, np.float32)[..., None] for s in surfaces]
        self._coverage = TextureBank(covers, wrap=False, device=device)
        self._materials = material_bank(device)
        self._count = len(surfaces)
        self._trace = torch.compile(trace) if compiled else trace
        self._shade = torch.compile(shade) if compiled else shade
        self._blur = torch.compile(focus_blur) if compiled else focus_blur

    @torch.no_grad()
    def expose(self, scenes: SceneBatch) -> Exposure:
        """Render a batch to linear light with depth of field."""
        check_surfaces(scenes, self._count)
        fine = scenes.scaled(self.supersample)
        planes, exact = self._render(fine)
        size = (scenes.height, scenes.width)
        if self.supersample > 1:
            planes = functional.interpolate(planes, size, mode="area")
        exact = functional.interpolate(exact, size, mode="nearest-exact")
        depth = exact[:, 2:]
        plain = scenes.tensors(self.device)
        confusion = circle_of_confusion(
            depth,
            plain["focus_mm"][:, None, None, None],
            plain["aperture_mm"][:, None, None, None],
            plain["focal_px"][:, None, None, None],
        )
        sharp, item = planes[:, :3], planes[:, 3:]
        level = item_level(sharp, item)
        blurred = self._blur(sharp, confusion)
        exposed = blurred * (plain["exposure"][:, None, None, None] / level)
        return Exposure(exposed, item[:, 0], exact[:, :2], depth[:, 0])

    def expose_all(self, batches: Iterable[SceneBatch]) -> Iterator[Exposure]:
        """Render batch after batch; while one renders, a thread draws the next.

        Parameters
        ----------
        batches : iterable of SceneBatch
            Best a generator that draws them.
        """
        drawn = iter(batches)
        with ThreadPoolExecutor(1) as thread:
            coming = thread.submit(next, drawn, None)
            while (scenes := coming.result()) is not None:
                coming = thread.submit(next, drawn, None)
                yield self.expose(scenes)

    def _render(self, scenes: SceneBatch) -> tuple[Tensor, Tensor]:
        """Light and item (B, 4, H, W); artwork position and depth (B, 3, H, W)."""
        scene = scenes.tensors(self.device)
        rays = _RAYS_AT_ONCE[scene["eye"].device.type]
        step = max(1, rays // (scenes.width * scenes.count))
        planes, exact = [], []
        for top in range(0, scenes.height, step):
            rows = range(top, min(top + step, scenes.height))
            hits = self._trace(scene, self._surfaces.sizes, rows, scenes.width)
            light, item = self._shade(scene, hits, self._surfaces, self._coverage, self._materials)
            _, wide, high = self._surfaces.sizes[hits.surface.clamp(min=0)].unbind(-1)
            planes.append(torch.cat([light.movedim(0, 1).clamp(max=30.0), item[:, None]], 1))
            exact.append(
                torch.stack([hits.artwork_x + wide / 2, hits.artwork_y + high / 2, hits.depth], 1)
            )
        return torch.cat(planes, 2), torch.cat(exact, 2)
