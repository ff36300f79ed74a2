"""`Library`: the one thing every front end uses."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import cache, cached_property
from pathlib import Path
from threading import Lock, RLock
from types import TracebackType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from loupebook.compare import Compared, Group, Held
from loupebook.encoders import Encoder, load_encoder
from loupebook.errors import ComparisonError, CropInvalid, RecordInvalid, SetNotFound
from loupebook.evidence.reading import no_item_reading
from loupebook.imaging import (
    Box,
    DecodedPhoto,
    check_photo,
    crop_box,
    decode_photo,
    rectify,
    resize_to_fit,
    rotate_quarter,
)
from loupebook.library.agreement import draw_agreement
from loupebook.library.comparing import ComparisonReport, Photo, SetComparer
from loupebook.library.curator import CuratorMethods
from loupebook.library.desk import Desk
from loupebook.library.desk_consensus import ConsensusPicture, Design, designs_of
from loupebook.library.desk_exchange import points_from_annotations
from loupebook.library.evidence_glue import EvidenceKeeper, embedding_arm
from loupebook.library.examinations import Examiner
from loupebook.library.intake import (
    IncomingPhoto,
    Intake,
    add_manifest_rows,
    photo_files,
)
from loupebook.library.overview import overview_of
from loupebook.library.people import acting
from loupebook.library.practice import Trainer
from loupebook.library.practice_nearness import nearness_to_genuine
from loupebook.library.reading import read_result
from loupebook.library.report_glue import pending_of, report_context
from loupebook.library.results import (
    AddReport,
    Fault,
    MatchReport,
    SearchFilters,
    SearchReport,
    SetOverview,
)
from loupebook.library.same_names import ambiguous_files, named_by_file
from loupebook.library.same_pixels import SamePixels
from loupebook.library.serials import SerialHolder, serial_holders
from loupebook.library.sheets import SetSource, SheetDesk
from loupebook.library.thumbnails import ThumbnailCache
from loupebook.library.upkeep import (
    ArmCheck,
    RebuildReport,
    SetCheck,
    check_arm,
    rebuild_derived,
)
from loupebook.records.catalogue import Catalogue
from loupebook.records.manifest import read_manifest
from loupebook.records.model import (
    Element,
    EventRecord,
    IntakeState,
    Lighting,
    PhotoFacts,
    PhotoRecord,
    SetInfo,
    SpecimenRecord,
    Standing,
    View,
)
from loupebook.records.outcome import Outcome
from loupebook.records.people import Person
from loupebook.records.points import PointRecord, Points
from loupebook.search import (
    Match,
    Pending,
    Progress,
    QueryPhoto,
    SearchArm,
    SearchResult,
    SyncReport,
    default_arms,
    no_progress,
    search_set,
)
from loupebook.search.files import may_not_write
from loupebook.search.siblings import GLANCE
from loupebook.setreport import PRINTS, ReportContext, SetReport, is_kept, report_on_set

REFERENCE_MAX_SIDE = 1600
"""References are decoded to at most this many px a side for the arms: more than any uses."""


class Library(CuratorMethods):
    """One set, opened: add, search, browse, withdraw, rebuild, verify.

    Open it with :meth:`open`, make a new one with :meth:`create`. Safe to share among the
    threads of one process; several processes may work on one set at a time.

    Parameters
    ----------
    catalogue : Catalogue
        The opened catalogue.
    encoder : str, optional
        Name of the encoder; `None` means the one that ships. It is loaded at the first
        search, so that browsing needs no network.
    """

    def __init__(self, catalogue: Catalogue, *, encoder: str | None = None) -> None:
        self._catalogue = catalogue
        self._encoder_name = encoder
        self._encoder: Encoder | None = None
        self._arms: list[SearchArm] | None = None
        self._facts: tuple[int, dict[int, PhotoFacts]] | None = None
        self._lock = RLock()
        self._thumbnails = ThumbnailCache(catalogue)
        self._evidence = EvidenceKeeper(catalogue)
        self._comparer = SetComparer(catalogue, self.photo_pixels, self._evidence)
        self._comparing = RLock()
        self._reporting = Lock()
        self._points = Points(catalogue)
        self._same_pixels = SamePixels(catalogue)

    @classmethod
    def create(
        cls,
        folder: Path,
        *,
        name: str | None = None,
        notice: str | None = None,
        two_person: bool = False,
        encoder: str | None = None,
    ) -> Library:
        """Make a new, empty set.

        Raises
        ------
        SetExists
            If the folder holds a set or anything else already.
        """
        catalogue = Catalogue.create(
            folder, name=name or folder.resolve().name, notice=notice, two_person=two_person
        )
        return cls(catalogue, encoder=encoder)

    @classmethod
    def open(
        cls, folder: Path, *, encoder: str | None = None, person: Person | None = None
    ) -> Library:
        """Open the set at `folder`.

        Parameters
        ----------
        folder : Path
            The set.
        encoder : str, optional
            Name of the encoder; `None` means the one that ships.
        person : Person, optional
            Who works on it: what the person's roles do not allow is refused with
            `NotAllowed`, and changes bear the person's name. `None` is a single user.

        Raises
        ------
        SetNotFound
            If there is none.
        SetDamaged
            If its catalogue cannot be read.
        """
        if not folder.exists():
            raise SetNotFound(
                f"There is no set at {folder}. Make one with 'loupebook init {folder}'."
            )
        library = cls(Catalogue.open(folder), encoder=encoder)
        return library if person is None else acting(library, person)

    def __enter__(self) -> Library:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of files."""
        with self._lock:
            for arm in self._arms or ():
                arm.close()
            self._arms = None
            self._catalogue.close()

    # ------------------------------------------------------------------ what there is

    @property
    def folder(self) -> Path:
        """The folder of the set."""
        return self._catalogue.folder

    def info(self) -> SetInfo:
        """Return what the set says of itself."""
        return self._catalogue.info()

    def overview(self) -> SetOverview:
        """Return the counts of the set."""
        return overview_of(self._catalogue)

    def specimens(
        self,
        *,
        element: Element | None = None,
        marque: str | None = None,
        edition: str | None = None,
        standing: Standing | None = None,
        origin: str | None = None,
        state: IntakeState | None = None,
        lighting: Lighting | None = None,
        text: str | None = None,
        offset: int = 0,
        limit: int | None = None,
    ) -> list[SpecimenRecord]:
        """Return the specimens that pass every filter given, by name."""
        return self._catalogue.specimens(
            element=element,
            marque=marque,
            edition=edition,
            standing=standing,
            origin=origin,
            state=state,
            lighting=lighting,
            text=text,
            offset=offset,
            limit=limit,
        )

    def count_specimens(
        self,
        *,
        element: Element | None = None,
        marque: str | None = None,
        edition: str | None = None,
        standing: Standing | None = None,
        origin: str | None = None,
        state: IntakeState | None = None,
        lighting: Lighting | None = None,
        text: str | None = None,
    ) -> int:
        """Return how many specimens pass every filter given, for paging."""
        return self._catalogue.count_specimens(
            element=element,
            marque=marque,
            edition=edition,
            standing=standing,
            origin=origin,
            state=state,
            lighting=lighting,
            text=text,
        )

    def history(self, specimen: str) -> list[EventRecord]:
        """Return who did what to a specimen and when, oldest first."""
        return self._catalogue.events(specimen)

    def photo_by_sha256(self, sha256: str) -> PhotoRecord | None:
        """Return the photo with exactly these bytes, if the set holds it."""
        return self._catalogue.photo_by_sha256(sha256)

    def specimen(self, name: str) -> SpecimenRecord:
        """Return one specimen.

        Raises
        ------
        RecordNotFound
            If there is none of that name.
        """
        return self._catalogue.specimen(name)

    def photos(self, specimen: str | None = None) -> list[PhotoRecord]:
        """Return the photos of one specimen, or of all."""
        return self._catalogue.photos(specimen)

    def photo(self, photo_id: int) -> PhotoRecord:
        """Return the record of one photo."""
        return self._catalogue.photo(photo_id)

    def photo_bytes(self, photo_id: int) -> bytes:
        """Return the original bytes of a photo, checked against their hash."""
        return self._catalogue.photo_bytes(photo_id)

    def photo_pixels(self, photo_id: int, *, max_side: int | None = None) -> NDArray[np.uint8]:
        """Return a photo decoded, uint8 sRGB (height, width, 3), at most `max_side` px a side."""
        pixels = decode_photo(self._catalogue.photo_bytes(photo_id)).pixels
        return pixels if max_side is None else resize_to_fit(pixels, max_side)

    def photo_glance(self, photo_id: int, max_side: int) -> NDArray[np.uint8]:
        """Return a photo small, for showing alone, several times faster than decoded whole.

        Returns
        -------
        ndarray
            uint8 sRGB (height, width, 3), at most `max_side` px a side. JPEG photos come from
            fewer of their frequencies: not for measuring or indexing.
        """
        return decode_photo(self._catalogue.photo_bytes(photo_id), max_side=max_side).pixels

    def thumbnail(self, photo_id: int) -> bytes:
        """Return a small JPEG of a photo; made once, rebuilt when lost."""
        return self._thumbnails.get(photo_id)

    # ------------------------------------------------------------------ adding

    def add_manifest(
        self,
        manifest: Path,
        *,
        by: str,
        only: Sequence[Path] = (),
        proposed: bool = False,
        dry_run: bool = False,
        progress: Progress = no_progress,
    ) -> AddReport:
        """Add what a CSV manifest lists.

        Parameters
        ----------
        manifest : Path
            The CSV file; see ``loupebook.records.manifest`` for its columns.
        by : str
            Who adds.
        only : sequence of Path, optional
            Files or folders; rows outside them are passed over.
        proposed : bool
            Enter new specimens as proposed, for somebody else to confirm.
        dry_run : bool
            Read and check everything, write nothing.
        progress : callable, optional
            Called with (what, done, total).

        Raises
        ------
        ManifestError
            If the manifest as a whole cannot be read.
        """
        intake = self._intake(by=by, dry_run=dry_run, proposed=proposed, progress=progress)
        add_manifest_rows(
            intake,
            read_manifest(manifest),
            file=str(manifest),
            only=frozenset(path.resolve() for path in only) or None,
            progress=progress,
        )
        return intake.report()

    def add_files(
        self,
        paths: Sequence[Path],
        specimen_for: Callable[[str], SpecimenRecord],
        *,
        by: str,
        view: View = View.FACE,
        lighting: Lighting = Lighting.DIFFUSE,
        px_per_mm: float | None = None,
        proposed: bool = False,
        dry_run: bool = False,
        progress: Progress = no_progress,
    ) -> AddReport:
        """Add photo files and folders of them, all taken in one way.

        Parameters
        ----------
        paths : sequence of Path
            Files, or folders to walk.
        specimen_for : callable
            Stem of a file's name to the specimen that the file shows. Where it names the
            specimen as the file is called, a file is left out if a different photo goes by
            that name.
        by : str
            Who adds.
        view, lighting, px_per_mm
            How all of them were taken.
        proposed : bool
            Enter new specimens as proposed, for somebody else to confirm.
        dry_run : bool
            Write nothing.
        progress : callable, optional
            Called with (what, done, total).
        """
        intake = self._intake(by=by, dry_run=dry_run, proposed=proposed, progress=progress)
        files = list(photo_files(paths))
        for path in paths:
            if path.is_dir() and not any(file.is_relative_to(path) for file, _ in files):
                intake.fault(Fault(str(path), "the folder holds no photos; name files or a folder"))
        doubtful: Mapping[Path, str] = {}
        if named_by_file(specimen_for):
            doubtful = ambiguous_files(self._catalogue, [file for file, _ in files])
        for done, (file, shown) in enumerate(files):
            progress("Adding photos", done, len(files))
            if file in doubtful:
                intake.fault(Fault(str(file), doubtful[file]))
                continue
            intake.add(
                specimen_for(file.stem),
                IncomingPhoto(file, shown, view=view, lighting=lighting, px_per_mm=px_per_mm),
                file=str(file),
            )
        progress("Adding photos", len(files), len(files))
        return intake.report()

    def add_specimen(
        self,
        record: SpecimenRecord,
        photos: Sequence[IncomingPhoto],
        *,
        by: str,
        dry_run: bool = False,
    ) -> AddReport:
        """Add one specimen, or photos to one, from pictures in hand.

        Raises
        ------
        RecordInvalid
            There is no photo.
        """
        if not photos:
            raise RecordInvalid(
                "path: a specimen is added with its photos; give at least one", field="path"
            )
        intake = self._intake(by=by, dry_run=dry_run)
        for photo in photos:
            intake.add(record, photo, file=photo.file_name)
        return intake.report()

    def _intake(
        self,
        *,
        by: str,
        dry_run: bool,
        proposed: bool = False,
        progress: Progress = no_progress,
    ) -> Intake:
        return Intake(
            self._catalogue,
            self._same_pixels,
            by=by,
            dry_run=dry_run,
            proposed=proposed,
            progress=progress,
        )

    def withdraw(self, name: str, *, by: str, reason: str) -> Outcome[SpecimenRecord]:
        """Take a specimen out of search at once; its record and photos stay."""
        return self._catalogue.withdraw(name, by=by, reason=reason)

    def reinstate(self, name: str, *, by: str) -> Outcome[SpecimenRecord]:
        """Put a withdrawn specimen back."""
        return self._catalogue.reinstate(name, by=by)

    def confirm(
        self, name: str, *, by: str, basis: str | None = None, seen: int | None = None
    ) -> Outcome[SpecimenRecord]:
        """Confirm a proposed specimen, from then on it is searched.

        Parameters
        ----------
        name, by : str
            The specimen, and who confirms it.
        basis : str, optional
            On what grounds.
        seen : int, optional
            Number of its last line in the log (:meth:`history`) when it was looked at.

        Raises
        ------
        RecordConflict
            It may not be confirmed by that person, was changed after it was looked at, or is
            confirmed already, but not so.
        """
        return self._catalogue.confirm(name, by=by, basis=basis, seen=seen)

    # ------------------------------------------------------------------ searching

    def encoder(self) -> Encoder:
        """Return the encoder, loading it at first use.

        Raises
        ------
        EncoderUnavailable
            If its weights cannot be had.
        """
        with self._lock:
            if self._encoder is None:
                self._encoder = _shared_encoder(self._encoder_name)
            return self._encoder

    def arms(self) -> list[SearchArm]:
        """Return the search arms of this set, made at first use."""
        with self._lock:
            if self._arms is None:
                self._arms = default_arms(
                    self._catalogue.folder / "derived",
                    set_id=self._catalogue.info().set_id,
                    encoder=self.encoder(),
                )
            return self._arms

    def sync(self, *, progress: Progress = no_progress) -> dict[str, SyncReport]:
        """Bring every arm's derived state up to date with the catalogue."""
        with self._lock:
            wanted = self._catalogue.indexable()
            return {
                arm.name: arm.sync(wanted, self._read_reference, progress)
                for arm in self.arms()
                if arm.pending(wanted)
            }

    def _read_reference(self, photo_id: int) -> NDArray[np.uint8]:
        pixels = self.photo_pixels(photo_id)
        self._same_pixels.keep_read(photo_id, pixels)
        return resize_to_fit(pixels, REFERENCE_MAX_SIDE)

    def _glance(self, photo_id: int) -> NDArray[np.uint8]:
        return self.photo_glance(photo_id, GLANCE)

    def search(
        self,
        photo: bytes | Path | NDArray[np.uint8] | DecodedPhoto,
        *,
        name: str | None = None,
        filters: SearchFilters | None = None,
        k: int = 10,
        corners: Sequence[tuple[float, float]] | None = None,
        box: Box | None = None,
        quarter_turns: int = 0,
        progress: Progress = no_progress,
    ) -> SearchReport:
        """Find the known specimens nearest to a photo.

        Parameters
        ----------
        photo : bytes, Path, ndarray or DecodedPhoto
            The query: original bytes, a file, pixels, or a photo decoded before.
        name : str, optional
            Name to show for it.
        filters : SearchFilters, optional
            What to limit the search to.
        k : int
            How many specimens to return at most.
        corners : sequence of (x, y), optional
            Four corners of the item in px, clockwise from its top left: the item is
            rectified before it is searched.
        box : Box, optional
            A crop in px, instead of `corners`.
        quarter_turns : int
            Clockwise quarter turns to apply first; `corners` and `box` refer to the turned
            photo.
        progress : callable, optional
            Called while the index is brought up to date.

        Returns
        -------
        SearchReport

        Raises
        ------
        PhotoUnreadable, PhotoTooLarge
            If the query cannot be decoded within limits.
        CropInvalid
            If the crop makes no sense for this photo.
        QueryInvalid
            If a filter or `k` is not allowed.
        """
        clock = _Clock()
        wanted = filters or SearchFilters()
        if corners is not None and box is not None:
            raise CropInvalid("Give either four corners or a box, not both.")
        whole, decoded = _turned_query(photo, quarter_turns)
        clock.lap("decode")
        with ThreadPoolExecutor(max_workers=1, thread_name_prefix="check") as beside:
            checking = beside.submit(check_photo, whole, decoded=decoded, lighting=wanted.lighting)
            pixels = _cropped(whole, corners, box)
            with self._lock:
                info = self.info()
                self.sync(progress=progress)
                arms = self.arms()
                clock.lap("sync")
                set_version, facts = self._counted_facts()
                result = search_set(
                    arms,
                    QueryPhoto(pixels),
                    facts,
                    element=wanted.element,
                    view=wanted.view,
                    lighting=wanted.lighting,
                    marque=wanted.marque,
                    standing=wanted.standing,
                    limit=k,
                    glance=self._glance,
                )
                clock.lap("search")
                encoder = f"{self.encoder().name}@{self.encoder().fingerprint[:12]}"
                reading = self._read(result, facts, encoder, set_version, progress)
                clock.lap("reading")
            check = checking.result()
        if check.no_item:
            reading = no_item_reading(reading, check.no_item)
        clock.lap("check")
        found = [*result.matches, result.nearest_genuine, result.nearest_fake]
        shown = self._match_reports(found, facts)
        return SearchReport(
            photo=name or (str(photo) if isinstance(photo, Path) else "query"),
            set=info.name,
            set_version=info.change_counter,
            encoder=encoder,
            elapsed_ms=clock.total(),
            timings_ms=clock.laps,
            photo_check=check,
            matches=tuple(match for match in shown[:-2] if match is not None),
            nearest_genuine=shown[-2],
            nearest_fake=shown[-1],
            items=result.items,
            reading=reading,
            empty_reason=result.empty_reason,
            query_pixels=pixels,
        )

    def _read(
        self,
        result: SearchResult,
        facts: dict[int, PhotoFacts],
        encoder: str,
        set_version: int,
        progress: Progress,
    ) -> Mapping[str, Any]:
        """Return the calibrated reading, or the plain one where nothing is calibrated."""
        arm = embedding_arm(self.arms())
        calibrated = arm and self._evidence.read(
            arm, result, facts, encoder=encoder, set_version=set_version, progress=progress
        )
        return calibrated or read_result(result, facts, encoder=encoder, set_version=set_version)

    def _all_facts(self) -> dict[int, PhotoFacts]:
        """Return the facts of every photo, read again only when the set has changed."""
        return self._counted_facts()[1]

    def _counted_facts(self) -> tuple[int, dict[int, PhotoFacts]]:
        """Return the facts of every photo after the change counter that they were read at.

        The counter is read first: where it stands as it did, so do they. It never makes facts
        pass for newer than they are.
        """
        counter = self._catalogue.info().change_counter
        held = self._facts
        if held is None or held[0] != counter:
            held = self._facts = (counter, self._catalogue.facts())
        return held

    def _match_reports(
        self, matches: Sequence[Match | None], facts: Mapping[int, PhotoFacts]
    ) -> list[MatchReport | None]:
        # The facts that were searched: somebody else may have withdrawn a match meanwhile.
        names: dict[int, str] = {}
        reports: list[MatchReport | None] = []
        for match in matches:
            if match is None:
                reports.append(None)
                continue
            fact = facts[match.photo_id]
            if match.photo_id not in names:
                names[match.photo_id] = self._catalogue.photo(match.photo_id).file_name
            reports.append(
                MatchReport(
                    rank=match.rank,
                    specimen=match.specimen,
                    photo=names[match.photo_id],
                    photo_id=match.photo_id,
                    standing=fact.standing,
                    marque=fact.marque,
                    edition=fact.edition,
                    element=fact.element,
                    view=fact.view,
                    lighting=fact.lighting,
                    origin=fact.origin,
                    similarity=match.similarity,
                    evidence=match.evidence,
                    found_by=match.found_by,
                    location=match.outline,
                    inliers=match.detail.get("inliers"),
                    detail=match.detail,
                )
            )
        return reports

    def agreement(self, report: SearchReport, match: MatchReport) -> NDArray[np.uint8] | None:
        """Draw where the query of a search and one of its matches agree.

        Returns
        -------
        ndarray or None
            uint8 sRGB, both side by side; `None` where no points were matched.
        """
        if len(match.points) == 0:
            return None
        outline = None if match.location is None else np.array(match.location)
        reference = self._read_reference(match.photo_id)
        return draw_agreement(report.query_pixels, reference, match.points, outline)

    # ------------------------------------------------------------------ comparing

    def compare(self, query: Photo, photo_id: int) -> ComparisonReport:
        """Compare a photo in detail with the edition or print origin of a reference.

        Parameters
        ----------
        query : bytes, Path or ndarray
            The photo in question.
        photo_id : int
            A reference of this set, as a search found it.

        Raises
        ------
        ComparisonError
            If there is no such photo, or its kind gives no consensus image.
        PhotoError
            If the query cannot be decoded within limits.
        """
        with self._lock:
            facts = self._all_facts()
        # A lock of its own: making a consensus image takes a while, and searches go on.
        with self._comparing:
            return self._comparer.compare(query, photo_id, facts)

    def compare_found(self, report: SearchReport) -> Iterator[Compared]:
        """Compare the query of a search with what it found, one edition or origin at a time.

        The most promising comes first, so that it can be shown while the rest are worked on;
        ``loupebook.compare.rerank`` brings them into their new order.
        """
        found = {match.photo_id: match.similarity for match in report.matches}
        for nearest in (report.nearest_genuine, report.nearest_fake):
            if nearest is not None:
                found.setdefault(nearest.photo_id, nearest.similarity)
        facts = self._all_facts()
        still_there = [(photo, near) for photo, near in found.items() if photo in facts]
        return self._comparer.compare_found(report.query_pixels, still_there, facts)

    def desk(self, report: SearchReport) -> Desk:
        """Lay the query of a search and its nearest references on a comparison desk."""
        return Desk(self, report)

    def designs(self) -> list[Design]:
        """Return the designs that points of comparison can be drawn for."""
        return designs_of(self._all_facts())

    def consensus_picture(self, photo_id: int) -> ConsensusPicture:
        """Return the consensus image of the design that a photo shows, to draw points on.

        Raises
        ------
        ComparisonError
            If there is no such photo, or none of its kind shows enough print.
        """
        facts = self._all_facts()
        if photo_id not in facts:
            raise ComparisonError(f"The set holds no confirmed photo {photo_id}.")
        held = self._held(Group.of(facts[photo_id]))
        return ConsensusPicture.of(held.consensus, self.photo_pixels)

    def reference_serials(self, value: str) -> list[SerialHolder]:
        """Return the specimens on which a serial number stands on record."""
        return serial_holders(self._catalogue, value)

    @property
    def points(self) -> Points:
        """The points of comparison of this set: add, retire, list."""
        return self._points

    def take_in_points(self, text: str, *, by: str) -> list[PointRecord]:
        """Record the points of a W3C annotation page; see :func:`.points_from_annotations`."""
        return points_from_annotations(text, self._catalogue, by=by)

    def points_for(self, photo_id: int) -> list[PointRecord]:
        """Return the points of the edition, view and lighting that a photo shows."""
        fact = self._all_facts().get(photo_id)
        if fact is None or fact.edition is None:
            return []
        return self._points.of(
            marque=fact.marque,
            edition=fact.edition,
            element=fact.element,
            view=fact.view,
            lighting=fact.lighting,
        )

    # ------------------------------------------------------------------ on paper

    @cached_property
    def sheet_source(self) -> SetSource:
        """The set as sheet templates see it."""
        return SetSource(self._catalogue, self._held)

    def _held(self, group: Group) -> Held:
        with self._comparing:
            return self._comparer.held(group, self._all_facts())

    @property
    def sheets(self) -> SheetDesk:
        """What makes, keeps and refreshes the comparison sheets of this set."""
        return SheetDesk(self._catalogue, self.sheet_source)

    @property
    def examinations(self) -> Examiner:
        """What saves, reopens, checks and prints the examinations of this set."""
        return Examiner(self, self._catalogue)

    @cached_property
    def practice(self) -> Trainer:
        """What makes practice rounds of this set, asks them and says how well they went."""
        return Trainer(self._catalogue, self.sheet_source, self._nearness_to_genuine)

    def _nearness_to_genuine(self) -> dict[int, float]:
        with self._lock:
            self.sync()
            arm = embedding_arm(self.arms())
            return {} if arm is None else nearness_to_genuine(arm, self._all_facts())

    # ------------------------------------------------------------------ upkeep

    def rebuild(self, *, progress: Progress = no_progress) -> RebuildReport:
        """Throw derived files away and make them anew from the catalogue.

        Prints already held against each other stay.

        Raises
        ------
        SetError
            If this user may not write them; nothing is thrown away then.
        """
        # The report first, which takes longest: searches go on while it is waited for.
        with self._reporting, self._lock, self._comparing:
            if any(arm.pending({}).only_read for arm in self.arms()):
                raise may_not_write(self.folder / "derived")
            self._comparer.clear()
            self._same_pixels.clear()
            return rebuild_derived(
                self._catalogue, self.arms(), self._thumbnails, self._read_reference, progress
            )

    def report(
        self,
        *,
        only: Sequence[str] | None = None,
        prints: bool = False,
        progress: Progress = no_progress,
    ) -> SetReport:
        """Report on the quality of the set; sections are cached until the set changes.

        Parameters
        ----------
        only : sequence of str, optional
            Names of the sections wanted; default is all.
        prints : bool
            Whether to compare print with print as well, which takes seconds a photo the first
            time.
        progress : callable, optional
            Called with (what, done, total).
        """
        with self._lock:
            pending = pending_of(self._catalogue, self.arms())
            self.sync(progress=progress)
            context = self._report_context(pending, progress)
        if PRINTS in only if only is not None else prints:
            context.left_out  # noqa: B018  hours of work: other reports need not wait for it
        with self._reporting:
            return report_on_set(context, only=only, slow=prints)

    def kept_report(self) -> SetReport | None:
        """Return the report of the set as it stands if it is at hand, so that it comes at once."""
        with self._lock:
            pending = pending_of(self._catalogue, self.arms())
            if any(pending.values()):
                return None
            context = self._report_context(pending, no_progress)
        if not is_kept(context):
            return None
        with self._reporting:
            return report_on_set(context)

    def _report_context(self, pending: dict[str, Pending], progress: Progress) -> ReportContext:
        return report_context(
            self._catalogue,
            self.arms(),
            self.encoder(),
            self._read_reference,
            read_whole=self.photo_pixels,
            pending=pending,
            progress=progress,
        )

    def verify(
        self, *, known_head: str | None = None, progress: Progress = no_progress
    ) -> SetCheck:
        """Check catalogue, log, photos, examinations and derived files; nothing is changed.

        Parameters
        ----------
        known_head : str, optional
            Head of the log as it was written down earlier; the log must pass through it.
        progress : callable, optional
            Called with (what, done, total).
        """
        # First, as the encoder may be missing; searches go on while photos are read.
        arms = self.arms()
        records = self._catalogue.verify(progress=progress, known_head=known_head)
        derived = {arm.name: self._check_arm(arm) for arm in arms}
        return SetCheck(records, derived, self.examinations.fault_lines())

    def _check_arm(self, arm: SearchArm) -> ArmCheck:
        # Together: a search in between would bring the arm up to date with a later state.
        with self._lock:
            return check_arm(arm, self._catalogue.indexable())


@cache
def _shared_encoder(name: str | None) -> Encoder:
    """Load an encoder once a process: sets that use the same one share it."""
    return load_encoder(name)


class _Clock:
    """Times the parts of a search, in milliseconds."""

    def __init__(self) -> None:
        self._start = self._last = time.perf_counter()
        self.laps: dict[str, float] = {}

    def lap(self, name: str) -> None:
        now = time.perf_counter()
        self.laps[name] = (now - self._last) * 1000
        self._last = now

    def total(self) -> float:
        return (time.perf_counter() - self._start) * 1000


def _turned_query(
    photo: bytes | Path | NDArray[np.uint8] | DecodedPhoto, quarter_turns: int
) -> tuple[NDArray[np.uint8], DecodedPhoto | None]:
    """Return a query's pixels, turned, and how it was decoded if it had to be."""
    if isinstance(photo, np.ndarray):
        pixels, decoded = photo, None
    else:
        decoded = photo if isinstance(photo, DecodedPhoto) else decode_photo(photo)
        pixels = decoded.pixels
    return (rotate_quarter(pixels, quarter_turns) if quarter_turns % 4 else pixels), decoded


def _cropped(
    pixels: NDArray[np.uint8],
    corners: Sequence[tuple[float, float]] | None,
    box: Box | None,
) -> NDArray[np.uint8]:
    """Return the part of a query that a person has marked, or all of it."""
    if corners is not None:
        return rectify(pixels, np.asarray(corners, dtype=np.float64))
    return pixels if box is None else crop_box(pixels, box)
