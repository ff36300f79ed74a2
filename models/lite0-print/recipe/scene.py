"""How an item lies before the camera: pose, bend and frame, drawn for a batch at once.

Lengths are in canvas units: the longer side of a print is 2 long. A bent print lies on a
cylinder (either axis) or a sphere of radius ``r``, whose foremost point is the origin; a flat
one lies on a sphere so large that nobody can tell.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import torch
from torch import Tensor

from recipe.draws import Draws
from recipe.pool import CYLINDER, DOME, FLAT, PICTURE, STRIP

FLAT_RADIUS = 60.0


@dataclass(frozen=True)
class Scene:
    """Poses of B photos; all tensors start with B."""

    turn: Tensor  # rotation matrix, (B, 3, 3)
    radius: Tensor
    axes: Tensor  # (B, 2): bent along x, along y
    frame: Tensor  # (B, 2): half width and height, the longer is 1
    scale: Tensor  # canvas unit to frame unit
    shift: Tensor  # (B, 2), of the item in the frame
    distance: Tensor
    body: Tensor  # (B, 2): half size of what the print lies on


def _bend(draws: Draws, extent: Tensor, geometry: Tensor, hard: Tensor) -> tuple[Tensor, Tensor]:
    """Radius and axes, by what kind of print it is."""
    count = len(extent)
    pick = draws.uniform(count)
    half_angle = torch.full_like(pick, 1.0)
    axes = torch.zeros(count, 2, device=pick.device)
    along_x = draws.chance(0.7, count)
    flat = torch.ones(count, dtype=torch.bool, device=pick.device)

    band = geometry == CYLINDER
    curled = band & (pick < 0.8)
    half_angle = torch.where(curled, draws.between(1.6, 3.2, count), half_angle)
    axes[curled, 0] = 1.0
    flat &= ~curled

    dome = (geometry == DOME) & (pick < 0.85)
    half_angle = torch.where(dome, draws.between(1.1, 1.9, count), half_angle)
    axes[dome] = 1.0
    flat &= ~dome

    other = (geometry == FLAT) | (geometry == PICTURE) | (geometry == STRIP)
    rolled = other & (pick < 0.38) & (hard > 0.5)
    half_angle = torch.where(rolled, draws.between(0.2, 1.35, count), half_angle)
    axes[rolled & along_x, 0] = 1.0
    axes[rolled & ~along_x, 1] = 1.0
    flat &= ~rolled
    bulged = other & (pick > 0.92) & (hard > 0.5)
    half_angle = torch.where(bulged, draws.between(0.1, 0.6, count), half_angle)
    axes[bulged] = 1.0
    flat &= ~bulged

    length = torch.where(axes[:, 1] > axes[:, 0], extent[:, 1], extent[:, 0])
    radius = torch.where(flat, torch.full_like(pick, FLAT_RADIUS), length / half_angle)
    axes[flat] = 1.0
    return radius, axes


def _rotation(yaw: Tensor, pitch: Tensor, roll: Tensor) -> Tensor:
    zero, one = torch.zeros_like(yaw), torch.ones_like(yaw)

    def matrix(*rows: tuple[Tensor, ...]) -> Tensor:
        return torch.stack([torch.stack(row, 1) for row in rows], 1)

    cy, sy, cp, sp = torch.cos(yaw), torch.sin(yaw), torch.cos(pitch), torch.sin(pitch)
    cr, sr = torch.cos(roll), torch.sin(roll)
    about_y = matrix((cy, zero, sy), (zero, one, zero), (-sy, zero, cy))
    about_x = matrix((one, zero, zero), (zero, cp, -sp), (zero, sp, cp))
    about_z = matrix((cr, -sr, zero), (sr, cr, zero), (zero, zero, one))
    return about_z @ about_x @ about_y


def draw_scene(draws: Draws, extent: Tensor, geometry: Tensor, hard: Tensor) -> Scene:
    """Draw poses; `hard` (B,) is 1 for a photo in the field and near 0 for a careful one."""
    count = len(extent)
    radius, axes = _bend(draws, extent, geometry, hard)
    pick = draws.uniform(count)
    roll = draws.normal(count) * 0.15
    quarters = torch.floor(draws.uniform(count) * 4) * (math.pi / 2)
    roll = torch.where(pick > 0.45, roll * 0.6 + quarters, roll)
    roll = torch.where(pick > 0.65, draws.between(-math.pi, math.pi, count), roll)
    roll = torch.where(hard > 0.5, roll, 0.03 * draws.normal(count))
    tilt = draws.normal(count, 2).clamp(-2.2, 2.2) * (0.33 * hard + 0.03)[:, None]
    turn = _rotation(tilt[:, 0], tilt[:, 1], roll)

    # What a bent print shows from in front.
    half_angle = (extent / radius[:, None]).clamp(max=math.pi / 2)
    bent = radius[:, None] * torch.sin(half_angle)
    seen = torch.where((axes > 0) & (radius[:, None] < FLAT_RADIUS), bent, extent)
    cos, sin = torch.cos(roll).abs(), torch.sin(roll).abs()
    box = torch.stack([cos * seen[:, 0] + sin * seen[:, 1], sin * seen[:, 0] + cos * seen[:, 1]], 1)

    shape = draws.uniform(count)
    frame = torch.ones(count, 2, device=pick.device)
    frame[:, 1] = torch.where(shape < 0.35, torch.full_like(shape, 0.75), frame[:, 1])
    frame[:, 0] = torch.where(
        (shape > 0.35) & (shape < 0.7), torch.full_like(shape, 0.75), frame[:, 0]
    )
    snug = (shape > 0.8) | (hard < 0.5)  # cut to the item, as a curator does
    tight = box * draws.between(1.0, 1.25, count, 2)
    tight = tight / tight.amax(1, keepdim=True)
    frame = torch.where(snug[:, None], tight, frame)

    fits = (frame / box).amin(1)
    small = torch.sqrt(draws.between(0.1, 1.0, count)).clamp(min=0.33)
    size = torch.where(draws.uniform(count) < 0.5, draws.between(0.75, 1.05, count), small)
    close = draws.chance(0.14, count) & (hard > 0.5)
    size = torch.where(close, draws.between(1.1, 1.7, count), size)
    size = torch.where(snug, draws.between(0.82, 1.02, count), size)
    scale = fits * size
    room = (frame - box * scale[:, None]).abs()
    shift = (draws.uniform(count, 2) * 2 - 1) * room * (0.3 + 0.6 * hard)[:, None]

    on_roll = (radius < FLAT_RADIUS)[:, None] & (axes < 1)
    body = extent * draws.between(0.9, 1.5, count, 1)
    body = torch.where(on_roll, extent * draws.between(1.3, 6.0, count, 1), body)
    body = torch.where((radius < FLAT_RADIUS)[:, None] & (axes > 0), 9 + 0 * body, body)
    nothing = (radius >= FLAT_RADIUS) & draws.chance(0.6, count)
    body = torch.where(nothing[:, None], 0 * body, body)
    return Scene(turn, radius, axes, frame, scale, shift, draws.between(3.0, 9.0, count), body)


@dataclass(frozen=True)
class Hit:
    """Where the camera's rays meet the item; maps (B, S, S) or with a last axis."""

    place: Tensor  # on the print, canvas units (B, S, S, 2)
    normal: Tensor  # (B, S, S, 3), in the item's own axes
    toward: Tensor  # unit vector to the camera, likewise
    body: Tensor  # bool: on what the print lies on


def trace(scene: Scene, points: Tensor) -> Hit:
    """Meet the item with the rays through `points` (S, S, 2) of the frame."""
    count = len(scene.scale)
    flat = (points[None] - scene.shift[:, None, None]) / scene.scale[:, None, None, None]
    distance = scene.distance[:, None, None]
    ray = torch.cat([flat, (-distance).expand(flat.shape[:3])[..., None]], -1)
    eye = torch.zeros(count, 3, device=points.device)
    eye[:, 2] = scene.distance
    # Row vectors times the rotation: into the item's axes.
    ray = torch.einsum("bhwi,bij->bhwj", ray, scene.turn)
    eye = torch.einsum("bi,bij->bj", eye, scene.turn)[:, None, None]
    radius = scene.radius[:, None, None]
    weight = torch.cat([scene.axes, torch.ones(count, 1, device=points.device)], 1)[:, None, None]
    origin = eye + torch.stack([torch.zeros_like(radius), torch.zeros_like(radius), radius], -1)
    a = (weight * ray * ray).sum(-1)
    b = (weight * origin * ray).sum(-1)
    c = (weight * origin * origin).sum(-1) - radius**2
    root = b * b - a * c
    reached = root > 0
    depth = (-b - torch.sqrt(root.clamp(min=1e-9))) / a.clamp(min=1e-9)
    point = eye + depth[..., None] * ray
    from_centre = (origin + depth[..., None] * ray) * weight
    normal = from_centre / radius[..., None]
    along = scene.axes[:, None, None]
    angle = torch.atan2(from_centre[..., :2], from_centre[..., 2:].expand(*ray.shape[:3], 2))
    rolled = torch.where(along > 0, radius[..., None] * angle, point[..., :2])
    # On a sphere the print is azimuthal equidistant.
    out = point[..., :2].norm(dim=-1).clamp(min=1e-6)
    arc = radius * torch.atan2(out, from_centre[..., 2])
    domed = point[..., :2] * (arc / out)[..., None]
    both = (scene.axes.sum(1) > 1.5)[:, None, None, None]
    place = torch.where(both, domed, rolled)
    place = torch.where(reached[..., None], place, torch.full_like(place, 50.0))
    body = reached & (place.abs() < scene.body[:, None, None]).all(-1)
    toward = torch.nn.functional.normalize(-ray, dim=-1)
    return Hit(place, normal, toward, body)
