"""Readings by print: what the detailed comparison with a design's genuine photos is worth.

The score is how far a print departs, its sign turned so that greater means more like genuine
prints: the z of all measurements together, or of one that differs. What it is worth the set's own
prints tell, each held against the genuine ones of other specimens (:mod:`.prints`): for *known
press* specimen by specimen, for *unseen press* with the print origin as the unit. A copy never
takes part in what it is held against, so that both rest on the same scores. Only prints that
were held against two genuine specimens or more count, and only designs with as many are read:
of one alone it is not known what is usual.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from loupebook.compare import LeftOut
from loupebook.evidence.calibration import Calibration, fit_calibration
from loupebook.evidence.prints import LeftOutPrints
from loupebook.evidence.reading import (
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
    strengths_to_tell,
)
from loupebook.evidence.set_calibration import HeldOut, held_out
from loupebook.evidence.splits import origin_units
from loupebook.evidence.verbal import support_words
from loupebook.records.model import PhotoFacts, Standing

COARSEST = 0.5
"""Least share of the detail of the known prints of its design that a query must show; ours. A
coarser photo shows less of what sets copies apart than those that a figure was learned from."""
FEWEST = 2
"""Genuine specimens of its design that a print must be held against."""
FOUND = "Differences of this size from the genuine prints"
CONDITION = (
    "This is by the print alone, and holds only if your item is of the design that it was held "
    "against. It comes from the same photo as the likeness of the search: the two figures "
    "must not be multiplied."
)
DOES_NOT_SAY = (
    "It does not say that the item is genuine, nor that it is a copy. Good copies lie among "
    "genuine prints as well, and a press that the set does not know may do better than any "
    "that it does. Which differences count was learned on rendered, invented prints; what they "
    "are worth, on this set. The rights holder, the law of the place and a qualified examiner "
    "decide."
)
_NOT_COMPARED = (
    "Not all prints have been held against each other since the set changed ({photos} of "
    "{element}s have not): the set report's “Prints held against each other” does that."
)


@dataclass(frozen=True)
class PrintCalibration:
    """What the prints of one element of a set support.

    Parameters
    ----------
    genuine, fake, origins : int
        Specimens that could be held against others, and recorded print origins of the fakes.
    known, unseen : Calibration or None
        `None` where there are too few.
    held : mapping
        ``known`` and ``unseen`` to likelihood ratios of the set's own prints, each from a fit
        that has not seen its unit.
    missing : int
        Photos of designs that have changed since they were compared.
    """

    genuine: int
    fake: int
    origins: int
    known: Calibration | None
    unseen: Calibration | None
    held: Mapping[str, HeldOut]
    missing: int = 0


def calibrate_prints(
    prints: LeftOutPrints, facts: Mapping[int, PhotoFacts]
) -> dict[str, PrintCalibration]:
    """Calibrate every element of which prints were compared.

    Parameters
    ----------
    prints : LeftOutPrints
        The set's own prints, each held against the genuine ones of other specimens; those that
        could not be laid over them, or were held against too few, are passed over.
    facts : mapping
        Row id to facts.

    Returns
    -------
    dict
        Element to its calibration.
    """
    told: dict[str, list[LeftOut]] = {element: [] for element in sorted(prints.missing)}
    for row in prints.rows:
        if row.photo_id not in facts:
            continue
        mine = told.setdefault(str(facts[row.photo_id].element), [])
        if row.departure is not None and row.others >= FEWEST:
            mine.append(row)
    return {
        element: replace(_calibrated(rows, facts), missing=prints.missing.get(element, 0))
        for element, rows in told.items()
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
    return PrintCalibration(
        genuine,
        copied,
        origins,
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
    detail: float,
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
    detail : float
        How much of the detail of the known prints of its design the query shows: px a px.
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
        ``known_press``, ``unseen_press``, ``departure``, ``basis``, ``needs``, ``says`` and
        ``does_not_say``, as in :mod:`.reading`. Nothing in it states what the query *is*.
    """
    basis = Basis(
        calibration.genuine, calibration.fake, calibration.origins, comparison, set_version, made_at
    )
    coarse = detail < COARSEST
    known, unseen = (
        None if coarse or fit is None else Read.of(fit, departure, copy)
        for fit, copy in ((calibration.known, KNOWN_PRESS), (calibration.unseen, UNSEEN_PRESS))
    )
    needs = missing_words(basis, element=element)
    told = []
    if calibration.missing:
        told = [_NOT_COMPARED.format(photos=calibration.missing, element=element)]
    if coarse:
        told = [_coarse_words(detail)]
    elif known or unseen:
        basis_words = _basis_words(basis, element)
        told = [*_sentences(known, unseen), f"{CONDITION} {basis_words}", *told]
    elif not calibration.missing:
        told = [
            "By the print no figure of strength can be given yet. Still needed, with prints that "
            f"can be compared: {'; '.join(needs)}."
        ]
    return {
        "known_press": known and known.strength.to_dict(),
        "unseen_press": unseen and unseen.strength.to_dict(),
        "departure": round(departure, 2),
        "basis": basis.to_dict(),
        "needs": needs,
        "says": PARAGRAPH.join(told),
        "does_not_say": DOES_NOT_SAY,
    }


def _basis_words(basis: Basis, element: str) -> str:
    count = basis.origins
    presses = f", of {count} recorded press{'es' * (count != 1)}" if count else ""
    return (
        f"It rests on {basis.genuine} genuine and {basis.fake} fake {element}s of this set "
        f"whose prints could be compared{presses}."
    )


def _coarse_words(detail: float) -> str:
    return (
        f"By the print no figure of strength is given: the photo shows {100 * detail:.0f} % of the "
        f"detail that the known prints of this design show, and {100 * COARSEST:.0f} % are "
        "needed. Take it closer."
    )


@dataclass(frozen=True)
class Read:
    """One likelihood ratio, and whether it lies on the limit of what the set supports."""

    strength: Strength
    limited: bool

    @classmethod
    def of(cls, fit: Calibration, departure: float, copy: str) -> Read:
        """Read a departure by a calibration."""
        value = float(fit.log10_lr(-departure))
        limited = fit.speaks and value in (fit.lower, fit.upper)
        words = support_words(value, copy=copy)
        return cls(Strength(value, *fit.interval(-departure), words), limited)


def _sentences(known: Read | None, unseen: Read | None) -> list[str]:
    """Return both likelihood ratios in words; where they say the same, one for both."""
    told = strengths_to_tell(*(None if one is None else one.strength for one in (known, unseen)))
    limits = [one.limited for one in (known, unseen) if one]
    limited = [any(limits)] if len(told) == 1 else limits
    return [_sentence(*one, limited=bound) for one, bound in zip(told, limited, strict=True)]


def _sentence(strength: Strength, copy: str, *, limited: bool) -> str:
    words = strength_words(strength, copy, found=FOUND)
    limit = " The set supports no more than that." if limited and strength.log10_lr else ""
    return f"{words}{limit}"
