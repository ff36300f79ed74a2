"""One file a template; its name is the template's, its `plan` chooses what is shown.

Its `USES` names the choices that it follows; others are refused, not passed over.
"""

from __future__ import annotations

from dataclasses import replace
from importlib import import_module

from loupebook.errors import SheetInvalid
from loupebook.sheets.definition import SheetDefinition
from loupebook.sheets.plan import Plan
from loupebook.sheets.source import SheetSource
from loupebook.sheets.with_photos import WithPhotos

CHOICES = {
    "marque": "marque",
    "edition": "edition",
    "element": "element",
    "origin": "print origin",
    "specimens": "specimens",
    "point": "point",
}
"""What a definition may choose, as a person says it; not every template follows all."""


def plan_sheet(source: SheetSource, definition: SheetDefinition) -> Plan:
    """Choose what a sheet shows; specimens without a photo are left out, and named.

    Raises
    ------
    SheetInvalid
        If there is nothing to show, something that the template needs is not given, or
        something is that it does not follow.
    RecordNotFound
        If a specimen named is not in the set.
    """
    template = import_module(f"{__name__}.{definition.template}")
    unused = [
        words
        for name, words in CHOICES.items()
        if name not in template.USES and getattr(definition, name)
    ]
    if unused:
        raise SheetInvalid(
            f"The sheet '{definition.template}' follows no choice of {' or '.join(unused)}: "
            "leave that out, or make another sheet."
        )
    shown = WithPhotos(source)
    plan: Plan = template.plan(shown, shown.named(definition))
    return replace(plan, remarks=(*plan.remarks, *shown.remarks(definition)))
