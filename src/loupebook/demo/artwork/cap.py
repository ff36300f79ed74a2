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
    spiral = ((phi - start) % (2 * np.pi)) / (2 * np.pi) * 0.9
    inside = inside + spiral - 0.45
    share = np.clip(inside * px_per_mm * 0.9 + 0.5, 0, 1)
    leaf = _leaf(x, y, plan, px_per_mm, rng, turn=float(rng.uniform(0, 2 * np.pi)))
    step = thickness * np.clip(inside / 0.10 + 0.5, 0, 1)
    shadow = 1 - 0.42 * np.exp(-np.abs(np.minimum(inside, 0.4)) / 0.11) * (
        0.5 + 0.5 * (inside < 0.03)
    )
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
    bend = 0.9 * cloud(x.shape, 5.5 * px_per_mm, rng)
    u = x * np.cos(a) + y * np.sin(a) + bend
    v = -x * np.sin(a) + y * np.cos(a) + 0.5 * bend
    grain = cloud(x.shape, (0.55 * px_per_mm, 0.10 * px_per_mm), rng, turn=a)
    mottle = cloud(x.shape, 2.4 * px_per_mm, rng)
    fine = cloud(x.shape, 0.09 * px_per_mm, rng)
    veins = _veins(u, v, plan, rng)
    bumps = np.clip(cloud(x.shape, 0.13 * px_per_mm, rng) - (1.9 - 1.1 * plan.tooth), 0, 1.5)
    tone = float(rng.normal(0, 0.055))
    cells = np.exp(-((cloud(x.shape, 0.30 * px_per_mm, rng) / 0.16) ** 2))
    light = 1 + tone + 0.055 * grain + 0.10 * mottle + 0.05 * fine - 0.10 * plan.vein_depth * cells
    light = light * (1 - 0.42 * plan.vein_depth * veins) + 0.12 * plan.tooth * bumps
    warm = np.stack([0.02 * mottle, np.zeros_like(mottle), -0.03 * mottle], axis=-1)
    albedo = np.array(plan.leaf, np.float32) * (np.clip(light, 0.25, 2)[..., None] + warm)
    relief = (
        0.075 * plan.vein_depth * veins
        + 0.007 * grain
        + 0.006 * cells
        + 0.022 * bumps
        + 0.004 * fine
    )
    relief = relief + 0.045 * cloud(x.shape, 2.0 * px_per_mm, rng)
    rough = 0.56 - 0.27 * plan.oil + 0.06 * mottle + 0.05 * fine + 0.1 * veins
    return np.clip(albedo, 0.002, 1), relief, np.clip(rough, 0.15, 0.9)


def _veins(u: Map, v: Map, plan: CapPlan, rng: np.random.Generator) -> Map:
    """Secondary veins at their pitch, with finer ones that leave them at an angle."""
    phase = float(rng.uniform(0, 1))
    main = np.abs((v / plan.vein_mm + phase + 0.06 * np.sin(u * 0.9)) % 1.0 - 0.5) * plan.vein_mm
    strong = np.exp(-((main / 0.13) ** 2)) * (0.75 + 0.25 * np.sin(u * 0.35 + phase * 6))
    lean = v + 0.55 * u
    minor = np.abs((lean / (plan.vein_mm * 0.45) + phase) % 1.0 - 0.5) * plan.vein_mm * 0.45
    weak = np.exp(-((minor / 0.05) ** 2)) * (0.5 + 0.5 * np.sin(1.7 * u + 1.1 * v))
    return np.asarray(np.clip(strong + 0.30 * np.clip(weak, 0, 1), 0, 1))
