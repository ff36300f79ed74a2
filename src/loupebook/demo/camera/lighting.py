"""Soft boxes, room light, shadows and contact darkening.

Vectors are (3, B, H, W); a light is one of the scene's soft boxes. Shadows and occlusion by
rods are closed forms with the right limits (touching: dark, far: none), not sampled.
"""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from loupebook.demo.camera.geometry import box_chord, dot
from loupebook.demo.camera.scene import ABSENT, LIGHTS, RODS
from loupebook.demo.camera.tracing import BOX, Hits, Scene, spread


@dataclass(frozen=True, eq=False)
class Lamp:
    """One soft box as seen from every point.

    Parameters
    ----------
    centre, edge_x, edge_y, shines : Tensor (3, B, 1, 1)
        Middle, directions of the edges, and direction of light.
    half_x, half_y : Tensor (B, 1, 1)
        Half lengths in mm.
    radiance : Tensor (3, B, 1, 1)
        Radiance of the box.
    towards : Tensor (3, B, H, W)
        Unit direction from the point to the middle.
    solid : Tensor (B, H, W)
        Solid angle of the box, in steradians.
    seen : Tensor (B, H, W)
        Share of the box that no rod or box hides.
    """

    centre: Tensor
    edge_x: Tensor
    edge_y: Tensor
    shines: Tensor
    half_x: Tensor
    half_y: Tensor
    radiance: Tensor
    towards: Tensor
    solid: Tensor
    seen: Tensor


def make_lamps(scene: Scene, hits: Hits) -> list[Lamp]:
    """The scene's lamps with their shadows."""
    lamps = []
    for number in range(LIGHTS):
        radiance = scene["light_radiance"][:, number]
        if not bool((radiance > 0).any()):
            continue
        frame, half = spread(scene["light_frame"][:, number]), scene["light_half"][:, number]
        half_x, half_y = spread(half[:, 0]), spread(half[:, 1])
        centre = spread(scene["light_centre"][:, number])
        away = centre - hits.point
        squared = dot(away, away)
        towards = away * torch.rsqrt(squared)
        facing = (-dot(towards, frame[2])).clamp(min=0)
        solid = (4 * half_x * half_y * facing / squared).clamp(max=6.0)
        spot = torch.sqrt(solid / torch.pi).clamp(min=0.01)
        seen = _seen(scene, hits, towards, torch.sqrt(squared), spot)
        lamps.append(
            Lamp(
                centre=centre,
                edge_x=frame[0],
                edge_y=frame[1],
                shines=frame[2],
                half_x=half_x,
                half_y=half_y,
                radiance=spread(radiance),
                towards=towards,
                solid=solid,
                seen=seen,
            )
        )
    return lamps


def _rods(scene: Scene) -> list[int]:
    kinds = scene["rod_kind"]
    return [rod for rod in range(RODS) if bool((kinds[:, rod] != ABSENT).any())]


def _seen(scene: Scene, hits: Hits, towards: Tensor, reach: Tensor, spot: Tensor) -> Tensor:
    """Share of a lamp of angular radius `spot` that is not hidden."""
    seen = torch.ones_like(reach)
    for rod in _rods(scene):
        axis = spread(scene["rod_frame"][:, rod, 0])
        half, radius = spread(scene["rod_half"][:, rod]), spread(scene["rod_radius"][:, rod])
        start = hits.point - spread(scene["rod_centre"][:, rod])
        along, slope, ahead = dot(start, axis), dot(towards, axis), dot(start, towards)
        travel = (slope * along - ahead) / (1 - slope * slope).clamp(min=1e-4)
        inner = half - radius * 0.7
        place = torch.maximum(torch.minimum(along + slope * travel.clamp(min=0), inner), -inner)
        travel = (place * slope - ahead).clamp(min=0)
        gap = start + travel * towards - place * axis
        clear = torch.sqrt(dot(gap, gap)) - radius
        blur = (travel * spot).clamp(min=0.05)
        share = ((clear / blur) * 0.5 + 0.5).clamp(0, 1)
        share = share * share * (3 - 2 * share)
        other = (hits.what != rod) & (spread(scene["rod_kind"][:, rod]) != ABSENT) & (travel > 0)
        seen = seen * torch.where(other, share, torch.ones_like(share))
    box = scene["box"]
    if bool((box[:, 0] < box[:, 3]).any()):
        away, chord = box_chord(hits.point, towards, spread(box))
        blur = (away.clamp(min=0) * spot * 2.0).clamp(min=0.3)
        share = (0.5 - chord / blur).clamp(0, 1)
        share = share * share * (3 - 2 * share)
        behind = (hits.what != BOX) & (spread(box[:, 0]) < spread(box[:, 3]))
        seen = torch.where(behind, torch.where(away > -0.5 * blur, share, 1.0) * seen, seen)
    return seen


def openness(scene: Scene, hits: Hits, normal: Tensor) -> Tensor:
    """Share of the room's light that rods, box and table leave at each point."""
    open_share = torch.ones_like(hits.distance)
    for rod in _rods(scene):
        axis = spread(scene["rod_frame"][:, rod, 0])
        half, radius = spread(scene["rod_half"][:, rod]), spread(scene["rod_radius"][:, rod])
        start = hits.point - spread(scene["rod_centre"][:, rod])
        along = dot(start, axis)
        inner = half - radius * 0.7
        place = torch.maximum(torch.minimum(along, inner), -inner)
        away = place * axis - start
        distance = torch.sqrt(dot(away, away)).clamp(min=1e-3)
        facing = (dot(normal, away) / distance * 0.75 + 0.25).clamp(min=0)
        hidden = (radius / distance).clamp(max=1.0) ** 1.6 * facing
        other = (hits.what != rod) & (spread(scene["rod_kind"][:, rod]) != ABSENT)
        open_share = open_share * torch.where(other, 1 - 0.92 * hidden.clamp(max=1), 1.0)
    height = (hits.point[2] - spread(scene["ground_z"])).clamp(min=0)
    below = (0.5 - 0.5 * normal[2]) * torch.exp(-height / 6.0)
    open_share = open_share * (1 - 0.85 * below)
    box = scene["box"]
    if bool((box[:, 0] < box[:, 3]).any()):
        limits = spread(box)
        nearest = torch.maximum(torch.minimum(hits.point, limits[3:]), limits[:3])
        away = nearest - hits.point
        distance = torch.sqrt(dot(away, away))
        size = spread((box[:, 5] - box[:, 2]).clamp(min=1.0))
        shade = 0.8 * torch.exp(-2.0 * distance / size)
        present = (limits[0] < limits[3]) & (hits.what != BOX)
        open_share = open_share * torch.where(present, 1 - shade, 1.0)
    return open_share


def room(scene: Scene, direction: Tensor) -> Tensor:
    """Radiance of the room in a direction, smooth from floor to ceiling (3, B, H, W)."""
    ambient = spread(scene["ambient"])
    up = 0.5 + 0.5 * direction[2]
    down = 1 - up
    return ambient[0] * up * up + 2 * ambient[1] * up * down + ambient[2] * down * down


def diffuse_light(lamps: list[Lamp], normal: Tensor) -> Tensor:
    """Irradiance over pi from the lamps (3, B, H, W); wide lamps wrap round the edge."""
    total = torch.zeros_like(normal)
    for lamp in lamps:
        wrap = torch.sqrt(lamp.solid / torch.pi).clamp(max=0.6) * 0.6
        cosine = ((dot(normal, lamp.towards) + wrap) / (1 + wrap)).clamp(min=0)
        total = total + lamp.radiance * (lamp.solid * cosine * lamp.seen / torch.pi)
    return total


def mirrored_light(
    scene: Scene, lamps: list[Lamp], hits: Hits, direction: Tensor, alpha: Tensor, opened: Tensor
) -> Tensor:
    """Radiance that a GGX lobe of width `alpha` about `direction` gathers.

    The lobe over a soft box is taken as a Gaussian over a rectangle: exact for a mirror,
    and with the lobe's own width where it is rough.
    """
    total = room(scene, direction) * opened
    blur = (1.1 * alpha).clamp(min=0.004)
    for lamp in lamps:
        away = lamp.centre - hits.point
        slope = dot(direction, lamp.shines)
        reach = dot(away, lamp.shines) / torch.where(slope > -1e-3, -1e-3, slope)
        forward = (slope < -1e-3) & (reach > 0)
        reach = (dot(away, lamp.shines) / slope.clamp(max=-0.08)).clamp(min=1.0)
        offset = reach * direction - away
        width = (blur * reach).clamp(min=0.5)
        share = _between(dot(offset, lamp.edge_x), lamp.half_x, width)
        share = share * _between(dot(offset, lamp.edge_y), lamp.half_y, width)
        total = total + lamp.radiance * torch.where(forward, share * lamp.seen, 0.0)
    return total


def _between(position: Tensor, half: Tensor, width: Tensor) -> Tensor:
    """Share of a bell of `width` about `position` that lies within ± `half`."""
    scale = 1.7 / width
    return torch.sigmoid((position + half) * scale) - torch.sigmoid((position - half) * scale)
