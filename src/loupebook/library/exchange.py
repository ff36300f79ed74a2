"""Sets leaving the library and coming in: photos stripped or decoded, records merged.

An export is a bag (RFC 8493) or a plain folder; both hold the same payload, described in
:mod:`loupebook.records.exchange.layout`. An import is rehearsed first; its conflicts are
told before anything is written, and it is carried out whole or not at all.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

import loupebook
from loupebook.errors import (
    BagRefused,
    LoupebookError,
    PhotoError,
    QueryInvalid,
    RecordConflict,
    RecordNotFound,
)
from loupebook.imaging import decode_photo
from loupebook.imaging.strip import strip_metadata
from loupebook.library.curating import shared_serials
from loupebook.library.desk_exchange import points_to_annotations
from loupebook.library.intake import IncomingPhoto, prepare_photo
from loupebook.library.points_taken import read_points
from loupebook.library.same_pixels import pixel_digest
from loupebook.library.spellings import spelling_remarks
from loupebook.records.catalogue import Catalogue
from loupebook.records.exchange import (
    CROISSANT_FILE,
    TABLE_FILE,
    BagPhoto,
    Fate,
    Offered,
    OfferedPhoto,
    Origin,
    Payload,
    Taken,
    about_set,
    describe,
    fingerprint,
    layout,
    made_whole,
    photo_line,
    read_payload,
    received,
    set_card,
    specimen_line,
    take_in,
    write_table,
    write_tags,
)
from loupebook.records.model import EventRecord, IntakeState, NewPhoto, PhotoRecord, SpecimenRecord
from loupebook.records.photo_store import digest
from loupebook.records.points import PointRecord, Points
from loupebook.records.standing_changes import second_person_confirmed
from loupebook.records.text import clean_name, read_choice, shown
from loupebook.search import Progress

FILTERS = ("element", "marque", "edition", "standing", "origin", "lighting", "state", "text")
"""Keys by which an export can be limited; without a state only confirmed specimens go."""


@dataclass(frozen=True)
class ExportReport:
    """What was exported, and what stays behind.

    Parameters
    ----------
    out : Path
        Where it was written.
    specimens, photos, bytes_written, points
        How much of each.
    encoded_anew : int
        Photos whose metadata could not be removed otherwise.
    points_left : int
        Points drawn on photos that stay, or that fit no more.
    left_out : mapping
        Word to how many specimens stay: a state that was not asked for, or ``filtered``.
    without_photos : int
        Exported specimens that have no photo, so that the table has no row of them.
    """

    out: Path
    specimens: int
    photos: int
    bytes_written: int
    encoded_anew: int
    points: int
    points_left: int
    left_out: Mapping[str, int]
    without_photos: int

    def says(self) -> str:
        """Return it in a sentence."""
        anew = (
            f"; {self.encoded_anew} had to be encoded anew without metadata"
            if self.encoded_anew
            else ""
        )
        return (
            f"{self.specimens} specimens, {self.photos} photos and {self.points} points written "
            f"to {self.out}{anew}.{self.left_behind()}"
        )

    def left_behind(self) -> str:
        """Return the sentences that say what stays or lacks photos, with a space before them."""
        said = []
        if staying := [f"{count} {word}" for word, count in self.left_out.items() if count]:
            said.append(f"Specimens left out: {', '.join(staying)}.")
        if self.without_photos:
            said.append(
                f"Specimens without a photo: {self.without_photos}; {TABLE_FILE} has none of them."
            )
        if self.points_left:
            said.append(
                f"Points of comparison that stay behind: {self.points_left}, drawn on photos that "
                "are not in the bag, or whose specimen has another design now."
            )
        return "".join(f" {one}" for one in said)

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {
            "out": str(self.out),
            "specimens": self.specimens,
            "photos": self.photos,
            "bytes": self.bytes_written,
            "encoded_anew": self.encoded_anew,
            "points": self.points,
            "points_left": self.points_left,
            "left_out": dict(self.left_out),
            "without_photos": self.without_photos,
        }


@dataclass(frozen=True)
class ImportReport:
    """What an import did, or would do.

    Parameters
    ----------
    set_name, set_id : str
        The set that the bag comes from.
    taken : tuple of Taken
        What became of each specimen.
    points : int
        Points of comparison that the set did not have.
    done : bool
        Whether it was carried out; False for a dry run, and where something conflicts.
    remarks : tuple of str
        What to look at: serial numbers that stand on several specimens.
    """

    set_name: str
    set_id: str
    taken: tuple[Taken, ...]
    points: int
    done: bool
    remarks: tuple[str, ...] = ()

    @property
    def conflicts(self) -> tuple[Taken, ...]:
        """What stands in the way."""
        return tuple(one for one in self.taken if one.fate is Fate.CONFLICT)

    @property
    def new_photos(self) -> int:
        """How many photos the set did not have."""
        return sum(one.new_photos for one in self.taken)

    def count(self, fate: Fate) -> int:
        """Return how many specimens came to that."""
        return sum(one.fate is fate for one in self.taken)

    def lines(self) -> list[str]:
        """Return the report as lines of plain text, every conflict included."""
        lines = [f"From the set {shown(self.set_name)} ({self.set_id}):"]
        lines += [
            f"{self.count(fate)} specimens {word}"
            for fate, word in (
                (Fate.NEW, "new"),
                (Fate.EXTENDED, "known, with more to them"),
                (Fate.SAME, "known as they are"),
                (Fate.CONFLICT, "in conflict"),
            )
        ]
        lines.append(f"{self.new_photos} photos and {self.points} points new")
        lines += self.notes()
        lines += [f"conflict: {shown(one.name_there)}: {one.conflict}" for one in self.conflicts]
        if self.conflicts:
            lines.append("Nothing was written: settle the conflicts, or leave those specimens out.")
        elif not self.done:
            lines.append("Nothing was written: this was a dry run.")
        return lines

    def notes(self) -> list[str]:
        """Return what was filled in, what stayed out and what to look at, a line each."""
        notes = [
            f"{shown(one.name)}: filled in here: {', '.join(one.filled)}"
            for one in self.taken
            if one.filled
        ]
        notes += [
            f"{shown(one.name)}: left out, since a correction here had taken it away: "
            f"{', '.join(one.left_out)}"
            for one in self.taken
            if one.left_out
        ]
        return notes + [f"look: {remark}" for remark in self.remarks]

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {
            "set": self.set_name,
            "set_id": self.set_id,
            "done": self.done,
            **{str(fate): self.count(fate) for fate in Fate},
            "new_photos": self.new_photos,
            "new_points": self.points,
            "remarks": list(self.remarks),
            "specimens": [
                {
                    "specimen": one.name,
                    "name_there": one.name_there,
                    "fate": str(one.fate),
                    "new_photos": one.new_photos,
                    "filled": list(one.filled),
                    "left_out": list(one.left_out),
                    "conflict": one.conflict,
                }
                for one in self.taken
            ],
        }


@dataclass(frozen=True)
class ExportOptions:
    """What is said and left out when a set is exported.

    Parameters
    ----------
    filters : mapping
        Limits it; keys of :data:`FILTERS`.
    licence, publisher : str, optional
        What others may do with it, and who answers for it.
    keep_metadata : bool
        Leave place, time and other metadata in the photos.
    """

    filters: Mapping[str, str]
    licence: str | None = None
    publisher: str | None = None
    keep_metadata: bool = False


def export_bag(
    catalogue: Catalogue, out: Path, options: ExportOptions, *, by: str, progress: Progress
) -> ExportReport:
    """Write a bag: a folder, or a ZIP file where the name ends in ``.zip``.

    Raises
    ------
    SetExists
        Something is there already.
    QueryInvalid
        A filter is not known, or leaves nothing.
    RecordConflict
        One picture, once its metadata are removed, shows two specimens: nobody could take
        the bag in.
    """
    with made_whole(out) as bag:
        (bag / "data").mkdir()
        report = _write_payload(catalogue, bag / "data", out, options, by, progress)
        write_tags(
            bag,
            {
                "Bag-Software-Agent": f"loupebook {loupebook.__version__}",
                "Bagging-Date": datetime.now(UTC).date().isoformat(),
                "Source-Organization": options.publisher or by,
                "External-Identifier": f"urn:uuid:{catalogue.info().set_id}",
                "External-Description": f"Reference set {catalogue.info().name}",
            },
        )
    return report


def export_folder(
    catalogue: Catalogue, out: Path, options: ExportOptions, *, by: str, progress: Progress
) -> ExportReport:
    """Write a plain folder with ``manifest.csv``; see :func:`export_bag`."""
    with made_whole(out) as folder:
        return _write_payload(catalogue, folder, out, options, by, progress)


def _write_payload(
    catalogue: Catalogue,
    payload: Path,
    out: Path,
    options: ExportOptions,
    by: str,
    progress: Progress,
) -> ExportReport:
    specimens = _chosen(catalogue, options.filters)
    (payload / layout.PHOTO_FOLDER).mkdir()
    lines: list[tuple[SpecimenRecord, dict[str, Any]]] = []
    for done, record in enumerate(specimens):
        progress("Exporting specimens", done, len(specimens))
        for photo in catalogue.photos(record.name):
            line = _write_photo(catalogue, payload, photo, keep=options.keep_metadata)
            lines.append((record, line))
    _require_one_specimen_each(lines)
    progress("Exporting specimens", len(specimens), len(specimens))
    _write_lines(payload / layout.SPECIMENS_FILE, map(specimen_line, specimens))
    _write_lines(payload / layout.PHOTOS_FILE, (line for _, line in lines))
    points, points_left = _write_points(catalogue, payload, lines)
    verified = catalogue.events()
    about = about_set(
        catalogue.info(),
        specimens,
        photos=len(lines),
        exported_by=by,
        exported_at=datetime.now(UTC).isoformat(timespec="seconds"),
        publisher=options.publisher,
        licence=options.licence,
        metadata_kept=options.keep_metadata,
        left_out=", ".join(f"{key} {value}" for key, value in options.filters.items())
        or "all confirmed specimens",
        log=(len(verified), verified[-1].chain),
        confirmed_by_second=_confirmed_by_second(specimens, verified),
    )
    _write_json(payload / layout.SET_FILE, about)
    (payload / "SET_CARD.md").write_text(set_card(about, specimens), encoding="utf-8")
    (payload / "LAYOUT.md").write_text(layout.__doc__ or "", encoding="utf-8")
    write_table(payload / TABLE_FILE, lines)
    _write_json(payload / CROISSANT_FILE, describe(payload, about))
    return ExportReport(
        out,
        len(specimens),
        len(lines),
        sum(path.stat().st_size for path in payload.rglob("*") if path.is_file()),
        sum(bool(line.get("encoded_anew")) for _, line in lines),
        points,
        points_left,
        _left_out(catalogue, options.filters, len(specimens)),
        len(specimens) - len({record.name for record, _ in lines}),
    )


def _asked_state(filters: Mapping[str, str]) -> IntakeState:
    return read_choice(IntakeState, filters.get("state", IntakeState.CONFIRMED), "state")


def _left_out(catalogue: Catalogue, filters: Mapping[str, str], exported: int) -> dict[str, int]:
    """Return how many specimens of another state stay, and how many other filters pass over."""
    given: dict[str, Any] = {key: value for key, value in filters.items() if key != "state"}
    asked = _asked_state(filters)
    left = {
        state.value: catalogue.count_specimens(**given, state=state)
        for state in IntakeState
        if state != asked
    }
    return left | {"filtered": catalogue.count_specimens() - exported - sum(left.values())}


def _confirmed_by_second(specimens: Sequence[SpecimenRecord], events: Sequence[EventRecord]) -> int:
    lines: dict[str | None, list[EventRecord]] = defaultdict(list)
    for event in events:
        lines[event.specimen].append(event)
    return sum(second_person_confirmed(one, lines[one.name]) for one in specimens)


def _chosen(catalogue: Catalogue, filters: Mapping[str, str]) -> list[SpecimenRecord]:
    unknown = sorted(filters.keys() - set(FILTERS))
    if unknown:
        raise QueryInvalid(
            f"An export cannot be limited by {', '.join(unknown)}; what can: {', '.join(FILTERS)}."
        )
    wanted: Any = {**filters, "state": _asked_state(filters)}
    if wanted["state"] is IntakeState.WITHDRAWN:
        raise QueryInvalid("Withdrawn specimens are not handed on; reinstate them first.")
    specimens = catalogue.specimens(**wanted)
    if not specimens:
        raise QueryInvalid("No specimen passes these filters, so nothing was exported.")
    return specimens


def _write_photo(
    catalogue: Catalogue, payload: Path, photo: PhotoRecord, *, keep: bool
) -> dict[str, Any]:
    data, media_type, anew = catalogue.photo_bytes(photo.photo_id), photo.media_type, False
    if not keep:
        bare = strip_metadata(data)
        data, media_type, anew = bare.data, bare.media_type, not bare.pixels_kept
    line = photo_line(photo, digest(data), media_type)
    if not keep:
        line["captured_at"] = None
    if anew:
        line["encoded_anew"] = True
    (payload / line["file"]).write_bytes(data)
    return line


def _require_one_specimen_each(lines: Sequence[tuple[SpecimenRecord, dict[str, Any]]]) -> None:
    first: dict[str, dict[str, Any]] = {}
    for _, line in lines:
        other = first.setdefault(line["sha256"], line)
        if other["specimen"] != line["specimen"]:
            raise RecordConflict(
                f"path: {shown(other['file_name'])} of specimen {shown(other['specimen'])} and "
                f"{shown(line['file_name'])} of specimen {shown(line['specimen'])} are the same "
                "picture but for their metadata; one photo shows one specimen. Move the photo "
                "to where it belongs, or withdraw one of the two",
                field="path",
            )


def _write_points(
    catalogue: Catalogue, payload: Path, lines: Sequence[tuple[SpecimenRecord, dict[str, Any]]]
) -> tuple[int, int]:
    """Write the points of what is exported; return how many those are, and how many others."""
    exported = {line["original_sha256"] or line["sha256"]: (one, line) for one, line in lines}
    drawn = Points(catalogue).of()
    points = [
        replace(point, sha256=exported[point.sha256][1]["sha256"])
        for point in drawn
        if point.sha256 in exported and _still_drawn_on(point, *exported[point.sha256])
    ]
    if points:
        text = points_to_annotations(points)
        (payload / layout.POINTS_FILE).write_text(text, encoding="utf-8")
    return len(points), len(drawn) - len(points)


def _still_drawn_on(point: PointRecord, record: SpecimenRecord, line: dict[str, Any]) -> bool:
    """Whether a photo still shows what the point was drawn for.

    A bag tells a point by its photo, so after a correction of the record it would come in as
    a point of another design, or as one of none.
    """
    shows = (record.marque, record.element, record.edition, line["view"], line["lighting"])
    return shows == (point.marque, point.element, point.edition, point.view, point.lighting)


def _write_lines(path: Path, lines: Iterator[dict[str, Any]]) -> None:
    with path.open("w", encoding="utf-8", newline="\n") as file:
        file.writelines(json.dumps(line, ensure_ascii=False) + "\n" for line in lines)


def _write_json(path: Path, value: Mapping[str, Any]) -> None:
    path.write_text(json.dumps(value, ensure_ascii=False, indent=1) + "\n", encoding="utf-8")


def import_bag(
    catalogue: Catalogue,
    bag: Path,
    *,
    by: str,
    dry_run: bool,
    prefix: str,
    leave_out: Sequence[str],
    as_proposed: bool,
    progress: Progress,
) -> ImportReport:
    """Take a bag in; see :meth:`.Library.import_bag`."""
    with received(bag) as folder:
        payload = read_payload(folder)
        photos = _decoded(payload, progress)
        offered = [
            Offered(
                replace(
                    record,
                    name=clean_name(prefix + record.name, "specimen"),
                    state=IntakeState.PROPOSED if as_proposed else record.state,
                ),
                record.name,
                partial(_with_bytes, photos[record.name], folder),
            )
            for record in payload.specimens
            if record.name not in leave_out
        ]
        _require_known_names(payload, leave_out)
        left_out = {one.told.sha256 for name in leave_out for one in photos[name]}
        points = [one for one in read_points(payload, photos) if one.sha256 not in left_out]
        origin = Origin(payload.set_id, payload.set_name, fingerprint(folder))
        same_picture = _SamePicture(catalogue, [one for each in photos.values() for one in each])
        for one in offered:
            same_picture.read_ahead(one.record.name, photos[one.name_there])
        carry_out = partial(
            take_in, catalogue, offered, points, origin, by=by, same_picture=same_picture
        )
        taken, new_points = carry_out(rehearse=True)
        records = [one.record for one in offered]
        shared = [*shared_serials(catalogue, records), *spelling_remarks(catalogue, records)]
        report = ImportReport(
            payload.set_name,
            payload.set_id,
            tuple(taken),
            new_points,
            done=False,
            remarks=tuple(remark.message for remark in shared),
        )
        if dry_run or report.conflicts:
            return report
        taken, new_points = carry_out(rehearse=False)
    return replace(report, taken=tuple(taken), points=new_points, done=True)


@dataclass(frozen=True)
class _Decoded:
    """A photo of a bag, decoded once: everything of it but its bytes, and its pixel digest."""

    told: BagPhoto
    photo: NewPhoto
    pixels: str


def _decoded(payload: Payload, progress: Progress) -> dict[str, list[_Decoded]]:
    """Decode every photo within limits, and gather everything that is wrong with any."""
    faults: list[str] = []
    found: dict[str, list[_Decoded]] = {}
    count = sum(map(len, payload.photos.values()))
    done = 0
    for name, photos in payload.photos.items():
        found[name] = []
        for told in photos:
            progress("Checking photos", done, count)
            done += 1
            try:
                found[name].append(_prepared(told, _bytes_of(told, payload.folder)))
            except (PhotoError, BagRefused) as exc:
                faults.append(f"{told.file}: {exc}")
    progress("Checking photos", count, count)
    if faults:
        raise BagRefused("Photos in the bag cannot be taken in:", tuple(faults))
    return found


def _prepared(told: BagPhoto, data: bytes) -> _Decoded:
    incoming = IncomingPhoto(data, told.file_name, told.view, told.lighting, told.px_per_mm)
    prepared = prepare_photo(incoming)
    photo = replace(
        prepared.photo,
        data=b"",
        captured_at=prepared.photo.captured_at or told.captured_at,
        camera=prepared.photo.camera if prepared.photo.camera.model else told.camera,
    )
    return _Decoded(told, photo, prepared.pixels)


def _bytes_of(told: BagPhoto, folder: Path) -> bytes:
    try:
        data = (folder / told.file).read_bytes()
    except OSError as exc:
        raise BagRefused(f"the photo is not there ({exc.strerror})") from exc
    if digest(data) != told.sha256:
        raise BagRefused("the file has another SHA-256 than its line says")
    return data


def _with_bytes(decoded: Sequence[_Decoded], folder: Path) -> list[OfferedPhoto]:
    """Read the photos of one specimen; only those of one are in memory at a time."""
    return [
        OfferedPhoto(replace(one.photo, data=_bytes_of(one.told, folder)), one.told.original_sha256)
        for one in decoded
    ]


def _require_known_names(payload: Payload, leave_out: Sequence[str]) -> None:
    unknown = set(leave_out) - {record.name for record in payload.specimens}
    if unknown:
        raise QueryInvalid(f"The bag has no specimen named {', '.join(map(shown, unknown))}.")


class _SamePicture:
    """Whether a photo of a bag and one here show the very same pixels, whatever their metadata.

    Each file is decoded once: its pixels are remembered by a digest. Photos here are read anew,
    not looked up: a damaged one may be the same or not.
    """

    def __init__(self, catalogue: Catalogue, offered: Sequence[_Decoded]) -> None:
        self._catalogue = catalogue
        self._pixels: dict[str, str | None] = {one.told.sha256: one.pixels for one in offered}

    def __call__(self, offered: NewPhoto, held: PhotoRecord) -> bool:
        kept = self._of_held(held)
        return kept is not None and kept == self._pixels[digest(offered.data)]

    def read_ahead(self, name: str, offered: Sequence[_Decoded]) -> None:
        """Decode what photos of a bag have to be held against, before anybody waits for the set.

        Parameters
        ----------
        name : str
            The specimen here.
        offered : sequence of _Decoded
            Photos of the bag.
        """
        try:
            held = self._catalogue.photos(name)
        except RecordNotFound:
            return
        known = {photo.sha256 for photo in held}
        for one in offered:
            if known & {one.told.sha256, one.told.original_sha256}:
                continue
            size = (one.photo.width, one.photo.height)
            for photo in held:
                if (photo.width, photo.height) == size:
                    self._of_held(photo)

    def _of_held(self, photo: PhotoRecord) -> str | None:
        """Return the digest of a photo here; None if it is damaged."""
        if photo.sha256 not in self._pixels:
            try:
                data = self._catalogue.photo_bytes(photo.photo_id)
                self._pixels[photo.sha256] = pixel_digest(decode_photo(data).pixels)
            except LoupebookError:
                self._pixels[photo.sha256] = None
        return self._pixels[photo.sha256]
