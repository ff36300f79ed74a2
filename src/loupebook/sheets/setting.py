"""From a plan to pages: magnification, columns, pictures at print resolution, captions."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from loupebook.errors import SheetInvalid
from loupebook.evidence.cautions import cautions
from loupebook.imaging import encode_jpeg, resize_to_fit
from loupebook.records.model import SetInfo
from loupebook.sheets.definition import SheetDefinition
from loupebook.sheets.paper import (
    GUTTER_MM,
    MM_PER_INCH,
    PRINT_DPI,
    SIZES,
    Paper,
    Size,
    bar_length,
    column_width,
    magnification_for,
    magnification_words,
    type_area,
)
from loupebook.sheets.plan import IN_THE_FRAME, Plan, Plate, Section
from loupebook.sheets.typeset import Form, typeset
from loupebook.sheets.words import STANDING_WORDS, printable

MOST_BYTES = 10_000_000
"""A sheet is never larger."""
_ROOM_FOR_TEXT = 400_000
_CAPTION_MM = 26.0
_BESIDE_MM = 50.0
"""What a caption beside a picture takes."""
_BAR_MM = 13.0
_HEAD_MM = 34.0
"""What title and remarks take of the first page."""
_CARD = Size(90.0, 62.0)
_CARD_PICTURES = (
    (1, Size(84.0, 30.0)),
    (4, Size(84.0, 25.0)),
    (7, Size(84.0, 20.0)),
    (None, Size(84.0, 16.0)),
)
"""What a picture on a card may take, by how many lines at most are said below it."""
_CARD_ASKED = Size(84.0, 25.0)
_CARD_LINE = 85
"""Characters that such a line holds."""
_CARD_CAUTION = (
    "This card compares. Good copies lie near too; it proves nothing. Ask the rights holder and a "
    "qualified examiner."
)
_CARD_UV = "UV-A lamps harm eyes and skin: never look into one, wear UV-blocking glasses."
FRAME_MEANS = (
    "Lengths in the frame are those of the photo that gave it; the others were fitted to it, so a "
    "print a few per cent too small or too large measures the same."
)
_QUALITIES = ((300.0, 92), (300.0, 85), (250.0, 78), (200.0, 70), (150.0, 60))
"""Resolution (dpi) and JPEG quality, tried in turn until a sheet is small enough."""


@dataclass(frozen=True)
class Layout:
    """How one section is laid out: columns, and how much larger than life it is printed."""

    columns: int
    magnification: float


@dataclass(frozen=True, eq=False)
class MadeSheet:
    """A sheet as it was set.

    Parameters
    ----------
    files : tuple of bytes
        One PDF, or one PNG a page.
    form : str
        ``pdf`` or ``png``.
    made_from : tuple of str
        SHA-256 of the photos shown.
    said : str
        Digest of what the set says of them; see :attr:`loupebook.sheets.plan.Plan.said`.
    remarks : tuple of str
        What could not be shown as asked.
    """

    files: tuple[bytes, ...]
    form: Form
    made_from: tuple[str, ...]
    said: str
    remarks: tuple[str, ...]


def make_sheet(
    plan: Plan,
    definition: SheetDefinition,
    info: SetInfo,
    *,
    form: Form = "pdf",
    dpi: float = PRINT_DPI,
    made_at: datetime | None = None,
) -> MadeSheet:
    """Set a plan.

    Parameters
    ----------
    plan : Plan
        What is shown.
    definition : SheetDefinition
        What was asked for: paper and scale are taken from it.
    info : SetInfo
        The set, named on every page.
    form : ``"pdf"`` or ``"png"``
        What to make.
    dpi : float
        Of PNG pages; less makes a preview.
    made_at : datetime, optional
        Shown on every page; now by default.

    Raises
    ------
    SheetInvalid
        If the item does not fit the paper at the scale asked for.
    """
    instant = made_at or datetime.now(UTC)
    layouts = lay_out(plan, definition)
    rooms = (
        [card_picture(card) for card in _cards(plan)]
        if plan.card
        else [_column(layout, definition.paper) for layout in layouts]
    )
    for most_dpi, quality in _QUALITIES:
        pictures: dict[str, bytes] = {}
        sections = [
            _section(section, layout, room, pictures, most_dpi, quality, plan.card)
            for section, layout, room in zip(plan.sections, layouts, rooms, strict=True)
        ]
        if sum(map(len, pictures.values())) <= MOST_BYTES - _ROOM_FOR_TEXT:
            break
    data = {
        **page_data(plan.title, plan.subtitle, definition.paper, info, instant, uv=plan.shows_uv),
        "trim": True,
        "remarks": [printable(one) for one in (definition.note, *plan.remarks) if one],
        "sections": sections,
        "points": [
            {
                "number": point.number, "name": printable(point.name),
                "genuine": printable(point.genuine), "copies": printable(point.copies),
            }
            for point in plan.points
        ],
        "photos": _photos(plan.plates),
        "card": {"width": _CARD.width, "height": _CARD.height},
        "card_caution": _CARD_CAUTION,
        "card_uv": _CARD_UV if plan.shows_uv else "",
    }  # fmt: skip
    template = "pocket" if plan.card else "sheet"
    files = typeset(template, data, pictures, form=form, dpi=dpi, made_at=instant)
    return MadeSheet(tuple(files), form, plan.made_from, plan.said, plan.remarks)


def page_data(
    title: str, subtitle: str, paper: Paper, info: SetInfo, instant: datetime, *, uv: bool
) -> dict[str, Any]:
    """Return what every kind of page needs: head, foot and cautions."""
    size = SIZES[paper]
    shown = instant.strftime("%Y-%m-%d %H:%M UTC")
    return {
        "title": printable(title),
        "subtitle": printable(subtitle),
        "paper": {"width": size.width, "height": size.height},
        "notice": printable(info.notice) if info.notice else None,
        "keywords": [printable(info.notice)] if info.notice else [],
        "cautions": cautions(uv=uv),
        "about": printable(
            f"Loupebook · set {info.name}, version {info.change_counter} · made {shown}"
        ),
        "trim": False,
    }


def lay_out(plan: Plan, definition: SheetDefinition) -> list[Layout]:
    """Choose columns and magnification: one for all whole items, one for each detail."""
    if plan.card:
        return [_card_layout(card, definition.scale) for card in _cards(plan)]
    main = [section for section in plan.sections if section.columns is None]
    whole = _main_layout(main, definition)
    largest = max((size.width for size in sizes_of(main)), default=0.0)
    return [
        whole if section.columns is None else _beside(section, whole, largest, definition.paper)
        for section in plan.sections
    ]


def _cards(plan: Plan) -> list[Sequence[Section]]:
    """Return, for each section of cards, both sides of its card."""
    return [plan.sections[k - k % 2 : k - k % 2 + 2] for k in range(len(plan.sections))]


def _card_layout(card: Sequence[Section], scale: float | None) -> Layout:
    if scale is None:
        return Layout(1, magnification_for(sizes_of(card), card_picture(card)))
    # Whoever asks for a scale may have smaller words for it, but not none.
    room = max(card_picture(card), _CARD_ASKED, key=lambda size: size.height)
    _must_fit(card, scale, room, "a card")
    return Layout(1, scale)


def card_picture(card: Sequence[Section]) -> Size:
    """Return what the pictures of a card may take: less where much is said below them."""
    lines = max(
        sum(math.ceil(len(words) / _CARD_LINE) for words in side.text.split("\n")) for side in card
    )
    return next(size for most, size in _CARD_PICTURES if most is None or lines <= most)


def _column(layout: Layout, paper: Paper) -> Size:
    return Size(column_width(paper, layout.columns), type_area(paper).height / 2)


def _beside(section: Section, whole: Layout, largest: float, paper: Paper) -> Layout:
    """Lay out a detail, larger than the whole; what is no detail takes the least room."""
    small, large = (_layout([section], 2, paper, rows=rows) for rows in (3, 2))
    is_detail = max((size.width for size in sizes_of([section])), default=largest) < largest
    return large if is_detail and small.magnification <= whole.magnification else small


def _main_layout(sections: Sequence[Section], definition: SheetDefinition) -> Layout:
    most = max((len(section.plates) for section in sections), default=1)
    if definition.scale is not None:
        return _asked(sections, definition.paper, definition.scale)
    if most <= 2 and len(sections) == 1:
        both = [_layout(sections, count, definition.paper, rows=3 - count) for count in (1, 2)]
        return max(both, key=lambda one: (one.magnification, one.columns))
    most_columns = 2 if most <= 6 else 3 if most <= 12 else 4
    tried = [
        _layout(sections, columns, definition.paper, rows=2 if columns < 3 else 3)
        for columns in range(most_columns, 0, -1)
    ]
    # Long items stand below each other rather than smaller than life.
    return next((one for one in tried if one.magnification >= 1), tried[-1])


def _layout(sections: Sequence[Section], columns: int, paper: Paper, *, rows: int) -> Layout:
    area = type_area(paper)
    height = (area.height - _HEAD_MM) / rows
    room = Size(column_width(paper, columns), height - _CAPTION_MM)
    below = magnification_for(sizes_of(sections), room)
    if columns > 1:
        return Layout(columns, below)
    beside = magnification_for(sizes_of(sections), Size(area.width - _BESIDE_MM, height - _BAR_MM))
    return Layout(columns, max(below, beside))


def _asked(sections: Sequence[Section], paper: Paper, scale: float) -> Layout:
    area = type_area(paper)
    room = Size(area.width, area.height - _CAPTION_MM)
    widest = _must_fit(sections, scale, room, "the paper")
    fitting = (area.width + GUTTER_MM) // (widest + GUTTER_MM) if widest else 2
    return Layout(int(min(4, max(1, fitting))), scale)


def _must_fit(sections: Iterable[Section], scale: float, room: Size, what: str) -> float:
    """Refuse a scale at which a picture is larger than its room; return the widest, mm."""
    sizes = sizes_of(sections)
    widest = max((size.width for size in sizes), default=0.0) * scale
    tallest = max((size.height for size in sizes), default=0.0) * scale
    if widest > room.width or tallest > room.height:
        raise SheetInvalid(
            f"At {magnification_words(scale)} a picture is {widest:.0f} × {tallest:.0f} mm; "
            f"{what} has room for {room.width:.0f} × {room.height:.0f} mm. "
            "Choose a smaller scale."
        )
    return widest


def sizes_of(sections: Iterable[Section]) -> list[Size]:
    """Return the sizes of the items shown, where the scale is known."""
    sizes = [plate.item_size for section in sections for plate in section.plates]
    return [size for size in sizes if size is not None]


def _section(
    section: Section,
    layout: Layout,
    room: Size,
    pictures: dict[str, bytes],
    most_dpi: float,
    quality: int,
    card: bool,
) -> dict[str, Any]:
    set_plates = [
        set_plate(plate, layout, room, pictures, most_dpi, quality) for plate in section.plates
    ]
    scaled = any(plate["bar"] is not None for plate in set_plates)
    ratio = magnification_words(layout.magnification)
    enlarged = "life size" if layout.magnification == 1 else f"{ratio} against life size"
    fitted = any(plate.lengths == IN_THE_FRAME for plate in section.plates)
    means = f" {FRAME_MEANS}" if fitted and not card else ""
    return {
        "heading": printable(section.heading),
        "text": printable(section.text),
        "columns": layout.columns,
        "plates": set_plates,
        "scale": f"Printed at {enlarged}, if printed at 100 %.{means}" if scaled else "",
    }


def set_plate(
    plate: Plate,
    layout: Layout,
    room: Size,
    pictures: dict[str, bytes],
    most_dpi: float,
    quality: int,
) -> dict[str, Any]:
    """Return what the page needs of a plate; its picture goes into `pictures`."""
    size = printed_size(plate, layout.magnification, room)
    file = None
    if plate.pixels is not None:
        longest = round(max(size) / MM_PER_INCH * most_dpi)
        data = encode_jpeg(resize_to_fit(plate.pixels, longest), quality=quality)
        file = f"{hashlib.sha256(data).hexdigest()[:24]}.jpg"
        pictures[file] = data
    length = bar_length(layout.magnification, size.width) if plate.item_size else None
    lines = () if plate.bare else plate.lines
    return {
        "file": file,
        "alt": printable(alternative(plate)),
        "missing": printable(plate.missing),
        "width": size.width,
        "height": size.height,
        "standing": "" if plate.bare else plate.standing,
        "word": STANDING_WORDS.get(plate.standing, ""),
        "name": printable(plate.name),
        "lines": [printable(line) for line in lines],
        "beside": layout.columns == 1 and room.width - size.width >= _BESIDE_MM,
        "note": "" if plate.bare else printable(plate.note),
        "points": [{"number": point.number, "place": list(point.place)} for point in plate.points],
        "bar": length
        and {"length": length * layout.magnification, "words": f"{length:.4g} mm {plate.lengths}"},
    }


def printed_size(plate: Plate, magnification: float, room: Size) -> Size:
    """Return what a plate takes on paper, mm; without scale it is made to fit the room."""
    if plate.item_size is not None:
        return Size(*(side * magnification for side in plate.item_size))
    if plate.pixels is None:
        return Size(room.width, min(room.height, 0.5 * room.width))
    rows, columns = plate.pixels.shape[:2]
    width = min(room.width, room.height * columns / rows)
    return Size(width, width * rows / columns)


def alternative(plate: Plate) -> str:
    """Return what is read out in a picture's stead."""
    if plate.bare:
        return f"Picture {plate.name}"
    word = STANDING_WORDS.get(plate.standing, "")
    said = ", ".join(part for part in (word, plate.name, *plate.lines) if part)
    places = f"; numbered places {', '.join(str(p.number) for p in plate.points)}"
    return said + (places if plate.points else "")


def _photos(plates: Iterable[Plate]) -> list[dict[str, str]]:
    seen: dict[str, dict[str, str]] = {}
    for plate in plates:
        if plate.sha256 and plate.sha256 not in seen:
            seen[plate.sha256] = {
                "name": printable(plate.specimen or plate.name),
                "word": STANDING_WORDS.get(plate.standing, ""),
                "sha256": plate.sha256,
            }
    return list(seen.values())
