"""The physically based renderer: agreement with the torch renderer, and refusals.

Runs Mitsuba's scalar variant, which needs no LLVM; where Mitsuba itself is not installed
(the extra ``raytrace``) the pictures cannot be made and the tests that need them say so.
"""

from __future__ import annotations

import builtins

import numpy as np
import pytest
import torch
from standin_surfaces import band, cap, seal

from loupebook.demo.camera.baking import bake, mesh_of
from loupebook.demo.camera.mitsuba_renderer import MitsubaRenderer
from loupebook.demo.camera.mitsuba_scene import load_mitsuba
from loupebook.demo.camera.request import Shot
from loupebook.demo.camera.sampler import sample_scenes
from loupebook.demo.camera.sheets import scene_sheets
from loupebook.demo.camera.surfaces import SurfaceBank, material_bank, surface_texture
from loupebook.demo.camera.texture_bank import TextureBank
from loupebook.demo.camera.torch_renderer import TorchRenderer
from loupebook.errors import WorldInvalid
from loupebook.records.model import Lighting

SIZE = {"height": 72, "width": 96}


@pytest.fixture(scope="module")
def surfaces():
    return [band(8.0), seal(6.0), cap(6.0)]


def traced(surfaces, samples=16):
    pytest.importorskip("mitsuba", reason="tracing light needs loupebook[raytrace]")
    return MitsubaRenderer(surfaces, samples=samples, variant="scalar_rgb")


@pytest.mark.parametrize(
    ("surface", "lighting"),
    [(0, Lighting.DIFFUSE), (1, Lighting.DIFFUSE), (2, Lighting.DIFFUSE), (1, Lighting.UV_A)],
)
def test_both_renderers_show_the_same_picture(surfaces, surface, lighting):
    scenes = sample_scenes([Shot(3, surface, lighting)], surfaces, **SIZE)
    shaded = TorchRenderer(surfaces).expose(scenes)
    light = traced(surfaces).expose(scenes)
    assert torch.equal(light.artwork_mm, shaded.artwork_mm)
    assert torch.equal(light.item, shaded.item)
    inside = shaded.item[0] > 0.9
    ours, theirs = (e.light[0].mean(0)[inside].clamp(0, 1.5) for e in (light, shaded))
    assert float(ours.mean() / theirs.mean()) == pytest.approx(1.0, abs=0.15)
    # Noise of 16 paths a px stays in; a print out of place or upside down falls far below.
    both = np.corrcoef(np.stack([_smooth(e, inside) for e in (light, shaded)]))
    assert both[0, 1] > 0.75


def _smooth(exposure, inside):
    grey = exposure.light.clamp(0, 1.5).mean(1, keepdim=True)
    return torch.nn.functional.avg_pool2d(grey, 3, 1, 1)[0, 0][inside].numpy()


def test_traced_pictures_repeat(surfaces):
    scenes = sample_scenes([Shot(8, 0)], surfaces, **SIZE)
    renderer = traced(surfaces, samples=2)
    assert torch.equal(renderer.expose(scenes).light, renderer.expose(scenes).light)


@pytest.mark.parametrize("surface", [0, 1, 2])
def test_sheets_lie_on_the_solids(surfaces, surface):
    scenes = sample_scenes([Shot(4, surface, query=True)], surfaces, **SIZE)
    for sheet in scene_sheets(scenes):
        mesh = mesh_of(sheet)
        assert np.isfinite(mesh.points).all()
        assert np.linalg.norm(mesh.normals, axis=1) == pytest.approx(1.0, abs=1e-3)
        assert int(mesh.faces.max()) == len(mesh.points) - 1
        corner = mesh.points[mesh.faces]
        facing = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
        area = np.linalg.norm(facing, axis=1)
        outward = (facing * mesh.normals[mesh.faces].mean(1)).sum(1)
        assert (outward[area > 1e-4] > 0).all()


def test_baked_print_is_the_print(surfaces):
    """The face's middle on the baked rod has the colour of the artwork's middle."""
    scenes = sample_scenes([Shot(3, 0)], surfaces, **SIZE)
    scene = scenes.tensors("cpu")
    covers = TextureBank([surface_texture(s)[..., 3:4] for s in surfaces], wrap=False)
    sheet = scene_sheets(scenes)[0]
    baked = bake(scene, sheet, SurfaceBank(surfaces), covers, material_bank("cpu"))
    rows, columns = sheet.texels
    v, u = torch.meshgrid(
        (torch.arange(rows) + 0.5) / rows, (torch.arange(columns) + 0.5) / columns, indexing="ij"
    )
    middle = scene["rod_centre"][0, 0] + scene["rod_frame"][0, 0].T @ torch.stack(
        [scene["rod_band"][0, 0], torch.tensor(0.0), scene["rod_radius"][0, 0]]
    )
    away = (sheet.place(u, v).point - middle[:, None, None]).norm(dim=0)
    near = (away < 1.2).numpy()
    artwork = surfaces[0].albedo
    y, x = (length // 2 for length in artwork.shape[:2])
    reach = int(1.2 * 8)
    wanted = artwork[y - reach : y + reach, x - reach : x + reach].mean((0, 1))
    assert baked.albedo[near].mean(0) == pytest.approx(wanted, abs=0.08)


def test_impossible_tracers_are_refused(surfaces):
    with pytest.raises(WorldInvalid, match="samples"):
        MitsubaRenderer(surfaces, samples=0, variant="scalar_rgb")
    with pytest.raises(WorldInvalid, match="cuda_rgb"):
        MitsubaRenderer(surfaces, variant="cuda_rgb")
    scenes = sample_scenes([Shot(0, 2)], surfaces, **SIZE)
    with pytest.raises(WorldInvalid, match="not given"):
        traced(surfaces[:1]).expose(scenes)


def test_without_mitsuba_the_extra_is_named(monkeypatch):
    real = builtins.__import__

    def absent(name, *rest, **more):
        if name in ("mitsuba", "drjit"):
            raise ImportError(name)
        return real(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", absent)
    with pytest.raises(WorldInvalid, match=r"loupebook\[raytrace\]"):
        load_mitsuba("scalar_rgb")


def test_without_llvm_the_package_is_named(monkeypatch):
    drjit = pytest.importorskip("drjit", reason="tracing light needs loupebook[raytrace]")
    monkeypatch.setattr(drjit, "has_backend", lambda backend: False)
    with pytest.raises(WorldInvalid, match="libllvm19"):
        load_mitsuba("llvm_ad_rgb")
