"""EAN-13 bar code (GS1 General Specifications, section 5.2: EAN/UPC symbology)."""

from __future__ import annotations

import skia

from loupebook.errors import WorldInvalid

X_DIMENSION_MM = 0.33
"""Module width at 100 % magnification."""
QUIET_LEFT, QUIET_RIGHT = 11, 7
"""Quiet zones in modules."""
_ODD = [
    "0001101",
    "0011001",
    "0010011",
    "0111101",
    "0100011",
    "0110001",
    "0101111",
    "0111011",
    "0110111",
    "0001011",
]
_EVEN = [
    "0100111",
    "0110011",
    "0011011",
    "0100001",
    "0011101",
    "0111001",
    "0000101",
    "0010001",
    "0001001",
    "0010111",
]
_RIGHT = [
    "1110010",
    "1100110",
    "1101100",
    "1000010",
    "1011100",
    "1001110",
    "1010000",
    "1000100",
    "1001000",
    "1110100",
]
_PARITY = [
    "OOOOOO",
    "OOEOEE",
    "OOEEOE",
    "OOEEEO",
    "OEOOEE",
    "OEEOOE",
    "OEEEOO",
    "OEOEOE",
    "OEOEEO",
    "OEEOEO",
]


def check_digit(digits: str) -> int:
    """Check digit of a GS1 key given without it (General Specifications, 7.9).

    Raises
    ------
    WorldInvalid
        Something other than digits.
    """
    if not digits.isascii() or not digits.isdigit():
        raise WorldInvalid(f"a GS1 key holds digits only, not {digits!r}")
    weighted = sum(int(d) * (3 if k % 2 == 0 else 1) for k, d in enumerate(reversed(digits)))
    return -weighted % 10


def modules(gtin: str) -> str:
    """Dark (1) and light (0) modules of an EAN-13 symbol, without quiet zones.

    Raises
    ------
    WorldInvalid
        Not 13 digits, or the last is not the check digit of the others.
    """
    if len(gtin) != 13 or check_digit(gtin[:-1]) != int(gtin[-1]):
        raise WorldInvalid(f"{gtin!r} is not a GTIN-13 with its check digit")
    parity = _PARITY[int(gtin[0])]
    left = "".join(
        (_ODD if p == "O" else _EVEN)[int(d)] for p, d in zip(parity, gtin[1:7], strict=True)
    )
    right = "".join(_RIGHT[int(d)] for d in gtin[7:])
    return f"101{left}01010{right}101"


def bars(gtin: str, *, left: float, top: float, height: float) -> skia.Path:
    """Bars as rectangles; `left` is the left edge of the first bar, in mm."""
    path = skia.Path()
    symbol = modules(gtin)
    guards = {*range(3), *range(45, 50), *range(92, 95)}
    for k, dark in enumerate(symbol):
        if dark == "1":
            x = left + k * X_DIMENSION_MM
            drop = 5 * X_DIMENSION_MM if k in guards else 0.0
            path.addRect(skia.Rect(x, top, x + X_DIMENSION_MM, top + height + drop))
    return path
