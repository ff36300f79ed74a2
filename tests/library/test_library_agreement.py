"""The drawing of what a match rests on."""

from __future__ import annotations

import numpy as np

from loupebook.library.agreement import GAP, GREY, TALL, draw_agreement


def flat(height: int, width: int, grey: int) -> np.ndarray:
    return np.full((height, width, 3), grey, np.uint8)


def test_marks_lie_where_the_points_are() -> None:
    query, reference = flat(TALL, 400, 90), flat(2 * TALL, 600, 160)
    points = np.array([[100.0, 200.0, 300.0, 400.0]])
    outline = np.array([[20, 20], [380, 20], [380, 700], [20, 700]], float)
    drawn = draw_agreement(query, reference, points, outline)
    assert drawn.shape == (TALL, 400 + GAP + 300, 3)
    for x, y in ((100, 200), (400 + GAP + 150, 200)):
        around = drawn[y - 8 : y + 9, x - 8 : x + 9]
        assert around.min() < 60, "no dark rim"
        assert around.max() > 240, "no light ring"
    assert (drawn[2:18, 2:18] == 90).all()
    assert drawn[20, 200].max() > 240, "the outline is not drawn"
    assert (drawn[2:18, 402:420] == GREY).all()


def test_the_pictures_handed_in_stay_as_they_are() -> None:
    query = flat(TALL, 300, 90)
    draw_agreement(query, query, np.array([[10.0, 10.0, 20.0, 20.0]]), None)
    assert (query == 90).all()
