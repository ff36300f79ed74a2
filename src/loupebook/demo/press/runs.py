"""Press runs: whose they are, what they print from, and how they number seals."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from loupebook.demo.artwork.band_plan import BandPlan
from loupebook.demo.artwork.seal_plan import SERIAL_PLACES, SealPlan
from loupebook.demo.press.copying import (
    COARSE_BAND,
    COARSE_CAP,
    COARSE_SEAL,
    FINE_BAND,
    FINE_CAP,
    FINE_SEAL,
    alter,
)
from loupebook.demo.press.edition import Edition
from loupebook.demo.press.origin import Numbering, Plan, PrintOrigin
from loupebook.demo.press.presses import SKILLS, forger_press, house_press
from loupebook.records.model import Serial, Standing


def house_origin(seed: int, place: int, edition: Edition, run: int) -> PrintOrigin:
    """Run of the real printer, by its number."""
    rng = np.random.default_rng([seed, 2, place, run])
    return PrintOrigin(
        name=f"{edition.name}, house run {run + 1}",
        edition=edition.name,
        standing=Standing.GENUINE,
        skill="house",
        plan=edition.plan,
        changes=(),
        press=house_press(rng, edition.element),
        numbering=Numbering.UNIQUE,
        seed=int(rng.integers(1 << 30)),
    )


def fake_origin(seed: int, place: int, edition: Edition, k: int) -> PrintOrigin:
    """Run of a forger, by its number; skills follow each other, worst first."""
    rng = np.random.default_rng([seed, 3, place, k])
    skill = SKILLS[k % len(SKILLS)]
    plan, changes = _copied(edition.plan, skill, rng)
    press = forger_press(rng, edition.element, skill)
    numbering = Numbering.UNIQUE
    if isinstance(plan, SealPlan):
        if plan.uv_number:
            press = replace(press, uv=max(press.uv, 0.6))
        numbering = (
            Numbering.ONE_FOR_ALL,
            Numbering.DISAGREEING,
            Numbering.ONE_FOR_ALL,
            Numbering.UNIQUE,
        )[k % 4]
    return PrintOrigin(
        name=f"{edition.name}, copy {'ABCDEFGH'[k]}",
        edition=edition.name,
        standing=Standing.FAKE,
        skill=skill,
        plan=plan,
        changes=changes,
        press=press,
        numbering=numbering,
        seed=int(rng.integers(1 << 30)),
    )


def _copied(plan: Plan, skill: str, rng: np.random.Generator) -> tuple[Plan, tuple[str, ...]]:
    """Plan of a copy. A scan keeps the drawing, and good forgers redraw little of it."""
    coarse = skill == "clumsy"
    count = {"clumsy": 3, "fair": 1, "good": 2, "very good": 1}[skill]
    if isinstance(plan, BandPlan):
        return alter(plan, COARSE_BAND if coarse else FINE_BAND, count, rng)
    if isinstance(plan, SealPlan):
        return alter(plan, COARSE_SEAL if coarse else FINE_SEAL, count, rng)
    return alter(plan, COARSE_CAP if coarse else FINE_CAP, min(count, 2), rng)


def specimen_serials(origin: PrintOrigin, specimen_seed: int) -> tuple[Serial, ...]:
    """Numbers on one seal, place by place; none on bands and caps."""
    if not isinstance(origin.plan, SealPlan):
        return ()
    one = origin.numbering is Numbering.ONE_FOR_ALL
    rng = np.random.default_rng([origin.seed, 4, 0 if one else specimen_seed])
    bottom, over_code = _number(rng), _number(rng)
    if origin.numbering is not Numbering.DISAGREEING:
        over_code = bottom
    numbers = (bottom, over_code, bottom[-4:])
    return tuple(Serial(*at) for at in zip(numbers, SERIAL_PLACES, strict=True))


def _number(rng: np.random.Generator) -> str:
    letters = "".join(str(c) for c in rng.choice(list("ABDEFHKLMNPRTVXY"), 2))
    return f"{letters} {int(rng.integers(100_000_000)):08d}"
