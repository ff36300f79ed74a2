"""The points of comparison of an examination, and the examiner's marks on them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import streamlit as st

from loupebook.errors import RecordNotFound
from loupebook.library import Mark, PointMark, key_of
from parts.component import web_component
from parts.desk_store import DESKS
from parts.words import STANDING, plain, taken

if TYPE_CHECKING:
    from collections.abc import Mapping

    from loupebook.library import Library, MatchReport, SearchReport

_mount = web_component("desk_points", "view", "layer", "glass", "desk_follow", "desk_words")

MARKS = "point-marks"
ASKED_DESIGN = "of-photo"
"""Parameter of the page Points: a photo whose design is chosen."""
NONE = "No points of comparison are drawn for this design, view and lighting yet."


def show_points(library: Library, report: SearchReport, desk: str, photo: str) -> None:
    """Show each point enlarged, with the mark and note given so far.

    Parameters
    ----------
    library : Library
        The open set.
    report : SearchReport
        The answer on show.
    desk : str
        Key of the desk that it lies on.
    photo : str
        Hash of the query; marks belong to it.
    """
    panes = [{"layer": "query", "standing": "query", "short": "Your photo", "facts": report.photo}]
    panes += [
        _pane(report.nearest_genuine, "genuine"),
        _pane(report.nearest_fake, "fake"),
    ]
    _mount(
        key=_key(photo),
        data={"base": f"/desk/{desk}/", "panes": panes, "marks": marks_of(photo), "none": NONE},
        on_marks_change=lambda: _keep(photo),
    )
    genuine = report.nearest_genuine
    if genuine is not None and genuine.edition and not library.points_for(genuine.photo_id):
        how = taken(genuine.view, genuine.lighting)
        st.page_link(
            "views/points.py",
            label=f"Draw points on {plain(genuine.edition)}, {how}",
            icon=":material/my_location:",
            query_params={ASKED_DESIGN: str(genuine.photo_id)},
        )


def marks_of(photo: str) -> dict[str, dict[str, Any]]:
    """Return the marks given on a query so far: point id to mark and note."""
    kept: dict[str, dict[str, Any]] = st.session_state.get(MARKS, {}).get(photo, {})
    return kept


def keep_marks(photo: str, marks: dict[str, dict[str, Any]]) -> None:
    """Keep marks for a query, as sent by the page or restored."""
    st.session_state[MARKS] = {**st.session_state.get(MARKS, {}), photo: marks}


def point_marks(library: Library, desk: str, photo: str) -> list[PointMark]:
    """Return the points of an examination with marks, for saving it.

    The points come from the set: those drawn for the design that gives the frame, and every
    other one that bears a mark or note. What the desk has measured of them is added; it may
    lack them all, for it measures anew whenever the set or its points change.

    Parameters
    ----------
    library, desk, photo
        As given to :func:`show_points`.
    """
    frame, measured = _measured_on(desk)
    marks = marks_of(photo)
    titles = {} if frame is None else {one.point_id: one.title for one in library.points_for(frame)}
    for point_id in (int(key) for key in marks if key.isdecimal()):
        if point_id not in titles and (title := _title_elsewhere(library, point_id)):
            titles[point_id] = title
    return [
        _with_mark(point_id, title, marks.get(str(point_id), {}), measured.get(point_id, {}))
        for point_id, title in titles.items()
    ]


def _measured_on(desk: str) -> tuple[int | None, dict[int, Mapping[str, Any]]]:
    """Return the photo that gives a desk its frame, and what was measured at each point."""
    try:
        laid = DESKS.get(desk)
    except KeyError:
        return None, {}
    return laid.frame_photo, {point["id"]: point for point in laid.points}


def _title_elsewhere(library: Library, point_id: int) -> str | None:
    """Name a point that is not drawn for the design on the desk, or no longer."""
    try:
        point = library.points.get(point_id)
    except RecordNotFound:
        return None
    return f"{point.title} ({point.edition}, {taken(point.view, point.lighting)})"


def _with_mark(
    point_id: int, title: str, told: Mapping[str, Any], measured: Mapping[str, Any]
) -> PointMark:
    mark = told.get("mark")
    return PointMark(
        point_id,
        title,
        Mark(mark) if mark in set(Mark) else None,
        str(told.get("note", "")),
        measured.get("figure"),
        str(measured.get("figure_says", "")),
    )


def _keep(photo: str) -> None:
    sent = (st.session_state.get(_key(photo)) or {}).get("marks")
    if isinstance(sent, dict):
        keep_marks(photo, sent)


def _key(photo: str) -> str:
    return f"points-{photo[:16]}"


def _pane(match: MatchReport | None, standing: str) -> dict[str, Any]:
    word = STANDING[standing].lower()
    pane = {"standing": standing, "short": f"Nearest {word}"}
    if match is None:
        return {**pane, "layer": None, "facts": ""}
    facts = f"{match.specimen}, {taken(match.view, match.lighting)}"
    return {**pane, "layer": key_of(match.photo_id), "facts": facts}
