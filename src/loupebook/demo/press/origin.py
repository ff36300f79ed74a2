"""A print origin: one press run, genuine or not, with its plan and its constant faults."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from loupebook.demo.artwork.band_plan import BandPlan
from loupebook.demo.artwork.cap import CapPlan
from loupebook.demo.artwork.seal_plan import SealPlan
from loupebook.demo.press.settings import PressSettings
from loupebook.records.model import Standing

Plan = BandPlan | SealPlan | CapPlan


class Numbering(StrEnum):
    """How an origin numbers its seals."""

    UNIQUE = "unique"
    ONE_FOR_ALL = "one-for-all"
    DISAGREEING = "disagreeing"


@dataclass(frozen=True)
class PrintOrigin:
    """Where specimens come from.

    Parameters
    ----------
    name : str
        Unique in a world.
    edition : str
        Edition that it prints, or copies.
    standing : Standing
        Genuine or fake.
    skill : str
        ``house`` for the real printer; else ``clumsy``, ``fair``, ``good``, ``very good``.
    plan : BandPlan, SealPlan or CapPlan
        What it prints from: a copy's plan differs.
    changes : tuple of str
        Those differences in plain words.
    press : PressSettings
        How it prints.
    numbering : Numbering
        Numbers on seals.
    seed : int
        Constant faults come from it.
    """

    name: str
    edition: str
    standing: Standing
    skill: str
    plan: Plan
    changes: tuple[str, ...]
    press: PressSettings
    numbering: Numbering
    seed: int
