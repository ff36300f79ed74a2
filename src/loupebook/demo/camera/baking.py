"""Bakes a scene's materials onto its sheets, by the code that shades them in torch."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from loupebook.demo.camera.shading import SKIN_DEPTH, Matter, is_skin, matter_at
from loupebook.demo.camera.sheets import Placed, Sheet, tangent_slopes
from loupebook.demo.camera.surfaces import MaterialBank, SurfaceBank
from loupebook.demo.camera.texture_bank import TextureBank
from loupebook.demo.camera.tracing import BOX, Hits, Scene, describe

Array = NDArray[np.float32]
_TEXELS_AT_ONCE = 30_000
_CONTACT = 0.35


@dataclass(frozen=True, eq=False)
class Mesh:
    """Triangles of a sheet.

    Parameters
    ----------
    points, normals : ndarray (V, 3)
        Vertices in world mm, and outward normals.
    texture : ndarray (V, 2)
        (u, v) with v = 0 at the first row of the bitmaps.
    faces : ndarray of uint32 (F, 3)
        Anticlockwise seen from outside.
    """

    points: Array
    normals: Array
    texture: Array
    faces: NDArray[np.uint32]


@dataclass(frozen=True, eq=False)
class Baked:
    """Bitmaps of a sheet, each (rows, columns, 1 or 3).

    Parameters
    ----------
    albedo, foil_tint, glow, normal : ndarray (…, 3)
        As in :class:`~loupebook.demo.camera.shading.Matter`; the normal is in the frame of
        rising u, stored as ``n / 2 + 1 / 2``.
    rough, metal : ndarray (…, 1)
        GGX roughness; share of bare foil.
    """

    albedo: Array
    foil_tint: Array
    glow: Array
    normal: Array
    rough: Array
    metal: Array


def mesh_of(sheet: Sheet) -> Mesh:
    """Vertices and triangles of a sheet."""
    rows, columns = sheet.cells
    v, u = torch.meshgrid(
        torch.linspace(0, 1, rows + 1), torch.linspace(0, 1, columns + 1), indexing="ij"
    )
    placed = sheet.place(u, v)
    points = placed.point.flatten(1).T.contiguous().numpy()
    normals = placed.normal.flatten(1).T.contiguous().numpy()
    texture = torch.stack([u, v], -1).reshape(-1, 2).numpy()
    first = (np.arange(rows)[:, None] * (columns + 1) + np.arange(columns)).reshape(-1)
    right, below = first + 1, first + columns + 1
    faces = np.concatenate(
        [np.stack([first, below, right], 1), np.stack([right, below, below + 1], 1)]
    )
    corner = points[faces]
    facing = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    turned = (facing * normals[faces[:, 0]]).sum(1).mean() < 0
    faces = faces[:, ::-1] if turned else faces
    return Mesh(points, normals, texture, np.ascontiguousarray(faces, np.uint32))


def bake(
    scene: Scene,
    sheet: Sheet,
    surfaces: SurfaceBank,
    coverage: TextureBank,
    materials: MaterialBank,
) -> Baked:
    """Materials at every texel of a sheet of the one scene given."""
    rows, columns = sheet.texels
    step = max(1, _TEXELS_AT_ONCE // columns)
    u = (torch.arange(columns) + 0.5) / columns
    parts = []
    for top in range(0, rows, step):
        v = (torch.arange(top, min(top + step, rows)) + 0.5) / rows
        lines, across = torch.meshgrid(v, u, indexing="ij")
        placed = sheet.place(across, lines)
        hits = _hits_on(scene, sheet, placed, surfaces)
        width = torch.full_like(hits.distance, sheet.texel_mm)
        matter = matter_at(scene, hits, width, surfaces, coverage, materials)
        parts.append(_channels(scene, hits, matter, placed))
    maps = torch.cat(parts, 1).movedim(0, -1).contiguous().numpy()
    cuts = np.cumsum([3, 3, 3, 3, 1])
    albedo, tint, glow, normal, rough, metal = np.split(maps, cuts, axis=-1)
    return Baked(*(np.ascontiguousarray(m) for m in (albedo, tint, glow, normal, rough, metal)))


def _hits_on(scene: Scene, sheet: Sheet, placed: Placed, surfaces: SurfaceBank) -> Hits:
    point, normal = placed.point[:, None], placed.normal[:, None]
    what = torch.full(point.shape[1:], sheet.what, dtype=torch.int64)
    outward = normal if sheet.what == BOX else torch.zeros_like(normal)
    near = torch.ones(point.shape[1:])
    return describe(scene, surfaces.sizes, what, point, outward, ray=-normal, distance=near)


def _channels(scene: Scene, hits: Hits, matter: Matter, placed: Placed) -> Tensor:
    """Albedo, tint, glow, normal, roughness and metal as (14, rows, columns)."""
    skin = is_skin(scene, hits).float() * torch.tensor(SKIN_DEPTH)[:, None, None, None]
    albedo = (matter.albedo * (1 - _CONTACT * matter.near) + skin).clamp(0, 0.95)
    slopes = tangent_slopes(matter.slope[:, 0], placed)
    normal = torch.stack([-slopes[0], -slopes[1], torch.ones_like(slopes[0])])
    normal = normal / torch.sqrt((normal**2).sum(0))
    return torch.cat(
        [
            albedo[:, 0],
            matter.foil_tint[:, 0].clamp(0, 1),
            matter.glow[:, 0].clamp(0, 1),
            normal * 0.5 + 0.5,
            matter.rough,
            matter.metal.clamp(0, 1),
        ]
    )
