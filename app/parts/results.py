"""The answer to a query: what may be said of it, the matches as cards, and the downloads."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import streamlit as st

from parts.desk import MOST_CHOSEN
from parts.light_table import choose, chosen_ids
from parts.pictures import csv_text
from parts.plates import match_card, show_plates
from parts.sheet import show_words
from parts.words import plain, poor_words

TITLES = {
    True: "There is something close in this library",
    False: "Nothing close in this library",
    None: "Whether anything is close cannot be told",
}

EDGES = {True: "close", False: "nothing", None: "open"}

if TYPE_CHECKING:
    from loupebook.library import Library, SearchReport


def say_reading(report: SearchReport) -> None:
    """Say what may be said of the answer: close, or nothing close."""
    reading = report.reading
    edge = EDGES[reading["close_reference"]]
    show_words(headline(report), str(reading["says"]), key="reading", roomy=True, edge=edge)


def headline(report: SearchReport) -> str:
    """Return the answer in a line; where the photo is poor, that comes first."""
    title = TITLES[report.reading["close_reference"]]
    why = poor_words(report.photo_check)
    return f"The photo is poor ({why}): trust this less. {title}" if why else title


def say_looking() -> None:
    """Keep the place of what may be said while the library is searched."""
    show_words("Looking through the library…", "", key="reading-awaited", roomy=True)


def say_limits(report: SearchReport) -> None:
    """Say what the answer does not say; always on the page with it."""
    show_words("What this does not say", str(report.reading["does_not_say"]), key="limits")


def show_matches(library: Library, report: SearchReport) -> None:
    """Show the nearest specimens as cards; choosing one lays it on the desk."""
    st.subheader("Nearest known specimens")
    st.caption(
        "One card for each specimen, nearest first. Similarity says how likely both show one "
        "design, not whether either is genuine: copies of a design score as high as it does. "
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
            hint="lay on the desk",
        )
        for match in report.matches
    ]
    show_plates(cards, label="Nearest known specimens", key="matches", on_choose=choose)


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
