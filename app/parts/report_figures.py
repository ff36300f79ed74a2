"""Tables and plots of a report section, each with its numbers to take away."""

from __future__ import annotations

import base64
from html import escape
from typing import TYPE_CHECKING

import streamlit as st

from parts.pictures import csv_text
from parts.words import plain

if TYPE_CHECKING:
    from loupebook.library import Section


def show_tables(section: Section) -> None:
    """Show the tables of a section; each downloads as CSV."""
    for place, table in enumerate(section.tables):
        rows = [
            {head or "no.": cell for head, cell in zip(table.columns, row, strict=True)}
            for row in table.cells
        ]
        st.markdown(f"**{plain(table.caption)}**")
        if not rows:
            st.markdown("Nothing to list.")
            continue
        st.dataframe(rows, hide_index=True, key=f"table-{section.name}-{place}")
        st.download_button(
            "CSV",
            csv_text(rows),
            f"{section.name}-{place + 1}.csv",
            "text/csv",
            key=f"csv-{section.name}-{place}",
            on_click="ignore",
        )


def show_plots(section: Section) -> None:
    """Show the plots of a section two in a row, with what each shows in words, and their files."""
    for start in range(0, len(section.plots), 2):
        for place, column in enumerate(st.columns(2), start=start):
            if place < len(section.plots):
                with column:
                    show_plot(section, place)


def show_plot(section: Section, place: int) -> None:
    """Show one plot of a section with its words and its files."""
    plot = section.plots[place]
    data = base64.b64encode(plot.svg.encode()).decode()
    st.html(
        f'<figure style="margin:0;max-width:44rem"><img alt="{escape(plot.alt, quote=True)}" '
        'style="width:100%;height:auto;background:#fff" '
        f'src="data:image/svg+xml;base64,{data}">'
        f"<figcaption><b>{escape(plot.title)}.</b> {escape(plot.alt)}</figcaption></figure>"
    )
    with st.container(horizontal=True):
        for label, content, kind in (
            ("CSV", plot.csv, "text/csv"),
            ("SVG", plot.svg, "image/svg+xml"),
            ("PNG", plot.png, "image/png"),
        ):
            st.download_button(
                label,
                content,
                f"{plot.name}.{label.lower()}",
                kind,
                key=f"plot-{section.name}-{plot.name}-{label}",
                on_click="ignore",
            )
