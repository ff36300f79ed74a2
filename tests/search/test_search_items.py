"""Items in one query: each place once, further ones offered."""

from __future__ import annotations

from loupebook.records.model import Element, IntakeState, Lighting, PhotoFacts, Standing, View
from loupebook.search.arm import Outline
from loupebook.search.fuse import FusedHit
from loupebook.search.items import found_items, share_of_smaller


def square(left: float, top: float, side: float = 100) -> Outline:
    right, bottom = left + side, top + side
    return ((left, top), (right, top), (right, bottom), (left, bottom))


def hit(photo: int, similarity: float, outline: Outline | None, **detail: object) -> FusedHit:
    return FusedHit(photo, similarity, similarity, "local", outline, detail)


FACTS = {
    n: PhotoFacts(
        f"S{n}", Element.BAND, Standing.GENUINE, None, None, None, View.FACE, Lighting.DIFFUSE,
        IntakeState.CONFIRMED,
    )
    for n in range(9)
}  # fmt: skip


def test_a_second_item_elsewhere_is_found_and_the_same_place_is_not_told_twice() -> None:
    hits = [
        hit(1, 0.99, square(0, 0)),
        hit(2, 0.98, square(5, 5)),
        hit(3, 0.90, square(300, 300)),
        hit(4, 0.80, None),
    ]
    items = found_items(hits, FACTS)
    assert [item.specimen for item in items] == ["S1", "S3"]
    assert items[1].outline == square(300, 300)


def test_further_items_of_one_kind_count_each() -> None:
    others = [[list(corner) for corner in square(200, 0)]]
    items = found_items([hit(1, 0.99, square(0, 0), others=others)], FACTS)
    assert [item.outline for item in items] == [square(0, 0), square(200, 0)]


def test_doubtful_outlines_are_no_items() -> None:
    assert found_items([hit(1, 0.4, square(0, 0))], FACTS) == []


def test_a_part_of_an_item_is_the_same_item() -> None:
    assert share_of_smaller(square(0, 0), square(20, 20, 30)) == 1.0
    assert share_of_smaller(square(0, 0), square(200, 0)) == 0.0
    assert share_of_smaller(square(0, 0), square(0, 0, 0)) == 1.0
