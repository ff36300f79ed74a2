"""ICC profiles built from published numbers: primaries, white point and tone curve.

HEIC photos may name their colour space by its primaries alone (``nclx``) and carry no
profile. Building the profile lets the same colour engine handle both.

Source: ICC.1:2022 (profile version 4.4), matrix/TRC display profiles, sections 8 and 10.
"""

from __future__ import annotations

import functools
import struct
from typing import Final

import numpy as np
from numpy.typing import NDArray

#: CIE xy chromaticity coordinates.
Chromaticity = tuple[float, float]

#: The profile connection space white, ICC.1:2022 section 7.2.16.
_D50: Final = np.array([0.9642, 1.0, 0.8249])

#: Bradford cone matrix, ICC.1:2022 annex E.
_BRADFORD: Final = np.array(
    [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]]
)

#: IEC 61966-2-1 as the ICC's parametric curve type 3: gamma, a, b, c, d.
SRGB_CURVE: Final = (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)


def matrix_profile(
    red: Chromaticity,
    green: Chromaticity,
    blue: Chromaticity,
    white: Chromaticity,
    *,
    description: str,
    curve: tuple[float, ...] = SRGB_CURVE,
) -> bytes:
    """Build an RGB display profile.

    Parameters
    ----------
    red, green, blue, white : (x, y)
        CIE 1931 chromaticities of the primaries and of the white point.
    description : str
        Name carried by the profile.
    curve : tuple of float
        One number is a plain gamma; five are the parameters g, a, b, c, d of the ICC's
        parametric curve type 3.

    Returns
    -------
    bytes
        A version 4 ICC profile.

    Raises
    ------
    ValueError
        If the primaries do not span a colour space.
    """
    to_d50, adapt = _matrices(red, green, blue, white)
    tone = _curve(curve)
    tags = {
        b"desc": _text(description),
        b"cprt": _text("No copyright, use freely"),
        b"wtpt": _xyz(_D50),
        b"chad": b"sf32" + bytes(4) + _fixed(adapt.ravel()),
        b"rXYZ": _xyz(to_d50[:, 0]),
        b"gXYZ": _xyz(to_d50[:, 1]),
        b"bXYZ": _xyz(to_d50[:, 2]),
        b"rTRC": tone,
        b"gTRC": tone,
        b"bTRC": tone,
    }
    return assemble_profile(tags, device_class=b"mntr", space=b"RGB ", connection=b"XYZ ")


@functools.cache
def dcf_option_profile() -> bytes:
    """Return the profile of DCF option files: CIPA DC-009, Adobe RGB (1998) section 4.3."""
    return matrix_profile(
        (0.64, 0.33),
        (0.21, 0.71),
        (0.15, 0.06),
        (0.3127, 0.3290),
        description="wide colour space named by the camera",
        curve=(563 / 256,),
    )


def assemble_profile(
    tags: dict[bytes, bytes], *, device_class: bytes, space: bytes, connection: bytes
) -> bytes:
    """Put header, tag table and tag data together (ICC.1:2022 sections 7.2 and 7.3)."""
    start = 128 + 4 + 12 * len(tags)
    table, body = struct.pack(">I", len(tags)), b""
    for signature, data in tags.items():
        table += struct.pack(">4sII", signature, start + len(body), len(data))
        body += data + bytes(-len(data) % 4)
    header = struct.pack(
        ">I4sI4s4s4s12s4s4sI4sIQI12s4s16s28s",
        start + len(body), b"\0" * 4, 0x04400000, device_class, space, connection,
        struct.pack(">6H", 2026, 1, 1, 0, 0, 0), b"acsp", b"\0" * 4, 0, b"\0" * 4,
        0, 0, 0, _fixed(_D50), b"\0" * 4, b"\0" * 16, b"\0" * 28,
    )  # fmt: skip
    return header + table + body


def _matrices(
    red: Chromaticity, green: Chromaticity, blue: Chromaticity, white: Chromaticity
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    if min(red[1], green[1], blue[1], white[1]) <= 0:
        raise ValueError("chromaticity with y = 0")
    columns = np.array([_full(red), _full(green), _full(blue)]).T
    white_xyz = _full(white)
    if abs(np.linalg.det(columns)) < 1e-6:
        raise ValueError("the primaries lie on one line")
    to_xyz = columns * np.linalg.solve(columns, white_xyz)
    gains = (_BRADFORD @ _D50) / (_BRADFORD @ white_xyz)
    adapt = np.linalg.inv(_BRADFORD) @ np.diag(gains) @ _BRADFORD
    return adapt @ to_xyz, adapt


def _full(point: Chromaticity) -> NDArray[np.float64]:
    x, y = point
    return np.array([x / y, 1.0, (1 - x - y) / y])


def _fixed(values: NDArray[np.float64]) -> bytes:
    return b"".join(struct.pack(">i", round(float(v) * 65536)) for v in values)


def _xyz(values: NDArray[np.float64]) -> bytes:
    return b"XYZ " + bytes(4) + _fixed(values)


def _text(words: str) -> bytes:
    encoded = words.encode("utf-16-be")
    return (
        b"mluc"
        + bytes(4)
        + struct.pack(">II2s2sII", 1, 12, b"en", b"GB", len(encoded), 28)
        + (encoded)
    )


def _curve(parameters: tuple[float, ...]) -> bytes:
    kind = {1: 0, 5: 3}[len(parameters)]
    return b"para" + bytes(4) + struct.pack(">HH", kind, 0) + _fixed(np.array(parameters))
