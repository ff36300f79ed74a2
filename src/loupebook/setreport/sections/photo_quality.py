"""What the photo checks at intake said, over the whole set."""

from __future__ import annotations

import json
from collections import defaultdict
from typing import Any

from loupebook.imaging import CODE_WORDS
from loupebook.records.model import PhotoRecord
from loupebook.setreport.context import ReportContext
from loupebook.setreport.model import Action, Finding, Section, Table

NAME = "photo_quality"
TITLE = "Photo quality"
SEVERITIES = {"fail": "grave fault", "warn": "fault", "info": "note"}
"""What a finding of each severity is called, the gravest first."""


def examine(context: ReportContext) -> Section:
    """Count what the checks found, and name specimens without a usable photo."""
    checks = {photo_id: _findings(photo) for photo_id, photo in context.photos.items()}
    by_code: dict[tuple[str, str], list[int]] = defaultdict(list)
    for photo_id, found in checks.items():
        for one in found:
            by_code[one["severity"], one["code"]].append(photo_id)
    failed = {p for p, found in checks.items() if any(f["severity"] == "fail" for f in found)}
    findings = [_poor_photo(context.photos[photo], checks[photo]) for photo in sorted(failed)]
    findings += [
        _no_usable(name)
        for name, photos in context.photos_of.items()
        if all(photo.photo_id in failed for photo in photos)
    ]
    gravest_first, total = list(SEVERITIES), len(context.photos)
    rows = tuple(
        (
            CODE_WORDS.get(code, code),
            SEVERITIES[severity],
            len(photos),
            f"{100 * len(photos) / total:.1f} %",
        )
        for (severity, code), photos in sorted(
            by_code.items(), key=lambda item: (gravest_first.index(item[0][0]), -len(item[1]))
        )
    )
    return Section(
        NAME,
        TITLE,
        f"{len(failed)} of {total} photos fail a check.",
        tuple(findings),
        (
            Table(
                "What the checks found",
                ("what was found", "how grave", "photos", "share"),
                rows,
            ),
        ),
        figures={
            "failed": len(failed),
            "by_check": {f"{severity}: {code}": len(p) for (severity, code), p in by_code.items()},
        },
    )


def _findings(photo: PhotoRecord) -> list[dict[str, Any]]:
    """Return the findings that intake stored; none where the record has no check."""
    stored = json.loads(photo.check or "{}")
    found = stored.get("findings", []) if isinstance(stored, dict) else []
    return [one for one in found if one.get("severity") in SEVERITIES and "code" in one]


def _poor_photo(photo: PhotoRecord, found: list[dict[str, Any]]) -> Finding:
    failed = [one for one in found if one["severity"] == "fail"]
    says = "; ".join(str(one.get("message", one["code"])) for one in failed)
    advice = " ".join(str(one["advice"]) for one in failed if one.get("advice"))
    return Finding(
        "poor-photo",
        f"{photo.file_name} of {photo.specimen}: {says} {advice}".rstrip(),
        Action.RE_PHOTOGRAPH,
        (photo.specimen,),
        (photo.photo_id,),
        weight=0.4,
        detail={"checks": [one["code"] for one in failed]},
    )


def _no_usable(name: str) -> Finding:
    return Finding(
        "no-usable-photo",
        f"Every photo of {name} fails a check, so it can hardly be found.",
        Action.RE_PHOTOGRAPH,
        (name,),
        weight=0.7,
    )
