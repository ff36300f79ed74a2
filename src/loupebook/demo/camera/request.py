"""What is asked of the scene sampler, one entry a scene."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from loupebook.demo.camera.scene import GEOMETRIES
from loupebook.demo.surface import PrintedSurface
from loupebook.errors import WorldInvalid
from loupebook.records.model import Lighting, View

Floats = NDArray[np.float32]
Integers = NDArray[np.int64]

DIFFUSE, RAKING, TILT, UV_A = 0, 1, 2, 3
_LIGHTINGS = {
    Lighting.DIFFUSE: DIFFUSE,
    Lighting.RAKING: RAKING,
    Lighting.TILT: TILT,
    Lighting.UV_A: UV_A,
}
#: Turn of the cigar, in degrees, that brings a view of the band to the front.
_TURNS = {
    View.FACE: 0.0,
    View.HEAD: 0.0,
    View.LEFT_EDGE: -62.0,
    View.RIGHT_EDGE: 62.0,
    View.BACK: 180.0,
}


@dataclass(frozen=True)
class Shot:
    """One photo to be taken.

    Parameters
    ----------
    seed : int
        Decides everything that is not fixed here.
    surface : int
        Number of the surface in the renderer's list.
    lighting : Lighting
        Diffuse, raking, tilt or UV-A.
    view : View
        Side shown.
    query : bool
        Casual photo (anything from 10 to 90 % of the frame, any turn, more clutter), or a
        careful reference photo (55 to 90 %).
    tilt : float
        Tilt of the item in degrees (tilt series).
    poor : bool
        Taken badly: out of focus, dark, far or shaken.
    """

    seed: int
    surface: int
    lighting: Lighting = Lighting.DIFFUSE
    view: View = View.FACE
    query: bool = False
    tilt: float = 0.0
    poor: bool = False


@dataclass(frozen=True, eq=False)
class Request:
    """Shots and the sizes of their surfaces as arrays (n,)."""

    seeds: tuple[int, ...]
    surface: Integers
    geometry: Integers
    lighting: Integers
    turn: Floats
    query: NDArray[np.bool_]
    poor: NDArray[np.bool_]
    tilt: Floats
    wide: Floats
    high: Floats
    radius: Floats
    shoulder: Floats
    leaf: Floats

    @classmethod
    def of(cls, shots: Sequence[Shot], surfaces: Sequence[PrintedSurface]) -> Request:
        """Check the shots against the surfaces and gather them.

        Raises
        ------
        WorldInvalid
            No shots, an unknown surface, a lighting that the camera has not, a view that
            an item has not, or a tilt beyond 35 degrees.
        """
        if not shots:
            raise WorldInvalid("there is no shot to take")
        for shot in shots:
            _check(shot, surfaces)
        items = [surfaces[shot.surface] for shot in shots]
        return cls(
            seeds=tuple(shot.seed for shot in shots),
            surface=np.array([shot.surface for shot in shots], np.int64),
            geometry=np.array([GEOMETRIES[item.geometry] for item in items], np.int64),
            lighting=np.array([_LIGHTINGS[shot.lighting] for shot in shots], np.int64),
            turn=np.radians([_TURNS[shot.view] for shot in shots]).astype(np.float32),
            query=np.array([shot.query for shot in shots]),
            poor=np.array([shot.poor for shot in shots]),
            tilt=np.radians([shot.tilt for shot in shots]).astype(np.float32),
            wide=np.array([item.width_mm for item in items], np.float32),
            high=np.array([item.height_mm for item in items], np.float32),
            radius=np.array([item.radius_mm or 9.0 for item in items], np.float32),
            shoulder=np.array([item.shoulder_mm or 5.0 for item in items], np.float32),
            leaf=np.stack([_rim_colour(item) for item in items]),
        )


def _rim_colour(item: PrintedSurface) -> Floats:
    """Mean colour of a cap near its rim, which the wrapper below continues."""
    rows = item.albedo.shape[0]
    rim = item.albedo[rows // 2 - rows // 8 : rows // 2 + rows // 8 : 4, : rows // 7 : 4]
    return np.asarray(rim.mean((0, 1)), np.float32)


def _check(shot: Shot, surfaces: Sequence[PrintedSurface]) -> None:
    if not 0 <= shot.surface < len(surfaces):
        raise WorldInvalid(f"there is no surface {shot.surface}; there are {len(surfaces)}")
    if shot.lighting not in _LIGHTINGS:
        raise WorldInvalid(f"the demo camera has no {shot.lighting} lighting")
    if shot.view not in _TURNS:
        raise WorldInvalid(f"the demo camera has no {shot.view} view")
    if surfaces[shot.surface].geometry != "cylinder" and _TURNS[shot.view] != 0:
        raise WorldInvalid(f"a {surfaces[shot.surface].geometry} has no {shot.view} view")
    if abs(shot.tilt) > 35:
        raise WorldInvalid(f"a tilt of {shot.tilt} degrees is too steep; 35 is the most")
