"""A practice round on paper: numbered photos without their answers, and the key apart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from loupebook.records.model import SetInfo
from loupebook.sheets.paper import Paper, Size, column_width, magnification_for, magnification_words
from loupebook.sheets.plan import IN_THE_FRAME, Plate, SheetPoint
from loupebook.sheets.setting import FRAME_MEANS, Layout, page_data, set_plate
from loupebook.sheets.typeset import typeset
from loupebook.sheets.words import STANDING_WORDS, printable

_DPI, _QUALITY = 300.0, 88
_QUESTION_MM = 62.0
_KEY_MM = 48.0


@dataclass(frozen=True, eq=False)
class Asked:
    """One question.

    Parameters
    ----------
    question : Plate
        The photo, bare.
    answer : Plate
        The same with its standing and points.
    genuine : Plate, optional
        What genuine ones have in common.
    points : tuple of SheetPoint
        Numbered places on both.
    says : str
        What the comparison measured.
    """

    question: Plate
    answer: Plate
    genuine: Plate | None
    points: tuple[SheetPoint, ...]
    says: str


def make_quiz(
    name: str, asked: Sequence[Asked], info: SetInfo, *, paper: Paper, made_at: datetime
) -> bytes:
    """Return the questions as a PDF; nothing in it gives an answer away."""
    pictures: dict[str, bytes] = {}
    plates = [
        replace(one.question, name=f"No. {number}", lines=(), sha256="", note="", standing="")
        for number, one in enumerate(asked, start=1)
    ]
    room = Size(column_width(paper, 2), _QUESTION_MM)
    magnification = _magnification(plates, room)
    data = {
        **_page("Practice quiz", name, paper, info, made_at, asked),
        "scale": _scale_words(plates, magnification),
        "questions": [
            set_plate(plate, Layout(2, magnification), room, pictures, _DPI, _QUALITY)
            for plate in plates
        ],
    }
    return typeset("quiz", data, pictures, made_at=made_at)[0]


def make_key(
    name: str,
    asked: Sequence[Asked],
    info: SetInfo,
    *,
    paper: Paper,
    made_at: datetime,
    left_out: Sequence[str] = (),
) -> bytes:
    """Return the answers as a PDF: each photo beside what genuine ones have in common.

    ``left_out`` names specimens that were drawn, but whose photo cannot be read.
    """
    pictures: dict[str, bytes] = {}
    room = Size(column_width(paper, 2), _KEY_MM)
    every = [plate for one in asked for plate in (one.answer, one.genuine) if plate is not None]
    magnification = _magnification(every, room)
    data = {
        **_page("Answer key", name, paper, info, made_at, asked),
        "scale": _scale_words(every, magnification),
        "left_out": [printable(one) for one in left_out],
        "answers": [
            {
                "number": number,
                "standing": one.answer.standing,
                "word": STANDING_WORDS[one.answer.standing],
                "name": printable(one.answer.name),
                "says": printable(one.says),
                "plates": [
                    set_plate(plate, Layout(2, magnification), room, pictures, _DPI, _QUALITY)
                    for plate in (one.answer, one.genuine)
                    if plate is not None
                ],
                "points": [_point(point) for point in one.points],
            }
            for number, one in enumerate(asked, start=1)
        ],
    }
    return typeset("key", data, pictures, made_at=made_at)[0]


def _point(point: SheetPoint) -> dict[str, Any]:
    return {"number": point.number, "words": printable(f"{point.name}. {point.words}")}


def _page(
    title: str, name: str, paper: Paper, info: SetInfo, made_at: datetime, asked: Sequence[Asked]
) -> dict[str, Any]:
    uv = any(one.question.dark for one in asked)
    return page_data(title, name, paper, info, made_at, uv=uv)


def _magnification(plates: Sequence[Plate], room: Size) -> float:
    return magnification_for((size for p in plates if (size := p.item_size) is not None), room)


def _scale_words(plates: Sequence[Plate], magnification: float) -> str:
    if not any(plate.item_size for plate in plates):
        return "The scale of these pictures is not known."
    ratio = magnification_words(magnification)
    fitted = any(plate.item_size and plate.lengths == IN_THE_FRAME for plate in plates)
    means = f" {FRAME_MEANS}" if fitted else ""
    where = "where a scale bar stands, if printed at 100 %."
    return f"Printed at {ratio} against life size {where}{means}"
