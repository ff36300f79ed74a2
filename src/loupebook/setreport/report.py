"""`report_on_set`: all sections, each made once a state of the set and kept.

Sections are kept as JSON under ``derived/setreport`` with what they were made from. A report
that was stopped goes on with the sections that are missing; one that does not fit the set's
change counter, the encoder or the photos with vectors is made anew, and so is one that lacks a
photo which could not be read then and can be now.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from loupebook.compare import judged_by
from loupebook.errors import LoupebookError, RecordInvalid
from loupebook.evidence.prints import prints_path
from loupebook.evidence.stored import now, photos_digest
from loupebook.records.model import Lighting
from loupebook.search.files import keep_atomically
from loupebook.setreport.context import ReportContext
from loupebook.setreport.model import Section, SetReport
from loupebook.setreport.sections import (
    calibration,
    confounds,
    coverage,
    duplicates,
    label_suspects,
    leakage,
    photo_quality,
    prints,
    retrieval,
    serials,
    stale,
    standing_conflicts,
    work_list,
)

FORMAT = 13
"""Goes up when a section changes what it says, so that none made by older rules is kept."""

SECTIONS: dict[str, Callable[[ReportContext], Section]] = {
    module.NAME: module.examine
    for module in (
        coverage,
        duplicates,
        serials,
        standing_conflicts,
        leakage,
        label_suspects,
        prints,
        confounds,
        retrieval,
        calibration,
        photo_quality,
        stale,
    )
}
"""Every section but the work list, which is made from the others."""

SLOW = frozenset({prints.NAME})
"""What is left out of a whole report unless it is asked for, or at hand."""

BY_PRINT = frozenset({label_suspects.NAME})
"""What says more once prints were compared, and is made anew then."""

NEVER_KEPT = frozenset({stale.NAME})
"""What did not fit when the report was asked for is seen once only."""


def report_on_set(
    context: ReportContext, *, only: Sequence[str] | None = None, slow: bool = False
) -> SetReport:
    """Make the quality report of a set.

    Parameters
    ----------
    context : ReportContext
        The set as it stands.
    only : sequence of str, optional
        Names of sections to make; `None` means all, and the work list from them.
    slow : bool
        Whether "all" includes what takes seconds a photo (:data:`SLOW`). What of that is at
        hand is always included.

    Returns
    -------
    SetReport

    Raises
    ------
    RecordInvalid
        If `only` names a section that there is not.
    """
    every = [
        name for name in SECTIONS if slow or name not in SLOW or _kept(context, name) is not None
    ]
    wanted = every if only is None else list(only)
    known = (*SECTIONS, work_list.NAME)
    unknown = [name for name in wanted if name not in known]
    if unknown:
        raise RecordInvalid(
            f"There is no section {unknown[0]!r}. There are: {', '.join(known)}.", field="only"
        )
    made = every if work_list.NAME in wanted else wanted
    sections = {}
    # What takes longest comes first: others say more once it is at hand.
    for done, name in enumerate(sorted(made, key=lambda name: name not in SLOW)):
        context.progress(f"Report: {name}", done, len(made))
        sections[name] = _kept(context, name) or _make(context, name)
    if only is None or work_list.NAME in wanted:
        listed = work_list.examine_sections(context, sections)
        sections[work_list.NAME] = replace(listed, made_from=_made_from(context, work_list.NAME))
    context.progress("Report", len(made), len(made))
    return SetReport(
        set_name=context.info.name,
        notice=context.info.notice,
        set_version=context.info.change_counter,
        encoder=context.encoder,
        made_at=now(),
        sections={name: sections[name] for name in known if name in sections},
        holds_uv=any(photo.lighting is Lighting.UV_A for photo in context.photos.values()),
    )


def is_kept(context: ReportContext) -> bool:
    """Say whether every section that is kept at all still fits the set and the encoder."""
    needed = SECTIONS.keys() - NEVER_KEPT - SLOW
    return all(_kept(context, name) is not None for name in needed)


def forget_reports(folder: Path) -> None:
    """Delete every section that a set keeps, and what was noted of its photos.

    Prints held against each other stay: hours of work, kept by the content of the photos and the
    rules that judged them, and never where a photo could not be read.
    """
    prints = prints_path(folder)
    for path in prints.parent.glob("*"):
        if path.is_file() and not path.name.startswith(prints.name):
            path.unlink(missing_ok=True)


def _make(context: ReportContext, name: str) -> Section:
    section = replace(SECTIONS[name](context).ordered(), made_from=_made_from(context, name))
    if name not in NEVER_KEPT:
        body = {
            "format": FORMAT,
            "judged_by": judged_by(),
            "section": section.to_dict(with_pictures=True),
            "unread": sorted(context.unread),
        }
        stored = {"sha256": _digest(body), "body": body}
        keep_atomically(_path(context, name), [json.dumps(stored, allow_nan=False).encode()])
    return section


def _kept(context: ReportContext, name: str) -> Section | None:
    """Return the section as kept; `None` if it is missing, damaged or of another state."""
    if name in NEVER_KEPT:
        return None
    try:
        stored = json.loads(_path(context, name).read_bytes())
        body = stored["body"]
        if stored["sha256"] != _digest(body):
            return None
        if (body["format"], body["judged_by"]) != (FORMAT, judged_by()):
            return None
        section, unread = Section.from_dict(name, body["section"]), body["unread"]
    except (OSError, ValueError, KeyError, TypeError):
        return None
    if dict(section.made_from) != _made_from(context, name):
        return None
    return None if any(_can_be_read(context, photo) for photo in unread) else section


def _can_be_read(context: ReportContext, photo: int) -> bool:
    """Try a photo that a kept section lacks; tried once a report."""
    if photo in context.unread:
        return False
    try:
        context.noting(context.read)(photo)
    except LoupebookError:
        return False
    return True


def _path(context: ReportContext, name: str) -> Path:
    return context.derived / f"{name}.json"


def _made_from(context: ReportContext, name: str) -> dict[str, Any]:
    made = {
        "set_id": context.info.set_id,
        "set_version": context.info.change_counter,
        "encoder": context.encoder,
        "fingerprint": context.fingerprint,
        "photos": photos_digest(context.table.photo_ids),
    }
    if name in BY_PRINT:
        rows = sorted((row.photo_id, row.departure) for row in context.prints_at_hand.rows)
        made["prints"] = _digest({"departures": rows})
    return made


def _digest(body: dict[str, Any]) -> str:
    return hashlib.sha256(json.dumps(body, sort_keys=True).encode()).hexdigest()
