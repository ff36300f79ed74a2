"""Rows as a set's own prints give them, made up, for readings by print."""

from __future__ import annotations

import numpy as np
import pytest

from loupebook.compare import LeftOut
from loupebook.evidence.by_print import calibrate_prints
from loupebook.evidence.prints import LeftOutPrints
from loupebook.library.evidence_glue import EvidenceKeeper
from loupebook.records.model import Element, IntakeState, Lighting, PhotoFacts, Standing, View


def a_fact(name: str, standing: Standing, origin: str | None) -> PhotoFacts:
    return PhotoFacts(
        name, Element.SEAL, standing, "Marl", "Marl seal", origin, View.FACE, Lighting.DIFFUSE,
        IntakeState.CONFIRMED,
    )  # fmt: skip


def a_set(
    genuine: int = 20, fake: int = 20, origins: int = 10, apart: float = 3.0, photos: int = 2
) -> tuple[LeftOutPrints, dict[int, PhotoFacts]]:
    """Prints whose z scatter by 0.7 about 0 where genuine, and about `apart` where not."""
    rng = np.random.default_rng(3)
    rows, facts = [], {}
    for k in range(genuine + fake):
        is_fake = k >= genuine
        standing = Standing.FAKE if is_fake else Standing.GENUINE
        origin = f"press {k % origins}" if is_fake else None
        middle = rng.normal(apart if is_fake else 0.0, 0.6)
        for _ in range(photos):
            photo = len(rows)
            facts[photo] = a_fact(f"s{k}", standing, origin)
            z = float(middle + rng.normal(0, 0.3))
            rows.append(LeftOut(photo, f"s{k}", laid=True, z=z, others=2))
    return LeftOutPrints(tuple(rows)), facts


def have_prints_tell(monkeypatch: pytest.MonkeyPatch) -> None:
    """Have any set know twenty genuine seals and copies of ten presses, three deviations off."""
    known = calibrate_prints(*a_set())
    monkeypatch.setattr(
        EvidenceKeeper, "_print_calibrations", lambda *_: ("2026-01-01T00:00:00Z", 1, known)
    )
