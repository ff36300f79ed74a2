"""The description of an exported set in MLCommons Croissant 1.0, for machine learning tools.

Source: Croissant Format Specification, version 1.0, MLCommons, March 2024.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from loupebook.records.exchange.layout import PHOTO_FOLDER, PHOTOS_FILE, SPECIMENS_FILE

CROISSANT_FILE = "croissant.json"
_CONTEXT: Mapping[str, Any] = {
    "@language": "en",
    "@vocab": "https://schema.org/",
    "citeAs": "cr:citeAs",
    "column": "cr:column",
    "conformsTo": "dct:conformsTo",
    "cr": "http://mlcommons.org/croissant/",
    "data": {"@id": "cr:data", "@type": "@json"},
    "dataType": {"@id": "cr:dataType", "@type": "@vocab"},
    "dct": "http://purl.org/dc/terms/",
    "examples": {"@id": "cr:examples", "@type": "@json"},
    "extract": "cr:extract",
    "field": "cr:field",
    "fileObject": "cr:fileObject",
    "fileProperty": "cr:fileProperty",
    "fileSet": "cr:fileSet",
    "format": "cr:format",
    "includes": "cr:includes",
    "isLiveDataset": "cr:isLiveDataset",
    "jsonPath": "cr:jsonPath",
    "key": "cr:key",
    "md5": "cr:md5",
    "parentField": "cr:parentField",
    "path": "cr:path",
    "recordSet": "cr:recordSet",
    "references": "cr:references",
    "regex": "cr:regex",
    "repeated": "cr:repeated",
    "replace": "cr:replace",
    "sc": "https://schema.org/",
    "separator": "cr:separator",
    "source": "cr:source",
    "subField": "cr:subField",
    "transform": "cr:transform",
}
_SPECIMEN_FIELDS = (
    ("name", "the specimen's unique name"),
    ("element", "band, seal or cap"),
    ("standing", "genuine or fake, as confirmed"),
    ("marque", "the brand printed on the item"),
    ("edition", "the design"),
    ("origin", "the press run it is believed to come from"),
    ("confirmed_by", "who confirmed the standing"),
    ("confirmed_on", "when"),
    ("basis", "on what grounds"),
)
_PHOTO_FIELDS = (
    ("sha256", "SHA-256 of the file", "sc:Text"),
    ("file", "where the file lies", "sc:Text"),
    ("specimen", "the specimen that it shows", "sc:Text"),
    ("view", "which side it shows", "sc:Text"),
    ("lighting", "how the item was lit", "sc:Text"),
    ("width", "px after orientation", "sc:Integer"),
    ("height", "px after orientation", "sc:Integer"),
    ("px_per_mm", "scale in the item's plane", "sc:Float"),
)


def describe(payload: Path, about: Mapping[str, Any]) -> dict[str, Any]:
    """Return the description of a payload folder whose catalogue and photos are written.

    Parameters
    ----------
    payload : Path
        The folder.
    about : mapping
        What ``set.json`` says.
    """
    return {
        "@context": dict(_CONTEXT),
        "@type": "sc:Dataset",
        "name": about["name"],
        "description": f"{about['says']} {about['limits']}",
        "conformsTo": "http://mlcommons.org/croissant/1.0",
        "license": about["licence"],
        "creator": {"@type": "sc:Organization", "name": about["publisher"]},
        "datePublished": about["exported_at"][:10],
        "version": f"1.0.{about['change_counter']}",
        "url": f"urn:uuid:{about['set_id']}",
        "citeAs": f"{about['publisher']}: {about['name']}, state {about['change_counter']}.",
        "distribution": [
            _file(payload, SPECIMENS_FILE),
            _file(payload, PHOTOS_FILE),
            {
                "@type": "cr:FileSet",
                "@id": "photo-files",
                "name": "photo-files",
                "description": "The photos, named by their SHA-256.",
                "encodingFormat": "image/*",
                "includes": f"{PHOTO_FOLDER}/*",
            },
        ],
        "recordSet": [_specimens(), _photos()],
    }


def _file(payload: Path, name: str) -> dict[str, Any]:
    data = (payload / name).read_bytes()
    return {
        "@type": "cr:FileObject",
        "@id": name,
        "name": name,
        "description": "One JSON object a line; see LAYOUT.md.",
        "contentUrl": name,
        "contentSize": f"{len(data)} B",
        "encodingFormat": "application/jsonlines",
        "sha256": hashlib.sha256(data).hexdigest(),
    }


def _specimens() -> dict[str, Any]:
    return {
        "@type": "cr:RecordSet",
        "@id": "specimens",
        "name": "specimens",
        "description": "Physical objects with a known standing. Split by specimen and by print "
        "origin, never by photo.",
        "key": {"@id": "specimens/name"},
        "field": [
            _field("specimens", name, says, "sc:Text", SPECIMENS_FILE)
            for name, says in _SPECIMEN_FIELDS
        ],
    }


def _photos() -> dict[str, Any]:
    fields = [_field("photos", *column, PHOTOS_FILE) for column in _PHOTO_FIELDS]
    for one in fields:
        if one["name"] == "specimen":
            one["references"] = {"field": {"@id": "specimens/name"}}
    return {
        "@type": "cr:RecordSet",
        "@id": "photos",
        "name": "photos",
        "description": "Images of the specimens; several may show one.",
        "key": {"@id": "photos/sha256"},
        "field": fields,
    }


def _field(record_set: str, name: str, says: str, kind: str, file: str) -> dict[str, Any]:
    return {
        "@type": "cr:Field",
        "@id": f"{record_set}/{name}",
        "name": name,
        "description": says,
        "dataType": kind,
        "source": {"fileObject": {"@id": file}, "extract": {"column": name}},
    }
