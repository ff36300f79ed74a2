"""Points: where to look on a design, drawn on its consensus image by a curator."""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING

import streamlit as st

from loupebook.errors import ComparisonError, LoupebookError, RecordNotFound
from loupebook.library import Design, design_phrase, points_to_annotations
from parts.address import asked_number
from parts.current_set import open_set, overview_of, say_empty_set, say_no_set
from parts.desk_draw import consensus_of, draw_region
from parts.desk_points import ASKED_DESIGN
from parts.persons import ask_name
from parts.words import counted, plain, taken

if TYPE_CHECKING:
    from collections.abc import Sequence

    from loupebook.library import Library, PointRecord

HOW = (
    "A point of comparison is a place on a design with what a genuine one shows there and what "
    "copies get wrong. Each examination of the design then shows the place enlarged: the photo "
    "in question beside the nearest genuine and the nearest fake."
)
ROUND, DESIGN, TAKEN_IN = "point-round", "point-design", "points-taken-in"


def points_page() -> None:
    st.title("Points of comparison")
    library = open_set()
    if library is None:
        return say_no_set()
    if overview_of(library).specimens == 0:
        return say_empty_set()
    st.markdown(HOW)
    designs = library.designs()
    if not designs:
        st.info(
            "No genuine specimen has its edition on record yet. Points belong to an edition: "
            "enter it with the specimens first."
        )
        return None
    _choose_asked(library, designs)
    # Options and their words leave out what changes with the set: how many photos there are.
    by_shown = {design.shown: design for design in designs}
    chosen = st.selectbox(
        "Design", list(by_shown), format_func=lambda one: _named(by_shown[one]), key=DESIGN
    )
    design = by_shown[chosen]
    points = library.points.of(
        marque=design.marque,
        edition=design.edition,
        element=design.element,
        view=design.view,
        lighting=design.lighting,
    )
    left, right = st.columns([3, 2], gap="medium")
    with left:
        region, anchor = _drawing(library, design, points)
    with right:
        _new_point(library, design, anchor, region)
    _list(library, points)
    _exchange(library, points)
    return None


def _choose_asked(library: Library, designs: Sequence[Design]) -> None:
    """Choose, once, the design of the photo that the address names."""
    asked = asked_number(ASKED_DESIGN)
    st.query_params.pop(ASKED_DESIGN, None)
    if asked is None:
        return
    with suppress(RecordNotFound):
        photo = library.photo(asked)
        specimen = library.specimen(photo.specimen)
        wanted = (
            specimen.marque, specimen.edition, specimen.element, photo.view, photo.lighting,
        )  # fmt: skip
        if wanted in [design.shown for design in designs]:
            st.session_state[DESIGN] = wanted


def _named(design: Design) -> str:
    how = taken(design.view, design.lighting)
    name = design_phrase(design.marque, design.edition)
    return f"{name}, {design.element}, {how}"


def _drawing(
    library: Library, design: Design, points: list[PointRecord]
) -> tuple[list[tuple[float, float]] | None, int | None]:
    info = library.info()
    try:
        picture = consensus_of(library, design.photo_id, info.set_id, info.change_counter)
    except ComparisonError as error:
        st.error(plain(str(error)))
        return None, None
    key = f"draw-{picture.photo_id}-{st.session_state.get(ROUND, 0)}"
    region = draw_region(picture, points, key)
    st.caption(
        f"Consensus image of {counted(picture.photos, 'genuine photo')}. Drag the frame over the "
        "place, then press “Take this region”."
    )
    return region, picture.photo_id


def _new_point(
    library: Library,
    design: Design,
    anchor: int | None,
    region: list[tuple[float, float]] | None,
) -> None:
    st.subheader("A new point")
    number = st.session_state.get(ROUND, 0)
    # What is typed is of this design: where another one takes its place, it must not stand there.
    place = f"{number}-{'|'.join(str(part) for part in design.shown)}"
    with st.form(f"point-{place}", border=False):
        title = st.text_input("Name of the place", key=f"point-title-{place}", max_chars=200)
        shows = st.text_area("What a genuine one shows there", key=f"point-shows-{place}")
        copies = st.text_area("What copies get wrong there", key=f"point-copies-{place}")
        by = ask_name(library, f"point-by-{place}")
        if not st.form_submit_button("Record this point", type="primary"):
            st.caption("Region taken." if region else "No region taken yet.")
            return
    if anchor is None or region is None:
        st.error("Take a region on the image first: drag the frame, press “Take this region”.")
        return
    if not (title.strip() and shows.strip() and by):
        st.error("Give the place a name, say what a genuine one shows there, and give your name.")
        return
    try:
        library.points.add(
            anchor, region, title=title, genuine_shows=shows, copies_show=copies, by=by
        )
    except LoupebookError as error:
        st.error(plain(str(error)))
        return
    st.session_state[ROUND] = number + 1
    st.rerun()


def _list(library: Library, points: list[PointRecord]) -> None:
    st.subheader(f"On record: {counted(len(points), 'point')}")
    for number, point in enumerate(points, start=1):
        with st.expander(f"{number}. {plain(point.title)}"):
            st.markdown(f"**A genuine one:** {plain(point.genuine_shows)}")
            if point.copies_show:
                st.markdown(f"**Copies:** {plain(point.copies_show)}")
            st.caption(f"Drawn by {plain(point.by)}, {point.at[:10]}.")
            with st.form(f"retire-{point.point_id}", border=False):
                by = ask_name(library, f"retire-by-{point.point_id}")
                if st.form_submit_button("Take this point out of use"):
                    if not by:
                        st.error("Give your name.")
                        continue
                    library.points.retire(point.point_id, by=by)
                    st.rerun()


def _exchange(library: Library, points: list[PointRecord]) -> None:
    with st.expander("Hand points on, or take some in (W3C Web Annotation)"):
        st.download_button(
            "Points of this design as JSON-LD",
            points_to_annotations(points),
            "points.jsonld",
            "application/ld+json",
            disabled=not points,
            on_click="ignore",
        )
        file = st.file_uploader("Annotation page", type=["json", ".jsonld"], key="points-file")
        by = ask_name(library, "points-file-by")
        if st.button("Take these points in", disabled=file is None) and file is not None:
            if not by:
                st.error("Give your name.")
                return
            try:
                text = file.getvalue().decode("utf-8")
                taken_in = library.take_in_points(text, by=by)
            except UnicodeDecodeError:
                st.error("The file is not text.")
                return
            except LoupebookError as error:
                st.error(plain(str(error)))
                return
            st.session_state[TAKEN_IN] = (
                f"{counted(len(taken_in), 'point')} taken in. What is on record here, or was taken "
                "out of use, stays as it is."
            )
            # The list above holds them from the next run on.
            st.rerun()
        said = st.session_state.pop(TAKEN_IN, None)
        if said:
            st.success(said)


points_page()
