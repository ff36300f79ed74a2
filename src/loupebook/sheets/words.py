"""What every printed page says, and text made fit for the fonts that are embedded."""

from __future__ import annotations

from functools import cache
from importlib.util import find_spec
from pathlib import Path

from loupebook.errors import LoupebookError

NOT_PROOF = (
    "This page compares. A near match to a genuine reference proves little: good copies lie near "
    "genuine references too. It does not say that any item is genuine. Defer to the rights holder, "
    "the law of the place and a qualified examiner who holds the item itself."
)
UV_CAUTION = (
    "UV-A lamps harm eyes and skin: never look into the lamp or at its reflection, wear "
    "UV-blocking glasses, keep the beam off skin, and keep other people away from it."
)
STANDING_WORDS = {"genuine": "Genuine", "fake": "Fake"}

BODY_FONT = "DejaVuSans.ttf"
"""Covers Latin, Greek, Cyrillic, Hebrew, Arabic and more; matplotlib carries it."""


def cautions(*, uv: bool) -> list[str]:
    """Return the cautions of a page."""
    return [NOT_PROOF, *([UV_CAUTION] if uv else [])]


def font_folder() -> Path:
    """Return where the open fonts lie that matplotlib carries (DejaVu, with its licence)."""
    spec = find_spec("matplotlib")
    if spec is None or not spec.submodule_search_locations:
        raise LoupebookError("The fonts for printing come with matplotlib; install it.")
    return Path(spec.submodule_search_locations[0]) / "mpl-data" / "fonts" / "ttf"


@cache
def _covered() -> frozenset[int]:
    from matplotlib.ft2font import FT2Font

    return frozenset(FT2Font(str(font_folder() / BODY_FONT)).get_charmap())


def printable(text: str) -> str:
    """Return text of which nothing is lost in print.

    A character that the embedded fonts lack is printed as its code point, such as ``⟨U+4E2D⟩``.
    """
    if text.isascii():
        return text
    covered = _covered()
    return "".join(
        character
        if character.isspace() or ord(character) in covered
        else f"⟨U+{ord(character):04X}⟩"
        for character in text
    )
