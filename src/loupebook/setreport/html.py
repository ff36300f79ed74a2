"""A report as one HTML page that needs nothing else, for the screen and for paper."""

from __future__ import annotations

import base64
from collections.abc import Callable
from html import escape

from loupebook.errors import LoupebookError
from loupebook.evidence.cautions import cautions
from loupebook.evidence.plots import Plot
from loupebook.setreport.model import WORK_LIST, Finding, Section, SetReport, Table

MOST_FINDINGS = 60
"""Findings shown a section; the JSON holds all."""
OPEN_FINDINGS = 8
"""Findings a section that stand open on the screen; the rest unfold, and print in full."""
OPEN_ROWS = 16
"""Longer tables unfold too, but for the work list."""
MOST_PICTURES = 24
"""Findings shown a section with pictures, so that the page stays printable."""

STYLE = """
:root { color-scheme: light; --ink: #1c1a17; --soft: #5d574f; --line: #d8d2c8; --rule: #0b4f7d; }
* { box-sizing: border-box; }
body { font: 16px/1.5 Georgia, 'Times New Roman', serif; color: var(--ink); background: #fff;
  max-width: 62rem; margin: 0 auto; padding: 2rem 1.25rem 4rem; }
h1 { font-size: 1.9rem; line-height: 1.2; margin: 0 0 .25rem; }
h2 { font-size: 1.3rem; margin: 2.5rem 0 .5rem; padding-top: .75rem;
  border-top: 3px solid var(--rule); break-after: avoid; }
.about, .more, .cautions, figcaption, caption { color: var(--soft); font-size: .9rem; }
.notice { border: 2px solid var(--ink); padding: .5rem .75rem; font-weight: bold; }
nav ul { columns: 2; padding-left: 1.2rem; }
a { color: var(--rule); }
table { border-collapse: collapse; width: 100%; margin: .75rem 0 1.25rem; font-size: .9rem; }
.wide { overflow-x: auto; }
caption { text-align: left; padding-bottom: .25rem; }
th, td { text-align: left; vertical-align: top; padding: .3rem .6rem .3rem 0;
  border-bottom: 1px solid var(--line); }
th { border-bottom: 2px solid var(--ink); font-weight: bold; }
thead { display: table-header-group; }
tr, figure, li.finding { break-inside: avoid; }
ol.findings { padding-left: 1.6rem; }
li.finding { margin: .5rem 0 .9rem; }
.action { font-weight: bold; }
summary { cursor: pointer; color: var(--rule); margin: .5rem 0; }
.pictures { display: flex; flex-wrap: wrap; gap: .5rem; margin-top: .35rem; }
.pictures img { height: 7rem; width: auto; border: 1px solid var(--line); }
.plots { display: grid; grid-template-columns: repeat(auto-fit, minmax(20rem, 1fr)); gap: 1rem; }
figure { margin: 0; }
figure > img { width: 100%; height: auto; }
@media print {
  body { font-size: 10pt; max-width: none; padding: 0; }
  details::details-content { content-visibility: visible; height: auto; }
  h2 { margin-top: 1.5rem; }
  .wide { overflow: visible; }
  a { color: inherit; text-decoration: none; }
  .plots { grid-template-columns: 1fr 1fr; }
  @page { size: A4; margin: 16mm 14mm; }
}
"""

CLOSING = (
    "This report is about the set: what it holds and how far its figures may be trusted. It "
    "says nothing of any item that was put to it. A suspect is a question to a person, and "
    "nothing here was changed."
)


def render_html(
    report: SetReport,
    *,
    thumbnail: Callable[[int], bytes] | None = None,
    change: int | None = None,
) -> str:
    """Return the report as one page.

    Parameters
    ----------
    report : SetReport
    thumbnail : callable, optional
        Row id of a photo to a small JPEG, shown beside findings that name photos.
    change : int, optional
        Change counter of the set now; the page says so where the report is of another. `None`
        for a report that was made just now.
    """
    now = report.set_version if change is None else change
    contents = "".join(
        f'<li><a href="#{escape(name)}">{escape(section.title)}</a></li>'
        for name, section in report.sections.items()
    )
    body = "".join(_section(section, thumbnail) for section in report.sections.values())
    warned = "".join(f"<p>{escape(one)}</p>" for one in cautions(uv=report.holds_uv))
    notice = f'<p class="notice">{escape(report.notice)}</p>' if report.notice else ""
    return (
        "<!doctype html>\n"
        f'<html lang="en-GB"><head><meta charset="utf-8"><title>Set report: '
        f"{escape(report.set_name)}</title>"
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<style>{STYLE}</style></head><body><header>"
        f"<h1>Set report: {escape(report.set_name)}</h1>"
        f'<p class="about">{escape(report.about_at(now))}</p>{notice}'
        f'<p>{escape(CLOSING)}</p><div class="cautions">{warned}</div></header>'
        f'<nav aria-label="Sections"><ul>{contents}</ul></nav><main>{body}</main></body></html>\n'
    )


def _section(section: Section, thumbnail: Callable[[int], bytes] | None) -> str:
    name = escape(section.name)
    parts = [
        f'<section id="{name}" aria-labelledby="{name}-title">'
        f'<h2 id="{name}-title">{escape(section.title)}</h2><p>{escape(section.summary)}</p>'
    ]
    # The work list is its own table; listing its findings again would say all twice.
    if section.findings and section.name != WORK_LIST:
        items = [
            _finding(found, thumbnail if place < MOST_PICTURES else None)
            for place, found in enumerate(section.findings[:MOST_FINDINGS])
        ]
        parts.append(f'<ol class="findings">{"".join(items[:OPEN_FINDINGS])}</ol>')
        if folded := items[OPEN_FINDINGS:]:
            parts.append(
                f"<details><summary>{len(folded)} more findings</summary>"
                f'<ol class="findings" start="{OPEN_FINDINGS + 1}">{"".join(folded)}</ol></details>'
            )
        if len(section.findings) > MOST_FINDINGS:
            rest = len(section.findings) - MOST_FINDINGS
            parts.append(f'<p class="more">and {rest} more, in the JSON form of this report.</p>')
    for table in section.tables:
        shown = _table(table)
        if len(table.rows) > OPEN_ROWS and section.name != WORK_LIST:
            lines = f"{escape(table.caption)}: {len(table.rows)} rows"
            shown = f"<details><summary>{lines}</summary>{shown}</details>"
        parts.append(shown)
    if section.plots:
        parts.append(f'<div class="plots">{"".join(map(_plot, section.plots))}</div>')
    return "".join(parts) + "</section>"


def _finding(found: Finding, thumbnail: Callable[[int], bytes] | None) -> str:
    pictures = ""
    if thumbnail and found.photos:
        shown = "".join(_picture(photo, thumbnail) for photo in found.photos[:2])
        pictures = f'<div class="pictures">{shown}</div>'
    return (
        f'<li class="finding">{escape(found.says)} '
        f'<span class="action">To do: {escape(str(found.action))}.</span>{pictures}</li>'
    )


def _picture(photo: int, thumbnail: Callable[[int], bytes]) -> str:
    try:
        data = base64.b64encode(thumbnail(photo)).decode()
    except LoupebookError:
        return f"<span>photo {photo} cannot be shown</span>"
    return f'<img alt="Photo {photo}" src="data:image/jpeg;base64,{data}">'


def _table(table: Table) -> str:
    heads = "".join(f'<th scope="col">{escape(head)}</th>' for head in table.columns)
    rows = "".join(
        "<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>"
        for row in table.cells
    )
    return (
        f'<div class="wide"><table><caption>{escape(table.caption)}</caption>'
        f"<thead><tr>{heads}</tr></thead><tbody>{rows}</tbody></table></div>"
    )


def _plot(plot: Plot) -> str:
    data = base64.b64encode(plot.svg.encode()).decode()
    return (
        f'<figure><img alt="{escape(plot.alt, quote=True)}" '
        f'src="data:image/svg+xml;base64,{data}">'
        f"<figcaption>{escape(plot.title)}. {escape(plot.alt)}</figcaption></figure>"
    )
