"""Printing: determinism, constant and varying faults, copies, ground truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from loupebook.demo.artwork.band import draw_band
from loupebook.demo.press.presses import forger_press
from loupebook.demo.press.printing import print_artwork
from loupebook.demo.press.settings import Foil, Grating, Method, Paper, PressSettings
from loupebook.demo.press.truth import difference_mask
from loupebook.demo.surface import PrintedSurface, dome_profile
from loupebook.demo.world import demo_world, origin_difference, print_specimen, specimen_serials
from loupebook.errors import WorldInvalid
from loupebook.records.model import Element, Standing

IDEAL = PressSettings(
    register_jitter_mm=0.0, density_jitter=0.0, mottle=0.0, flaws=0, age=0.0, wear=0.0,
    paper=Paper(texture_um=0.0),
)  # fmt: skip
WORLD = demo_world()
BAND = WORLD.edition("Belquora band I")
SEAL = WORLD.edition("Galdemoor seal")
CAP = WORLD.edition("Umbrialto cap")


def _ideal(plan, press: PressSettings = IDEAL, px_per_mm: float = 12) -> PrintedSurface:
    return print_artwork(
        draw_band(plan), press, px_per_mm=px_per_mm, origin_seed=0, specimen_seed=0, metadata={}
    )


@pytest.mark.parametrize("edition", [BAND, SEAL, CAP], ids=lambda e: e.name)
def test_one_seed_one_specimen(edition) -> None:
    origin = WORLD.origins(edition)[1]
    once, again, other = (print_specimen(edition, origin, s, px_per_mm=6) for s in (4, 4, 5))
    assert np.array_equal(once.albedo, again.albedo)
    assert np.array_equal(once.relief_mm, again.relief_mm)
    assert not np.array_equal(once.albedo, other.albedo)


@pytest.mark.parametrize("edition", [BAND, SEAL, CAP], ids=lambda e: e.name)
def test_every_origin_prints_physical_maps(edition) -> None:
    for origin in WORLD.origins(edition):
        surface = print_specimen(edition, origin, 0, px_per_mm=5)
        assert surface.element is edition.element
        for name in ("albedo", "coverage", "metal", "metal_tint", "fluorescence", "hologram"):
            values = getattr(surface, name)
            assert values.dtype == np.float32, name
            assert values.min() >= 0, name
            assert values.max() <= 1, name
        assert 0.02 <= surface.roughness.min() <= surface.roughness.max() <= 1
        assert np.isfinite(surface.relief_mm).all()
        assert np.abs(surface.relief_mm).max() < 0.6
        assert surface.metadata["standing"] == origin.standing.value


def test_copies_differ_where_the_mask_says_and_not_elsewhere() -> None:
    copy = replace(BAND.plan, missing_pearls=(3, 20), microtext="", pearls=BAND.plan.pearls)
    truth = difference_mask(draw_band(BAND.plan), draw_band(copy), IDEAL, px_per_mm=12)
    genuine, fake = _ideal(BAND.plan), _ideal(copy)
    change = np.abs(genuine.albedo - fake.albedo).max(axis=2) + np.abs(genuine.metal - fake.metal)
    assert 0.001 < truth.structural < 0.1
    assert set(truth.parts) == {"frame-pearls", "microtext", "border-motif"}
    changed = change > 0.1
    assert (changed & ~truth.mask).sum() < 0.02 * (changed & truth.mask).sum()
    assert change[truth.mask].mean() > 50 * change[~truth.mask].mean()


def test_an_unchanged_copy_has_an_empty_mask() -> None:
    for edition in (BAND, SEAL):
        truth = origin_difference(edition, WORLD.origins(edition)[1])
        assert truth.structural == 0.0
        assert truth.parts == ()


def test_every_copy_differs_from_the_genuine_design_or_is_screened() -> None:
    for edition in WORLD.editions[:4]:
        for origin in WORLD.origins(edition):
            if origin.standing is Standing.GENUINE:
                assert origin.changes == ()
                continue
            assert origin.changes
            if edition.element is not Element.CAP:
                truth = origin_difference(edition, origin, px_per_mm=8)
                off = abs(truth.stretch[0] - 1) + abs(truth.stretch[1] - 1)
                assert truth.parts or truth.screened or off > 0


def test_constant_faults_are_shared_and_others_are_not() -> None:
    """Two sheets of one run agree more than two sheets of two runs."""
    press = replace(IDEAL, flaws=24)
    artwork = draw_band(BAND.plan)
    first, second, stranger = (
        print_artwork(artwork, press, px_per_mm=14, origin_seed=o, specimen_seed=s, metadata={})
        for o, s in ((1, 1), (1, 2), (2, 1))
    )
    flawless = _ideal(BAND.plan, px_per_mm=14)
    flaws = [
        np.abs(s.albedo - flawless.albedo).max(axis=2) + np.abs(s.metal - flawless.metal) > 0.25
        for s in (first, second, stranger)
    ]
    assert flaws[0].sum() > 20
    assert (flaws[0] & flaws[1]).sum() > 0.8 * flaws[0].sum()
    assert (flaws[0] & flaws[2]).sum() < 0.2 * flaws[0].sum()


def test_register_moves_a_plate_by_what_was_set() -> None:
    press = replace(IDEAL, register_mm=(("emboss", 0.5, -0.25),))
    before, after = (_ideal(BAND.plan, p).relief_mm for p in (IDEAL, press))
    product = np.fft.ifft2(np.fft.fft2(after) * np.conj(np.fft.fft2(before))).real
    dy, dx = np.unravel_index(product.argmax(), product.shape)
    rows, columns = before.shape
    assert ((dx + columns // 2) % columns - columns // 2) / 12 == pytest.approx(0.5, abs=0.06)
    assert ((dy + rows // 2) % rows - rows // 2) / 12 == pytest.approx(-0.25, abs=0.06)


def test_yellow_ink_is_no_metal_and_a_dead_patch_no_grating() -> None:
    flat = _ideal(BAND.plan, replace(IDEAL, foil=Foil.YELLOW_INK))
    real = _ideal(BAND.plan)
    assert flat.metal.max() == 0
    foil = real.metal > 0.9
    assert 0.05 < foil.mean() < 0.6
    red, green, blue = flat.albedo[foil].mean(axis=0)
    assert red > green > 1.5 * blue
    origin = WORLD.origins(SEAL)[0]
    dead = replace(origin, press=replace(origin.press, grating=Grating.DEAD))
    assert print_specimen(SEAL, origin, 0, px_per_mm=6).hologram.max() > 0.9
    assert print_specimen(SEAL, dead, 0, px_per_mm=6).hologram.max() == 0


def test_a_numbered_uv_crest_glows_where_the_genuine_one_is_plain() -> None:
    origin = WORLD.origins(SEAL)[0]
    numbered = replace(origin, plan=replace(SEAL.plan, uv_number="4821"))
    truth = origin_difference(SEAL, numbered)
    assert truth.parts == ("uv-number",)
    assert truth.uv_mask.any()
    assert not truth.mask.any()


def test_forged_numbers_disagree_or_repeat() -> None:
    origins = WORLD.origins(SEAL)
    one_for_all, disagreeing = origins[2], origins[3]
    assert specimen_serials(one_for_all, 1) == specimen_serials(one_for_all, 9)
    left, right, _ = (s.value for s in specimen_serials(disagreeing, 1))
    assert left != right
    house = [specimen_serials(origins[0], k)[0].value for k in range(50)]
    assert len(set(house)) == 50


def test_brightened_paper_glows_and_true_paper_stays_dark() -> None:
    true, white = (
        _ideal(BAND.plan, replace(IDEAL, paper=Paper(brightener=b))).fluorescence
        for b in (0.012, 0.3)
    )
    blank = np.s_[85:110, 5:15]  # end tab, above the UV mark
    assert white[blank].mean() > 10 * true[blank].mean()


def test_caps_keep_their_turns() -> None:
    """Each turn lies on the one below: four turns stand higher than one."""
    origin = WORLD.origins(CAP)[0]
    steps = []
    for turns in (1, 4):
        made = replace(origin, plan=replace(CAP.plan, turns=turns, seam_step_mm=2.2))
        heights = []
        for specimen in range(3):
            relief = print_specimen(CAP, made, specimen, px_per_mm=10).relief_mm
            middle = relief.shape[0] // 2
            y, x = np.mgrid[: relief.shape[0], : relief.shape[1]] - middle
            ring = np.hypot(x, y) / 10
            heights.append(relief[ring < 3].mean() - relief[ring > 16].mean())
        steps.append(np.mean(heights))
    # Leaf is 0.055 mm thick, and pressed home it rises by a third of that at least.
    assert steps[1] > steps[0] + 3 * 0.055 / 3


def test_the_meridian_of_a_head_keeps_its_length() -> None:
    """Arc length along the profile is what the map says it is."""
    rho = np.linspace(0, 18, 4001)
    radius, depth = dome_profile(rho, radius_mm=9.5, shoulder_mm=6.0)
    walked = np.hypot(np.diff(radius), np.diff(depth)).sum()
    assert walked == pytest.approx(18.0, rel=1e-4)
    assert radius.max() == pytest.approx(9.5)


@pytest.mark.parametrize("px_per_mm", [0.0, -3.0, 1.0, 500.0])
def test_impossible_scales_are_refused(px_per_mm: float) -> None:
    for edition in (BAND, CAP):
        with pytest.raises(WorldInvalid):
            print_specimen(edition, WORLD.origins(edition)[0], 0, px_per_mm=px_per_mm)


def test_impossible_orders_are_refused() -> None:
    house = WORLD.origins(BAND)[0]
    with pytest.raises(WorldInvalid):
        print_specimen(SEAL, house, 0)
    with pytest.raises(WorldInvalid):
        print_specimen(BAND, house, -1)
    with pytest.raises(WorldInvalid):
        WORLD.specimens(house, -1)
    with pytest.raises(WorldInvalid):
        origin_difference(CAP, WORLD.origins(CAP)[2])
    with pytest.raises(WorldInvalid):
        forger_press(np.random.default_rng(0), Element.BAND, "perfect")
    with pytest.raises(WorldInvalid):
        difference_mask(draw_band(BAND.plan), draw_band(replace(BAND.plan, width=60.0)), IDEAL)


def test_a_surface_of_unequal_maps_is_refused() -> None:
    surface = print_specimen(BAND, WORLD.origins(BAND)[0], 0, px_per_mm=3)
    with pytest.raises(WorldInvalid):
        replace(surface, metal=np.zeros((3, 3), np.float32))
    with pytest.raises(WorldInvalid):
        replace(surface, radius_mm=0.0)
    with pytest.raises(WorldInvalid):
        replace(surface, geometry="dome", shoulder_mm=99.0)


def test_forgers_use_screens_and_stretch_by_their_skill() -> None:
    rng = np.random.default_rng(0)
    clumsy = [forger_press(rng, Element.BAND, "clumsy") for _ in range(40)]
    fine = [forger_press(rng, Element.BAND, "very good") for _ in range(40)]
    assert all(p.method is Method.PROCESS for p in clumsy)
    assert all(p.method is Method.SPOT for p in fine)
    worst, best = (np.mean([abs(s - 1) for p in run for s in p.scale]) for run in (clumsy, fine))
    assert worst > 4 * best
