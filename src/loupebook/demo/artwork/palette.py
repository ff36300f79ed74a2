"""Named inks, foils and papers, as palettes that a printing house would keep.

Colours are written as sRGB hexadecimal and used as linear sRGB.
"""

from __future__ import annotations

from dataclasses import dataclass

from loupebook.demo.artwork.model import Colour


def linear(code: str) -> Colour:
    """Linear sRGB of a six-digit hexadecimal sRGB colour (IEC 61966-2-1)."""
    values = [int(code[k : k + 2], 16) / 255 for k in (0, 2, 4)]
    r, g, b = (v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in values)
    return (r, g, b)


FOILS: dict[str, Colour] = {
    "gold": (0.93, 0.66, 0.26),
    "pale-gold": (0.92, 0.76, 0.43),
    "rose-gold": (0.90, 0.58, 0.39),
    "copper": (0.87, 0.47, 0.28),
    "silver": (0.87, 0.88, 0.88),
    "antique-gold": (0.74, 0.52, 0.22),
}
"""Normal reflectances of stamping foils, linear sRGB (about those of the metals)."""
UV_GREEN, UV_ORANGE = (0.22, 0.85, 0.18), (0.90, 0.30, 0.06)
"""Emission of the house's two UV inks, linear sRGB."""


@dataclass(frozen=True)
class Palette:
    """Inks of an edition.

    Parameters
    ----------
    name : str
        Plain words.
    paper, ground, dark, tint, accent : tuple of float
        Linear sRGB: bare paper; the colour of the wings; the engraving ink; a light tint;
        a second colour.
    foil : str
        Key in :data:`FOILS`.
    """

    name: str
    paper: Colour
    ground: Colour
    dark: Colour
    tint: Colour
    accent: Colour
    foil: str


def _palette(name: str, inks: str, foil: str) -> Palette:
    paper, ground, dark, tint, accent = (linear(code) for code in inks.split())
    return Palette(name, paper, ground, dark, tint, accent, foil)


PALETTES = (
    _palette("teal, ivory and gold", "f6f0e0 0f5a5c 0c2326 d9c99a a8452f", "gold"),
    _palette("plum and pale gold", "f5efe6 4b1f45 22101f d7bfc6 b98a3a", "pale-gold"),
    _palette("indigo and silver", "f3f2ec 1d2a63 0e1230 bfc9de 8a1f2b", "silver"),
    _palette("burnt orange and sepia", "f7eeda c2561b 3a1c0c f0cf95 2d5b52", "gold"),
    _palette("olive, cream and antique gold", "f6f0dc 5a5f24 26280f e2dca8 7a2e22", "antique-gold"),
    _palette("slate and copper", "f1efe9 46545f 171d22 c6cfd2 a65a33", "copper"),
    _palette("ivory and sepia", "f8f2e2 e9d5a4 41260f f1e3c2 7b2230", "gold"),
    _palette("oxblood and rose gold", "f6eee4 6d1420 250a0d e9c3b0 1d4a4a", "rose-gold"),
    _palette("ultramarine and gold", "f4f1e8 1a4fa3 0d1a3c b9d2ee c99a2a", "gold"),
    _palette("moss green and copper", "f3f0e2 2f5a34 10230f c7d8b0 c4703a", "copper"),
    _palette("black and pale gold", "f5f0e4 1b1a1c 121113 cfc3a6 7e1a26", "pale-gold"),
    _palette("turquoise and rose gold", "f5f1e8 2a8f93 0f2f38 cfe6df b4493f", "rose-gold"),
    _palette("violet and silver", "f4f1f0 5b3b8c 1f1238 d4c6e6 b98f2f", "silver"),
    _palette("saffron and navy", "f8f1dc e0a021 1a2144 f6dfa0 8d2a20", "gold"),
)
"""All palettes of the house."""
