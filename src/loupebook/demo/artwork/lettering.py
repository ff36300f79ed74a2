"""Lettering: typefaces that the project carries, set straight or on arcs, as outlines.

Sizes are cap heights in mm. Faces come in pairs that a forger might take for each other
(:data:`NEAR_FACE`).
"""

from __future__ import annotations

import io
import math
from functools import lru_cache
from importlib import resources

import numpy as np
import skia
from fontTools.ttLib import TTFont

from loupebook.demo.artwork.geometry import transformed

FACES = {
    "fat": "abril-fatface-latin-400",
    "roman": "cinzel-latin-700",
    "roman-swash": "cinzel-decorative-latin-700",
    "engraved": "cormorant-sc-latin-700",
    "wide": "diplomata-sc-latin-400",
    "bookletter": "goudy-bookletter-1911-latin-400",
    "script": "great-vibes-latin-400",
    "gothic": "league-gothic-latin-400",
    "roman-light": "marcellus-sc-latin-400",
    "uncial": "metamorphous-latin-400",
    "didone": "oranienbaum-latin-400",
    "condensed": "oswald-latin-700",
    "round-hand": "pinyon-script-latin-400",
    "blackletter": "pirata-one-latin-400",
    "transitional": "playfair-display-sc-latin-700",
    "numerals": "share-tech-mono-latin-400",
    "fraktur": "unifrakturcook-latin-700",
}
"""Short names of the faces, and their files under ``fonts/``."""

NEAR_FACE = {
    "fat": "transitional", "transitional": "fat",
    "roman": "roman-light", "roman-light": "roman", "roman-swash": "roman",
    "engraved": "bookletter", "bookletter": "engraved", "didone": "engraved",
    "wide": "fat", "uncial": "roman-light",
    "script": "round-hand", "round-hand": "script",
    "gothic": "condensed", "condensed": "gothic",
    "blackletter": "fraktur", "fraktur": "blackletter",
    "numerals": "condensed",
}  # fmt: skip
"""The face that someone who redraws a text without the original would reach for."""


@lru_cache(maxsize=32)
def _face(name: str) -> tuple[skia.Font, float]:
    """Font at 1000 units, and its cap height in the same units."""
    file = resources.files("loupebook.demo.artwork").joinpath("fonts", FACES[name] + ".woff2")
    font = TTFont(io.BytesIO(file.read_bytes()))
    font.flavor = None
    plain = io.BytesIO()
    font.save(plain, reorderTables=None)
    typeface = skia.Typeface.MakeFromData(skia.Data.MakeWithCopy(plain.getvalue()))
    set_at = skia.Font(typeface, 1000.0)
    set_at.setHinting(skia.FontHinting.kNone)
    set_at.setSubpixel(True)
    set_at.setLinearMetrics(True)
    capital = set_at.getPath(set_at.textToGlyphs("H")[0])
    return set_at, float(capital.getBounds().height())


@lru_cache(maxsize=2048)
def _glyph(face: str, letter: str) -> tuple[skia.Path, float]:
    font, _ = _face(face)
    glyph = font.textToGlyphs(letter)[0]
    return font.getPath(glyph) or skia.Path(), float(font.getWidths([glyph])[0])


def _advances(text: str, face: str, height: float, tracking: float) -> tuple[float, list[float]]:
    """Scale from font units to mm, and each letter's advance in mm."""
    scale = height / _face(face)[1]
    return scale, [_glyph(face, c)[1] * scale + tracking * height for c in text]


def text_width(text: str, face: str, height: float, *, tracking: float = 0.0) -> float:
    """Width of a straight line in mm; `tracking` is a share of the cap height."""
    return sum(_advances(text, face, height, tracking)[1]) - tracking * height


def line(
    text: str,
    face: str,
    height: float,
    *,
    at: tuple[float, float],
    tracking: float = 0.0,
    squeeze: float = 1.0,
) -> skia.Path:
    """Text centred on `at` (the middle of the capitals), its widths times `squeeze`."""
    scale, advances = _advances(text, face, height, tracking)
    x = -(sum(advances) - tracking * height) / 2
    out = skia.Path()
    for letter, advance in zip(text, advances, strict=True):
        place = (at[0] + x * squeeze, at[1] + height / 2)
        out.addPath(
            transformed(_glyph(face, letter)[0], scale=(scale * squeeze, scale), move=place)
        )
        x += advance
    return out


def fitted(
    text: str,
    face: str,
    height: float,
    *,
    at: tuple[float, float],
    width: float,
    tracking: float = 0.0,
) -> skia.Path:
    """Like :func:`line`, made narrower or smaller so that it fits `width` mm."""
    natural = text_width(text, face, height, tracking=tracking)
    if natural <= width:
        return line(text, face, height, at=at, tracking=tracking)
    squeeze = max(width / natural, 0.72)
    shrink = min(1.0, width / natural / squeeze)
    return line(text, face, height * shrink, at=at, tracking=tracking, squeeze=squeeze)


def arc(
    text: str,
    face: str,
    height: float,
    *,
    centre: tuple[float, float],
    radius: float,
    middle: float,
    tracking: float = 0.0,
    inward: bool = False,
    stretch: float = 1.0,
) -> skia.Path:
    """Text round a circle (or an ellipse, by `stretch` of its x axis).

    Parameters
    ----------
    radius : float
        Radius in mm through the middle of the capitals.
    middle : float
        Angle in radians of the text's middle (-pi/2 is the top).
    inward : bool
        Feet towards the outside: for text that runs along the bottom.
    """
    scale, advances = _advances(text, face, height, tracking)
    sign = -1.0 if inward else 1.0
    walked = -(sum(advances) - tracking * height) / 2
    out = skia.Path()
    for letter, advance in zip(text, advances, strict=True):
        glyph, width = _glyph(face, letter)
        half = width * scale / 2
        angle = _arc_angle(middle, sign * (walked + half), radius, stretch)
        x = centre[0] + radius * stretch * math.cos(angle)
        y = centre[1] + radius * math.sin(angle)
        tangent = math.atan2(math.cos(angle), -stretch * math.sin(angle))
        turn = tangent if not inward else tangent + math.pi
        upright = transformed(glyph, scale=scale, move=(-half, height / 2))
        out.addPath(transformed(upright, turn=turn, move=(x, y)))
        walked += advance
    return out


def _arc_angle(middle: float, length: float, radius: float, stretch: float) -> float:
    """Angle reached by walking `length` mm from `middle` along the ellipse."""
    if stretch == 1.0:
        return middle + length / radius
    t = middle + np.linspace(0, math.copysign(2.6, length), 400)
    speed = radius * np.hypot(stretch * np.sin(t), np.cos(t))
    walked = np.concatenate([[0], np.cumsum((speed[1:] + speed[:-1]) / 2 * abs(t[1] - t[0]))])
    return float(np.interp(abs(length), walked, t))


def micro_lines(text: str, face: str, height: float, *, length: float) -> str:
    """Repeat `text` until a line of `length` mm is full."""
    unit = text_width(text + " ", face, height)
    return " ".join([text] * max(1, int(length / unit)))
