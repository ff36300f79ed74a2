"""The comparison desk: a query and known references in one frame, as it gets ready.

The frame is the nearest genuine photo in full resolution, or the nearest fake where the
query cannot be laid over the former. What is at hand at once (the photos as photographed)
is there from the start; :meth:`Desk.align` does the rest step by step, in a thread of the
caller's, and each step raises :attr:`Desk.version`.

Conventions: points are (x, y) px of the frame, pixel centres at whole numbers.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from threading import Condition, Event, Lock
from typing import Any, Protocol

from loupebook.compare import Picture, register
from loupebook.errors import ComparisonError, LoupebookError
from loupebook.library.comparing import ComparisonReport, Photo
from loupebook.library.desk_measures import Measures, measures_of, no_measures
from loupebook.library.desk_photos import LaidPhoto, Mips, Pixels, Warped
from loupebook.library.near_designs import nearer_design
from loupebook.library.results import SearchReport
from loupebook.records.model import Lighting, PhotoRecord, SpecimenRecord, Standing
from loupebook.records.points import PointRecord

QUERY = "query"
MOST_REFERENCES = 6
_GRACE_S = 0.15


class DeskSource(Protocol):
    """What a desk needs of a library."""

    def photo(self, photo_id: int) -> PhotoRecord:
        """Return a photo's record."""

    def photo_pixels(self, photo_id: int) -> Pixels:
        """Return a photo's pixels."""

    def photo_glance(self, photo_id: int, max_side: int) -> Pixels:
        """Return a photo small, for showing alone."""

    def specimen(self, name: str) -> SpecimenRecord:
        """Return a specimen's record."""

    def compare(self, query: Photo, photo_id: int) -> ComparisonReport:
        """Compare a query with the edition of a photo."""

    def points_for(self, photo_id: int) -> Sequence[PointRecord]:
        """Return the points of comparison of the design that a photo shows."""


@dataclass(frozen=True)
class DeskReference:
    """A reference on the desk."""

    photo_id: int
    standing: Standing
    lighting: Lighting
    px_per_mm: float | None
    size: tuple[int, int]

    @property
    def key(self) -> str:
        """Its name on the desk."""
        return key_of(self.photo_id)


def key_of(photo_id: int) -> str:
    """Return the name that a photo has on a desk."""
    return f"p{photo_id}"


@dataclass
class _Layer:
    """One photo on the desk: as photographed, and in the frame once that is known."""

    own: LaidPhoto
    aligned: LaidPhoto | None = None
    reason: str = ""
    residual_px: float | None = None
    waits: bool = True
    picture: Picture | None = None

    def ready(self) -> Picture:
        """Return the photo made ready for registration."""
        if self.picture is None:
            self.picture = Picture.of(self.own.mips.level(0))
        return self.picture

    def to_dict(self) -> dict[str, Any]:
        return {
            "own": _tiles(self.own),
            "aligned": None if self.aligned is None else _tiles(self.aligned),
            "waits": self.waits,
            "reason": self.reason or None,
            "residual_px": self.residual_px,
        }


def _tiles(photo: LaidPhoto) -> dict[str, Any]:
    return {"width": photo.size[0], "height": photo.size[1], "levels": photo.levels}


class Desk:
    """One query and its references on the desk.

    Parameters
    ----------
    source : DeskSource
        The library.
    report : SearchReport
        The answer to a search, whose query and nearest references are laid out.
    """

    def __init__(self, source: DeskSource, report: SearchReport) -> None:
        self.version = 0
        self._source = source
        self._query = report.query_pixels
        self._poor = not report.photo_check.shows_print
        self._far = report.nothing_close
        self._changed = Condition()
        self._laying = Lock()
        self._measuring = Lock()
        height, width = self._query.shape[:2]
        own = LaidPhoto(Mips((width, height), lambda: report.query_pixels), (width, height))
        self._layers: dict[str, _Layer] = {QUERY: _Layer(own)}
        self._references: dict[str, DeskReference] = {}
        self._frame: DeskReference | None = None
        self._aligned = False
        self._shown: set[str] = set()
        self._some_seen, self._all_seen = Event(), Event()
        self._measures: dict[str, Measures] = {}
        self._report = report
        self._held_back: tuple[str, ComparisonReport, tuple[str, ...]] | None = None
        self._nearest = [
            self.lay_out(match.photo_id)
            for match in (report.nearest_genuine, report.nearest_fake)
            if match is not None
        ]

    # ------------------------------------------------------------------ what lies on it

    def lay_out(self, photo_id: int) -> DeskReference:
        """Put a reference on the desk; :meth:`align` brings it into the frame.

        Raises
        ------
        RecordNotFound
            If there is no such photo.
        """
        photo = self._source.photo(photo_id)
        standing = self._source.specimen(photo.specimen).standing
        size = (photo.width, photo.height)
        reference = DeskReference(photo_id, standing, photo.lighting, photo.px_per_mm, size)
        with self._changed:
            if reference.key not in self._layers:
                mips = Mips(
                    size,
                    lambda: self._source.photo_pixels(photo_id),
                    lambda longest: self._source.photo_glance(photo_id, longest),
                )
                dark = photo.lighting is Lighting.UV_A
                self._layers[reference.key] = _Layer(LaidPhoto(mips, size, dark=dark))
                self._references[reference.key] = reference
                self._step()
        return reference

    def keep_only(self, photo_ids: Sequence[int]) -> None:
        """Take all other references off the desk, but the nearest ones."""
        kept = {key_of(one) for one in photo_ids} | {one.key for one in self._nearest}
        with self._changed:
            for key in [one for one in self._references if one not in kept]:
                del self._references[key], self._layers[key]

    @property
    def bytes_held(self) -> int:
        """About how much memory the decoded photos take."""
        with self._changed:
            sides = [layer.own.mips.size for layer in self._layers.values()]
        return sum(4 * width * height for width, height in sides)

    def layer(self, key: str, *, aligned: bool) -> LaidPhoto:
        """Return a photo for cutting tiles.

        Raises
        ------
        KeyError
            If it does not lie on the desk, or not yet in the frame.
        """
        with self._changed:
            layer = self._layers[key]
            photo = layer.aligned if aligned else layer.own
        if photo is None:
            raise KeyError(key)
        return photo

    def overlay(self, key: str, name: str) -> bytes:
        """Return a difference map over the frame, PNG with transparency.

        Parameters
        ----------
        key : str
            Which reference the query was measured against.
        name : str
            Of the measurement.

        Raises
        ------
        KeyError
            If there is none of that name, or nothing was measured against that reference.
        """
        return self._measures[key].overlays[name]

    def seen(self, key: str) -> None:
        """Take note that a picture of this photo is on its way to the page."""
        self._shown.add(key)
        if QUERY in self._shown and len(self._shown) > 1:
            self._some_seen.set()
        if self._shown >= {QUERY, *(one.key for one in self._nearest)}:
            self._all_seen.set()

    def make_first_pictures(self) -> None:
        """Make the small pictures that the page asks for first, before it asks for them."""
        first = [QUERY, *(one.key for one in self._nearest)]
        with ThreadPoolExecutor(len(first), thread_name_prefix="first") as pool:
            for key in first:
                pool.submit(self._layers[key].own.tile, 0, 0, 0)

    def wait_until_seen(self, most_s: float) -> None:
        """Wait, `most_s` seconds at most, until the first pictures are on their way to the page.

        They show the query and the nearest references as photographed. What is to be seen at
        once goes first; whoever has other work to do for the page waits here meanwhile.
        """
        # A narrow window shows one reference at a time beside the query.
        if self._some_seen.wait(most_s):
            self._all_seen.wait(_GRACE_S)

    # ------------------------------------------------------------------ getting ready

    def align(self) -> None:
        """Bring everything on the desk into one frame and measure; step by step."""
        try:
            with self._laying:
                self._find_frame()
                for key in list(self._references):
                    self._lay(key)
            # Measuring takes longest; what is laid out meanwhile need not wait for it.
            with self._measuring:
                self._measure()
        except LoupebookError as error:
            self.give_up(str(error))

    def _find_frame(self) -> None:
        if self._aligned:
            return
        query = self._layers[QUERY]
        reason = ""
        for reference in self._nearest:
            layer = self._layers[reference.key]
            found = register(query.ready(), layer.ready(), px_per_mm=reference.px_per_mm)
            if found.registered and found.warp is not None:
                warped = Warped(found.warp, layer.ready(), query.ready())
                with self._changed:
                    self._frame = reference
                    layer.aligned, layer.waits = layer.own, False
                    query.aligned = LaidPhoto(query.own.mips, reference.size, warped)
                    query.residual_px, query.waits, query.reason = found.residual_px, False, ""
                    self._step()
                break
            reason = reason or found.reason
        else:
            with self._changed:
                query.reason, query.waits = reason or "there is no reference to lay it over", False
                for layer in self._layers.values():
                    layer.waits = False
                self._step()
        self._aligned = True

    def _lay(self, key: str) -> None:
        layer = self._layers.get(key)
        if self._frame is None or layer is None or not layer.waits:
            return
        frame = self._layers[self._frame.key]
        found = register(layer.ready(), frame.ready())
        with self._changed:
            layer.waits = False
            if found.registered and found.warp is not None:
                warped = Warped(found.warp, frame.ready(), layer.ready())
                dark = layer.own.dark
                layer.aligned = LaidPhoto(layer.own.mips, self._frame.size, warped, dark)
                layer.residual_px = found.residual_px
            else:
                layer.reason = found.reason
            self._step()

    def _measure(self) -> None:
        """Measure the query against what is known of each nearest reference, the frame first."""
        frame = self._frame
        if frame is None:
            nothing = no_measures(self._layers[QUERY].reason)
            self._take({one.key: nothing for one in self._nearest})
            return
        for reference in sorted(self._nearest, key=lambda one: one.key != frame.key):
            if reference.key not in self._measures:
                self._take({reference.key: self._measured_against(reference, frame)})
        self._say_worth()

    def _measured_against(self, reference: DeskReference, frame: DeskReference) -> Measures:
        try:
            report = self._source.compare(self._query, reference.photo_id)
        except ComparisonError as error:
            return no_measures(str(error))
        # Points belong to the design that gives the frame.
        points = self._source.points_for(frame.photo_id) if reference is frame else ()
        measures = measures_of(
            report, frame.photo_id, self._layers[frame.key].ready(), frame.size, points,
            self._source.photo_pixels, poor=self._poor, far=self._far,
        )  # fmt: skip
        if reference.standing is not Standing.GENUINE or self._poor or self._far:
            return measures
        self._held_back = reference.key, report, measures.strength
        return replace(measures, strength=())

    def _say_worth(self) -> None:
        """Say what the print is worth, or that it agrees better with another design."""
        nearest = self._report.nearest_genuine
        if self._held_back is None or nearest is None:
            return
        key, first, strength = self._held_back
        other = nearer_design(
            self._query, nearest, first, self._report.matches, self._source.compare
        )
        with self._changed:
            self._held_back = None
            # What was measured is forgotten where points were drawn meanwhile, and made anew.
            if key in self._measures:
                worth = (other,) if other else strength
                self._measures[key] = replace(self._measures[key], strength=worth)
            self._step()

    def _take(self, found: Mapping[str, Measures]) -> None:
        with self._changed:
            self._measures.update(found)
            self._step()

    def forget_old_points(self) -> bool:
        """Forget what was measured if points were drawn or retired since; say whether so."""
        frame = self._frame
        measures = None if frame is None else self._measures.get(frame.key)
        if frame is None or measures is None:
            return False
        now = {point.point_id for point in self._source.points_for(frame.photo_id)}
        if now == {point["id"] for point in measures.points}:
            return False
        with self._changed:
            del self._measures[frame.key]
            self._step()
        return True

    def give_up(self, reason: str) -> None:
        """Say of everything that is not ready yet why it will not be."""
        with self._changed:
            for layer in self._layers.values():
                if layer.waits:
                    layer.waits, layer.reason = False, reason
            for one in self._nearest:
                self._measures.setdefault(one.key, no_measures(reason))
            self._held_back = None
            self._step()

    def _step(self) -> None:
        self.version += 1
        self._changed.notify_all()

    # ------------------------------------------------------------------ what it tells

    def wait(self, version: int, seconds: float) -> dict[str, Any]:
        """Return :meth:`to_dict` as soon as it differs from what a version told, or in time."""
        with self._changed:
            self._changed.wait_for(lambda: self.version != version, seconds)
            return self.to_dict()

    def to_dict(self) -> dict[str, Any]:
        """Return everything but the pictures, as JSON values."""
        with self._changed:
            frame = self._frame
            return {
                "version": self.version,
                "frame": None
                if frame is None
                else {
                    "key": frame.key,
                    "width": frame.size[0],
                    "height": frame.size[1],
                    "px_per_mm": frame.px_per_mm,
                },
                "layers": {key: layer.to_dict() for key, layer in self._layers.items()},
                "measures": {key: one.to_dict() for key, one in self._measures.items()},
                "done": self._held_back is None
                and len(self._measures) == len(self._nearest)
                and not any(layer.waits for layer in self._layers.values()),
            }

    @property
    def frame_photo(self) -> int | None:
        """The photo that gives the frame, or is tried first until one does; `None` if none can."""
        decided = self._aligned
        if self._frame is not None:
            return self._frame.photo_id
        return None if decided or not self._nearest else self._nearest[0].photo_id

    @property
    def points(self) -> tuple[dict[str, Any], ...]:
        """What is told of each point of comparison; empty until it was measured."""
        measures = None if self._frame is None else self._measures.get(self._frame.key)
        return () if measures is None else measures.points
