"""What a printed item, or a cap, is to a camera: the contract between press and camera.

Conventions
-----------
* Arrays are ``float32``, indexed ``[row, column]``; every map has the same ``(H, W)``.
* Pixel ``[i, j]`` is the mean over its square; its centre lies at
  ``x = (j + 0.5) / px_per_mm``, ``y = (i + 0.5) / px_per_mm`` mm from the top left corner
  of the map. ``x`` grows to the right, ``y`` downwards, both as one who reads the item
  sees it; the outward normal points at the reader.
* ``coverage`` below 1 means that the item ends inside the pixel. Outside it (coverage 0)
  the other maps hold harmless values, and what lies behind (wrapper leaf, wood) shows.
* Reflectance is relative, linear sRGB primaries (ITU-R BT.709), not gamma-encoded.
* A pixel's reflected light is ``(1 - metal) * (albedo, Lambertian, under a thin
  dielectric gloss with roughness `roughness`) + metal * (GGX conductor with normal
  reflectance `metal_tint` and the same `roughness`)``; where ``hologram`` > 0 a grating
  adds its first orders on top of the metal.

Geometry
--------
``cylinder``
    A band. Columns run round the cigar (``x`` is arc length on a cylinder of
    ``radius_mm``), rows along its axis; row 0 lies towards the head. The middle column is
    the middle of the face.
``strip``
    A seal. Flat paper, which may be laid round the edge of a box: columns run along the
    strip.
``dome``
    A cap. The map is azimuthal equidistant: the pole of the head is the middle of the map
    and a point at distance ``rho`` mm from it lies ``rho`` mm down the meridian, so that
    the outer ring of the map is the side of the cigar just below the head
    (:func:`dome_profile` gives radius and depth).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from loupebook.errors import WorldInvalid
from loupebook.records.model import Element

FloatMap = npt.NDArray[np.float32]
Geometry = Literal["cylinder", "strip", "dome"]

_MAPS = ("coverage", "metal", "roughness", "relief_mm", "hologram")
_GRATINGS = ("grating_pitch_um", "grating_angle")
_COLOUR_MAPS = ("albedo", "metal_tint", "fluorescence")


@dataclass(frozen=True, eq=False)
class PrintedSurface:
    """One physical specimen, flat, ready to be photographed.

    Any map may be a read-only broadcast view (a constant costs no memory); copy before
    writing.

    Parameters
    ----------
    element : Element
        Band, seal or cap.
    geometry : {'cylinder', 'strip', 'dome'}
        How the flat map lies in space, see the module.
    px_per_mm : float
        Scale of all maps.
    albedo : ndarray, shape (H, W, 3)
        Diffuse reflectance of ink on paper (or of leaf), linear sRGB, 0 to 1.
    coverage : ndarray, shape (H, W)
        1 on the item, 0 outside its cut outline.
    metal : ndarray, shape (H, W)
        0 to 1: how much of the pixel is bare metal foil.
    metal_tint : ndarray, shape (H, W, 3)
        Reflectance of the foil at normal incidence, linear sRGB.
    roughness : ndarray, shape (H, W)
        GGX roughness, 0.02 to 1: the width parameter is ``alpha = roughness ** 2``. About
        0.55 to 0.7 on uncoated paper, 0.35 on coated, 0.2 to 0.3 on foil, 0.3 on oily
        leaf.
    relief_mm : ndarray, shape (H, W)
        Height above the sheet in mm along the outward normal: emboss plus paper (or leaf)
        texture. Typical embossing is 0.05 to 0.2 mm.
    fluorescence : ndarray, shape (H, W, 3)
        Linear sRGB radiant exitance per unit UV-A irradiance (dimensionless, 0 to about
        1). Uncoated paper free of brightener is near 0.01, brightened paper bluish 0.3.
    hologram : ndarray, shape (H, W)
        0 to 1: how much of the pixel is a diffraction grating (it lies on metal).
    grating_pitch_um : ndarray, shape (H, W)
        Groove distance in µm (1 where there is no hologram).
    grating_angle : ndarray, shape (H, W)
        Direction of the grating vector, which stands across the grooves, in radians from
        +x towards +y.
    radius_mm : float
        Radius of the cigar that a cylinder or dome lies on; 0 for a strip.
    shoulder_mm : float
        Dome only: radius of the rounded edge between the head and the side.
    metadata : mapping
        Names and seeds: marque, edition, origin, specimen seed, serials…

    Raises
    ------
    WorldInvalid
        Maps of different shapes, or a geometry that lacks its sizes.
    """

    element: Element
    geometry: Geometry
    px_per_mm: float
    albedo: FloatMap
    coverage: FloatMap
    metal: FloatMap
    metal_tint: FloatMap
    roughness: FloatMap
    relief_mm: FloatMap
    fluorescence: FloatMap
    hologram: FloatMap
    grating_pitch_um: FloatMap
    grating_angle: FloatMap
    radius_mm: float = 0.0
    shoulder_mm: float = 0.0
    metadata: Mapping[str, Any] = field(default_factory=lambda: MappingProxyType({}))

    def __post_init__(self) -> None:
        shape = self.coverage.shape
        wrong = [n for n in (*_MAPS, *_GRATINGS) if getattr(self, n).shape != shape]
        wrong += [n for n in _COLOUR_MAPS if getattr(self, n).shape != (*shape, 3)]
        if wrong or len(shape) != 2:
            raise WorldInvalid(f"maps of a surface differ in shape from {shape}: {wrong}")
        if not self.px_per_mm > 0:
            raise WorldInvalid(f"px_per_mm must be positive, not {self.px_per_mm}")
        if self.geometry != "strip" and not self.radius_mm > 0:
            raise WorldInvalid(f"a {self.geometry} needs a positive radius_mm")
        if self.geometry == "dome" and not 0 < self.shoulder_mm <= self.radius_mm:
            raise WorldInvalid("a dome needs 0 < shoulder_mm <= radius_mm")

    @property
    def width_mm(self) -> float:
        """Width of the map (columns) in mm."""
        return float(self.coverage.shape[1] / self.px_per_mm)

    @property
    def height_mm(self) -> float:
        """Height of the map (rows) in mm."""
        return float(self.coverage.shape[0] / self.px_per_mm)


def dome_profile(
    rho_mm: npt.NDArray[np.floating[Any]], *, radius_mm: float, shoulder_mm: float
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Meridian of a cigar's head: flat disc, quarter-round shoulder, straight side.

    Parameters
    ----------
    rho_mm : ndarray
        Arc length from the pole along the meridian, in mm.
    radius_mm, shoulder_mm : float
        As in :class:`PrintedSurface`; equal values give a hemisphere.

    Returns
    -------
    radius, depth : ndarray
        Distance from the axis and depth below the pole, in mm.
    """
    rho = np.asarray(rho_mm, dtype=np.float64)
    flat = radius_mm - shoulder_mm
    turn = np.clip((rho - flat) / shoulder_mm, 0.0, np.pi / 2)
    below = np.maximum(rho - flat - shoulder_mm * np.pi / 2, 0.0)
    radius = np.minimum(rho, flat) + shoulder_mm * np.sin(turn)
    return radius, shoulder_mm * (1.0 - np.cos(turn)) + below
