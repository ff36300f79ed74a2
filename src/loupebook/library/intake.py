"""From files and manifests to records: each photo decoded, checked and handed on singly.

One bad photo or row never stops the rest; what was left out comes back as faults. A photo
that fails its checks is kept and marked, never dropped silently.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import NamedTuple

from loupebook.errors import LoupebookError, PhotoError, RecordConflict, RecordInvalid
from loupebook.imaging import check_photo, decode_photo, read_photo_file
from loupebook.library.curating import shared_serials
from loupebook.library.results import AddReport, Fault
from loupebook.library.same_pixels import SamePixels, pixel_digest
from loupebook.library.spellings import spelling_remarks
from loupebook.records.catalogue import Catalogue
from loupebook.records.manifest import Manifest
from loupebook.records.model import (
    IntakeState,
    Lighting,
    NewPhoto,
    PhotoRecord,
    SpecimenRecord,
    View,
)
from loupebook.records.photo_store import digest
from loupebook.records.text import clean_name, shown
from loupebook.search import Progress, no_progress

PHOTO_SUFFIXES = frozenset(
    {".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif", ".jfif"}
)
"""What a folder is searched for. A file named outright is tried whatever its ending."""
PHOTO_FACTS = ("view", "lighting", "px_per_mm")
"""What is said of a photo, besides what it shows of which specimen."""


@dataclass(frozen=True)
class IncomingPhoto:
    """A photo as a person hands it in.

    Parameters
    ----------
    source : bytes or Path
        Original bytes, or the file that holds them.
    file_name : str
        Name to show for it.
    view, lighting
        How it was taken.
    px_per_mm : float, optional
        Scale in the item's plane, where known.
    line : int, optional
        Manifest line it came from, for messages.
    """

    source: bytes | Path
    file_name: str
    view: View = View.FACE
    lighting: Lighting = Lighting.DIFFUSE
    px_per_mm: float | None = None
    line: int | None = None


def photo_files(paths: Sequence[Path]) -> Iterator[tuple[Path, str]]:
    """Yield each photo file under `paths` with the name to show for it.

    Folders are walked in sorted order and give the files that look like photos by their
    ending; a file named outright is always given. Missing paths are given too, so that the
    reader reports them.
    """
    for path in paths:
        if path.is_dir():
            for file in sorted(path.rglob("*")):
                if file.suffix.lower() in PHOTO_SUFFIXES and file.is_file():
                    yield file, file.relative_to(path).as_posix()
        else:
            yield path, path.name


def read_source(incoming: IncomingPhoto) -> bytes:
    """Return the bytes of a photo, read from its file where it is one.

    Raises
    ------
    PhotoError
        If the file cannot be read within limits.
    """
    source = incoming.source
    return source if isinstance(source, bytes) else read_photo_file(source)


class Prepared(NamedTuple):
    """A photo decoded and checked.

    Parameters
    ----------
    photo : NewPhoto
        What to record.
    failed : str or None
        Why it fails its checks; None where it passes.
    pixels : str
        Its :func:`.pixel_digest`.
    """

    photo: NewPhoto
    failed: str | None
    pixels: str


def prepare_photo(incoming: IncomingPhoto, data: bytes | None = None) -> Prepared:
    """Decode and check one photo.

    Parameters
    ----------
    incoming : IncomingPhoto
        The photo as handed in.
    data : bytes, optional
        Its bytes where they were read already: what is checked is what is kept.

    Raises
    ------
    PhotoError
        If it cannot be decoded within limits.
    """
    source = incoming.source
    if data is None:
        data = read_source(incoming)
    decoded = decode_photo(data, name=None if isinstance(source, bytes) else str(source))
    check = check_photo(
        decoded.pixels,
        px_per_mm=incoming.px_per_mm,
        decoded=decoded,
        lighting=incoming.lighting,
    )
    height, width = decoded.pixels.shape[:2]
    photo = NewPhoto(
        data=data,
        file_name=incoming.file_name,
        media_type=decoded.media_type,
        width=width,
        height=height,
        view=incoming.view,
        lighting=incoming.lighting,
        captured_at=decoded.captured_at,
        camera=decoded.camera,
        px_per_mm=incoming.px_per_mm,
        check=check.to_json(),
    )
    failed = [finding.message for finding in check.findings if finding.severity == "fail"]
    return Prepared(photo, "; ".join(failed) or None, pixel_digest(decoded.pixels))


class Intake:
    """One addition to one catalogue, photo by photo, gathering its report.

    Parameters
    ----------
    catalogue : Catalogue
        Where to.
    same_pixels : SamePixels
        Knows the photos on record by their pixels.
    by : str
        Who adds.
    dry_run : bool
        Only say what would be done: everything is read, decoded and checked, nothing
        written.
    proposed : bool
        Enter new specimens as proposed, for somebody else to confirm.
    progress : callable, optional
        Called with (what, done, total) where photos on record have to be read first.
    """

    def __init__(
        self,
        catalogue: Catalogue,
        same_pixels: SamePixels,
        *,
        by: str,
        dry_run: bool = False,
        proposed: bool = False,
        progress: Progress = no_progress,
    ) -> None:
        self._catalogue = catalogue
        self._same_pixels = same_pixels
        self._progress = progress
        self._proposed = proposed
        self._by = by
        self._dry_run = dry_run
        self._added: list[int] = []
        self._known: list[str] = []
        self._faults: list[Fault] = []
        self._remarks: list[Fault] = []
        self._specimens: dict[str, SpecimenRecord] = {}
        self._rehearsed: dict[str, tuple[str, str]] = {}
        self._asked_again: dict[str, None] = {}
        self._left_out: dict[tuple[str, str], None] = {}

    def fault(self, fault: Fault) -> None:
        """Note something left out."""
        self._faults.append(fault)

    def remark(self, remark: Fault) -> None:
        """Note something worth a look, for which nothing was left out."""
        self._remarks.append(remark)

    def add(
        self,
        specimen: SpecimenRecord,
        incoming: IncomingPhoto,
        *,
        file: str,
        stated: Collection[str] = (),
    ) -> None:
        """Add one photo of one specimen.

        Parameters
        ----------
        specimen : SpecimenRecord
            What is said of the specimen.
        incoming : IncomingPhoto
            The photo.
        file : str
            Names its manifest or itself in messages.
        stated : collection of str
            What of :data:`PHOTO_FACTS` was said, and is not just what is taken where nothing is.
        """
        if self._proposed:
            specimen = replace(specimen, state=IntakeState.PROPOSED)
        try:
            data = read_source(incoming)
            sha256 = digest(data)
            known = self._recorded(specimen, sha256)
            if known is not None:
                prepared = None
                new = self._record(specimen, [_as_recorded(known, data)], incoming, sha256)
            else:
                prepared = prepare_photo(incoming, data)
                known = self._same_picture(specimen, prepared, sha256)
                fresh = [prepared.photo] if known is None else []
                new = self._record(specimen, fresh, incoming, prepared.pixels)
        except PhotoError as exc:
            column = "path" if incoming.line is not None else None
            self._faults.append(Fault(file, str(exc), incoming.line, column))
            return
        except (RecordInvalid, RecordConflict) as exc:
            self._faults.append(Fault(file, str(exc), incoming.line, exc.field))
            return
        except LoupebookError as exc:
            self._faults.append(Fault(file, str(exc), incoming.line))
            return
        self._specimens.setdefault(specimen.name, specimen)
        if known is not None:
            self._remark_other_file(known, incoming, sha256)
            self._remark_otherwise(known, incoming, stated)
        if not new:
            self._known.append(incoming.file_name)
        elif prepared is not None:
            self._keep_in_mind(prepared, incoming, sha256)

    def _keep_in_mind(self, prepared: Prepared, incoming: IncomingPhoto, sha256: str) -> None:
        """Note of a new photo what it comes to, and what its checks found."""
        if not self._dry_run:
            self._same_pixels.keep(sha256, prepared.pixels)
        if prepared.failed:
            self.remark(
                Fault(incoming.file_name, f"kept and marked: {prepared.failed}", incoming.line)
            )

    def _recorded(self, specimen: SpecimenRecord, sha256: str) -> PhotoRecord | None:
        """Return a photo that stands on record for this specimen, without decoding it again.

        So a long addition that was stopped goes quickly over what it had done.
        """
        known = self._catalogue.photo_by_sha256(sha256)
        return known if known is not None and known.specimen == specimen.name else None

    def _same_picture(
        self, specimen: SpecimenRecord, prepared: Prepared, sha256: str
    ) -> PhotoRecord | None:
        """Return the photo of this specimen that differs in its metadata alone, if there is one.

        A copy of a set that was exported without metadata has other bytes and the same pixels.

        Raises
        ------
        RecordConflict
            The picture is on record as that of another specimen.
        """
        photo, name = prepared.photo, clean_name(specimen.name, "specimen")
        held = self._same_pixels.find(
            prepared.pixels, photo.width, photo.height, specimen=name, progress=self._progress
        )
        if held is None or held.sha256 == sha256:
            return None  # of one file under two specimens the catalogue tells
        if held.specimen != name:
            raise RecordConflict(
                f"path: the same picture, but for its metadata, is recorded already as "
                f"{shown(held.file_name)} (photo {held.photo_id}) of specimen "
                f"{shown(held.specimen)}; one photo shows one specimen",
                field="path",
            )
        return held

    def _remark_other_file(self, known: PhotoRecord, incoming: IncomingPhoto, sha256: str) -> None:
        if known.sha256 != sha256:
            self.remark(
                Fault(
                    incoming.file_name,
                    f"not added again: it differs from {shown(known.file_name)} (photo "
                    f"{known.photo_id} of {shown(known.specimen)}) in its metadata alone",
                    incoming.line,
                )
            )

    def _remark_otherwise(
        self, known: PhotoRecord, incoming: IncomingPhoto, stated: Collection[str]
    ) -> None:
        """Tell what is said otherwise of a photo on record: an addition corrects nothing."""
        for fact in stated:
            recorded, said = getattr(known, fact), getattr(incoming, fact)
            if recorded != said:
                stands = "without" if recorded is None else f"with {recorded}"
                self.remark(
                    Fault(
                        incoming.file_name,
                        f"{fact}: on record {stands}, not with {said}; nothing was changed. "
                        f"Correct it by an edit of photo {known.photo_id} of {known.specimen}",
                        incoming.line,
                    )
                )

    def _record(
        self,
        specimen: SpecimenRecord,
        photos: Sequence[NewPhoto],
        incoming: IncomingPhoto,
        picture: str,
    ) -> bool:
        """Hand a specimen and its photo, if it is new, to the catalogue; say whether it is.

        `picture` tells the pictures of one addition apart.
        """
        earlier = self._rehearsed.get(picture)
        if earlier is not None and earlier[1] != specimen.name:
            raise RecordConflict(
                f"path: the same picture comes earlier as {shown(earlier[0])} of specimen "
                f"{shown(earlier[1])}; one photo shows one specimen",
                field="path",
            )
        outcome = self._catalogue.add_specimen(specimen, photos, by=self._by, dry_run=self._dry_run)
        if outcome.asked_again:
            self._asked_again[specimen.name] = None
        self._left_out.update(dict.fromkeys((specimen.name, field) for field in outcome.left_out))
        new = bool(outcome.new_photo_ids)
        if self._dry_run:
            # The catalogue forgets a rehearsed row at once, so twins are told apart here.
            new = new and earlier is None
            self._rehearsed[picture] = incoming.file_name, specimen.name
        if new:
            self._added.extend(sorted(outcome.new_photo_ids))
        return new

    def report(self) -> AddReport:
        """Return what was done so far, with remarks on what it changed besides."""
        would = "would wait" if self._dry_run else "waits"
        for name in self._asked_again:
            self.remark(
                Fault(name, f"was confirmed, and {would} for a second person to confirm it anew")
            )
        for name, field in self._left_out:
            self.remark(
                Fault(
                    name,
                    f"{field}: left out what a correction had taken away from this specimen; if it "
                    "belongs there, put it back by an edit",
                )
            )
        entered = self._specimens.values()
        for remark in (
            *shared_serials(self._catalogue, entered),
            *spelling_remarks(self._catalogue, entered),
        ):
            self.remark(Fault(remark.specimen or "", remark.message))
        return AddReport(
            added=() if self._dry_run else tuple(self._added),
            known=tuple(self._known),
            faults=tuple(self._faults),
            remarks=tuple(self._remarks),
            specimens=tuple(self._specimens),
            dry_run=self._dry_run,
            would_add=len(self._added) if self._dry_run else 0,
        )


def _as_recorded(known: PhotoRecord, data: bytes) -> NewPhoto:
    return NewPhoto(
        data,
        known.file_name,
        known.media_type,
        known.width,
        known.height,
        known.view,
        known.lighting,
        known.captured_at,
        known.camera,
        known.px_per_mm,
        known.check,
    )


def add_manifest_rows(
    intake: Intake,
    manifest: Manifest,
    *,
    file: str,
    only: frozenset[Path] | None,
    progress: Progress,
) -> None:
    """Add every sound row of `manifest`; its faults and the rows' own go into the report."""
    for fault in manifest.faults:
        intake.fault(Fault(str(fault.file), fault.message, fault.line, fault.column or None))
    for finding in manifest.findings:
        intake.remark(
            Fault(str(finding.file), finding.message, finding.line, finding.column or None)
        )
    rows = [row for row in manifest.rows if only is None or _within(row.path, only)]
    for done, row in enumerate(rows):
        progress("Adding photos", done, len(rows))
        intake.add(
            row.record,
            IncomingPhoto(
                source=_as_on_disk(row.path),
                file_name=row.path_text,
                view=row.view or View.FACE,
                lighting=row.lighting or Lighting.DIFFUSE,
                px_per_mm=row.px_per_mm,
                line=row.line,
            ),
            file=file,
            stated=[fact for fact in PHOTO_FACTS if getattr(row, fact) is not None],
        )
    progress("Adding photos", len(rows), len(rows))


def _as_on_disk(path: Path) -> Path:
    """Return the path under which a file lies, if its name is there but spelt otherwise.

    An accented letter is one character or two; both look the same, and the file systems that
    tell them apart find only what is spelt as they keep it.
    """
    if path.exists() or path == path.parent:
        return path
    parent = _as_on_disk(path.parent)
    spelt = (parent / unicodedata.normalize(form, path.name) for form in ("NFC", "NFD"))
    return next((one for one in spelt if one.exists()), path)


def _within(path: Path, wanted: frozenset[Path]) -> bool:
    resolved = path.resolve()
    return resolved in wanted or any(parent in wanted for parent in resolved.parents)
