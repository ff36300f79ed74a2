"""The calibration on disk: one JSON file a set and encoder, a cache that can be deleted.

It names the set, the set's change counter, the encoder and the photos that it was made from,
and carries a checksum of the rest. Whatever does not fit is not used: :func:`load_calibration`
then returns `None`, and the caller makes it anew.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from loupebook.evidence.set_calibration import ElementCalibration
from loupebook.search.files import keep_atomically

FORMAT = 4


@dataclass(frozen=True)
class MadeFrom:
    """What a calibration was made from; all of it must match for it to be used.

    Parameters
    ----------
    set_id : str
    set_version : int
        Change counter of the set.
    fingerprint : str
        Of the vectors.
    photos : str
        Which photos had vectors, by :func:`photos_digest`: one that could not be read then may
        have one now, and nothing in the set has changed.
    """

    set_id: str
    set_version: int
    fingerprint: str
    photos: str


@dataclass(frozen=True)
class SetCalibration:
    """The calibrations of all elements of a set.

    Parameters
    ----------
    made_from : MadeFrom
        Set, change counter and vectors.
    made_at : str
        Instant, UTC.
    elements : mapping
        Element to its calibration.
    """

    made_from: MadeFrom
    made_at: str
    elements: Mapping[str, ElementCalibration]


def now() -> str:
    """Return this instant, ISO 8601 in UTC with a trailing ``Z``."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def photos_digest(photos: Iterable[int]) -> str:
    """Return what tells some photos of a set from others, in whatever order they come."""
    listed = ",".join(map(str, sorted(int(photo) for photo in photos)))
    return hashlib.sha256(listed.encode()).hexdigest()


def calibration_path(folder: Path, fingerprint: str) -> Path:
    """Return where the calibration for one encoder lies, under a set's folder."""
    return folder / "derived" / "evidence" / f"calibration-{fingerprint[:12]}.json"


def save_calibration(folder: Path, calibration: SetCalibration) -> None:
    """Write a calibration in place of an older one, where this user may write."""
    body = _body(calibration)
    text = json.dumps({"sha256": _digest(body), "calibration": body}, allow_nan=False)
    path = calibration_path(folder, calibration.made_from.fingerprint)
    keep_atomically(path, [text.encode()])


def load_calibration(folder: Path, made_from: MadeFrom) -> SetCalibration | None:
    """Read a calibration back; `None` if there is none that fits, or it is damaged."""
    try:
        stored = json.loads(calibration_path(folder, made_from.fingerprint).read_bytes())
        body = stored["calibration"]
        if stored["sha256"] != _digest(body) or body["format"] != FORMAT:
            return None
        found = SetCalibration(
            MadeFrom(body["set_id"], body["set_version"], body["fingerprint"], body["photos"]),
            body["made_at"],
            {name: ElementCalibration.from_dict(one) for name, one in body["elements"].items()},
        )
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return found if found.made_from == made_from else None


def forget_calibrations(folder: Path) -> None:
    """Delete every calibration of a set; each is made anew where it is asked for."""
    for path in (folder / "derived" / "evidence").glob("calibration-*.json"):
        path.unlink(missing_ok=True)


def _body(calibration: SetCalibration) -> dict[str, Any]:
    made_from = calibration.made_from
    return {
        "format": FORMAT,
        "set_id": made_from.set_id,
        "set_version": made_from.set_version,
        "fingerprint": made_from.fingerprint,
        "photos": made_from.photos,
        "made_at": calibration.made_at,
        "elements": {name: one.to_dict() for name, one in calibration.elements.items()},
    }


def _digest(body: Mapping[str, Any]) -> str:
    return hashlib.sha256(json.dumps(body, sort_keys=True).encode()).hexdigest()
