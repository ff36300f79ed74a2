"""Prints artwork: plates, ink, foil, relief, paper and faults become a surface."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from loupebook.demo.artwork.model import Artwork, PlateKind
from loupebook.demo.artwork.noise import cloud
from loupebook.demo.press.ageing import age_sheet, fibre_glow
from loupebook.demo.press.raster import Plates, Shift, render_plates
from loupebook.demo.press.screen import reprint
from loupebook.demo.press.settings import Foil, Grating, Method, PressSettings
from loupebook.demo.surface import PrintedSurface
from loupebook.errors import WorldInvalid
from loupebook.records.model import Element

Map = npt.NDArray[np.float32]
FINEST_PX_PER_MM = 60.0
"""The most px a mm that a print is made with."""
_SCANNED_FOIL = 0.62
"""How much of a foil's reflectance a flatbed scanner sees."""
_LIFT = 1.06
"""Exposure with which copies are scanned, so that the sheet comes out clean white."""


def check_print_scale(px_per_mm: float) -> None:
    """Refuse a scale that nothing can be printed with.

    Raises
    ------
    WorldInvalid
        A scale that cannot be printed.
    """
    if not 2 <= px_per_mm <= FINEST_PX_PER_MM:
        raise WorldInvalid(
            f"px_per_mm must lie between 2 and {FINEST_PX_PER_MM:g}, not {px_per_mm}"
        )


def print_artwork(
    artwork: Artwork,
    press: PressSettings,
    *,
    px_per_mm: float,
    origin_seed: int,
    specimen_seed: int,
    metadata: Mapping[str, Any],
) -> PrintedSurface:
    """One printed specimen.

    Parameters
    ----------
    artwork : Artwork
        What is on the plates.
    press : PressSettings
        How they are printed.
    px_per_mm : float
        Scale of the maps, 2 to 60.
    origin_seed, specimen_seed : int
        Faults shared by all sheets of a run; those of this sheet.

    Raises
    ------
    WorldInvalid
        A scale that cannot be printed.
    """
    check_print_scale(px_per_mm)
    constant = np.random.default_rng([origin_seed, 1])
    sheet = np.random.default_rng([origin_seed, 2, specimen_seed])
    plates = render_plates(
        artwork, px_per_mm, shifts=_register(artwork, press, sheet), scale=press.scale
    )
    _add_flaws(plates, artwork, press, constant, px_per_mm)
    metal, tint = _foil(artwork, plates, press, sheet, px_per_mm)
    if press.method is Method.SPOT:
        ink = _spot(artwork, plates, press, sheet, px_per_mm)
    else:
        ink = _process(artwork, plates, press, sheet, px_per_mm)
    cover = _ink_cover(artwork, plates)
    paper = np.array(artwork.paper, np.float32) * np.array(press.paper.tint, np.float32)
    albedo = ink * paper
    texture = cloud(cover.shape, (0.22 * px_per_mm, 0.06 * px_per_mm), sheet, turn=0.4)
    relief = _relief(artwork, plates, press, px_per_mm)
    relief = relief + texture * (press.paper.texture_um / 1000) * (1 - 0.75 * metal)
    rough = press.paper.roughness - 0.10 * cover + 0.02 * texture
    rough = rough * (1 - metal) + press.foil_roughness * metal
    albedo, metal = age_sheet(albedo, metal, plates.outline, press, sheet, px_per_mm)
    hologram, pitch, angle = _hologram(artwork, plates, press)
    glow = _fluorescence(artwork, plates, press, cover, sheet, px_per_mm)
    return PrintedSurface(
        element=artwork.element,
        geometry="cylinder" if artwork.element is Element.BAND else "strip",
        px_per_mm=px_per_mm,
        albedo=np.clip(albedo, 0, 1).astype(np.float32),
        coverage=plates.outline,
        metal=metal,
        metal_tint=tint,
        roughness=np.clip(rough, 0.1, 1).astype(np.float32),
        relief_mm=relief.astype(np.float32),
        fluorescence=glow,
        hologram=hologram,
        grating_pitch_um=pitch,
        grating_angle=angle,
        radius_mm=artwork.radius_mm,
        metadata={**artwork.facts, **metadata},
    )


def _register(artwork: Artwork, press: PressSettings, rng: np.random.Generator) -> dict[str, Shift]:
    constant = {name: (x, y) for name, x, y in press.register_mm}
    shifts = {}
    for name in (*(p.name for p in artwork.plates), "cut"):
        x, y = constant.get(name, (0.0, 0.0))
        jitter = rng.normal(0, press.register_jitter_mm, 2)
        turn = float(rng.normal(0, press.register_jitter_mm / 60))
        shifts[name] = Shift(x + float(jitter[0]), y + float(jitter[1]), turn)
    return shifts


def _add_flaws(
    plates: Plates, artwork: Artwork, press: PressSettings, rng: np.random.Generator, scale: float
) -> None:
    """Specks on the plates: ring-shaped voids (hickeys) and nicks, the same on every sheet."""
    flat = [p.name for p in artwork.plates if p.kind in (PlateKind.INK, PlateKind.FOIL)]
    for _ in range(press.flaws):
        name = flat[int(rng.integers(len(flat)))]
        share_x, share_y = rng.uniform((0.12, 0.2), (0.88, 0.8))
        rows, columns = plates.outline.shape
        centre = (int(share_x * columns), int(share_y * rows))
        radius = float(rng.uniform(0.14, 0.34)) * scale
        stamp = np.zeros((rows, columns), np.float32)
        cv2.circle(
            stamp, centre, max(1, round(radius)), 1.0, max(1, round(radius * 0.7)), cv2.LINE_AA
        )
        plates.maps[name] *= 1 - stamp


def _spread(coverage: Map, by_mm: float, scale: float) -> Map:
    """Ink that creeps `by_mm` beyond its plate, with a soft edge."""
    sigma = max(by_mm, 0.010) * scale
    if sigma < 0.25:
        return coverage
    soft = cv2.GaussianBlur(coverage, (0, 0), sigma)
    return np.asarray(np.clip(soft * (1 + 9 * by_mm), 0, 1), np.float32)


def _spot(
    artwork: Artwork, plates: Plates, press: PressSettings, rng: np.random.Generator, scale: float
) -> Map:
    """Reflectance of spot inks relative to the sheet."""
    shape = plates.outline.shape
    colour = np.ones((*shape, 3), np.float32)
    thickness = (1 + 2.5 * press.mottle * cloud(shape, 0.5 * scale, rng))[..., None]
    for plate in artwork.plates:
        coverage = plates.maps[plate.name]
        film = press.density * (1 + float(rng.normal(0, press.density_jitter)))
        if plate.kind is PlateKind.FOIL and press.foil is Foil.YELLOW_INK:
            ink: npt.ArrayLike = _yellow(plate.colour)
        elif plate.kind is PlateKind.INK:
            ink = np.asarray(plate.colour) / np.asarray(artwork.paper)
        else:
            continue
        solid = np.clip(np.asarray(ink, np.float32), 0.003, 1) ** np.float32(film)
        laid = _spread(coverage, press.spread_mm, scale)
        colour *= 1 - laid[..., None] * (1 - solid * thickness)
    return np.asarray(
        colour * np.asarray(press.cast, np.float32) ** _ink_cover(artwork, plates)[..., None]
    )


def _yellow(foil: tuple[float, float, float]) -> npt.NDArray[np.float64]:
    """Flat ink that stands for a foil: duller, browner."""
    return np.asarray(foil) * (0.72, 0.66, 0.50)


def _process(
    artwork: Artwork, plates: Plates, press: PressSettings, rng: np.random.Generator, scale: float
) -> Map:
    """Scan of the artwork, printed again in process colours."""
    shape = plates.outline.shape
    seen = np.ones((*shape, 3), np.float32)
    for plate in artwork.plates:
        if plate.kind is PlateKind.INK:
            ink = np.clip(np.asarray(plate.colour, np.float32) / np.asarray(artwork.paper), 0, 1)
            seen *= 1 - plates.maps[plate.name][..., None] * (1 - ink.astype(np.float32))
        elif plate.kind is PlateKind.FOIL:
            seen_foil = np.asarray(plate.colour, np.float32) * _SCANNED_FOIL
            relief = cv2.GaussianBlur(plates.maps["emboss"], (0, 0), max(0.3, 0.09 * scale))
            sheen = 1 + 0.5 * cv2.Sobel(relief, cv2.CV_32F, 0, 1, ksize=3) * 0.09 * scale
            mask = plates.maps[plate.name][..., None]
            seen = seen * (1 - mask) + mask * seen_foil * np.clip(sheen, 0.5, 1.6)[..., None]
    blur = press.scan_blur_mm * scale
    if blur > 0.2:
        soft = cv2.GaussianBlur(seen, (0, 0), blur)
        seen = soft + press.scan_sharpen * (soft - cv2.GaussianBlur(soft, (0, 0), 2 * blur))
    film = press.density * (1 + float(rng.normal(0, press.density_jitter)))
    film_here = film * (1 + press.mottle * cloud(shape, 0.5 * scale, rng))[..., None]
    seen = np.clip(seen * _LIFT, 0.003, 1) ** film_here  # white paper stays white
    seen = seen * np.asarray(press.cast, np.float32) ** (1 - seen)
    constant = {name: (x, y) for name, x, y in press.register_mm}
    register = np.array([constant.get(f"process-{ink}", (0.0, 0.0)) for ink in "cmyk"])
    register = register + rng.normal(0, press.register_jitter_mm, (4, 2))
    return reprint(
        np.clip(seen, 0, 1),
        px_per_mm=scale,
        ruling_per_mm=press.ruling_per_mm,
        turn=press.screen_turn,
        gain=press.dot_gain,
        register=register,
    )


def _ink_cover(artwork: Artwork, plates: Plates) -> Map:
    inks = [plates.maps[p.name] for p in artwork.plates if p.kind is PlateKind.INK]
    return np.asarray(np.maximum.reduce(inks))


def _foil(
    artwork: Artwork, plates: Plates, press: PressSettings, rng: np.random.Generator, scale: float
) -> tuple[Map, Map]:
    """Metal mask, and reflectance of the foil."""
    shape = plates.outline.shape
    plate = next(p for p in artwork.plates if p.kind is PlateKind.FOIL)
    tint = np.clip(np.array(plate.colour) * press.foil_tint, 0, 1).astype(np.float32)
    tints = np.broadcast_to(tint, (*shape, 3))
    if press.foil is Foil.YELLOW_INK:
        return np.zeros(shape, np.float32), tints
    mask = plates.maps[plate.name]
    if press.foil is Foil.TRACED:  # cut anew from a scan: corners round off, gaps close
        soft = cv2.GaussianBlur(mask, (0, 0), max(0.3, 0.11 * scale))
        mask = np.clip((soft - 0.40) * 2.2 * max(1.0, 0.11 * scale) + 0.5, 0, 1)
    pinholes = cloud(shape, 0.05 * scale, rng) > 3.4
    return np.asarray(mask * (1 - 0.8 * pinholes), np.float32), tints


def _relief(artwork: Artwork, plates: Plates, press: PressSettings, scale: float) -> Map:
    depth = artwork.emboss_mm * press.emboss
    soft = cv2.GaussianBlur(plates.maps["emboss"], (0, 0), max(0.3, 0.075 * scale))
    return np.asarray(depth * soft, np.float32)


def _hologram(artwork: Artwork, plates: Plates, press: PressSettings) -> tuple[Map, Map, Map]:
    shape = plates.outline.shape
    none = np.zeros(shape, np.float32)
    names = [p.name for p in artwork.plates if p.kind is PlateKind.HOLOGRAM]
    if not names or press.grating is Grating.DEAD:
        return none, np.ones(shape, np.float32), none
    mask = plates.maps[names[0]]
    if press.grating is Grating.SINGLE:
        return mask, np.where(mask > 0, 1.2, 1.0).astype(np.float32), none
    return mask, plates.grating_pitch_um, plates.grating_angle


def _fluorescence(
    artwork: Artwork,
    plates: Plates,
    press: PressSettings,
    cover: Map,
    rng: np.random.Generator,
    scale: float,
) -> Map:
    """Glow of sheet, fibres and UV inks; ordinary ink hides the sheet."""
    sheet = np.array((0.35, 0.55, 1.0), np.float32) * press.paper.brightener
    glow = sheet * (1 - 0.8 * cover)[..., None]
    for plate in artwork.plates:
        if plate.kind is PlateKind.UV and press.uv > 0:
            glow = glow + press.uv * 0.7 * plates.maps[plate.name][..., None] * np.array(
                plate.colour
            )
    if press.paper.fibres:
        glow = glow + fibre_glow(cover.shape, press.paper.fibres, rng, scale)
    return np.clip(glow, 0, 1).astype(np.float32)
