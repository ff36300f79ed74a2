"""Results on paper: comparison sheets, examination records, printed practice."""

from loupebook.sheets.callouts import numbered
from loupebook.sheets.definition import TEMPLATES, SheetDefinition
from loupebook.sheets.differences import places_that_differ
from loupebook.sheets.laid import Laid, Mapped, laid_by, lay_into, mapped_by, places_on_photo
from loupebook.sheets.paper import Paper
from loupebook.sheets.plan import Place, Plan, Plate, Section, SheetPoint
from loupebook.sheets.setting import MadeSheet, make_sheet
from loupebook.sheets.source import SheetSource
from loupebook.sheets.store import LaidStore
from loupebook.sheets.templates import plan_sheet

__all__ = [
    "TEMPLATES",
    "Laid",
    "LaidStore",
    "MadeSheet",
    "Mapped",
    "Paper",
    "Place",
    "Plan",
    "Plate",
    "Section",
    "SheetDefinition",
    "SheetPoint",
    "SheetSource",
    "laid_by",
    "lay_into",
    "make_sheet",
    "mapped_by",
    "numbered",
    "places_on_photo",
    "places_that_differ",
    "plan_sheet",
]
