"""By what a reference was found: the places where it agrees with the photo, shown on both."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from loupebook.library import encode_jpeg
from parts.words import found_by, plain

if TYPE_CHECKING:
    from loupebook.library import Library, MatchReport, SearchReport


def show_agreement(library: Library, report: SearchReport, match: MatchReport) -> None:
    """Offer the picture of what a match rests on, closed at first.

    Parameters
    ----------
    library : Library
        The open set.
    report : SearchReport
        The answer on show.
    match : MatchReport
        One of its matches.
    """
    closer = st.expander(
        "Where they agree", icon=":material/join_inner:", key="agreement", on_change="rerun"
    )
    # Drawn when it is opened: both photos are decoded and encoded for it.
    if not closer.open:
        return
    with closer:
        st.markdown(plain(f"Rank {match.rank}, {match.specimen}: {found_by(match)}."))
        drawn = library.agreement(report, match)
        if drawn is None:
            st.markdown("No single places were matched, so none can be shown.")
            return
        picture = encode_jpeg(drawn, quality=92)
        st.image(
            picture,
            caption="Your photo on the left with the outline of the item as found; rings mark "
            "places that look alike and lie alike. Good copies agree in most places too.",
            width="stretch",
        )
        st.download_button(
            "Download this picture",
            picture,
            file_name="where-they-agree.jpg",
            mime="image/jpeg",
            on_click="ignore",
        )
