from __future__ import annotations

from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest
from compare_prints import PX_PER_MM, draw_print, photograph, small_shot, violet

from loupebook.compare import (
    Candidate,
    ConsensusStore,
    Figure,
    Group,
    Held,
    Picture,
    Source,
    Verdict,
    Wanted,
    build_consensus,
    compare_each,
    compare_pair,
    compare_with,
    difference_map,
    register,
)
from loupebook.compare.cast import cast_of, lit_otherwise
from loupebook.compare.comparison import (
    AGREES_TO,
    GREATEST,
    LEAST,
    NEAR_FROM,
    figures_of,
    overall,
    own_figures,
)
from loupebook.compare.consensus import (
    FINE,
    FRAME_AREA,
    LARGEST_FRAME,
    LONGEST_FRAME,
    extend,
    frame_scale,
    in_rounds,
)
from loupebook.compare.maps import shares, standouts
from loupebook.compare.measures import measure_all
from loupebook.compare.measures.geometry import FEWEST_AGREEING
from loupebook.compare.store import packed, unpacked_colour
from loupebook.compare.usual import value_at, weight_of, z_of
from loupebook.errors import ComparisonError
from loupebook.records.model import Element, IntakeState, Lighting, PhotoFacts, Standing, View

GROUP = Group("Label", "Invented", "seal", "face", "diffuse", "genuine")
SCALE = PX_PER_MM * 1.2


@cache
def shot(seed: int, design: int = 1) -> np.ndarray:
    return small_shot(draw_print(design), seed)


@cache
def large_shot(seed: int) -> np.ndarray:
    return photograph(draw_print(1), seed).pixels


@pytest.fixture
def figures_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Take no figures of a stored consensus but its photos: what they are is no matter of files."""
    monkeypatch.setattr(
        "loupebook.compare.store.own_figures",
        lambda made, **_: {"colour": [float(photo.photo_id) for photo in made.photos]},
    )


@cache
def consensus():
    return build_consensus([Source(k, f"sha{k}", f"s{k}", shot(20 + k), SCALE) for k in range(3)])


@cache
def own():
    return own_figures(consensus(), uv=False)


def against_consensus(pixels: np.ndarray):
    return compare_with(Picture.of(pixels), consensus(), own=own())


def test_copies_of_two_editions_by_one_press_are_two_groups():
    fact = PhotoFacts(
        specimen="F", element=Element.BAND, marque="Invented", edition="Robusto",
        standing=Standing.FAKE, origin="press-1", view=View.FACE, lighting=Lighting.DIFFUSE,
        state=IntakeState.CONFIRMED,
    )  # fmt: skip
    one, other = Group.of(fact), Group.of(fact._replace(edition="Toro"))
    assert one.name == other.name == "press-1"
    assert one != other
    assert one.key != other.key
    # Genuine ones are named by their edition.
    assert Group.of(fact._replace(standing=Standing.GENUINE)).edition is None


def test_groups_saved_by_other_versions_are_read():
    saved = vars(GROUP)
    assert Group.read(saved) == GROUP
    early = {name: value for name, value in saved.items() if name not in ("marque", "edition")}
    assert Group.read(early) == replace(GROUP, marque=None)
    assert Group.read({**saved, "of a later version": 1}) == GROUP


def test_all_photos_of_one_print_come_into_one_frame():
    whole = consensus()
    assert len(whole.photos) == 3
    assert not whole.rejected
    assert (whole.count[whole.mask] >= 2).mean() > 0.9
    # The middle is the print: each photo is near it where the print lies.
    for photo in whole.photos:
        apart = np.abs(photo.colour - whole.middle).mean(axis=2)[whole.mask & photo.valid]
        assert np.median(apart) < 0.12


def test_a_stranger_among_the_photos_is_left_out_and_named():
    sources = [Source(k, f"sha{k}", f"s{k}", shot(20 + k), SCALE) for k in range(3)]
    whole = build_consensus([*sources, Source(9, "sha9", "stranger", shot(30, 5), SCALE)])
    assert set(whole.rejected) == {9}


def test_nothing_to_hold_on_to_is_an_error():
    blank = np.full((300, 300, 3), 200, np.uint8)
    with pytest.raises(ComparisonError, match="enough print"):
        build_consensus([Source(1, "a", "s", blank)])


def test_a_photo_that_shows_no_print_is_no_anchor():
    """Sharp edges beside the print count as sharpness: three such photos came first."""
    edge = np.full((300, 300, 3), 200, np.uint8)
    edge[:, 150:] = 40
    sources = [Source(k, f"sha{k}", f"s{k}", edge, SCALE) for k in range(3)]
    sources += [Source(k, f"sha{k}", f"s{k}", shot(20 + k), SCALE) for k in range(3, 6)]
    for one in sources:
        one.__dict__["sharpness"] = 6.0 - one.photo_id
    whole = build_consensus(sources)
    assert sorted(photo.photo_id for photo in whole.photos) == [3, 4, 5]
    assert set(whole.rejected) == {0, 1, 2}


def test_genuine_query_shows_no_difference():
    found = against_consensus(shot(40))
    assert found.registration.registered
    assert found.differs == ()
    assert "genuine" not in [str(one.verdict) for one in found.figures]


def test_a_planted_difference_lights_up_where_it_is():
    item = draw_print(1).copy()
    cv2.rectangle(item, (180, 120), (270, 190), (238, 232, 214), -1)
    cv2.circle(item, (225, 155), 24, (30, 30, 90), 3, cv2.LINE_AA)
    photo = photograph(item, 41)
    found = against_consensus(photo.pixels)
    framed = found.framed
    assert framed is not None
    rows, columns = framed.consensus.shape
    at = np.stack(np.meshgrid(np.arange(columns), np.arange(rows)), -1).astype(float)
    mapped = found.registration.warp(at).astype(np.float32)
    place = cv2.remap(
        np.nan_to_num(photo.place).astype(np.float32), mapped[..., 0], mapped[..., 1], 1
    )
    changed = (np.abs(place - [225, 155]) < [48, 38]).all(-1) & framed.inner
    elsewhere = framed.inner & ~cv2.dilate(changed.astype(np.uint8), np.ones((31, 31))).astype(bool)
    structure = next(one for one in found.figures if one.name == "structure")
    assert np.percentile(structure.map[changed], 90) > 2 * np.percentile(
        structure.map[elsewhere], 90
    )
    assert structure.value > 1.5 * np.median(own()["structure"])
    shown = difference_map(found)
    assert shown.shape == framed.pixels.shape


def test_another_ink_raises_colour_and_white_balance_does_not():
    plain = shot(42).astype(np.float64)
    warm = (plain * [1.0, 0.9, 0.77]).astype(np.uint8)
    item = draw_print(1).astype(np.int16)
    dark = item.sum(axis=2) < 480
    item[dark] = np.clip(item[dark] + [70, -20, 40], 0, 255)
    inked = small_shot(item.astype(np.uint8), 42)

    def colour(pixels: np.ndarray) -> float:
        return next(f for f in against_consensus(pixels).figures if f.name == "colour").value

    usual = colour(shot(42))
    assert colour(warm) < usual + 2
    assert colour(inked) > usual + 4


def test_a_black_and_white_photo_tells_no_colour():
    grey = cv2.cvtColor(cv2.cvtColor(shot(42), cv2.COLOR_RGB2GRAY), cv2.COLOR_GRAY2RGB)
    told = next(f for f in against_consensus(grey).figures if f.name == "colour")
    assert (told.value, told.verdict) == (None, Verdict.CANNOT_TELL)
    assert "black and white" in told.reason


def test_photos_lie_on_one_item_of_an_anchor_that_shows_several():
    """Two of a full box side by side: one photo may lie on the left, the next on the right."""
    both = np.ascontiguousarray(np.hstack([shot(20), shot(21)]))
    shown = [both, shot(20), shot(21), shot(22)]
    sources = [Source(k, f"sha{k}", f"s{k}", pixels, SCALE) for k, pixels in enumerate(shown)]
    apart = [register(one.picture, sources[0].picture) for one in sources[1:]]
    middles = [np.median(laid.cells.at[:, 0]) for laid in apart]
    assert min(middles) < both.shape[1] / 2 < max(middles)
    for one in sources:
        one.__dict__["sharpness"] = 4.0 - one.photo_id
    found = build_consensus(sources)
    assert [photo.photo_id for photo in found.photos] == [0, 1, 2, 3]
    assert found.shape[1] < 1.4 * found.shape[0]
    assert found.shape == pytest.approx(consensus().shape, rel=0.15)
    assert np.median(found.spread[0][found.mask]) < 1.3 * np.median(
        consensus().spread[0][consensus().mask]
    )


def test_each_specimen_has_a_photo_in_the_consensus_and_the_sharpest_comes_first(monkeypatch):
    soft = [cv2.GaussianBlur(shot(20 + k), (0, 0), 1.5 + 0.3 * k) for k in range(2)]
    shown = [(0, "one", soft[0]), (1, "one", shot(20)), (2, "one", shot(21)), (3, "other", soft[1])]
    sources = [Source(k, f"sha{k}", name, pixels, SCALE) for k, name, pixels in shown]
    ranked = in_rounds(sources)
    assert [one.specimen for one in ranked] == ["one", "other", "one", "one"]
    assert {ranked[0].photo_id, ranked[2].photo_id} == {1, 2}
    assert ranked[3].photo_id == 0
    monkeypatch.setattr("loupebook.compare.consensus._PHOTOS", 2)
    assert {photo.specimen for photo in build_consensus(sources).photos} == {"one", "other"}


@pytest.mark.usefixtures("figures_at_once")
def test_a_full_consensus_makes_room_for_a_further_specimen(tmp_path, monkeypatch):
    monkeypatch.setattr("loupebook.compare.consensus._PHOTOS", 2)
    store, of_one = ConsensusStore(tmp_path, set_id="set"), [
        Wanted(k, f"sha{k}", "one", SCALE) for k in range(2)
    ]  # fmt: skip
    assert len(store.get(GROUP, of_one, Reader()).consensus.photos) == 2
    both = store.get(GROUP, [*of_one, Wanted(2, "sha2", "other", SCALE)], Reader()).consensus
    assert {photo.specimen for photo in both.photos} == {"one", "other"}


@pytest.mark.parametrize("scales", [(None, SCALE, SCALE), (3 * SCALE, SCALE, SCALE)])
def test_a_scale_left_out_or_mistyped_is_made_up_for_by_the_other_photos(scales):
    sources = [Source(k, f"sha{k}", f"s{k}", shot(20 + k), scales[k]) for k in range(3)]
    for one in sources:  # the first gives the frame
        one.__dict__["sharpness"] = 3.0 - one.photo_id
    found = build_consensus(sources)
    assert found.photos[0].photo_id == 0
    assert found.px_per_mm == pytest.approx(consensus().px_per_mm, rel=0.1)


def test_what_is_kept_of_a_photo_lies_a_step_from_it_at_most():
    colour = consensus().photos[1].colour + np.float32(0.2)
    content, bounds = packed(colour)
    again = unpacked_colour(content, np.array(bounds, np.float32))
    assert np.abs(again - colour).max() <= 0.51 * (bounds[1] - bounds[0]) / 255
    assert colour.max() > np.log(1.008)  # lighter than white, and not cut off


def test_a_blurred_photo_cannot_tell_and_never_differs():
    soft = cv2.GaussianBlur(shot(43), (0, 0), 4.0)
    found = against_consensus(soft)
    if found.registration.registered:
        told = {one.name: one.verdict for one in found.figures}
        assert told["structure"] is Verdict.CANNOT_TELL
        assert told["line work"] is Verdict.CANNOT_TELL
        assert Verdict.DIFFERS not in (told["edge sharpness"], told["halftone screen"])


def test_pair_of_photos_is_compared_with_careful_words():
    found = compare_pair(shot(44), shot(45), px_per_mm=SCALE)
    assert found.registration.registered
    assert found.against == 1
    assert found.differs == ()
    said = found.to_dict()
    assert {
        "registered",
        "inliers",
        "residual_px",
        "homography",
        "measurements",
        "overall_z",
    } <= set(said)
    assert "does not say that an item is genuine" in said["does_not_say"]


def test_photos_of_two_lights_are_not_held_against_each_other():
    day, lamp = shot(46), violet(shot(45))
    for query, reference, who in ((lamp, day, "query was"), (day, lamp, "references were")):
        found = compare_pair(query, reference).registration
        assert not found.registered
        assert found.reason.startswith(f"the {who} lit by a UV-A lamp")


@pytest.mark.parametrize(
    ("query", "known", "uv", "refused"),
    [
        (-0.2, -0.2, False, False),
        (1.2, 1.2, True, False),
        (1.2, -0.2, False, True),
        (-0.2, 1.2, True, True),
        # A blue print by daylight, a little bluer than the references.
        (0.5, 0.2, False, False),
        # Recorded as UV-A, and by daylight: it must not be said to lack fluorescent print.
        (-0.2, -0.2, True, True),
    ],
)
def test_light_is_told_by_the_items_own_px(query, known, uv, refused):
    framed = against_consensus(shot(46)).framed
    tints = []
    for plane, goal in ((framed.raw, query), (framed.consensus.middle, known)):
        blue = goal - cast_of(plane[framed.inner])
        tints.append(plane + np.array([0, 0, blue], np.float32))
    raw, middle = tints
    tinted = replace(framed, raw=raw, consensus=replace(framed.consensus, middle=middle))
    assert bool(lit_otherwise(tinted, uv=uv)) is refused


def test_what_a_search_found_is_held_against_its_own_light_only():
    held = Held(consensus(), own())
    wanted = [Candidate(GROUP, (0,), 0.9)]
    for query, fits in ((violet(shot(46)), False), (shot(46), True)):
        (found,) = compare_each(Picture.of(query), wanted, lambda _: held)
        assert found.comparison.registration.registered is fits


def test_blue_light_is_no_lamp():
    cool = np.clip(shot(46) * [0.8, 0.95, 1.1], 0, 255).astype(np.uint8)
    assert against_consensus(cool).registration.registered


class Reader:
    """Hands out photos and counts how often each was asked for."""

    def __init__(self) -> None:
        self.asked: list[int] = []

    def __call__(self, photo_id: int) -> np.ndarray:
        self.asked.append(photo_id)
        return shot(20 + photo_id)


def wanted(*photo_ids: int) -> list[Wanted]:
    return [Wanted(k, f"sha{k}", f"s{k}", SCALE) for k in photo_ids]


@pytest.mark.usefixtures("figures_at_once")
def test_store_adds_withdraws_and_survives_damage(tmp_path):
    reader = Reader()
    first = ConsensusStore(tmp_path, set_id="set").get(GROUP, wanted(0, 1), reader)
    assert sorted(reader.asked) == [0, 1]
    # Another process reads the file and no photo.
    with pytest.MonkeyPatch.context() as patch:
        # Read by two threads at once, `ast` (NumPy's headers) fails in CPython 3.11: gh-106905.
        patch.setattr("ast.parse", None)
        again = ConsensusStore(tmp_path, set_id="set").get(GROUP, wanted(0, 1), reader)
    assert sorted(reader.asked) == [0, 1]
    assert np.abs(again.consensus.middle - first.consensus.middle).max() < 0.01
    assert again.own == first.own
    # One more photo: only that one is read.
    grown = ConsensusStore(tmp_path, set_id="set").get(GROUP, wanted(0, 1, 2), reader)
    assert sorted(reader.asked) == [0, 1, 2]
    assert len(grown.consensus.photos) == 3
    # One less, not the anchor: none is read.
    left = [p.photo_id for p in grown.consensus.photos][:2]
    fewer = ConsensusStore(tmp_path, set_id="set").get(GROUP, wanted(*left), reader)
    assert sorted(reader.asked) == [0, 1, 2]
    assert sorted(p.photo_id for p in fewer.consensus.photos) == sorted(left)
    # A damaged file is made anew.
    (path,) = tmp_path.glob("*.consensus")
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 0xFF
    path.write_bytes(content)
    healed = ConsensusStore(tmp_path, set_id="set").get(GROUP, wanted(*left), reader)
    assert len(healed.consensus.photos) == 2
    assert len(reader.asked) == 5
    assert not list(tmp_path.glob(".*part"))


@pytest.mark.usefixtures("figures_at_once")
def test_a_full_consensus_stays_as_it_is_when_more_photos_come(tmp_path, monkeypatch):
    monkeypatch.setattr("loupebook.compare.consensus._PHOTOS", 2)
    reader, store = Reader(), ConsensusStore(tmp_path, set_id="set")
    full = store.get(GROUP, wanted(0, 1), reader)
    more = store.get(GROUP, wanted(0, 1, 2, 3), reader)
    assert [one.photo_id for one in more.consensus.photos] == [0, 1]
    assert more.own == full.own
    assert sorted(reader.asked) == [0, 1]
    assert extend(full.consensus, full.consensus.photos, [Source(2, "", "", shot(22))]) is not None
    # Room for one: only one of those that wait is read.
    anchor = full.consensus.photos[0].photo_id
    store.get(GROUP, wanted(anchor, 2, 3), reader)
    assert sorted(reader.asked) == [0, 1, 2]


@pytest.mark.usefixtures("figures_at_once")
def test_store_knows_a_photo_that_was_moved_or_measured_anew(tmp_path):
    reader = Reader()
    ConsensusStore(tmp_path, set_id="set").get(GROUP, wanted(0, 1), reader)
    moved = [Wanted(0, "sha0", "s0", SCALE), Wanted(1, "sha1", "s0", SCALE)]
    held = ConsensusStore(tmp_path, set_id="set").get(GROUP, moved, reader)
    assert {photo.specimen for photo in held.consensus.photos} == {"s0"}
    finer = [replace(one, px_per_mm=2 * SCALE) for one in moved]
    anew = ConsensusStore(tmp_path, set_id="set").get(GROUP, finer, reader)
    assert anew.consensus.px_per_mm == pytest.approx(2 * held.consensus.px_per_mm, rel=0.02)


def test_scale_of_a_frame_is_that_of_its_px_however_large_the_photo() -> None:
    small = build_consensus([Source(0, "a", "s", shot(20), SCALE)])
    times = 2600 / max(shot(20).shape[:2])
    large = cv2.resize(shot(20), None, fx=times, fy=times, interpolation=cv2.INTER_CUBIC)
    found = build_consensus([Source(0, "b", "s", large, SCALE * times)])
    assert found.px_per_mm / small.px_per_mm == pytest.approx(
        found.longest / small.longest, rel=0.05
    )


def test_what_a_photo_shows_is_taken_from_it_at_its_own_size() -> None:
    def on_a_table(pixels: np.ndarray) -> np.ndarray:
        photo = np.full((2400, 3200, 3), 90, np.uint8)
        photo[900 : 900 + pixels.shape[0], 1100 : 1100 + pixels.shape[1]] = pixels
        return photo

    def detail(pixels: np.ndarray, where: np.ndarray) -> float:
        return float(
            cv2.Laplacian(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY), cv2.CV_32F)[where].std()
        )

    photos = [on_a_table(large_shot(20 + k)) for k in range(2)]
    working = Picture.of(photos[1])
    assert working.shrunk < 0.7
    whole = build_consensus([Source(0, "a", "s", photos[0], SCALE)])
    assert whole.px_per_mm == pytest.approx(FINE)
    found = compare_with(working, whole)
    assert found.framed.resolution == pytest.approx(SCALE / FINE, rel=0.15)
    near = build_consensus([Source(0, "a", "s", large_shot(20), SCALE)])
    alone = compare_with(Picture.of(large_shot(21)), near)
    kept = detail(found.framed.pixels, found.framed.inner)
    assert kept > 0.85 * detail(alone.framed.pixels, alone.framed.inner)


@pytest.mark.usefixtures("figures_at_once")
def test_store_judges_a_kept_consensus_anew_by_other_weights(tmp_path, monkeypatch):
    reader = Reader()
    first = ConsensusStore(tmp_path, set_id="set").get(GROUP, wanted(0, 1), reader)
    told = {"trained look": [0.25]}
    monkeypatch.setattr("loupebook.compare.store.judged_by", lambda: "other weights")
    monkeypatch.setattr("loupebook.compare.store.own_figures", lambda *_, **__: told)
    anew = ConsensusStore(tmp_path, set_id="set").get(GROUP, wanted(0, 1), reader)
    assert first.own != anew.own == told
    assert sorted(reader.asked) == [0, 1]  # the consensus itself stands
    monkeypatch.setattr("loupebook.compare.store.own_figures", lambda *_, **__: pytest.fail("anew"))
    kept = ConsensusStore(tmp_path, set_id="set").get(GROUP, wanted(0, 1), reader)
    assert kept.own == told


@pytest.mark.usefixtures("figures_at_once")
def test_store_never_uses_another_sets_file(tmp_path):
    reader = Reader()
    ConsensusStore(tmp_path, set_id="one").get(GROUP, wanted(0, 1), reader)
    ConsensusStore(tmp_path, set_id="two").get(GROUP, wanted(0, 1), reader)
    assert len(reader.asked) == 4


def test_geometry_is_not_told_where_the_pose_rests_on_few_matches() -> None:
    framed = against_consensus(shot(46)).framed
    assert framed.agreeing >= FEWEST_AGREEING
    assert measure_all(framed, uv=False)["geometry"].value is not None
    found = measure_all(replace(framed, agreeing=FEWEST_AGREEING - 1), uv=False)["geometry"]
    assert found.value is None
    assert "too few places agree" in found.reason


@pytest.mark.parametrize(
    ("z", "most"), [(0.5, 0.0), (1.0, 0.0), (2.0, 1 / 2), (3.0, 1.0), (4.0, 1.0)]
)
def test_a_map_paints_what_its_figure_says(z: float, most: float) -> None:
    found = against_consensus(shot(46))
    figure = next(one for one in found.figures if one.name == "structure")
    share = shares(replace(found, figures=(replace(figure, z=z),)))["structure"]
    # The strongest half per cent may lie a little beyond the figure.
    assert np.percentile(share[found.framed.inner], 99.5) == pytest.approx(most, abs=0.02)
    assert bool(standouts(replace(found, figures=(replace(figure, z=z),)))) == (z > NEAR_FROM)


def test_the_colour_map_holds_the_figure_itself() -> None:
    figure = next(one for one in against_consensus(shot(47)).figures if one.name == "colour")
    assert figure.map.max() == pytest.approx(figure.value)
    assert len(np.unique(figure.map)) <= 8


@pytest.mark.parametrize("own", [(), (2.0, 3.5, 4.0)])
def test_the_limit_is_the_figure_whose_z_it_stands_for(own: tuple[float, ...]) -> None:
    for z in (0.0, AGREES_TO):
        limit = value_at(z, "colour", own, uv=False, px_per_mm=12.0)
        assert z_of("colour", limit, own, uv=False, px_per_mm=12.0) == pytest.approx(z)


def test_a_photo_too_coarse_for_inks_tells_no_colour() -> None:
    found = against_consensus(shot(48))
    # As if the same photo had been taken from ten times as far.
    coarse = replace(found.framed, resolution=found.framed.resolution / 10)
    figure = next(one for one in figures_of(coarse, own(), uv=False) if one.name == "colour")
    assert figure.verdict is Verdict.CANNOT_TELL
    assert "inks need" in figure.reason


def figure(name: str, z: float | None) -> Figure:
    return Figure(name, None if z is None else 1.0, "", z, Verdict.CANNOT_TELL)


def test_all_together_each_measurement_counts_by_what_it_is_worth_and_within_bounds() -> None:
    heavy, light = "trained look", "structure"
    assert weight_of(heavy) > 5 * weight_of(light) > 0
    assert overall([figure(heavy, None)]) is None
    assert overall([figure(light, 2.5)]) == pytest.approx(2.5)
    assert overall([figure(heavy, 50.0)]) == pytest.approx(GREATEST)
    assert overall([figure(heavy, -50.0)]) == pytest.approx(LEAST)
    far, usual = (overall([figure(heavy, a), figure(light, b)]) for a, b in ((4, 0), (0, 4)))
    assert far > 5 * usual > 0


def test_a_frame_is_as_fine_as_copies_need_and_never_finer_than_the_photo() -> None:
    def px(width: int, height: int, px_per_mm: float | None) -> float:
        return width * height * frame_scale(width, height, px_per_mm) ** 2

    assert px(2000, 2000, None) == pytest.approx(FRAME_AREA)
    assert px(2000, 560, None) == pytest.approx(FRAME_AREA)
    # A band has them in the usual frame; a seal of the same size in px is printed finer.
    assert px(1600, 1600, 80.0) == pytest.approx(FRAME_AREA)
    assert frame_scale(2600, 800, 27.0) * 27.0 == pytest.approx(FINE)
    assert px(3000, 1200, 24.0) <= LARGEST_FRAME + 1
    assert 4000 * frame_scale(4000, 200, 30.0) == pytest.approx(LONGEST_FRAME)
    assert frame_scale(300, 200, 10.0) == 1.0
