"""Rays against the solids of a scene: rods, the box and the table.

Vectors are tensors (3, …) with the component first, so that each component is contiguous.
Distances are along unit rays in mm; a miss is `FAR`.
"""

from __future__ import annotations

import torch
from torch import Tensor

FAR = 1.0e6
_STEPS = 7
_LEAST_CLOSING = 0.005


def dot(first: Tensor, second: Tensor) -> Tensor:
    """Scalar product over the leading axis."""
    return first[0] * second[0] + first[1] * second[1] + first[2] * second[2]


def unit(vector: Tensor) -> Tensor:
    """A vector scaled to length 1."""
    return vector * torch.rsqrt(dot(vector, vector).clamp(min=1e-12))


def to_local(vector: Tensor, frame: Tensor) -> Tensor:
    """World to local: `frame` (3, 3, …) has the local axes as rows."""
    return torch.stack([dot(frame[row], vector) for row in range(3)])


def to_world(vector: Tensor, frame: Tensor) -> Tensor:
    """Local to world, the inverse of :func:`to_local`."""
    return vector[0] * frame[0] + vector[1] * frame[1] + vector[2] * frame[2]


def rod_distance(point: Tensor, half: Tensor, radius: Tensor, shoulder: Tensor) -> Tensor:
    """Signed distance from a rod whose +x end is rounded and whose -x end is cut."""
    radial = torch.sqrt(point[1] ** 2 + point[2] ** 2)
    edge = torch.where(point[0] > 0, shoulder, torch.minimum(shoulder, radius * 0.06))
    out_radial = radial - (radius - edge)
    out_axial = point[0].abs() - (half - edge)
    outside = torch.sqrt(out_radial.clamp(min=0) ** 2 + out_axial.clamp(min=0) ** 2)
    return torch.maximum(out_radial, out_axial).clamp(max=0) + outside - edge


def rod_normal(point: Tensor, half: Tensor, radius: Tensor, shoulder: Tensor) -> Tensor:
    """Outward normal at a point on a rod, local frame."""
    radial = torch.sqrt(point[1] ** 2 + point[2] ** 2).clamp(min=1e-4)
    edge = torch.where(point[0] > 0, shoulder, torch.minimum(shoulder, radius * 0.06))
    out_radial = (radial - (radius - edge)).clamp(min=0)
    out_axial = (point[0].abs() - (half - edge)).clamp(min=0) * torch.sign(point[0])
    swing = out_radial / radial
    return unit(torch.stack([out_axial, point[1] * swing, point[2] * swing]))


def hit_rod(
    origin: Tensor, ray: Tensor, half: Tensor, radius: Tensor, shoulder: Tensor, *, ends: bool
) -> Tensor:
    """Distance along rays to a rod, all in the rod's frame.

    The straight side is met in closed form. With `ends`, rays that reach the ends are
    walked on by Newton's method: along a ray the distance from a convex body is convex, so
    that no step goes too far, and even rays that graze the rounding arrive.
    """
    across = ray[1] ** 2 + ray[2] ** 2
    towards = origin[1] * ray[1] + origin[2] * ray[2]
    beyond = origin[1] ** 2 + origin[2] ** 2 - radius * radius
    inside = towards * towards - across * beyond
    root = torch.sqrt(inside.clamp(min=0))
    enter = (-towards - root) / across.clamp(min=1e-9)
    leave = (-towards + root) / across.clamp(min=1e-9)
    slope = torch.where(ray[0].abs() < 1e-6, torch.full_like(ray[0], 1e-6), ray[0])
    near = (-half * torch.sign(slope) - origin[0]) / slope
    far = (half * torch.sign(slope) - origin[0]) / slope
    start = torch.maximum(enter, near).clamp(min=0)
    hit = (inside > 0) & (start < torch.minimum(leave, far)) & (leave > 0)
    if ends:
        walked = start
        for _ in range(_STEPS):
            point = origin + walked * ray
            away = rod_distance(point, half, radius, shoulder)
            closing = -dot(rod_normal(point, half, radius, shoulder), ray)
            walked = walked + away.clamp(min=0) / closing.clamp(min=_LEAST_CLOSING)
        settled = rod_distance(origin + walked * ray, half, radius, shoulder) < 0.02
        hit, start = hit & settled, walked
    return torch.where(hit, start, FAR)


def hit_box(origin: Tensor, ray: Tensor, box: Tensor, edge: Tensor) -> tuple[Tensor, Tensor]:
    """Distance and normal of a box whose edge at greatest x and z is rounded.

    `box` is (6, …): least corner, then greatest.
    """
    safe = torch.where(ray.abs() < 1e-6, torch.full_like(ray, 1e-6), ray)
    first = (box[:3] - origin) / safe
    second = (box[3:] - origin) / safe
    near, far = torch.minimum(first, second), torch.maximum(first, second)
    enter, face = near.max(0)
    hit = (enter < far.amin(0)) & (enter > 0) & (box[0] < box[3])
    normal = torch.stack([-(face == axis).float() * torch.sign(ray[axis]) for axis in range(3)])
    point = origin + enter * ray
    corner_x, corner_z = box[3] - edge, box[5] - edge
    in_corner = hit & (point[0] > corner_x) & (point[2] > corner_z)
    dx, dz = origin[0] - corner_x, origin[2] - corner_z
    across = (ray[0] ** 2 + ray[2] ** 2).clamp(min=1e-9)
    towards = dx * ray[0] + dz * ray[2]
    inside = towards**2 - across * (dx**2 + dz**2 - edge**2)
    turn = (-towards - torch.sqrt(inside.clamp(min=0))) / across
    bent = origin + turn * ray
    arc = unit(torch.stack([bent[0] - corner_x, torch.zeros_like(turn), bent[2] - corner_z]))
    enter = torch.where(in_corner, torch.where(inside > 0, turn, FAR), enter)
    normal = torch.where(in_corner, arc, normal)
    return torch.where(hit, enter, FAR), normal


def box_chord(origin: Tensor, ray: Tensor, box: Tensor) -> tuple[Tensor, Tensor]:
    """Where a ray enters a box and how far it runs inside; negative by how far it misses.

    The chord grows smoothly from the silhouette inwards, which is what a soft shadow needs.
    """
    safe = torch.where(ray.abs() < 1e-4, torch.full_like(ray, 1e-4), ray)
    first, second = (box[:3] - origin) / safe, (box[3:] - origin) / safe
    enter = torch.minimum(first, second).amax(0)
    leave = torch.maximum(first, second).amin(0)
    return leave, leave - enter.clamp(min=0)
