"""What to do next, ordered by expected gain.

The gain of an entry is ``weight * (1 + reach)``: how sure and how bad the finding is, times
how much of the set it touches. `reach` is the share of all specimens that it names; a
finding that names none, such as a confound, concerns all. The rule is ours: it orders, it
measures nothing. Sections may say the same from several sides (a shared serial is also a
conflict of standing): one entry a set of specimens and action, by its greatest gain.
"""

from __future__ import annotations

from collections.abc import Mapping

from loupebook.setreport.context import ReportContext
from loupebook.setreport.model import WORK_LIST, Finding, Section, Table

NAME = WORK_LIST
TITLE = "Work list"
LONGEST = 200


def examine_sections(context: ReportContext, sections: Mapping[str, Section]) -> Section:
    """Order the findings of all other sections."""
    entries: dict[tuple[object, ...], tuple[float, str, Finding]] = {}
    for name, section in sections.items():
        for place, finding in enumerate(section.findings):
            key: tuple[object, ...] = (tuple(sorted(finding.specimens)), str(finding.action))
            if not finding.specimens:
                key = (name, place)
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
    total = max(1, len(context.specimens))
    reach = len(finding.specimens) / total if finding.specimens else 1.0
    return finding.weight * (1 + reach)
