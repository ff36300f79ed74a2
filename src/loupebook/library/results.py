"""What the library answers with: plain immutable values, each with a JSON form.

Similarities are cosines or fused scores in 0..1; elapsed times are milliseconds;
locations are four ``(x, y)`` corners in px of the query as handed in, clockwise from the
item's own top left.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from loupebook.imaging import PhotoCheck
from loupebook.records.model import Element, Lighting, Standing, View
from loupebook.search import FoundItem, Outline


@dataclass(frozen=True)
class SearchFilters:
    """What a search is limited to; `None` means "any"."""

    element: Element | None = None
    view: View | None = None
    lighting: Lighting | None = None
    marque: str | None = None
    standing: Standing | None = None


@dataclass(frozen=True)
class MatchReport:
    """One known specimen near the query, with the photo of it that lies nearest.

    Parameters
    ----------
    rank : int
        1 is nearest. The nearest genuine and nearest fake carry the rank they would have.
    similarity : float
        0..1, greater is nearer. Nearness, never standing of the query.
    found_by : str
        ``embedding``, ``local`` or ``both``.
    location : Outline, optional
        Where the item was found in the query.
    inliers : int, optional
        Points that agree with one geometry, where geometry was checked.
    evidence : float, optional
        Log odds that it shows the same design, by which matches are ordered.
    """

    rank: int
    specimen: str
    photo: str
    photo_id: int
    standing: Standing
    marque: str | None
    edition: str | None
    element: Element
    view: View
    lighting: Lighting
    origin: str | None
    similarity: float
    found_by: str
    location: Outline | None = None
    inliers: int | None = None
    evidence: float | None = None
    detail: Mapping[str, Any] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form that ``search --json`` prints."""
        return {
            "rank": self.rank,
            "specimen": self.specimen,
            "photo": self.photo,
            "photo_id": self.photo_id,
            "standing": str(self.standing),
            "marque": self.marque,
            "edition": self.edition,
            "element": str(self.element),
            "view": str(self.view),
            "lighting": str(self.lighting),
            "origin": self.origin,
            "similarity": round(self.similarity, 6),
            "log_odds": self.log_odds,
            "found_by": self.found_by,
            "location": [list(point) for point in self.location] if self.location else None,
            "inliers": self.inliers,
            "scores": {name: round(score, 4) for name, score in self.scores.items()},
            "covered_query": self.detail.get("covered_query"),
            "covered_reference": self.detail.get("covered_reference"),
        }

    @property
    def log_odds(self) -> float | None:
        """The natural log odds of showing one design, by which matches are ranked.

        They still tell an order where the similarity rounds to 1. `None` where only a
        similarity of 0 or 1 is known.
        """
        if self.evidence is not None:
            return round(self.evidence, 2)
        if not 0 < self.similarity < 1:
            return None
        return round(math.log(self.similarity / (1 - self.similarity)), 2)

    @property
    def scores(self) -> Mapping[str, float]:
        """What each arm that found it gives it, on the arm's own scale."""
        given: Mapping[str, float] = self.detail.get("scores", {})
        return given

    @property
    def points(self) -> NDArray[np.float64]:
        """Points that agree, (n, 4): x, y in the query and x, y in the reference, px."""
        return np.asarray(self.detail.get("points", ()), np.float64).reshape(-1, 4)


@dataclass(frozen=True)
class SearchReport:
    """The answer to one query.

    Parameters
    ----------
    photo : str
        Name of the query.
    set : str
        Name of the set that was searched.
    set_version : int
        Change counter of the set before it was searched: as long as the set stands at it, the
        answer rests on the set as it stands.
    encoder : str
        Name and short fingerprint of the encoder.
    elapsed_ms : float
        Whole time of the search, decoding included.
    timings_ms : mapping
        The same broken into ``decode``, ``check``, ``sync`` and ``search``.
    photo_check : PhotoCheck
        Advice on the query.
    matches : tuple of MatchReport
        Nearest specimens, one entry each.
    nearest_genuine, nearest_fake : MatchReport, optional
        Always given where the set holds one within the filters, however far.
    items : tuple of FoundItem
        The items found in the photo, each with the specimen it was found by; a photo of two
        items can be searched item by item.
    reading : mapping
        What may be said of the answer; see ``loupebook.library.reading``.
    empty_reason : str, optional
        Why there are no matches, if there are none.
    query_pixels : ndarray
        The query as it was searched, uint8 sRGB (height, width, 3).
    """

    photo: str
    set: str
    set_version: int
    encoder: str
    elapsed_ms: float
    timings_ms: Mapping[str, float]
    photo_check: PhotoCheck
    matches: tuple[MatchReport, ...]
    nearest_genuine: MatchReport | None
    nearest_fake: MatchReport | None
    items: tuple[FoundItem, ...]
    reading: Mapping[str, Any]
    empty_reason: str | None
    query_pixels: NDArray[np.uint8] = field(repr=False)

    @property
    def nothing_close(self) -> bool:
        """Whether nothing in the set is close: the references are then of other designs."""
        return self.reading.get("close_reference") is False

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form that ``search --json`` prints, one object a photo."""
        return {
            "photo": self.photo,
            "set": self.set,
            "encoder": self.encoder,
            "elapsed_ms": round(self.elapsed_ms, 1),
            "timings_ms": {name: round(value, 1) for name, value in self.timings_ms.items()},
            "photo_check": json.loads(self.photo_check.to_json()),
            "matches": [match.to_dict() for match in self.matches],
            "nearest_genuine": self.nearest_genuine.to_dict() if self.nearest_genuine else None,
            "nearest_fake": self.nearest_fake.to_dict() if self.nearest_fake else None,
            "items": [
                {
                    "location": [list(point) for point in item.outline],
                    "specimen": item.specimen,
                    "similarity": round(item.similarity, 6),
                }
                for item in self.items
            ],
            "reading": dict(self.reading),
            "empty_reason": self.empty_reason,
        }


@dataclass(frozen=True)
class Fault:
    """One row or file that could not be added.

    Parameters
    ----------
    file : str
        The manifest or photo concerned.
    line : int, optional
        Line of the manifest.
    column : str, optional
        Column of the manifest.
    message : str
        What is wrong and what to do.
    """

    file: str
    message: str
    line: int | None = None
    column: str | None = None

    def __str__(self) -> str:
        place = self.file
        if self.line is not None:
            place += f", line {self.line}"
        if self.column is not None:
            place += f", column {self.column}"
        return f"{place}: {self.message}"

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {
            "file": self.file,
            "line": self.line,
            "column": self.column,
            "message": self.message,
        }


@dataclass(frozen=True)
class AddReport:
    """What an addition has done, photo by photo.

    Parameters
    ----------
    added : tuple of int
        Row ids of photos newly recorded.
    known : tuple of str
        Files that stood in the set already, for the same specimen.
    faults : tuple of Fault
        Rows and files that were left out, each with the reason.
    remarks : tuple of Fault
        What is worth a look although nothing was left out for it: photos that were kept and
        marked because a photo check failed, unknown columns of the manifest.
    specimens : tuple of str
        Specimens touched, in order.
    dry_run : bool
        Whether this only says what would be done.
    would_add : int
        How many photos a dry run found to be new.
    """

    added: tuple[int, ...] = ()
    known: tuple[str, ...] = ()
    faults: tuple[Fault, ...] = ()
    remarks: tuple[Fault, ...] = ()
    specimens: tuple[str, ...] = ()
    dry_run: bool = False
    would_add: int = 0

    @property
    def ok(self) -> bool:
        """Whether nothing had to be left out."""
        return not self.faults

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form that ``add --json`` prints."""
        return {
            "dry_run": self.dry_run,
            "added": self.would_add if self.dry_run else len(self.added),
            "already_known": len(self.known),
            "failed": len(self.faults),
            "remarks": [fault.to_dict() for fault in self.remarks],
            "faults": [fault.to_dict() for fault in self.faults],
            "specimens": list(self.specimens),
        }


@dataclass(frozen=True)
class SetOverview:
    """Counts of a set for its front page; withdrawn specimens are counted apart."""

    specimens: int
    photos: int
    genuine: int
    fake: int
    proposed: int
    withdrawn: int
    by_element: Mapping[str, int]
    marques: tuple[str, ...]
    editions: tuple[str, ...]
    origins: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {
            "specimens": self.specimens,
            "photos": self.photos,
            "genuine": self.genuine,
            "fake": self.fake,
            "proposed": self.proposed,
            "withdrawn": self.withdrawn,
            "by_element": dict(self.by_element),
            "marques": list(self.marques),
            "editions": list(self.editions),
            "origins": list(self.origins),
        }
