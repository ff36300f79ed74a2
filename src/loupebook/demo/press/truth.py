"""Ground truth: where a copy's design differs from the genuine one, and by how much.

Both designs are compared as plates in the genuine frame, before ink, screen, register and
stretch: what differs is what was drawn differently. Process, proportions and palette
concern the whole print and are given as numbers beside the mask.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from loupebook.demo.artwork.model import Artwork, PlateKind
from loupebook.demo.press.raster import render_plates
from loupebook.demo.press.settings import Foil, Method, PressSettings
from loupebook.errors import WorldInvalid

TRUTH_PX_PER_MM = 12.0
"""Usual scale of difference masks."""
_CHANGED = 0.30
"""Change of coverage that counts, averaged over about 0.1 mm."""


@dataclass(frozen=True, eq=False)
class Difference:
    """What sets a copy's design apart.

    Parameters
    ----------
    mask : ndarray of bool (H, W)
        Where visible plates differ.
    uv_mask : ndarray of bool (H, W)
        Where UV plates differ.
    structural : float
        Share of the item's area in `mask`.
    parts : tuple of str
        Keys of the parts that differ, are missing or were added.
    stretch : tuple of float
        Proportions of the copy, x and y.
    screened, real_foil : bool
        Whether it is printed in process colour; whether its foil is metal.
    """

    mask: npt.NDArray[np.bool_]
    uv_mask: npt.NDArray[np.bool_]
    structural: float
    parts: tuple[str, ...]
    stretch: tuple[float, float]
    screened: bool
    real_foil: bool


def difference_mask(
    genuine: Artwork, copy: Artwork, press: PressSettings, *, px_per_mm: float = TRUTH_PX_PER_MM
) -> Difference:
    """Compare a copy's artwork with the genuine one.

    Raises
    ------
    WorldInvalid
        Two artworks of different size or element.
    """
    if (genuine.element, genuine.width, genuine.height) != (copy.element, copy.width, copy.height):
        raise WorldInvalid("a copy is compared with artwork of the same element and size")
    ours, theirs = (render_plates(a, px_per_mm) for a in (genuine, copy))
    change = {p.name: np.abs(ours.maps[p.name] - theirs.maps[p.name]) for p in genuine.plates}
    seen = [
        p.name
        for p in genuine.plates
        if p.kind in (PlateKind.INK, PlateKind.FOIL, PlateKind.HOLOGRAM)
    ]
    glowing = [p.name for p in genuine.plates if p.kind is PlateKind.UV]
    inside = (ours.outline > 0.5) | (theirs.outline > 0.5)
    outline = np.abs(ours.outline - theirs.outline)
    mask = _changed([outline, *(change[n] for n in seen)], px_per_mm)
    digests = {p.key: p.digest() for p in genuine.parts}
    others = {p.key: p.digest() for p in copy.parts}
    keys = sorted(digests.keys() | others.keys())
    return Difference(
        mask=mask & inside,
        uv_mask=_changed([change[n] for n in glowing], px_per_mm) & inside,
        structural=float((mask & inside).sum() / inside.sum()),
        parts=tuple(k for k in keys if digests.get(k) != others.get(k)),
        stretch=press.scale,
        screened=press.method is Method.PROCESS,
        real_foil=press.foil is not Foil.YELLOW_INK,
    )


def _changed(maps: list[npt.NDArray[np.float32]], px_per_mm: float) -> npt.NDArray[np.bool_]:
    worst = np.maximum.reduce(maps)
    soft = cv2.GaussianBlur(worst, (0, 0), max(0.4, 0.05 * px_per_mm))
    near = max(1, round(0.18 * px_per_mm))
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * near + 1, 2 * near + 1))
    return np.asarray(cv2.dilate((soft > _CHANGED).astype(np.uint8), kernel) > 0)
