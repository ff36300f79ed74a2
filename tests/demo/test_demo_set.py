"""Plans and files of rendered sets."""

from __future__ import annotations

import csv
import json
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from loupebook.demo.demo_set import (
    DEMO_PHOTO_SEED,
    Taken,
    Taking,
    _manifest_row,
    _truth_row,
    _write_table,
    photograph_plan,
    render_world,
)
from loupebook.demo.photo_files import RENDERED
from loupebook.demo.photo_plan import (
    held_out_origin,
    plan_queries,
    plan_references,
    plan_shipped_queries,
)
from loupebook.demo.press.copying import alter, invented_microtext, lost_microtext
from loupebook.demo.press.printing import FINEST_PX_PER_MM
from loupebook.demo.world import World, demo_world
from loupebook.errors import WorldInvalid
from loupebook.records.manifest import read_manifest
from loupebook.records.model import Element, Standing

_DEMO = Path(__file__).parents[2] / "reference_sets" / "demo"


def test_demo_plan_is_as_large_as_promised():
    plan = plan_references(demo_world(), seed=7)
    assert len(plan) >= 420
    assert len({photo.specimen.name for photo in plan}) >= 160
    assert len({photo.edition.marque for photo in plan}) == 10


@pytest.mark.parametrize("planned", [plan_queries, plan_shipped_queries])
def test_queries_are_held_out(planned):
    world = demo_world()
    known = plan_references(world, seed=7)
    queries = planned(world, seed=7)
    assert len(queries) >= 150
    specimens = {photo.specimen.name for photo in known}
    assert not specimens & {photo.specimen.name for photo in queries}
    origins = {photo.origin.name for photo in known}
    marques = {photo.edition.marque for photo in known}
    for photo in queries:
        seen = photo.origin.name in origins
        assert seen is (photo.group not in ("fake, unseen origin", "unknown marque"))
        assert (photo.edition.marque in marques) is (photo.group != "unknown marque")
    assert min(Counter(photo.group for photo in queries).values()) >= 10


def test_poor_photos_show_every_element_of_both_standings():
    counts = Counter()
    for seed in range(950_001, 950_006):
        plan = plan_queries(World(seed, marques=4), seed=seed)
        poor = [photo for photo in plan if photo.group == "poor photo"]
        assert all(photo.shot.poor for photo in poor)
        assert len({photo.edition.name for photo in poor}) == 16
        counts.update((photo.edition.element, photo.origin.standing) for photo in poor)
    assert set(counts) == {(element, standing) for element in Element for standing in Standing}
    assert sum(n for (_, standing), n in counts.items() if standing is Standing.FAKE) == 50


def test_the_shipped_queries_are_those_that_were_planned():
    plan = plan_shipped_queries(demo_world(), seed=DEMO_PHOTO_SEED)
    table = _DEMO.with_name("demo_queries") / "truth.csv"
    with table.open(newline="", encoding="utf-8") as stream:
        shipped = list(csv.DictReader(stream))
    for photo, row in zip(plan, shipped, strict=True):
        taken = Taken(Path(row["path"]).name, float(row["px_per_mm"]))
        assert _truth_row(photo, taken) == row


def test_every_skill_is_held_out_somewhere():
    world = demo_world()
    skills = {held_out_origin(world, edition).skill for edition in world.editions}
    assert len(skills) == 4


def test_seeds_of_photos_never_repeat():
    plan = plan_references(World(3, marques=2), seed=1, count=200)
    assert len({photo.shot.seed for photo in plan}) == 200


def test_rendered_set_says_what_it_is(tmp_path):
    said = []
    done = render_world(
        World(3, marques=1), tmp_path / "set", seed=1, count=2, how=Taking(truth=True),
        progress=lambda *step: said.append(step),
    )  # fmt: skip
    assert done == 2
    assert said[-1] == ("rendering", 2, 2)
    manifest = read_manifest(tmp_path / "set" / "manifest.csv")
    assert len(manifest.rows) == 2
    assert not manifest.faults
    for row in manifest.rows:
        with Image.open(row.path) as photo:
            assert photo.getexif()[0x010E] == RENDERED
            assert RENDERED in photo.info["xmp"].decode()
            size = photo.size
        truth = np.load(row.path.with_suffix(".truth.npz"), allow_pickle=False)
        assert truth["item"].shape == size[::-1]
        facts = json.loads(row.path.with_suffix(".truth.json").read_text())
        assert facts["geometry"] == "cylinder"
        assert len(facts["outline_px"]) >= 4
    with (tmp_path / "set" / "manifest.csv").open(newline="") as stream:
        assert {r["source"] for r in csv.DictReader(stream)} == {"rendered, invented"}


@pytest.mark.parametrize("element", list(Element))
def test_shipped_photos_can_be_drawn_again(tmp_path, element):
    """One photo of each element from its seeds, against the file that ships: 45 dB PSNR."""
    plan = plan_references(demo_world(), seed=DEMO_PHOTO_SEED)
    shipped = read_manifest(_DEMO / "manifest.csv").rows
    number = next(k for k, photo in enumerate(plan) if photo.edition.element is element)
    path = shipped[number].path
    photograph_plan([(plan[number], path.stem)], folder=tmp_path, how=Taking())
    ours, theirs = (np.asarray(Image.open(p), float) for p in (tmp_path / path.name, path))
    assert ((ours - theirs) ** 2).mean() < 255**2 / 10**4.5


def test_traced_sets_need_mitsuba(tmp_path, monkeypatch):
    def missing(variant):
        raise WorldInvalid("needs loupebook[raytrace]")

    monkeypatch.setattr("loupebook.demo.demo_set.load_mitsuba", missing)
    with pytest.raises(WorldInvalid, match="raytrace"):
        render_world(World(3, marques=1), tmp_path / "a", seed=1, count=1, how=Taking(traced=True))


def test_impossible_sets_are_refused(tmp_path):
    world = World(3, marques=1)
    with pytest.raises(WorldInvalid):
        render_world(world, tmp_path / "a", seed=1, count=0)
    with pytest.raises(WorldInvalid):
        render_world(world, tmp_path / "a", seed=-1)
    with pytest.raises(WorldInvalid):
        render_world(world, tmp_path / "a", seed=1, count=1, how=Taking(workers=0))
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "something").touch()
    with pytest.raises(WorldInvalid):
        render_world(world, tmp_path / "full", seed=1, count=1)


def test_photos_of_another_size_show_the_same(tmp_path):
    """Half as wide and high, from the same seeds: the same picture with fewer px."""
    plan = plan_references(World(3, marques=1), seed=1)
    for name, how in (("whole", Taking()), ("half", Taking(times=0.5))):
        photograph_plan([(plan[0], name)], folder=tmp_path, how=how)
    whole, half = (Image.open(tmp_path / f"{n}.jpg").convert("L") for n in ("whole", "half"))
    assert half.size == (whole.width // 2, whole.height // 2)
    reduced = np.asarray(whole.resize(half.size, Image.Resampling.BOX), float)
    assert np.corrcoef(reduced.ravel(), np.asarray(half, float).ravel())[0, 1] > 0.95


@pytest.mark.parametrize(
    ("how", "said"),
    [
        (Taking(times=0.1), "0.5 to 6"),
        (Taking(device="tpu"), "there is no device 'tpu' here; there is cpu"),
        (Taking(device="cuda:99999999999999999999"), "there is no device"),
        (Taking(workers=9999), "1 to 256 processes, not 9999"),
        (Taking(device="cuda", traced=True), "leave out the device"),
    ],
)
def test_impossible_ways_of_rendering_are_refused(tmp_path, how, said, monkeypatch):
    monkeypatch.setattr("loupebook.demo.demo_set.load_mitsuba", lambda variant: None)
    with pytest.raises(WorldInvalid, match=said):
        render_world(World(3, marques=1), tmp_path / "a", seed=1, count=1, how=how)


@pytest.mark.parametrize("element", list(Element))
def test_the_largest_photos_ask_for_no_finer_print_than_there_is(element):
    assert Taking(times=6).print_px_per_mm(element) <= FINEST_PX_PER_MM
    assert Taking(times=3).print_px_per_mm(element) > Taking().print_px_per_mm(element)


def test_the_shipped_manifest_says_of_copies_what_their_plans_say():
    plan = plan_references(demo_world(), seed=DEMO_PHOTO_SEED)
    with (_DEMO / "manifest.csv").open(newline="", encoding="utf-8") as stream:
        shipped = list(csv.DictReader(stream))
    for photo, row in zip(plan, shipped, strict=True):
        taken = Taken(Path(row["path"]).name, float(row["px_per_mm"]))
        assert _manifest_row(photo, taken) == row
    notes = {row["notes"] for row in shipped}
    assert not [one for one in notes if "1 pearls" in one or one.count("microtext") > 1]


@pytest.mark.parametrize(
    ("first", "second", "said"),
    [
        (invented_microtext, lost_microtext, ("microtext lost",)),
        (lost_microtext, invented_microtext, ("microtext replaced by meaningless letters",)),
    ],
)
def test_what_a_later_alteration_undoes_is_not_said_of_a_copy(first, second, said):
    class InOrder:
        """Draws nothing by chance but letters: alterations come in the order given."""

        permutation = staticmethod(np.arange)
        choice = staticmethod(lambda letters, count: letters[:count])

    plan = next(e.plan for e in demo_world().editions if e.element is Element.BAND)
    assert alter(plan, (first, second), 2, InOrder())[1] == said


def test_a_table_is_written_whole_or_not_at_all(tmp_path):
    rows = [{"path": "a"}, {"path": "b", "stranger": "x"}]
    with pytest.raises(ValueError, match="stranger"):
        _write_table(tmp_path / "manifest.csv", ("path",), rows)
    assert not list(tmp_path.iterdir())
    _write_table(tmp_path / "manifest.csv", ("path",), rows[:1])
    assert (tmp_path / "manifest.csv").read_text(encoding="utf-8") == "path\na\n"


def test_a_drawing_that_was_broken_off_is_refused_with_what_to_do(tmp_path, monkeypatch):
    def broken(*_, **__):
        raise KeyboardInterrupt

    world = World(3, marques=1)
    monkeypatch.setattr("loupebook.demo.demo_set.photograph_plan", broken)
    with pytest.raises(KeyboardInterrupt):
        render_world(world, tmp_path / "set", seed=1, count=1)
    with pytest.raises(WorldInvalid, match=r"broken off.*lacks manifest\.csv.*delete the folder"):
        render_world(world, tmp_path / "set", seed=1, count=1)
    (tmp_path / "set" / "manifest.csv").touch()
    with pytest.raises(WorldInvalid, match="drawn earlier"):
        render_world(world, tmp_path / "set", seed=1, count=1)
