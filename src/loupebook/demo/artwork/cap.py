"""Caps: the rolled head of a cigar as albedo, relief and sheen; nothing is printed.

The map is azimuthal equidistant round the pole (see ``loupebook.demo.surface``). A cap is
wound from a narrow flag of leaf in one to four turns and closed by a small round of leaf;
each turn ends in a seam, a step down to the turn below.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from loupebook.demo.artwork.model import Colour
from loupebook.demo.artwork.noise import cloud

Map = npt.NDArray[np.float32]

#: Share of a turn in which a seam winds outwards; in the rest its cut end leads back.
_SLANT = 0.92


@dataclass(frozen=True)
class CapPlan:
    """Parameters of a house's way to finish the head; lengths in mm.

    Parameters
    ----------
    marque, edition : str
        Names.
    radius_mm, shoulder_mm : float
        See ``PrintedSurface``.
    turns : int
        One to four turns of the flag.
    round_mm : float
        Radius of the closing round.
    first_seam_mm, seam_step_mm : float
        Distance of the first seam from the pole, and between seams.
    leaf : tuple of float
        Linear sRGB reflectance of the wrapper.
    vein_mm : float
        Distance between secondary veins.
    vein_depth : float
        How strongly veins stand out, 0 to 1.
    tooth : float
        Density of the small bumps of the leaf, 0 to 1.
    oil : float
        Sheen, 0 dry to 1 oily.
    lay : float
        Angle in radians between veins and meridian.
    off_centre_mm : float
        How far the rounds sit off the pole.
    glue : float
        Gum left at the seams, 0 to 1 (careless work).
    ragged_mm : float
        Unevenness of the cut edges.
    """

    marque: str
    edition: str
    radius_mm: float
    shoulder_mm: float
    turns: int
    round_mm: float
    first_seam_mm: float
    seam_step_mm: float
    leaf: Colour
    vein_mm: float
    vein_depth: float
    tooth: float
    oil: float
    lay: float
    off_centre_mm: float = 0.3
    glue: float = 0.0
    ragged_mm: float = 0.06


@dataclass(frozen=True, eq=False)
class CapMaps:
    """Albedo (H, W, 3), roughness and relief in mm (H, W)."""

    albedo: Map
    roughness: Map
    relief_mm: Map


def map_size_mm(plan: CapPlan) -> float:
    """Side of the square map: the head, the shoulder and 7 mm of the side."""
    return 2 * (plan.radius_mm + 0.57 * plan.shoulder_mm + 7.0)


def draw_cap(plan: CapPlan, px_per_mm: float, rng: np.random.Generator) -> CapMaps:
    """Roll one head; `rng` makes this specimen's leaves."""
    size = round(map_size_mm(plan) * px_per_mm)
    axis = ((np.arange(size) + 0.5) / px_per_mm - size / px_per_mm / 2).astype(np.float32)
    x, y = np.meshgrid(axis, axis)
    leaf = _leaf(x, y, plan, px_per_mm, rng, turn=float(rng.uniform(0, 2 * np.pi)))
    stack = (*leaf, np.zeros_like(x))
    for k in range(plan.turns - 1, -1, -1):
        edge = plan.first_seam_mm + k * plan.seam_step_mm + float(rng.normal(0, 0.12))
        stack = _lay_over(stack, (x, y), plan, px_per_mm, rng, edge=edge, thickness=0.055)
    stack = _lay_over(stack, (x, y), plan, px_per_mm, rng, edge=plan.round_mm, thickness=0.05)
    albedo, texture, rough, level = stack
    maps = (albedo, rough, texture + level)
    return CapMaps(*(m.astype(np.float32) for m in maps))


def _lay_over(
    under: tuple[Map, Map, Map, Map],
    at: tuple[Map, Map],
    plan: CapPlan,
    px_per_mm: float,
    rng: np.random.Generator,
    *,
    edge: float,
    thickness: float,
) -> tuple[Map, Map, Map, Map]:
    """One more piece of leaf whose edge runs at `edge` mm from about the pole.

    A stack of leaves is albedo, texture (mm), roughness, and thickness so far (mm).
    """
    x, y = at
    dx, dy = rng.normal(0, plan.off_centre_mm / 2, 2)
    rho, phi = np.hypot(x - dx, y - dy), np.arctan2(y - dy, x - dx)
    around = np.linspace(-np.pi, np.pi, 1441)
    uneven = np.zeros_like(around)
    for n in (1, 2, 3, 5, 8, 13):
        swing = plan.ragged_mm * float(rng.normal()) / n**0.7
        uneven += swing * np.cos(n * around + float(rng.uniform(0, 6.3)))
    wobble = uneven[((phi + np.pi) * (1440 / (2 * np.pi))).astype(np.int32)].astype(np.float32)
    inside = edge + wobble - rho
    start = float(rng.uniform(-np.pi, np.pi))
    # Wound as a spiral whose end is cut aslant, not across.
    turned = ((phi - start) % (2 * np.pi)) / (2 * np.pi)
    spiral = np.minimum(turned / _SLANT, (1 - turned) / (1 - _SLANT)) * 0.9
    inside = inside + spiral - 0.45
    share = np.clip(inside * px_per_mm * 0.9 + 0.5, 0, 1)
    leaf = _leaf(x, y, plan, px_per_mm, rng, turn=float(rng.uniform(0, 2 * np.pi)))
    # A seam is pressed home here and stands off there: its step and its shadow come and go.
    proud = np.clip(0.55 + 0.5 * cloud(x.shape, 2.2 * px_per_mm, rng), 0.06, 1.3)
    step = thickness * (0.35 + 0.65 * proud) * np.clip(inside / 0.16 + 0.5, 0, 1)
    below = np.exp(-np.clip(-inside, 0, 4) / (0.05 + 0.10 * proud)) * (inside < 0)
    lip = np.exp(-((inside / 0.07) ** 2))
    shadow = 1 - 0.34 * proud * below - 0.10 * lip
    albedo = under[0] * (1 - share[..., None]) + leaf[0] * share[..., None]
    gum = (
        plan.glue * np.exp(-((inside / 0.55) ** 2)) * cloud(x.shape, 1.3 * px_per_mm, rng, lift=0.5)
    )
    albedo = albedo * shadow[..., None] * (1 - 0.28 * np.clip(gum, 0, 1.2)[..., None])
    texture = under[1] * (1 - 0.75 * share) + leaf[1] * share
    rough = under[2] * (1 - share) + leaf[2] * share - 0.18 * gum
    return albedo, texture, np.clip(rough, 0.12, 0.9), under[3] + step


def _leaf(
    x: Map, y: Map, plan: CapPlan, px_per_mm: float, rng: np.random.Generator, *, turn: float
) -> tuple[Map, Map, Map]:
    """Albedo, relief and roughness of one piece of wrapper leaf."""
    a = turn + plan.lay
    bend = 1.6 * cloud(x.shape, 5.5 * px_per_mm, rng) + 0.25 * cloud(x.shape, px_per_mm, rng)
    u = x * np.cos(a) + y * np.sin(a) + bend
    v = -x * np.sin(a) + y * np.cos(a) + 0.6 * bend
    broad = cloud(x.shape, 4.0 * px_per_mm, rng)
    mottle = cloud(x.shape, 0.9 * px_per_mm, rng)
    pulled = cloud(x.shape, (1.4 * px_per_mm, 0.35 * px_per_mm), rng, turn=a)
    fine = cloud(x.shape, 0.07 * px_per_mm, rng)
    veins = _veins(u, v, plan, rng) * np.clip(0.6 + 0.5 * broad, 0.1, 1.2)
    bumps = np.clip(cloud(x.shape, 0.12 * px_per_mm, rng) - (1.9 - 1.0 * plan.tooth), 0, 1.5)
    # Cells between the smallest veins: a net of fine valleys.
    net = np.exp(-((cloud(x.shape, 0.20 * px_per_mm, rng) / 0.22) ** 2))
    light = 1 + float(rng.normal(0, 0.045)) + 0.10 * broad + 0.07 * mottle + 0.045 * pulled
    light = light + 0.035 * fine - 0.07 * net + 0.08 * plan.tooth * bumps
    light = light * (1 + 0.16 * plan.vein_depth * veins)
    spots = np.clip(cloud(x.shape, 0.25 * px_per_mm, rng) - 2.7, 0, 1)
    light = light * (1 - 0.5 * spots)
    brown = np.array(plan.leaf, np.float32)
    brown = 0.85 * brown + 0.15 * brown.mean() * np.array((1.18, 0.95, 0.78), np.float32)
    warm = np.stack([0.05 * broad, 0.01 * mottle, -0.03 * broad - 0.03 * mottle], axis=-1)
    albedo = brown * (np.clip(light, 0.25, 2)[..., None] + warm)
    relief = 0.060 * plan.vein_depth * veins - 0.009 * net + 0.020 * bumps + 0.003 * fine
    relief = relief + 0.010 * pulled + 0.040 * broad + 0.016 * mottle
    # Oil lies in patches: sheen where the fingers pressed, dull between.
    oiled = np.clip(0.5 + 0.45 * cloud(x.shape, 1.6 * px_per_mm, rng), 0, 1)
    rough = 0.60 - 0.20 * plan.oil * oiled + 0.05 * fine + 0.06 * net
    return np.clip(albedo, 0.002, 1), relief, np.clip(rough, 0.34, 0.9)


def _veins(u: Map, v: Map, plan: CapPlan, rng: np.random.Generator) -> Map:
    """Secondary veins at about their pitch, with finer ones that leave them at an angle."""
    phase = float(rng.uniform(0, 1))
    pitch = plan.vein_mm
    main = np.abs((v / pitch + phase + 0.10 * np.sin(u * 0.7 + phase * 9)) % 1.0 - 0.5) * pitch
    width = 0.10 + 0.05 * np.sin(u * 0.45 + phase * 5)
    strong = np.exp(-((main / width) ** 2)) * (0.7 + 0.3 * np.sin(u * 0.35 + phase * 6))
    weak = np.zeros_like(u)
    for lean, share in ((0.75, 0.42), (-0.6, 0.37)):
        away = np.abs(((v + lean * u) / (pitch * share) + phase) % 1.0 - 0.5) * pitch * share
        weak += np.exp(-((away / 0.045) ** 2)) * np.clip(np.sin(1.3 * u + 0.9 * v + lean), 0, 1)
    return np.asarray(np.clip(strong + 0.28 * np.clip(weak, 0, 1), 0, 1))
