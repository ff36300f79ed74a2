"""Builds Mitsuba scenes from a scene description: meshes, materials, lamps, room, lens.

Only path-traced worlds need Mitsuba (the extra ``raytrace``): it is loaded by
:func:`load_mitsuba` when such a world is asked for, and by nothing else.
"""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray

from loupebook.demo.camera.baking import Baked, Mesh
from loupebook.demo.camera.scene import LIGHTS, SceneBatch
from loupebook.errors import WorldInvalid

Array = NDArray[np.float32]
#: LLVM compiles the shading for the processor; the scalar variant needs no LLVM.
VARIANTS = ("llvm_ad_rgb", "scalar_rgb")
_BOUNCES = 5
_SKY_ROWS = 64


def load_mitsuba(variant: str) -> Any:
    """Return the Mitsuba module, ready in a variant.

    Raises
    ------
    WorldInvalid
        An unknown variant; Mitsuba or, for ``llvm_ad_rgb``, LLVM is not installed.
    """
    if variant not in VARIANTS:
        raise WorldInvalid(f"the renderer runs as one of {VARIANTS}, not {variant!r}")
    try:
        import drjit as dr
        import mitsuba as mi
    except ImportError as error:
        raise WorldInvalid(
            "the physically based renderer needs Mitsuba: pip install 'loupebook[raytrace]'"
        ) from error
    mi.set_variant(variant)
    mi.set_log_level(mi.LogLevel.Error)
    if variant == "llvm_ad_rgb" and not dr.has_backend(dr.JitBackend.LLVM):
        said = os.environ.get("DRJIT_LIBLLVM_PATH", "not set")
        raise WorldInvalid(
            "Mitsuba finds no LLVM: install libllvm (Debian: libllvm19; DRJIT_LIBLLVM_PATH is "
            f"{said}), or render with the slower variant scalar_rgb"
        )
    dr.set_thread_count(torch.get_num_threads())
    return mi


class SceneBuilder:
    """Turns one scene into Mitsuba's own description.

    Parameters
    ----------
    mi : module
        Mitsuba in its variant.
    scenes : SceneBatch
        One scene.
    sheets : sequence of (Mesh, Baked)
        Its solids.
    """

    def __init__(self, mi: Any, scenes: SceneBatch, sheets: Sequence[tuple[Mesh, Baked]]) -> None:
        self._mi = mi
        self._scenes = scenes
        self._sheets = sheets

    def reflecting(self) -> Any:
        """Return the scene as it reflects light."""
        return self._load([self._reflecting(baked) for _, baked in self._sheets], _BOUNCES)

    def glowing(self) -> Any:
        """Return the scene as it fluoresces: every solid sends on what UV-A it receives."""
        looks = [
            {"type": "diffuse", "reflectance": self._bitmap(baked.glow)}
            for _, baked in self._sheets
        ]
        return self._load(looks, 2)

    def _load(self, looks: Sequence[dict[str, Any]], bounces: int) -> Any:
        world: dict[str, Any] = {
            "type": "scene",
            "integrator": {"type": "path", "max_depth": bounces, "hide_emitters": True},
            "sensor": self._sensor(),
            "room": self._room(),
        }
        for number, ((mesh, _), look) in enumerate(zip(self._sheets, looks, strict=True)):
            world[f"sheet{number}"] = self._mesh(mesh, look)
        for lamp in range(LIGHTS):
            if (self._scenes.light_radiance[0, lamp] > 0).any():
                world[f"lamp{lamp}"] = self._lamp(lamp)
        return self._mi.load_dict(world)

    def _bitmap(self, values: Array) -> dict[str, Any]:
        return {
            "type": "bitmap",
            "bitmap": self._mi.Bitmap(np.ascontiguousarray(values)),
            "raw": True,
            "wrap_mode": "clamp",
        }

    def _reflecting(self, baked: Baked) -> dict[str, Any]:
        """Ink, paper, leaf and wood under a varnish; bare foil through its mask."""
        body: dict[str, Any] = {
            "type": "principled",
            "base_color": self._bitmap(baked.albedo),
            "roughness": self._bitmap(baked.rough),
            "specular": 0.5,
        }
        if float(baked.metal.max()) > 0.01:
            foil = {
                "type": "roughconductor",
                "material": "none",
                "distribution": "ggx",
                "alpha": self._bitmap(np.clip(baked.rough**2, 0.003, 1)),
                "specular_reflectance": self._bitmap(baked.foil_tint),
            }
            body = {
                "type": "blendbsdf",
                "weight": self._bitmap(baked.metal),
                "body": body,
                "foil": foil,
            }
        return {"type": "normalmap", "normalmap": self._bitmap(baked.normal), "nested": body}

    def _mesh(self, mesh: Mesh, look: dict[str, Any]) -> Any:
        mi = self._mi
        props = mi.Properties()
        props["look"] = mi.load_dict(look)
        built = mi.Mesh(
            "sheet", len(mesh.points), len(mesh.faces),
            has_vertex_normals=True, has_vertex_texcoords=True, props=props,
        )  # fmt: skip
        held = mi.traverse(built)
        held["vertex_positions"] = mesh.points.ravel()
        held["vertex_normals"] = mesh.normals.ravel()
        held["vertex_texcoords"] = mesh.texture.ravel()
        held["faces"] = mesh.faces.ravel()
        held.update()
        return built

    def _lamp(self, lamp: int) -> dict[str, Any]:
        s = self._scenes
        across, along, shines = s.light_frame[0, lamp]
        half_x, half_y = s.light_half[0, lamp]
        # A mirrored first edge makes the frame right-handed, so that the lamp shines down.
        columns = [-across * half_x, along * half_y, shines, s.light_centre[0, lamp]]
        radiance = [float(v) for v in s.light_radiance[0, lamp]]
        return {
            "type": "rectangle",
            "to_world": self._transform(columns),
            "emitter": {"type": "area", "radiance": {"type": "rgb", "value": radiance}},
        }

    def _transform(self, columns: Sequence[Array]) -> Any:
        matrix = np.eye(4)
        matrix[:3] = np.stack(columns, 1)
        return self._mi.ScalarTransform4f(matrix)

    def _room(self) -> dict[str, Any]:
        """The room by height, as in :func:`loupebook.demo.camera.lighting.room`."""
        height = np.cos((np.arange(_SKY_ROWS) + 0.5) / _SKY_ROWS * np.pi)[:, None, None]
        up, down = 0.5 + 0.5 * height, 0.5 - 0.5 * height
        high, level, low = self._scenes.ambient[0]
        sky = high * up**2 + 2 * level * up * down + low * down**2
        sky = np.broadcast_to(sky, (_SKY_ROWS, 2 * _SKY_ROWS, 3)).astype(np.float32)
        upright = [np.array(c, np.float32) for c in ((1, 0, 0), (0, 0, 1), (0, -1, 0), (0, 0, 0))]
        return {
            "type": "envmap",
            "bitmap": self._mi.Bitmap(np.ascontiguousarray(sky)),
            "to_world": self._transform(upright),
        }

    def _sensor(self) -> dict[str, Any]:
        """A thin lens; a principal point off the middle is a crop of a larger film."""
        s = self._scenes
        right, down, forward = s.view[0]
        x, y = (float(v) for v in s.centre_px[0])
        full_x = max(1, round(2 * max(x, s.width - x)))
        full_y = max(1, round(2 * max(y, s.height - y)))
        offset_x, offset_y = max(0, round(full_x / 2 - x)), max(0, round(full_y / 2 - y))
        fov = 2 * math.degrees(math.atan(full_x / 2 / float(s.focal_px[0])))
        return {
            "type": "thinlens",
            "fov": fov,
            "fov_axis": "x",
            "near_clip": 1.0,
            "far_clip": 1.0e5,
            "aperture_radius": max(float(s.aperture_mm[0]) / 2, 1e-3),
            "focus_distance": float(s.focus_mm[0]),
            "to_world": self._transform([-right, -down, forward, s.eye[0]]),
            "film": {
                "type": "hdrfilm",
                "width": max(full_x, offset_x + s.width),
                "height": max(full_y, offset_y + s.height),
                "crop_offset_x": offset_x,
                "crop_offset_y": offset_y,
                "crop_width": s.width,
                "crop_height": s.height,
                "pixel_format": "rgb",
                "component_format": "float32",
                "rfilter": {"type": "gaussian", "stddev": 0.45},
            },
            "sampler": {"type": "multijitter"},
        }
