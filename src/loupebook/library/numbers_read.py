"""What was read on an item, its serial numbers and barcodes, in the form that is kept of it.

In an examination's document (see ``loupebook.library.examinations``) it has the keys::

    read      [{place, number}]
    agree     true, false, or null where fewer than two numbers were read
    says      whether they agree, in a sentence or two
    parts     [a sentence for each place that shows a part of a number read elsewhere]
    numbers   [{number, says, holders}], those looked up in the set; `holders` is
              [{specimen, standing, state, number, place}]
    barcodes  [{kind, value, says}], or null where none was looked for
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from loupebook.errors import RecordInvalid
from loupebook.library.serials import (
    SerialHolder,
    barcode_words,
    holder_words,
    serial_holders,
    serials_agree,
)
from loupebook.records.catalogue import Catalogue
from loupebook.records.checks import clean_serials
from loupebook.records.model import Serial


@dataclass(frozen=True)
class NumbersRead:
    """The serial numbers and barcodes read on one item.

    Parameters
    ----------
    serials : tuple of (str, str)
        Place and number as typed, each place once.
    barcodes : tuple of (str, str), optional
        Kind and digits of each; empty where none could be read, `None` where none was looked
        for.
    """

    serials: tuple[tuple[str, str], ...] = ()
    barcodes: tuple[tuple[str, str], ...] | None = None

    @classmethod
    def of(
        cls, serials: Mapping[str, str], barcodes: Iterable[tuple[str, str]] | None = None
    ) -> NumbersRead:
        """Take what was typed, places left empty left out."""
        typed = tuple((place, number) for place, number in serials.items() if number.strip())
        return cls(typed, None if barcodes is None else tuple(barcodes))

    @classmethod
    def from_kept(cls, kept: Mapping[str, Any] | None) -> NumbersRead:
        """Read the kept form again; `None` is an examination in which none were read."""
        if kept is None:
            return cls()
        codes = kept["barcodes"]
        return cls(
            tuple((one["place"], one["number"]) for one in kept["read"]),
            None if codes is None else tuple((one["kind"], one["value"]) for one in codes),
        )


def kept_form(catalogue: Catalogue, read: NumbersRead) -> dict[str, Any] | None:
    """Return what is kept of the numbers read: what they say today, by this set.

    Returns
    -------
    dict, optional
        `None` where nothing was read nor looked for.

    Raises
    ------
    RecordInvalid
        A number or place is not allowed, or a place is named twice.
    """
    serials = _cleaned(read.serials)
    if not serials and read.barcodes is None:
        return None
    agreement = serials_agree(serials)
    codes = read.barcodes
    return {
        "read": [{"place": place, "number": number} for place, number in serials.items()],
        "agree": agreement.agree,
        "says": agreement.says,
        "parts": list(agreement.parts),
        "numbers": [
            _looked_up(number, serial_holders(catalogue, number)) for number in agreement.numbers
        ],
        "barcodes": None if codes is None else [_barcode(*code, serials) for code in codes],
    }


def _cleaned(serials: tuple[tuple[str, str], ...]) -> dict[str, str]:
    cleaned = clean_serials(tuple(Serial(number, place) for place, number in serials))
    at = {one.place or "": one.value for one in cleaned}
    if len(at) < len(cleaned):
        raise RecordInvalid("serial: a place is named twice; give each place once", field="serial")
    return at


def _looked_up(number: str, holders: list[SerialHolder]) -> dict[str, Any]:
    return {
        "number": number,
        "says": [says for _, says in holder_words(number, holders)],
        "holders": [
            {
                "specimen": one.specimen, "standing": str(one.standing), "state": str(one.state),
                "number": one.value, "place": one.place,
            }
            for one in holders
        ],
    }  # fmt: skip


def _barcode(kind: str, value: str, serials: Mapping[str, str]) -> dict[str, str]:
    return {"kind": kind, "value": value, "says": barcode_words(kind, value, serials)}
