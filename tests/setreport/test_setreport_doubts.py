"""The one list of doubtful standings: what it says where much, little or nothing is known."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from test_setreport_report import context_of

from invented_prints import invented_items
from loupebook.evidence.joint import joint_log10_lr
from loupebook.evidence.table import PhotoTable
from loupebook.records.model import (
    Element,
    IntakeState,
    Lighting,
    PhotoFacts,
    SpecimenRecord,
    Standing,
    View,
)
from loupebook.setreport.association import Association
from loupebook.setreport.circumstances import Circumstance
from loupebook.setreport.departures import Judged
from loupebook.setreport.doubts import Doubt, Doubts, doubts_of_element, specimen_leans
from loupebook.setreport.labels import standing_line
from loupebook.setreport.sections import label_suspects


class World:
    """Editions of genuine specimens and copies, two photos each, in made-up vectors."""

    def __init__(
        self, genuine: int, fake: int, *, mark: float = 0.0, editions: int = 12, seed: int = 0
    ) -> None:
        rng = np.random.default_rng(seed)
        towards = mark * rng.normal(size=32)
        self.specimens: list[str] = []
        self.kinds: list[int] = []
        copies, rows = [], []
        for edition in range(editions):
            centre = 3 * rng.normal(size=32)
            for n in range(genuine + fake):
                own = centre + rng.normal(size=32) + towards * (n >= genuine)
                rows += [own + 0.7 * rng.normal(size=32) for _ in range(2)]
                self.specimens += [f"{edition}-{n}"] * 2
                copies += [n >= genuine] * 2
                self.kinds += [edition] * 2
        self.fake = np.array(copies)
        self.vectors = np.array(rows, dtype=np.float32)
        self.vectors /= np.linalg.norm(self.vectors, axis=1, keepdims=True)

    def lean(self) -> np.ndarray:
        return standing_line(self.vectors, self.specimens, self.fake, self.kinds)


@pytest.mark.parametrize("each", [2, 3, 4])
def test_vectors_that_tell_nothing_confirm_half_of_the_standings(each: int) -> None:
    confirmed = []
    for seed in range(20):
        world = World(each, each, seed=seed)
        confirmed.append(((world.lean() > 0) == world.fake).mean())
    assert np.mean(confirmed) == pytest.approx(0.5, abs=0.06)


def test_wrong_standings_lean_most() -> None:
    world = World(8, 8, mark=1.0, editions=6)
    wrong = {"0-1", "2-9", "5-15"}
    world.fake ^= np.isin(world.specimens, list(wrong))
    against = np.where(world.fake, -1, 1) * world.lean()
    assert wrong <= {world.specimens[i] for i in np.argsort(-against)[:8]}


def test_nobody_speaks_for_the_only_copy_of_an_edition() -> None:
    world = World(8, 1)
    lean = world.lean()
    assert np.isnan(lean[world.fake]).all()
    assert np.isfinite(lean[~world.fake]).all()
    assert np.isnan(World(8, 0).lean()).all()


def facts_of(world: World, press: str | None) -> PhotoTable:
    facts = tuple(
        PhotoFacts(
            name, Element.BAND, Standing.FAKE if fake else Standing.GENUINE, "Marl", f"E {kind}",
            press if fake else None, View.FACE, Lighting.DIFFUSE, IntakeState.CONFIRMED,
        )
        for name, fake, kind in zip(world.specimens, world.fake, world.kinds, strict=True)
    )  # fmt: skip
    return PhotoTable(np.arange(len(facts)), facts)


def test_copies_of_one_press_do_not_speak_for_each_other() -> None:
    world = World(3, 3, mark=1.0)
    copies = set(np.array(world.specimens)[world.fake])
    assert not copies & specimen_leans(facts_of(world, "press"), world.vectors).keys()
    assert copies <= specimen_leans(facts_of(world, None), world.vectors).keys()


def specimens(genuine: int, fake: int, *, pressed: bool = True) -> list[SpecimenRecord]:
    standings = [Standing.GENUINE] * genuine + [Standing.FAKE] * fake
    return [
        SpecimenRecord(
            f"s{n}", Element.BAND, one,
            origin=f"press {n}" if pressed and one is Standing.FAKE else None,
        )
        for n, one in enumerate(standings)
    ]  # fmt: skip


def printed(values: np.ndarray, known: list[SpecimenRecord]) -> dict[str, Judged]:
    return {
        one.name: Judged(one.name, "band", one.standing is Standing.FAKE, float(z), (), (), 0)
        for one, z in zip(known, values, strict=True)
    }


def test_among_many_of_which_none_is_wrong_hardly_anyone_is_named() -> None:
    # Prints that tell copies with an area of .85, as measured on rendered worlds.
    known = specimens(300, 300)
    named = 0
    for seed in range(3):
        departs = np.random.default_rng(seed).normal(size=600) + 1.466 * (np.arange(600) >= 300)
        named += sum(one.named for one in doubts_of_element(known, {}, printed(departs, known)))
    assert named <= 2


def test_labels_that_are_surely_wrong_are_named() -> None:
    known = specimens(150, 150)
    departs = np.random.default_rng(0).normal(size=300) + 6 * (np.arange(300) >= 150)
    departs[3], departs[290] = 6.0, 0.0
    listed = doubts_of_element(known, {}, printed(departs, known))
    assert {one.specimen for one in listed if one.named} == {"s3", "s290"}
    few = doubts_of_element(known[140:160], {}, printed(departs[140:160], known[140:160]))
    assert not any(one.named for one in few)  # what is sure enough takes more than ten of each


def test_labels_that_are_wrong_do_not_bound_what_speaks_against_them() -> None:
    # Three in a hundred of a telling set: as misled ones they would allow no ratio above 32.
    rng = np.random.default_rng(0)
    departs = rng.normal(size=600) + 2.66 * (np.arange(600) >= 300)
    wrong = rng.choice(600, 18, replace=False)
    copies = (np.arange(600) >= 300) ^ np.isin(np.arange(600), wrong)
    order = np.argsort(copies, kind="stable")
    known = specimens(int((~copies).sum()), int(copies.sum()))
    truth = {one.name for one, i in zip(known, order.tolist(), strict=True) if i in wrong}
    listed = doubts_of_element(known, {}, printed(departs[order], known))
    named = {one.specimen for one in listed if one.named}
    assert len(named & truth) >= 4
    assert len(named - truth) <= 2


def test_two_signs_tell_more_than_one_and_one_alone_is_enough() -> None:
    rng = np.random.default_rng(3)
    known = specimens(60, 60)
    copies = np.arange(120) >= 60
    leans = {s.name: float(v) for s, v in zip(known, rng.normal(size=120) + copies, strict=True)}
    prints = printed(rng.normal(size=120) + copies, known)
    wrong = {"s5": True, "s100": False}
    for name, like_copy in wrong.items():
        leans[name] = prints_at = 2.0 if like_copy else -1.0
        prints |= printed(np.array([prints_at]), [s for s in known if s.name == name])
    place = {}
    for which, signs in {
        "both": (leans, prints), "leans": (leans, {}), "prints": ({}, prints),
    }.items():  # fmt: skip
        listed = Doubts(tuple(doubts_of_element(known, *signs)), ())
        order = sorted(listed.listed, key=lambda one: -one.against)
        place[which] = sum(k for k, one in enumerate(order) if one.specimen in wrong)
        assert listed.agreement > 0.6
    assert place["both"] <= min(place["leans"], place["prints"])
    # Half of the prints were not compared: the others speak by likeness.
    half = dict(list(prints.items())[::2])
    assert len(doubts_of_element(known, leans, half)) == 120
    assert doubts_of_element(known, {}, {}) == []


def test_few_presses_order_by_likeness_and_name_nobody() -> None:
    known = specimens(40, 40, pressed=False)  # copies without a press may all be of one
    leans = {one.name: float(n >= 40) for n, one in enumerate(known)}
    leans["s2"] = 1.0
    listed = doubts_of_element(known, leans, {})
    assert not any(one.fitted or one.told or one.named for one in listed)
    assert max(listed, key=lambda one: one.against).specimen == "s2"


def test_a_sign_that_points_the_other_way_or_nowhere_supports_nothing() -> None:
    rng = np.random.default_rng(5)
    fake = np.arange(80) >= 40
    units = list(range(80))
    turned = (rng.normal(size=80) - 2 * fake)[:, None]
    assert joint_log10_lr(turned, fake, units, needed=10) == pytest.approx(np.zeros(80), abs=1e-9)
    one = joint_log10_lr(-turned, fake, units, needed=10)
    both = joint_log10_lr(np.hstack([-turned, turned]), fake, units, needed=10)
    assert ((one > 0) == fake).mean() > 0.75
    assert ((both > 0) == fake).mean() > 0.75
    assert np.isnan(joint_log10_lr(turned, fake, units, needed=41)).all()


def test_likeness_that_may_be_the_cameras_is_left_out_and_that_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    items = invented_items(editions=1, genuine=3, presses=1, fakes=3, seed=1)
    context = context_of(tmp_path, items)
    told = Circumstance(varies=True, found=Association(0.9, 0.001, 6), p_value=0.001)
    untold = Circumstance(varies=True, found=Association(0.5, 0.8, 6), p_value=1.0)
    where = "loupebook.setreport.context.circumstances_of"
    monkeypatch.setattr(where, lambda *_: {"camera": told, "size": untold})
    section = label_suspects.examine(context)
    assert "The camera of the photos alone tells the standings apart" in section.summary
    assert section.figures["circumstances"] == ["camera"]
    assert section.figures["order"] == []
    monkeypatch.setattr(where, lambda *_: {"size": untold})
    section = label_suspects.examine(replace(context))
    assert section.figures["judged"] == len(section.figures["order"]) > 0
    assert "nobody is named" in section.summary


def test_what_is_named_is_said_in_words_that_declare_nothing() -> None:
    print_ = Judged("S-1", "band", False, 3.2, ("colour",), (7,), "S-1")
    copy = Doubt("S-1", "band", False, 2.4, True, 1.7, print_, True)
    genuine = Doubt("S-2", "band", True, 2.4, True, 1.7, None, True)
    context = SimpleNamespace(photos_of={})
    first, second = (label_suspects._doubted(context, one) for one in (copy, genuine))
    assert "recorded as genuine, but its photos and its print" in first.says
    assert "50 times more probable for a copy" in first.says
    assert "(colour)" in first.says
    assert "may be a very good copy" in second.says
    assert first.detail["z"] == 3.2
    assert "z" not in second.detail
