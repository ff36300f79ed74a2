"""First hit of every camera ray, and where on item or material it lies."""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from loupebook.demo.camera.geometry import (
    FAR,
    dot,
    hit_box,
    hit_rod,
    rod_normal,
    to_local,
    to_world,
    unit,
)
from loupebook.demo.camera.scene import ABSENT, DOME, RODS, STRIP

Scene = dict[str, Tensor]

#: Values of `Hits.what` above the rods' own numbers.
GROUND, BOX = RODS, RODS + 1


@dataclass(frozen=True, eq=False)
class Hits:
    """What each ray meets; pictures are (B, H, W), vectors (3, B, H, W).

    Parameters
    ----------
    what : Tensor of int64
        Rod number, `GROUND` or `BOX`.
    ray, point, normal : Tensor
        Unit ray, point and outward normal in world coordinates.
    along_u, along_v : Tensor
        World directions of rising artwork x and y at the point.
    distance, depth : Tensor
        Length of the ray, and distance along the view axis, in mm.
    surface : Tensor of int64
        Surface at the point, -1 where there is none.
    artwork_x, artwork_y : Tensor
        Position in mm from the middle of the artwork.
    material : Tensor of int64
        Tile at the point.
    tile_x, tile_y, tile_scale : Tensor
        Position on the tile in mm, and its enlargement.
    tint : Tensor (3, …)
        Multiplies the tile's colour.
    rod_arc, rod_reach : Tensor
        On a rod: arc from its crest, and arc from its rounded end, in mm.
    """

    what: Tensor
    ray: Tensor
    point: Tensor
    normal: Tensor
    along_u: Tensor
    along_v: Tensor
    distance: Tensor
    depth: Tensor
    surface: Tensor
    artwork_x: Tensor
    artwork_y: Tensor
    material: Tensor
    tile_x: Tensor
    tile_y: Tensor
    tile_scale: Tensor
    tint: Tensor
    rod_arc: Tensor
    rod_reach: Tensor


def spread(values: Tensor) -> Tensor:
    """Per-scene values (B, …) as (…, B, 1, 1), ready to meet pictures."""
    return values.movedim(0, -1)[..., None, None]


def camera_rays(scene: Scene, rows: range, width: int) -> Tensor:
    """Unit rays (3, B, H, W) through the pixel centres of some rows."""
    device = scene["eye"].device
    columns = torch.arange(width, device=device, dtype=torch.float32) + 0.5
    lines = torch.arange(rows.start, rows.stop, device=device, dtype=torch.float32) + 0.5
    focal, centre = scene["focal_px"][:, None], scene["centre_px"]
    right = ((columns[None] - centre[:, :1]) / focal)[:, None, :]
    down = ((lines[None] - centre[:, 1:]) / focal)[:, :, None]
    view = spread(scene["view"])
    return unit(right * view[0] + down * view[1] + view[2])


def _nearest(scene: Scene, ray: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Distance, what was met, and the box normal."""
    eye = spread(scene["eye"])
    down = ray[2].clamp(max=-1e-4)
    best = ((spread(scene["ground_z"]) - eye[2]) / down).clamp(0, FAR / 2)
    what = torch.full_like(best, GROUND, dtype=torch.int64)
    if bool((scene["box"][:, 0] < scene["box"][:, 3]).any()):
        distance, box_normal = hit_box(eye, ray, spread(scene["box"]), spread(scene["box_round"]))
        what = torch.where(distance < best, BOX, what)
        best = torch.minimum(distance, best)
    else:
        box_normal = torch.zeros_like(ray)
    for rod in range(RODS):
        if not bool((scene["rod_kind"][:, rod] != ABSENT).any()):
            continue
        frame = spread(scene["rod_frame"][:, rod])
        origin = to_local(eye - spread(scene["rod_centre"][:, rod]), frame)
        distance = hit_rod(
            origin,
            to_local(ray, frame),
            spread(scene["rod_half"][:, rod]),
            spread(scene["rod_radius"][:, rod]),
            spread(scene["rod_shoulder"][:, rod]),
            ends=True,
        )
        distance = torch.where(spread(scene["rod_kind"][:, rod]) == ABSENT, FAR, distance)
        what = torch.where(distance < best, rod, what)
        best = torch.minimum(distance, best)
    return best, what, box_normal


def _gather_rod(values: Tensor, rod: Tensor) -> Tensor:
    """Per-rod values (B, RODS, …) at the rod that each ray met: (…, B, H, W)."""
    flat = values.reshape(values.shape[0] * RODS, -1)
    offset = torch.arange(values.shape[0], device=rod.device)[:, None, None] * RODS
    rows = flat[rod.clamp(max=RODS - 1) + offset]
    return rows.movedim(-1, 0).reshape(*values.shape[2:], *rod.shape)


def trace(scene: Scene, sizes: Tensor, rows: range, width: int) -> Hits:
    """First hits of the camera rays of some rows.

    Parameters
    ----------
    scene : dict of Tensor
        :meth:`SceneBatch.tensors`.
    sizes : Tensor (surfaces, 3)
        px per mm, width and height in mm of every surface.
    rows : range
        Picture rows wanted.
    width : int
        Picture width in px.
    """
    ray = camera_rays(scene, rows, width)
    distance, what, box_normal = _nearest(scene, ray)
    point = spread(scene["eye"]) + distance * ray
    return describe(scene, sizes, what, point, box_normal, ray=ray, distance=distance)


def describe(
    scene: Scene,
    sizes: Tensor,
    what: Tensor,
    point: Tensor,
    box_normal: Tensor,
    *,
    ray: Tensor,
    distance: Tensor,
) -> Hits:
    """Where on item and materials given points of the solids lie.

    Parameters
    ----------
    scene, sizes
        As for :func:`trace`.
    what : Tensor of int64 (B, H, W)
        Which solid each point is on, as in :class:`Hits`.
    point, box_normal : Tensor (3, B, H, W)
        Points, and outward normals of those on the box.
    ray, distance : Tensor (3, B, H, W), (B, H, W)
        Unit rays on which they were met, and how far along.
    """
    on_rod, on_box = what < RODS, what == BOX

    frame = _gather_rod(scene["rod_frame"], what)
    local = to_local(point - _gather_rod(scene["rod_centre"], what), frame)
    half, radius = _gather_rod(scene["rod_half"], what), _gather_rod(scene["rod_radius"], what)
    shoulder = _gather_rod(scene["rod_shoulder"], what)
    local_normal = rod_normal(local, half, radius, shoulder)
    rod_surface = _gather_rod(scene["rod_surface"], what)
    up = torch.zeros_like(point)
    up[2] = 1.0
    normal = torch.where(on_rod, to_world(local_normal, frame), torch.where(on_box, box_normal, up))

    radial = torch.sqrt(local[1] ** 2 + local[2] ** 2).clamp(min=1e-4)
    flat = radius - shoulder
    turn = torch.atan2((radial - flat).clamp(min=0), (local[0] - half + shoulder).clamp(min=1e-5))
    arc_head = (
        torch.minimum(radial, flat) + shoulder * turn + (half - shoulder - local[0]).clamp(min=0)
    )
    cosine, sine = local[1] / radial, -local[2] / radial
    around = torch.stack([torch.zeros_like(sine), -sine, -cosine])
    meridian = torch.linalg.cross(local_normal, around, dim=0)
    is_dome = spread(scene["geometry"]) == DOME
    side = torch.stack([torch.zeros_like(sine), -local[2], local[1]]) / radial
    down_axis = torch.linalg.cross(local_normal, -side, dim=0)
    arc = radius * torch.atan2(-local[1], local[2])
    rod_x = torch.where(is_dome, arc_head * cosine, arc)
    rod_y = torch.where(is_dome, arc_head * sine, _gather_rod(scene["rod_band"], what) - local[0])
    rod_u = torch.where(is_dome, cosine * meridian - sine * around, side)
    rod_v = torch.where(is_dome, sine * meridian + cosine * around, down_axis)
    rod_x = _overlap(rod_x, radius, rod_surface, sizes, is_dome)

    strip_x, strip_y = _strip_position(scene, point, normal)
    is_strip = on_box & (spread(scene["geometry"]) == STRIP) & (normal[1].abs() < 0.5)
    is_strip = is_strip & (normal[0] > -0.5)
    box_u = torch.stack([normal[2], torch.zeros_like(arc), -normal[0]])
    box_v = torch.zeros_like(point)
    box_v[1] = -1.0
    surface = torch.where(on_rod, rod_surface, -1)
    surface = torch.where(is_strip, spread(scene["surface"]), surface)
    offset = _gather_rod(scene["rod_offset"], what)
    spin = spread(scene["ground_turn"])
    across = point[0] * torch.cos(spin) + point[1] * torch.sin(spin)
    up_grain = point[1] * torch.cos(spin) - point[0] * torch.sin(spin)
    on_side = on_box & (normal[1].abs() >= 0.5)
    tile_x = torch.where(on_rod, offset[0] - arc_head, torch.where(on_box, strip_x, across))
    tile_y = torch.where(on_rod, offset[1] + arc, torch.where(on_side, point[2], up_grain))
    tile_y = torch.where(on_box & ~on_side, strip_y, tile_y)
    ones = torch.ones_like(point)
    tint = torch.where(
        on_rod,
        _gather_rod(scene["rod_tint"], what),
        torch.where(on_box, ones, spread(scene["ground_tint"])),
    )
    material = torch.where(
        on_rod,
        _gather_rod(scene["rod_material"], what),
        torch.where(on_box, spread(scene["box_material"]), spread(scene["ground_material"])),
    )
    enlarge = torch.where(what == GROUND, spread(scene["ground_scale"]), torch.ones_like(arc))
    return Hits(
        what=what,
        ray=ray,
        point=point,
        normal=normal,
        along_u=torch.where(on_rod, to_world(rod_u, frame), box_u),
        along_v=torch.where(on_rod, to_world(rod_v, frame), box_v),
        distance=distance,
        depth=distance * dot(ray, spread(scene["view"])[2]),
        surface=surface,
        artwork_x=torch.where(on_rod, rod_x, strip_x),
        artwork_y=torch.where(on_rod, rod_y, -strip_y),
        material=material,
        tile_x=tile_x / enlarge,
        tile_y=tile_y / enlarge,
        tile_scale=enlarge,
        tint=tint,
        rod_arc=arc,
        rod_reach=arc_head,
    )


def _overlap(arc: Tensor, radius: Tensor, surface: Tensor, sizes: Tensor, skip: Tensor) -> Tensor:
    """At the back of a band longer than the girth, its left end lies over its right end."""
    girth = 2 * torch.pi * radius
    length = sizes[surface.clamp(min=0), 1]
    under = arc - girth
    return torch.where((under > -length / 2) & ~skip & (surface >= 0), under, arc)


def _strip_position(scene: Scene, point: Tensor, normal: Tensor) -> tuple[Tensor, Tensor]:
    """Position on the strip, unrolled round the box's edge, from its middle; y upwards."""
    edge, box = spread(scene["box_round"]), spread(scene["box"])
    corner_x, corner_z = box[3] - edge, box[5] - edge
    bend = torch.atan2(normal[0].clamp(min=0), normal[2].clamp(min=0) + 1e-9)
    beyond = corner_x + edge * bend + (corner_z - point[2]).clamp(min=0)
    return torch.where(point[0] > corner_x, beyond, point[0]), point[1]
