"""The one scene description that both renderers read.

A :class:`SceneBatch` holds `n` scenes as arrays with the scene index first. Lengths are in
mm, the table top is ``z = 0`` (or `ground_z`), colours are linear. Up to `RODS` rods (round
bars with rounded ends) stand for the item's cigar, its neighbours and fingers; rod 0 is the
item's own cigar. A rod's local frame has x along its axis (towards the head), z towards the
middle of the band's face.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from loupebook.errors import WorldInvalid

Floats = NDArray[np.float32]
Integers = NDArray[np.int64]

RODS = 7
LIGHTS = 3
#: Values of `rod_kind`.
ABSENT, CIGAR, FINGER = 0, 1, 2
#: Values of `geometry`.
CYLINDER, STRIP, DOME = 0, 1, 2
GEOMETRIES = {"cylinder": CYLINDER, "strip": STRIP, "dome": DOME}


@dataclass(frozen=True, eq=False)
class SceneBatch:
    """Scenes of one picture size.

    Parameters
    ----------
    height, width : int
        Picture size in px.
    surface, geometry : ndarray (n,)
        Which surface of the bank is the item, and how it lies.
    rod_kind, rod_surface, rod_material : ndarray (n, RODS)
        What a rod is, which surface it wears (-1 none), which tile it is made of.
    rod_centre : ndarray (n, RODS, 3)
        Middle of the axis.
    rod_frame : ndarray (n, RODS, 3, 3)
        Rows are the local x, y and z axes in world directions.
    rod_half, rod_radius, rod_shoulder : ndarray (n, RODS)
        Half length with ends, radius, and radius of the rounding at the +x end.
    rod_band : ndarray (n, RODS)
        Local x of the middle of the band.
    rod_offset : ndarray (n, RODS, 2)
        Where on the tile the rod's leaf was cut.
    rod_tint : ndarray (n, RODS, 3)
        Multiplies the tile's colour.
    box : ndarray (n, 6)
        Least x, y, z and greatest x, y, z of a wooden box; empty when ``box[0] > box[3]``.
    box_round : ndarray (n,)
        Radius of the rounded edge at greatest x and z.
    box_material, ground_material : ndarray (n,)
        Tiles.
    ground_z, ground_turn, ground_scale : ndarray (n,)
        Height of the table, turn of its grain in radians, and enlargement of its tile.
    ground_tint : ndarray (n, 3)
        Multiplies the tile's colour.
    eye : ndarray (n, 3)
        Centre of the lens.
    view : ndarray (n, 3, 3)
        Rows: right, down and forward in world directions.
    focal_px : ndarray (n,)
        Focal length in px.
    centre_px : ndarray (n, 2)
        Principal point (x, y) in px.
    aperture_mm, focus_mm : ndarray (n,)
        Lens opening, and distance along the view axis that is sharp.
    light_centre : ndarray (n, LIGHTS, 3)
        Middle of a soft box.
    light_frame : ndarray (n, LIGHTS, 3, 3)
        Rows: the two edges and the direction in which it shines.
    light_half : ndarray (n, LIGHTS, 2)
        Half lengths of the edges.
    light_radiance : ndarray (n, LIGHTS, 3)
        Zero where absent.
    ambient : ndarray (n, 3, 3)
        Radiance of the room overhead, at the horizon, and of what lies behind the camera
        low down.
    uv : ndarray (n,)
        1 where the lights are UV-A lamps, else 0.
    exposure : ndarray (n,)
        Mean brightness of the item that the camera exposes for.
    """

    height: int
    width: int
    surface: Integers
    geometry: Integers
    rod_kind: Integers
    rod_surface: Integers
    rod_material: Integers
    rod_centre: Floats
    rod_frame: Floats
    rod_half: Floats
    rod_radius: Floats
    rod_shoulder: Floats
    rod_band: Floats
    rod_offset: Floats
    rod_tint: Floats
    box: Floats
    box_round: Floats
    box_material: Integers
    ground_material: Integers
    ground_z: Floats
    ground_turn: Floats
    ground_scale: Floats
    ground_tint: Floats
    eye: Floats
    view: Floats
    focal_px: Floats
    centre_px: Floats
    aperture_mm: Floats
    focus_mm: Floats
    light_centre: Floats
    light_frame: Floats
    light_half: Floats
    light_radiance: Floats
    ambient: Floats
    uv: Floats
    exposure: Floats

    def __post_init__(self) -> None:
        if self.height < 16 or self.width < 16:
            raise WorldInvalid(f"a picture of {self.width} x {self.height} px is too small")
        for name, array in self.arrays().items():
            if array.shape[0] != self.surface.shape[0]:
                raise WorldInvalid(f"scene field {name} is for another number of scenes")
            if not np.isfinite(array).all():
                raise WorldInvalid(f"scene field {name} holds a number that is not finite")

    @property
    def count(self) -> int:
        """Number of scenes."""
        return int(self.surface.shape[0])

    def arrays(self) -> dict[str, NDArray[Any]]:
        """All array fields by name."""
        names = [f.name for f in fields(self) if f.name not in ("height", "width")]
        return {name: getattr(self, name) for name in names}

    def tensors(self, device: str | torch.device) -> dict[str, Tensor]:
        """All array fields as tensors on a device."""
        return {
            name: torch.from_numpy(np.ascontiguousarray(array)).to(device)
            for name, array in self.arrays().items()
        }

    def take(self, rows: Sequence[int]) -> SceneBatch:
        """Some of the scenes, in the order given."""
        index = np.asarray(rows, dtype=np.int64)
        taken: dict[str, Any] = {name: array[index] for name, array in self.arrays().items()}
        return replace(self, **taken)

    def scaled(self, factor: float) -> SceneBatch:
        """The same scenes drawn at `factor` times as many px along each edge."""
        return replace(
            self,
            height=round(self.height * factor),
            width=round(self.width * factor),
            focal_px=self.focal_px * np.float32(factor),
            centre_px=self.centre_px * np.float32(factor),
        )
