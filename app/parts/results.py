"""The answer to a query: what may be said of it, the matches as cards, and the downloads."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import streamlit as st

from loupebook.library import Standing
from parts.desk import MOST_CHOSEN
from parts.light_table import choose, chosen_ids
from parts.pictures import csv_text
from parts.plates import match_card, show_plates
from parts.searching import kept_filters
from parts.sheet import show_words
from parts.words import NOT_SAID_BRIEF, plain, poor_words

_KNOWN = {Standing.GENUINE: "genuine one", Standing.FAKE: "fake"}
NOT_TOLD = "That does not tell genuine from copy."
EDGES = {True: "close", False: "nothing", None: "open"}

if TYPE_CHECKING:
    from loupebook.library import Library, MatchReport, SearchReport


def say_reading(report: SearchReport, *, anew: tuple[int, str]) -> None:
    """Say what may be said of the answer in brief, and behind "more" all of it.

    Parameters
    ----------
    report : SearchReport
        The answer on show.
    anew : (int, str)
        Number and words of what was searched anew by hand, as
        :func:`parts.crop.anew_words` gives it; the answer then comes into view.
    """
    reading = report.reading
    says = str(reading["says"])
    brief = str(reading.get("brief") or says)
    show_words(
        headline(report),
        brief,
        key="reading",
        edge=EDGES[reading["close_reference"]],
        more=says if says != brief and not report.photo_check.no_item else "",
        limits=NOT_SAID_BRIEF,
        anew=anew,
    )


def headline(report: SearchReport) -> str:
    """Return the answer in a line; where the photo is poor, that comes first."""
    check = report.photo_check
    if check.no_item:
        return f"No item can be seen in this picture ({check.no_item})"
    title = _title(report)
    why = poor_words(check)
    return f"The photo is poor ({why}): trust this less. {title}" if why else title


def _title(report: SearchReport) -> str:
    reading = report.reading
    if reading["close_reference"] is False:
        if any(kept_filters().values()):
            return "Nothing close among what passes the filters"
        return "Nothing close in this library"
    nearest = f"a known {_KNOWN[report.matches[0].standing]}. {NOT_TOLD}"
    if reading["close_reference"]:
        return f"Something close was found; the nearest match is {nearest}"
    if reading.get("p_value") is None:
        return (
            f"Too few specimens to tell whether anything is close; the nearest match is {nearest}"
        )
    return f"Whether the set holds this maker cannot be told; the nearest match is {nearest}"


def say_looking() -> None:
    """Keep the place of what may be said while the library is searched."""
    show_words("Looking through the library…", "", key="reading-awaited", limits=NOT_SAID_BRIEF)


def say_limits(report: SearchReport) -> None:
    """Say what the answer does not say; always on the page with it."""
    show_words("What this does not say", str(report.reading["does_not_say"]), key="limits")


def show_matches(library: Library, report: SearchReport) -> None:
    """Show the nearest specimens as cards; choosing one lays it on the desk."""
    st.subheader("Nearest known specimens")
    st.caption(
        f"One card for each specimen, nearest first. {_likeness(report)} "
        f"Choose up to {MOST_CHOSEN} to lay them on the "
        "desk beside the nearest genuine and the nearest fake."
    )
    chosen = chosen_ids()
    cards = [
        match_card(
            library,
            match,
            "match",
            picked=match.photo_id in chosen,
            hint="Lay on the desk",
            always=_always(report, match),
        )
        for match in report.matches
    ]
    show_plates(cards, label="Nearest known specimens", key="matches", on_choose=choose)


def _likeness(report: SearchReport) -> str:
    """Say what the number on the cards means in this answer."""
    if report.nothing_close:
        return (
            "Nothing here is close: likeness only puts what lies least far in order, however "
            "great it is."
        )
    return (
        "Likeness puts designs in order (log odds, more is nearer); it does not say whether either "
        "is genuine: copies of a design score as high as it does."
    )


def _always(report: SearchReport, match: MatchReport) -> str:
    """Say as what a match lies on the desk without being chosen; empty if it does not."""
    for nearest, word in ((report.nearest_genuine, "genuine"), (report.nearest_fake, "fake")):
        if nearest is not None and nearest.photo_id == match.photo_id:
            return f"nearest {word}"
    return ""


def offer_downloads(report: SearchReport) -> None:
    """Offer the answer as JSON and as CSV."""
    stem = "loupebook-results"
    with st.container(horizontal=True):
        st.download_button(
            "Results as JSON",
            json.dumps(report.to_dict(), ensure_ascii=False, indent=2),
            f"{stem}.json",
            "application/json",
            icon=":material/download:",
            on_click="ignore",
        )
        st.download_button(
            "Results as CSV",
            csv_text(answer_rows(report)),
            f"{stem}.csv",
            "text/csv",
            icon=":material/download:",
            on_click="ignore",
        )
    st.caption(
        plain(f"Set {report.set}, encoder {report.encoder}, {report.elapsed_ms / 1000:.1f} s.")
    )


def answer_rows(report: SearchReport) -> list[dict[str, object]]:
    """Return the matches as table rows, each with the query, the set and the encoder."""
    about = {"photo": report.photo, "set": report.set, "encoder": report.encoder}
    rows = []
    for match in report.matches:
        row = {
            "reference_photo" if name == "photo" else name: value
            for name, value in match.to_dict().items()
        }
        rows.append(about | row)
    return rows
