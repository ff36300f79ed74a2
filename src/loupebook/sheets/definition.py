"""What a sheet is asked to show, as plain values that can be kept and made again."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from typing import Any

from loupebook.errors import RecordInvalid
from loupebook.records.model import Element, Lighting, View
from loupebook.records.text import read_choice
from loupebook.sheets.paper import Paper

TEMPLATES = {
    "pair": "Genuine against copy",
    "years": "Through the years",
    "press": "One copy press and its constant flaws",
    "point": "One point across many specimens",
    "lighting": "One specimen in every light",
    "pocket": "Pocket card",
}
"""Name of each template and what it is called on a page."""


@dataclass(frozen=True)
class SheetDefinition:
    """A sheet to be made.

    Parameters
    ----------
    template : str
        One of :data:`TEMPLATES`.
    marque, edition, element, origin
        What it is about; which of them are needed depends on the template.
    view, lighting
        Which photos are shown.
    specimens : tuple of str
        Which specimens, where not all; for a pair the genuine one first, or one of the two.
    point : str, optional
        Name of the point, for the template ``point``.
    paper : Paper
        What it is printed on.
    scale : float, optional
        Magnification; `None` is the greatest round one that fits.
    title : str, optional
        Instead of the template's own.
    note : str, optional
        A line of the person who makes it, printed under the title.
    """

    template: str
    marque: str | None = None
    edition: str | None = None
    element: Element | None = None
    origin: str | None = None
    view: View = View.FACE
    lighting: Lighting = Lighting.DIFFUSE
    specimens: tuple[str, ...] = ()
    point: str | None = None
    paper: Paper = Paper.A4
    scale: float | None = None
    title: str | None = None
    note: str | None = None

    def __post_init__(self) -> None:
        if self.template not in TEMPLATES:
            raise RecordInvalid(
                f"template: {self.template!r} is not known; use one of: {', '.join(TEMPLATES)}",
                field="template",
            )
        if self.scale is not None and not 0.05 <= self.scale <= 50:
            raise RecordInvalid(
                "scale: a sheet is printed at 0.05 to 50 times life size", field="scale"
            )

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form; what is not given is left out."""
        return {
            name: list(value) if isinstance(value, tuple) else value
            for name, value in asdict(self).items()
            if value not in (None, ())
        }

    @classmethod
    def from_dict(cls, given: Mapping[str, Any]) -> SheetDefinition:
        """Read the JSON form.

        Raises
        ------
        RecordInvalid
            A key or value is not allowed.
        """
        known = {one.name for one in fields(cls)}
        unknown = sorted(set(given) - known)
        if unknown:
            raise RecordInvalid(f"a sheet has no {', '.join(unknown)}; it has {sorted(known)}")
        values = dict(given)
        for name, kind in (("view", View), ("lighting", Lighting), ("paper", Paper)):
            if name in values:
                values[name] = read_choice(kind, str(values[name]), name)
        if values.get("element"):
            values["element"] = read_choice(Element, str(values["element"]), "element")
        values["specimens"] = tuple(values.get("specimens", ()))
        return cls(**values)
