"""The comparison desk against photos whose truth is known px by px."""

from __future__ import annotations

import time
from collections.abc import Iterator

import cv2
import numpy as np
import pytest

from desk_prints import PLANTED, Shots, fill, shots_of, told
from loupebook.errors import ComparisonError, RecordNotFound
from loupebook.library import Desk, Library
from loupebook.library.desk_measures import HATCH
from loupebook.library.desk_photos import SURROUND, TILE, LaidPhoto, Mips
from loupebook.library.serials import barcode_words, read_barcodes, serials_agree


@pytest.fixture(scope="module")
def shots() -> Shots:
    return shots_of()


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory, shots: Shots) -> Iterator[Library]:
    with Library.create(tmp_path_factory.mktemp("desk") / "set", name="Prints") as made:
        fill(made, shots)
        picture = made.consensus_picture(1)
        x, y = print_to_photo(shots, made.photo(picture.photo_id).specimen, PLANTED)
        for title, (dx, dy) in {"Planted": (0, 0), "Elsewhere": (-150, 90)}.items():
            at = (x + dx, y + dy)
            region = [
                (at[0] + a, at[1] + b) for a, b in ((-25, -25), (25, -25), (25, 25), (-25, 25))
            ]
            made.points.add(
                picture.photo_id, region, title=title, genuine_shows="As drawn.", by="a curator"
            )
        yield made


@pytest.fixture(scope="module")
def desk(library: Library, shots: Shots) -> Desk:
    """The copy, laid beside the nearest genuine and the nearest fake, all measured."""
    laid = library.desk(told(library, shots.copy_query.pixels, "G-0", "F-0"))
    laid.align()
    return laid


def print_to_photo(shots: Shots, specimen: str, point: tuple[float, float]) -> tuple[float, float]:
    """Return where a place of the print lies in a reference photo, px."""
    apart = np.linalg.norm(shots.references[specimen].place - np.array(point), axis=-1)
    row, column = np.unravel_index(np.nanargmin(apart), apart.shape)
    return float(column), float(row)


def key_of(library: Library, specimen: str) -> str:
    return f"p{library.photos(specimen)[0].photo_id}"


def test_the_same_place_of_the_print_lies_at_the_same_place_of_the_frame(
    library: Library, desk: Desk, shots: Shots
) -> None:
    frame = shots.references["G-0"]
    rows, columns = np.nonzero(np.isfinite(frame.place[..., 0]))
    pick = np.linspace(0, len(rows) - 1, 1500).astype(int)
    points = np.stack([columns[pick], rows[pick]], 1).astype(np.float64)
    true = frame.place[rows[pick], columns[pick]]
    for key, photo in (
        ("query", shots.copy_query),
        (key_of(library, "F-0"), shots.references["F-0"]),
    ):
        mapped = desk.layer(key, aligned=True).to_photo(points)
        landed = [
            cv2.remap(photo.place[..., k].astype(np.float32), *np.float32(mapped.T[:, None]), 1)[0]
            for k in (0, 1)
        ]
        apart = np.hypot(landed[0] - true[:, 0], landed[1] - true[:, 1])
        assert np.nanmedian(apart) < 0.7
        assert np.nanpercentile(apart, 99) < 2.0


def test_the_nearest_genuine_photo_is_the_frame_px_by_px(library: Library, desk: Desk) -> None:
    key = key_of(library, "G-0")
    told_of = desk.to_dict()
    assert told_of["frame"]["key"] == key
    assert told_of["done"]
    pixels = library.photo_pixels(1)
    finest = len(told_of["layers"][key]["aligned"]["levels"]) - 1
    tile = desk.layer(key, aligned=True).tile(finest, 0, 0)
    assert max(tile.shape) >= TILE
    np.testing.assert_array_equal(tile, pixels[: tile.shape[0], : tile.shape[1]])


def test_a_planted_difference_is_found_where_it_was_planted(
    library: Library, desk: Desk, shots: Shots
) -> None:
    genuine = key_of(library, "G-0")
    measures = desk.to_dict()["measures"][genuine]
    structure = next(one for one in measures["figures"] if one["name"] == "structure")
    assert structure["verdict"] == "differs"
    place = structure["places"][0]
    x, y = print_to_photo(shots, "G-0", PLANTED)
    assert np.hypot(place["x"] - x, place["y"] - y) < 40
    png = cv2.imdecode(
        np.frombuffer(desk.overlay(genuine, "structure"), np.uint8), cv2.IMREAD_UNCHANGED
    )
    scale = png.shape[1] / desk.to_dict()["frame"]["width"]
    assert png.shape[2] == 4
    near = png[
        int(y * scale) - 15 : int(y * scale) + 15, int(x * scale) - 15 : int(x * scale) + 15, 3
    ]
    assert near.max() > 150
    assert np.median(png[..., 3]) == 0


def test_a_map_is_hatched_where_glare_hides_the_print_and_only_there(
    library: Library, shots: Shots
) -> None:
    query = shots.genuine_query.pixels.copy()
    apart = np.linalg.norm(shots.genuine_query.place - np.array(PLANTED), axis=-1)
    row, column = np.unravel_index(np.nanargmin(apart), apart.shape)
    cv2.circle(query, (int(column), int(row)), 34, (255, 255, 255), -1)
    laid = library.desk(told(library, query, "G-0", "F-0"))
    laid.align()
    png = cv2.imdecode(
        np.frombuffer(laid.overlay(key_of(library, "G-0"), "structure"), np.uint8),
        cv2.IMREAD_UNCHANGED,
    )
    scale = png.shape[1] / laid.to_dict()["frame"]["width"]
    hatched = png[..., 3] == 255

    def share(place: tuple[float, float]) -> float:
        x, y = (scale * one for one in print_to_photo(shots, "G-0", place))
        return float(hatched[int(y) - 12 : int(y) + 12, int(x) - 12 : int(x) + 12].mean())

    assert share(PLANTED) == pytest.approx(2 / HATCH, abs=0.06)
    assert share((PLANTED[0] - 150, PLANTED[1] + 40)) == 0


def test_the_nearest_fake_has_figures_and_maps_of_its_own(library: Library, desk: Desk) -> None:
    genuine, fake = (desk.to_dict()["measures"][key_of(library, name)] for name in ("G-0", "F-0"))
    assert genuine["against"].startswith("genuine: ")
    assert fake["against"].startswith("fake: ")
    assert "genuine" not in fake["says"]
    values = [
        {one["name"]: one["value"] for one in side["figures"]}["structure"]
        for side in (genuine, fake)
    ]
    assert values[1] < values[0]
    assert fake["points"] == []
    maps = [desk.overlay(key_of(library, name), "structure") for name in ("G-0", "F-0")]
    assert maps[0] != maps[1]
    with pytest.raises(KeyError):
        desk.overlay("p999", "structure")


def test_each_figure_is_said_in_words_that_are_true_for_its_result(
    library: Library, desk: Desk
) -> None:
    fake = desk.to_dict()["measures"][key_of(library, "F-0")]
    within = [one for one in fake["figures"] if one["z"] is not None and one["z"] <= 2]
    assert within
    for one in within:
        assert one["verdict"] == "cannot tell"  # so few known fakes do not tell what is usual
        assert "usual among known fakes" in one["reason"]
    for one in fake["figures"]:
        assert "genuine" not in f"{one['unit']} {one['says']}"
        assert one["says"] == (one["reason"] or one["says"])


def test_each_point_has_the_figure_of_its_own_region(desk: Desk) -> None:
    planted, elsewhere = desk.points
    assert planted["title"] == "Planted"
    assert planted["figure"] > 2 * elsewhere["figure"]
    assert "times as far as known genuine ones scatter (usual up to" in planted["figure_says"]
    assert "whatever their colour" in planted["figure_says"]


def test_a_photo_of_something_else_is_said_not_to_be_registrable(library: Library) -> None:
    noise = np.random.default_rng(1).integers(0, 255, (300, 400, 3), dtype=np.uint8)
    desk = library.desk(told(library, noise, "G-0", "F-0"))
    desk.align()
    told_of = desk.to_dict()
    assert told_of["frame"] is None
    assert told_of["done"]
    assert told_of["layers"]["query"]["reason"]
    assert all(one["says"].startswith("Not measured") for one in told_of["measures"].values())
    with pytest.raises(KeyError):
        desk.layer("query", aligned=True)
    assert desk.layer("query", aligned=False).tile(0, 0, 0).shape == (300, 400, 3)


def test_with_fakes_only_the_nearest_fake_is_the_frame(
    library: Library, shots: Shots, monkeypatch: pytest.MonkeyPatch
) -> None:
    def nothing_to_compare(query: np.ndarray, photo_id: int) -> None:
        raise ComparisonError("None of the photos shows enough print")

    monkeypatch.setattr(library, "compare", nothing_to_compare)
    desk = library.desk(told(library, shots.copy_query.pixels, None, "F-0"))
    desk.align()
    assert desk.to_dict()["frame"]["key"] == key_of(library, "F-0")
    assert desk.to_dict()["measures"][key_of(library, "F-0")]["says"] == (
        "Not measured: None of the photos shows enough print."
    )


def test_a_further_reference_comes_into_the_frame_and_goes_again(
    library: Library, desk: Desk
) -> None:
    more = library.photos("G-1")[0].photo_id
    before = desk.version
    desk.lay_out(more)
    assert desk.version > before
    assert not desk.to_dict()["done"]
    desk.align()
    assert desk.layer(f"p{more}", aligned=True)
    desk.keep_only([])
    assert f"p{more}" not in desk.to_dict()["layers"]
    assert key_of(library, "F-0") in desk.to_dict()["layers"]
    with pytest.raises(RecordNotFound):
        desk.lay_out(999)


def random_photo(width: int, height: int) -> np.ndarray:
    return np.random.default_rng(2).integers(0, 255, (height, width, 3), dtype=np.uint8)


def test_tiles_of_the_finest_level_are_the_photo_and_coarser_ones_its_means() -> None:
    pixels = random_photo(1300, 700)
    laid = LaidPhoto(Mips((1300, 700), lambda: pixels), (1300, 700))
    assert laid.levels == [0.5, 1.0]
    whole = np.full((700, 1300, 3), 0, np.uint8)
    for row in range(2):
        for column in range(3):
            tile = laid.tile(1, column, row)
            whole[row * TILE : row * TILE + tile.shape[0],
                  column * TILE : column * TILE + tile.shape[1]] = tile  # fmt: skip
    np.testing.assert_array_equal(whole, pixels)
    coarse = laid.tile(0, 0, 0).astype(float)
    means = pixels.reshape(350, 2, 650, 2, 3).mean((1, 3))
    assert coarse.shape == means.shape
    assert np.abs(coarse - means).mean() < 1.5


def test_a_small_copy_comes_from_a_glance_until_the_photo_is_at_hand() -> None:
    pixels = random_photo(1300, 704)
    glances: list[int] = []

    def glance(longest: int) -> np.ndarray:
        glances.append(longest)
        return cv2.resize(pixels, (longest, longest * 704 // 1300), interpolation=cv2.INTER_AREA)

    mips = Mips((1300, 704), lambda: pixels, glance)
    assert mips.level(2).shape == (176, 325, 3)
    assert glances == [325]
    np.testing.assert_array_equal(mips.level(0), pixels)
    halved = mips.level(1).astype(float)
    assert glances == [325]
    means = pixels.reshape(352, 2, 650, 2, 3).mean((1, 3))
    assert np.abs(halved - means).max() <= 0.5
    # 704 px can be halved five times before fewer than 16 are left.
    assert mips.level(99) is mips.level(5)


def test_a_desk_is_seen_once_the_query_and_the_nearest_are(library: Library, shots: Shots) -> None:
    laid = library.desk(told(library, shots.genuine_query.pixels, "G-0", "F-0"))
    began = time.monotonic()
    laid.wait_until_seen(0.05)
    assert time.monotonic() - began >= 0.05
    for key in ("query", key_of(library, "G-0"), key_of(library, "F-0")):
        laid.seen(key)
    began = time.monotonic()
    laid.wait_until_seen(30.0)
    assert time.monotonic() - began < 5


@pytest.mark.parametrize("at", [(2, 0, 0), (-1, 0, 0), (0, 1, 0), (1, 3, 0), (1, 0, 2), (1, -1, 0)])
def test_there_are_no_tiles_beyond_the_photo(at: tuple[int, int, int]) -> None:
    laid = LaidPhoto(Mips((1300, 700), lambda: random_photo(1300, 700)), (1300, 700))
    with pytest.raises(IndexError):
        laid.tile(*at)


def test_beside_the_photo_lies_neutral_grey() -> None:
    laid = LaidPhoto(Mips((40, 30), lambda: random_photo(40, 30)), (40, 30))
    beside = laid.cut(-100, -100, 1.0, (50, 50))
    assert (beside == SURROUND).all()


@pytest.mark.parametrize(
    ("read", "agree", "says"),
    [
        ({}, None, "No number was read"),
        ({"left": "AB 123"}, None, "One number was read"),
        ({"left": "AB 123", "right": "ab-123"}, True, "All 2 numbers read agree"),
        ({"left": "AB 123", "crest": "123"}, True, "All 2 numbers read agree"),
        ({"left": "AB 123", "right": "AB 124"}, False, "left and right differ"),
        (
            {"left": "AB 123", "right": "AB 123", "crest": "99"},
            False,
            "left and right show one number, crest another",
        ),
        (
            {"left": "AB 123", "right": "AB 124", "foot": "AB 124"},
            False,
            "left shows one number, right and foot another",
        ),
    ],
)
def test_serial_numbers_agree_or_not(read: dict, agree: bool | None, says: str) -> None:
    # That the numbers on one item must agree: common practice, no source.
    found = serials_agree(read)
    assert found.agree is agree
    assert says in found.says
    # "Copies" are fakes everywhere else.
    assert "cop" not in found.says


def test_where_numbers_disagree_none_is_called_the_right_one() -> None:
    found = serials_agree({"left": "AB 22993500", "right": "AB 22993506", "crest": "3500"})
    assert "longest" not in found.says
    assert "Which of them is right cannot be told" in found.says
    assert found.parts == ("3500 (crest) agrees with the end of AB 22993500 (left).",)


def test_a_part_of_a_number_is_named_as_one_and_not_looked_up() -> None:
    read = {"left": "AB 123", "right": "ab-123", "crest": "23", "seam": "B 1"}
    found = serials_agree(read)
    assert found.numbers == ("AB 123",)
    assert found.parts == (
        "23 (crest) agrees with the end of AB 123 (left and right).",
        "B 1 (seam) agrees with a part of AB 123 (left and right).",
    )
    # Alone it may be all there is to read.
    assert serials_agree({"crest": "23"}).numbers == ("23",)


@pytest.mark.parametrize(
    ("kind", "value", "says"),
    [
        ("EAN_13", "2900019101560", "names a sort of goods"),
        ("CODE_128", "XY7", "none of those read stands in it"),
        ("CODE_128", "AB123", "carries the number read at left and crest"),
    ],
)
def test_a_barcode_is_held_against_what_it_has_to_do_with(kind: str, value: str, says: str) -> None:
    # That an EAN names a sort of goods: GS1 General Specifications, from memory.
    assert says in barcode_words(kind, value, {"left": "AB 123", "crest": "123", "foot": ""})


@pytest.mark.external
def test_a_barcode_drawn_by_another_library_is_read() -> None:
    # The number is the worked example of the GS1 check digit calculator (6291041500213);
    # zxing-cpp draws the symbol.
    zxing = pytest.importorskip("zxingcpp")
    drawn = np.asarray(
        zxing.create_barcode("6291041500213", zxing.BarcodeFormat.EAN13).to_image(scale=5)
    )
    photo = np.full((600, 900, 3), 200, np.uint8)
    photo[200 : 200 + drawn.shape[0], 150 : 150 + drawn.shape[1]] = drawn[..., None]
    assert ("EAN_13", "6291041500213") in read_barcodes(photo)
    assert read_barcodes(np.full((200, 300, 3), 90, np.uint8)) == []


def test_where_a_serial_stands_is_told_with_its_standing(library: Library) -> None:
    (held,) = library.reference_serials("ab102")
    assert (held.specimen, str(held.standing), held.place) == ("F-0", "fake", "left")
