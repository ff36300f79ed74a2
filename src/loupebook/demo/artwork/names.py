"""Invented names: the island, its guarantee body, the ten marques, and any number more.

Every name was made up for this project and belongs to nobody. Should one turn out to be
in use somewhere, that is chance, and it should be changed here.
"""

from __future__ import annotations

import numpy as np

ISLAND = "YSMARIN"
NOTICE = (
    "Invented for a demonstration: no such island, body or maker exists. "
    "Rendered, not photographed."
)
MICROTEXT = "YSMARIN IS INVENTED · LEAF WARDENS · "

MARQUES = (
    "Belquora", "Torvandel", "Ostrelune", "Kestravo", "Umbrialto",
    "Galdemoor", "Fenicarra", "Zephirelle", "Dovaneth", "Calandrix",
)  # fmt: skip
"""The marques of the named demo."""

_HEADS = [
    "Bel",
    "Tor",
    "Os",
    "Kes",
    "Um",
    "Gal",
    "Fen",
    "Zeph",
    "Dov",
    "Cal",
    "Mir",
    "Vas",
    "Lun",
    "Quor",
    "Pell",
    "Ard",
    "Nav",
    "Sor",
    "Ith",
    "Wex",
]
_HEARTS = [
    "qua",
    "van",
    "tre",
    "dri",
    "bri",
    "de",
    "ni",
    "phi",
    "a",
    "lan",
    "mo",
    "ve",
    "so",
    "lo",
    "zi",
    "ru",
    "ne",
    "ka",
    "fe",
    "ly",
]
_TAILS = [
    "ra",
    "del",
    "lune",
    "vo",
    "alto",
    "moor",
    "carra",
    "relle",
    "neth",
    "drix",
    "wyn",
    "thane",
    "vale",
    "quist",
    "mar",
    "dane",
    "lor",
    "vaine",
]


def invent_name(rng: np.random.Generator) -> str:
    """Name of a marque out of syllables."""
    pick = (rng.choice(_HEADS), rng.choice(_HEARTS), rng.choice(_TAILS))
    return "".join(str(p) for p in pick)


def invent_island(rng: np.random.Generator) -> str:
    """Name of an island out of syllables, in capitals."""
    return (str(rng.choice(_HEADS)) + str(rng.choice(_HEARTS)) + "rin").upper()
