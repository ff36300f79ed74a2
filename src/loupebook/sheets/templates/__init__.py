"""One file a template; its name is the template's, its `plan` chooses what is shown."""

from __future__ import annotations

from importlib import import_module

from loupebook.sheets.definition import SheetDefinition
from loupebook.sheets.plan import Plan
from loupebook.sheets.source import SheetSource


def plan_sheet(source: SheetSource, definition: SheetDefinition) -> Plan:
    """Choose what a sheet shows.

    Raises
    ------
    SheetInvalid
        If there is nothing to show, or something that the template needs is not given.
    RecordNotFound
        If a specimen named is not in the set.
    """
    template = import_module(f"{__name__}.{definition.template}")
    plan: Plan = template.plan(source, definition)
    return plan
