"""The same thing under two standings: pictures, serial numbers, print origins."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable

from loupebook.records.model import SpecimenRecord, Standing
from loupebook.records.serials import plain_serial, whole_numbers
from loupebook.setreport.context import ReportContext
from loupebook.setreport.model import Action, Finding, Section

NAME = "standing_conflicts"
TITLE = "Conflicts of standing"


def examine(context: ReportContext) -> Section:
    """Report what is held both as genuine and as fake."""
    findings = [*_pictures(context), *_serials(context), *_origins(context)]
    return Section(
        NAME,
        TITLE,
        f"{len(findings)} things are held both as genuine and as fake."
        if findings
        else "Nothing is held both as genuine and as fake.",
        tuple(findings),
        figures={"conflicts": len(findings)},
    )


def _pictures(context: ReportContext) -> list[Finding]:
    found = []
    for pair in context.copies:
        one, other = (
            context.by_name[context.photos[photo].specimen] for photo in (pair.one, pair.other)
        )
        if one.standing is not other.standing:
            found.append(
                Finding(
                    "picture-under-two-standings",
                    f"The same picture stands under {one.name} ({one.standing}) and "
                    f"{other.name} ({other.standing}): one of the two is wrong.",
                    Action.OPEN_PAIR,
                    (one.name, other.name),
                    (pair.one, pair.other),
                    weight=1.0 if pair.exact else 0.95,
                )
            )
    return found


def _serials(context: ReportContext) -> list[Finding]:
    return [
        Finding(
            "serial-under-two-standings",
            f"The number {value} stands on genuine and on fake specimens: "
            f"{', '.join(s.name for s in held)}.",
            Action.OPEN_PAIR,
            tuple(specimen.name for specimen in held),
            weight=0.85,
            detail={"serial": value},
        )
        for value, held in _grouped(
            context,
            lambda s: whole_numbers({plain_serial(serial.value) for serial in s.serials} - {""}),
        ).items()
    ]


def _origins(context: ReportContext) -> list[Finding]:
    findings = []
    for origin, held in _grouped(context, lambda s: {s.origin} if s.origin else set()).items():
        genuine = [s.name for s in held if s.standing is Standing.GENUINE]
        fake = [s.name for s in held if s.standing is Standing.FAKE]
        fewer = genuine if len(genuine) <= len(fake) else fake
        findings.append(
            Finding(
                "origin-under-two-standings",
                f"Print origin {origin} has {len(genuine)} genuine and {len(fake)} fake "
                f"specimens; the fewer are {', '.join(fewer[:5])}.",
                Action.CHECK_RECORD,
                tuple(fewer),
                weight=0.8,
                detail={"origin": origin, "genuine": len(genuine), "fake": len(fake)},
            )
        )
    return findings


def _grouped(
    context: ReportContext, keys_of: Callable[[SpecimenRecord], set[str]]
) -> dict[str, list[SpecimenRecord]]:
    held: dict[str, list[SpecimenRecord]] = defaultdict(list)
    for specimen in context.specimens:
        for key in keys_of(specimen):
            held[key].append(specimen)
    return {key: s for key, s in held.items() if len({one.standing for one in s}) > 1}
