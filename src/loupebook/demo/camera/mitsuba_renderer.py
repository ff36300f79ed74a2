"""The physically based renderer: path tracing by Mitsuba 3 of the same scenes.

Geometry, materials and ground truth come from the code that the torch renderer runs;
light, shadow, bounce and depth of field are traced. The orders of a hologram's grating,
which Mitsuba does not know, are added from the torch shading. Reflected violet and
fluorescence of a UV-A photo are traced apart and added.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import torch
from torch import Tensor

from loupebook.demo.camera.baking import bake, mesh_of
from loupebook.demo.camera.exposure import Exposure, check_surfaces, item_level
from loupebook.demo.camera.focus import circle_of_confusion, focus_blur
from loupebook.demo.camera.lighting import make_lamps, room
from loupebook.demo.camera.mitsuba_scene import VARIANTS, SceneBuilder, load_mitsuba
from loupebook.demo.camera.scene import SceneBatch
from loupebook.demo.camera.shading import (
    VIOLET,
    facing_normal,
    footprint_mm,
    hologram_light,
    item_share,
    matter_at,
)
from loupebook.demo.camera.sheets import scene_sheets
from loupebook.demo.camera.surfaces import SurfaceBank, material_bank, surface_texture
from loupebook.demo.camera.texture_bank import TextureBank
from loupebook.demo.camera.tracing import trace
from loupebook.demo.surface import PrintedSurface
from loupebook.errors import WorldInvalid

_RAYS_AT_ONCE = 24_000
#: Paths of one pass: what LLVM keeps in memory at once.
_PATHS_AT_ONCE = 6_000_000
#: At least so many passes, and how far above their middle one pass may lie.
_PASSES = 4
_STRAY, _STRAY_FLOOR = 3.0, 0.02


class MitsubaRenderer:
    """Renders scenes of a fixed set of surfaces, one after another.

    Parameters
    ----------
    surfaces : sequence of PrintedSurface
        `SceneBatch.surface` counts in it.
    samples : int
        Paths a px, 1 to 4096.
    variant : str
        ``llvm_ad_rgb`` (needs LLVM) or ``scalar_rgb``.

    Raises
    ------
    WorldInvalid
        No surfaces, an impossible number of samples, or Mitsuba or LLVM is missing.
    """

    def __init__(
        self,
        surfaces: Sequence[PrintedSurface],
        *,
        samples: int = 48,
        variant: str = VARIANTS[0],
    ) -> None:
        if not 1 <= samples <= 4096:
            raise WorldInvalid(f"samples must be 1 to 4096, not {samples}")
        self._mi = load_mitsuba(variant)
        self.samples = samples
        self._surfaces = SurfaceBank(surfaces)
        covers = [surface_texture(s)[..., 3:4] for s in surfaces]
        self._coverage = TextureBank(covers, wrap=False)
        self._materials = material_bank("cpu")
        self._count = len(surfaces)

    @torch.no_grad()
    def expose(self, scenes: SceneBatch) -> Exposure:
        """Render a batch to linear light with depth of field.

        Raises
        ------
        WorldInvalid
            A scene shows a surface that this renderer was not given.
        """
        check_surfaces(scenes, self._count)
        shots = [self._expose_one(scenes.take([k])) for k in range(scenes.count)]
        light, item, artwork, depth = (torch.cat(p) for p in zip(*shots, strict=True))
        return Exposure(light, item, artwork, depth)

    def _expose_one(self, scenes: SceneBatch) -> tuple[Tensor, Tensor, Tensor, Tensor]:
        scene = scenes.tensors("cpu")
        planes = self._planes(scenes)
        item, artwork, depth = planes[:, :1], planes[:, 1:3], planes[:, 3:4]
        grating, sky, far = planes[:, 4:7], planes[:, 7:10], planes[:, 10:11]
        confusion = circle_of_confusion(
            depth, scene["focus_mm"], scene["aperture_mm"], scene["focal_px"]
        )
        light = self._traced(scenes)
        if bool((grating > 0).any()):
            light = light + focus_blur(grating, confusion)
        light = torch.lerp(light.clamp(max=30.0), 0.8 * sky, far)
        level = item_level(light, item)
        light = light * (scene["exposure"][:, None, None, None] / level)
        return light, item[:, 0], artwork, depth[:, 0]

    def _traced(self, scenes: SceneBatch) -> Tensor:
        """Light as Mitsuba traces it (1, 3, H, W)."""
        scene = scenes.tensors("cpu")
        banks = (self._surfaces, self._coverage, self._materials)
        sheets = [(mesh_of(sheet), bake(scene, sheet, *banks)) for sheet in scene_sheets(scenes)]
        builder = SceneBuilder(self._mi, scenes, sheets)
        light = self._passes(builder.reflecting(), scenes)
        if float(scenes.uv[0]) > 0:
            glow = self._passes(builder.glowing(), scenes)
            light = light * torch.tensor(VIOLET)[:, None, None] + glow
        return light[None]

    def _passes(self, world: object, scenes: SceneBatch) -> Tensor:
        """Mean of several passes; a lone bright path of one pass is held to the others."""
        most = _PATHS_AT_ONCE // (scenes.height * scenes.width)
        each = max(1, min(-(-self.samples // _PASSES), most))
        count = -(-self.samples // each)
        passes = np.stack(
            [
                np.asarray(self._mi.render(world, spp=each, seed=number), np.float32)
                for number in range(count)
            ]
        )
        usual = np.median(passes, axis=0)
        light = np.minimum(passes, _STRAY * usual + _STRAY_FLOOR).mean(0)
        return torch.from_numpy(light).permute(2, 0, 1)

    def _planes(self, scenes: SceneBatch) -> Tensor:
        """What first hits tell: item, artwork x and y, depth, grating light, room, distance.

        Channels (1, 11, H, W); the last is how far a px has faded into the room.
        """
        scene = scenes.tensors("cpu")
        step = max(1, _RAYS_AT_ONCE // scenes.width)
        planes = []
        for top in range(0, scenes.height, step):
            rows = range(top, min(top + step, scenes.height))
            hits = trace(scene, self._surfaces.sizes, rows, scenes.width)
            matter = matter_at(
                scene, hits, footprint_mm(scene, hits),
                self._surfaces, self._coverage, self._materials,
            )  # fmt: skip
            grating = torch.zeros_like(hits.ray)
            if float(scenes.uv[0]) == 0 and bool((matter.maps[14] * matter.cover > 0.01).any()):
                normal = facing_normal(hits, matter.slope)
                grating = hologram_light(make_lamps(scene, hits), hits, normal, matter)
            _, wide, high = self._surfaces.sizes[hits.surface.clamp(min=0)].unbind(-1)
            single = torch.stack(
                [
                    item_share(hits, matter),
                    hits.artwork_x + wide / 2,
                    hits.artwork_y + high / 2,
                    hits.depth,
                ]
            )
            far = ((hits.distance - 450) / 700).clamp(0, 1)[None]
            planes.append(torch.cat([single, grating, room(scene, hits.ray), far]))
        return torch.cat(planes, 2).movedim(0, 1)
