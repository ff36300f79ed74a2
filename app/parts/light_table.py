"""What lies on the desk beside the nearest references: chosen matches, photos of a series."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from parts.desk import MOST_CHOSEN, Laid
from parts.words import STANDING, taken

if TYPE_CHECKING:
    from loupebook.library import Library, MatchReport, SearchReport

CHOSEN = "laid-out"
SERIES = "series-of"


def chosen_ids() -> list[int]:
    """Return the photos of the cards that were chosen, in that order."""
    return list(st.session_state.get(CHOSEN, ()))


def choose(key: str) -> None:
    """Lay a card's photo on the desk, or take it off; the oldest makes room for a fifth."""
    chosen = chosen_ids()
    number = int(key)
    if number in chosen:
        chosen.remove(number)
    else:
        chosen = [*chosen, number][-MOST_CHOSEN:]
    st.session_state[CHOSEN] = chosen


def last_chosen(report: SearchReport) -> MatchReport:
    """Return the match chosen last, or the nearest of all."""
    found = {match.photo_id: match for match in report.matches}
    return next((found[one] for one in reversed(chosen_ids()) if one in found), report.matches[0])


def laid_out(library: Library, report: SearchReport) -> list[Laid]:
    """Return what lies on the desk beside the nearest references."""
    found = {match.photo_id: match for match in report.matches}
    nearest = {one.photo_id for one in (report.nearest_genuine, report.nearest_fake) if one}
    laid = [
        Laid.of_match(
            found[photo_id],
            f"photo-{photo_id}",
            f"Rank {found[photo_id].rank}, {STANDING[found[photo_id].standing].lower()}",
            report.encoder,
        )
        for photo_id in chosen_ids()
        if photo_id in found and photo_id not in nearest
    ]
    known = nearest | {one.photo_id for one in laid}
    name = st.session_state.get(SERIES)
    if name and any(match.specimen == name for match in _on_show(report)):
        standing = STANDING[library.specimen(name).standing].lower()
        laid += [
            Laid(
                f"photo-{photo.photo_id}",
                f"{taken(photo.view, photo.lighting).capitalize()}, {standing}",
                f"{taken(photo.view, photo.lighting)}".capitalize(),
                name,
                photo.photo_id,
                series=True,
            )
            for photo in library.photos(name)
            if photo.photo_id not in known
        ]
    return laid[:MOST_CHOSEN]


def offer_series(library: Library, report: SearchReport) -> None:
    """Offer the other photos of a specimen: its tilt series, raking light, UV-A."""
    counts = {match.specimen: len(library.photos(match.specimen)) for match in _on_show(report)}
    names = [name for name, count in counts.items() if count > 1]
    if not names:
        return
    if st.session_state.get(SERIES) not in (None, *names):
        st.session_state[SERIES] = None
    st.selectbox(
        "Lay further photos of one specimen on the desk (tilt series, raking light, UV-A)",
        [None, *names],
        format_func=lambda name: "none" if name is None else f"{name}: {counts[name]} photos",
        key=SERIES,
        help="Choose “Alternate” on the desk to see one over the other.",
    )


def _on_show(report: SearchReport) -> list[MatchReport]:
    nearest = [one for one in (report.nearest_genuine, report.nearest_fake) if one is not None]
    return [*nearest, *report.matches]
