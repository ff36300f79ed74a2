"""Facts and advice as a printed label: always plain text, whatever was entered."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from parts.component import web_component

if TYPE_CHECKING:
    from collections.abc import Sequence

    from loupebook.library import PhotoCheck

_mount = web_component("sheet")

MARKS = {"info": "Note", "warn": "Better", "fail": "Poor"}


def show_facts(
    rows: Sequence[tuple[str, str | None]],
    *,
    key: str,
    title: str,
    standing: tuple[str, str] | None = None,
) -> None:
    """Show labelled facts; what is not recorded says so.

    Parameters
    ----------
    rows : sequence of (label, value)
        In the order to show.
    key : str
        Unique key.
    title : str
        Heading.
    standing : (str, str), optional
        Shape and word to show above the title.
    """
    data: dict[str, Any] = {
        "title": title,
        "rows": [[label, value or "not recorded"] for label, value in rows],
        "standing": list(standing) if standing else None,
    }
    _mount(key=key, data=data)


def show_words(title: str, words: str, notes: Sequence[str] = (), *, key: str) -> None:
    """Show a heading, some sentences and what else is to be noted."""
    _mount(key=key, data={"title": title, "summary": words, "notes": list(notes)})


def show_advice(check: PhotoCheck, *, key: str, title: str = "Photo check") -> None:
    """Show what the photo check found, in plain words, the worst first."""
    order = {"fail": 0, "warn": 1, "info": 2}
    findings = sorted(check.findings, key=lambda finding: order[str(finding.severity)])
    items = [
        {
            "severity": str(finding.severity),
            "mark": MARKS[str(finding.severity)],
            "message": finding.message,
            "advice": finding.advice,
        }
        for finding in findings
    ]
    if not check.usable:
        summary = "This photo is poor. It was searched all the same; trust the answer less."
    elif any(item["severity"] == "warn" for item in items):
        summary = "Good enough to search. A better photo would say more:"
    else:
        summary = "Nothing to object to."
    _mount(key=key, data={"title": title, "summary": summary, "items": items})
