"""A small set of invented prints photographed at a slant, whose truth is known px by px."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

sys.path.append(str(Path(__file__).parent / "compare"))

from compare_prints import PX_PER_MM, SMALL, Photo, draw_print, photograph

from loupebook.library import (
    Element,
    IncomingPhoto,
    Library,
    MatchReport,
    SearchReport,
    Serial,
    SpecimenRecord,
    Standing,
    check_photo,
    encode_jpeg,
)

PLANTED = (300, 120)
"""Where the fakes differ, print px (x, y)."""


@dataclass(frozen=True)
class Shots:
    """The photos of a set by specimen, and a query of one more genuine print and a copy."""

    references: dict[str, Photo]
    genuine_query: Photo
    copy_query: Photo


def copied(item: np.ndarray) -> np.ndarray:
    """Return a copy with one part drawn otherwise."""
    copy = item.copy()
    x, y = PLANTED
    cv2.rectangle(copy, (x - 26, y - 22), (x + 26, y + 22), (225, 215, 190), -1)
    cv2.circle(copy, (x, y), 17, (120, 20, 20), 4, cv2.LINE_AA)
    return copy


def shots_of(seed: int = 3) -> Shots:
    """Photograph everything."""
    item = draw_print(seed)
    copy = copied(item)
    references = {f"G-{k}": photograph(item, 10 + k, tilt=0.12, size=SMALL) for k in range(2)}
    references["F-0"] = photograph(copy, 20, tilt=0.12, size=SMALL)
    queries = (photograph(one, 30 + k, tilt=0.2, size=SMALL) for k, one in enumerate((item, copy)))
    return Shots(references, *queries)


def fill(library: Library, shots: Shots) -> None:
    """Record the references."""
    for number, (name, photo) in enumerate(shots.references.items()):
        standing = Standing.GENUINE if name.startswith("G") else Standing.FAKE
        record = SpecimenRecord(
            name, Element.SEAL, standing, marque="Marque A", edition="First",
            origin=None if standing is Standing.GENUINE else "Copy A",
            serials=(Serial(f"AB 10{number}", "left"),),
        )  # fmt: skip
        incoming = IncomingPhoto(
            encode_jpeg(photo.pixels, quality=95), f"{name}.jpg", px_per_mm=PX_PER_MM
        )
        assert library.add_specimen(record, [incoming], by="a curator").ok


def told(
    library: Library, query: np.ndarray, genuine: str | None, fake: str | None
) -> SearchReport:
    """Return the answer of a search that found these specimens, without an encoder."""

    def match(name: str | None, rank: int) -> MatchReport | None:
        if name is None:
            return None
        specimen, photo = library.specimen(name), library.photos(name)[0]
        return MatchReport(
            rank, name, photo.file_name, photo.photo_id, specimen.standing, specimen.marque,
            specimen.edition, specimen.element, photo.view, photo.lighting, specimen.origin,
            0.9, "embedding",
        )  # fmt: skip

    nearest = [match(genuine, 1), match(fake, 2)]
    return SearchReport(
        photo="query", set="Prints", set_version=library.info().change_counter, encoder="told@0",
        elapsed_ms=1.0, timings_ms={},
        photo_check=check_photo(query), matches=tuple(one for one in nearest if one),
        nearest_genuine=nearest[0], nearest_fake=nearest[1], items=(), reading={},
        empty_reason=None, query_pixels=query,
    )  # fmt: skip
