"""Lays the cigars and fingers of a scene as rods."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from loupebook.demo.camera.draws import Draws
from loupebook.demo.camera.request import Request
from loupebook.demo.camera.scene import ABSENT, CIGAR, DOME, FINGER, RODS, STRIP
from loupebook.demo.camera.surfaces import cached_tiles
from loupebook.demo.camera.textures import LEAVES, SKINS, TABLES
from loupebook.demo.camera.vectors import floats, frame_with_x, normalise, rotate, vec

Floats = NDArray[np.float32]
Integers = NDArray[np.int64]
_FIRST_FINGER = 5


@dataclass(frozen=True, eq=False)
class RodSet:
    """The rod fields of a :class:`SceneBatch`, by the same names less ``rod_``."""

    kind: Integers
    surface: Integers
    material: Integers
    centre: Floats
    frame: Floats
    half: Floats
    radius: Floats
    shoulder: Floats
    band: Floats
    offset: Floats
    tint: Floats


def _empty(count: int) -> RodSet:
    shape = (count, RODS)
    frame = np.tile(np.eye(3, dtype=np.float32), (*shape, 1, 1))
    return RodSet(
        kind=np.full(shape, ABSENT, np.int64),
        surface=np.full(shape, -1, np.int64),
        material=np.zeros(shape, np.int64),
        centre=np.zeros((*shape, 3), np.float32),
        frame=frame,
        half=np.full(shape, 50.0, np.float32),
        radius=np.full(shape, 5.0, np.float32),
        shoulder=np.full(shape, 2.0, np.float32),
        band=np.zeros(shape, np.float32),
        offset=np.zeros((*shape, 2), np.float32),
        tint=np.ones((*shape, 3), np.float32),
    )


def lay_rods(draws: Draws, request: Request, face: Floats, lifted: Floats) -> RodSet:
    """Draw the cigars and fingers.

    The item's band (or the pole of its cap) is at the world's origin, its cigar along x.
    The table lies `lifted` mm below.
    """
    rods = _empty(draws.count)
    _lay_cigars(draws, request, face, lifted, rods)
    _lay_fingers(draws, request, rods)
    return rods


@cache
def _leaf_means() -> Floats:
    """Mean colour of every leaf, (leaves, 3)."""
    return np.stack([tile.albedo.mean((0, 1)) for tile in cached_tiles()[: len(LEAVES)]])


def _lay_cigars(draws: Draws, request: Request, face: Floats, lifted: Floats, rods: RodSet) -> None:
    count = draws.count
    is_dome = request.geometry == DOME
    radius, shoulder = request.radius, np.maximum(request.shoulder, 0.8)
    head = np.where(is_dome, 0.0, request.high * 0.5 + draws.uniform(8, 26))
    half = draws.uniform(52, 66)
    leaf = draws.pick(len(LEAVES))
    lying = lifted < radius + 1
    hint = np.where(is_dome[:, None], floats([[0, 0, 1]]), face).astype(np.float32)
    company = draws.chance(np.where(request.query, 0.55, 0.35)) & (lying | is_dome)
    banded = draws.chance(0.8)
    gap = 2 * radius * draws.uniform(1.005, 1.06)
    leaf_means = _leaf_means()
    for rod in range(_FIRST_FINGER):
        slot = (0.0, 1.0, -1.0, 2.0, -2.0)[rod]
        own = rod == 0
        present = (company & draws.chance((1, 0.9, 0.75, 0.5, 0.4)[rod])) | own
        present &= request.geometry != STRIP
        turn = (
            (request.turn + draws.normal(0.12) * (1 + request.query)) if own else draws.normal(0.5)
        )
        axis = vec(
            np.ones(count), 0.0 if own else draws.normal(0.01), 0.0 if own else draws.normal(0.006)
        )
        frame = frame_with_x(normalise(axis), hint)
        frame[:, 2] = rotate(frame[:, 2], frame[:, 0], turn)
        frame[:, 1] = np.cross(frame[:, 2], frame[:, 0])
        shift = 0.0 if own else draws.normal(1.5)
        row = is_dome & (abs(slot) > 1.5)
        y = np.where(row, np.sign(slot) * gap * 0.5, slot * gap)
        z = np.where(row, gap * 0.87 * np.where(lying, 1.0, -1.0), 0.0)
        rods.kind[:, rod] = np.where(present, CIGAR, ABSENT)
        rods.surface[:, rod] = np.where(own | banded, request.surface, -1)
        rods.surface[:, rod] = np.where(present, rods.surface[:, rod], -1)
        rods.material[:, rod] = leaf
        rods.frame[:, rod] = frame
        rods.half[:, rod], rods.radius[:, rod] = half, radius
        rods.shoulder[:, rod] = np.where(is_dome, shoulder, radius * 0.85)
        rods.band[:, rod] = half - head
        middle = head - half + shift
        rods.centre[:, rod] = frame[:, 0] * middle[:, None] + vec(0.0, y, z)
        rods.offset[:, rod] = np.stack([draws.uniform(0, 60), draws.uniform(0, 60)], 1)
        shade = np.exp(draws.normal(0.07))
        drawn = vec(shade, shade * np.exp(draws.normal(0.03)), shade)
        same = request.leaf / leaf_means[leaf] if own else (request.leaf / leaf_means[leaf]) * drawn
        rods.tint[:, rod] = np.where(is_dome[:, None], same, drawn)


def _lay_fingers(draws: Draws, request: Request, rods: RodSet) -> None:
    """A thumb and a finger that hold the cigar towards its foot, or press a seal."""
    count = draws.count
    chance = np.where(request.query, 0.20, 0.06)
    held = draws.chance(chance)
    skin = len(LEAVES) + len(TABLES) + draws.pick(len(SKINS))
    is_strip, is_dome = request.geometry == STRIP, request.geometry == DOME
    back = np.where(is_dome, draws.uniform(20, 34), request.high * 0.5 + draws.uniform(14, 26))
    tone = np.exp(draws.normal(0.15))
    for number, rod in enumerate(range(_FIRST_FINGER, RODS)):
        side = 1.0 if number == 0 else -1.0
        thick = draws.uniform(7.0, 9.5)
        half = draws.uniform(30, 40)
        point = vec(draws.normal(0.25), side, draws.uniform(-0.45, -0.1))
        tip = vec(
            -back + side * draws.uniform(0, 7),
            -side * draws.uniform(0.05, 0.5) * request.radius,
            request.radius + 0.55 * thick,
        )
        strip_tip = vec(
            -request.wide * draws.uniform(0.35, 0.6),
            -side * (request.high * 0.5 + draws.uniform(3, 10)),
            thick * 0.8,
        )
        tip = np.where(is_strip[:, None], strip_tip, tip)
        axis = normalise(point)
        frame = frame_with_x(axis, np.tile(floats([[0, 0, 1]]), (count, 1)))
        rods.kind[:, rod] = np.where(held, FINGER, ABSENT)
        rods.material[:, rod] = skin
        rods.frame[:, rod] = frame
        rods.half[:, rod], rods.radius[:, rod] = half, thick
        rods.shoulder[:, rod] = thick * 0.98
        rods.centre[:, rod] = tip - axis * half[:, None]
        rods.offset[:, rod] = np.stack([draws.uniform(0, 45), draws.uniform(0, 45)], 1)
        rods.tint[:, rod] = vec(tone, tone, tone)
