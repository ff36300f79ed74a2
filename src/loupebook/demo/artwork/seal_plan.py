"""What makes up one seal edition."""

from __future__ import annotations

from dataclasses import dataclass

from loupebook.demo.artwork.palette import Palette

BOTTOM, OVER_CODE, CREST = SERIAL_PLACES = ("bottom centre", "over the bar code", "crest")
"""Where the number stands; the crest carries its last four digits only."""


@dataclass(frozen=True)
class SealPlan:
    """Parameters of a seal; lengths in mm.

    Parameters
    ----------
    marque, edition : str
        Names.
    palette : Palette
        Inks and paper.
    width, height : float
        The strip.
    body, title, island : str
        Who issues it, what it is, where.
    emblem : str
        Subject of the vignette and the crest.
    emblem_seed : int
        Which one.
    title_face, legend_face : str
        Typefaces.
    petals : int
        Lobes of the lathe-work rosettes.
    border_lines : int
        Lines woven in the border.
    gtin : str
        EAN-13 number; from the range 20 to 29 that GS1 keeps for restricted circulation.
    hologram : str
        Outline of the patch (a frame kind).
    microtext : str
        Small text round the vignette; empty for none.
    serials : tuple of (str, str)
        Place and number, in the order of :data:`SERIAL_PLACES`.
    leaf_pairs : int
        Laurel of the crest.
    missing_leaves : tuple of int
        Left out (copies do this).
    uv_number : str
        Number in the UV crest; empty on genuine seals.
    uv_rays : int
        Rays behind the UV crest.
    mirrored : bool
        Bar code at the left, crest at the right.
    """

    marque: str
    edition: str
    palette: Palette
    body: str
    title: str
    island: str
    emblem: str
    emblem_seed: int
    title_face: str
    legend_face: str
    petals: int
    border_lines: int
    gtin: str
    hologram: str
    microtext: str
    serials: tuple[tuple[str, str], ...]
    width: float = 112.0
    height: float = 30.0
    leaf_pairs: int = 9
    missing_leaves: tuple[int, ...] = ()
    uv_number: str = ""
    uv_rays: int = 36
    mirrored: bool = False
