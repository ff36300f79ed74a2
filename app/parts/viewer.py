"""The viewer: query and references under one glass, zoom and pan locked together."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from loupebook.library import Standing
from parts.component import web_component
from parts.pictures import served_pixels, served_reference
from parts.words import CAUTION, STANDING, UV_CAUTION, design, found_by, size, taken

GLASS = ("view", "layer", "glass", "saving")
"""Scripts that the viewer and the desk are both built on."""

if TYPE_CHECKING:
    from loupebook.library import Library, MatchReport, PhotoRecord, SearchReport

_mount = web_component("viewer", *GLASS)


@dataclass(frozen=True)
class Reference:
    """A match and the place it takes in the viewer."""

    key: str
    heading: str
    short: str
    match: MatchReport


def show_comparison(library: Library, report: SearchReport, chosen: MatchReport | None) -> None:
    """Show the query beside the nearest genuine, the nearest fake and a chosen match."""
    panes = [_query_pane(report)]
    for standing, match in (
        (Standing.GENUINE, report.nearest_genuine),
        (Standing.FAKE, report.nearest_fake),
    ):
        word = STANDING[standing].lower()
        if match is None:
            panes.append(_missing_pane(standing, word))
        else:
            reference = Reference(f"nearest-{word}", f"Nearest {word}", f"Nearest {word}", match)
            panes.append(_match_pane(library, report, reference))
    if chosen is not None:
        word = STANDING[chosen.standing].lower()
        reference = Reference(
            "chosen", f"Rank {chosen.rank}, {word}", f"Rank {chosen.rank}", chosen
        )
        panes.append(_match_pane(library, report, reference))
    _mount(
        key="comparison",
        data={
            "label": "Your photo beside the nearest references",
            "panes": panes,
            "footnote": f"{report.set} · {report.encoder} · {CAUTION}",
            "beside": "chosen" if chosen is not None else None,
        },
    )


def show_photo(library: Library, photo: PhotoRecord) -> None:
    """Show one reference photo by itself."""
    specimen = library.specimen(photo.specimen)
    pane = {
        "key": "photo",
        "standing": str(specimen.standing),
        "heading": STANDING[specimen.standing],
        "short": STANDING[specimen.standing],
        "name": photo.file_name,
        "facts": [taken(photo.view, photo.lighting), size(photo)],
        "url": served_reference(library, photo.photo_id, "viewer-photo"),
        "width": photo.width,
        "height": photo.height,
        "alt": f"Photo {photo.file_name} of specimen {photo.specimen}",
        "dark": photo.lighting == "uv-a",
        "cautions": [UV_CAUTION] if photo.lighting == "uv-a" else [],
    }
    footnote = f"{library.info().name} · {photo.specimen} · {CAUTION}"
    _mount(
        key="one-photo",
        data={"label": "Photo of the specimen", "panes": [pane], "footnote": footnote},
    )


def _query_pane(report: SearchReport) -> dict[str, Any]:
    height, width = report.query_pixels.shape[:2]
    return {
        "key": "query",
        "standing": "query",
        "heading": "Your photo",
        "short": "Your photo",
        "name": report.photo,
        "facts": ["standing not known", f"{width} × {height} px as searched"],
        "url": served_pixels(report.query_pixels, "viewer-query"),
        "width": width,
        "height": height,
        "alt": f"Your photo {report.photo}",
    }


def _match_pane(library: Library, report: SearchReport, reference: Reference) -> dict[str, Any]:
    match = reference.match
    photo = library.photo(match.photo_id)
    uv = match.lighting == "uv-a"
    return {
        "key": reference.key,
        "standing": str(match.standing),
        "heading": reference.heading,
        "short": reference.short,
        "name": match.specimen,
        "facts": [
            design(match.marque, match.edition),
            f"{match.element}, {taken(match.view, match.lighting)}",
            size(photo),
            f"Similarity {match.similarity:.3f} by {report.encoder}",
            found_by(match),
        ],
        "url": served_reference(library, match.photo_id, f"viewer-{reference.key}"),
        "width": photo.width,
        "height": photo.height,
        "alt": f"{reference.heading}: specimen {match.specimen}",
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
