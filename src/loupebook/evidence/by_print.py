"""Readings by print: what the detailed comparison with a design's genuine photos is worth.

The score is how far a print departs, its sign turned so that greater means more like genuine
prints: the z of all measurements together, or of one that differs. What it is worth the set's own
prints tell, each held against the genuine ones of other specimens (:mod:`.prints`): for *known
press* specimen by specimen, for *unseen press* with the print origin as the unit. A copy never
takes part in what it is held against, so that both rest on the same scores.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from loupebook.compare import LeftOut
from loupebook.evidence.calibration import Calibration, fit_calibration
from loupebook.evidence.reading import (
    DOES_NOT_SAY,
    FAKE_NEEDED,
    GENUINE_NEEDED,
    KNOWN_PRESS,
    ORIGINS_NEEDED,
    PARAGRAPH,
    UNSEEN_PRESS,
    Basis,
    Strength,
    missing_words,
    strength_words,
)
from loupebook.evidence.set_calibration import HeldOut, held_out
from loupebook.evidence.splits import origin_units
from loupebook.evidence.verbal import rung_of, support_words
from loupebook.records.model import PhotoFacts, Standing

COARSEST = 0.5
"""Least share of the px a mm at which the known prints were seen that a query must show; ours.
A coarser photo shows less of what sets copies apart than those that the figure was learned from."""
FOUND = "Differences of this size from the genuine prints"
_CONDITION = (
    "This is by the print alone, and holds only if your item is of the design that it was held "
    "against."
)
_EITHER = "a copy from any press, known to the set or not"


@dataclass(frozen=True)
class PrintCalibration:
    """What the prints of one element of a set support.

    Parameters
    ----------
    genuine, fake, origins : int
        Specimens that could be held against others, and recorded print origins of the fakes.
    px_per_mm : float, optional
        At which half of their photos or more show the print; `None` where no scale is known.
    known, unseen : Calibration or None
        `None` where there are too few.
    held : mapping
        ``known`` and ``unseen`` to likelihood ratios of the set's own prints, each from a fit
        that has not seen its unit.
    """

    genuine: int
    fake: int
    origins: int
    px_per_mm: float | None
    known: Calibration | None
    unseen: Calibration | None
    held: Mapping[str, HeldOut]


def calibrate_prints(
    rows: Sequence[LeftOut], facts: Mapping[int, PhotoFacts]
) -> dict[str, PrintCalibration]:
    """Calibrate every element of which prints were compared.

    Parameters
    ----------
    rows : sequence of LeftOut
        The set's own prints, each held against the genuine ones of other specimens; those that
        could not be laid over them are passed over.
    facts : mapping
        Row id to facts.

    Returns
    -------
    dict
        Element to its calibration.
    """
    told = [row for row in rows if row.departure is not None and row.photo_id in facts]
    elements = sorted({str(facts[row.photo_id].element) for row in told})
    return {
        element: _calibrated(
            [row for row in told if str(facts[row.photo_id].element) == element], facts
        )
        for element in elements
    }


def _calibrated(rows: Sequence[LeftOut], facts: Mapping[int, PhotoFacts]) -> PrintCalibration:
    known = [facts[row.photo_id] for row in rows]
    fake = np.array([fact.standing is Standing.FAKE for fact in known], dtype=bool)
    scores = -np.array([row.departure for row in rows], dtype=np.float64)
    specimens = [fact.specimen for fact in known]
    presses = origin_units(specimens, fake.tolist(), [fact.origin for fact in known])
    copies = [fact for fact in known if fact.standing is Standing.FAKE]
    genuine = len(set(specimens) - {fact.specimen for fact in copies})
    copied = len({fact.specimen for fact in copies})
    origins = len({fact.origin for fact in copies if fact.origin})
    enough = genuine >= GENUINE_NEEDED and copied >= FAKE_NEEDED
    by_specimen = _fit(scores, ~fake, specimens) if enough else None
    by_press = _fit(scores, ~fake, presses) if enough and origins >= ORIGINS_NEEDED else None
    fits = {"known": by_specimen, "unseen": by_press}
    seen = [row.px_per_mm for row in rows if row.px_per_mm is not None]
    return PrintCalibration(
        genuine,
        copied,
        origins,
        px_per_mm=float(np.median(seen)) if seen else None,
        known=by_specimen and by_specimen[0],
        unseen=by_press and by_press[0],
        held={press: made[1] for press, made in fits.items() if made},
    )


def _fit(
    scores: NDArray[np.float64], genuine: NDArray[np.bool_], units: Sequence[Hashable]
) -> tuple[Calibration, HeldOut]:
    fit = fit_calibration(scores, genuine, units)
    return fit, held_out(fit, scores, genuine, list(units))


def read_print(
    calibration: PrintCalibration,
    *,
    departure: float,
    px_per_mm: float | None,
    element: str,
    comparison: str,
    set_version: int,
    made_at: str,
) -> dict[str, Any]:
    """Return the reading of one comparison with the genuine photos of a design.

    Parameters
    ----------
    calibration : PrintCalibration
        Of the element.
    departure : float
        How far the query's print departs, in usual deviations.
    px_per_mm : float, optional
        How finely the query showed the print.
    element : str
        ``band``, ``seal`` or ``cap``.
    comparison : str
        Which comparison, for the basis.
    set_version : int
        Change counter of the set.
    made_at : str
        Instant (UTC) at which the calibration was made.

    Returns
    -------
    dict
        ``known_press``, ``unseen_press``, ``basis``, ``needs``, ``says`` and ``does_not_say``,
        as in :mod:`.reading`. Nothing in it states what the query *is*.
    """
    basis = Basis(
        calibration.genuine, calibration.fake, calibration.origins, comparison, set_version, made_at
    )
    coarse = _too_coarse(calibration, px_per_mm)
    known, unseen = (
        None if coarse else _strength(fit, departure, copy)
        for fit, copy in ((calibration.known, KNOWN_PRESS), (calibration.unseen, UNSEEN_PRESS))
    )
    needs = missing_words(basis, element=element)
    if coarse:
        told = [coarse]
    elif known or unseen:
        told = [*_sentences(known, unseen), f"{_CONDITION} {_basis_words(basis, element)}"]
    else:
        told = [
            "By the print no figure of strength can be given yet. Still needed, with prints that "
            f"can be compared: {'; '.join(needs)}."
        ]
    return {
        "known_press": known and known.to_dict(),
        "unseen_press": unseen and unseen.to_dict(),
        "basis": basis.to_dict(),
        "needs": needs,
        "says": PARAGRAPH.join(told),
        "does_not_say": DOES_NOT_SAY,
    }


def _basis_words(basis: Basis, element: str) -> str:
    presses = f", of {basis.origins} recorded presses" if basis.origins else ""
    return (
        f"It rests on {basis.genuine} genuine and {basis.fake} fake {element}s of this set "
        f"whose prints could be compared{presses}."
    )


def _too_coarse(calibration: PrintCalibration, px_per_mm: float | None) -> str:
    """Return why the photo is too coarse for a figure; empty where it is not."""
    usual = calibration.px_per_mm
    if usual is None or px_per_mm is None or px_per_mm >= COARSEST * usual:
        return ""
    return (
        f"By the print no figure of strength is given: the photo shows {px_per_mm:.0f} px a mm, "
        f"and the known prints that it would rest on were seen at {usual:.0f}. Take it closer."
    )


def _strength(fit: Calibration | None, departure: float, copy: str) -> Strength | None:
    if fit is None:
        return None
    value = float(fit.log10_lr(-departure))
    return Strength(value, *fit.interval(-departure), support_words(value, copy=copy))


def _sentences(known: Strength | None, unseen: Strength | None) -> list[str]:
    """Return both likelihood ratios in words; the more careful one alone where they agree."""
    pairs = [(one, copy) for one, copy in ((known, KNOWN_PRESS), (unseen, UNSEEN_PRESS)) if one]
    if len(pairs) == 2:
        (one, _), (other, _) = pairs
        same = rung_of(one.log10_lr) == rung_of(other.log10_lr)
        if same and one.log10_lr * other.log10_lr >= 0:
            careful = min((one, other), key=lambda strength: abs(strength.log10_lr))
            words = support_words(careful.log10_lr, copy=_EITHER)
            merged = Strength(careful.log10_lr, careful.low, careful.high, words)
            return [strength_words(merged, _EITHER, found=FOUND)]
    return [strength_words(strength, copy, found=FOUND) for strength, copy in pairs]
