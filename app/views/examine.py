"""Examine: a photo in, the nearest known references out, side by side."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from loupebook.errors import CropInvalid, LoupebookError, PhotoError
from parts.agreement import show_agreement
from parts.crop import anew_words, offer_items, outline_of, region_of, remember_outline, show_crop
from parts.current_set import faults_shown, open_set, overview_of, say_empty_set, say_no_set
from parts.desk import DeskPlace
from parts.desk_points import point_marks, show_points
from parts.examinations import offer_saving
from parts.in_work import ANSWER, keep, say_note, take_up
from parts.intake import Handed, decoded, has_photo, offer_photo
from parts.light_table import laid_out, last_chosen, offer_series
from parts.results import (
    offer_downloads,
    say_limits,
    say_looking,
    say_reading,
    show_matches,
)
from parts.searching import (
    choose_filters,
    clear_filters,
    filters_chosen,
    filters_cleared,
    search_kept,
)
from parts.serials import show_serials
from parts.sheet import show_advice
from parts.words import NOT_SAID, POOR, plain

if TYPE_CHECKING:
    from collections.abc import Sequence

    from streamlit.delta_generator import DeltaGenerator

    from loupebook.library import Library, SearchReport
    from parts.desk import Laid

HOW = (
    "**How to photograph it.** Lay the item flat, fill the frame with it and hold the camera "
    "square to it. Even daylight from the side, no flash: glare hides print. Tap on the item to "
    "focus. A photo that is not perfect is searched all the same, with advice. The nearest "
    "genuine and the nearest fake references then appear beside it."
)
HOW_MANY = (10, 20, 50)
HOW_MANY_KEY = "how-many"


def examine() -> None:
    library = open_set()
    if library is None or overview_of(library).specimens == 0:
        st.title("Examine")
        return say_no_set() if library is None else say_empty_set()
    take_up()
    # With an answer to show, what stands above it is kept low.
    head = st.container(key="examine-head")
    if has_photo():
        title, choose = head.columns([1, 3], vertical_alignment="center")
        # In the place of the uploader of the run before, which else stays as long as is searched.
        head.empty()
    else:
        title = choose = head
    title.title("Examine")
    with choose:
        photo = offer_photo()
    say_note()
    if photo is None:
        how, limits = st.columns(2, gap="large")
        how.markdown(HOW)
        limits.markdown(NOT_SAID)
        return None
    return desk(photo)


class Limits:
    """The box of filters, filled once a run.

    What nobody sees must not hold up what is looked for: a closed box is filled when the answer
    has been seen, unless the browser must learn that its filters were cleared.
    """

    def __init__(self, library: Library) -> None:
        self._library = library
        self._filled = False
        self._box = st.expander(
            "Limit the search", icon=":material/filter_alt:", key="limit-box", on_change="rerun"
        )
        if self._box.open or filters_cleared():
            self.fill()

    def fill(self) -> None:
        """Draw what is in the box, if that was not done yet."""
        if self._filled:
            return
        self._filled = True
        with self._box:
            choose_filters(self._library)
            st.session_state.setdefault(HOW_MANY_KEY, HOW_MANY[0])
            st.segmented_control("How many", HOW_MANY, key=HOW_MANY_KEY, persist_state="session")


@st.fragment
def desk(photo: Handed) -> None:
    """Answer, crop, filters and advice: a change here reruns nothing else on the page."""
    with faults_shown():
        library = open_set()
        if library is None:
            return
        region = region_of(photo.sha256)
        top, work, below = st.container(), st.empty(), st.container()
        with work.container():
            items = st.container()
            crop = st.expander(
                "Correct the outline", icon=":material/crop:", key="crop-box", on_change="rerun"
            )
            limits = Limits(library)
            advice = st.container()
        filters, k = filters_chosen(library), st.session_state.get(HOW_MANY_KEY) or HOW_MANY[0]

        # Emptied only now: whatever is drawn in between would take the desk off the page.
        with top:
            under_way, said, place = st.container(), st.empty(), DeskPlace()

        def look() -> None:
            """Build the desk in the browser while the photo is decoded and searched for."""
            with said:
                say_looking()
            place.show_awaited()
            # In a closed box nobody sees it: it then waits until the answer is seen.
            if crop.open:
                show_outline(place.awaited)

        def show_outline(follow: str | None = None) -> None:
            with crop:
                pixels = decoded(photo).pixels
                show_crop(pixels, photo.sha256, outline_of(photo.sha256), follow)

        try:
            with under_way:
                report = search_kept(
                    library,
                    photo,
                    region=region,
                    filters=filters,
                    k=k,
                    place=ANSWER,
                    before=look,
                )
        except CropInvalid as error:
            place.clear()
            said.empty()
            limits.fill()
            st.error(plain(str(error)), icon=":material/crop:")
            return
        except PhotoError as error:
            place.clear()
            said.empty()
            work.empty()
            st.error(plain(str(error)), icon=":material/broken_image:")
            st.markdown(
                "Nothing was searched. Choose another file, or save this one as JPEG or PNG."
            )
            return
        except LoupebookError:
            place.clear()
            said.empty()
            limits.fill()
            raise
        remember_outline(photo.sha256, region, report)
        pixels = decoded(photo).pixels
        try:
            with below:
                key = show_answer(library, report, photo.sha256, said, place)
                keep(photo, k)
                if key is not None:
                    show_matches(library, report)
                    offer_saving(
                        library, report, photo, region=region, filters=filters, k=k,
                        size=pixels.shape[1::-1], marks=point_marks(library, key, photo.sha256),
                    )  # fmt: skip
                    offer_downloads(report)
                say_limits(report)
        finally:
            limits.fill()
        if place.awaited is None or not crop.open:
            show_outline()
        with items:
            offer_items(report, photo.sha256, pixels)
        with advice:
            show_advice(report.photo_check, key="query-advice", poor=POOR)


def show_answer(
    library: Library,
    report: SearchReport,
    photo: str,
    said: DeltaGenerator,
    place: DeskPlace,
) -> str | None:
    """Show the answer; return the key of the desk that it lies on, if there is one."""
    key = None
    if not report.matches:
        place.clear()
        said.empty()
        st.warning(plain(report.empty_reason or "Nothing was found."))
        st.button("Clear all filters", on_click=clear_filters)
    else:
        with said:
            say_reading(report, anew=anew_words(photo, report))
        more = laid_out(library, report)
        key = place.show(library, report, more, outline_of(photo))
        offer_series(library, report)
        show_points(library, report, key, photo)
        show_serials(library, report, photo, _on_desk(report, more))
        show_agreement(library, report, last_chosen(report))
    return key


def _on_desk(report: SearchReport, more: Sequence[Laid]) -> list[str]:
    """Return the specimens on the desk, the nearest first."""
    nearest = [one.specimen for one in (report.nearest_genuine, report.nearest_fake) if one]
    return [*nearest, *(one.specimen for one in more)]


examine()
