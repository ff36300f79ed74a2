"""Facts and advice as a printed label: always plain text, whatever was entered."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from parts.component import web_component

if TYPE_CHECKING:
    from collections.abc import Sequence

    from loupebook.library import PhotoCheck

_mount = web_component("sheet")

MARKS = {"info": "Note", "warn": "Fault", "fail": "Grave fault"}


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
    title: str,
    words: str,
    *,
    key: str,
    edge: str | None = None,
    more: str = "",
    limits: str = "",
    anew: tuple[int, str] = (0, ""),
) -> None:
    """Show a heading and some sentences.

    Parameters
    ----------
    title, words : str
        What to show.
    key : str
        Unique key.
    edge : {'close', 'nothing', 'open'}, optional
        What kind of answer this is, drawn as the line at its left edge.
    more : str
        The same at length, opened by whoever wants it.
    limits : str
        What it does not say; always there.
    anew : (int, str)
        What has changed, and a number that grows with each change; the answer is then
        scrolled into view, once a number.
    """
    data = {"title": title, "summary": words, "edge": edge}
    _mount(key=key, data=data | {"more": more, "limits": limits, "anew": list(anew)})


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
    elif not check.shows_print:
        summary = f"This photo is too poor to compare fine print. {poor}"
    elif any(item["severity"] == "warn" for item in items):
        summary = "Good enough to compare, but with faults; without them it would say more."
    else:
        summary = "No fault was found."
    _mount(key=key, data={"title": "Photo check", "summary": summary, "items": items})
