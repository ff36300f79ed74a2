"""Words that printed pages share, and text made fit for the fonts that are embedded."""

from __future__ import annotations

from functools import cache
from importlib.util import find_spec
from pathlib import Path

from loupebook.errors import LoupebookError

STANDING_WORDS = {"genuine": "Genuine", "fake": "Fake"}

_KEPT_SPACES = "\n\N{NO-BREAK SPACE}"
CODE_POINT = "⟨U+"
"""How a character begins that is printed as its code point."""
BODY_FONT = "DejaVuSans.ttf"
"""Covers Latin, Greek, Cyrillic, Hebrew, Arabic and more; matplotlib carries it."""


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


def lacking(text: str) -> tuple[str, ...]:
    """Return the characters of a text that the embedded fonts lack, each once."""
    if text.isascii():
        return ()
    covered = _covered()
    lacked = (one for one in text if not one.isspace() and ord(one) not in covered)
    return tuple(dict.fromkeys(lacked))


def printable(text: str) -> str:
    """Return text of which nothing is lost in print.

    A character that the embedded fonts lack is printed as its code point, such as ``⟨U+4E2D⟩``.
    White space other than a line break or a fixed space is printed as a space: one of the kinds
    (U+1680) has no glyph in the first font, and no page could be set.
    """
    text = "".join(" " if one.isspace() and one not in _KEPT_SPACES else one for one in text)
    for character in lacking(text):
        text = text.replace(character, f"{CODE_POINT}{ord(character):04X}⟩")
    return text
