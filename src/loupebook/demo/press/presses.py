"""Presses by skill: the house printer's, and four grades of forger."""

from __future__ import annotations

import numpy as np

from loupebook.demo.press.settings import Foil, Grating, Method, Paper, PressSettings
from loupebook.errors import WorldInvalid
from loupebook.records.model import Element

SKILLS = ("clumsy", "fair", "good", "very good")
"""Grades of forger, worst first."""

_PLATES = (
    "ground",
    "tint",
    "accent",
    "dark",
    "foil",
    "emboss",
    "serial",
    "cut",
    "process-c",
    "process-m",
    "process-y",
    "process-k",
)


def _register(rng: np.random.Generator, deviation: float) -> tuple[tuple[str, float, float], ...]:
    offsets = rng.normal(0, deviation, (len(_PLATES), 2))
    return tuple((name, float(x), float(y)) for name, (x, y) in zip(_PLATES, offsets, strict=True))


def house_press(rng: np.random.Generator, element: Element) -> PressSettings:
    """Run of the real printer: spot inks, good register, true foil."""
    fibres = 5 if element is Element.SEAL else 0
    return PressSettings(
        register_mm=_register(rng, 0.018),
        density=float(rng.uniform(0.97, 1.03)),
        foil_roughness=float(rng.uniform(0.22, 0.27)),
        emboss=float(rng.uniform(0.92, 1.08)),
        paper=Paper(fibres=fibres),
        flaws=int(rng.integers(1, 3)),
    )


def forger_press(rng: np.random.Generator, element: Element, skill: str) -> PressSettings:
    """Run of a forger.

    Raises
    ------
    WorldInvalid
        A skill that is not in :data:`SKILLS`.
    """
    if skill not in SKILLS:
        raise WorldInvalid(f"skill is one of {SKILLS}, not {skill!r}")
    seal = element is Element.SEAL
    stretch = {"clumsy": 0.025, "fair": 0.014, "good": 0.005, "very good": 0.003}[skill]
    signs, sizes = rng.choice([-1, 1], 2), rng.uniform(0.4, 1.6, 2)
    x, y = (1 + stretch * signs * sizes).tolist()
    white = Paper(
        tint=(1.02, 1.02, 1.06),
        brightener=float(rng.uniform(0.2, 0.4)),
        texture_um=1.5,
        roughness=0.45,
    )
    pale = Paper(brightener=float(rng.uniform(0.08, 0.16)), texture_um=2.0, roughness=0.5)
    plain = Paper(fibres=3 if seal and skill == "very good" else 0, brightener=0.02)
    spread = {"clumsy": 0.07, "fair": 0.03, "good": 0.012, "very good": 0.006}[skill]
    r, g, b = rng.normal(1.0, spread, 3).tolist()
    if skill in ("clumsy", "fair"):
        poor = skill == "clumsy"
        return PressSettings(
            method=Method.PROCESS,
            register_mm=_register(rng, 0.055 if poor else 0.03),
            register_jitter_mm=0.05 if poor else 0.03,
            ruling_per_mm=float(rng.uniform(4.6, 5.4) if poor else rng.uniform(6.0, 7.0)),
            screen_turn=float(rng.uniform(-0.1, 0.1)),
            dot_gain=float(rng.uniform(0.03, 0.09)),
            scan_blur_mm=float(rng.uniform(0.06, 0.10) if poor else rng.uniform(0.035, 0.055)),
            scan_sharpen=float(rng.uniform(0.3, 0.7)),
            foil=Foil.YELLOW_INK if poor else Foil.TRACED,
            foil_tint=(1.0, float(rng.uniform(0.92, 1.04)), float(rng.uniform(0.8, 1.1))),
            foil_roughness=float(rng.uniform(0.15, 0.35)),
            emboss=0.0 if poor else float(rng.uniform(0.3, 0.6)),
            grating=Grating.DEAD if poor else Grating.SINGLE,
            uv=0.0 if poor else 0.6,
            paper=white,
            flaws=int(rng.integers(4, 8)),
            mottle=0.04,
            density=float(rng.uniform(0.9, 1.08)),
            scale=(x, y),
            cast=(r, g, b),
        )
    fine = skill == "very good"
    return PressSettings(
        register_mm=_register(rng, 0.025 if fine else 0.05),
        register_jitter_mm=0.02 if fine else 0.035,
        spread_mm=float(rng.uniform(0.010, 0.016) if fine else rng.uniform(0.018, 0.030)),
        density=float(rng.uniform(0.95, 1.08)),
        mottle=0.02 if fine else 0.035,
        foil_tint=(1.0, float(rng.uniform(0.98, 1.02)), float(rng.uniform(0.94, 1.06))),
        foil_roughness=float(rng.uniform(0.2, 0.29)),
        emboss=float(rng.uniform(0.75, 1.0) if fine else rng.uniform(0.4, 0.75)),
        grating=Grating.TRUE if fine else Grating.SINGLE,
        uv=0.9 if fine else 0.7,
        paper=plain if fine else pale,
        flaws=int(rng.integers(2, 5)),
        scale=(x, y),
        cast=(r, g, b),
    )
