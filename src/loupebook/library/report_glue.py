"""From an opened set to what its report works on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from loupebook.encoders import Encoder
from loupebook.errors import SearchError
from loupebook.evidence.held import set_vectors
from loupebook.library.evidence_glue import embedding_arm
from loupebook.records.catalogue import Catalogue
from loupebook.records.model import IntakeState
from loupebook.search import Pending, Progress, ReadPhoto, SearchArm, no_progress
from loupebook.setreport import ReportContext


def pending_of(catalogue: Catalogue, arms: Sequence[SearchArm]) -> dict[str, Pending]:
    """Return what separates each arm from the catalogue; ask before bringing them up to date."""
    wanted = catalogue.indexable()
    return {arm.name: arm.pending(wanted) for arm in arms}


def report_context(
    catalogue: Catalogue,
    arms: Sequence[SearchArm],
    encoder: Encoder,
    read: ReadPhoto,
    *,
    read_whole: ReadPhoto | None = None,
    pending: Mapping[str, Pending] | None = None,
    progress: Progress = no_progress,
) -> ReportContext:
    """Read a set once for its report.

    Parameters
    ----------
    catalogue : Catalogue
        The opened catalogue.
    arms : sequence of SearchArm
        Brought up to date by the caller.
    encoder : Encoder
        The encoder of the arms.
    read : callable
        Row id to pixels.
    read_whole : callable, optional
        Row id to pixels as they are kept.
    pending : mapping, optional
        What :func:`pending_of` said before.
    progress : callable, optional
        Called with (what, done, total).

    Raises
    ------
    SearchError
        If no arm holds vectors.
    """
    arm = embedding_arm(arms)
    if arm is None:
        raise SearchError("A set report takes the embedding arm, and this set has none.")
    info = catalogue.info()
    specimens = tuple(catalogue.specimens(state=IntakeState.CONFIRMED))
    names = {specimen.name for specimen in specimens}
    photos = {one.photo_id: one for one in catalogue.photos() if one.specimen in names}
    # Somebody may confirm or move a photo between two reads: each must know what the others name.
    facts = {
        photo: fact
        for photo, fact in catalogue.facts().items()
        if photo in photos and fact.specimen in names
    }
    vectors, table = set_vectors(arm, facts)
    return ReportContext(
        folder=catalogue.folder,
        info=info,
        specimens=specimens,
        photos=photos,
        table=table,
        vectors=vectors,
        encoder=f"{encoder.name}@{encoder.fingerprint[:12]}",
        fingerprint=arm.fingerprint,
        read=read,
        pending=pending or {},
        read_whole=read_whole,
        known=facts,
        progress=progress,
    )
