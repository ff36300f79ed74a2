"""How a press is set: everything about printing that is not the design itself.

Lengths in mm, angles in radians, colours linear sRGB.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from loupebook.demo.artwork.model import Colour
from loupebook.errors import WorldInvalid

PROCESS_ANGLES_DEG = (15.0, 75.0, 0.0, 45.0)
"""Screen angles of cyan, magenta, yellow and black: the usual offset set (common practice)."""


class Method(StrEnum):
    """How colour is laid down."""

    SPOT = "spot"
    PROCESS = "process"


class Foil(StrEnum):
    """What becomes of the foil."""

    STAMPED = "stamped"
    TRACED = "traced"
    YELLOW_INK = "yellow-ink"


class Grating(StrEnum):
    """What becomes of the hologram."""

    TRUE = "true"
    SINGLE = "single"
    DEAD = "dead"


@dataclass(frozen=True)
class Paper:
    """Sheet.

    Parameters
    ----------
    tint : tuple of float
        Multiplies the edition's paper colour.
    brightener : float
        Fluorescence of the sheet under UV-A, 0.01 without optical brightener.
    roughness : float
        GGX roughness of the bare sheet.
    texture_um : float
        Deviation of the surface.
    fibres : int
        Fluorescent security fibres per cm².
    """

    tint: Colour = (1.0, 1.0, 1.0)
    brightener: float = 0.012
    roughness: float = 0.55
    texture_um: float = 2.2
    fibres: int = 0


@dataclass(frozen=True)
class PressSettings:
    """Constant settings and faults of one press run.

    Parameters
    ----------
    method : Method
        Spot inks, or scanned and printed in four process colours.
    register_mm : tuple of (str, float, float)
        Constant offset (x, y) of plates by name; ``cut`` is the die that cuts the outline.
    register_jitter_mm : float
        Deviation of register from sheet to sheet.
    spread_mm : float
        How far ink creeps beyond the plate.
    density, density_jitter, mottle : float
        Ink film relative to nominal; its deviation from sheet to sheet; cloudiness.
    ruling_per_mm : float
        Screen ruling in lines per mm (process only).
    screen_turn : float
        Added to all screen angles, in radians.
    dot_gain : float
        Growth of a 50 % dot, as a share of area.
    scan_blur_mm, scan_sharpen : float
        Softness of the scan, and unsharp masking put on it (process only).
    cast : tuple of float
        Multiplies reflectance of printed colour: shift of the palette.
    foil : Foil
        Kind of metal.
    foil_tint : tuple of float
        Multiplies the foil's reflectance.
    foil_roughness : float
        GGX roughness of the foil.
    emboss : float
        Relief relative to nominal.
    grating : Grating
        State of the hologram.
    uv : float
        Strength of UV inks relative to nominal; 0 leaves them out.
    paper : Paper
        The sheet.
    scale : tuple of float
        Stretch of the print in x and y.
    flaws : int
        Constant specks and nicks in the plates.
    age, wear : float
        Mean yellowing and rubbing, 0 to 1.

    Raises
    ------
    WorldInvalid
        Settings that no press has.
    """

    method: Method = Method.SPOT
    register_mm: tuple[tuple[str, float, float], ...] = ()
    register_jitter_mm: float = 0.02
    spread_mm: float = 0.008
    density: float = 1.0
    density_jitter: float = 0.015
    mottle: float = 0.015
    ruling_per_mm: float = 7.0
    screen_turn: float = 0.0
    dot_gain: float = 0.14
    scan_blur_mm: float = 0.05
    scan_sharpen: float = 0.6
    cast: Colour = (1.0, 1.0, 1.0)
    foil: Foil = Foil.STAMPED
    foil_tint: Colour = (1.0, 1.0, 1.0)
    foil_roughness: float = 0.24
    emboss: float = 1.0
    grating: Grating = Grating.TRUE
    uv: float = 1.0
    paper: Paper = Paper()
    scale: tuple[float, float] = (1.0, 1.0)
    flaws: int = 2
    age: float = 0.1
    wear: float = 0.05

    def __post_init__(self) -> None:
        if not 1.0 <= self.ruling_per_mm <= 20.0:
            raise WorldInvalid(
                f"screen ruling must be 1 to 20 lines per mm, not {self.ruling_per_mm}"
            )
        if not all(0.8 <= s <= 1.25 for s in self.scale):
            raise WorldInvalid(f"a print is stretched by 0.8 to 1.25, not {self.scale}")
        shares = (self.dot_gain, self.age, self.wear, self.mottle)
        if not all(0.0 <= s <= 1.0 for s in shares):
            raise WorldInvalid(f"dot gain, age, wear and mottle lie between 0 and 1, not {shares}")
        if self.spread_mm < 0 or self.scan_blur_mm < 0 or self.flaws < 0 or self.density <= 0:
            raise WorldInvalid("spread, blur and flaws cannot be negative, nor density zero")
