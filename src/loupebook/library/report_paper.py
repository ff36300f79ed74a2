"""A set report as a PDF: brings the report and its photos to paper."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress

from loupebook.errors import LoupebookError
from loupebook.records.model import SetInfo
from loupebook.setreport import CLOSING, WORK_LIST, Section, SetReport
from loupebook.sheets.paper import Paper
from loupebook.sheets.report import MOST_ILLUSTRATED, PrintedSection, make_set_report


def report_pdf(
    report: SetReport,
    *,
    info: SetInfo,
    thumbnail: Callable[[int], bytes],
    paper: Paper = Paper.A4,
) -> bytes:
    """Return a set report as a PDF.

    Parameters
    ----------
    report : SetReport
        As made.
    info : SetInfo
        The set now; the pages say so where it has changed since the report was made.
    thumbnail : callable
        Row id of a photo to a small JPEG.
    paper : Paper
        What it is printed on.

    Raises
    ------
    SheetInvalid
        If the pages cannot be set.
    """
    photos = {}
    for section in report.sections.values():
        for finding in section.findings[:MOST_ILLUSTRATED]:
            for photo in finding.photos[:2]:
                # A photo that cannot be read is a finding of its own.
                with suppress(LoupebookError):
                    photos[photo] = thumbnail(photo)
    return make_set_report(
        [_printed(section) for section in report.sections.values()],
        info,
        about=report.about_at(info.change_counter).removesuffix("."),
        closing=CLOSING,
        uv=report.holds_uv,
        photos=photos,
        paper=paper,
    )


def _printed(section: Section) -> PrintedSection:
    # The work list is its own table; listing its findings again would say all twice.
    findings = () if section.name == WORK_LIST else section.findings
    return PrintedSection(
        section.title,
        section.summary,
        [(found.says, str(found.action), found.photos) for found in findings],
        [(table.caption, table.columns, table.cells) for table in section.tables],
        [(plot.title, plot.alt, plot.svg) for plot in section.plots],
    )
