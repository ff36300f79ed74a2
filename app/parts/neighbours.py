"""What lies near a photo while it is entered: is it here already, among which standing."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

import streamlit as st

from loupebook.library import SearchFilters, Standing
from parts.crop import Region
from parts.current_set import overview_of
from parts.intake import Handed
from parts.plates import match_card, show_plates
from parts.searching import search_kept
from parts.words import STANDING, plain

if TYPE_CHECKING:
    from collections.abc import Sequence

    from loupebook.library import IncomingPhoto, Library, SearchReport

SHOWN = 4


def show_neighbours(
    library: Library,
    photos: Sequence[IncomingPhoto],
    standing: Standing | None,
    *,
    own: str | None = None,
) -> dict[int, list[int]]:
    """Show the references nearest to the photos, with what to look at twice.

    Parameters
    ----------
    library : Library
    photos : sequence of IncomingPhoto
        Photos of the specimen that is entered, or waits.
    standing : Standing, optional
        Its standing, as far as that is entered.
    own : str, optional
        Its name, where it is on record already.

    Returns
    -------
    dict
        Place of the photo on show to the ids of the references found nearest to it.
    """
    st.subheader("What lies near it" if own else "Already in the set?")
    if not photos:
        st.markdown("Once a photo is here, the nearest known specimens appear beside it.")
        return {}
    _say_known_files(library, photos, own)
    if overview_of(library).specimens == 0:
        st.markdown("The set is empty: there is nothing to compare with yet.")
        return {}
    number = 0
    if len(photos) > 1:
        number = st.segmented_control(
            "Photo",
            range(len(photos)),
            format_func=lambda one: str(one + 1),
            default=0,
            key="neighbours-of",
        )
        number = min(number or 0, len(photos) - 1)
    photo = Handed(bytes(photos[number].source), photos[number].file_name)
    report = search_kept(
        library,
        photo,
        region=Region(),
        filters=SearchFilters(),
        k=SHOWN,
        place=f"neighbours-{number}",
    )
    _say_other_standing(report, standing)
    cards = [match_card(library, match, "near") for match in report.matches]
    show_plates(cards, label="Nearest known specimens", key="near", least=180)
    return {number: [match.photo_id for match in report.matches]}


def _say_known_files(library: Library, photos: Sequence[IncomingPhoto], own: str | None) -> None:
    for photo in photos:
        known = library.photo_by_sha256(hashlib.sha256(bytes(photo.source)).hexdigest())
        if known is not None and known.specimen != own:
            st.warning(
                f"This very file stands in the set already: {plain(photo.file_name)} is a photo "
                f"of specimen **{plain(known.specimen)}**.",
                icon=":material/content_copy:",
            )


def _say_other_standing(report: SearchReport, standing: Standing | None) -> None:
    nearest = report.matches[0] if report.matches else None
    if nearest is None or standing is None or nearest.standing is standing:
        return
    st.warning(
        f"It is entered as **{STANDING[standing].lower()}**, yet the nearest specimen, "
        f"{plain(nearest.specimen)}, is known as **{STANDING[nearest.standing].lower()}**. "
        "That can be right, good copies lie near; check that the two were not mixed up.",
        icon=":material/compare_arrows:",
    )
