"""Points of comparison that come in a bag: read before anything is written, taken in after."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from loupebook.errors import BagRefused, LoupebookError
from loupebook.library.desk_exchange import points_from_annotations, region_of, sha256_of
from loupebook.records.catalogue import Catalogue
from loupebook.records.exchange import BagPhoto, Payload
from loupebook.records.model import NewPhoto
from loupebook.records.points import Points, clean_region
from loupebook.records.text import clean_name, clean_notes


class DecodedPhoto(Protocol):
    """What is needed of a photo of the bag."""

    @property
    def told(self) -> BagPhoto:
        """What the bag says of it."""

    @property
    def photo(self) -> NewPhoto:
        """What decoding it has found."""


@dataclass(frozen=True)
class BagPoint:
    """One annotation, and the photo that it is drawn on."""

    annotation: Mapping[str, Any]
    sha256: str
    region: list[list[float]]


def read_points(payload: Payload, photos: Mapping[str, Sequence[DecodedPhoto]]) -> list[BagPoint]:
    """Return the points of a bag.

    Raises
    ------
    BagRefused
        The annotation page cannot be read, or a point lies on no photo of the bag.
    """
    if payload.points is None:
        return []
    with_edition = {record.name for record in payload.specimens if record.edition}
    sizes = {
        one.told.sha256: (one.photo.width, one.photo.height)
        for name, held in photos.items()
        if name in with_edition
        for one in held
    }
    try:
        return [_read(item, sizes) for item in json.loads(payload.points)["items"]]
    except (ValueError, KeyError, TypeError, RecursionError, LoupebookError) as exc:
        raise BagRefused(f"points.jsonld cannot be taken in: {exc}") from exc


def _read(item: Mapping[str, Any], sizes: Mapping[str, tuple[int, int]]) -> BagPoint:
    target = item["target"]
    sha256 = sha256_of(str(target["source"]))
    if sha256 not in sizes:
        raise BagRefused(
            f"a point lies on the photo {sha256[:12]}…, which the bag does not hold, or whose "
            "specimen has no edition"
        )
    said = {body["purpose"]: str(body["value"]) for body in item["body"]}
    clean_name(said["identifying"], "title")
    if not clean_notes(said["describing"], "genuine_shows"):
        raise BagRefused("a point does not say what a genuine one shows there")
    clean_notes(said.get("commenting", ""), "copies_show")
    return BagPoint(item, sha256, clean_region(region_of(target["selector"]), *sizes[sha256]))


def take_points(catalogue: Catalogue, points: Sequence[BagPoint], *, by: str) -> int:
    """Record the points that the set does not have; return how many.

    A point whose photo was known here under other bytes stays out: its frame is not here.
    """
    held = {
        (point.sha256, json.dumps([list(corner) for corner in point.region]))
        for point in Points(catalogue).of()
    }
    fresh = [
        point.annotation
        for point in points
        if catalogue.photo_by_sha256(point.sha256) is not None
        and (point.sha256, json.dumps(point.region)) not in held
    ]
    if fresh:
        page = json.dumps({"type": "AnnotationPage", "items": fresh})
        points_from_annotations(page, catalogue, by=by)
    return len(fresh)
