"""Material of the records tests: the store does not decode, so any bytes are a photo."""

from __future__ import annotations

import hashlib
from typing import Any

from loupebook.records.model import Element, NewPhoto, SpecimenRecord, Standing


def photo_of(seed: object, **fields: Any) -> NewPhoto:
    data = hashlib.sha512(str(seed).encode()).digest() * 40
    fields = {"file_name": f"{seed}.jpg", "media_type": "image/jpeg"} | fields
    return NewPhoto(data=data, width=640, height=480, **fields)


def specimen_of(name: str, **fields: Any) -> SpecimenRecord:
    fields = {"element": Element.BAND, "standing": Standing.GENUINE} | fields
    return SpecimenRecord(name=name, **fields)
