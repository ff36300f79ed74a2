"""An edition: a design of one element of one marque."""

from __future__ import annotations

from dataclasses import dataclass

from loupebook.demo.press.origin import Plan
from loupebook.records.model import Element


@dataclass(frozen=True)
class Edition:
    """A design of one element of one marque.

    Parameters
    ----------
    name, marque : str
        Names; the edition's is unique in its world.
    element : Element
        Band, seal or cap.
    years : str
        In force, as ``1994–2006``.
    plan : BandPlan, SealPlan or CapPlan
        What genuine items are made from.
    changes : tuple of str
        What a redesign changed, in plain words; empty for a first edition.
    """

    name: str
    marque: str
    element: Element
    years: str
    plan: Plan
    changes: tuple[str, ...] = ()
