"""The page Examine, state by state, driven without a browser."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from app_driver import APP, PAGES, ToldLibrary, opened, send, shown, told, words
from PIL import Image, ImageFilter
from streamlit.testing.v1 import AppTest

from drawn_prints import as_bytes, draw_print
from loupebook.errors import SetBusy
from loupebook.library import Box, FoundItem, Library, PhotoCheck, check_photo
from parts.crop import region_about
from parts.words import nearness


@pytest.fixture
def filled(tmp_path: Path, photo_folder: Path) -> Path:
    folder = tmp_path / "set"
    with Library.create(folder, name="Prints <b>*one*</b>", notice="rendered, invented") as made:
        assert made.add_manifest(photo_folder / "manifest.csv", by="a curator").ok
    return folder


def hand_in(at: AppTest, data: bytes, name: str = "suspect.png") -> AppTest:
    """Hand a photo in and run once more: the first run tells a desk that stands already."""
    at.file_uploader[0].upload(name, data, "image/png").run()
    assert not at.exception
    return at.run()


def test_without_a_set_the_page_says_how_to_get_one() -> None:
    at = opened()
    assert at.header[0].value == "No set is open"
    assert "loupebook demo" in words(at)
    assert not at.file_uploader


def test_a_set_named_but_missing_is_said_with_its_path(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("LOUPEBOOK_SET", str(tmp_path / "gone"))
    at = opened()
    assert len(at.error) == 1
    assert "There is no set at" in at.error[0].value


def test_an_empty_set_leads_to_adding(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    Library.create(tmp_path / "set", name="empty").close()
    told(monkeypatch, tmp_path / "set")
    at = opened()
    assert at.header[0].value == "This set is empty"
    assert [link.label for link in at.get("page_link")] == ["Add the first specimen"]


def test_the_start_shows_set_notice_and_caution(
    filled: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told(monkeypatch, filled)
    at = opened()
    head = shown(at, "masthead")[0]
    assert head["set"] == "Prints <b>*one*</b>"
    assert head["notice"] == "rendered, invented"
    assert "never says that an item is genuine" in head["caution"]
    assert "What this does not say" in words(at)


def test_a_photo_lies_beside_nearest_genuine_and_nearest_fake(
    filled: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told(monkeypatch, filled)
    at = hand_in(opened(), as_bytes(draw_print(1)))
    panes = shown(at, "desk")[0]["panes"]
    assert [pane["heading"] for pane in panes] == ["Your photo", "Nearest genuine", "Nearest fake"]
    assert [pane["standing"] for pane in panes] == ["query", "genuine", "fake"]
    assert all(pane["base"].startswith("/desk/") for pane in panes)
    captions = " ".join(panes[1]["facts"])
    for part in ("Marque 0", "diffuse light", "scale not recorded", "told@000000000000"):
        assert part in captions


def test_cards_say_standing_by_word_and_carry_all_facts(
    filled: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told(monkeypatch, filled)
    at = hand_in(opened(), as_bytes(draw_print(1)))
    cards = shown(at, "plates")[0]["cards"]
    assert [card["name"] for card in cards] == [f"S-{number}" for number in range(6)]
    assert [card["word"] for card in cards] == ["Genuine", "Genuine", "Fake"] * 2
    assert cards[0]["figure"] == "Likeness 2.2"
    assert cards[0]["facts"] == ["Marque 0, Edition 0", "band, face, diffuse light"]


@pytest.mark.parametrize(
    ("close", "title"),
    [
        (
            True,
            "Something close was found; the nearest match is a known genuine one. That does not "
            "tell genuine from copy.",
        ),
        (False, "Nothing close in this library"),
        (
            None,
            "Too few specimens to tell whether anything is close; the nearest match is a known "
            "genuine one. That does not tell genuine from copy.",
        ),
    ],
)
def test_close_not_close_and_unknown_have_their_own_words(
    filled: Path, monkeypatch: pytest.MonkeyPatch, close: bool | None, title: str
) -> None:
    told(monkeypatch, filled, close=close)
    at = hand_in(opened(), as_bytes(draw_print(1)))
    sheets = {sheet["title"]: sheet for sheet in shown(at, "sheet")}
    assert sheets[title]["summary"] == "Said by the test."
    assert sheets[title]["edge"] == {True: "close", False: "nothing", None: "open"}[close]
    assert "does not say that the item is genuine" in sheets[title]["limits"]
    assert sheets["What this does not say"]["summary"] == "The limits, told by the test."
    assert shown(at, "desk")


def test_the_heading_names_a_known_fake_and_an_open_maker() -> None:
    from parts.results import headline

    def said(close: bool | None, standing: str) -> str:
        return headline(
            SimpleNamespace(
                photo_check=PhotoCheck(),
                reading={"close_reference": close, "p_value": 0.3},
                matches=[SimpleNamespace(standing=standing)],
            )
        )

    untold = "That does not tell genuine from copy."
    assert said(True, "fake") == (
        f"Something close was found; the nearest match is a known fake. {untold}"
    )
    assert said(None, "genuine") == (
        "Whether the set holds this maker cannot be told; the nearest match is a known genuine "
        f"one. {untold}"
    )


@pytest.mark.parametrize("edge", ["close", "nothing", "open"])
def test_the_bar_of_an_answer_has_the_colour_of_neither_standing(edge: str) -> None:
    web = APP / "parts" / "web"
    tones = dict(re.findall(r"--(\w+): (#[0-9a-f]{6});", (web / "base.css").read_text()))
    bars = re.findall(
        rf"\.sheet\.{edge} {{ border-left: 7px (\w+) var\(--(\w+)\); }}",
        (web / "sheet.css").read_text(),
    )
    ((line, name),) = bars
    red, green, blue = (int(tones[name][at : at + 2], 16) for at in (1, 3, 5))
    assert red == green == blue
    assert line == {"close": "solid", "nothing": "double", "open": "dashed"}[edge]
    # WCAG 2.2, 1.4.11: 3 : 1 against what lies beside it.
    linear = ((red / 255 + 0.055) / 1.055) ** 2.4
    assert 1.02 / (linear + 0.05) >= 3


@pytest.mark.parametrize("name", ["blank", "noise"])
def test_a_picture_of_nothing_is_headed_so(
    filled: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    told(monkeypatch, filled)
    noise = np.random.default_rng(1).integers(0, 256, (300, 400, 3)).astype(np.uint8)
    pixels = {"blank": np.full((300, 400, 3), 128, np.uint8), "noise": noise}[name]
    at = hand_in(opened(), as_bytes(Image.fromarray(pixels)))
    titles = [sheet["title"] for sheet in shown(at, "sheet")]
    assert any(title.startswith("No item can be seen in this picture") for title in titles)


def test_a_small_photo_is_called_poor_at_the_top_and_its_faults_faults(
    filled: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told(monkeypatch, filled)
    at = hand_in(opened(), as_bytes(draw_print(1, 480).resize((180, 135))))
    sheets = {sheet["title"]: sheet for sheet in shown(at, "sheet")}
    assert any(title.startswith("The photo is poor (too few pixels)") for title in sheets)
    check = sheets["Photo check"]
    assert "too poor to compare fine print" in check["summary"]
    assert {item["mark"] for item in check["items"]} == {"Fault"}


def test_after_a_part_was_searched_the_answer_says_what_changed(
    filled: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    corners = ((30.0, 10.0), (90.0, 10.0), (90.0, 60.0), (30.0, 60.0))
    items = (FoundItem(corners, "A", 0.9), FoundItem(corners, "B", 0.8))
    told(monkeypatch, filled, items=items)
    at = hand_in(opened(), as_bytes(draw_print(1)))

    def anew() -> list[object]:
        return next(sheet["anew"] for sheet in shown(at, "sheet") if sheet.get("limits"))

    assert anew() == [0, ""]
    at.button(key="item-2").click().run()
    assert anew() == [1, "Searched anew: item 2 alone; the nearest is S-0 as before."]
    next(b for b in at.button if b.label == "Search the whole photo again").click().run()
    assert anew() == [2, "Searched anew: the whole photo; the nearest is S-0 as before."]


def test_where_no_points_are_drawn_the_page_points_is_one_step_away(
    filled: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told(monkeypatch, filled)
    at = hand_in(opened(), as_bytes(draw_print(1)))
    link = next(one for one in at.get("page_link") if one.label.startswith("Draw points on"))
    assert "of-photo=1" in link.proto.query_string


def test_a_poor_photo_is_searched_all_the_same_with_advice(
    filled: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told(monkeypatch, filled)
    flat = Image.fromarray(np.full((60, 90, 3), 128, np.uint8))
    at = hand_in(opened(), as_bytes(flat))
    check = next(sheet for sheet in shown(at, "sheet") if sheet["title"] == "Photo check")
    assert "searched all the same" in check["summary"]
    assert all(item["advice"] for item in check["items"] if item["severity"] == "fail")
    assert shown(at, "desk")


def test_of_a_poor_photo_the_headline_says_so_first(
    filled: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told(monkeypatch, filled)
    soft = draw_print(1, 480).filter(ImageFilter.GaussianBlur(9))
    at = hand_in(opened(), as_bytes(soft))
    headline = next(sheet["title"] for sheet in shown(at, "sheet") if "lose" in sheet["title"])
    assert re.fullmatch(
        r"The photo is poor \(blurred about \d+ px\): trust this less\. "
        r"Something close was found; the nearest match is a known genuine one\. "
        r"That does not tell genuine from copy\.",
        headline,
    )


@pytest.mark.parametrize(
    ("pixels", "why"),
    [
        (np.full((400, 400, 3), 128, np.uint8), "one even tone"),
        (np.random.default_rng(1).integers(0, 255, (60, 90, 3)).astype(np.uint8), "too few pixels"),
        (np.random.default_rng(1).integers(0, 30, (400, 400, 3)).astype(np.uint8), "too dark"),
    ],
)
def test_why_a_photo_is_poor_is_said_in_a_few_words(pixels: np.ndarray, why: str) -> None:
    from parts.words import poor_words

    assert why in poor_words(check_photo(pixels))


def test_how_a_match_was_found_says_of_what_its_share_is() -> None:
    from parts.words import found_by

    match = SimpleNamespace(found_by="both", inliers=47, detail={"covered_reference": 0.19})
    assert found_by(match) == (
        "found by its look as a whole and by 47 places that look alike and lie alike, spread over "
        "19 % of the reference"
    )


@pytest.mark.parametrize("data", [b"", b"not a picture", b"\xff\xd8\xff\xe0" + b"\0" * 40])
def test_an_undecodable_file_is_said_and_nothing_searched(
    filled: Path, monkeypatch: pytest.MonkeyPatch, data: bytes
) -> None:
    told(monkeypatch, filled)
    at = hand_in(opened(), data, "broken.jpg")
    assert at.error
    assert "Nothing was searched" in words(at)
    assert not shown(at, "desk")
    assert ToldLibrary.asked == []


def test_a_paste_that_arrives_broken_is_said_once(
    filled: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told(monkeypatch, filled)
    at = send(opened(), "paste", pasted={"name": "cut.png", "base64": "iVBORw0"})
    assert "did not arrive whole" in at.error[0].value
    at.run()
    assert not at.error


def test_filters_that_leave_nothing_can_be_cleared(
    filled: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told(monkeypatch, filled, close=False)
    at = hand_in(opened(), as_bytes(draw_print(1)))
    assert "Nothing close in this library" in [sheet["title"] for sheet in shown(at, "sheet")]
    at.selectbox(key="filter-marque").select("Marque 1")
    at.selectbox(key="filter-standing").select("fake").run().run()
    titles = [sheet["title"] for sheet in shown(at, "sheet")]
    assert "Nothing close among what passes the filters" in titles
    assert [card["name"] for card in shown(at, "plates")[0]["cards"]] == ["S-5"]
    genuine = shown(at, "desk")[0]["panes"][1]
    assert "layer" not in genuine
    assert "No genuine reference" in genuine["missing"]

    with Library.open(filled) as library:
        library.withdraw("S-5", by="a curator", reason="tested")
    at.run()
    assert "No reference passes the filters" in at.warning[0].value
    next(button for button in at.button if button.label == "Clear all filters").click().run()
    assert len(shown(at, "plates")[0]["cards"]) == 5


def test_filters_outlive_what_goes_wrong(filled: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    told(monkeypatch, filled)
    at = hand_in(opened(), as_bytes(draw_print(1)))
    at.selectbox(key="filter-standing").select("fake").run()

    def broken(*_: object) -> None:
        raise SetBusy("The catalogue is busy.")

    with monkeypatch.context() as patched:
        patched.setattr("parts.results.show_matches", broken)
        at.run()
        assert "busy" in at.warning[0].value
        assert at.selectbox(key="filter-standing").value == "fake"
    hand_in(at, b"not a picture")
    assert "Nothing was searched" in " ".join(one.value for one in at.markdown)
    hand_in(at, as_bytes(draw_print(2)))
    assert at.selectbox(key="filter-standing").value == "fake"
    assert "layer" not in shown(at, "desk")[0]["panes"][1]


def test_uv_a_brings_the_caution_for_eyes_and_skin(
    filled: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told(monkeypatch, filled)
    at = hand_in(opened(), as_bytes(draw_print(1)))
    assert "UV-A" not in " ".join(warning.value for warning in at.warning)
    at.selectbox(key="filter-lighting").select("uv-a").run()
    assert "wear UV-blocking glasses" in " ".join(warning.value for warning in at.warning)


def test_a_rerun_does_not_search_again(filled: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    told(monkeypatch, filled)
    at = hand_in(opened(), as_bytes(draw_print(1)))
    assert len(ToldLibrary.asked) == 1
    at.run()
    assert len(ToldLibrary.asked) == 1


def test_a_drawn_crop_reaches_the_search_in_pixels_of_the_turned_photo() -> None:
    from parts.crop import Region

    sent = {"corners": [[0, 0.5], [0.5, 0.5], [0.5, 1], [0, 1]], "turns": 1, "mode": "box"}
    region = Region.of(sent)
    assert region.arguments(400, 200) == {"quarter_turns": 1, "box": Box(0, 200, 100, 400)}
    slanted = Region.of(sent | {"mode": "corners"})
    assert slanted.arguments(400, 200)["corners"] == [(0, 200), (100, 200), (100, 400), (0, 400)]
    assert Region().arguments(400, 200) == {"quarter_turns": 0}


def test_outline_and_filters_are_there_again_after_another_page(
    filled: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told(monkeypatch, filled)
    at = hand_in(opened(), as_bytes(draw_print(1)))
    at.selectbox(key="filter-standing").select("fake")
    at.get("button_group")[-1].set_value(20).run()
    corners = [[0.2, 0.1], [0.6, 0.1], [0.6, 0.5], [0.2, 0.5]]
    send(at, "crop", region={"corners": corners, "turns": 0, "mode": "box"})
    assert not at.exception
    asked = ToldLibrary.asked[-1]
    assert asked["filters"].standing == "fake"
    assert asked["k"] == 20
    assert "box" in asked
    searches = len(ToldLibrary.asked)
    at.switch_page(PAGES["library"]).run()
    at.switch_page("views/examine.py").run()
    assert not at.exception
    assert len(ToldLibrary.asked) == searches
    assert shown(at, "crop")[0]["corners"] == corners
    assert at.selectbox(key="filter-standing").value == "fake"


def test_results_can_be_taken_away_as_json_and_csv(
    filled: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told(monkeypatch, filled)
    at = hand_in(opened(), as_bytes(draw_print(1)), "=2+3.png")
    labels = [button.label for button in at.get("download_button")]
    assert labels == ["Results as JSON", "Results as CSV"]
    _, report = at.session_state["answer"]

    from parts.pictures import csv_text
    from parts.results import answer_rows

    rows = list(csv.DictReader(io.StringIO(csv_text(answer_rows(report)))))
    assert [row["specimen"] for row in rows] == [f"S-{number}" for number in range(6)]
    assert rows[1]["reference_photo"] == "print1.png"
    # A spreadsheet must not run the name of a file as a formula.
    assert rows[0]["photo"] == "'=2+3.png"


def test_what_was_entered_is_never_markup() -> None:
    from parts.words import plain

    shown_text = plain("<img src=x> [a](http://b) **c** :smile: $d$")
    for mark in "<>[]()*:$":
        assert f"\\{mark}" in shown_text


def test_two_items_in_one_photo_are_offered_one_at_a_time(
    filled: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    corners = ((30.0, 10.0), (90.0, 10.0), (90.0, 60.0), (30.0, 60.0))
    other = tuple((x + 100, y) for x, y in corners)
    items = (FoundItem(corners, "A", 0.9), FoundItem(other, "*B*", 0.8))
    told(monkeypatch, filled, items=items)
    at = hand_in(opened(), as_bytes(draw_print(1)))
    assert at.button(key="item-2").label == r"Item 2, near \*B\*"
    assert "seems to show 2 items" in words(at)
    at.button(key="item-2").click().run()
    assert not at.exception
    asked = ToldLibrary.asked[-1]
    np.testing.assert_allclose(asked["corners"], other, atol=1e-6)
    assert "Item 2 of 2" in words(at)
    back = next(b for b in at.button if b.label == "Search the whole photo again")
    back.click().run()
    assert "corners" not in ToldLibrary.asked[-1]
    assert "seems to show 2 items" in words(at)


def test_an_item_that_leaves_the_photo_is_searched_within_it() -> None:
    inside = ((10.0, 10.0), (90.0, 12.0), (92.0, 48.0), (8.0, 50.0))
    assert region_about(inside, 100, 50).mode == "corners"
    outside = ((-20.0, 5.0), (60.0, -8.0), (70.0, 40.0), (-10.0, 45.0))
    region = region_about(outside, 100, 50)
    assert region.mode == "box"
    assert region.corners == ((0.0, 0.0), (0.7, 0.0), (0.7, 0.9), (0.0, 0.9))


def test_the_page_says_by_what_a_match_was_found(
    filled: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told(monkeypatch, filled)
    at = hand_in(opened(), as_bytes(draw_print(1)))
    at.session_state["agreement"] = True
    at.run()
    assert "found by its look as a whole" in words(at).replace("\\", "")
    assert "No single places were matched" in words(at)


def test_matched_places_are_shown_on_both_pictures(
    filled: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    points = [[20.0, 20.0, 30.0, 30.0], [60.0, 40.0, 70.0, 50.0]]
    told(monkeypatch, filled, detail={"points": points, "covered_reference": 0.4})
    at = hand_in(opened(), as_bytes(draw_print(1)))
    at.session_state["agreement"] = True
    at.run()
    assert "No single places were matched" not in words(at)
    assert any(button.label == "Download this picture" for button in at.get("download_button"))


def test_likeness_tells_the_order_of_similarities_that_round_to_one(
    filled: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told(monkeypatch, filled, similarity=1 - 1e-9)
    at = hand_in(opened(), as_bytes(draw_print(1)))
    assert shown(at, "plates")[0]["cards"][0]["figure"] == "Likeness 20.7"
    _, report = at.session_state["answer"]
    match = report.matches[0]
    assert nearness(replace(match, evidence=41.26)) == "Likeness 41.3"
    assert nearness(replace(match, similarity=0.05)) == "Likeness −2.9"


def test_a_number_of_matches_taken_up_again_brings_no_warning(
    filled: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told(monkeypatch, filled)
    at = opened()
    at.session_state["how-many"] = 20
    at = hand_in(at, as_bytes(draw_print(1)))
    assert ToldLibrary.asked[-1]["k"] == 20
    assert not at.warning


def test_only_what_is_missing_is_asked_for_when_saving(
    filled: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told(monkeypatch, filled)
    at = hand_in(opened(), as_bytes(draw_print(1)))
    at.text_input(key="exam-by").set_value("an examiner")
    next(one for one in at.button if one.label == "Save").click().run()
    assert [one.value for one in at.error] == ["Say what is examined."]
