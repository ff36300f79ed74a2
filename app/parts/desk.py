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
from parts.desk_store import DESKS
from parts.viewer import GLASS
from parts.words import CAUTION, STANDING, UV_CAUTION, design, found_by, nearness, size, taken

if TYPE_CHECKING:
    from collections.abc import Sequence

    from loupebook.library import Library, MatchReport, SearchReport

_mount = web_component("desk", *GLASS, "desk_follow", "desk_ink", "desk_words")

DESK = "desk-key"
MOST_CHOSEN = MOST_REFERENCES - 2
WORDS = {
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
        similarity = f"{nearness(match.similarity)}, encoder {encoder}"
        short = heading if key.startswith("nearest") else f"Rank {match.rank}"
        return cls(
            key, heading, short, match.specimen, match.photo_id, (similarity, found_by(match))
        )


def desk_key(library: Library, report: SearchReport) -> str:
    """Return the key of the desk on which an answer lies, laying it out at first."""
    kept = st.session_state.get(DESK)
    if kept is not None and kept[0] is report:
        try:
            DESKS.get(kept[1])
        except KeyError:
            pass
        else:
            return kept[1]
    if kept is not None:
        DESKS.drop(kept[1])
    key = DESKS.open(library, report)
    st.session_state[DESK] = (report, key)
    return key


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
    key = desk_key(library, report)
    DESKS.show(key, [one.photo_id for one in more])
    base = f"/desk/{key}/"
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
    panes += [_reference_pane(library, one, base) for one in more]
    _mount(
        key="comparison",
        data={
            "label": "Your photo beside the nearest references",
            "base": base,
            "panes": panes,
            "words": WORDS,
            "footnote": f"{report.set} · {report.encoder} · {CAUTION}",
            "caution": CAUTION,
            "beside": more[-1].key if more else None,
        },
    )
    return key


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
