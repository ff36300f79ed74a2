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
    magnified = [_magnification([plate], room) for plate in plates]
    data = {
        **_page("Practice quiz", name, paper, info, made_at, asked),
        "scale": _scale_words([[plate] for plate in plates], magnified),
        "questions": [
            set_plate(plate, Layout(2, magnification), room, pictures, _DPI, _QUALITY)
            for plate, magnification in zip(plates, magnified, strict=True)
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
    shown = [[one.answer, *([one.genuine] if one.genuine else [])] for one in asked]
    magnified = [_magnification(plates, room) for plates in shown]
    data = {
        **_page("Answer key", name, paper, info, made_at, asked),
        "scale": _scale_words(shown, magnified),
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
                    for plate in plates
                ],
                "points": [_point(point) for point in one.points],
            }
            for number, (one, plates, magnification) in enumerate(
                zip(asked, shown, magnified, strict=True), start=1
            )
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
    """Return how large one question is printed: no band is to shrink as a seal beside it must."""
    return magnification_for((size for p in plates if (size := p.item_size) is not None), room)


def _scale_words(shown: Sequence[Sequence[Plate]], magnified: Sequence[float]) -> str:
    scaled = [
        (plate, magnification)
        for plates, magnification in zip(shown, magnified, strict=True)
        for plate in plates
        if plate.item_size
    ]
    if not scaled:
        return "The scale of these pictures is not known."
    used = sorted({magnification for _, magnification in scaled})
    ratio = " to ".join(magnification_words(one) for one in dict.fromkeys((used[0], used[-1])))
    fitted = any(plate.lengths == IN_THE_FRAME for plate, _ in scaled)
    means = f" {FRAME_MEANS}" if fitted else ""
    where = "where a scale bar stands, if printed at 100 %."
    return f"Printed at {ratio} against life size {where}{means}"
