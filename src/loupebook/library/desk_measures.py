"""What was measured of a query, brought into the frame of a desk.

Maps come in the frame of a consensus image; they are laid over the desk's frame, their
strongest spots found there, and each point of comparison gets the figure of its region.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from loupebook.compare import Consensus, Picture, register
from loupebook.compare.comparison import DOES_NOT_SAY, Comparison, Figure, Verdict, too_wide
from loupebook.compare.maps import shares, standouts, strongest, tint
from loupebook.library.comparing import ComparisonReport
from loupebook.library.desk_photos import STAYS, FrameMap, Pixels, Points, Warped, spread_map
from loupebook.records.points import PointRecord
from loupebook.sheets.measured import (
    LOOK,
    Word,
    finding_words,
    known_words,
    limit_words,
    result_words,
    strength_paragraphs,
    unit_words,
    word_of,
)

OVERLAY_SIDE = 1200
"""Longest side of a difference map as it is sent, px; the measurements are coarser."""
AT_POINTS = {
    "structure": "lines and shapes, whatever their colour, depart here {value:.1f} times as far "
    "as {known} scatter",
    "colour": "the inks here lie {value:.1f} ΔE00 off in colour",
}
"""Measurements that are told at each point of comparison, the first as its figure."""
HATCH = 10
"""Distance of the lines that hatch what was not compared, px of a map as it is sent."""
_SEEN = 0.5
"""Least share of a point's region that must be seen for a figure."""
_TOP = 90
"""Percentile of a region that its figure is: one speck says little, a part of it much."""


_FAR = "; but nothing in this library is close, so this means nothing about a copy"
_POOR = "; but the photo is too poor to rest on this"


@dataclass(frozen=True)
class _Placed:
    """The map of a photo into the consensus image that was cut out of it."""

    place: tuple[float, float, float]
    shrunk: float

    def __call__(self, points: Points) -> Points:
        left, top, scale = self.place
        working = (points + 0.5) * self.shrunk - 0.5
        inside: Points = (working - np.array([left, top]) + 0.5) * scale - 0.5
        return inside

    def seen(self, points: Points) -> NDArray[np.bool_] | None:  # noqa: ARG002 (all are seen)
        return None


@dataclass(frozen=True, eq=False)
class Measures:
    """What was measured, in the frame of a desk.

    Parameters
    ----------
    says : str
        The finding in a sentence or two, or why there is none.
    strength : tuple of str
        What it is worth, in paragraphs, where the set could tell.
    against : str
        What the query was compared with.
    figures : tuple of dict
        Name, value, unit, z, verdict, the word for it and its `mark` (``agrees``, ``look``,
        ``differs`` or ``cannot tell``), its limit, what it says, the places to look at,
        whether there is a map of it, and whether anything is `painted` on that.
    overlays : mapping
        Name of a measurement to its map, PNG with transparency.
    points : tuple of dict
        The points of comparison and the figure at each.
    """

    says: str
    strength: tuple[str, ...] = ()
    against: str = ""
    photos: int = 0
    figures: tuple[dict[str, Any], ...] = ()
    overlays: Mapping[str, bytes] = field(default_factory=dict, repr=False)
    points: tuple[dict[str, Any], ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form, without the maps themselves."""
        return {
            "says": self.says,
            "strength": list(self.strength),
            "does_not_say": DOES_NOT_SAY,
            "against": self.against,
            "photos": self.photos,
            "figures": list(self.figures),
            "overlays": sorted(self.overlays),
            "points": list(self.points),
        }


def no_measures(reason: str) -> Measures:
    """Return that nothing was measured, and why."""
    return Measures(f"Not measured: {reason}.")


def measures_of(
    report: ComparisonReport,
    photo_id: int,
    frame: Picture,
    size: tuple[int, int],
    points: Sequence[PointRecord],
    read: Callable[[int], Pixels],
    *,
    poor: bool = False,
    far: bool = False,
) -> Measures:
    """Bring a comparison into the frame of a desk.

    Parameters
    ----------
    report : ComparisonReport
        Of the query with the consensus of the frame's photo.
    photo_id : int
        The photo that gives the frame.
    frame : Picture
        That photo.
    size : (int, int)
        Width and height of the frame, px.
    points : sequence of PointRecord
        Of the design that it shows.
    read : callable
        Photo id to pixels, for the photos that points were drawn on.
    poor : bool
        Whether the photo is too poor to hold fine print against anything.
    far : bool
        Whether nothing in the set is close, so that the reference is of another design.
    """
    found = report.comparison
    consensus = None if found.framed is None else found.framed.consensus
    to_consensus = None if consensus is None else map_to_consensus(consensus, photo_id, frame)
    laid = _Laid(found, to_consensus, size)
    bearing, told = {"poor": poor, "far": far}, report.to_dict()
    return Measures(
        says=finding_words(told, **bearing),
        strength=tuple(strength_paragraphs(told, **bearing)),
        against=f"{report.standing or 'known'}: {report.reference}",
        photos=found.against,
        figures=tuple(_figure(one, laid, report.standing, bearing) for one in found.figures),
        overlays={name: _png(share, laid.seen) for name, share in laid.shares.items()},
        points=tuple(
            _point(point, region, laid, known_words(report.standing), bearing)
            for point, region in placed(points, photo_id, frame, read)
        ),
    )


def map_to_consensus(consensus: Consensus, photo_id: int, frame: Picture) -> FrameMap | None:
    """Return where a frame px lies in a consensus image; `None` where it cannot be told."""
    anchor = consensus.photos[0]
    if anchor.photo_id == photo_id:
        return _Placed(consensus.place, frame.shrunk)
    found = register(consensus.picture, frame)
    if not found.registered or found.warp is None:
        return None
    return Warped(found.warp, frame, consensus.picture)


def placed(
    points: Sequence[PointRecord],
    photo_id: int,
    frame: Picture,
    read: Callable[[int], Pixels],
) -> list[tuple[PointRecord, NDArray[np.float64] | None]]:
    """Return each point with its region in the frame; `None` where it cannot be laid there."""
    maps: dict[int, FrameMap | None] = {photo_id: STAYS}
    found = []
    for point in points:
        if point.photo_id not in maps:
            anchor = Picture.of(read(point.photo_id))
            laid = register(frame, anchor)
            maps[point.photo_id] = (
                Warped(laid.warp, anchor, frame)
                if laid.registered and laid.warp is not None
                else None
            )
        to_frame = maps[point.photo_id]
        region = np.asarray(point.region, np.float64)
        found.append((point, None if to_frame is None else to_frame(region)))
    return found


class _Laid:
    """Maps of a comparison laid over the frame, at a bounded size."""

    def __init__(
        self, found: Comparison, to_consensus: FrameMap | None, size: tuple[int, int]
    ) -> None:
        self.scale = min(1.0, OVERLAY_SIDE / max(size))
        self.size = (max(1, round(size[0] * self.scale)), max(1, round(size[1] * self.scale)))
        self.shares: dict[str, NDArray[np.float32]] = {}
        self.standouts: dict[str, NDArray[np.float32]] = {}
        self.maps: dict[str, tuple[Figure, NDArray[np.float32]]] = {}
        self.seen = np.zeros(self.size[::-1], bool)
        if to_consensus is None or found.framed is None:
            return
        where, _ = spread_map(to_consensus, 0.0, 0.0, self.scale, self.size)

        def pull(plane: NDArray[np.float32]) -> NDArray[np.float32]:
            laid = cv2.remap(
                plane, where[..., 0], where[..., 1], cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_CONSTANT, borderValue=0,
            )  # fmt: skip
            return np.asarray(laid, np.float32)

        self.shares = {name: pull(share) for name, share in shares(found).items()}
        self.seen = pull(found.framed.inner.astype(np.float32)) > 0.5
        self.standouts = {name: pull(one) for name, one in standouts(found).items()}
        self.maps = {
            one.name: (one, pull(one.map))
            for one in found.figures
            if one.name in AT_POINTS and one.map is not None
        }

    def spots(self, name: str) -> list[dict[str, float]]:
        """Return the strongest spots of a map, frame px."""
        share = self.standouts.get(name)
        if share is None:
            return []
        return [
            {
                "x": round((x + 0.5) / self.scale - 0.5, 1),
                "y": round((y + 0.5) / self.scale - 0.5, 1),
                "radius": round(radius / self.scale, 1),
            }
            for (x, y), radius in strongest(share)
        ]

    def figure(self, region: NDArray[np.float64], known: str) -> tuple[float | None, str]:
        """Return how far the query departs in a region, and the same in words."""
        if "structure" not in self.maps:
            return None, "no figure: nothing could be measured on this photo"
        inside = np.zeros(self.size[::-1], np.uint8)
        corners = np.rint((region + 0.5) * self.scale - 0.5).astype(np.int32)
        cv2.fillPoly(inside, [corners], 1)
        held = (inside > 0) & self.seen
        if held.sum() < _SEEN * max(1, int(inside.sum())):
            return None, "no figure: your photo does not show this part, or glare hides it"
        value, told = None, []
        for name, words in AT_POINTS.items():
            if name not in self.maps:
                continue
            figure, plane = self.maps[name]
            here = float(np.percentile(plane[held], _TOP))
            value = here if value is None else value
            told.append(words.format(value=here, known=known) + _limit(figure))
        return value, "; ".join(told)


def _figure(
    figure: Figure, laid: _Laid, standing: str | None, bearing: Mapping[str, bool]
) -> dict[str, Any]:
    row = figure.to_dict()
    said = result_words(row, standing, **bearing)
    word = word_of(row, **bearing)
    share = laid.shares.get(figure.name)
    return {
        **row,
        "unit": unit_words(row, standing),
        "says": said,
        # The desk shows `says` where a figure differs and `reason` elsewhere.
        "reason": None if figure.verdict is Verdict.DIFFERS else said,
        "word": str(word),
        "mark": _mark(word),
        "limit": limit_words(row),
        "map": share is not None,
        "painted": share is not None and bool((share > 0).any()),
        "places": [] if word is Word.FAR else laid.spots(figure.name),
    }


def _limit(figure: Figure) -> str:
    if figure.usual_to is None:
        return ""
    if too_wide(figure.usual, figure.usual_to):
        return f" ({Word.WIDE})"
    return f" (usual up to {figure.usual_to:.3g})"


def _mark(word: Word) -> str:
    if word in LOOK:
        return "look"
    return str(word) if word in (Word.AGREES, Word.DIFFERS) else "cannot tell"


def _point(
    point: PointRecord,
    region: NDArray[np.float64] | None,
    laid: _Laid,
    known: str,
    bearing: Mapping[str, bool],
) -> dict[str, Any]:
    told: dict[str, Any] = {
        "id": point.point_id,
        "title": point.title,
        "genuine_shows": point.genuine_shows,
        "copies_show": point.copies_show,
        "region": None,
        "figure": None,
        "figure_says": "this reference could not be laid over the photo that the point is drawn on",
    }
    if region is not None:
        told["region"] = np.round(region, 2).tolist()
        told["figure"], told["figure_says"] = laid.figure(region, known)
    if told["figure"] is not None and (bearing["far"] or bearing["poor"]):
        told["figure_says"] += _FAR if bearing["far"] else _POOR
    return told


def _png(share: NDArray[np.float32], seen: NDArray[np.bool_]) -> bytes:
    """Return a map as PNG; hatched where nothing was compared, for that is not agreement."""
    colour, alpha = tint(share)
    picture = np.dstack([colour[..., ::-1], alpha * 255])
    rows, columns = np.indices(seen.shape, np.uint16)
    picture[((rows + columns) % HATCH < 2) & ~seen] = (42, 42, 42, 255)
    settings = [cv2.IMWRITE_PNG_COMPRESSION, 3]
    return bytes(cv2.imencode(".png", np.rint(picture).astype(np.uint8), settings)[1])
