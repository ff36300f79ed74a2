"""Examinations: a search with everything it rests on, kept so that it can be held against later.

A document (plain JSON; its SHA-256 stands in the set's log) has the keys::

    format       1
    examined     {title, file_name, sha256, media_type, bytes, width, height}
    asked        {quarter_turns, corners, box, filters, k}
    set          {set_id, name, version, notice, photos, holds}
    made_with    {loupebook, encoder, fingerprint}
    answer       the JSON of ``search --json``
    references   [{photo_id, sha256, specimen, standing, …}] of every match shown
    comparisons  [{the JSON of ``compare --json`` without `word`, photo_id, px_per_mm,
                 pictures}]
    marks        [{point_id, title, mark, note, figure, figure_says, places}]
    notes        free text
    serials      what was read on the item, as ``loupebook.library.numbers_read`` describes it;
                 null where nothing was, absent where saved before this was kept
    images       [{sha256, what, kept}], `kept` is ``examination`` or ``reference``

``holds`` is the SHA-256 over the sorted hashes of all photos that were searched, so that two
documents tell whether they rest on the same references.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import datetime
from typing import TYPE_CHECKING, Any

import loupebook
from loupebook.compare import Group
from loupebook.errors import ComparisonError, LoupebookError, RecordConflict, SetDamaged
from loupebook.imaging import Box, decode_photo, encode_jpeg, thumbnail
from loupebook.library.changes import changes_between
from loupebook.library.comparing import ComparisonReport
from loupebook.library.near_designs import nearer_design
from loupebook.library.numbers_read import NumbersRead, kept_form
from loupebook.library.results import MatchReport, SearchFilters, SearchReport
from loupebook.library.thumbnails import THUMBNAIL_SIDE
from loupebook.records import Catalogue, ExaminationLine, ExaminationRecord, Examinations
from loupebook.records.examinations import canonical
from loupebook.records.model import Element, Lighting, Standing, View
from loupebook.records.photo_store import digest
from loupebook.records.points import PointMark
from loupebook.records.text import clean_name, clean_notes, same_person_key, shown, tame
from loupebook.search import Progress, no_progress
from loupebook.sheets import Paper
from loupebook.sheets.record import make_record

if TYPE_CHECKING:
    from loupebook.library.facade import Library

FORMAT = 1
QUERY = "query as handed in"
SEARCHED = "query as searched"
_QUALITY = 94
NOTHING_READ = NumbersRead()


@dataclass(frozen=True)
class Asked:
    """How a search was asked, so that it can be asked again.

    Parameters
    ----------
    quarter_turns, corners, box
        The part of the photo; see :meth:`loupebook.library.Library.search`.
    filters : SearchFilters
        What it was limited to.
    k : int
        How many specimens were asked for.
    """

    quarter_turns: int = 0
    corners: tuple[tuple[float, float], ...] | None = None
    box: Box | None = None
    filters: SearchFilters = field(default_factory=SearchFilters)
    k: int = 10

    def arguments(self) -> dict[str, Any]:
        """Return the arguments of the search."""
        return {
            "quarter_turns": self.quarter_turns,
            "corners": self.corners,
            "box": self.box,
            "filters": self.filters,
            "k": self.k,
        }

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {
            "quarter_turns": self.quarter_turns,
            "corners": self.corners and [list(point) for point in self.corners],
            "box": self.box and [self.box.left, self.box.top, self.box.right, self.box.bottom],
            "filters": {
                name: None if value is None else str(value)
                for name, value in asdict(self.filters).items()
            },
            "k": self.k,
        }

    @classmethod
    def from_dict(cls, given: Mapping[str, Any]) -> Asked:
        """Read the JSON form."""
        kinds = {"element": Element, "view": View, "lighting": Lighting, "standing": Standing}
        filters: dict[str, Any] = {
            name: kinds[name](value) if value is not None and name in kinds else value
            for name, value in given["filters"].items()
        }
        corners = given["corners"]
        return cls(
            int(given["quarter_turns"]),
            None if corners is None else tuple((x, y) for x, y in corners),
            None if given["box"] is None else Box(*given["box"]),
            SearchFilters(**filters),
            int(given["k"]),
        )


@dataclass(frozen=True)
class ImageFault:
    """An image of an examination that is not what it was."""

    sha256: str
    what: str
    message: str


@dataclass(frozen=True)
class Rerun:
    """An examination asked again of today's set.

    Parameters
    ----------
    record : ExaminationRecord
        As it was saved; nothing of it is changed.
    report : SearchReport
        Today's answer.
    changes : tuple of str
        What differs, in plain words; empty where nothing does.
    """

    record: ExaminationRecord
    report: SearchReport
    changes: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {
            "examination": self.record.number,
            "revision": self.record.revision,
            "changes": list(self.changes),
            "then": self.record.document["answer"],
            "now": self.report.to_dict(),
        }


class Examiner:
    """Saves, reopens, checks, prints and asks again.

    Parameters
    ----------
    library : Library
        The open set.
    catalogue : Catalogue
        Its catalogue.
    """

    def __init__(self, library: Library, catalogue: Catalogue) -> None:
        self._library = library
        self._catalogue = catalogue
        self._kept = Examinations(catalogue)

    def save(
        self,
        report: SearchReport,
        photo: bytes,
        *,
        title: str,
        by: str,
        asked: Asked | None = None,
        marks: Sequence[PointMark] = (),
        notes: str = "",
        serials: NumbersRead = NOTHING_READ,
        comparisons: Mapping[int, ComparisonReport] | None = None,
    ) -> ExaminationRecord:
        """Save an examination.

        Parameters
        ----------
        report : SearchReport
            The answer to the search.
        photo : bytes
            The query as it was handed in.
        title : str
            What was examined.
        by : str
            The examiner.
        asked : Asked, optional
            How the search was asked.
        marks : sequence of PointMark
            What the examiner found at each point.
        notes : str
            Free text.
        serials : NumbersRead
            The serial numbers and barcodes read on the item; what they say is kept with them.
        comparisons : mapping, optional
            Photo id to comparison, for those at hand; the nearest genuine and the nearest
            fake are compared otherwise.

        Raises
        ------
        RecordInvalid
            The title, a note, a serial number or the name is not allowed.
        RecordConflict
            The set has changed since the search, or while this was compared.
        """
        self._refuse_overtaken(report)
        kept_serials = kept_form(self._catalogue, serials)
        # A file system may hold names that are no text.
        report = replace(report, photo=tame(report.photo) or "unnamed")
        images: dict[str, bytes] = {}
        decoded = decode_photo(photo)
        height, width = decoded.pixels.shape[:2]
        query = _keep(images, photo)
        searched = _keep(images, encode_jpeg(report.query_pixels, quality=_QUALITY))
        compared = self._compared(report, images, comparisons or {})
        references = self._references(report)
        document = {
            "format": FORMAT,
            "examined": {
                "title": title, "file_name": report.photo, "sha256": query,
                "media_type": decoded.media_type, "bytes": len(photo),
                "width": width, "height": height, "searched": searched,
            },
            "asked": (asked or Asked()).to_dict(),
            "set": self._set_as_it_stands(),
            "made_with": self._made_with(report),
            "answer": report.to_dict(),
            "references": references,
            "comparisons": compared,
            "marks": [self._mark(mark, compared, references) for mark in marks],
            "notes": clean_notes(notes, "notes") or "",
            "serials": kept_serials,
            "images": _listed(query, searched, compared, references),
        }  # fmt: skip
        # Comparing takes seconds, and all of the document must be of one state of the set.
        self._refuse_overtaken(report)
        return self._kept.save(title, document, images.values(), by=by)

    def _refuse_overtaken(self, report: SearchReport) -> None:
        if self._catalogue.info().change_counter != report.set_version:
            raise RecordConflict(
                "The set has changed since the search, so the examination was not saved. "
                "Search again, then save."
            )

    def same(
        self,
        report: SearchReport,
        photo: bytes,
        *,
        title: str,
        by: str,
        asked: Asked | None = None,
        marks: Sequence[PointMark] = (),
        notes: str = "",
        serials: NumbersRead = NOTHING_READ,
    ) -> ExaminationLine | None:
        """Return the examination that this person has saved of just this before.

        The photo, how it was asked, the answer, the references and encoder that it rests on,
        title, marks, notes and serial numbers are the same. Parameters are those of :meth:`save`.

        Raises
        ------
        RecordInvalid
            The title, a note or a serial number is not allowed.
        """
        wanted = _essence(
            {
                "examined": {"sha256": digest(photo)},
                "asked": (asked or Asked()).to_dict(),
                "set": self._set_as_it_stands(),
                "made_with": self._made_with(report),
                "answer": report.to_dict(),
                "marks": [mark.to_dict() for mark in marks],
                "notes": clean_notes(notes, "notes") or "",
                "serials": kept_form(self._catalogue, serials),
            }
        )
        cleaned = clean_name(title, "title")
        for line in self.lines():
            if line.title == cleaned and self._holds(line.number, wanted, by):
                return line
        return None

    def _holds(self, number: int, essence: str, by: str) -> bool:
        """Say whether an examination was first saved as this, by this person."""
        try:
            first = self.open(number, 1)
        except SetDamaged:
            return False
        same_person = same_person_key(first.by) == same_person_key(by)
        return same_person and _essence(first.document) == essence

    def supplement(
        self,
        record: ExaminationRecord,
        *,
        marks: Sequence[PointMark],
        notes: str,
        by: str,
        serials: NumbersRead | None = None,
    ) -> ExaminationRecord:
        """Save a further revision with other marks and notes; the earlier ones stay.

        Serial numbers stay, with what was said of them then, unless others are given.

        Raises
        ------
        RecordConflict
            Somebody else has saved a revision meanwhile.
        """
        document = {
            **record.document,
            "marks": [
                self._mark(mark, record.document["comparisons"], record.document["references"])
                for mark in marks
            ],
            "notes": clean_notes(notes, "notes") or "",
            **self._read_anew(record, serials),
            "supplements": {"revision": record.revision, "sha256": record.sha256},
        }
        place = (record.number, record.revision)
        return self._kept.save(record.title, document, (), by=by, supplements=place)

    def _read_anew(
        self, record: ExaminationRecord, serials: NumbersRead | None
    ) -> dict[str, dict[str, Any] | None]:
        """Return the entry for serial numbers where they are others than those on record."""
        kept = record.document.get("serials")
        if serials is None or serials == NumbersRead.from_kept(kept):
            return {}
        return {"serials": kept_form(self._catalogue, serials)}

    def lines(self) -> list[ExaminationLine]:
        """Return the latest revision of every examination, newest first."""
        return self._kept.lines()

    def open(self, number: int, revision: int | None = None) -> ExaminationRecord:
        """Return an examination exactly as it was saved.

        Raises
        ------
        RecordNotFound
            There is none of that number.
        SetDamaged
            The document was altered.
        """
        return self._kept.get(number, revision)

    def image(self, sha256: str) -> bytes:
        """Return an image kept with an examination, verified.

        Raises
        ------
        SetDamaged
            It is missing or altered.
        """
        return self._kept.image(sha256)

    def thumbnail(self, sha256: str) -> bytes:
        """Return a small JPEG of an image kept with an examination.

        Raises
        ------
        SetDamaged
            It is missing or altered.
        """
        # Twice the side: what is left out in decoding then lies beyond what is shown.
        pixels = decode_photo(self._kept.image(sha256), max_side=2 * THUMBNAIL_SIDE).pixels
        return thumbnail(pixels, longest=THUMBNAIL_SIDE)

    def check(self, record: ExaminationRecord) -> list[ImageFault]:
        """Hold every image of an examination against the hash it was saved with."""
        return self._faults(record.document["images"])

    def _faults(self, images: Sequence[Mapping[str, str]]) -> list[ImageFault]:
        return [got for _, got in self._images(images) if isinstance(got, ImageFault)]

    def _images(
        self, images: Sequence[Mapping[str, str]]
    ) -> Iterator[tuple[str, bytes | ImageFault]]:
        """Yield the hash of every image named with it, or with what is wrong."""
        for image in images:
            sha256 = image["sha256"]
            kept_here = image["kept"] == "examination"
            try:
                got = self._kept.image(sha256) if kept_here else self._reference_bytes(sha256)
            except LoupebookError as error:
                yield sha256, ImageFault(sha256, image["what"], str(error))
            else:
                yield sha256, got

    def check_all(self) -> dict[int, list[ImageFault]]:
        """Check every revision and image of all examinations; those with faults come back."""
        found: dict[int, list[ImageFault]] = {}
        seen: set[tuple[int, str]] = set()
        for number, revision in self._kept.revisions():
            try:
                images = self.open(number, revision).document["images"]
            except SetDamaged as error:
                faults = [ImageFault("", "the document", str(error))]
            else:
                # Revisions share their images: each is read once.
                fresh = [one for one in images if (number, one["sha256"]) not in seen]
                seen |= {(number, one["sha256"]) for one in fresh}
                faults = self._faults(fresh)
            if faults:
                found.setdefault(number, []).extend(faults)
        return found

    def fault_lines(self) -> tuple[str, ...]:
        """Return what is wrong with any examination, a line each; empty if all are sound."""
        return tuple(
            f"examination {number}, {fault.what}: {fault.message}"
            for number, faults in self.check_all().items()
            for fault in faults
        )

    def _reference_bytes(self, sha256: str) -> bytes:
        photo = self._catalogue.photo_by_sha256(sha256)
        if photo is None:
            raise SetDamaged(
                f"the set no longer holds the photo {sha256}; restore the set from a copy"
            )
        return self._catalogue.photo_bytes(photo.photo_id)

    def rerun(self, record: ExaminationRecord, *, progress: Progress = no_progress) -> Rerun:
        """Ask the same of today's set.

        Raises
        ------
        SetDamaged
            The query kept with it is missing or altered.
        """
        document = record.document
        photo = self._kept.image(document["examined"]["sha256"])
        asked = Asked.from_dict(document["asked"])
        report = self._library.search(
            photo, name=document["examined"]["file_name"], progress=progress, **asked.arguments()
        )
        now = {
            "set": self._set_as_it_stands(),
            "made_with": self._made_with(report),
            "answer": report.to_dict(),
            "states": self._states_now(document),
            "serials": kept_form(self._catalogue, NumbersRead.from_kept(document.get("serials"))),
        }
        return Rerun(record, report, tuple(changes_between(document, now)))

    def print(
        self, record: ExaminationRecord, *, paper: Paper = Paper.A4, made_at: datetime | None = None
    ) -> bytes:
        """Return the examination as a PDF record.

        Raises
        ------
        SheetInvalid
            If it cannot be set.
        """
        images: dict[str, bytes] = {}
        faults = []
        for sha256, got in self._images(record.document["images"]):
            if isinstance(got, ImageFault):
                faults.append(f"{got.what}: {got.message}")
            else:
                images[sha256] = got
        return make_record(
            record,
            images,
            self._catalogue.info(),
            faults=faults,
            paper=paper,
            made_at=made_at,
        )

    def _set_as_it_stands(self) -> dict[str, Any]:
        info = self._catalogue.info()
        hashes = sorted(self._catalogue.indexable().values())
        return {
            "set_id": info.set_id, "name": info.name, "version": info.change_counter,
            "notice": info.notice, "photos": len(hashes),
            "holds": hashlib.sha256("\n".join(hashes).encode()).hexdigest(),
        }  # fmt: skip

    def _made_with(self, report: SearchReport) -> dict[str, Any]:
        encoder = self._library.encoder()
        return {
            "loupebook": loupebook.__version__,
            "encoder": report.encoder,
            "fingerprint": getattr(encoder, "fingerprint", report.encoder),
        }

    def _references(self, report: SearchReport) -> list[dict[str, Any]]:
        seen: dict[int, dict[str, Any]] = {}
        for match in (*report.matches, report.nearest_genuine, report.nearest_fake):
            if match is None or match.photo_id in seen:
                continue
            photo = self._catalogue.photo(match.photo_id)
            specimen = self._catalogue.specimen(match.specimen)
            seen[match.photo_id] = {
                "photo_id": match.photo_id, "sha256": photo.sha256, "file_name": photo.file_name,
                "specimen": match.specimen, "standing": str(specimen.standing),
                "marque": specimen.marque, "edition": specimen.edition, "origin": specimen.origin,
                "view": str(photo.view), "lighting": str(photo.lighting),
                "px_per_mm": photo.px_per_mm,
                "confirmed_by": specimen.provenance.confirmed_by,
                "confirmed_on": specimen.provenance.confirmed_on,
                "basis": specimen.provenance.basis,
            }  # fmt: skip
        return list(seen.values())

    def _states_now(self, document: Mapping[str, Any]) -> dict[str, str]:
        states = {}
        for one in document["references"]:
            photo = self._catalogue.photo_by_sha256(one["sha256"])
            if photo is None:
                states[one["specimen"]] = "no longer in the set"
                continue
            if photo.specimen != one["specimen"]:
                states[one["specimen"]] = (
                    f"no longer what its photo {shown(photo.file_name)} is recorded to show: that "
                    f"is {shown(photo.specimen)} now"
                )
                continue
            specimen = self._catalogue.specimen(photo.specimen)
            if specimen.state != "confirmed":
                states[one["specimen"]] = str(specimen.state)
            elif str(specimen.standing) != one["standing"]:
                states[one["specimen"]] = f"recorded as {specimen.standing} now"
        return states

    def _compared(
        self,
        report: SearchReport,
        images: dict[str, bytes],
        known: Mapping[int, ComparisonReport],
    ) -> list[dict[str, Any]]:
        found = []
        for match in (report.nearest_genuine, report.nearest_fake):
            if match is None:
                continue
            try:
                one = known.get(match.photo_id) or self._library.compare(
                    report.query_pixels, match.photo_id
                )
            except ComparisonError as error:
                found.append(_not_compared(match, str(error)))
                continue
            framed = one.comparison.framed
            found.append(
                {
                    **one.measured(far=report.nothing_close),
                    "nearer": self._nearer(report, match, one),
                    "query": report.photo,
                    "photo_id": match.photo_id,
                    "specimen": match.specimen,
                    "group": vars(Group.of(match)),
                    "px_per_mm": framed.consensus.px_per_mm if framed else None,
                    "pictures": {
                        name: _keep(images, encode_jpeg(pixels, quality=_QUALITY))
                        for name, pixels in one.pictures.items()
                    },
                }
            )
        return found

    def _nearer(self, report: SearchReport, match: MatchReport, one: ComparisonReport) -> str:
        """Say so where the print agrees with another design than that of the nearest genuine."""
        if report.nothing_close or match is not report.nearest_genuine:
            return ""
        compare = self._library.compare
        return nearer_design(report.query_pixels, match, one, report.matches, compare)

    def _mark(
        self,
        mark: PointMark,
        compared: Sequence[Mapping[str, Any]],
        references: Sequence[Mapping[str, Any]],
    ) -> dict[str, Any]:
        places = []
        if mark.point_id > 0:
            record = self._library.points.get(mark.point_id)
            for one in compared:
                if not one["pictures"] or one["group"]["standing"] != "genuine":
                    continue
                place = self._library.sheet_source.place_of(record, _group_of(one, references))
                places.append([one["photo_id"], list(place) if place else None])
        return {**mark.to_dict(), "places": places}


def _group_of(compared: Mapping[str, Any], references: Sequence[Mapping[str, Any]]) -> Group:
    """Return what was compared with; a group saved before it named a maker has its photo's."""
    marques = {one["photo_id"]: one["marque"] for one in references}
    return Group.read({"marque": marques.get(compared["photo_id"]), **compared["group"]})


def _listed(
    query: str,
    searched: str,
    compared: Sequence[Mapping[str, Any]],
    references: Sequence[Mapping[str, Any]],
) -> list[dict[str, str]]:
    """Return every image once: its hash, what it is, and where it is kept."""
    named = [(query, QUERY, "examination"), (searched, SEARCHED, "examination")]
    named += [
        (sha256, f"{name}, {one['reference']}", "examination")
        for one in compared
        for name, sha256 in one["pictures"].items()
    ]
    named += [(one["sha256"], one["specimen"], "reference") for one in references]
    listed: dict[str, dict[str, str]] = {}
    for sha256, what, kept in named:
        listed.setdefault(sha256, {"sha256": sha256, "what": what, "kept": kept})
    return list(listed.values())


def _essence(document: Mapping[str, Any]) -> str:
    """Return what makes an examination the same as another, without what it took to make it."""
    answer = document["answer"]
    return canonical(
        {
            "photo": document["examined"]["sha256"],
            "asked": document["asked"],
            "holds": document["set"]["holds"],
            "fingerprint": document["made_with"]["fingerprint"],
            "answer": [answer[name] for name in ("matches", "nearest_genuine", "nearest_fake")],
            # Figures come in while the desk measures; the marks are the examiner's.
            "marks": [
                [mark[name] for name in ("point_id", "title", "mark", "note")]
                for mark in document["marks"]
            ],
            "notes": document["notes"],
            "serials": document.get("serials"),
        }
    )


def _keep(images: dict[str, bytes], data: bytes) -> str:
    sha256 = digest(data)
    images[sha256] = data
    return sha256


def _not_compared(match: MatchReport, why: str) -> dict[str, Any]:
    return {
        "reference": match.edition or match.specimen,
        "reference_standing": str(match.standing),
        "registered": False,
        "reason": why,
        "measurements": [],
        "overall_z": None,
        "says": f"Not compared: {why}",
        "photo_id": match.photo_id,
        "specimen": match.specimen,
        "group": vars(Group.of(match)),
        "px_per_mm": None,
        "pictures": {},
    }
