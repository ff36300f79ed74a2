"""What is usual among genuine ones: figures become z.

A figure is held against the figures that the genuine photos of the same edition give when
each specimen in turn is compared with the others. As three or five photos tell little of
their own spread, the level of the edition is drawn towards the level of rendered editions
(``typical.json``), and the scale is theirs: how far casual photos of genuine items scatter
about their edition's level. Both in logarithms: figures are positive and skewed.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

_PRIOR_PHOTOS = 2.0
LEAST_WEIGHT = 0.02
_UNKNOWN_EDITION = 1.4
"""By how much wider figures scatter where the edition's own level is not known."""


@dataclass(frozen=True)
class Typical:
    """How a measurement behaves on genuine items.

    Parameters
    ----------
    level : float
        Median figure of a reference photo against the other specimens of its edition.
    centre, scale : float
        Median and scaled median absolute deviation of log(figure / edition's level) of
        casual photos that show 10 px a mm.
    slope : float
        What the centre gains where a photo shows half as many px a mm.
    """

    level: float
    centre: float
    scale: float
    slope: float = 0.0


def edition_level(name: str, own: Sequence[float], *, uv: bool) -> float:
    """Return an edition's level, drawn towards the typical one.

    Parameters
    ----------
    name : str
        Of the measurement.
    own : sequence of float
        Figures of the edition's own photos, each against the other specimens.
    uv : bool
        Whether they were photographed under UV-A.
    """
    typical = typical_of(name, uv=uv)
    floor = 0.05 * typical.level
    total = sum(math.log(max(value, 0) + floor) for value in own)
    prior = _PRIOR_PHOTOS * math.log(typical.level + floor)
    return math.exp((total + prior) / (len(own) + _PRIOR_PHOTOS)) - floor


def z_of(
    name: str, value: float, own: Sequence[float], *, uv: bool, px_per_mm: float | None
) -> float:
    """Return by how many usual deviations a figure lies above what genuine ones give.

    Parameters
    ----------
    name, value
        The measurement and its figure.
    own : sequence of float
        Figures of the edition's own photos, each against the other specimens.
    uv : bool
        Whether all were photographed under UV-A.
    px_per_mm : float, optional
        How finely the query shows the print; `None` is taken for 10.
    """
    level, floor, usual, scale = _bearings(name, own, uv=uv, px_per_mm=px_per_mm)
    return (math.log((max(value, 0) + floor) / (level + floor)) - usual) / scale


def value_at(
    z: float, name: str, own: Sequence[float], *, uv: bool, px_per_mm: float | None
) -> float:
    """Return the figure that lies `z` usual deviations above what genuine ones give.

    The inverse of :func:`z_of`, for figures above 0.
    """
    level, floor, usual, scale = _bearings(name, own, uv=uv, px_per_mm=px_per_mm)
    return (level + floor) * math.exp(usual + z * scale) - floor


def _bearings(
    name: str, own: Sequence[float], *, uv: bool, px_per_mm: float | None
) -> tuple[float, float, float, float]:
    """Return level and floor of the figure, and centre and scale of its logarithm."""
    typical = typical_of(name, uv=uv)
    usual = typical.centre + typical.slope * coarseness(px_per_mm)
    scale = typical.scale * (1.0 if own else _UNKNOWN_EDITION)
    return edition_level(name, own, uv=uv), 0.05 * typical.level, usual, scale


def coarseness(px_per_mm: float | None) -> float:
    """Return how many times a photo is coarser than 10 px a mm, in doublings, within ±1.5."""
    if px_per_mm is None:
        return 0.0
    return min(1.5, max(-1.5, math.log2(10.0 / px_per_mm)))


def is_known(name: str, *, uv: bool) -> bool:
    """Say whether it is known what is usual for a measurement in this light."""
    return name in _typical()["uv-a" if uv else "plain"]


def typical_of(name: str, *, uv: bool) -> Typical:
    """Return the typical behaviour of a measurement; see :func:`is_known`."""
    return _typical()["uv-a" if uv else "plain"][name]


def weight_of(name: str) -> float:
    """Return how much a measurement counts where all are taken together.

    Learned on rendered worlds: which z, weighed so, tells copies of presses never seen from
    genuine ones. None is left out altogether, so that there is an answer wherever anything
    could be measured.
    """
    weights: Mapping[str, float] = _held()["weights"]
    return max(LEAST_WEIGHT, weights.get(name, 0.0))


@cache
def _typical() -> Mapping[str, Mapping[str, Typical]]:
    return {
        light: {name: Typical(**row) for name, row in _held()[light].items()}
        for light in ("plain", "uv-a")
    }


@cache
def _held() -> Mapping[str, Any]:
    held: dict[str, Any] = json.loads(
        (files("loupebook.compare") / "typical.json").read_text("utf-8")
    )
    return held
