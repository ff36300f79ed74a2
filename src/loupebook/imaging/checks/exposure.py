"""Too dark or too bright.

Too dark: even the brightest hundredth is dim. Too bright: much of the picture has one
channel at its limit while another is not (a pale, washed-out colour); pure white is left
out, because a white ground is no fault.

Measured on 153 photos: none is called too dark or too bright; darkened by 2, 3, 4 stops
25, 100, 100 % are called too dark; brightened by 1, 2 stops 62, 86 % too bright.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from loupebook.imaging.checks._model import Finding, Severity
from loupebook.imaging.checks._view import PhotoView
from loupebook.records.model import Lighting

_DIM_WARN: Final = 120.0
_DIM_FAIL: Final = 45.0
_WASHED_WARN: Final = 0.10
_WASHED_FAIL: Final = 0.60


def find(view: PhotoView) -> list[Finding]:
    """Judge the brightest tones, and the share of washed-out colour."""
    if view.lighting is Lighting.UV_A:
        return []
    findings = []
    brightest = float(np.percentile(view.small_grey, 99))
    if brightest < _DIM_WARN:
        findings.append(
            Finding(
                "underexposed",
                Severity.FAIL if brightest < _DIM_FAIL else Severity.WARN,
                "The photo is too dark; even its brightest parts are dim.",
                "Use more light, or raise the exposure (on a phone: tap the item, then slide up).",
                round(brightest, 0),
                "grey level of 255",
            )
        )
    washed = washed_share(view)
    if washed > _WASHED_WARN:
        findings.append(
            Finding(
                "overexposed",
                Severity.FAIL if washed > _WASHED_FAIL else Severity.WARN,
                f"The photo is too bright; colours are washed out in {washed:.0%} of it.",
                "Lower the exposure (on a phone: tap the item, then slide down) or soften the "
                "light.",
                round(100 * washed, 1),
                "% of the picture",
            )
        )
    return findings


def washed_share(view: PhotoView) -> float:
    """Return the share of pixels that are pale because a channel is at its limit."""
    lightest, darkest = view.small.max(axis=2), view.small.min(axis=2)
    return float(((lightest >= 254) & (darkest >= 110) & (darkest < 250)).mean())
