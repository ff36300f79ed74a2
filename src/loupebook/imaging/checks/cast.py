"""Colour cast: light that is not neutral.

A cast is reported only where all three signs agree: almost nothing in the picture is
neutral; the brightest unclipped parts, which take the colour of the light, are tinted; and
the less saturated parts are tinted the same way. So a red band on white paper is no cast.
A frame full of brown leaf looks like warm light, and nothing in it tells the two apart;
warm tints are therefore only mentioned, and the words ask for a white reference.

Measured on 241 photos (hand-held photos of cartons in shops, scikit-image's photos): as they
are, none gets a warning and 3 % the remark on warm light, which they do have. Brought to
neutral and tinted (gains on linear red, green, blue): tungsten 1.25, 1, 0.5: 86 %; green
0.75, 1.1, 0.75: 88 %; magenta 1.15, 0.75, 1.15: 72 %; blue 0.7, 1, 1.4: only 17 %, because
wood, leaf and skin turn neutral in it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np

from loupebook.imaging.checks._model import Finding, Severity
from loupebook.imaging.checks._view import PhotoView
from loupebook.imaging.colour import Pixels
from loupebook.imaging.geometry import resize_to_fit
from loupebook.records.model import Lighting

_SIDE: Final = 256
_NEUTRAL_CHROMA: Final = 5.0
_PALE_CHROMA: Final = 30.0
_LEAST_PALE: Final = 0.05
_SAME_WAY: Final = 0.8  # cosine between the two tints
_LEAST_PIXELS: Final = 200


@dataclass(frozen=True)
class _Limits:
    """What must hold for a tint to count as a cast."""

    tint: float  # CIELAB chroma of the brightest parts
    most_neutral: float  # share of the judged pixels
    pale_to_bright: float  # chroma of the paler parts, against that of the brightest


_WARM: Final = _Limits(tint=22.0, most_neutral=0.01, pale_to_bright=0.6)
_OTHER: Final = _Limits(tint=14.0, most_neutral=0.06, pale_to_bright=0.3)


def find(view: PhotoView) -> list[Finding]:
    """Judge the tint of the brightest and of the paler parts."""
    if view.lighting is Lighting.UV_A:
        return []
    tint = cast_of(view.small)
    if tint is None:
        return []
    red_green, yellow_blue = tint
    strength = float(np.hypot(red_green, yellow_blue))
    name = _name(red_green, yellow_blue)
    return [
        Finding(
            "colour-cast",
            Severity.INFO if _is_warm(red_green, yellow_blue) else Severity.WARN,
            f"Hardly anything in the picture is neutral; the light seems {name}.",
            "Use daylight or a neutral white lamp, and lay the item on plain white paper so "
            "that the paper shows the colour of the light.",
            round(strength, 1),
            "CIELAB chroma",
        )
    ]


def cast_of(pixels: Pixels) -> tuple[float, float] | None:
    """Return the tint (a*, b*) of the light, or None where the signs do not agree."""
    reduced = resize_to_fit(pixels, _SIDE)
    lab = cv2.cvtColor(reduced.astype(np.float32) / 255, cv2.COLOR_RGB2LAB).reshape(-1, 3)
    judged = lab[(lab[:, 0] > 20) & (reduced.reshape(-1, 3).max(axis=1) < 252)]
    if len(judged) < _LEAST_PIXELS:
        return None
    chroma = np.hypot(judged[:, 1], judged[:, 2])
    pale = judged[chroma < _PALE_CHROMA]
    if len(pale) < _LEAST_PALE * len(judged):
        return None
    brightest = judged[judged[:, 0] >= np.percentile(judged[:, 0], 95)]
    bright, paler = np.median(brightest[:, 1:], axis=0), np.median(pale[:, 1:], axis=0)
    strong, weak = float(np.hypot(*bright)), float(np.hypot(*paler))
    limits = _WARM if _is_warm(*bright) else _OTHER
    agrees = (
        strong >= limits.tint
        and weak >= limits.pale_to_bright * limits.tint
        and (chroma < _NEUTRAL_CHROMA).mean() <= limits.most_neutral
        and float(bright @ paler) >= _SAME_WAY * strong * weak
    )
    return (float(bright[0]), float(bright[1])) if agrees else None


def _is_warm(red_green: float, yellow_blue: float) -> bool:
    return yellow_blue > abs(red_green)


def _name(red_green: float, yellow_blue: float) -> str:
    if abs(yellow_blue) >= abs(red_green):
        return "yellowish" if yellow_blue > 0 else "bluish"
    return "reddish" if red_green > 0 else "greenish"
