"""A catalogue of many photos, written past the catalogue's own calls to save the time."""

from __future__ import annotations

import hashlib
from pathlib import Path

from records_material import specimen_of
from sqlalchemy import insert

from loupebook.records.catalogue import Catalogue
from loupebook.records.engine import open_engine
from loupebook.records.tables import PhotoRow, SpecimenRow


def make_large_catalogue(folder: Path, photos: int) -> Path:
    """Make a set of `photos` rows, four a specimen, without photo files; return its folder."""
    with Catalogue.create(folder, name="Large") as catalogue:
        catalogue.add_specimen(
            specimen_of("first", marque="M", edition="E", origin="O"), [], by="me"
        )
    specimen = {
        **{"element": "band", "standing": "genuine", "state": "confirmed", "entered_by": "me"},
        **{"entered_at": "2024-01-01T00:00:00Z", "marque_id": 1, "edition_id": 1, "origin_id": 1},
    }
    photo = {
        **{"view": "face", "lighting": "diffuse", "file_name": "a.jpg", "width": 4, "height": 3},
        **{"media_type": "image/jpeg", "byte_count": 9, "photo_check": "{}"},
    }
    engine = open_engine(folder / "catalogue.sqlite", wait_s=5)
    with engine.begin() as connection:
        connection.execute(
            insert(SpecimenRow), [specimen | {"name": f"S{n:05}"} for n in range(photos // 4)]
        )
        connection.execute(
            insert(PhotoRow),
            [
                photo
                | {
                    "sha256": hashlib.sha256(str(number).encode()).hexdigest(),
                    "specimen_id": 2 + number // 4,
                }
                for number in range(photos)
            ],
        )
    engine.dispose()
    return folder
