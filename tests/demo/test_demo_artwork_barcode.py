"""Bar codes of the demo seals, against the GS1 worked example and an independent reader."""

from __future__ import annotations

import pytest
import zxingcpp

from loupebook.demo.artwork.barcode import bars, check_digit, modules
from loupebook.demo.press.preview import flat_preview
from loupebook.demo.world import demo_world, print_specimen
from loupebook.errors import WorldInvalid
from loupebook.records.model import Element


@pytest.mark.external
@pytest.mark.parametrize(
    ("digits", "check"),
    [
        # GS1 General Specifications, standard check digit calculation (section 7.9):
        # the worked GTIN-13 example 6291041500213 (value from memory).
        ("629104150021", 3),
        # ISBN 978-0-306-40615-7, the example of the ISBN Users' Manual (value from memory).
        ("978030640615", 7),
    ],
)
def test_check_digit_of_published_examples(digits: str, check: int) -> None:
    assert check_digit(digits) == check


def test_modules_are_95_with_guards() -> None:
    symbol = modules("6291041500213")
    assert len(symbol) == 95
    assert (symbol[:3], symbol[45:50], symbol[-3:]) == ("101", "01010", "101")


@pytest.mark.parametrize("gtin", ["6291041500214", "123", "", "62910415002x3"])
def test_wrong_numbers_are_refused(gtin: str) -> None:
    with pytest.raises(WorldInvalid):
        bars(gtin, left=0, top=0, height=5)


@pytest.mark.external
@pytest.mark.parametrize("px_per_mm", [8.0, 12.0])
def test_printed_seals_are_read_by_zxing(px_per_mm: float) -> None:
    """zxing-cpp reads what the house prints on each of the ten seals."""
    world = demo_world()
    for edition in world.editions:
        if edition.element is not Element.SEAL:
            continue
        surface = print_specimen(edition, world.origins(edition)[0], 3, px_per_mm=px_per_mm)
        read = zxingcpp.read_barcodes(flat_preview(surface))
        assert edition.plan.gtin in [r.text for r in read], edition.name
