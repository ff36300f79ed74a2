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


def show_words(
    title: str, words: str, *, key: str, roomy: bool = False, edge: str | None = None
) -> None:
    """Show a heading and some sentences.

    Parameters
    ----------
    title, words : str
        What to show.
    key : str
        Unique key.
    roomy : bool
        Whether to keep room for some sentences where there are fewer, so that nothing below
        moves when they come.
    edge : {'close', 'nothing', 'open'}, optional
        What kind of answer this is, drawn as the line at its left edge.
    """
    _mount(key=key, data={"title": title, "summary": words, "roomy": roomy, "edge": edge})


def show_checklist(items: Sequence[dict[str, Any]], *, key: str, title: str, summary: str) -> None:
    """Show a list whose items are done or still to do.

    Parameters
    ----------
    items : sequence of dict
        ``done``, ``words`` and ``detail`` of each.
    key : str
        Unique key.
    title, summary : str
        Heading, and a sentence below it.
    """
    shown = [
        {
            "severity": "info" if item["done"] else "warn",
            "mark": "✓ there" if item["done"] else "○ to do",
            "message": item["words"],
            "advice": item["detail"],
        }
        for item in items
    ]
    _mount(key=key, data={"title": title, "summary": summary, "items": shown})


def show_advice(check: PhotoCheck, *, key: str, poor: str) -> None:
    """Show what the photo check found, in plain words, the gravest first.

    Parameters
    ----------
    check : PhotoCheck
        What was found.
    key : str
        Unique key.
    poor : str
        What becomes of the photo although it is poor.
    """
    items = [
        {
            "severity": str(finding.severity),
            "mark": MARKS[str(finding.severity)],
            "message": finding.message,
            "advice": finding.advice,
        }
        for finding in check.findings
    ]
    if not check.usable:
        summary = f"This photo is poor. {poor}"
    elif any(item["severity"] == "warn" for item in items):
        summary = "Good enough. A better photo would say more:"
    else:
        summary = "Nothing to object to."
    _mount(key=key, data={"title": "Photo check", "summary": summary, "items": items})
