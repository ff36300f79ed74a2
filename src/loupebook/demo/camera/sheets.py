"""The solids of a scene as sheets: grids of points with a texture laid over them.

A physically based renderer wants meshes and bitmaps. A sheet covers one solid (a rod, the
folded top of the box, a side of it, the table) and says where every (u, v) from 0 to 1
lies; vertices and texels are both taken from it, so that they cannot disagree. What the
camera sees closely gets most of the texels.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import torch
from torch import Tensor

from loupebook.demo.camera.geometry import dot, rod_normal, to_world, unit
from loupebook.demo.camera.scene import ABSENT, FINGER, RODS, SceneBatch
from loupebook.demo.camera.tracing import BOX, GROUND, Scene, camera_rays

_OWN_TEXELS, _OTHER_TEXELS, _TABLE_TEXELS = 2_400_000, 1_200_000, 1_500_000
_REACH_MM = 430.0
#: A plane as wide as the room under the part of the table that is drawn finely.
_FLOOR_MM, _FLOOR_DROP_MM = 2500.0, 0.4


@dataclass(frozen=True, eq=False)
class Placed:
    """Points of a sheet with outward normals and directions of rising u, each (3, …)."""

    point: Tensor
    normal: Tensor
    along_u: Tensor


Place = Callable[[Tensor, Tensor], Placed]


@dataclass(frozen=True, eq=False)
class Sheet:
    """One sheet.

    Parameters
    ----------
    what : int
        Rod number, `GROUND` or `BOX`, as in :class:`~loupebook.demo.camera.tracing.Hits`.
    cells : tuple of int
        Rows (v) and columns (u) of the mesh.
    texels : tuple of int
        Rows and columns of the texture.
    texel_mm : float
        Width that a texel averages over.
    place : callable
        (u, v) to :class:`Placed`.
    """

    what: int
    cells: tuple[int, int]
    texels: tuple[int, int]
    texel_mm: float
    place: Place


def scene_sheets(scenes: SceneBatch) -> list[Sheet]:
    """All sheets of the one scene of a batch."""
    scene = scenes.tensors("cpu")
    density = float(scene["focal_px"][0] / scene["focus_mm"][0])
    rods = [rod for rod in range(RODS) if int(scene["rod_kind"][0, rod]) != ABSENT]
    sheets = [_rod_sheet(scene, scenes, rod, density) for rod in rods]
    if float(scene["box"][0, 0]) < float(scene["box"][0, 3]):
        sheets += _box_sheets(scene, density)
    return [*sheets, *_table_sheets(scene, scenes, density)]


def _spread_texels(unit_position: Tensor, low: float, high: float, share: float) -> Tensor:
    """Bend 0..1 so that `low` to `high` takes up `share` of it."""
    outside = low + 1 - high
    if outside < 1e-3:
        return unit_position
    first = (1 - share) * low / outside
    before = unit_position * low / max(first, 1e-6)
    within = low + (unit_position - first) * (high - low) / share
    after = high + (unit_position - first - share) * (1 - high) / max(1 - first - share, 1e-6)
    bent = torch.where(unit_position < first, before, within)
    return torch.where(unit_position > first + share, after, bent).clamp(0, 1)


def _profile(reach: Tensor, half: float, radius: float, edges: tuple[float, float]) -> list[Tensor]:
    """Axial and radial position at an arc from the pole of the rounded end to the cut end."""
    head, cut = edges
    side = 2 * half - head - cut
    turn = ((reach - (radius - head)) / head).clamp(0, math.pi / 2)
    along = (reach - (radius - head) - head * math.pi / 2).clamp(0, side)
    rest = reach - (radius - head) - head * math.pi / 2 - side
    bend = (rest / cut).clamp(0, math.pi / 2)
    inward = (rest - cut * math.pi / 2).clamp(min=0)
    axial = half - head * (1 - torch.cos(turn)) - along - cut * torch.sin(bend)
    radial = torch.minimum(reach, torch.full_like(reach, radius - head)) + head * torch.sin(turn)
    return [axial, (radial - cut * (1 - torch.cos(bend)) - inward).clamp(min=0)]


def _rod_sheet(scene: Scene, scenes: SceneBatch, rod: int, density: float) -> Sheet:
    half, radius = float(scene["rod_half"][0, rod]), float(scene["rod_radius"][0, rod])
    head = float(scene["rod_shoulder"][0, rod])
    edges = (head, min(head, radius * 0.06))
    frame = scene["rod_frame"][0, rod]
    centre = scene["rod_centre"][0, rod]
    total = radius - head + 0.5 * math.pi * sum(edges) + 2 * half - sum(edges) + radius - edges[1]
    towards = frame @ (scene["eye"][0] - centre)
    front = math.atan2(-float(towards[1]), float(towards[2]))

    def place_at(angle: Tensor, reach: Tensor) -> Placed:
        axial, radial = _profile(reach, half, radius, edges)
        local = torch.stack([axial, -radial * torch.sin(angle), radial * torch.cos(angle)])
        axes = frame.view(3, 3, *[1] * angle.ndim)
        shape = [torch.full_like(angle, value) for value in (half, radius, head)]
        # At the poles the radial direction comes from the angle: the point no longer tells.
        steady = local.clone()
        steady[1:] -= 1e-3 * torch.stack([torch.sin(angle), -torch.cos(angle)])
        normal = rod_normal(steady, *shape)
        around = torch.stack([torch.zeros_like(angle), -torch.cos(angle), -torch.sin(angle)])
        middle = centre.view(3, *[1] * angle.ndim)
        return Placed(
            to_world(local, axes) + middle, to_world(normal, axes), to_world(around, axes)
        )

    low, high = _seen_range(scene, scenes, lambda reach: place_at(reach * 0 + front, reach), total)

    def place(u: Tensor, v: Tensor) -> Placed:
        angle = front + 2 * math.pi * (_spread_texels(u, 0.22, 0.78, 0.84) - 0.5)
        return place_at(angle, total * _spread_texels(v, low, high, 0.84))

    own = rod == 0
    finger = int(scene["rod_kind"][0, rod]) == FINGER
    fine = density * (1.3 if own else 0.8 if finger else 1.1)
    size = (total * (high - low) / 0.84, 2 * math.pi * radius * 0.56 / 0.84)
    texels, texel_mm = _texels(size, fine, _OWN_TEXELS if own else _OTHER_TEXELS)
    return Sheet(rod, (224, 256), texels, texel_mm, place)


def _seen_range(
    scene: Scene, scenes: SceneBatch, line: Callable[[Tensor], Placed], total: float
) -> tuple[float, float]:
    """Which part of a line of points falls into the frame, as shares of its length."""
    steps = torch.linspace(0, total, 241)
    local = (line(steps).point.T - scene["eye"][0]) @ scene["view"][0].T
    flat = local[:, :2] / local[:, 2:].clamp(min=1.0) * scene["focal_px"][0] + scene["centre_px"][0]
    margin = 0.15 * max(scenes.width, scenes.height)
    edge = torch.tensor([scenes.width, scenes.height]) + margin
    seen = ((flat > -margin) & (flat < edge)).all(1) & (local[:, 2] > 1)
    if not bool(seen.any()):
        return 0.0, 1.0
    where = torch.nonzero(seen)[:, 0]
    low, high = float(where[0]) / 240 - 0.03, float(where[-1]) / 240 + 0.03
    return max(low, 0.0), min(high, 1.0)


def _texels(
    size_mm: tuple[float, float], density: float, most: int
) -> tuple[tuple[int, int], float]:
    """Rows and columns of a texture of some size, and the width of a texel in mm."""
    density = min(density, math.sqrt(most / (size_mm[0] * size_mm[1])))
    rows, columns = (max(4, round(length * density)) for length in size_mm)
    return (rows, columns), 1 / density


def _constant(direction: tuple[float, float, float], like: Tensor) -> Tensor:
    return torch.stack([torch.full_like(like, value) for value in direction])


def _box_sheets(scene: Scene, density: float) -> list[Sheet]:
    x0, y0, z0, x1, y1, z1 = (float(v) for v in scene["box"][0])
    edge = float(scene["box_round"][0])
    corner_x, corner_z = x1 - edge, z1 - edge
    length = corner_x - x0 + edge * math.pi / 2 + corner_z - z0

    def fold(u: Tensor, v: Tensor) -> Placed:
        along = u * length
        bend = ((along - (corner_x - x0)) / edge).clamp(0, math.pi / 2)
        down = (along - (corner_x - x0) - edge * math.pi / 2).clamp(min=0)
        x = x0 + along.clamp(max=corner_x - x0) + edge * torch.sin(bend)
        z = corner_z + edge * torch.cos(bend) - down
        normal = torch.stack([torch.sin(bend), torch.zeros_like(u), torch.cos(bend)])
        along_u = torch.stack([torch.cos(bend), torch.zeros_like(u), -torch.sin(bend)])
        return Placed(torch.stack([x, y1 + v * (y0 - y1), z]), normal, along_u)

    def end(sign: float) -> Place:
        def place(u: Tensor, v: Tensor) -> Placed:
            x = x0 + u * (x1 - x0)
            over = (x - corner_x).clamp(min=0)
            top = corner_z + torch.sqrt((edge**2 - over**2).clamp(min=0))
            y = torch.full_like(u, y1 if sign > 0 else y0)
            point = torch.stack([x, y, z0 + v * (top - z0)])
            return Placed(point, _constant((0, sign, 0), u), _constant((1, 0, 0), u))

        return place

    def left(u: Tensor, v: Tensor) -> Placed:
        point = torch.stack([torch.full_like(u, x0), y0 + u * (y1 - y0), z0 + v * (z1 - z0)])
        return Placed(point, _constant((-1, 0, 0), u), _constant((0, 1, 0), u))

    folded, folded_mm = _texels((y1 - y0, length), 1.2 * density, _OWN_TEXELS)
    ends, ends_mm = _texels((z1 - z0, x1 - x0), 0.8 * density, _OTHER_TEXELS)
    lefts, lefts_mm = _texels((z1 - z0, y1 - y0), 0.8 * density, _OTHER_TEXELS)
    return [
        Sheet(BOX, (2, 768), folded, folded_mm, fold),
        Sheet(BOX, (2, 512), ends, ends_mm, end(1.0)),
        Sheet(BOX, (2, 512), ends, ends_mm, end(-1.0)),
        Sheet(BOX, (2, 2), lefts, lefts_mm, left),
    ]


def _table_sheets(scene: Scene, scenes: SceneBatch, density: float) -> list[Sheet]:
    """The part of the table that is seen, finely, and a plain floor under it."""
    height = float(scene["ground_z"][0])
    ray = camera_rays(scene, range(scenes.height), scenes.width)[:, 0, ::8, ::8]
    eye = scene["eye"][0]
    reach = ((height - eye[2]) / ray[2].clamp(max=-1e-4)).clamp(max=_REACH_MM)
    point = eye[:2, None, None] + reach * ray[:2]
    low, high = point.flatten(1).amin(1) - 6, point.flatten(1).amax(1) + 6
    low_x, low_y, high_x, high_y = *low.tolist(), *high.tolist()

    def flat(x0: float, y0: float, x1: float, y1: float, z: float) -> Place:
        def place(u: Tensor, v: Tensor) -> Placed:
            x, y = x0 + u * (x1 - x0), y0 + v * (y1 - y0)
            point = torch.stack([x, y, torch.full_like(u, z)])
            return Placed(point, _constant((0, 0, 1), u), _constant((1, 0, 0), u))

        return place

    texels, texel_mm = _texels((high_y - low_y, high_x - low_x), density, _TABLE_TEXELS)
    far = _FLOOR_MM
    floor = flat(-far, -far, far, far, height - _FLOOR_DROP_MM)
    return [
        Sheet(GROUND, (2, 2), texels, texel_mm, flat(low_x, low_y, high_x, high_y, height)),
        Sheet(GROUND, (2, 2), (256, 256), 2 * far / 256, floor),
    ]


def tangent_slopes(slope: Tensor, placed: Placed) -> Tensor:
    """World slopes as slopes along rising u and across it, (2, …)."""
    along = unit(placed.along_u - dot(placed.along_u, placed.normal) * placed.normal)
    across = torch.linalg.cross(placed.normal, along, dim=0)
    return torch.stack([dot(slope, along), dot(slope, across)])
