"""A set to its quality report: what is wrong with it, and what to photograph next.

One file a section under ``sections``; each takes a :class:`ReportContext` and returns a
:class:`Section` of findings, every one with the action that mends it. Sections do not depend
on each other, except the work list, which orders what the others found. The specimen is the
unit of counting, never the photo.
"""

from loupebook.setreport.context import ReportContext
from loupebook.setreport.html import CLOSING, render_html
from loupebook.setreport.model import WORK_LIST, Action, Finding, Section, SetReport, Table
from loupebook.setreport.report import SECTIONS, forget_reports, is_kept, report_on_set
from loupebook.setreport.sections.prints import NAME as PRINTS

__all__ = [
    "CLOSING",
    "PRINTS",
    "SECTIONS",
    "WORK_LIST",
    "Action",
    "Finding",
    "ReportContext",
    "Section",
    "SetReport",
    "Table",
    "forget_reports",
    "is_kept",
    "render_html",
    "report_on_set",
]
