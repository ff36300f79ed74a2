"""Specimens that know each other too well: figures on the set itself flatter.

Leave-one-specimen-out figures take specimens to be independent. Two that share a picture,
or stand under two names for one object, answer for each other.
"""

from __future__ import annotations

from loupebook.setreport.context import ReportContext
from loupebook.setreport.model import Action, Finding, Section

NAME = "leakage"
TITLE = "Leakage between specimens"


def examine(context: ReportContext) -> Section:
    """Report groups of specimens that share pictures, and how many photos they touch."""
    groups = _groups(context)
    touched = {name for group in groups for name in group}
    photos = sum(len(context.photos_of.get(name, ())) for name in touched)
    share = photos / max(1, len(context.photos))
    findings = tuple(
        Finding(
            "shared-pictures",
            f"{', '.join(group)} share pictures, so they are not independent: figures that "
            "leave one of them out still see the other.",
            Action.MERGE,
            group,
            weight=0.7,
        )
        for group in groups
    )
    return Section(
        NAME,
        TITLE,
        f"{len(touched)} specimens in {len(groups)} groups share pictures; they hold "
        f"{100 * share:.1f} % of all photos."
        if groups
        else "No two specimens share a picture.",
        findings,
        figures={"groups": len(groups), "specimens": len(touched), "photo_share": round(share, 4)},
    )


def _groups(context: ReportContext) -> list[tuple[str, ...]]:
    leader: dict[str, str] = {}

    def top(name: str) -> str:
        while leader.setdefault(name, name) != name:
            name = leader[name]
        return name

    for pair in context.copies:
        one, other = (top(context.photos[photo].specimen) for photo in (pair.one, pair.other))
        leader[max(one, other)] = min(one, other)
    groups: dict[str, set[str]] = {}
    for name in leader:
        groups.setdefault(top(name), set()).add(name)
    return sorted(tuple(sorted(group)) for group in groups.values() if len(group) > 1)
