"""Each template on a small drawn set; kept definitions and a set that moves on."""

from __future__ import annotations

import json
import re
import sqlite3
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
from PIL import ExifTags, Image, ImageDraw

from drawn_prints import draw_print
from loupebook.compare import Group
from loupebook.errors import RecordInvalid, RecordNotFound, SheetInvalid
from loupebook.library import (
    TEMPLATES,
    Element,
    IncomingPhoto,
    Library,
    Lighting,
    MadeSheet,
    Paper,
    SheetDefinition,
    SpecimenRecord,
    Standing,
    View,
    write_sheet,
)
from loupebook.sheets import plan_sheet
from loupebook.sheets.plan import IN_THE_FRAME
from loupebook.sheets.setting import FRAME_MEANS, lay_out
from loupebook.sheets.templates.common import (
    NO_FILE,
    NO_PLACES,
    NOT_COMPARED,
    design,
    of_one_design,
    origin_group,
)
from loupebook.sheets.templates.lighting import APART
from loupebook.sheets.templates.years import LEFT_OUT, UNDATED
from loupebook.sheets.with_photos import LEFT_OUT as WITHOUT_PHOTO
from taught_set import EDITION, PATCH, PHOTO_PX, copied_print, genuine_print, opened_copy, photo

pdfium = pytest.importorskip("pypdfium2", reason="pypdfium2 is not installed (extra 'test')")

DEFINITIONS = {
    "pair": SheetDefinition("pair", edition=EDITION),
    "years": SheetDefinition("years", marque="Marque A", element=Element.BAND),
    "press": SheetDefinition("press", origin="press-1"),
    "point": SheetDefinition("point", edition=EDITION),
    "lighting": SheetDefinition("lighting", specimens=("G-0",)),
    "pocket": SheetDefinition("pocket", marque="Marque A"),
}


@pytest.fixture(scope="module")
def library(taught_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Library:
    made = opened_copy(taught_folder, tmp_path_factory.mktemp("sheets") / "set")
    raking = photo(genuine_print(1.0), "g0-raking.png", lighting=Lighting.RAKING)
    uv = photo(genuine_print(0.5), "g0-uv.png", lighting=Lighting.UV_A)
    record = SpecimenRecord(
        "G-0", Element.BAND, Standing.GENUINE, marque="Marque A", edition=EDITION
    )
    assert made.add_specimen(record, [raking, uv], by="a curator").ok
    return made


def text_of(pdf: bytes) -> str:
    return " ".join(
        " ".join(page.get_textpage().get_text_range().split()) for page in pdfium.PdfDocument(pdf)
    )


@pytest.mark.parametrize("template", TEMPLATES)
def test_each_template_prints_with_cautions_scale_and_notice(
    library: Library, template: str
) -> None:
    sheet = library.sheets.make(DEFINITIONS[template])
    text = text_of(sheet.files[0])
    assert "good copies lie near" in text
    assert "drawn, invented" in text
    assert re.search(r"\d mm (on the item|in the frame)", text)
    assert "Printed at" in text
    assert len(sheet.files[0]) <= 10_000_000
    assert sheet.made_from


def test_a_pair_lies_in_one_frame_and_measures_where_the_copy_differs(library: Library) -> None:
    plan = plan_sheet(library.sheet_source, DEFINITIONS["pair"])
    genuine, copy = plan.sections[0].plates
    assert (genuine.standing, copy.standing) == ("genuine", "fake")
    # Both were fitted to the frame: a copy printed too small is as long in it.
    assert {genuine.lengths, copy.lengths} == {IN_THE_FRAME}
    printed = text_of(library.sheets.make(DEFINITIONS["pair"]).files[0])
    assert "mm on the item" not in printed
    assert FRAME_MEANS in printed
    assert genuine.note == copy.note == "laid into the common frame"
    assert genuine.item_size.width == pytest.approx(copy.item_size.width, rel=0.01)
    # The patch of press-1, lies in one of the measured places.
    drawn = _place_of_the_patch(library)
    assert any(point.place.contains(*drawn) for point in plan.points)


@pytest.mark.parametrize(
    ("template", "what"), [("pair", "The copy, F-0-0"), ("press", "What specimens of press-1 have")]
)
def test_what_was_measured_names_both_that_were_compared(
    library: Library, template: str, what: str
) -> None:
    sections = plan_sheet(library.sheet_source, DEFINITIONS[template]).sections
    (said,) = [one.text for one in sections if "held against" in one.text]
    assert said.startswith(what)
    assert f"held against known genuine ones of {EDITION} (3 photos)." in said
    # No bare "genuine ones" is left of which nobody can tell which they are.
    assert said.count("genuine ones") == said.count("known genuine ones")


def test_the_one_specimen_of_a_press_stands_beside_the_genuine_print(library: Library) -> None:
    only = SheetDefinition("press", origin="press-1", specimens=("F-0-0",))
    first = plan_sheet(library.sheet_source, only).sections[0]
    assert [plate.standing for plate in first.plates] == ["genuine", "fake"]
    # Measured were all specimens of the press.
    assert first.text.startswith("What specimens of press-1 have in common, held against")


def test_details_are_printed_larger_than_the_whole(library: Library) -> None:
    plan = plan_sheet(library.sheet_source, DEFINITIONS["pair"])
    whole, *details = lay_out(plan, DEFINITIONS["pair"])
    assert details
    assert all(one.magnification > whole.magnification for one in details)


def _place_of_the_patch(library: Library) -> tuple[float, float]:
    """Return where the middle of the patch lies in the frame, from the untilted photo."""
    group = Group(EDITION, "Marque A", "band", "face", "diffuse", "genuine")
    mapped = library.sheet_source.mapped(library.photos("G-0")[0], group)
    middle = np.mean(PATCH, axis=0) / PHOTO_PX
    apart = np.linalg.norm(mapped.at - middle, axis=-1)
    row, column = np.unravel_index(np.argmin(apart), apart.shape)
    return column / apart.shape[1], row / apart.shape[0]


def test_points_that_are_drawn_take_the_place_of_measured_ones(
    taught_folder: Path, tmp_path: Path
) -> None:
    with opened_copy(taught_folder, tmp_path / "set") as own:
        own.points.add(
            1, PATCH, title="The patch",
            genuine_shows="plain", copies_show="a white patch", by="a curator",
        )  # fmt: skip
        plan = plan_sheet(own.sheet_source, DEFINITIONS["pair"])
        assert [point.name for point in plan.points] == ["The patch"]
        text = text_of(own.sheets.make(DEFINITIONS["point"]).files[0])
        assert "One point: The patch" in text
        named = SheetDefinition("point", edition=EDITION, point="No such")
        with pytest.raises(SheetInvalid, match="The patch"):
            own.sheets.make(named)


def test_a_point_stays_on_its_place_when_the_frame_changes(
    taught_folder: Path, tmp_path: Path
) -> None:
    group = Group(EDITION, "Marque A", "band", "face", "diffuse", "genuine")
    with opened_copy(taught_folder, tmp_path / "set") as own:
        anchor = own.sheet_source.consensus(group).photos[0].specimen
        stays = next(name for name in ("G-0", "G-1", "G-2") if name != anchor)
        point = own.points.add(
            own.photos(stays)[0].photo_id, PATCH, title="The patch", genuine_shows="plain", by="c"
        )
        before = own.sheet_source.place_of(point, group)
        own.withdraw(anchor, by="a curator", reason="r")
        after = own.sheet_source.place_of(point, group)
    with Library.open(tmp_path / "set") as again:
        assert after == again.sheet_source.place_of(point, group) != before


def test_one_edition_shows_its_photos_by_year(taught_folder: Path, tmp_path: Path) -> None:
    with opened_copy(taught_folder, tmp_path / "set") as own:
        for year in (2019, 2012):
            taken = f"{year}:05:04 12:00:00"
            exif = Image.Exif()
            exif.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.DateTimeOriginal] = taken
            data = BytesIO()
            genuine_print(0.1 * (year - 2011)).save(data, "JPEG", quality=95, exif=exif)
            record = SpecimenRecord(
                f"Y-{year}", Element.BAND, Standing.GENUINE, marque="Marque A", edition=EDITION
            )
            dated = IncomingPhoto(data.getvalue(), f"{year}.jpg")
            assert own.add_specimen(record, [dated], by="a curator").ok
        plan = plan_sheet(own.sheet_source, SheetDefinition("years", edition=EDITION))
        _, *years = plan.sections
        assert [one.heading for one in years] == ["2012", "2019", UNDATED]
        assert [plate.name for plate in years[0].plates] == ["Y-2012"]
        assert {plate.name for plate in years[2].plates} == {"G-0", "G-1", "G-2"}
        notes = {plate.note for one in years for plate in one.plates}
        assert notes == {"laid into the common frame"}


def test_a_press_shows_all_its_specimens_and_no_other(library: Library) -> None:
    plan = plan_sheet(library.sheet_source, DEFINITIONS["press"])
    shown = {plate.name for plate in plan.sections[1].plates}
    assert shown == {"F-0-0", "F-0-1"}


def test_editions_of_two_makers_that_share_a_name_are_never_one_design(
    taught_folder: Path, tmp_path: Path
) -> None:
    with opened_copy(taught_folder, tmp_path / "set") as library:
        stranger = SpecimenRecord("A-stranger", Element.BAND, Standing.FAKE, marque="Marque B",
                                  edition=EDITION, origin="press-1")  # fmt: skip
        library.add_specimen(
            stranger, [photo(copied_print(1, 2.0), "stranger.png")], by="a curator"
        )
        of_both = [SheetDefinition(name, edition=EDITION) for name in ("pair", "point")]
        for definition in (*of_both, DEFINITIONS["press"]):
            with pytest.raises(SheetInvalid, match=r"several: Marque A, Edition A.*; Marque B"):
                plan_sheet(library.sheet_source, definition)
        named = SheetDefinition("pair", marque="Marque A", edition=EDITION)
        assert plan_sheet(library.sheet_source, named).sections[0].plates[1].name == "F-0-0"
        cards = plan_sheet(library.sheet_source, SheetDefinition("pocket", edition=EDITION))
        assert [section.heading for section in cards.sections] == [
            f"Marque A, {EDITION}", "Copies", f"Marque B, {EDITION}", "Copies",
        ]  # fmt: skip
        with pytest.raises(SheetInvalid, match="several"):
            plan_sheet(
                library.sheet_source, SheetDefinition("pair", specimens=("G-0", "A-stranger"))
            )
        unknown = SpecimenRecord("F-unknown", Element.BAND, Standing.FAKE, marque="Marque A")
        library.add_specimen(unknown, [photo(copied_print(1, 3.0), "u.png")], by="a curator")
        pair = SheetDefinition("pair", specimens=("G-0", "F-unknown"))
        shown = plan_sheet(library.sheet_source, pair).sections[0].plates
        assert [plate.name for plate in shown] == ["G-0", "F-unknown"]


@pytest.mark.parametrize(
    ("named", "shown"), [("G-2", ["G-2", "F-0-0"]), ("F-1-1", ["G-0", "F-1-1"])]
)
def test_beside_one_specimen_alone_comes_the_first_of_the_other_standing(
    library: Library, named: str, shown: list[str]
) -> None:
    definition = SheetDefinition("pair", edition=EDITION, specimens=(named,))
    plates = plan_sheet(library.sheet_source, definition).sections[0].plates
    assert [plate.name for plate in plates] == shown


OTHER = "Edition B"


@pytest.fixture(scope="module")
def two_editions(taught_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Library:
    """A set of which one press copies two editions, with a specimen whose edition is not known."""
    made = opened_copy(taught_folder, tmp_path_factory.mktemp("two") / "set")
    for number in range(3):
        for standing, origin in ((Standing.GENUINE, None), (Standing.FAKE, "press-1")):
            shot = draw_print(23, PHOTO_PX)
            if origin:
                ImageDraw.Draw(shot).rectangle([120, 100, 160, 140], fill=(250, 250, 250))
            name = f"B-{standing}-{number}"
            record = SpecimenRecord(
                name, Element.BAND, standing, marque="Marque A", edition=OTHER, origin=origin
            )
            taken = photo(shot.rotate(number), f"{name}.png")
            assert made.add_specimen(record, [taken], by="a curator").ok
    unknown = SpecimenRecord("N-0", Element.BAND, Standing.GENUINE, marque="Marque A")
    assert made.add_specimen(unknown, [photo(draw_print(61), "n.png")], by="a curator").ok
    return made


def test_copies_of_two_editions_by_one_press_are_not_combined(two_editions: Library) -> None:
    source = two_editions.sheet_source
    for name, copies in (
        ("F-0-0", {"F-0-0", "F-0-1"}),
        ("B-fake-0", {f"B-fake-{number}" for number in range(3)}),
    ):
        group = origin_group(source.specimen(name), View.FACE, Lighting.DIFFUSE)
        consensus = source.consensus(group)
        assert consensus is not None
        assert {one.specimen for one in consensus.photos} == copies
    asked = SheetDefinition("press", marque="Marque A", edition=EDITION, origin="press-1")
    plan = plan_sheet(source, asked)
    assert {plate.name for plate in plan.sections[1].plates} == {"F-0-0", "F-0-1"}
    assert any(point.measured for point in plan.points)
    # Measured were the specimens of this design, not all of the press.
    one = SheetDefinition("press", edition=OTHER, origin="press-1")
    assert "What specimens of press-1" in plan_sheet(source, one).sections[1].text


def test_a_press_is_asked_of_one_marque(two_editions: Library) -> None:
    with pytest.raises(SheetInvalid, match="no confirmed fake"):
        plan_sheet(
            two_editions.sheet_source, SheetDefinition("press", marque="Other", origin="press-1")
        )


@pytest.mark.parametrize(
    ("template", "names"), [("pair", ("G-0", "B-fake-0")), ("lighting", ("G-0", "B-genuine-0"))]
)
def test_specimens_named_of_two_designs_are_refused(
    two_editions: Library, template: str, names: tuple[str, ...]
) -> None:
    with pytest.raises(SheetInvalid, match=r"Edition A.*; .*Edition B"):
        plan_sheet(two_editions.sheet_source, SheetDefinition(template, specimens=names))


def test_a_maker_whose_name_begins_an_edition_by_chance_is_named() -> None:
    def named(marque: str, edition: str) -> str:
        return design(
            SpecimenRecord("S", Element.BAND, Standing.GENUINE, marque=marque, edition=edition)
        )

    assert named("Ro", "Robusto") == "Ro, Robusto"
    assert named("Ro", "Ro Robusto") == "Ro Robusto"
    assert named("Ro", "Ro") == "Ro"


def test_editions_whose_makers_begin_their_names_are_two_designs() -> None:
    both = [
        SpecimenRecord("S", Element.BAND, Standing.GENUINE, marque=marque, edition="Ro Robusto")
        for marque in ("Ro", "Ro Robusto")
    ]
    with pytest.raises(SheetInvalid, match="several"):
        of_one_design(both)


def test_specimens_without_an_edition_are_no_edition(two_editions: Library) -> None:
    plan = plan_sheet(two_editions.sheet_source, DEFINITIONS["years"])
    assert [section.heading for section in plan.sections] == [EDITION, OTHER]
    assert f"{LEFT_OUT}: 1 of 7 specimens." in plan.remarks


def test_genuine_ones_stand_beside_the_copies_of_one_press(two_editions: Library) -> None:
    asked = SheetDefinition("point", edition=EDITION, origin="press-1")
    _, genuine, copies = plan_sheet(two_editions.sheet_source, asked).sections
    assert {plate.name for plate in genuine.plates} == {"G-0", "G-1", "G-2"}
    assert {plate.name for plate in copies.plates} == {"F-0-0", "F-0-1"}


def test_nothing_measured_is_not_nothing_found(two_editions: Library) -> None:
    source = two_editions.sheet_source
    stranger = SpecimenRecord(
        "F-x", Element.BAND, Standing.FAKE, marque="Marque A", edition=EDITION, origin="x"
    )
    assert two_editions.add_specimen(stranger, [photo(draw_print(55), "x.png")], by="me").ok
    plan = plan_sheet(source, SheetDefinition("pair", specimens=("G-0", "F-x")))
    assert NOT_COMPARED in plan.remarks
    assert NO_PLACES not in plan.remarks
    assert NOT_COMPARED in plan_sheet(source, SheetDefinition("press", origin="x")).remarks
    dark = SheetDefinition("pair", specimens=("G-0", "F-0-0"), lighting=Lighting.RAKING)
    assert NOT_COMPARED in plan_sheet(source, dark).remarks
    card = SheetDefinition("pocket", edition=OTHER, lighting=Lighting.RAKING)
    for name, seed in (("B-genuine-0", 23), ("B-fake-0", 55)):
        lit = photo(draw_print(seed, PHOTO_PX), f"{name}-lit.png", lighting=Lighting.RAKING)
        assert two_editions.add_specimen(source.specimen(name), [lit], by="me").ok
    assert plan_sheet(source, card).sections[1].text == (
        "No points are drawn yet, and no comparison could be made."
    )


def test_a_pair_with_a_damaged_photo_keeps_its_place(taught_folder: Path, tmp_path: Path) -> None:
    with opened_copy(taught_folder, tmp_path / "set") as own:
        lost = own.photos("F-0-0")[0]
        (own.folder / "photos" / lost.sha256[:2] / lost.sha256).write_bytes(b"damaged")
        plan = plan_sheet(own.sheet_source, SheetDefinition("pair", specimens=("G-0", "F-0-0")))
        (section,) = plan.sections
        assert section.plates[1].missing == NO_FILE
        assert section.text == ""


def test_captions_tell_the_photos_own_scale(taught_folder: Path, tmp_path: Path) -> None:
    with opened_copy(taught_folder, tmp_path / "set") as own:
        for name, scale in (("S-5", 5.0), ("S-none", None)):
            record = SpecimenRecord(
                name, Element.BAND, Standing.GENUINE, marque="Marque A", edition=EDITION
            )
            tilt = 1.0 if scale else 3.0
            taken = photo(genuine_print(tilt), f"{name}.png", px_per_mm=scale)
            assert own.add_specimen(record, [taken], by="a curator").ok
        plan = plan_sheet(own.sheet_source, SheetDefinition("years", edition=EDITION))
        said = {plate.name: plate.lines[-1] for plate in plan.sections[-1].plates}
        assert said["S-5"].endswith("own scale 5.0 px/mm")
        assert said["S-none"].endswith("own scale not known")


def test_a_lighting_series_lists_its_specimen(library: Library) -> None:
    text = text_of(library.sheets.make(DEFINITIONS["lighting"]).files[0])
    listed = text[text.index("Photos shown") :]
    assert listed.count("G-0 Genuine") == 3
    assert "Diffuse light" not in listed


def test_a_lighting_series_lies_in_the_frame_of_diffuse_light(library: Library) -> None:
    plan = plan_sheet(library.sheet_source, DEFINITIONS["lighting"])
    plates = plan.sections[0].plates
    assert [plate.name for plate in plates] == ["Diffuse light", "Raking light", "UV-A lamp"]
    assert {plate.note for plate in plates} == {"laid into the common frame"}
    sizes = {(round(plate.item_size.width), round(plate.item_size.height)) for plate in plates}
    assert len(sizes) == 1


def test_a_photo_that_does_not_fit_that_frame_says_so(taught_folder: Path, tmp_path: Path) -> None:
    with opened_copy(taught_folder, tmp_path / "set") as own:
        other = photo(draw_print(99, 400), "g0-uv.png", lighting=Lighting.UV_A)
        record = SpecimenRecord(
            "G-0", Element.BAND, Standing.GENUINE, marque="Marque A", edition=EDITION
        )
        assert own.add_specimen(record, [other], by="a curator").ok
        _, dark = plan_sheet(own.sheet_source, DEFINITIONS["lighting"]).sections[0].plates
        assert dark.note == APART


def test_a_lighting_series_cautions_where_it_shows_uv(library: Library) -> None:
    text = text_of(library.sheets.make(DEFINITIONS["lighting"]).files[0])
    assert "UV-A lamps harm eyes and skin" in text
    for words in ("Diffuse light", "Raking light", "UV-A lamp"):
        assert words in text


@pytest.mark.parametrize(
    ("asked", "copy"), [({"origin": "press-2"}, "F-1-0"), ({"specimens": ("F-1-1",)}, "F-1-1")]
)
def test_a_card_shows_the_copy_that_was_asked_for(
    library: Library, asked: dict[str, object], copy: str
) -> None:
    card = plan_sheet(library.sheet_source, SheetDefinition("pocket", edition=EDITION, **asked))
    front, behind = card.sections
    assert front.plates[0].standing == "genuine"
    assert [plate.name for plate in behind.plates] == [copy]


def test_cards_of_a_press_are_of_the_designs_that_it_copies(two_editions: Library) -> None:
    asked = SheetDefinition("pocket", marque="Marque A", origin="press-2")
    cards = plan_sheet(two_editions.sheet_source, asked)
    assert [section.heading for section in cards.sections][::2] == ["Marque A, Edition A"]


def test_a_measured_point_says_whose_it_is(library: Library) -> None:
    plan = plan_sheet(library.sheet_source, DEFINITIONS["point"])
    # The patch of press-2 lies elsewhere.
    assert plan.points[0].copies.startswith("press-1: departs here")
    assert "Measured on press-1 only: copies of other presses may not depart here." in plan.remarks
    card = plan_sheet(library.sheet_source, DEFINITIONS["pocket"])
    assert all(point.copies.startswith("press-1: ") for point in card.points)


def test_what_cannot_be_laid_into_the_frame_is_cropped_and_says_so(
    taught_folder: Path, tmp_path: Path
) -> None:
    from drawn_prints import draw_print

    with opened_copy(taught_folder, tmp_path / "set") as own:
        other = SpecimenRecord(
            "F-other", Element.BAND, Standing.FAKE, marque="Marque A", edition=EDITION, origin="x"
        )
        assert own.add_specimen(other, [photo(draw_print(55), "o.png")], by="me").ok
        plan = plan_sheet(own.sheet_source, SheetDefinition("pair", specimens=("G-0", "F-other")))
        plate = plan.sections[0].plates[1]
        assert plate.note.startswith("not laid into the common frame")
        assert plate.points == ()
        assert any("Could not be laid" in remark for remark in plan.remarks)


def test_a_photo_that_is_lost_keeps_its_place(taught_folder: Path, tmp_path: Path) -> None:
    with opened_copy(taught_folder, tmp_path / "set") as own:
        lost = own.photos("F-0-1")[0]
        (own.folder / "photos" / lost.sha256[:2] / lost.sha256).unlink()
        text = text_of(own.sheets.make(DEFINITIONS["press"]).files[0])
        assert "F-0-1" in text
        assert NO_FILE in text
        assert str(own.folder) not in text  # a sheet is handed on
        assert "Without a picture: 1 of 2." in text


@pytest.mark.parametrize("named", [(), ("F-0-0", "F-0-1")])
def test_a_specimen_without_photos_is_left_out_with_a_word(
    taught_folder: Path, tmp_path: Path, named: tuple[str, ...]
) -> None:
    with opened_copy(taught_folder, tmp_path / "set") as own:
        for one in own.photos("F-0-1"):
            own.edit_photo(one.photo_id, {"specimen": "F-0-0"}, by="me", reason="mixed up")
        made = own.sheets.make(SheetDefinition("press", origin="press-1", specimens=named))
        assert f"{WITHOUT_PHOTO}: F-0-1." in made.remarks
        assert not any("Without a picture" in remark for remark in made.remarks)
        text = text_of(made.files[0])
        assert "No photo is on record" not in text
        assert WITHOUT_PHOTO in text
        for definition in (
            SheetDefinition("pair", specimens=("G-0", "F-0-1")),
            SheetDefinition("press", origin="press-1", specimens=("F-0-1",)),
        ):
            with pytest.raises(SheetInvalid, match="No photo is on record of F-0-1"):
                own.sheets.make(definition)
        for one in own.photos("F-0-0"):
            own.edit_photo(one.photo_id, {"specimen": "G-0"}, by="me", reason="mixed up")
        with pytest.raises(SheetInvalid, match="No photo is on record of F-0-0, F-0-1"):
            own.sheets.make(DEFINITIONS["press"])


def test_a_kept_sheet_tells_when_the_set_has_moved_on(taught_folder: Path, tmp_path: Path) -> None:
    with opened_copy(taught_folder, tmp_path / "set") as own:
        version = own.info().change_counter
        own.sheets.save("Press", DEFINITIONS["press"], by="me")
        assert own.sheets.state("Press").says() == "Not made yet."
        first = own.sheets.make_saved("Press", by="me")
        assert own.info().change_counter == version
        assert not own.sheets.state("Press").stale
        more = SpecimenRecord(
            "F-0-9", Element.BAND, Standing.FAKE, marque="Marque A", edition=EDITION,
            origin="press-1",
        )  # fmt: skip
        assert own.add_specimen(more, [photo(copied_print(0, 3.0), "n.png")], by="me").ok
        state = own.sheets.state("Press")
        assert (state.added, state.gone) == (1, 0)
        second = own.sheets.make_saved("Press", by="me")
        assert set(second.made_from) > set(first.made_from)
        assert not own.sheets.state("Press").stale
        for name in ("F-0-0", "F-0-1", "F-0-9"):
            own.withdraw(name, by="me", reason="r")
        assert "Cannot be made now" in own.sheets.state("Press").says()
        with pytest.raises(RecordNotFound, match="no sheet"):
            own.sheets.make_saved("Other", by="me")


def test_a_kept_sheet_tells_when_the_set_says_something_else(
    taught_folder: Path, tmp_path: Path
) -> None:
    with opened_copy(taught_folder, tmp_path / "set") as own:
        names = ("lighting", "pocket")
        for name in names:
            own.sheets.save(name, DEFINITIONS[name], by="me")
            own.sheets.make_saved(name, by="me")

        def changed() -> set[str]:
            return {name for name in names if own.sheets.state(name).changed}

        assert changed() == set()
        own.points.add(
            1, PATCH, title="The patch",
            genuine_shows="plain", copies_show="a white patch", by="a curator",
        )  # fmt: skip
        assert changed() == {"pocket"}
        # Another genuine one is in the frame that all of them lie in.
        more = SpecimenRecord(
            "G-9", Element.BAND, Standing.GENUINE, marque="Marque A", edition=EDITION
        )
        assert own.add_specimen(more, [photo(genuine_print(5.0), "g9.png")], by="me").ok
        assert changed() == set(names)
        assert own.sheets.state("lighting").says() == (
            "What the set says of its photos has changed since it was made. Make it again."
        )
        own.sheets.make_saved("lighting", by="me")
        own.edit_specimen("G-0", {"edition": "Edition C"}, by="me", reason="seen again")
        assert own.sheets.state("lighting").changed


def test_a_card_that_shows_no_photo_counts_as_made(taught_folder: Path, tmp_path: Path) -> None:
    with opened_copy(taught_folder, tmp_path / "set") as own:
        for name in ("F-0-0", "F-0-1", "F-1-0", "F-1-1"):
            own.withdraw(name, by="me", reason="r")
        _, behind = plan_sheet(own.sheet_source, DEFINITIONS["pocket"]).sections
        assert behind.text == "No points are drawn yet, and no copy is on record."
        own.sheets.save("Card", DEFINITIONS["pocket"], by="me")
        own.sheets.make_saved("Card", by="me")
        assert own.sheets.state("Card").says() == "As the set stands."


def test_a_sheet_made_before_digests_were_kept_is_held_to_its_photos(
    taught_folder: Path, tmp_path: Path
) -> None:
    with opened_copy(taught_folder, tmp_path / "set") as own:
        own.sheets.save("Press", DEFINITIONS["press"], by="me")
        made = own.sheets.make_saved("Press", by="me")
    with sqlite3.connect(next((tmp_path / "set").glob("*.sqlite"))) as store:
        store.execute("UPDATE sheet SET made_from = ?", (json.dumps(made.made_from),))
    with Library.open(tmp_path / "set") as again:
        assert again.sheets.state("Press").says() == "As the set stands."


def test_pages_are_written_as_pdf_and_as_numbered_png(library: Library, tmp_path: Path) -> None:
    sheet = library.sheets.make(DEFINITIONS["point"], preview=True)
    paths = write_sheet(sheet, tmp_path / "p.png")
    assert len(paths) > 1
    assert [path.name for path in paths] == [
        f"p-{number}.png" for number in range(1, len(sheet.files) + 1)
    ]
    assert all(path.read_bytes()[:4] == b"\x89PNG" for path in paths)
    with pytest.raises(SheetInvalid, match="cannot be written"):
        write_sheet(sheet, Path("/proc/nowhere/p.png"))


def test_pages_of_two_sheets_never_stand_together(tmp_path: Path) -> None:
    def pages(count: int) -> MadeSheet:
        return MadeSheet((b"new",) * count, "png", (), "", ())

    target = tmp_path / "z.png"
    write_sheet(pages(4), target)
    write_sheet(pages(4), target)
    for count, left in ((2, "z-3.png"), (1, "z-1.png, z-2.png")):
        with pytest.raises(SheetInvalid, match=left):
            write_sheet(pages(count), target)
    assert not target.exists()
    target.write_bytes(b"of one page")
    with pytest.raises(SheetInvalid, match=r"there: z\.png\."):
        write_sheet(pages(5), target)
    assert not (tmp_path / "z-5.png").exists()


@pytest.mark.parametrize(
    ("definition", "says"),
    [
        (SheetDefinition("press"), "needs a print origin"),
        (SheetDefinition("press", origin="none such"), "no confirmed fake"),
        (SheetDefinition("years", marque="Marque A"), "needs an element"),
        (SheetDefinition("point"), "needs an edition"),
        (SheetDefinition("point", edition=EDITION, origin="none such"), "no confirmed fake"),
        (SheetDefinition("lighting"), "needs a specimen"),
        (SheetDefinition("pocket"), "needs a marque or an edition"),
        (SheetDefinition("pair", edition="None"), "no confirmed genuine"),
        (SheetDefinition("pair", specimens=("F-0-0", "G-0")), "genuine specimen and then a fake"),
        (SheetDefinition("pair", specimens=("G-0", "F-0-0", "F-0-1")), "shows two specimens"),
        (SheetDefinition("pair", edition=EDITION, scale=20.0), "Choose a smaller scale"),
        (SheetDefinition("pocket", edition=EDITION, scale=3.0), "a card has room for 84 × 30 mm"),
        (SheetDefinition("years", edition=EDITION, origin="press-1"), "no choice of print origin"),
        (
            SheetDefinition("years", marque="Marque A", element=Element.BAND, specimens=("G-0",)),
            "name no specimens",
        ),
        (SheetDefinition("press", origin="press-1", point="P"), "no choice of point"),
        (
            SheetDefinition("lighting", edition=EDITION, origin="x", specimens=("G-0",)),
            "no choice of edition or print origin",
        ),
        (
            SheetDefinition("lighting", specimens=("G-0",), lighting=Lighting.UV_A),
            "shows every light",
        ),
        (SheetDefinition("pair", edition="X", specimens=("G-0", "F-0-0")), "G-0 is not of X"),
        (
            SheetDefinition("pair", origin="press-1", specimens=("G-0", "F-1-0")),
            "F-1-0 is not of press-1 but of press-2",
        ),
        (SheetDefinition("pocket", edition=EDITION, origin="none such"), "no such copy.*none such"),
        (SheetDefinition("pocket", edition=EDITION, specimens=("G-0",)), "name copies only"),
        (
            SheetDefinition("pocket", edition=EDITION, specimens=("F-0-0", "F-1-0")),
            "room for one copy",
        ),
    ],
)  # fmt: skip
def test_what_cannot_be_made_says_why(
    library: Library, definition: SheetDefinition, says: str
) -> None:
    with pytest.raises(SheetInvalid, match=says):
        library.sheets.make(definition)


def test_letter_paper_is_kept_with_the_definition(library: Library) -> None:
    asked = SheetDefinition("lighting", specimens=("G-0",), paper=Paper.LETTER)
    library.sheets.save("L", asked, by="me")
    assert SheetDefinition.from_dict(library.sheets.saved()[0].definition) == asked
    with pytest.raises(RecordInvalid, match="name"):
        library.sheets.save(" ", asked, by="me")
