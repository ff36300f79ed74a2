"""The comparison desk on a page: query and references side by side, aligned, measured.

The pictures and the state of the alignment come from ``desk_server``; the page only says
what lies on the desk, so that it need not run again when something gets ready.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import streamlit as st

from loupebook.library import MOST_REFERENCES, Standing, key_of
from parts.component import web_component
from parts.desk_store import DESKS, FIRST_PICTURES_S
from parts.viewer import GLASS
from parts.words import CAUTION, STANDING, UV_CAUTION, design, found_by, nearness, size, taken

if TYPE_CHECKING:
    from collections.abc import Sequence

    from loupebook.library import Library, MatchReport, SearchReport

_mount = web_component("desk", *GLASS, "desk_follow", "desk_ink", "desk_words")

NOT_ITS_DESIGN = (
    "It is open whether your photo shows the design of these references at all. Look at wording "
    "and emblems first: as long as these differ, a measurement that agrees says nothing."
)
NOTHING_CLOSE = (
    "Nothing that was found is close: these references are most likely of another design. What "
    "is measured against them says nothing about whether your item is a copy."
)
DESK = "desk-key"
AWAITED = "desk-awaited"
LEFT = "desks-left"
MOST_CHOSEN = MOST_REFERENCES - 2
WORDS = {
    "looking": "Your photo and the nearest references come here.",
    "aligning": "Laying your photo over the nearest references… Until then they show as "
    "photographed.",
    "gone": "This comparison was put away, since others needed the memory. "
    "Search again to lay it out anew.",
}


@dataclass(frozen=True)
class Laid:
    """A reference photo and the place it takes on the desk.

    Parameters
    ----------
    key : str
        Name of its pane.
    heading, short : str
        What it is, over the caption and on a button.
    specimen : str
        Whose photo it is.
    photo_id : int
        Which.
    facts : tuple of str
        What the caption says beside the way it was taken.
    series : bool
        Whether it is one of several photos of its specimen that were laid out together.
    """

    key: str
    heading: str
    short: str
    specimen: str
    photo_id: int
    facts: tuple[str, ...] = ()
    series: bool = False

    @classmethod
    def of_match(cls, match: MatchReport, key: str, heading: str, encoder: str) -> Laid:
        """Lay a match of a search."""
        likeness = f"{nearness(match)}, encoder {encoder}"
        short = heading if key.startswith("nearest") else f"Rank {match.rank}"
        return cls(key, heading, short, match.specimen, match.photo_id, (likeness, found_by(match)))


class DeskPlace:
    """The desk's place on the page, which it keeps when what comes after it changes."""

    def __init__(self) -> None:
        self._slot = st.empty()
        self._awaited: str | None = None

    @property
    def awaited(self) -> str | None:
        """Address of the desk that was shown empty by this run of the page."""
        return None if self._awaited is None else _base(self._awaited)

    def show_awaited(self) -> None:
        """Show an empty desk while the answer is looked for."""
        with self._slot.container():
            self._awaited = show_desk_awaited()

    def show(
        self,
        library: Library,
        report: SearchReport,
        more: Sequence[Laid],
        found: Sequence[tuple[float, float]] | None,
    ) -> str:
        """Show the answer; return the key of the desk.

        Parameters
        ----------
        library : Library
            The open set.
        report : SearchReport
            The answer on show.
        more : sequence of Laid
            Up to four more references.
        found : sequence of (x, y), optional
            Outline of the item, fractions of the photo, for whoever follows the desk.
        """
        if self._awaited is not None:
            lay_awaited(self._awaited, library, report, more, found)
            return self._awaited
        with self._slot.container():
            return show_desk(library, report, more)

    def clear(self) -> None:
        """Show no desk, since there is nothing to lay on it."""
        self._slot.empty()


def show_desk_awaited() -> str:
    """Show an empty desk while the answer is looked for; return its key.

    The browser builds it meanwhile. What then lies on it comes to it by itself, so that the
    nearest references are seen before the rest of the page is ready.
    """
    key = DESKS.reserve()
    panes = [
        _awaited_pane("query", "query", "Your photo"),
        *(
            _awaited_pane(f"nearest-{word.lower()}", str(standing), f"Nearest {word.lower()}")
            for standing, word in STANDING.items()
        ),
    ]
    _mount_desk(key, panes, None, footnote="", doubt="", awaited=True)
    _leave_kept()
    st.session_state[AWAITED] = key
    return key


def _awaited_pane(name: str, standing: str, heading: str) -> dict[str, Any]:
    return {
        "key": name,
        "standing": standing,
        "heading": heading,
        "short": heading,
        "missing": "…",
        "alt": f"{heading}: being looked for",
    }


def show_desk(library: Library, report: SearchReport, more: Sequence[Laid]) -> str:
    """Show the query beside the nearest genuine, the nearest fake and what else was chosen.

    Parameters
    ----------
    library : Library
        The open set.
    report : SearchReport
        The answer on show.
    more : sequence of Laid
        Up to four more references.

    Returns
    -------
    str
        The key of the desk.
    """
    on_it, key = st.session_state.get(DESK) or (None, "")
    if on_it is not report or not _is_there(key):
        _leave_kept()
        key = DESKS.reserve()
        DESKS.lay(key, library, report, None)
        st.session_state[DESK] = (report, key)
    DESKS.show(key, [one.photo_id for one in more])
    panes = _panes(library, report, more, _base(key))
    _mount_desk(key, panes, _beside(more), footnote=_footnote(report), doubt=_doubt(report))
    _put_away_left()
    return key


def lay_awaited(
    key: str,
    library: Library,
    report: SearchReport,
    more: Sequence[Laid],
    found: Sequence[tuple[float, float]] | None,
) -> None:
    """Lay an answer on the desk that the page already shows, and let it be seen first."""
    told = {
        "panes": _panes(library, report, more, _base(key)),
        "beside": _beside(more),
        "footnote": _footnote(report),
        "doubt": _doubt(report),
        "found": found,
    }
    desk = DESKS.lay(key, library, report, told)
    st.session_state[DESK] = (report, key)
    DESKS.show(key, [one.photo_id for one in more])
    _put_away_left()
    desk.wait_until_seen(FIRST_PICTURES_S)


def _leave_kept() -> None:
    """Have done with the desk on show, which the page may still ask for until it shows another."""
    _, laid = st.session_state.pop(DESK, None) or (None, None)
    # A run that was cut off leaves an empty desk behind.
    left = [key for key in (laid, st.session_state.pop(AWAITED, None)) if key is not None]
    st.session_state[LEFT] = [*st.session_state.get(LEFT, []), *left]


def _put_away_left() -> None:
    for key in st.session_state.pop(LEFT, []):
        DESKS.drop(key)


def _is_there(key: str) -> bool:
    try:
        DESKS.get(key)
    except KeyError:
        return False
    return True


def _base(key: str) -> str:
    return f"/desk/{key}/"


def _beside(more: Sequence[Laid]) -> str | None:
    return more[-1].key if more else None


def _footnote(report: SearchReport) -> str:
    return f"{report.set} · {report.encoder} · {CAUTION}"


def _doubt(report: SearchReport) -> str:
    """Say what measurements are worth where it is open whether this is the design at all."""
    return {True: "", False: NOTHING_CLOSE, None: NOT_ITS_DESIGN}[report.reading["close_reference"]]


def _mount_desk(
    key: str,
    panes: Sequence[dict[str, Any]],
    beside: str | None,
    *,
    footnote: str,
    doubt: str,
    awaited: bool = False,
) -> None:
    _mount(
        key="comparison",
        data={
            "label": "Your photo beside the nearest references",
            "base": _base(key),
            "panes": list(panes),
            "words": WORDS,
            "footnote": footnote,
            "caution": CAUTION,
            "doubt": doubt,
            "beside": beside,
            "awaited": awaited,
        },
    )


def _panes(
    library: Library, report: SearchReport, more: Sequence[Laid], base: str
) -> list[dict[str, Any]]:
    panes = [_query_pane(report, base)]
    for standing, match in (
        (Standing.GENUINE, report.nearest_genuine),
        (Standing.FAKE, report.nearest_fake),
    ):
        word = STANDING[standing].lower()
        if match is None:
            panes.append(_missing_pane(standing, word))
        else:
            laid = Laid.of_match(match, f"nearest-{word}", f"Nearest {word}", report.encoder)
            panes.append(_reference_pane(library, laid, base))
    return panes + [_reference_pane(library, one, base) for one in more]


def _query_pane(report: SearchReport, base: str) -> dict[str, Any]:
    height, width = report.query_pixels.shape[:2]
    return {
        "key": "query",
        "layer": "query",
        "base": base,
        "standing": "query",
        "heading": "Your photo",
        "short": "Your photo",
        "name": report.photo,
        "facts": ["standing not known", f"{width} × {height} px as searched"],
        "width": width,
        "height": height,
        "alt": f"Your photo {report.photo}",
    }


def _reference_pane(library: Library, laid: Laid, base: str) -> dict[str, Any]:
    photo = library.photo(laid.photo_id)
    specimen = library.specimen(laid.specimen)
    uv = photo.lighting == "uv-a"
    return {
        "key": laid.key,
        "layer": key_of(laid.photo_id),
        "base": base,
        "standing": str(specimen.standing),
        "heading": laid.heading,
        "short": laid.short,
        "name": laid.specimen,
        "facts": [
            design(specimen.marque, specimen.edition),
            f"{specimen.element}, {taken(photo.view, photo.lighting)}",
            size(photo),
            *laid.facts,
        ],
        "width": photo.width,
        "height": photo.height,
        "px_per_mm": photo.px_per_mm,
        "alt": f"{laid.heading}: specimen {laid.specimen}",
        "series": laid.series,
        "dark": uv,
        "cautions": [UV_CAUTION] if uv else [],
    }


def _missing_pane(standing: Standing, word: str) -> dict[str, Any]:
    return {
        "key": f"nearest-{word}",
        "standing": str(standing),
        "heading": f"Nearest {word}",
        "short": f"Nearest {word}",
        "missing": f"No {word} reference within these filters. "
        "Without one there is nothing to hold the other against.",
        "alt": f"No {word} reference within these filters",
    }
