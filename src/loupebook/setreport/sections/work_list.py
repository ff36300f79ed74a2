"""What to do next, ordered by expected gain.

The gain of an entry is ``weight * (1 + reach)``: how sure and how bad the finding is, times
how much of the set it touches. `reach` is the share of all specimens that it names; a
finding that names none concerns those of its element, and without one, such as a confound, all.
What the report has mended itself is no work. The rule is ours: it orders, it measures nothing.
Sections may ask for one piece of work from several sides (a shared serial is also a conflict of
standing): that is one entry, by its greatest gain.
"""

from __future__ import annotations

from collections.abc import Mapping

from loupebook.setreport.context import ReportContext
from loupebook.setreport.model import WORK_LIST, Action, Finding, Section, Table

NAME = WORK_LIST
TITLE = "Work list"
LONGEST = 200
ONE_WORK: Mapping[tuple[str, Action], str] = {
    ("shared-serial", Action.OPEN_PAIR): "serial",
    ("serial-under-two-standings", Action.OPEN_PAIR): "serial",
    ("exact-duplicate", Action.MERGE): "one object",
    ("near-duplicate", Action.MERGE): "one object",
    ("shared-pictures", Action.MERGE): "one object",
    ("picture-under-two-standings", Action.OPEN_PAIR): "picture",
    ("suspect-standing", Action.CHECK_RECORD): "standing",
    ("print-differs", Action.CHECK_RECORD): "standing",
}
"""Kinds of findings that are done with together where they name the same specimens; every other
finding is a piece of work by itself."""


def examine_sections(context: ReportContext, sections: Mapping[str, Section]) -> Section:
    """Order the findings of all other sections."""
    entries: dict[tuple[object, ...], tuple[float, str, Finding]] = {}
    for name, section in sections.items():
        for place, finding in enumerate(section.findings):
            if finding.action is Action.NOTHING:
                continue
            work = ONE_WORK.get((finding.kind, finding.action))
            key = (work, *sorted(finding.specimens)) if work else (name, place)
            gain = _gain(context, finding)
            if key not in entries or gain > entries[key][0]:
                entries[key] = (gain, name, finding)
    ordered = sorted(entries.values(), key=lambda entry: -entry[0])[:LONGEST]
    return Section(
        NAME,
        TITLE,
        f"{len(entries)} things to do; the first {min(len(entries), LONGEST)} are listed, those "
        "that should gain most first."
        if entries
        else "Nothing to do.",
        tuple(finding for _, _, finding in ordered),
        (
            Table(
                "What to do next",
                ("", "gain", "action", "why", "section"),
                tuple(
                    (place, f"{gain:.2f}", str(finding.action), finding.says, name)
                    for place, (gain, name, finding) in enumerate(ordered, start=1)
                ),
            ),
        ),
        figures={"entries": len(entries), "gains": [round(gain, 4) for gain, _, _ in ordered]},
    )


def _gain(context: ReportContext, finding: Finding) -> float:
    concerned = len(finding.specimens) or sum(
        finding.detail.get("element") in (None, one.element) for one in context.specimens
    )
    return finding.weight * (1 + concerned / max(1, len(context.specimens)))
