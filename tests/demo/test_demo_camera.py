"""The demo camera: scenes, truth, determinism and refusals."""

from __future__ import annotations

import dataclasses

import cv2
import numpy as np
import pytest
import torch
from standin_surfaces import band, cap, seal

from loupebook.demo.camera.geometry import FAR, hit_rod, rod_distance, unit
from loupebook.demo.camera.phone import develop, draw_handling, sensor_noise
from loupebook.demo.camera.request import Shot
from loupebook.demo.camera.sampler import sample_scenes
from loupebook.demo.camera.surfaces import SurfaceBank
from loupebook.demo.camera.texture_bank import TextureBank
from loupebook.demo.camera.torch_renderer import TorchRenderer
from loupebook.errors import WorldInvalid
from loupebook.records.model import Lighting, View

SIZE = {"height": 96, "width": 128}


@pytest.fixture(scope="module")
def surfaces():
    return [band(8.0), seal(6.0), cap(6.0)]


@pytest.fixture(scope="module")
def renderer(surfaces):
    return TorchRenderer(surfaces)


def expose(renderer, surfaces, shots):
    return renderer.expose(sample_scenes(shots, surfaces, **SIZE))


@pytest.mark.parametrize("surface", [0, 1, 2])
@pytest.mark.parametrize(
    "lighting", [Lighting.DIFFUSE, Lighting.RAKING, Lighting.TILT, Lighting.UV_A]
)
def test_every_item_shows_under_every_light(renderer, surfaces, surface, lighting):
    shots = [Shot(seed, surface, lighting, tilt=10.0) for seed in range(3)]
    exposure = expose(renderer, surfaces, shots)
    assert torch.isfinite(exposure.light).all()
    assert (exposure.light >= 0).all()
    assert (exposure.item.mean((1, 2)) > 0.05).all()


def test_a_scene_depends_on_its_own_seed_alone(renderer, surfaces):
    alone = expose(renderer, surfaces, [Shot(5, 0)])
    among = expose(renderer, surfaces, [Shot(9, 1), Shot(5, 0)])
    assert torch.allclose(alone.light[0], among.light[1], atol=1e-3)
    assert not torch.allclose(alone.light[0], among.light[0], atol=1e-2)


def test_batches_come_in_order_and_a_bad_one_is_reported(renderer, surfaces):
    def drawn():
        for seed in (1, 2, 3):
            yield sample_scenes([Shot(seed, 0)], surfaces, **SIZE)
        raise WorldInvalid("no more paper")

    ours = []
    with pytest.raises(WorldInvalid, match="no more paper"):
        ours.extend(exposure.light for exposure in renderer.expose_all(drawn()))
    alone = [expose(renderer, surfaces, [Shot(seed, 0)]).light for seed in (1, 2, 3)]
    assert len(ours) == 3
    assert all(torch.equal(a, b) for a, b in zip(ours, alone, strict=True))
    assert not list(renderer.expose_all([]))


def test_compiled_parts_draw_the_same_picture(monkeypatch, renderer, surfaces):
    asked = []
    monkeypatch.setattr(torch, "compile", lambda part: asked.append(part.__name__) or part)
    fused = TorchRenderer(surfaces, compiled=True)
    assert asked == ["trace", "shade", "focus_blur"]
    shots = [Shot(5, 0)]
    assert torch.equal(
        expose(fused, surfaces, shots).light, expose(renderer, surfaces, shots).light
    )


def test_band_position_matches_the_cylinder(renderer, surfaces):
    scenes = sample_scenes([Shot(3, 0)], surfaces, **SIZE)
    exposure = renderer.expose(scenes)
    seen = exposure.item[0] > 0.9
    # Build the world point from the artwork position and project it with the pinhole.
    x, y = exposure.artwork_mm[0][:, seen].numpy()
    wide, high = surfaces[0].width_mm, surfaces[0].height_mm
    radius, along = scenes.rod_radius[0, 0], scenes.rod_band[0, 0] - (y - high / 2)
    angle = (x - wide / 2) / radius
    local = np.stack([along, -radius * np.sin(angle), radius * np.cos(angle)], 1)
    world = local @ scenes.rod_frame[0, 0] + scenes.rod_centre[0, 0]
    camera = (world - scenes.eye[0]) @ scenes.view[0].T
    photo = camera[:, :2] / camera[:, 2:] * scenes.focal_px[0] + scenes.centre_px[0]
    rows, columns = np.nonzero(seen.numpy())
    error = np.hypot(photo[:, 0] - columns - 0.5, photo[:, 1] - rows - 0.5)
    assert np.quantile(error, 0.99) < 0.05


def test_seal_on_a_flat_box_is_a_homography_of_its_artwork(renderer, surfaces):
    scenes = sample_scenes([Shot(seed, 1) for seed in range(6)], surfaces, **SIZE)
    flat = [k for k in range(6) if scenes.box[k, 3] > surfaces[1].width_mm / 2 + 3]
    exposure = renderer.expose(scenes.take(flat))
    for item, artwork in zip(exposure.item, exposure.artwork_mm, strict=True):
        rows, columns = np.nonzero(item.numpy() > 0.95)
        photo = np.stack([columns + 0.5, rows + 0.5], 1).astype(np.float64)
        flat_mm = artwork[:, rows, columns].numpy().T.astype(np.float64)
        matrix, _ = cv2.findHomography(photo, flat_mm)
        back = cv2.perspectiveTransform(photo[None], matrix)[0]
        assert np.abs(back - flat_mm).max() < 0.02


def test_references_fill_the_frame_and_face_the_camera(renderer, surfaces):
    exposure = expose(renderer, surfaces, [Shot(seed, 0) for seed in range(12)])
    for item in exposure.item:
        rows, columns = np.nonzero(item.numpy() > 0.5)
        filled = max(np.ptp(rows) / SIZE["height"], np.ptp(columns) / SIZE["width"])
        assert 0.45 < filled <= 1.0


def test_raking_light_shows_relief_that_diffuse_light_hides(renderer, surfaces):
    flat = dataclasses.replace(surfaces[0], relief_mm=np.zeros_like(surfaces[0].relief_mm))
    plain = TorchRenderer([flat])
    change = {}
    for lighting in (Lighting.DIFFUSE, Lighting.RAKING):
        scenes = sample_scenes([Shot(seed, 0, lighting) for seed in range(4)], [flat], **SIZE)
        with_relief, without = renderer.expose(scenes), plain.expose(scenes)
        inside = with_relief.item > 0.9
        gap = (with_relief.light - without.light).abs().mean(1)[inside]
        change[lighting] = float(gap.mean() / without.light.mean(1)[inside].mean())
    assert change[Lighting.RAKING] > 1.15 * change[Lighting.DIFFUSE]


def test_rays_that_graze_a_rounded_head_meet_it():
    count = 4_000
    draws = torch.rand(3, count, generator=torch.Generator().manual_seed(3))
    eye = torch.tensor([150.0, 60.0, 90.0])[:, None].expand(3, count)
    aim = torch.stack([60 - 20 * draws[0], 24 * draws[1] - 12, 24 * draws[2] - 12])
    ray = unit(aim - eye)
    half, radius, shoulder = (torch.full((count,), v) for v in (60.0, 9.0, 7.0))
    met = hit_rod(eye, ray, half, radius, shoulder, ends=True)
    # The same by brute force: how near does the ray come, walked in steps of 0.02 mm?
    least = torch.full((count,), FAR)
    for along in torch.arange(90.0, 210.0, 0.02).split(250):
        walk = eye[:, None] + along[:, None] * ray[:, None]
        least = torch.minimum(least, rod_distance(walk, half, radius, shoulder).amin(0))
    assert (met[least < -0.01] < FAR).all()
    assert (met[least > 0.03] == FAR).all()
    arrived = met < FAR
    gap = rod_distance(eye + met * ray, half, radius, shoulder)[arrived]
    assert float(gap.abs().max()) < 0.05


def test_back_view_shows_the_ends_of_the_band(renderer, surfaces):
    face = expose(renderer, surfaces, [Shot(2, 0)])
    back = expose(renderer, surfaces, [Shot(2, 0, view=View.BACK)])
    middle = surfaces[0].width_mm / 2
    for exposure, near in ((face, True), (back, False)):
        x = exposure.artwork_mm[0, 0][exposure.item[0] > 0.9]
        assert (float((x - middle).abs().median()) < 12) is near


def test_phones_keep_brightness_and_repeat_from_seeds():
    light = torch.full((2, 3, 64, 64), 0.18)
    handling = draw_handling([1, 2], poor=np.array([False] * 2), dim=np.array([False] * 2))
    noise = torch.from_numpy(sensor_noise([1, 2], 64, 64))
    first, again = develop(light, handling, noise), develop(light, handling, noise)
    assert torch.equal(first, again)
    assert 80 < float(first.float().mean()) < 170
    assert float(first.float().std()) > 0.5


def test_mip_levels_keep_the_mean():
    texture = np.random.default_rng(0).random((64, 48, 2)).astype(np.float32)
    bank = TextureBank([texture, texture[:32] * 0], wrap=False)
    point = torch.tensor([24.0])
    whole = bank.sample(torch.tensor([0]), point, torch.tensor([32.0]), torch.tensor([64.0]))
    assert whole[:, 0].numpy() == pytest.approx(texture.mean((0, 1)), abs=0.08)
    exact = bank.sample(
        torch.tensor([0]), torch.tensor([10.5]), torch.tensor([20.5]), torch.tensor([1.0])
    )
    assert exact[:, 0].numpy() == pytest.approx(texture[20, 10])


@pytest.mark.parametrize(
    "shot",
    [
        Shot(0, 7),
        Shot(0, -1),
        Shot(-1, 0),
        Shot(0, 0, Lighting.TRANSMITTED),
        Shot(0, 1, view=View.BACK),
        Shot(0, 0, view=View.FOOT),
        Shot(0, 0, Lighting.TILT, tilt=60.0),
    ],
)
def test_impossible_shots_are_refused(surfaces, shot):
    with pytest.raises(WorldInvalid):
        sample_scenes([shot], surfaces, **SIZE)


def test_impossible_cameras_are_refused(surfaces, renderer):
    with pytest.raises(WorldInvalid):
        sample_scenes([], surfaces, **SIZE)
    with pytest.raises(WorldInvalid):
        sample_scenes([Shot(0, 0)], surfaces, height=4, width=4)
    with pytest.raises(WorldInvalid):
        TorchRenderer(surfaces, supersample=0.5)
    with pytest.raises(WorldInvalid):
        SurfaceBank([])
    scenes = sample_scenes([Shot(0, 2)], surfaces, **SIZE)
    with pytest.raises(WorldInvalid):
        TorchRenderer(surfaces[:1]).expose(scenes)
