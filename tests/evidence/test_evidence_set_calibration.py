"""A set of invented vectors whose truth is known: editions, presses, specimens, photos."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from loupebook.evidence.closeness import (
    ANY,
    UV_A,
    VISIBLE,
    ClosenessScale,
    scale_of,
    scales_in_use,
)
from loupebook.evidence.gather import drawn_queries, gather_scores
from loupebook.evidence.judge import read_query
from loupebook.evidence.set_calibration import HeldOut, calibrate_set, press_scores
from loupebook.evidence.stored import (
    MadeFrom,
    SetCalibration,
    calibration_path,
    load_calibration,
    photos_digest,
    save_calibration,
)
from loupebook.evidence.table import PhotoTable
from loupebook.records.model import Element, IntakeState, Lighting, PhotoFacts, Standing, View

MADE_FROM = MadeFrom("set-1", 7, "ab" * 32, photos_digest([1, 2]))


def unit(rows: np.ndarray) -> np.ndarray:
    return (rows / np.linalg.norm(rows, axis=-1, keepdims=True)).astype(np.float32)


def invented_set(
    *, editions: int = 6, genuine: int = 8, presses: int = 2, fakes: int = 4, photos: int = 2,
    seed: int = 0, dim: int = 64,
) -> tuple[np.ndarray, PhotoTable]:  # fmt: skip
    """Editions far apart; each press leaves its own mark on the copies of an edition."""
    rng = np.random.default_rng(seed)
    vectors, facts = [], []

    def specimen(name: str, centre: np.ndarray, standing: Standing, edition: int, origin) -> None:
        own = centre + 0.35 * rng.normal(size=dim) / np.sqrt(dim)
        for _ in range(photos):
            vectors.append(own + 0.35 * rng.normal(size=dim) / np.sqrt(dim))
            facts.append(
                PhotoFacts(
                    name, Element.BAND, standing, f"M{edition // 2}", f"E{edition}", origin,
                    View.FACE, Lighting.DIFFUSE, IntakeState.CONFIRMED,
                )
            )  # fmt: skip

    for edition in range(editions):
        centre = rng.normal(size=dim) / np.sqrt(dim)
        for n in range(genuine):
            specimen(f"g{edition}-{n}", centre, Standing.GENUINE, edition, None)
        for press in range(presses):
            mark = centre + 0.7 * rng.normal(size=dim) / np.sqrt(dim)
            for n in range(fakes):
                specimen(
                    f"f{edition}-{press}-{n}", mark, Standing.FAKE, edition, f"p{edition}-{press}"
                )
    return unit(np.array(vectors)), PhotoTable(np.arange(1, len(facts) + 1), tuple(facts))


def brute(vectors: np.ndarray, table: PhotoTable, query: int, fake: bool, press: str) -> float:
    asked = table.facts[query]
    best = -np.inf
    for other, fact in enumerate(table.facts):
        if (fact.standing is Standing.FAKE) != fake or fact.specimen == asked.specimen:
            continue
        if press == "unseen" and fake and asked.origin is not None and fact.origin == asked.origin:
            continue
        best = max(best, float(vectors[query] @ vectors[other]))
    return best


def test_gathered_scores_against_plain_loops() -> None:
    vectors, table = invented_set(editions=2, genuine=3, fakes=2)
    scores = gather_scores(vectors, table)
    for query in range(0, len(table), 3):
        assert scores.genuine[query] == pytest.approx(
            brute(vectors, table, query, False, "known"), abs=1e-6
        )
        assert scores.fake_known[query] == pytest.approx(
            brute(vectors, table, query, True, "known"), abs=1e-6
        )
        assert scores.fake_unseen[query] == pytest.approx(
            brute(vectors, table, query, True, "unseen"), abs=1e-6
        )


def test_similarity_to_other_makers_against_a_plain_loop() -> None:
    vectors, table = invented_set(editions=5, genuine=2, fakes=1)
    nameless = tuple(
        fact._replace(marque=None) if fact.edition == "E4" else fact for fact in table.facts
    )
    table = PhotoTable(table.photo_ids, nameless)
    scores = gather_scores(vectors, table)
    for query, asked in enumerate(table.facts):
        others = [
            float(vectors[query] @ vectors[other])
            for other, fact in enumerate(table.facts)
            if None not in (fact.marque, asked.marque) and fact.marque != asked.marque
        ]
        assert scores.stranger[query] == pytest.approx(max(others, default=-np.inf), abs=1e-6)


def test_set_knows_whether_it_would_notice_an_absent_maker() -> None:
    # Editions far apart: every maker left out is noticed. One maker alone: nothing to try.
    assert calibrate_set(*invented_set())["band"].closeness[ANY].noticed == 1.0
    assert calibrate_set(*invented_set(editions=2))["band"].closeness[ANY].noticed is None
    # All makers print the same: hardly any would be.
    vectors, table = invented_set(editions=1, genuine=40, presses=0)
    renamed = tuple(
        fact._replace(marque=f"M{int(fact.specimen.split('-')[1]) % 4}") for fact in table.facts
    )
    made = calibrate_set(vectors, PhotoTable(table.photo_ids, renamed))["band"].closeness[ANY]
    assert made.noticed is not None
    assert made.noticed < 0.2


def in_two_lights() -> tuple[np.ndarray, PhotoTable]:
    """A set whose every second photo was taken under UV-A, where all makers look alike."""
    vectors, table = invented_set()
    under_uv = np.arange(len(table)) % 2 == 1
    rng = np.random.default_rng(5)
    glow = rng.normal(size=vectors.shape[1])
    vectors = np.where(
        under_uv[:, None], glow + 0.3 * rng.normal(size=vectors.shape), vectors
    ).astype(np.float32)
    vectors /= np.linalg.norm(vectors, axis=1, keepdims=True)
    lit = tuple(
        fact._replace(lighting=Lighting.UV_A) if uv else fact
        for fact, uv in zip(table.facts, under_uv, strict=True)
    )
    return vectors, PhotoTable(table.photo_ids, lit)


def test_each_light_has_its_own_scale() -> None:
    scales = calibrate_set(*in_two_lights())["band"].closeness
    assert set(scales) == {ANY, VISIBLE, UV_A}
    assert scales[VISIBLE].noticed == 1.0
    assert scales[UV_A].noticed < 0.3
    # Taken together, photos under UV-A would hide what daylight shows.
    assert scales[UV_A].noticed < scales[ANY].noticed < scales[VISIBLE].noticed
    assert scale_of(scales, Lighting.UV_A) is scales[UV_A]
    assert scale_of(scales, Lighting.RAKING) is scales[VISIBLE]
    assert set(scales_in_use(scales)) == {VISIBLE, UV_A}


def test_a_light_with_too_few_specimens_has_no_scale_of_its_own() -> None:
    vectors, table = in_two_lights()
    few = [i for i, fact in enumerate(table.facts) if fact.lighting is not Lighting.UV_A or i < 16]
    scales = calibrate_set(vectors[few], table.take(few))["band"].closeness
    assert set(scales) == set(scales_in_use(scales)) == {ANY}
    assert scale_of(scales, Lighting.UV_A) is scales[ANY]


def test_nearness_is_told_on_the_sets_own_scale() -> None:
    # Specimens 0.9 from their next of kin, one of them in a hundred photos; makers 0.5 apart.
    shown = np.array([0] * 100 + list(range(1, 20)))
    scale = ClosenessScale(np.where(shown == 0, 0.2, 0.9), shown, 1.0, 0.5)
    assert scale.usual == 0.9
    assert scale.nearness(0.9) == pytest.approx(1.0)
    assert scale.nearness(0.5) == pytest.approx(0.0)
    assert scale.nearness(0.6) == pytest.approx(0.25)
    assert scale.nearness(-1.0) == -1.0
    assert scale.judge(0.7).nearness == pytest.approx(0.5)
    # Where makers lie as near as editions, or there is but one, no scale can be drawn.
    assert replace(scale, stranger=0.9).nearness(0.7) is None
    assert replace(scale, stranger=None).judge(0.7).nearness is None
    assert scale.judge(None).nearness is None


def test_scale_survives_json() -> None:
    scale = calibrate_set(*in_two_lights())["band"].closeness[UV_A]
    back = ClosenessScale.from_dict(json.loads(json.dumps(scale.to_dict())))
    assert back.to_dict() == scale.to_dict()
    assert back.judge(0.8).p_value == scale.judge(0.8).p_value


def test_fakes_of_unrecorded_origin_do_not_vouch_for_each_other() -> None:
    vectors, table = invented_set(editions=1, presses=1)
    blank = PhotoTable(table.photo_ids, tuple(fact._replace(origin=None) for fact in table.facts))
    scores = gather_scores(vectors, blank)
    assert np.isneginf(scores.fake_unseen[blank.fake]).all()
    assert np.isfinite(scores.fake_known).all()


def test_press_siblings_are_specimens_and_not_photos() -> None:
    _, table = invented_set(editions=2, presses=2, fakes=3)
    assert table.count_press_siblings() == 12
    _, lone = invented_set(editions=2, presses=2, fakes=1, photos=3)
    assert lone.count_press_siblings() == 0


def test_drawn_queries_take_whole_specimens() -> None:
    _, table = invented_set(photos=3)
    drawn = drawn_queries(table, 60)
    assert 50 <= drawn.size <= 60
    names = np.array(table.specimens)
    assert set(np.flatnonzero(np.isin(names, names[drawn]))) == set(drawn.tolist())


def test_known_and_unseen_presses_count_their_own_units() -> None:
    vectors, table = invented_set()
    made = calibrate_set(vectors, table)["band"]
    assert (made.genuine, made.fake, made.origins) == (48, 48, 12)
    assert made.known is not None
    assert made.unseen is not None
    assert made.known.copy_units == 48
    assert made.unseen.copy_units == 12
    assert made.unseen.upper <= np.log10(13)
    assert made.figures["known"]["cllr"] < made.figures["unseen"]["cllr"]


@pytest.mark.parametrize("seed", range(3))
def test_fresh_items_of_the_same_world_are_read_honestly(seed: int) -> None:
    # Hold a third of the specimens back, calibrate on the rest, read the held-back ones.
    vectors, table = invented_set(editions=10, genuine=12, fakes=6, seed=seed)
    codes = table.specimen_codes
    away = np.isin(codes, np.random.default_rng(seed).permutation(codes.max() + 1)[::3])
    made = calibrate_set(vectors[~away], table.take(np.flatnonzero(~away)))["band"]
    assert made.known is not None
    values, label, _ = press_scores(
        table, gather_scores(vectors, table, queries=np.flatnonzero(away)), press="known"
    )
    ratios = made.known.log10_lr(values)
    assert (ratios[~label] > 1).mean() <= 0.02
    assert (ratios[label] < -1).mean() <= 0.02
    assert np.median(ratios[label]) > 0 > np.median(ratios[~label])


def test_reading_says_where_makers_cannot_be_told_apart() -> None:
    calibration = stored(*invented_set())
    band = calibration.elements["band"]
    band = replace(band, closeness={ANY: replace(band.closeness[ANY], noticed=0.06)})
    calibration = replace(calibration, elements={"band": band})
    reading = read_query(
        calibration, element="band", encoder="x", genuine=0.85, fake=0.55, nearest="S"
    )
    assert reading["close_reference"] is None
    assert reading["p_value"] is not None
    assert "cannot be told" in reading["says"]
    assert "only if the maker is known to be the right one" in reading["says"]
    assert reading["known_press"] is not None


def stored(vectors: np.ndarray, table: PhotoTable) -> SetCalibration:
    return SetCalibration(MADE_FROM, "2026-01-01T00:00:00Z", calibrate_set(vectors, table))


def far_below_strangers(calibration: SetCalibration) -> float:
    reading = read_query(
        calibration, element="band", encoder="x", genuine=-0.99, fake=-0.99, nearest="S"
    )
    assert "your photo lies at −1 or less" in reading["says"]
    return reading["nearness"]


def test_reading_of_a_near_and_a_far_query() -> None:
    calibration = stored(*invented_set())
    asked = {"element": "band", "encoder": "lite0@0123", "nearest": "g0-1"}
    near = read_query(calibration, genuine=0.85, fake=0.55, **asked)
    assert near["close_reference"] is True
    assert near["nearness"] > 0.5 > far_below_strangers(calibration)
    assert near["known_press"]["log10_lr"] > 0
    assert near["known_press"]["low"] <= near["known_press"]["log10_lr"]
    assert near["unseen_press"] is not None
    assert near["basis"]["made_at"] == "2026-01-01T00:00:00Z"
    far = read_query(calibration, genuine=0.1, fake=0.05, **asked)
    assert far["close_reference"] is False
    assert far["known_press"] is None
    json.dumps([near, far])


@pytest.mark.parametrize(
    ("shape", "similar"),
    [
        ({"editions": 1, "genuine": 2, "presses": 1, "fakes": 1}, (0.8, 0.7)),  # 3 specimens
        ({"presses": 0}, (0.8, None)),  # only genuine
        ({"genuine": 0}, (None, 0.8)),  # only fakes
        ({"photos": 1, "editions": 2, "genuine": 2, "presses": 1, "fakes": 1}, (0.8, 0.7)),
        ({"editions": 1, "genuine": 1, "presses": 0, "photos": 1}, (0.8, None)),  # one photo
    ],
)
def test_thin_sets_get_words_and_no_number(shape, similar) -> None:
    calibration = stored(*invented_set(**shape))
    reading = read_query(
        calibration, element="band", encoder="x", genuine=similar[0], fake=similar[1], nearest="S"
    )
    assert reading["known_press"] is None
    assert reading["unseen_press"] is None
    assert reading["needs"]
    assert reading["says"]


def test_one_misleading_photo_of_four_is_a_misled_specimen() -> None:
    ratios = np.array([1.2, -1, -1, -1, -1, 0.9])
    held = HeldOut(ratios, np.zeros(6, dtype=bool), np.ones(6), ("a", "a", "a", "a", "b", "c"))
    assert held.copies_beyond(1.0) == 1


def test_what_limits_cost_is_no_loss_and_what_bad_figures_cost_is() -> None:
    genuine = np.arange(20) < 10
    units = tuple(range(20))

    def loss(ratios: np.ndarray) -> float:
        return HeldOut(ratios, genuine, np.ones(20), units).loss_within(-1.0, 1.0)

    assert loss(np.where(genuine, 1.0, -1.0)) == pytest.approx(0)
    assert loss(np.where(genuine, 1.0, 0.5)) > 0.5


def test_comes_back_from_disk_only_for_what_it_was_made_from(tmp_path: Path) -> None:
    made = stored(*invented_set())
    save_calibration(tmp_path, made)
    back = load_calibration(tmp_path, MADE_FROM)
    assert back is not None
    assert back.elements["band"].to_dict() == made.elements["band"].to_dict()
    for other in (
        replace(MADE_FROM, set_id="set-2"),
        replace(MADE_FROM, set_version=8),
        replace(MADE_FROM, fingerprint="cd" * 32),
        replace(MADE_FROM, photos=photos_digest([1])),
    ):
        assert load_calibration(tmp_path, other) is None


@pytest.mark.parametrize("damage", ["cut", "altered", "emptied", "gone"])
def test_damaged_calibration_is_not_used(tmp_path: Path, damage: str) -> None:
    save_calibration(tmp_path, stored(*invented_set()))
    path = calibration_path(tmp_path, MADE_FROM.fingerprint)
    content = path.read_bytes()
    if damage == "cut":
        path.write_bytes(content[:-20])
    elif damage == "altered":
        path.write_bytes(content.replace(b'"genuine": 48', b'"genuine": 49'))
    elif damage == "emptied":
        path.write_bytes(b"")
    else:
        path.unlink()
    assert load_calibration(tmp_path, MADE_FROM) is None
