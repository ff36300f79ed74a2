"""What is measured of a query in a consensus' frame: one file a measurement.

Each file has `NAME`, `UNIT`, `SAYS` (what a greater value means, in plain words) and
``measure(framed) -> Measured``. Adding one is adding a file and naming it in :data:`ALL`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from loupebook.compare.frame import Framed
from loupebook.compare.measures import (
    colour,
    geometry,
    halftone,
    line_work,
    outline,
    register,
    sharpness,
    structure,
    trained,
    uv_plate,
)
from loupebook.compare.measures._model import Measured

__all__ = ["ALL", "Measured", "Measurement", "measure_all"]


@dataclass(frozen=True)
class Measurement:
    """One kind of measurement."""

    name: str
    unit: str
    says: str
    measure: Callable[[Framed], Measured]


ALL: tuple[Measurement, ...] = tuple(
    Measurement(module.NAME, module.UNIT, module.SAYS, module.measure)
    for module in (
        structure, line_work, colour, geometry, outline, sharpness, halftone, register, uv_plate,
        trained,
    )
)  # fmt: skip


def measure_all(framed: Framed, *, uv: bool) -> dict[str, Measured]:
    """Take every measurement that the lighting allows.

    Parameters
    ----------
    framed : Framed
        The query in the frame.
    uv : bool
        Whether both were photographed under UV-A: then what glows is measured, not paper
        and ink.
    """
    unfit = {"colour", "halftone screen", "foil register"} if uv else {"UV plate"}
    return {one.name: one.measure(framed) for one in ALL if one.name not in unfit}
