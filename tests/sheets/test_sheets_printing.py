"""What comes out of the press room: true scale, embedded fonts, tags, nothing lost."""

from __future__ import annotations

import re
import shutil
import subprocess
import tempfile
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from printed_pages import longest_dark_run, pages, rendered, squeezed, text_of

from drawn_prints import draw_print
from loupebook.errors import RecordInvalid, SheetInvalid
from loupebook.imaging import encode_jpeg
from loupebook.records.model import SetInfo
from loupebook.sheets import (
    MadeSheet,
    Paper,
    Place,
    Plan,
    Plate,
    Section,
    SheetDefinition,
    SheetPoint,
    make_sheet,
)
from loupebook.sheets.paper import Size
from loupebook.sheets.plan import IN_THE_FRAME
from loupebook.sheets.quiz import Asked, make_key, make_quiz
from loupebook.sheets.report import PrintedSection, make_set_report
from loupebook.sheets.setting import FRAME_MEANS, Layout, page_data, set_plate
from loupebook.sheets.templates.pocket import words_of
from loupebook.sheets.typeset import typeset
from loupebook.sheets.words import printable

INFO = SetInfo("id", "A set", "2026-01-01T00:00:00Z", 7, notice="drawn, invented")
OWN = SetInfo("id", "Own", "2026-01-01T00:00:00Z", 1)
AT = datetime(2026, 2, 3, 4, 5, tzinfo=UTC)
PIXELS = np.asarray(draw_print(3))
ARABIC = "شريط الضمان الأصلي"
HEBREW = "טבעת מקורית"


def plate(name: str, **more: object) -> Plate:
    given = {"pixels": PIXELS, "px_per_mm": 10.0, "standing": "genuine", "sha256": "ab" * 32}
    return Plate(name, **{**given, **more})


def made(*plates: Plate, form: str = "pdf", info: SetInfo = INFO, **asked: object) -> MadeSheet:
    plan = Plan("A title", "a subtitle", (Section("Heading", tuple(plates)),))
    definition = SheetDefinition("pair", **asked)
    return make_sheet(plan, definition, info, form=form, made_at=AT)


@pytest.fixture(scope="module")
def one() -> bytes:
    return made(plate("Specimen one"), scale=1.0).files[0]


def test_the_scale_bar_of_a_300_dpi_rendering_is_right_to_half_a_percent() -> None:
    for scale, bar_mm in ((1.0, 20.0), (2.0, 20.0), (5.0, 20.0)):
        blank = plate("S", pixels=np.full((320, 320, 3), 250, np.uint8))
        pdf = made(blank, scale=scale, info=OWN).files[0]
        grey = rendered(pdf, 0, 300)
        # Crop marks and rules are thinner: the bar's upper edge is the longest black run.
        length = longest_dark_run(grey, height=2)
        assert length / 300 * 25.4 == pytest.approx(bar_mm * scale, rel=0.005)


def test_png_pages_say_their_resolution_and_are_as_large_as_the_paper() -> None:
    from io import BytesIO

    from PIL import Image

    for paper, size in ((Paper.A4, (210.0, 297.0)), (Paper.LETTER, (215.9, 279.4))):
        page = Image.open(BytesIO(made(plate("S"), form="png", paper=paper).files[0]))
        assert page.info["dpi"] == pytest.approx((300, 300), rel=1e-4)
        measured = (page.width / 300 * 25.4, page.height / 300 * 25.4)
        assert measured == pytest.approx(size, abs=0.1)


def test_pdf_pages_are_as_large_as_the_paper() -> None:
    for paper, size in ((Paper.A4, (210.0, 297.0)), (Paper.LETTER, (215.9, 279.4))):
        (page,) = pages(made(plate("S"), paper=paper).files[0])
        assert [side / 72 * 25.4 for side in page.get_size()] == pytest.approx(size, abs=0.05)


@pytest.mark.external
def test_every_font_is_embedded_and_the_file_is_tagged(one: bytes, tmp_path: Path) -> None:
    # Source: Poppler's pdffonts and pdfinfo.
    if shutil.which("pdffonts") is None:
        pytest.skip("poppler-utils is not installed (apt-get install poppler-utils)")
    (tmp_path / "one.pdf").write_bytes(one)
    listed = subprocess.run(
        ["pdffonts", str(tmp_path / "one.pdf")], capture_output=True, text=True, check=True
    ).stdout.splitlines()[2:]
    assert listed
    for line in listed:
        embedded, subset, unicode_map = line.split()[-5:-2]
        assert (embedded, subset, unicode_map) == ("yes", "yes", "yes"), line
    told = subprocess.run(
        ["pdfinfo", str(tmp_path / "one.pdf")], capture_output=True, text=True, check=True
    ).stdout
    assert "Tagged:          yes" in told
    assert "drawn, invented" in told


def test_pictures_have_words_in_their_stead(one: bytes) -> None:
    assert b"/Alt" in one
    assert b"/StructTreeRoot" in one


def test_every_page_carries_the_cautions_the_notice_and_its_number() -> None:
    pdf = made(*(plate(f"S {number}") for number in range(30))).files[0]
    texts = [page.get_textpage().get_text_range() for page in pages(pdf)]
    assert len(texts) > 1
    for number, text in enumerate(texts, start=1):
        flat = " ".join(text.split())
        assert "good copies lie near" in flat
        assert "Defer to the rights holder" in flat
        assert f"Page {number} of {len(texts)}" in flat
        assert "drawn, invented" in flat
        assert "UV-A" not in flat


def test_uv_pictures_bring_the_caution_for_eyes_and_skin() -> None:
    assert "never look into the lamp" in text_of(made(plate("S", dark=True)).files[0])


def test_a_set_without_notice_prints_none() -> None:
    assert "invented" not in text_of(made(plate("S"), info=OWN).files[0])


def test_sixty_specimens_long_names_other_scripts_and_missing_photos_are_all_there() -> None:
    names = [f"{number:02d}" + "x" * 198 for number in range(30)]
    names += [f"{number:02d} " + "Very long name of a specimen " * 6 for number in range(30, 50)]
    names += [f"{ARABIC} {number}" for number in range(50, 55)]
    names += [f"{HEBREW} {number}" for number in range(55, 60)]
    plates = [
        plate(name, missing="The photo file is missing.", pixels=None)
        if number % 7 == 3
        else plate(name, standing="fake" if number % 2 else "genuine", sha256=f"{number:064x}")
        for number, name in enumerate(names)
    ]
    sheet = made(*plates)
    assert len(sheet.files[0]) <= 10_000_000
    text = squeezed(text_of(sheet.files[0]))
    for name in names[:50]:
        assert text.count(squeezed(name.strip())) >= 1, name
    letters = {letter for name in (ARABIC, HEBREW) for letter in name if letter != " "}
    for letter in letters:
        assert squeezed(letter) in text
    assert text.count("Thephotofileismissing.") == sum(number % 7 == 3 for number in range(60))
    for number in range(60):
        if number % 7 != 3:
            assert f"{number:064x}" in text


def test_no_word_runs_out_of_the_paper() -> None:
    pdf = made(*(plate("W" * 200, standing="fake") for _ in range(5))).files[0]
    for number, _ in enumerate(list(pages(pdf))):
        grey = rendered(pdf, number, 100)
        right = grey[40:-60, -round(12 / 25.4 * 100) :]
        assert right.min() > 200


def test_characters_that_no_font_has_are_printed_as_code_points() -> None:
    assert "⟨U+4E2D⟩" in text_of(made(plate("中")).files[0])


def test_every_kind_of_white_space_prints_as_a_space() -> None:
    spaces = [one for one in map(chr, range(0x3001)) if one.isspace() and one not in "\n\xa0"]
    assert printable("".join(spaces) + "a\n\xa0b") == " " * len(spaces) + "a\n\xa0b"
    assert "Ogham space" in text_of(made(plate("Ogham\u1680space")).files[0])


def test_what_was_typed_is_never_read_as_markup() -> None:
    nasty = '#panic("x") $a$ *b* @ref <label> \\ `code` ] } //'
    text = squeezed(text_of(made(plate(nasty)).files[0]))
    assert squeezed(nasty) in text


def test_the_same_data_and_instant_give_the_same_bytes(one: bytes) -> None:
    assert made(plate("Specimen one"), scale=1.0).files[0] == one


def test_large_pictures_are_brought_below_ten_megabytes() -> None:
    noise = np.random.default_rng(1).integers(0, 256, (3600, 3600, 3), np.uint8)
    sheet = made(*(plate(f"S {n}", pixels=np.roll(noise, n), px_per_mm=40.0) for n in range(6)))
    assert len(sheet.files[0]) <= 10_000_000


def test_an_item_that_does_not_fit_at_the_scale_asked_for_is_refused() -> None:
    with pytest.raises(SheetInvalid, match="Choose a smaller scale"):
        made(plate("S"), scale=10.0)


def test_call_outs_and_points_are_numbered_alike() -> None:
    point = SheetPoint(4, "Crest", Place(0.2, 0.2, 0.3, 0.3), "complete", "numbered")
    plan = Plan("T", "", (Section("", (plate("S", points=(point,)),)),), points=(point,))
    pdf = make_sheet(plan, SheetDefinition("pair"), INFO, made_at=AT).files[0]
    text = text_of(pdf)
    assert "Crest" in text
    assert "complete" in text
    assert len(re.findall(r"\b4\b", text)) == 2


def test_definitions_survive_json_and_refuse_what_they_do_not_know() -> None:
    asked = SheetDefinition("point", edition="E", specimens=("A", "B"), paper=Paper.LETTER, scale=2)
    assert SheetDefinition.from_dict(asked.to_dict()) == asked
    with pytest.raises(RecordInvalid, match="is not known"):
        SheetDefinition("poster")
    with pytest.raises(RecordInvalid, match="colour"):
        SheetDefinition.from_dict({"template": "pair", "colour": "red"})
    with pytest.raises(RecordInvalid, match="scale"):
        SheetDefinition("pair", scale=900.0)


SENTENCE = "The lettering of the crest stands closer to the rim than on known ones, word by word."


def card(count: int, words: str, **asked: object) -> bytes:
    """Return pocket cards with so many points, each of which says the words."""
    points = [
        SheetPoint(number, f"P{number}", Place(0.1, 0.1, 0.2, 0.2), words, f"copies {words}")
        for number in range(1, count + 1)
    ]
    sides = [
        Section(
            "Marque, edition " + "long " * 40,
            (plate("Specimen " * 20, standing=standing, points=tuple(points), **asked),),
            words_of(points, genuine=standing == "genuine"),
        )
        for standing in ("genuine", "fake")
    ]
    plan = Plan("Cards", "", tuple(sides), points=tuple(points), card=True)
    return make_sheet(plan, SheetDefinition("pocket"), INFO, made_at=AT).files[0]


def body_of(pdf: bytes) -> str:
    """Return the text that stands above the foot of each page."""
    above = 33 / 25.4 * 72 - 2
    return " ".join(page.get_textpage().get_text_bounded(bottom=above) for page in pages(pdf))


def boxes_of(page: object, words: str) -> list[tuple[float, float, float, float]]:
    """Return left, bottom, right, top in mm from the page's upper left corner, of each place."""
    text = page.get_textpage()
    searched, found = text.search(words), []
    while (at := searched.get_next()) is not None:
        low = [text.get_charbox(k) for k in range(at[0], at[0] + at[1])]
        found.append(tuple(side * 25.4 / 72 for side in low[0]))
    return found


@pytest.mark.parametrize(("count", "words"), [(4, SENTENCE), (4, SENTENCE * 3), (2, SENTENCE * 30)])
def test_texts_of_a_card_stand_above_its_cautions_and_are_whole(count: int, words: str) -> None:
    page = next(pages(card(count, words)))
    ((_, foot, _, _),) = boxes_of(page, "This card compares")
    last = "word by word."
    on_card = [box for box in boxes_of(page, last) if box[1] > foot - 1]
    # Nothing is printed over the last line of the card.
    assert all(box[1] > foot + 1.5 for box in on_card)
    text = squeezed(text_of(card(count, words)))
    assert "Numberedplaces" in text
    shown = len(on_card) / (2 * words.count(last))
    left = round(count - shown)
    assert ("onthesheet" in text) == (left > 0)


def test_a_card_of_uv_pictures_cautions_on_the_card_itself() -> None:
    words = "never look into one"
    assert words in text_of(card(1, "a", dark=True))
    assert words not in text_of(card(1, "a"))


def test_long_words_from_right_to_left_keep_their_order() -> None:
    letters = "אבגדהוזחטיכלמנסעפצקרשת" * 2
    page = next(pages(made(plate(letters)).files[0]))
    text = page.get_textpage()
    boxes = {
        text.get_text_range(k, 1): text.get_charbox(k)
        for k in reversed(range(text.count_chars()))
        if text.get_text_range(k, 1) in letters
    }
    # On one line the first letter stands to the right of the second.
    assert boxes["א"][0] > boxes["ב"][0] > boxes["ג"][0]


def test_a_long_notice_stands_on_one_line_at_the_head_of_later_pages() -> None:
    notice = "Long, and longer. " * 60
    info = SetInfo("id", "Own", "2026-01-01T00:00:00Z", 1, notice=notice)
    _, page, *_ = pages(made(*(plate(f"S {n}") for n in range(30)), info=info).files[0])
    text = page.get_textpage()
    head = text.get_text_bounded(bottom=page.get_height() - 16 / 25.4 * 72)
    assert 0 < head.count("Long, and longer.") < 6
    assert "…" in head


def test_a_key_says_what_lengths_in_the_frame_mean_and_prints_long_points() -> None:
    words = " ".join(f"w{number:04d}" for number in range(2000))
    point = SheetPoint(1, "P", Place(0.1, 0.1, 0.2, 0.2), words)
    shown = plate("S", lengths=IN_THE_FRAME)
    asked = Asked(shown, shown, shown, (point,), "says")
    text = body_of(make_key("K", [asked], INFO, paper=Paper.A4, made_at=AT))
    assert squeezed(FRAME_MEANS) in squeezed(text)
    assert all(f"w{number:04d}" in text for number in range(2000))


def test_each_question_is_printed_as_large_as_it_fits() -> None:
    shown = [plate("seal", px_per_mm=2.0), plate("band", px_per_mm=16.0)]
    asked = [Asked(one, one, None, (), "says") for one in shown]
    for make in (make_quiz, make_key):
        text = body_of(make("Q", asked, INFO, paper=Paper.A4, made_at=AT))
        # 160 mm and 20 mm wide: one scale for both would print the band at a third of life size.
        assert re.search(r"Printed at 1 : \d to \d : 1 against life size", text)


def test_what_a_long_point_says_is_never_cut() -> None:
    words = " ".join(f"w{number:04d}" for number in range(1600))
    plan = Plan("T", "", (Section("1  Crest", (plate("S"),), words, columns=2),))
    body = body_of(make_sheet(plan, SheetDefinition("pair"), INFO, made_at=AT).files[0])
    assert all(f"w{number:04d}" in body for number in range(1600))


def record(serials: list[list[str]], note: str) -> bytes:
    """Return the printed record of an examination with little on it."""
    pictures: dict[str, bytes] = {}
    shown = set_plate(plate("item"), Layout(2, 1.0), Size(40, 40), pictures, 100, 80)
    data = {
        **page_data("Record", "", Paper.A4, OWN, AT, uv=False),
        "faults": [], "facts": [], "query": {"plates": [shown], "scale": ""}, "photo_check": [],
        "serials": serials,
        "given_out": "", "reading": {"says": [], "needs": [], "does_not_say": ""},
        "matches": [], "ranked_by": "", "references": [], "own_width": 40, "beyond": "",
        "marks": [{"title": "A point", "mark": "differs", "figure": "", "note": note,
                   "crops": [shown]}],
        "notes": "None.", "images": [], "with_signature": 8,
    }  # fmt: skip
    return typeset("record", data, pictures, made_at=AT)[0]


def test_a_long_name_of_a_place_never_prints_over_its_serial_number() -> None:
    for place in ("Ж" * 18, "Ж" * 60):
        text = next(pages(record([[place, "Ю" * 6]], ""))).get_textpage()
        boxes: dict[str, list[tuple[float, ...]]] = {"Ж": [], "Ю": []}
        for at, letter in enumerate(text.get_text_range()):
            if letter in boxes:
                boxes[letter].append(text.get_charbox(at))
        assert [len(some) for some in boxes.values()] == [len(place), 6]
        assert max(right for _, _, right, _ in boxes["Ж"]) < min(left for left, *_ in boxes["Ю"])


def test_a_report_shows_a_long_strip_from_end_to_end() -> None:
    strip = np.full((60, 600, 3), 250, np.uint8)
    strip[:, :60] = strip[:, -60:] = 0
    section = PrintedSection("Twins", "One pair.", [("Both are alike.", "merge", [1])])
    pdf = make_set_report(
        [section], OWN, about="", closing="", uv=False, photos={1: encode_jpeg(strip)}, made_at=AT
    )
    dark = (rendered(pdf, 0, 100) < 64).sum() / (100 / 25.4) ** 2
    # Both ends, a tenth of the length each, are as wide as high: some 17 mm.
    assert dark > 500


def test_what_an_examiner_wrote_is_never_cut() -> None:
    words = " ".join(f"w{number:04d}" for number in range(1600))
    pdf = record([["Left", " ".join(f"s{number:04d}" for number in range(1200))]], words)
    body = body_of(pdf)
    assert all(f"w{number:04d}" in body for number in range(1600))
    assert all(f"s{number:04d}" in body for number in range(1200))
    texts = [page.get_textpage().get_text_range() for page in pages(pdf)]
    (at,) = [text for text in texts if "Marks of the examiner" in text]
    assert "A point" in at


def test_pages_without_room_for_temporary_files_say_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "none"))
    with pytest.raises(SheetInvalid, match="room for temporary files"):
        typeset("record", {}, {})
