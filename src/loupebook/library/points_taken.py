"""Points of comparison that come in a bag, read and checked before anything is written."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any, Protocol

from loupebook.errors import BagRefused, LoupebookError
from loupebook.library.desk_exchange import region_of, sha256_of
from loupebook.records.exchange import BagPhoto, Payload
from loupebook.records.model import NewPhoto
from loupebook.records.points import DrawnPoint, clean_region
from loupebook.records.text import clean_name, clean_notes


class DecodedPhoto(Protocol):
    """What is needed of a photo of the bag."""

    @property
    def told(self) -> BagPhoto:
        """What the bag says of it."""

    @property
    def photo(self) -> NewPhoto:
        """What decoding it has found."""


def read_points(payload: Payload, photos: Mapping[str, Sequence[DecodedPhoto]]) -> list[DrawnPoint]:
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


def _read(item: Mapping[str, Any], sizes: Mapping[str, tuple[int, int]]) -> DrawnPoint:
    target = item["target"]
    sha256 = sha256_of(str(target["source"]))
    if sha256 not in sizes:
        raise BagRefused(
            f"a point lies on the photo {sha256[:12]}…, which the bag does not hold, or whose "
            "specimen has no edition"
        )
    said = {body["purpose"]: str(body["value"]) for body in item["body"]}
    title = clean_name(said["identifying"], "title")
    genuine_shows = clean_notes(said["describing"], "genuine_shows")
    if not genuine_shows:
        raise BagRefused("a point does not say what a genuine one shows there")
    copies_show = clean_notes(said.get("commenting", ""), "copies_show") or ""
    region = clean_region(region_of(target["selector"]), *sizes[sha256])
    return DrawnPoint(sha256, region, title, genuine_shows, copies_show)
