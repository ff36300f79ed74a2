"""An examination as a printed record: what was found first, then everything it rests on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from loupebook.errors import PhotoError
from loupebook.evidence.reading import PARAGRAPH
from loupebook.imaging import decode_photo
from loupebook.records.examinations import ExaminationRecord
from loupebook.records.model import SetInfo
from loupebook.sheets.measured import (
    BEYOND,
    BEYOND_MEANS,
    beyond_words,
    figure_words,
    finding_words,
    limit_words,
    measured_title,
    result_words,
    strength_paragraphs,
)
from loupebook.sheets.paper import Paper, Size, column_width, magnification_for, magnification_words
from loupebook.sheets.plan import Place, Plate, SheetPoint
from loupebook.sheets.recorded import (
    GIVEN_OUT,
    MAP_MEANS,
    RANKED_BY,
    bearing_of,
    compared_reference,
    likeness_words,
    marked_word,
    places_words,
    serial_rows,
    telling_map,
)
from loupebook.sheets.setting import Layout, page_data, set_plate
from loupebook.sheets.typeset import typeset
from loupebook.sheets.words import STANDING_WORDS, printable

_DPI, _QUALITY = 300.0, 90
_QUERY = Size(100.0, 66.0)
_OWN = Size(62.0, 46.0)
_ALIGNED_MM = 62.0
_CROP_MM = 30.0
_WITH_SIGNATURE = 8
"""Rows of the list of images that are never torn from the lines to sign on."""
MARK_SIGNS = {"agrees": "= agrees", "differs": "≠ differs", "cannot tell": "? cannot tell"}
_LENGTHS = "on the reference"
"""Where every scale of a record comes from: that of the photo in question is not known."""
FITTED_MEANS = (
    "Lengths are the reference's: the photo was fitted to it and its own scale is not known, so a "
    "print a few per cent too small or too large measures the same."
)
LETTERS = "ABCDEFGH"
"""Of the references; the item is always the one in question."""
_SEVERITIES = {"fail": "Grave fault", "warn": "Fault", "info": "Note"}
_SHAPES = {"genuine": "○ genuine", "fake": "◆ fake"}

Pictures = dict[str, bytes]


def make_record(
    record: ExaminationRecord,
    images: Mapping[str, bytes],
    info: SetInfo,
    *,
    faults: Sequence[str] = (),
    paper: Paper = Paper.A4,
    made_at: datetime | None = None,
) -> bytes:
    """Set an examination as a PDF.

    Parameters
    ----------
    record : ExaminationRecord
        As it was saved.
    images : mapping
        SHA-256 to bytes of every image that is at hand and sound.
    info : SetInfo
        The set.
    faults : sequence of str
        Images that are missing or altered; printed at the head.
    paper : Paper
        What it is printed on.
    made_at : datetime, optional
        When it is printed; now by default.

    Raises
    ------
    SheetInvalid
        If the pages cannot be set.
    """
    document = record.document
    instant = made_at or datetime.now(UTC)
    pictures: Pictures = {}
    uv = any(one["lighting"] == "uv-a" for one in document["references"])
    data = {
        **page_data(
            "Examination record",
            f"No. {record.number}, revision {record.revision}: {record.title}",
            paper, info, instant, uv=uv,
        ),
        "about": printable(
            f"Examination {record.number}, revision {record.revision} · record SHA-256 "
            f"{record.sha256} · printed {instant:%Y-%m-%d %H:%M} UTC"
        ),
        "faults": [printable(fault) for fault in faults],
        "facts": [[label, printable(value)] for label, value in _facts(record)],
        "query": _query(document, images, pictures),
        "references": [
            _reference(number, one, document, images, pictures, paper)
            for number, one in enumerate(document["comparisons"])
        ],
        "marks": [_mark(one, document, images, pictures) for one in document["marks"]],
        "notes": printable(document["notes"]) or "None.",
        "reading": _reading(document["answer"]["reading"]),
        "matches": [
            [
                str(one["rank"]), printable(one["specimen"]), _SHAPES[one["standing"]],
                printable(one["edition"] or "not recorded"), places_words(one),
                likeness_words(one),
            ]
            for one in document["answer"]["matches"]
        ],
        "ranked_by": RANKED_BY,
        "photo_check": [
            printable(words) for words in _photo_check(document["answer"]["photo_check"])
        ],
        "serials": [
            [printable(label), printable(words)] for label, words in serial_rows(document) or ()
        ],
        "given_out": GIVEN_OUT,
        "images": [
            [printable(one["what"]), one["sha256"], "" if one["sha256"] in images else "MISSING"]
            for one in document["images"]
        ],
        "own_width": _OWN.width,
        "with_signature": _WITH_SIGNATURE,
    }  # fmt: skip
    return typeset("record", data, pictures, made_at=instant)[0]


def _facts(record: ExaminationRecord) -> list[tuple[str, str]]:
    document = record.document
    examined, held, made = document["examined"], document["set"], document["made_with"]
    filters = [f"{name} {value}" for name, value in document["asked"]["filters"].items() if value]
    part = "the whole photo"
    if document["asked"]["corners"] or document["asked"]["box"]:
        part = "a part of the photo, as shown"
    earlier = document.get("supplements")
    return [
        ("Item", examined["title"]),
        ("Examined by", record.by),
        ("Saved", record.at),
        ("Photo", f"{examined['file_name']}, {examined['width']} × {examined['height']} px"),
        ("SHA-256 of the photo", examined["sha256"]),
        ("Searched", f"{part}; among {', '.join(filters) or 'all references'}"),
        ("Set", f"{held['name']}, version {held['version']}, {held['photos']} photos"),
        ("SHA-256 over its photos", held["holds"]),
        ("Encoder", f"{made['encoder']} (fingerprint {made['fingerprint']})"),
        ("Program", f"Loupebook {made['loupebook']}"),
        *(
            [
                (
                    "Supplements",
                    f"revision {earlier['revision']}, SHA-256 {earlier['sha256']}",
                )
            ]
            if earlier
            else []
        ),
    ]


def _photo_check(check: Mapping[str, Any]) -> list[str]:
    """Return what the photo check found as sentences, the gravest first."""
    found = [
        f"{_SEVERITIES[one['severity']]}: {one['message']} {one['advice']}".strip()
        for one in check.get("findings", ())
    ]
    if not found:
        return ["Nothing to object to."]
    poor = any(one["severity"] == "fail" for one in check["findings"])
    return [*(["The photo is poor: trust what follows less."] if poor else []), *found]


def _plate(
    images: Mapping[str, bytes],
    sha256: str,
    name: str,
    *,
    px_per_mm: float | None = None,
    **more: Any,
) -> Plate:
    content = images.get(sha256)
    if content is None:
        return Plate(name, missing="This image is missing or was altered.", sha256=sha256)
    try:
        pixels = decode_photo(content).pixels
    except PhotoError as error:
        return Plate(name, missing=str(error), sha256=sha256)
    return Plate(name, pixels, px_per_mm, sha256=sha256, lengths=_LENGTHS, **more)


def _set(
    plates: Sequence[Plate],
    room: Size,
    pictures: Pictures,
    columns: int,
    *,
    fitted: bool = False,
) -> dict[str, Any]:
    sizes = [plate.item_size for plate in plates if plate.item_size is not None]
    magnification = magnification_for(sizes, room)
    layout = Layout(columns, magnification)
    means = f" {FITTED_MEANS}" if fitted else ""
    ratio = magnification_words(magnification)
    return {
        "columns": columns,
        "plates": [set_plate(one, layout, room, pictures, _DPI, _QUALITY) for one in plates],
        "scale": f"Printed at {ratio} against life size, if printed at 100 %.{means}"
        if sizes
        else "The scale is not known; printed to fit.",
    }


def _query(
    document: Mapping[str, Any], images: Mapping[str, bytes], pictures: Pictures
) -> dict[str, Any]:
    plate = _plate(images, document["examined"]["searched"], "The item as photographed")
    return _set([plate], _QUERY, pictures, 1)


def _reference(
    number: int,
    one: Mapping[str, Any],
    document: Mapping[str, Any],
    images: Mapping[str, bytes],
    pictures: Pictures,
    paper: Paper,
) -> dict[str, Any]:
    standing, bearing = one["reference_standing"], bearing_of(document)
    reference = compared_reference(document, one)
    dark = reference["lighting"] == "uv-a"
    own = _plate(
        images, reference["sha256"], reference["specimen"], standing=standing, dark=dark,
        px_per_mm=reference["px_per_mm"], note="the nearest reference, as photographed",
    )  # fmt: skip
    aligned = [
        _plate(
            images, one["pictures"][key], words, px_per_mm=one["px_per_mm"], dark=dark, lines=lines
        )
        for key, words, lines in _aligned(one)
        if key in one["pictures"]
    ]
    room = Size(column_width(paper, 3), _ALIGNED_MM)
    facts = [
        ("Reference", reference["specimen"]),
        ("Standing of the reference", STANDING_WORDS[standing]),
        ("Edition", reference["edition"] or "not recorded"),
        ("Print origin", reference["origin"] or "not recorded"),
        ("Confirmed", _confirmed(reference)),
        ("Compared with", _held(one)),
    ]
    return {
        "heading": f"Reference {LETTERS[number]}: nearest {standing} one",
        "facts": [[label, printable(value)] for label, value in facts],
        "own": _set([own], _OWN, pictures, 1),
        "aligned": _set(aligned, room, pictures, 3, fitted=True),
        "registered": bool(one["registered"]),
        "measured": printable(measured_title(one)),
        "says": printable(finding_words(one, **bearing)),
        "strength": [printable(part) for part in strength_paragraphs(one, **bearing)],
        "measurements": [
            [
                printable(row["name"]),
                [printable(figure_words(row, standing)), limit_words(row)],
                beyond_words(row),
                marked_word(row, bearing),
                printable(result_words(row, standing, **bearing)),
            ]
            for row in one["measurements"]
        ],
        "beyond": BEYOND.capitalize(),
        "beyond_means": printable(BEYOND_MEANS),
    }


def _aligned(one: Mapping[str, Any]) -> list[tuple[str, str, tuple[str, ...]]]:
    """Return the pictures of one frame: key, title and what stands below it."""
    standing = one["reference_standing"]
    shown: list[tuple[str, str, tuple[str, ...]]] = [
        ("query-aligned", "The item, in the frame", ()),
        ("reference-aligned", f"What {standing} ones have in common", (_held(one),)),
    ]
    told = telling_map(one)
    return [*shown, (told.picture, told.title, (MAP_MEANS,))] if told else shown


def _held(one: Mapping[str, Any]) -> str:
    count = one.get("compared_with_photos", 0)
    return f"{one['reference']}, {count} {'photo' if count == 1 else 'photos'}"


def _confirmed(reference: Mapping[str, Any]) -> str:
    said = [reference["confirmed_by"], reference["confirmed_on"], reference["basis"]]
    return ", ".join(part for part in said if part) or "by whom and how is not recorded"


def _mark(
    one: Mapping[str, Any],
    document: Mapping[str, Any],
    images: Mapping[str, bytes],
    pictures: Pictures,
) -> dict[str, Any]:
    crops = []
    for photo_id, place in one["places"]:
        found = next((c for c in document["comparisons"] if c["photo_id"] == photo_id), None)
        if place is None or found is None:
            continue
        point = SheetPoint(1, one["title"], Place(*place))
        for name, words in (("query-aligned", "item"), ("reference-aligned", "genuine")):
            if name in found["pictures"]:
                whole = _plate(images, found["pictures"][name], words, px_per_mm=found["px_per_mm"])
                crops.append(whole.detail(point) if whole.pixels is not None else whole)
    return {
        "title": printable(one["title"]),
        "mark": MARK_SIGNS.get(one["mark"] or "", "not marked"),
        "figure": printable(one["figure_says"]),
        "note": printable(one["note"]),
        "crops": _set(crops, Size(_CROP_MM, _CROP_MM), pictures, 2)["plates"],
    }


def _reading(reading: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "says": [printable(part) for part in reading["says"].split(PARAGRAPH)],
        "needs": [printable(need) for need in reading.get("needs", ())],
        "does_not_say": printable(reading["does_not_say"]),
    }
