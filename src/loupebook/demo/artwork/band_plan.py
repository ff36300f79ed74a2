"""What makes up one band edition: the plan that artwork is drawn from.

A redesign, or a forger's redrawing, is the same plan with a few fields changed.
"""

from __future__ import annotations

from dataclasses import dataclass

from loupebook.demo.artwork.palette import Palette

LAYOUTS = ("medallion", "nameplate", "straight", "crest", "monogram")
WING_MOTIFS = ("coins", "scrolls", "stars", "legend", "rosettes")
BORDERS = ("beads", "weave", "chain")
GROUNDS = ("moire", "engine", "lattice", "waves", "plain")
FIELDS = ("rays", "rosette", "engine", "echo", "lattice")


@dataclass(frozen=True)
class BandPlan:
    """Parameters of a band; lengths in mm.

    Parameters
    ----------
    marque, edition : str
        Names.
    layout : str
        One of :data:`LAYOUTS`.
    palette : Palette
        Inks, paper and foil.
    width, height, wing_height : float
        Overall size, and the height of the strip that goes round the cigar.
    frame : str
        Kind of the central frame (see ``geometry.FRAMES``).
    frame_width : float
        Its width.
    emblem : str
        Subject in the middle field.
    emblem_seed : int
        Which head, hull…
    name, top_legend, low_legend, wing_legend, monogram : str
        Texts.
    name_face, legend_face : str
        Typefaces.
    ground, field, wing_motif : str
        Patterns and motifs; ``name`` as a wing motif sets the name there in large letters.
    pearls : int
        Beads round the central frame.
    missing_pearls, missing_leaves : tuple of int
        Left out (copies do this).
    leaf_pairs : int
        Leaves of each laurel branch; 0 for none.
    coins : int
        Motifs on each wing.
    microtext : str
        Small text along the borders; empty for none.
    radius_mm : float
        Radius of the cigar.
    emboss_mm : float
        Relief of the highest emboss.
    wing_end : str
        ``square``, ``swallow`` or ``round``.
    border : str
        One of :data:`BORDERS`.
    glory : str
        Rays behind the frame: ``foil`` on dark, or ``tint`` on the accent colour.
    """

    marque: str
    edition: str
    layout: str
    palette: Palette
    width: float
    height: float
    wing_height: float
    frame: str
    frame_width: float
    emblem: str
    emblem_seed: int
    name: str
    top_legend: str
    low_legend: str
    wing_legend: str
    monogram: str
    name_face: str
    legend_face: str
    ground: str
    field: str
    wing_motif: str
    pearls: int
    leaf_pairs: int
    coins: int
    microtext: str
    radius_mm: float
    emboss_mm: float = 0.11
    wing_end: str = "square"
    border: str = "beads"
    glory: str = "foil"
    missing_pearls: tuple[int, ...] = ()
    missing_leaves: tuple[int, ...] = ()
