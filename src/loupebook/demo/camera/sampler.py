"""Draws believable scenes: how items are laid, held, framed and surrounded.

Vectorised over scenes; scene `i` depends on its own seed alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from loupebook.demo.camera.draws import Draws
from loupebook.demo.camera.framing import aim_camera, outline_points
from loupebook.demo.camera.lamps import place_lamps
from loupebook.demo.camera.request import TILT, UV_A, Request, Shot
from loupebook.demo.camera.rods import RodSet, lay_rods
from loupebook.demo.camera.scene import CYLINDER, DOME, STRIP, SceneBatch
from loupebook.demo.camera.textures import LEAVES, TABLES, WOODS
from loupebook.demo.camera.vectors import floats, normalise, rotate, vec
from loupebook.demo.surface import PrintedSurface

Floats = NDArray[np.float32]


def sample_scenes(
    shots: Sequence[Shot],
    surfaces: Sequence[PrintedSurface],
    *,
    height: int,
    width: int,
) -> SceneBatch:
    """Draw one scene for every shot.

    Parameters
    ----------
    shots : sequence of Shot
        What to photograph, how.
    surfaces : sequence of PrintedSurface
        What the shots' numbers refer to.
    height, width : int
        Picture size in px.

    Raises
    ------
    WorldInvalid
        See :meth:`Request.of`.
    """
    request = Request.of(shots, surfaces)
    draws = Draws(request.seeds, stream=0)
    direction, upright, face = _pose(draws, request)
    lifted = _lift(draws, request)
    rods = lay_rods(draws, request, face, lifted)
    box, box_round = _lay_box(draws, request, lifted)
    points = outline_points(request, face, box[:, 3], box_round)
    axis = np.where(draws.chance(0.5)[:, None], floats([[1, 0, 0]]), floats([[0, 1, 0]])).astype(
        np.float32
    )
    tilt = np.where(request.lighting == TILT, request.tilt, 0.0).astype(np.float32)
    axis = np.where((request.geometry == DOME)[:, None], floats([[0, 1, 0]]), axis)
    direction = _above(rotate(direction, axis, tilt))
    camera = aim_camera(
        draws, request, direction=direction, upright=upright, points=points,
        height=height, width=width,
    )  # fmt: skip
    lamp_face = rotate(face, axis, tilt)
    lamps = place_lamps(draws, request, lamp_face, camera.eye)
    wood = len(LEAVES)
    is_strip = request.geometry == STRIP
    return SceneBatch(
        height=height,
        width=width,
        surface=request.surface,
        geometry=request.geometry,
        **_rod_fields(rods),
        box=box,
        box_round=box_round,
        box_material=wood + draws.pick(len(WOODS)),
        ground_material=wood + draws.pick(len(TABLES)),
        ground_z=np.where(is_strip, box[:, 2], -lifted).astype(np.float32),
        ground_turn=draws.uniform(-np.pi, np.pi),
        ground_scale=draws.uniform(0.8, 1.8),
        ground_tint=_tint(draws, 0.12),
        eye=camera.eye,
        view=camera.view,
        focal_px=camera.focal_px,
        centre_px=camera.centre_px,
        aperture_mm=camera.aperture_mm,
        focus_mm=camera.focus_mm,
        light_centre=lamps.centre,
        light_frame=lamps.frame,
        light_half=lamps.half,
        light_radiance=lamps.radiance,
        ambient=lamps.ambient,
        uv=(request.lighting == UV_A).astype(np.float32),
        exposure=lamps.exposure,
    )


def _rod_fields(rods: RodSet) -> dict[str, Any]:
    return {f"rod_{name}": value for name, value in vars(rods).items()}


def _tint(draws: Draws, spread: float) -> Floats:
    level = np.exp(draws.normal(spread))
    return vec(level * np.exp(draws.normal(0.04)), level, level * np.exp(draws.normal(0.04)))


def _above(direction: Floats) -> Floats:
    """Keep the camera above the table."""
    raised = direction.copy()
    raised[:, 2] = np.maximum(raised[:, 2], 0.10)
    return normalise(raised)


def _pose(draws: Draws, request: Request) -> tuple[Floats, Floats, Floats]:
    """Direction from item to camera, the item's own up, and where its face looks."""
    loose = np.where(request.query, 1.0, 0.45).astype(np.float32)
    geometry = request.geometry
    slant = draws.normal(0.22) * loose
    rise = np.radians(draws.uniform(38, 86))
    band = vec(np.sin(slant), -np.cos(slant) * np.cos(rise), np.cos(slant) * np.sin(rise))
    lean = np.abs(draws.normal(0.38)) * loose + 0.04
    spin = draws.uniform(-np.pi, np.pi)
    strip = vec(np.sin(lean) * np.cos(spin), np.sin(lean) * np.sin(spin), np.cos(lean))
    off = np.abs(draws.normal(0.40)) * loose
    round_axis = draws.uniform(0.15, np.pi - 0.15)
    dome = vec(np.cos(off), np.sin(off) * np.cos(round_axis), np.sin(off) * np.sin(round_axis))
    dome[:, 2] += 0.12
    pick = [(geometry == code)[:, None] for code in (CYLINDER, STRIP, DOME)]
    direction = np.select(pick, [band, strip, normalise(dome)]).astype(np.float32)
    head, north, zenith = ([[1, 0, 0]], [[0, 1, 0]], [[0, 0, 1]])
    upright = np.select(pick, [floats(head), floats(north), floats(zenith)])
    across = direction * floats([0, 1, 1])
    face = np.select(pick, [normalise(across), floats(zenith), floats(head)])
    return normalise(direction), upright.astype(np.float32), face.astype(np.float32)


def _lift(draws: Draws, request: Request) -> Floats:
    """Height of the item's axis above the table: lying, or held up."""
    held = draws.chance(np.where(request.query, 0.35, 0.15))
    high = np.where(held, draws.uniform(25, 90), 0.0)
    return np.asarray(request.radius + high, np.float32)


def _lay_box(draws: Draws, request: Request, lifted: Floats) -> tuple[Floats, Floats]:
    """The box that a seal is on, or a box in the background."""
    wide, high = request.wide, request.high
    flat = draws.chance(0.6)
    # A seal is bent round the edge by its blank end: its bar code stays on one face.
    fold = np.where(flat, wide * 0.5 + draws.uniform(4, 45), wide * draws.uniform(0.468, 0.49))
    deep = draws.uniform(28, 60)
    low_y = -high * 0.5 - draws.uniform(6, 70)
    high_y = high * 0.5 + draws.uniform(6, 70)
    low_x = -wide * 0.5 - draws.uniform(4, 60)
    seal_box = np.stack([low_x, low_y, -deep, fold, high_y, 0 * deep], 1)
    edge = draws.uniform(1.2, 3.0)
    seen = draws.chance(0.35) & (request.geometry == CYLINDER)
    near = draws.uniform(30, 70)
    left = draws.uniform(-140, 10)
    behind = np.stack(
        [
            left, near, -lifted, left + draws.uniform(80, 160),
            near + draws.uniform(60, 120), -lifted + draws.uniform(20, 45),
        ],
        1,
    )  # fmt: skip
    none = floats([[1, 0, 0, -1, 0, 0]])
    box = np.where(
        (request.geometry == STRIP)[:, None], seal_box, np.where(seen[:, None], behind, none)
    )
    return box.astype(np.float32), edge
