"""Names that differ from others in case, spaces or form of characters only.

A marque, edition or print origin is whatever it is called: one that is typed otherwise is
another, and the photos of one design then lie under two. That is told, and nothing is joined
unasked: who wrote the names knows whether they are one.
"""

from __future__ import annotations

import unicodedata
from collections import defaultdict
from collections.abc import Collection, Hashable, Iterable, Iterator
from dataclasses import dataclass

from loupebook.library.curating import EntryRemark, RemarkKind
from loupebook.records.catalogue import Catalogue
from loupebook.records.model import DesignNames, SpecimenRecord
from loupebook.records.text import same_name_key, shown


@dataclass(frozen=True)
class _Name:
    """A name in use: of what, the same for all its spellings, and as it is written."""

    of: str
    key: Hashable
    written: str


def spelling_remarks(
    catalogue: Catalogue, records: Collection[SpecimenRecord]
) -> list[EntryRemark]:
    """Remark on names of specimens just entered, or about to be, that are spelt otherwise too.

    Parameters
    ----------
    catalogue : Catalogue
        The set; its names are read in one go.
    records : collection of SpecimenRecord
        The specimens.
    """
    if not records:
        return []
    bearers: dict[_Name, str] = {}
    for record in records:
        used = DesignNames(
            record.element, *map(_as_kept, (record.marque, record.edition, record.origin))
        )
        for name in _names([used]):
            bearers.setdefault(name, record.name)
    spelt: dict[tuple[str, Hashable], set[str]] = defaultdict(set)
    for name in (*bearers, *_names(catalogue.design_names())):
        spelt[name.of, name.key].add(name.written)
    remarks: dict[tuple[str, Hashable], EntryRemark] = {}
    for name, specimen in bearers.items():
        written = sorted(spelt[name.of, name.key])
        if len(written) > 1:
            message = (
                f"{name.of}: {', '.join(map(shown, written))} differ in case, spaces or form of "
                "characters only and count as different. If they are one, write it in one way "
                "(correct what is on record by an edit)"
            )
            remark = EntryRemark(RemarkKind.NEAR_SPELLING, message, specimen)
            remarks.setdefault((name.of, name.key), remark)
    return list(remarks.values())


def _as_kept(name: str | None) -> str | None:
    """Return a name as the catalogue keeps it: composed or not makes no difference there."""
    return name and unicodedata.normalize("NFC", name).strip()


def _names(designs: Iterable[DesignNames]) -> Iterator[_Name]:
    for design in designs:
        marque = same_name_key(design.marque or "")
        if design.marque:
            yield _Name("marque", marque, design.marque)
        if design.edition:
            of_marque = (design.element, marque, same_name_key(design.edition))
            yield _Name("edition", of_marque, design.edition)
        if design.origin:
            yield _Name("origin", same_name_key(design.origin), design.origin)
