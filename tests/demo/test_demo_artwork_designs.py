"""Designs: parts that can be pointed at, redesigns, other seeds, fonts with licences."""

from __future__ import annotations

from dataclasses import fields, replace
from importlib import resources

import numpy as np
import pytest

from loupebook.demo.artwork.band import draw_band
from loupebook.demo.artwork.lettering import FACES, NEAR_FACE, line, text_width
from loupebook.demo.artwork.seal import draw_seal
from loupebook.demo.artwork.seal_plan import SealPlan
from loupebook.demo.press.raster import render_plates
from loupebook.demo.world import World, demo_world, specimen_artwork
from loupebook.errors import WorldInvalid
from loupebook.records.model import Element

PRINTED = [e for e in demo_world().editions if e.element is not Element.CAP]


@pytest.mark.parametrize("edition", PRINTED, ids=lambda e: e.name)
def test_parts_have_words_a_key_and_a_place(edition) -> None:
    artwork = specimen_artwork(demo_world().origins(edition)[0])
    keys = [p.key for p in artwork.parts]
    assert len(set(keys)) == len(keys)
    for part in artwork.parts:
        box = part.box
        assert len(part.description.split()) >= 2, part.key
        assert box.right > box.left
        assert box.bottom > box.top
        assert box.right > 0
        assert box.left < artwork.width


def test_a_redesign_changes_three_details() -> None:
    world = demo_world()
    for marque in world.marques:
        first, second = (world.edition(f"{marque} band {n}").plan for n in ("I", "II"))
        changed = [
            f.name for f in fields(first) if getattr(first, f.name) != getattr(second, f.name)
        ]
        assert len(changed) == 4  # three details, and the edition's name
        assert len(world.edition(f"{marque} band II").changes) == 3


def test_a_redesign_keeps_most_parts() -> None:
    world = demo_world()
    first, second = (draw_band(world.edition(f"Belquora band {n}").plan) for n in ("I", "II"))
    ours, theirs = ({p.key: p.digest() for p in a.parts} for a in (first, second))
    same = [k for k in ours if ours[k] == theirs.get(k)]
    assert 0.5 < len(same) / len(ours) < 1.0


def test_marques_are_distinct_and_other_seeds_give_other_designs() -> None:
    demo, other = demo_world(), World(5, marques=10)
    assert not set(demo.marques) & set(other.marques)
    maps = []
    for world in (demo, other):
        for edition in world.editions:
            if edition.name.endswith("band I"):
                plates = render_plates(draw_band(edition.plan), 3).maps
                maps.append(np.resize(plates["dark"][:48, :180], (48, 180)).ravel())
    likeness = np.corrcoef(np.array(maps))
    assert np.max(likeness - np.eye(len(maps))) < 0.9


def test_the_same_seed_gives_the_same_world() -> None:
    assert World(11, marques=3).editions == World(11, marques=3).editions
    edition = World(11, marques=3).editions[0]
    assert World(11, marques=3).origins(edition) == World(11, marques=3).origins(edition)


def test_a_marque_does_not_depend_on_how_many_there_are_beside_it() -> None:
    few, many = demo_world(), World(demo_world().seed, marques=demo_world().marques[:4])
    assert few.editions[:16] == many.editions


def test_serial_numbers_agree_on_genuine_seals() -> None:
    world = demo_world()
    for edition in world.editions:
        if isinstance(edition.plan, SealPlan):
            for specimen in world.specimens(world.origins(edition)[0], 5):
                bottom, over_code, crest = (s.value for s in specimen.serials)
                assert bottom == over_code
                assert bottom.endswith(crest)
                assert edition.plan.uv_number == ""


def test_a_number_stands_where_its_place_says() -> None:
    world = demo_world()
    seals = [edition for edition in world.editions if isinstance(edition.plan, SealPlan)]
    for edition in seals:
        (specimen,) = world.specimens(world.origins(edition)[0], 1)
        serials = tuple((one.place or "", one.value) for one in specimen.serials)
        drawn = draw_seal(replace(edition.plan, serials=serials))
        bottom = drawn.part("serial-bottom-centre").box
        assert bottom.top > 0.7 * drawn.height
        assert 0.3 < (bottom.left + bottom.right) / 2 / drawn.width < 0.7
        over, code = drawn.part("serial-over-the-bar-code").box, drawn.part("barcode").box
        assert over.bottom < code.top
        assert code.left < (over.left + over.right) / 2 < code.right
    assert len({edition.plan.mirrored for edition in seals}) == 2


def test_every_face_has_its_licence_and_near_face() -> None:
    folder = resources.files("loupebook.demo.artwork") / "fonts"
    for name, file in FACES.items():
        family = file.split("-latin-")[0]
        licence = (folder / f"{family}.LICENSE.txt").read_text(encoding="utf-8")
        assert "SIL OPEN FONT LICENSE" in licence.upper()
        assert NEAR_FACE[name] in FACES
        assert NEAR_FACE[name] != name


def test_lettering_has_the_cap_height_asked_for() -> None:
    for face in FACES:
        bounds = line("H", face, 2.0, at=(5.0, 5.0)).computeTightBounds()
        assert bounds.height() == pytest.approx(2.0, rel=0.02)
        assert bounds.centerY() == pytest.approx(5.0, abs=0.5)  # round hands reach below the line
        assert text_width("HH", face, 2.0) > text_width("H", face, 2.0)


@pytest.mark.parametrize("marques", [0, 201, [], ["A", "A"]])
def test_impossible_worlds_are_refused(marques) -> None:
    with pytest.raises(WorldInvalid):
        World(1, marques=marques)
    with pytest.raises(WorldInvalid):
        World(-1)
    with pytest.raises(WorldInvalid):
        demo_world().edition("nobody's band")
