"""Materials under light: radiance towards the camera at every hit.

Paper and leaf are Lambertian under a thin dielectric gloss; foil is a GGX conductor;
holograms add the first orders of a grating; under UV-A, fluorescence shines over a dim
violet reflection.
"""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from loupebook.demo.camera.colour import wavelength_rgb
from loupebook.demo.camera.geometry import dot, unit
from loupebook.demo.camera.lighting import (
    Lamp,
    diffuse_light,
    make_lamps,
    mirrored_light,
    openness,
    room,
)
from loupebook.demo.camera.optics import grating_wavelength, normal_reflectance, schlick
from loupebook.demo.camera.scene import DOME, FINGER, RODS
from loupebook.demo.camera.surfaces import MaterialBank, SurfaceBank
from loupebook.demo.camera.texture_bank import TextureBank
from loupebook.demo.camera.tracing import Hits, Scene, spread

#: Refractive index of varnish, ink and leaf oil.
VARNISH_INDEX = 1.5
#: What a UV-A lamp shows of itself: visible violet per unit of its UV-A.
VIOLET = (0.010, 0.004, 0.045)
#: Fluorescence of lint, leaf and wood under UV-A, relative to their albedo.
_DULL_GLOW = (0.010, 0.018, 0.020)
#: Light that skin scatters inside, as if it were more albedo.
SKIN_DEPTH = (0.22, 0.06, 0.03)


def footprint_mm(scene: Scene, hits: Hits) -> Tensor:
    """Width in mm that one picture px covers at each hit (geometric mean of both axes)."""
    cosine = (-dot(hits.ray, hits.normal)).clamp(min=0.08)
    return hits.distance / spread(scene["focal_px"]) * torch.rsqrt(cosine)


@dataclass(frozen=True, eq=False)
class Matter:
    """What every hit is made of, before any light: both renderers read it.

    Parameters
    ----------
    albedo, foil_tint, glow : Tensor (3, B, H, W)
        Diffuse reflectance, reflectance of foil, fluorescence per unit of UV-A.
    rough, metal, cover : Tensor (B, H, W)
        GGX roughness, share of bare foil, share of the printed item.
    slope : Tensor (3, B, H, W)
        Relief as a world vector to take from the outward normal.
    near : Tensor (B, H, W)
        Paper within a fraction of a mm, where leaf lies in its contact shadow.
    maps : Tensor (18, B, H, W)
        The surface's own maps, see :class:`SurfaceBank`.
    """

    albedo: Tensor
    foil_tint: Tensor
    glow: Tensor
    rough: Tensor
    metal: Tensor
    cover: Tensor
    slope: Tensor
    near: Tensor
    maps: Tensor


def matter_at(
    scene: Scene,
    hits: Hits,
    footprint: Tensor,
    surfaces: SurfaceBank,
    coverage: TextureBank,
    materials: MaterialBank,
) -> Matter:
    """Materials at every hit, averaged over a footprint in mm (B, H, W).

    Parameters
    ----------
    scene : dict of Tensor
        :meth:`SceneBatch.tensors`.
    hits : Hits
        Points on the solids.
    footprint : Tensor (B, H, W)
        In mm.
    surfaces, coverage, materials
        Printed surfaces, their coverage alone (for the shadow that paper throws on leaf),
        and materials.
    """
    tile_x, tile_y = hits.tile_x, hits.tile_y
    width = footprint / hits.tile_scale
    tile = materials.sample(hits.material, tile_x, tile_y, width)
    fine = materials.sample(hits.material, tile_x * 3.7 + 11, tile_y * 3.7 + 5, width * 3.7)
    base = (
        tile[:3] * hits.tint * (0.75 + 0.25 * fine[:3] / tile[:3].clamp(min=0.01)).clamp(0.4, 1.6)
    )
    on_rod = hits.what < RODS
    rise = torch.where(on_rod, 1.7, 1.0)
    slope_x, slope_y = rise * (tile[3] + 0.6 * fine[3]), rise * (tile[4] + 0.6 * fine[4])
    nail = _nail(scene, hits)
    base = torch.lerp(
        base,
        base * 0.75 + torch.tensor((0.20, 0.13, 0.11), device=base.device)[:, None, None, None],
        nail,
    )
    leaf_slope = torch.where(
        on_rod,
        slope_y * hits.along_u - slope_x * hits.along_v,
        slope_x * hits.along_u - slope_y * hits.along_v,
    )

    which = hits.surface.clamp(min=0)
    scale, wide, high = surfaces.sizes[which].unbind(-1)
    x, y = (hits.artwork_x + wide / 2) * scale, (hits.artwork_y + high / 2) * scale
    inside = (x > 0) & (y > 0) & (x < wide * scale) & (y < high * scale) & (hits.surface >= 0)
    is_dome = spread(scene["geometry"]) == DOME
    ring = torch.sqrt(hits.artwork_x**2 + hits.artwork_y**2) < wide / 2 - 0.05
    inside = inside & (ring | ~is_dome)
    maps = surfaces.bank.sample(which, x, y, footprint * scale)
    cover = maps[3].clamp(0, 1) * inside
    paper_slope = maps[9] * hits.along_u + maps[10] * hits.along_v
    near = coverage.sample(which, x, y, footprint * scale + 0.7 * scale)[0]
    dull = torch.tensor(_DULL_GLOW, device=base.device)[:, None, None, None]
    return Matter(
        albedo=torch.lerp(base, maps[:3], cover),
        foil_tint=maps[5:8],
        glow=torch.lerp(base * dull, maps[11:14], cover),
        rough=torch.lerp(tile[5] * (1 - 0.45 * nail), maps[8], cover).clamp(0.05, 1),
        metal=maps[4] * cover,
        cover=cover,
        slope=torch.lerp(leaf_slope, paper_slope, cover),
        near=torch.where(hits.surface >= 0, near.clamp(0, 1) * (1 - cover), 0.0),
        maps=maps,
    )


def facing_normal(hits: Hits, slope: Tensor) -> Tensor:
    """Normals bent by relief, but never away from the camera (3, B, H, W)."""
    normal = unit(hits.normal - slope)
    facing = -dot(normal, hits.ray)
    return unit(normal - hits.ray * (0.02 - facing).clamp(min=0))


def item_share(hits: Hits, matter: Matter) -> Tensor:
    """How much of each hit is the item itself, not a neighbour that wears the same print."""
    return matter.cover * ((hits.what == 0) | (hits.what >= RODS))


def fade_far(scene: Scene, hits: Hits, light: Tensor) -> Tensor:
    """Distant table fades into the room."""
    far = ((hits.distance - 450) / 700).clamp(0, 1)
    return torch.lerp(light, 0.8 * room(scene, hits.ray), far)


def shade(
    scene: Scene, hits: Hits, surfaces: SurfaceBank, coverage: TextureBank, materials: MaterialBank
) -> tuple[Tensor, Tensor]:
    """Radiance (3, B, H, W) and the item's coverage (B, H, W).

    Parameters
    ----------
    scene, hits, surfaces, coverage, materials
        As for :func:`matter_at`; the footprint is that of a picture px.
    """
    matter = matter_at(scene, hits, footprint_mm(scene, hits), surfaces, coverage, materials)
    normal = facing_normal(hits, matter.slope)
    lamps = make_lamps(scene, hits)
    opened = openness(scene, hits, normal) * (1 - 0.55 * matter.near)
    visible = _reflect(scene, hits, lamps, normal, matter, opened)
    visible = visible + hologram_light(lamps, hits, normal, matter)
    if bool((scene["uv"] > 0).any()):
        violet = visible * torch.tensor(VIOLET, device=visible.device)[:, None, None, None]
        received = (diffuse_light(lamps, normal) + room(scene, normal) * opened).mean(0)
        visible = torch.where(spread(scene["uv"]) > 0, violet + matter.glow * received, visible)
    return fade_far(scene, hits, visible), item_share(hits, matter)


def _reflect(
    scene: Scene,
    hits: Hits,
    lamps: list[Lamp],
    normal: Tensor,
    matter: Matter,
    opened: Tensor,
) -> Tensor:
    """Diffuse light, gloss and foil."""
    rough, tint = matter.rough, matter.foil_tint
    cosine = (-dot(normal, hits.ray)).clamp(0.02, 1)
    mirror = unit(hits.ray + 2 * cosine * normal)
    alpha = (rough * rough).clamp(min=0.003)
    light = diffuse_light(lamps, normal) + room(scene, normal) * opened
    light = light + _bounce(scene, hits, normal, light)
    gathered = mirrored_light(scene, lamps, hits, mirror, alpha, opened)
    clear = torch.full_like(cosine, normal_reflectance(1.0, VARNISH_INDEX))
    gloss = clear + (schlick(clear, cosine) - clear) * (1 - rough) ** 1.5
    body = matter.albedo * light * (1 - gloss) + gathered * gloss
    foil = gathered * schlick(tint, cosine.expand_as(tint))
    foil = foil * (0.35 + 0.65 * opened)
    return torch.lerp(body, foil, matter.metal)


def is_skin(scene: Scene, hits: Hits) -> Tensor:
    """Whether each hit is on a finger (B, H, W)."""
    kinds = scene["rod_kind"]
    batch = torch.arange(kinds.shape[0], device=kinds.device)[:, None, None]
    return (kinds[batch, hits.what.clamp(max=RODS - 1)] == FINGER) & (hits.what < RODS)


def _nail(scene: Scene, hits: Hits) -> Tensor:
    """How much of each hit is a finger nail: an oval on top, near the tip."""
    along, across = (hits.rod_reach - 12.0) / 7.0, hits.rod_arc / 5.5
    oval = 1 - (along**4 + across**4)
    return torch.where(is_skin(scene, hits), (oval * 4).clamp(0, 1), 0.0)


def _bounce(scene: Scene, hits: Hits, normal: Tensor, light: Tensor) -> Tensor:
    """Light thrown up by the table on downward-facing sides, and the glow inside skin."""
    height = (hits.point[2] - spread(scene["ground_z"])).clamp(min=0)
    below = (0.5 - 0.5 * normal[2]) ** 2 * (1 - torch.exp(-height / 8.0))
    ground = spread(scene["ground_tint"]) * 0.22
    sent = room(scene, torch.stack([below * 0, below * 0, below * 0 + 1]))
    warm = torch.tensor(SKIN_DEPTH, device=light.device)[:, None, None, None]
    deep = torch.where(is_skin(scene, hits), 1.0, 0.0) * warm * light.mean(0)
    return ground * sent * below * 1.5 + deep


def hologram_light(lamps: list[Lamp], hits: Hits, normal: Tensor, matter: Matter) -> Tensor:
    """First and second orders of the grating for every lamp, smeared by the lamp's size."""
    maps, amount = matter.maps, matter.maps[14] * matter.cover
    total = torch.zeros_like(normal)
    if not bool((amount > 0.01).any()):
        return total
    groove = maps[16] * hits.along_u + maps[17] * hits.along_v
    groove = unit(groove - dot(groove, normal) * normal)
    along = torch.linalg.cross(normal, groove, dim=0)
    sine_out = -dot(hits.ray, groove)
    for lamp in lamps:
        spot = torch.sqrt(lamp.solid / torch.pi)
        stray = dot(lamp.towards - hits.ray, along)
        width = 0.22 + spot
        share = torch.exp(-((stray / width) ** 2)) * lamp.seen * amount
        share = share * (dot(normal, lamp.towards) > 0) * lamp.solid.clamp(max=1.0)
        for shift, weight in ((-0.6, 0.3), (0.0, 0.4), (0.6, 0.3)):
            sine_in = dot(lamp.towards, groove) + shift * spot
            for order, power in ((1, 1.0), (2, 0.35)):
                colour = wavelength_rgb(grating_wavelength(maps[15], sine_in, sine_out, order))
                total = total + colour * lamp.radiance * (share * weight * power * 0.8)
    return total
