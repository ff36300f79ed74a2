"""Serial numbers of an item in question: do they agree, and does the number stand here.

That the numbers on one item must agree wherever they stand, and that a part of one may be
repeated (inside a crest, say), is common practice of the trade, no source. Whether a number was
ever given out is for the rights holder's own service to say.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from loupebook.imaging import resize_to_fit
from loupebook.records.catalogue import Catalogue
from loupebook.records.model import IntakeState, Standing
from loupebook.records.serials import plain_serial, specimens_with_serial, whole_numbers

_GOODS = ("EAN", "UPC")
"""Kinds of barcode that carry a GTIN, which GS1 gives to a sort of goods (from memory)."""


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
    """Whether the numbers read on one item agree.

    Parameters
    ----------
    agree : bool, optional
        `None` where fewer than two were read.
    whole : str, optional
        The number in full, as it is compared; `None` where they disagree.
    says : str
        The finding in a sentence or two.
    numbers : tuple of str
        The numbers to be looked up, as they were read, each once. A part of another one is
        left out: four digits alone stand on many items by chance.
    parts : tuple of str
        A sentence for each place that shows a part of a number read elsewhere.
    """

    agree: bool | None
    whole: str | None
    says: str
    numbers: tuple[str, ...] = ()
    parts: tuple[str, ...] = ()


def serial_holders(catalogue: Catalogue, value: str) -> list[SerialHolder]:
    """Return the specimens on which a serial number stands on record, however spaced."""
    found = []
    for name, held, place in specimens_with_serial(catalogue, value):
        specimen = catalogue.specimen(name)
        found.append(SerialHolder(name, specimen.standing, specimen.state, held, place))
    return found


def holder_words(
    value: str, holders: Sequence[SerialHolder]
) -> list[tuple[SerialHolder | None, str]]:
    """Say of each specimen that bears a number where it stands there, or that none does.

    Parameters
    ----------
    value : str
        The number as it was read.
    holders : sequence of SerialHolder
        As :func:`serial_holders` returns them.

    Returns
    -------
    list of (SerialHolder or None, str)
        One holder of each specimen, and the sentence, which begins with the number.
    """
    if not holders:
        return [(None, f"{value} stands on no specimen of this set.")]
    told: list[tuple[SerialHolder | None, str]] = []
    for one in {holder.specimen: holder for holder in holders}.values():
        places = [at.place for at in holders if at.specimen == one.specimen and at.place]
        where = f" (on it: {', '.join(places)})" if places else ""
        says = (
            f"{value} stands in this set already: specimen {one.specimen}{where}, "
            f"{one.standing} ({one.state})."
        )
        if one.standing is not Standing.FAKE:
            says += " Two items cannot bear one number: is it the same item?"
        told.append((one, says))
    return told


def serials_agree(read: Mapping[str, str]) -> SerialAgreement:
    """Say whether the numbers read on one item agree.

    Parameters
    ----------
    read : mapping
        Place to the number read there; empty ones are places not read.
    """
    numbers = {place: plain_serial(value) for place, value in read.items()}
    numbers = {place: value for place, value in numbers.items() if value}
    if not numbers:
        return SerialAgreement(None, None, "No number was read.")
    whole = whole_numbers(set(numbers.values()))
    at = _places_by_number(numbers)
    as_read = tuple(read[places[0]] for value, places in at.items() if value in whole)
    parts = _parts(read, at, whole)
    if len(whole) > 1:
        return SerialAgreement(False, None, _disagreement(at, whole), as_read, parts)
    (number,) = whole
    if len(numbers) == 1:
        says = "One number was read; read the other places too: the numbers must agree."
        return SerialAgreement(None, number, says, as_read)
    return SerialAgreement(True, number, f"All {len(numbers)} numbers read agree.", as_read, parts)


def _places_by_number(numbers: Mapping[str, str]) -> dict[str, list[str]]:
    at: dict[str, list[str]] = {}
    for place, value in numbers.items():
        at.setdefault(value, []).append(place)
    return at


def _disagreement(at: Mapping[str, Sequence[str]], whole: set[str]) -> str:
    """Say which places disagree; which of them is right, nobody can tell from this."""
    groups = [places for value, places in at.items() if value in whole]
    if all(len(places) == 1 for places in groups):
        apart = f"{_listed([places[0] for places in groups])} differ"
    else:
        first, *others = groups
        shows = "shows" if len(first) == 1 else "show"
        apart = f"{_listed(first)} {shows} one number"
        apart += "".join(f", {_listed(places)} another" for places in others)
    return (
        f"The numbers do not agree: {apart}. Which of them is right cannot be told from this. Read "
        "each again; on one item they must agree."
    )


def _parts(
    read: Mapping[str, str], at: Mapping[str, Sequence[str]], whole: set[str]
) -> tuple[str, ...]:
    """Say of what each shorter number is a part."""
    told = []
    for value, places in at.items():
        if value in whole:
            continue
        holders = [one for one in at if one in whole and value in one]
        part = "the end" if all(one.endswith(value) for one in holders) else "a part"
        of = _listed([f"{read[at[one][0]]} ({_listed(at[one])})" for one in holders])
        told.append(f"{read[places[0]]} ({_listed(places)}) agrees with {part} of {of}.")
    return tuple(told)


def _listed(names: Sequence[str]) -> str:
    """Return names as they are listed in a sentence."""
    return " and ".join(filter(None, [", ".join(names[:-1]), names[-1]]))


def barcode_words(kind: str, value: str, read: Mapping[str, str]) -> str:
    """Say what a barcode has to do with the numbers that were read, and what not.

    Parameters
    ----------
    kind, value : str
        As :func:`read_barcodes` returns them.
    read : mapping
        Place to the number read there.
    """
    digits = plain_serial(value)
    agreeing = [
        place
        for place, number in read.items()
        if (plain := plain_serial(number)) and (plain in digits or digits in plain)
    ]
    if agreeing:
        return f"It carries the number read at {_listed(agreeing)}, or a part of it."
    if kind.startswith(_GOODS):
        return (
            "It is not held against the serial numbers: a barcode of this kind names a sort of "
            "goods, the same on every item of it, not the single item."
        )
    return "It is not held against the serial numbers: none of those read stands in it."


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
