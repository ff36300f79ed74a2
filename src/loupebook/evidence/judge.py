"""One query's similarities and a set's calibration to a reading."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from loupebook.evidence.calibration import Calibration
from loupebook.evidence.closeness import scale_of
from loupebook.evidence.reading import (
    KNOWN_PRESS,
    UNSEEN_PRESS,
    Basis,
    Strength,
    reading_with_calibration,
)
from loupebook.evidence.set_calibration import difference_score
from loupebook.evidence.stored import SetCalibration
from loupebook.evidence.verbal import support_words
from loupebook.records.model import Lighting


def read_query(
    calibration: SetCalibration,
    *,
    element: str,
    encoder: str,
    genuine: float | None,
    fake: float | None,
    nearest: str | None,
    lighting: Lighting | None = None,
    narrowed: bool = False,
    nearer_left_out: bool = False,
) -> dict[str, Any]:
    """Return the reading of one query.

    Parameters
    ----------
    calibration : SetCalibration
        Of the set that was searched, as it stands.
    element : str
        Element that the query is compared within.
    encoder : str
        Name and fingerprint of the encoder, for the basis.
    genuine, fake : float or None
        Similarity (cosine of the encoder that the calibration was made with) to the nearest
        genuine and the nearest fake reference of that element; `None` where there is none.
    nearest : str or None
        Name of the specimen that the nearer of both shows.
    lighting : Lighting, optional
        In which the photo most like the query was taken.
    narrowed : bool, optional
        Whether filters left out the nearest genuine or the nearest fake reference. A calibration
        is learned with all of them in reach, so no likelihood ratio is given then.
    nearer_left_out : bool, optional
        Whether what they left out lies nearer than both.

    Returns
    -------
    dict
        See ``loupebook.evidence.reading``.
    """
    held = calibration.elements[element]
    similar = [value for value in (genuine, fake) if value is not None]
    closeness = scale_of(held.closeness, lighting).judge(max(similar, default=None))
    score = None
    if genuine is not None and fake is not None and not narrowed:
        score = float(difference_score(genuine, fake))
    return reading_with_calibration(
        closeness=replace(closeness, nearer_left_out=nearer_left_out),
        basis=Basis(
            held.genuine,
            held.fake,
            held.origins,
            encoder,
            calibration.made_from.set_version,
            calibration.made_at,
        ),
        known_press=_strength(held.known, score, KNOWN_PRESS),
        unseen_press=_strength(held.unseen, score, UNSEEN_PRESS),
        element=element,
        nearest=nearest,
        narrowed=narrowed,
    )


def _strength(fit: Calibration | None, score: float | None, copy: str) -> Strength | None:
    if fit is None or score is None:
        return None
    value = float(fit.log10_lr(score))
    return Strength(value, *fit.interval(score), support_words(value, copy=copy))
