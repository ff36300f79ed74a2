"""Serial numbers of an item in question: do its copies agree, and does the number stand here.

That every copy of a number on one item must agree, and that a part of it may be repeated
(inside a crest, say), is common practice of the trade, no source. Whether a number was ever
given out is for the rights holder's own service to say.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from loupebook.imaging import resize_to_fit
from loupebook.records.catalogue import Catalogue
from loupebook.records.model import IntakeState, Standing
from loupebook.records.serials import plain_serial, specimens_with_serial


@dataclass(frozen=True)
class SerialHolder:
    """A specimen on which a serial number stands on record."""

    specimen: str
    standing: Standing
    state: IntakeState
    value: str
    place: str | None


@dataclass(frozen=True)
class SerialAgreement:
    """Whether the copies of a number on one item agree.

    Parameters
    ----------
    agree : bool, optional
        `None` where fewer than two were read.
    whole : str, optional
        The number in full, as it is compared; `None` where the copies disagree.
    says : str
        The finding in a sentence.
    """

    agree: bool | None
    whole: str | None
    says: str


def serial_holders(catalogue: Catalogue, value: str) -> list[SerialHolder]:
    """Return the specimens on which a serial number stands on record, however spaced."""
    found = []
    for name, held, place in specimens_with_serial(catalogue, value):
        specimen = catalogue.specimen(name)
        found.append(SerialHolder(name, specimen.standing, specimen.state, held, place))
    return found


def serials_agree(read: Mapping[str, str]) -> SerialAgreement:
    """Say whether the copies of a number on one item agree.

    Parameters
    ----------
    read : mapping
        Place to the number read there; empty ones are places not read.
    """
    numbers = {place: plain_serial(value) for place, value in read.items()}
    numbers = {place: value for place, value in numbers.items() if value}
    if not numbers:
        return SerialAgreement(None, None, "No number was read.")
    whole = max(numbers.values(), key=len)
    if len(numbers) == 1:
        return SerialAgreement(
            None, whole, "One copy was read; read the others too, every copy must agree."
        )
    apart = [place for place, value in numbers.items() if value not in whole]
    if apart:
        return SerialAgreement(
            False,
            None,
            f"The copies do not agree: {', '.join(apart)} differs from the longest number read. "
            "Read it again; on one item every copy must agree.",
        )
    partial = [place for place, value in numbers.items() if value != whole]
    says = f"All {len(numbers)} copies read agree."
    if partial:
        says = f"The copies agree; {', '.join(partial)} shows a part of the number."
    return SerialAgreement(True, whole, says)


def read_barcodes(pixels: NDArray[np.uint8]) -> list[tuple[str, str]]:
    """Return the barcodes that can be read in a photo: kind (such as EAN_13) and digits.

    Parameters
    ----------
    pixels : ndarray
        uint8 sRGB (height, width, 3).
    """
    detector = cv2.barcode.BarcodeDetector()
    for longest in (2400, 1200):
        grey = cv2.cvtColor(resize_to_fit(pixels, longest), cv2.COLOR_RGB2GRAY)
        # The detector overlooks some symbols with perfectly sharp edges.
        for picture in (grey, cv2.GaussianBlur(grey, (0, 0), 1.5)):
            found, values, kinds, _ = detector.detectAndDecodeWithType(picture)
            read = [(str(kind), value) for kind, value in zip(kinds, values, strict=True) if value]
            if found and read:
                return list(dict.fromkeys(read))
    return []
