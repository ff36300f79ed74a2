"""The desk and what lies about it on the page Examine, driven without a browser."""

from __future__ import annotations

import errno
import os
import tempfile
import time
from pathlib import Path

import pytest
from app_driver import opened, shown, told, words
from streamlit.testing.v1 import AppTest

from desk_prints import Shots, fill, shots_of
from loupebook.library import IntakeState, Library, Lighting, Standing, encode_jpeg
from loupebook.library.intake import IncomingPhoto
from parts.desk_store import DESKS, DeskStore


@pytest.fixture(scope="module")
def shots() -> Shots:
    return shots_of()


@pytest.fixture
def filled(tmp_path: Path, shots: Shots, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "set"
    with Library.create(folder, name="Prints") as library:
        fill(library, shots)
        raking = IncomingPhoto(
            encode_jpeg(shots.references["G-1"].pixels, quality=50),
            "raking.jpg",
            lighting=Lighting.RAKING,
        )
        assert library.add_specimen(library.specimen("G-1"), [raking], by="a curator").ok
    told(monkeypatch, folder)
    return folder


def hand_in(at: AppTest, shots: Shots) -> AppTest:
    data = encode_jpeg(shots.genuine_query.pixels, quality=90)
    at.file_uploader[0].upload("suspect.jpg", data, "image/jpeg").run()
    assert not at.exception
    return at.run()


def panes(at: AppTest) -> list[str]:
    return [pane["heading"] for pane in shown(at, "desk")[0]["panes"]]


def test_the_answer_comes_to_a_desk_that_stands_already(filled: Path, shots: Shots) -> None:
    at = opened()
    data = encode_jpeg(shots.genuine_query.pixels, quality=90)
    at.file_uploader[0].upload("suspect.jpg", data, "image/jpeg").run()
    awaited = shown(at, "desk")[0]
    assert awaited["awaited"]
    assert all(pane["missing"] for pane in awaited["panes"])
    told_to_it = DESKS.state(awaited["base"].split("/")[2])["told"]
    assert shown(at, "crop")[0]["follow"] is None
    at.run()
    laid = shown(at, "desk")[0]
    assert not laid["awaited"]
    for name in ("panes", "beside", "footnote"):
        assert laid[name] == told_to_it[name]
    assert laid["base"] == awaited["base"]
    assert [list(one) for one in told_to_it["found"]] == shown(at, "crop")[0]["found"]


def test_an_open_crop_stands_before_the_answer_and_follows_the_desk(
    filled: Path, shots: Shots
) -> None:
    at = opened()
    at.session_state["crop-box"] = True
    data = encode_jpeg(shots.genuine_query.pixels, quality=90)
    at.file_uploader[0].upload("suspect.jpg", data, "image/jpeg").run()
    assert not at.exception
    assert shown(at, "crop")[0]["follow"] == shown(at, "desk")[0]["base"]


def test_no_desk_is_left_where_nothing_is_found(filled: Path, shots: Shots) -> None:
    at = opened()
    at.session_state["filter-standing"] = Standing.FAKE
    with Library.open(filled) as library:
        library.withdraw("F-0", by="a curator", reason="a test")
    data = encode_jpeg(shots.genuine_query.pixels, quality=90)
    at.file_uploader[0].upload("suspect.jpg", data, "image/jpeg").run()
    assert not at.exception
    assert shown(at, "desk") == []
    assert "No reference passes the filters" in words(at)


def test_a_reserved_desk_bears_nothing_yet() -> None:
    store = DeskStore()
    key = store.reserve()
    assert store.version(key) == 0
    assert store.state(key)["layers"] == {}
    with pytest.raises(KeyError):
        store.get(key)
    store.drop(key)
    with pytest.raises(KeyError):
        store.state(key)


def test_chosen_cards_lie_on_the_desk_beside_the_nearest(filled: Path, shots: Shots) -> None:
    at = hand_in(opened(), shots)
    assert panes(at) == ["Your photo", "Nearest genuine", "Nearest fake"]
    cards = shown(at, "plates")[0]["cards"]
    further = next(card for card in cards if card["name"] == "G-1" or card["name"] == "G-0")
    at.session_state["laid-out"] = [int(card["key"]) for card in cards]
    at.run()
    assert len(panes(at)) == 4
    assert panes(at)[3].startswith("Rank")
    assert further["word"] == "Genuine"


def test_a_series_of_one_specimen_is_laid_out(filled: Path, shots: Shots) -> None:
    at = hand_in(opened(), shots)
    at.selectbox(key="series-of").select("G-1").run()
    assert not at.exception
    laid = [pane for pane in shown(at, "desk")[0]["panes"] if pane.get("series")]
    assert {pane["name"] for pane in laid} == {"G-1"}
    assert any("raking light" in " ".join(pane["facts"]) for pane in laid)


def test_every_caption_names_specimen_standing_lighting_scale_and_encoder(
    filled: Path, shots: Shots
) -> None:
    at = hand_in(opened(), shots)
    desk = shown(at, "desk")[0]
    for pane in desk["panes"][1:]:
        caption = " ".join([pane["name"], pane["heading"], *pane["facts"]])
        for part in (pane["standing"], "diffuse light", "16.0 px/mm", "told@000000000000"):
            assert part in caption
    assert "Good copies lie near" in desk["caution"]


def test_serials_are_held_against_each_other_and_the_set(filled: Path, shots: Shots) -> None:
    at = hand_in(opened(), shots)
    fields = {one.label: one for one in at.text_input}
    fields["Left"].set_value("AB 102")
    fields["Right"].set_value("ab-103").run()
    assert "The numbers do not agree: left and right differ" in words(at).replace("\\", "")
    assert not any("cop" in one.value for one in at.error)
    said = words(at).replace("\\", "")
    assert "**AB 102** stands in this set already: specimen F-0 (on it: left" in said
    # A specimen that bears the number in two places is one finding, with its places.
    assert sum("stands in this set already" in one.value for one in at.error) == 1
    assert "rights holder" in words(at)


def test_one_number_alone_gets_no_ticks(filled: Path, shots: Shots) -> None:
    at = hand_in(opened(), shots)
    fields = {one.label: one for one in at.text_input}
    fields["Left"].set_value("ZZ 999").run()
    told = next(one for one in at.info if "One number was read" in one.value)
    assert "done_all" not in told.icon
    fields = {one.label: one for one in at.text_input}
    fields["Right"].set_value("ZZ 999").run()
    assert any("done_all" in one.icon for one in at.info)


def test_a_specimen_is_told_once_with_all_its_places(monkeypatch: pytest.MonkeyPatch) -> None:
    from loupebook.library import SerialHolder
    from parts import serials

    said: list[str] = []
    monkeypatch.setattr(serials.st, "error", lambda text, **_: said.append(text))
    serials._say_holders(
        "AB 1",
        [
            SerialHolder("F", Standing.FAKE, IntakeState.CONFIRMED, "AB 1", place)
            for place in ("left", "crest")
        ],
    )
    assert len(said) == 1
    assert "left, crest" in said[0]


def test_serials_are_asked_for_where_the_references_on_the_desk_bear_theirs(
    filled: Path, shots: Shots
) -> None:
    with Library.open(filled) as library:
        serials = [["AB 100", "bottom centre"], ["100", "crest"]]
        library.edit_specimen("G-0", {"serials": serials}, by="me", reason="read anew")
    at = hand_in(opened(), shots)
    fields = [one.label for one in at.text_input if (one.key or "").startswith("serial-")]
    assert fields == ["Bottom centre", "Crest", "Left", "Elsewhere"]
    told_at = {one.label: one for one in at.text_input}
    told_at["Bottom centre"].set_value("AB 777")
    told_at["Crest"].set_value("777").run()
    said = words(at).replace("\\", "")
    assert "777 (crest) agrees with the end of AB 777 (bottom centre)." in said
    assert "**777** stands on no specimen" not in said
    assert "**AB 777** stands on no specimen of this set." in said


def test_an_examination_in_work_is_taken_up_from_the_address(filled: Path, shots: Shots) -> None:
    at = hand_in(opened(), shots)
    key = at.query_params["in-work"]
    fields = {one.label: one for one in at.text_input}
    fields["Crest"].set_value("102").run()
    at.selectbox(key="filter-standing").select("fake").run()
    again = opened(prepare=lambda one: one.query_params.__setitem__("in-work", key))
    assert shown(again, "desk")[0]["panes"][0]["name"] == "suspect.jpg"
    assert {one.label: one.value for one in again.text_input}["Crest"] == "102"
    assert again.selectbox(key="filter-standing").value == "fake"
    assert again.query_params["in-work"] == key


def test_an_examination_that_cannot_be_kept_goes_on(
    filled: Path, shots: Shots, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    import parts.in_work
    from parts.kept import Keeper

    (tmp_path / "full").write_text("stands in for a disk that takes nothing")
    monkeypatch.setattr(parts.in_work, "KEEPER", Keeper(tmp_path / "full" / "in-work"))
    at = hand_in(opened(), shots)
    assert not at.exception
    assert not at.error
    assert any("cannot be kept across a reload" in one.value for one in at.warning)
    assert any(box.label == "Save this examination" for box in at.expander)


def test_a_full_disk_does_not_keep_the_pages_from_starting(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from parts.kept import private_folder

    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    monkeypatch.setattr(Path, "mkdir", full)
    assert private_folder().parent.parent == tmp_path


def test_what_could_be_kept_only_in_part_is_not_left(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from parts.kept import Keeper

    def full(keeper: Keeper, place: Path, state: dict[str, str]) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(Keeper, "_write", full)
    with pytest.raises(OSError, match="No space left"):
        Keeper(tmp_path / "kept").begin(b"a photo", "first.jpg", "one")
    assert list((tmp_path / "kept").iterdir()) == []


@pytest.mark.parametrize("key", ["AAAAAAAAAAAAAAAA", "../../etc/passwd"])
def test_an_address_that_names_nothing_says_so(filled: Path, key: str) -> None:
    at = opened(prepare=lambda one: one.query_params.__setitem__("in-work", key))
    assert "no longer kept" in words(at)
    assert at.file_uploader


def test_the_keeper_makes_room_and_reads_no_other_folder(tmp_path: Path) -> None:
    from parts.kept import KEPT_S, MOST_KEPT, Keeper

    keeper = Keeper(tmp_path / "kept")
    first = keeper.begin(b"a photo", "first.jpg", "one")
    keeper.save(first, {"name": "first.jpg", "marks": {"1": {"mark": "agrees"}}})
    assert keeper.get(first).state["marks"] == {"1": {"mark": "agrees"}}
    assert (tmp_path / "kept").stat().st_mode & 0o077 == 0
    old = time.time() - KEPT_S - 60
    os.utime(tmp_path / "kept" / first / "state.json", (old, old))
    keys = [keeper.begin(b"x", f"{number}.jpg", "one") for number in range(MOST_KEPT + 3)]
    assert keeper.get(first) is None
    assert keeper.get(keys[-1]).data == b"x"
    assert len(list((tmp_path / "kept").iterdir())) <= MOST_KEPT
    for key in ("..", f"../{keys[-1]}", "", "/etc"):
        assert keeper.get(key) is None
    (tmp_path / "kept" / keys[-1] / "state.json").write_text("{broken")
    assert keeper.get(keys[-1]) is None


def test_desks_make_room_for_each_other(filled: Path, shots: Shots) -> None:
    from desk_prints import told as answer

    store = DeskStore(most_bytes=6_000_000)
    with Library.open(filled) as library:
        report = answer(library, shots.genuine_query.pixels, "G-0", "F-0")
        keys = [store.reserve() for _ in range(4)]
        for key in keys:
            store.lay(key, library, report, None)
    assert len(set(keys)) == 4
    with pytest.raises(KeyError):
        store.get(keys[0])
    assert store.get(keys[-1]).to_dict()["frame"] is None


def draw(library: Library, specimen: str, title: str) -> str:
    region = [(20, 20), (60, 20), (60, 60)]
    photo = library.photos(specimen)[-1].photo_id
    point = library.points.add(photo, region, title=title, genuine_shows="plain", by="a curator")
    return str(point.point_id)


def test_marks_become_records_for_saving(filled: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import parts.desk_points as points
    from loupebook.library import Mark

    with Library.open(filled) as library:
        eye, star, old, raking = (
            draw(library, *one)
            for one in (("G-0", "Eye"), ("G-0", "Star"), ("G-0", "Old"), ("G-1", "Edge"))
        )
        library.points.retire(int(old), by="a curator")

        class Told:
            frame_photo = library.photos("G-0")[0].photo_id
            points = ({"id": int(eye), "figure": 1.5, "figure_says": "departs 1.5 times"},)

        monkeypatch.setattr(points.DESKS, "get", lambda key: Told)
        kept = {
            eye: {"mark": "differs", "note": "a slit"},
            star: {"mark": "genuine", "note": ""},
            old: {"mark": None, "note": "worn"},
            raking: {"mark": "agrees", "note": ""},
            "9999": {"mark": "agrees", "note": ""},
        }
        monkeypatch.setattr(points, "marks_of", lambda photo: kept)
        first, second, third, fourth = points.point_marks(library, "key", "photo")
    assert (first.mark, first.note, first.figure) == (Mark.DIFFERS, "a slit", 1.5)
    assert (second.title, second.mark) == ("Star", None)
    assert (third.title, third.note) == ("Old (First, face, diffuse light)", "worn")
    assert fourth.title == "Edge (First, face, raking light)"


def test_marks_are_kept_while_the_desk_measures_anew(filled: Path, shots: Shots) -> None:
    at = hand_in(opened(), shots)
    with Library.open(filled) as library:
        first = draw(library, "G-0", "Eye")
        at.session_state["exam-box"] = True
        at.session_state["point-marks"] = {
            photo: {first: {"mark": "differs", "note": "a slit"}}
            for photo in [at.session_state["query"].sha256]
        }
        at.run()
        draw(library, "G-0", "Star")
        next(one for one in at.text_input if one.label == "What is examined *").set_value("Box 1")
        at.text_input(key="exam-by").set_value("A. Example")
        at.button(key="exam-save").click().run()
        assert not at.exception
        marks = library.examinations.open(1).document["marks"]
    assert [(one["title"], one["mark"], one["note"]) for one in marks] == [
        ("Eye", "differs", "a slit"),
        ("Star", None, ""),
    ]
