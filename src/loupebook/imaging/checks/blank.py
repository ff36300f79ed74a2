"""Nothing in the picture."""

from __future__ import annotations

from typing import Final

import numpy as np

from loupebook.imaging.checks._model import Finding, Severity
from loupebook.imaging.checks._view import PhotoView

#: Grey levels between the darkest and the brightest hundredth of the picture.
_LEAST_CONTRAST: Final = 8.0


def find(view: PhotoView) -> list[Finding]:
    """Judge the span of grey and of each colour."""
    low, high = np.percentile(view.small.reshape(-1, 3), [1, 99], axis=0)
    span = float((high - low).max())
    if span >= _LEAST_CONTRAST:
        return []
    return [
        Finding(
            "blank",
            Severity.FAIL,
            "The picture is one even tone; no item can be seen.",
            "Check that the lens is free and that the right file was chosen.",
            round(span, 1),
            "levels",
        )
    ]
