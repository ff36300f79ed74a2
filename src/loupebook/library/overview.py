"""Counts of a set for its front page."""

from __future__ import annotations

from collections import Counter

from loupebook.library.results import SetOverview
from loupebook.records.catalogue import Catalogue
from loupebook.records.model import Element, IntakeState, Standing


def overview_of(catalogue: Catalogue) -> SetOverview:
    """Count specimens and photos of a set.

    Returns
    -------
    SetOverview
        ``genuine``, ``fake`` and ``by_element`` count confirmed specimens only.
    """
    specimens = catalogue.specimens()
    confirmed = [one for one in specimens if one.state is IntakeState.CONFIRMED]
    states = Counter(one.state for one in specimens)
    standings = Counter(one.standing for one in confirmed)
    elements = Counter(one.element for one in confirmed)
    return SetOverview(
        specimens=len(confirmed),
        photos=len(catalogue.indexable()),
        genuine=standings[Standing.GENUINE],
        fake=standings[Standing.FAKE],
        proposed=states[IntakeState.PROPOSED],
        withdrawn=states[IntakeState.WITHDRAWN],
        by_element={str(element): elements[element] for element in Element},
        marques=tuple(sorted({one.marque for one in specimens if one.marque})),
        editions=tuple(sorted({one.edition for one in specimens if one.edition})),
        origins=tuple(sorted({one.origin for one in specimens if one.origin})),
    )
