"""Process colour: the screen measured back by its spectrum, tints by their area."""

from __future__ import annotations

import numpy as np
import pytest

from loupebook.demo.press.screen import PROCESS_INKS, halftone, overprinted, separate
from loupebook.demo.press.settings import PressSettings
from loupebook.demo.world import demo_world, print_specimen
from loupebook.errors import WorldInvalid


def _peaks(picture: np.ndarray, px_per_mm: float) -> tuple[float, float]:
    """Frequency (1/mm) and angle (degrees, 0 to 90) of the strongest spectral peak."""
    rows, columns = picture.shape
    window = np.hanning(rows)[:, None] * np.hanning(columns)[None]
    power = np.abs(np.fft.rfft2((picture - picture.mean()) * window))
    fy = np.fft.fftfreq(rows, 1 / px_per_mm)[:, None]
    fx = np.fft.rfftfreq(columns, 1 / px_per_mm)[None]
    power[np.hypot(fy, fx) < 2.0] = 0
    i, j = np.unravel_index(power.argmax(), power.shape)
    frequency = float(np.hypot(fy[i, 0], fx[0, j]))
    return frequency, float(np.degrees(np.arctan2(fy[i, 0], fx[0, j])) % 90)


@pytest.mark.parametrize("angle", [0.0, 15.0, 45.0, 75.0])
@pytest.mark.parametrize("ruling", [4.7, 6.0])
def test_ruling_and_angle_come_back_from_the_spectrum(ruling: float, angle: float) -> None:
    flat = np.full((512, 512), 0.3, np.float32)
    dots = halftone(flat, px_per_mm=24, ruling_per_mm=ruling, angle_deg=angle)
    frequency, found = _peaks(dots, 24)
    assert frequency == pytest.approx(ruling, rel=0.02)
    assert min(abs(found - angle), 90 - abs(found - angle)) < 1.5


@pytest.mark.parametrize("share", [0.05, 0.2, 0.5, 0.8, 0.95])
def test_a_tint_covers_its_share_of_the_area(share: float) -> None:
    flat = np.full((400, 400), share, np.float32)
    dots = halftone(flat, px_per_mm=30, ruling_per_mm=5, angle_deg=15)
    assert dots.mean() == pytest.approx(share, abs=0.02)
    assert dots.std() > 0.1


def test_dot_gain_is_that_of_the_middle_tone() -> None:
    flat = np.full((400, 400), 0.5, np.float32)
    dots = halftone(flat, px_per_mm=30, ruling_per_mm=5, angle_deg=15, gain=0.15)
    assert dots.mean() == pytest.approx(0.65, abs=0.02)


def test_a_screen_too_fine_for_the_scale_stays_a_tint() -> None:
    flat = np.full((50, 50), 0.4, np.float32)
    assert np.ptp(halftone(flat, px_per_mm=8, ruling_per_mm=6, angle_deg=15)) == 0


def test_separation_prints_the_colour_that_went_in() -> None:
    rng = np.random.default_rng(3)
    inks = rng.uniform(0, 0.8, (20, 20, 3)).astype(np.float32)
    wanted = overprinted(np.concatenate([inks, np.zeros((20, 20, 1), np.float32)], axis=2))
    assert np.abs(overprinted(separate(wanted)) - wanted).mean() < 0.02


def test_solids_are_the_inks() -> None:
    for k in range(4):
        share = np.zeros((1, 1, 4), np.float32)
        share[..., k] = 1
        assert np.allclose(overprinted(share)[0, 0], PROCESS_INKS[k], atol=1e-6)


def test_a_screened_copy_shows_its_ruling_and_a_spot_print_none() -> None:
    """In print: the sky of a copy's ground has the peak of its own screen."""
    world = demo_world()
    edition = world.edition("Kestravo band I")
    genuine, copy = world.origins(edition)[0], world.origins(edition)[2]
    pictures = []
    for origin in (genuine, copy):
        surface = print_specimen(edition, origin, 1, px_per_mm=20)
        middle = surface.albedo[..., 0]
        rows, columns = middle.shape
        pictures.append(
            middle[rows // 2 - 60 : rows // 2 + 60, columns // 2 - 60 : columns // 2 + 60]
        )
    angle = np.radians(15.0) + copy.press.screen_turn
    shares = [_power_at(p, copy.press.ruling_per_mm, angle, 20) for p in pictures]
    assert shares[1] > 5 * shares[0]


def _power_at(picture: np.ndarray, ruling: float, angle: float, px_per_mm: float) -> float:
    """Share of the picture's variation that one screen frequency carries."""
    y, x = (np.mgrid[: picture.shape[0], : picture.shape[1]] + 0.5) / px_per_mm
    window = np.hanning(picture.shape[0])[:, None] * np.hanning(picture.shape[1])[None]
    varied = (picture - picture.mean()) * window
    wave = np.exp(-2j * np.pi * ruling * (x * np.cos(angle) + y * np.sin(angle)))
    return float(np.abs((varied * wave).sum()) / np.abs(varied).sum())


@pytest.mark.parametrize(
    "wrong",
    [
        {"ruling_per_mm": 0.1},
        {"scale": (2.0, 1.0)},
        {"dot_gain": 1.5},
        {"density": 0.0},
        {"flaws": -1},
    ],
)
def test_settings_that_no_press_has_are_refused(wrong) -> None:
    with pytest.raises(WorldInvalid):
        PressSettings(**wrong)
