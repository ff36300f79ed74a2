"""Photo checks: whether a photo is good enough, and if not, what to do.

Each check is one file in this folder with one function ``find(view) -> list[Finding]``;
adding a check is adding a file. Thresholds are stated in the check's file together with
the rates that they were chosen by.

What is *not* checked here: whether more than one item is in the photo. Without knowing
what the item looks like that cannot be told from a pattern or a box of items; the search,
which knows the references, can.
"""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Callable
from functools import cache

import numpy as np

from loupebook.imaging.checks._model import CODE_WORDS, NO_PRINT, Finding, PhotoCheck, Severity
from loupebook.imaging.checks._view import PhotoView
from loupebook.imaging.colour import Pixels
from loupebook.imaging.decode import DecodedPhoto
from loupebook.records.model import Lighting

__all__ = [
    "CODE_WORDS",
    "NO_PRINT",
    "Finding",
    "PhotoCheck",
    "PhotoView",
    "Severity",
    "check_names",
    "check_photo",
]

_GRAVEST_FIRST = {Severity.FAIL: 0, Severity.WARN: 1, Severity.INFO: 2}


def check_photo(
    pixels: Pixels,
    *,
    px_per_mm: float | None = None,
    decoded: DecodedPhoto | None = None,
    lighting: Lighting | None = None,
) -> PhotoCheck:
    """Check a photo and say in plain words what is wrong and what to do.

    Parameters
    ----------
    pixels : uint8 array (height, width, 3)
        The photo at full size (not reduced by `max_side`), sRGB, upright.
    px_per_mm : float, optional
        Scale in the item's plane, where known.
    decoded : DecodedPhoto, optional
        The file's own facts; lets compression be read instead of guessed.
    lighting : Lighting, optional
        Under a UV-A lamp a photo is dark and coloured by nature, so brightness and colour
        are not judged then.

    Returns
    -------
    PhotoCheck

    Raises
    ------
    ValueError
        If `pixels` is not a picture.
    """
    if pixels.ndim != 3 or pixels.shape[2] != 3 or pixels.dtype != np.uint8 or not pixels.size:
        raise ValueError("pixels must be a uint8 array (height, width, 3), not empty")
    view = PhotoView(
        pixels=pixels,
        px_per_mm=px_per_mm,
        quantisation=decoded.quantisation if decoded is not None else (),
        lighting=lighting,
    )
    findings = [finding for find in _checks().values() for finding in find(view)]
    findings.sort(key=lambda finding: (_GRAVEST_FIRST[finding.severity], finding.code))
    return PhotoCheck(tuple(findings))


def check_names() -> tuple[str, ...]:
    """Return the names of all checks, in alphabetical order."""
    return tuple(_checks())


@cache
def _checks() -> dict[str, Callable[[PhotoView], list[Finding]]]:
    names = sorted(
        module.name for module in pkgutil.iter_modules(__path__) if not module.name.startswith("_")
    )
    return {name: importlib.import_module(f"{__name__}.{name}").find for name in names}
