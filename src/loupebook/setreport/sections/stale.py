"""Derived state that did not fit the catalogue when the report was asked for."""

from __future__ import annotations

from collections.abc import Collection

from loupebook.search import Pending
from loupebook.setreport.context import ReportContext
from loupebook.setreport.model import Action, Finding, Section

NAME = "stale"
TITLE = "Stale encodings"


def examine(context: ReportContext) -> Section:
    """Report photos without a fresh encoding, encodings without a photo, and damage."""
    findings = []
    lost = sorted(set(context.photos) - {int(photo) for photo in context.table.photo_ids})
    for arm, pending in context.pending.items():
        findings += _findings(arm, pending, lost)
    if lost:
        findings.append(
            Finding(
                "not-encoded",
                f"{len(lost)} photos could not be encoded and cannot be found; 'loupebook "
                "verify' says which files are damaged.",
                Action.REBUILD,
                tuple(sorted({context.photos[photo].specimen for photo in lost})),
                tuple(lost),
                weight=0.9,
            )
        )
    return Section(
        NAME,
        TITLE,
        " ".join(finding.says for finding in findings) if findings else "Every encoding was fresh.",
        tuple(findings),
        figures={
            arm: {
                "to_add": len(pending.to_add),
                "to_withdraw": len(pending.to_withdraw),
                "damage": pending.damage,
            }
            for arm, pending in context.pending.items()
        },
    )


def _findings(arm: str, pending: Pending, lost: Collection[int]) -> list[Finding]:
    found = []
    if pending.damage:
        found.append(
            Finding(
                "damaged-encodings",
                f"The {arm} index was damaged ({pending.damage}).",
                Action.REBUILD,
                weight=0.8,
            )
        )
    elif pending:
        photos = tuple(sorted(pending.to_add | pending.to_withdraw))
        left = len(pending.to_add.intersection(lost))
        but = f" but for {left} that could not be encoded" if left else ""
        found.append(
            Finding(
                "stale-encodings",
                f"The {arm} index lacked {len(pending.to_add)} photos as they now are and held "
                f"{len(pending.to_withdraw)} that it must not; this report brought it up to "
                f"date{but}.",
                Action.NOTHING,
                photos=photos,
                weight=0.1,
                detail={
                    "to_add": sorted(pending.to_add),
                    "to_withdraw": sorted(pending.to_withdraw),
                },
            )
        )
    return found
