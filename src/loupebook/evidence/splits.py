"""What must not be seen when a reference is put to its own set as if it were a query.

Each split is a *code* for every photo: a photo is searched only against photos of another
code. Whole specimens are always left out, because two photos of one specimen are not two
items. For the reading against unseen presses, fakes leave out their whole print origin.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence

import numpy as np
from numpy.typing import NDArray

from loupebook.evidence.units import unit_codes


def leave_one_specimen_out(specimens: Sequence[str]) -> NDArray[np.intp]:
    """Return the code of each photo, one a specimen."""
    return unit_codes(specimens)[0]


def leave_one_origin_out(
    specimens: Sequence[str], fake: Sequence[bool], origins: Sequence[str | None]
) -> NDArray[np.intp]:
    """Return the code of each photo: its print origin if fake, its specimen otherwise.

    Parameters
    ----------
    specimens, fake, origins : sequences of equal length
        The specimen of each photo, whether it is fake, and its print origin. Fakes without
        a recorded origin may share one, so all of them are left out together.
    """
    return unit_codes(origin_units(specimens, fake, origins))[0]


def origin_units(
    specimens: Sequence[str], fake: Sequence[bool], origins: Sequence[str | None]
) -> list[Hashable]:
    """Return the independent unit of each photo when presses are what counts."""
    return [
        ("origin", origin) if is_fake else ("specimen", specimen)
        for specimen, is_fake, origin in zip(specimens, fake, origins, strict=True)
    ]


def unit_folds(units: Sequence[Hashable], folds: int, *, seed: int = 0) -> NDArray[np.intp]:
    """Deal whole units into folds of nearly equal numbers of units.

    Parameters
    ----------
    units : sequence
        The unit of each entry.
    folds : int
        How many folds; at most as many as there are units are used.
    seed : int
        Of the shuffle.

    Returns
    -------
    ndarray of int, shape (n,)
        Fold of each entry, ``0 .. folds - 1``.
    """
    codes, count = unit_codes(units)
    dealt = np.arange(count) % max(1, min(folds, count))
    np.random.default_rng(seed).shuffle(dealt)
    return np.asarray(dealt[codes], dtype=np.intp)
