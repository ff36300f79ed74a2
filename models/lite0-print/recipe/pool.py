"""All flat prints of a run on one device, with what each of them is.

A print lies in a square canvas, its longer side filling it. Labels are numbers: prints of one
edition share the edition, prints of one press run share the origin, and editions of one marque
stand side by side in a batch.
"""

from __future__ import annotations

import multiprocessing
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import torch
from torch import Tensor

from recipe.compose import SIDE, Ingredients, compose

FLAT, CYLINDER, STRIP, DOME, PICTURE = range(5)
_GEOMETRY = {"cylinder": CYLINDER, "strip": STRIP, "dome": DOME}


@dataclass(frozen=True)
class Flat:
    """One print as it waits for its canvas (BGR order never leaves this module)."""

    colour: np.ndarray
    shine: np.ndarray
    marque: str
    edition: str
    origin: str
    genuine: bool
    geometry: int


@dataclass(frozen=True)
class Pool:
    """Prints on the device, and their labels beside the processor.

    Parameters
    ----------
    colour : Tensor, uint8 (N, 4, SIDE, SIDE)
        RGB and outline.
    shine : Tensor, uint8 (N, 3, SIDE / 2, SIDE / 2)
        Bare metal, relief (128 is the sheet), hologram.
    extent : Tensor, float (N, 2)
        Half width and half height, where the canvas is -1 to 1.
    geometry : Tensor, int (N,)
    marque, edition, origin : ndarray of int (N,)
    genuine : ndarray of bool (N,)
    """

    colour: Tensor
    shine: Tensor
    extent: Tensor
    geometry: Tensor
    marque: np.ndarray
    edition: np.ndarray
    origin: np.ndarray
    genuine: np.ndarray


def world_prints(folder: Path) -> list[Flat]:
    """Prints of invented worlds, as `recipe.prints` names them."""
    found = []
    for path in sorted(folder.glob("*-c.webp")):
        seed, marque, edition, place, standing, _, geometry, _ = path.stem.split("-")
        colour = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
        shine = cv2.imread(str(path).replace("-c.webp", "-s.webp"), cv2.IMREAD_COLOR)
        if colour.shape[2] == 3:
            colour = np.dstack([colour, np.full(colour.shape[:2], 255, np.uint8)])
        name = f"world-{seed}-{marque}"
        found.append(
            Flat(
                colour[..., [2, 1, 0, 3]],
                shine[..., ::-1],
                name,
                f"{name}-{edition}",
                f"{name}-{edition}-{place}",
                standing == "g",
                _GEOMETRY[geometry],
            )
        )
    return found


def loose_pictures(folder: Path) -> list[Flat]:
    """Photographs and clip art as prints of their own; emoji of one name are one edition."""
    found = []
    for path in sorted(folder.glob("*.webp")):
        kind, name, *rest = path.stem.split("-")
        picture = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
        if picture.shape[2] == 3:
            picture = np.dstack([picture, np.full(picture.shape[:2], 255, np.uint8)])
        house = rest[0] if kind == "emoji" else "0"
        edition = f"{kind}-{name}" if kind == "emoji" else path.stem
        no_shine = np.zeros((*picture.shape[:2], 3), np.uint8)
        no_shine[..., 1] = 128
        found.append(
            Flat(
                picture[..., [2, 1, 0, 3]],
                no_shine,
                f"{kind}-{len(found) // 2}",
                edition,
                f"{edition}-{house}",
                True,
                PICTURE,
            )
        )
    return found


_STOCK: Ingredients | None = None


def _open_stock(folder: Path) -> None:
    global _STOCK
    cv2.setNumThreads(1)
    _STOCK = Ingredients(folder)


def _composed(marque: int) -> list[Flat]:
    assert _STOCK is not None
    made = []
    for edition, origin, flat in compose(_STOCK, marque):
        shine = np.zeros((*flat.foil.shape, 3), np.uint8)
        shine[..., 0] = flat.foil
        shine[..., 1] = 128
        name = f"made-{marque}"
        made.append(
            Flat(
                flat.colour,
                shine,
                name,
                f"{name}-{edition}",
                f"{name}-{edition}-{origin}",
                origin == 0,
                FLAT,
            )
        )
    return made


def composed_prints(folder: Path, marques: range, *, processes: int) -> list[Flat]:
    """Invented covers, labels, caps, notes and cartons."""
    context = multiprocessing.get_context("fork")
    with context.Pool(processes, _open_stock, (folder,)) as pool:
        return [flat for made in pool.imap(_composed, marques, 8) for flat in made]


def _in_canvas(picture: np.ndarray, side: int) -> np.ndarray:
    height, width = picture.shape[:2]
    factor = side / max(height, width)
    size = (max(4, min(side, round(width * factor))), max(4, min(side, round(height * factor))))
    scaled = cv2.resize(
        picture, size, interpolation=cv2.INTER_AREA if factor < 1 else cv2.INTER_LINEAR
    )
    canvas = np.zeros((side, side, picture.shape[2]), np.uint8)
    top, left = (side - size[1]) // 2, (side - size[0]) // 2
    canvas[top : top + size[1], left : left + size[0]] = scaled
    return canvas


def _numbers(names: list[str]) -> np.ndarray:
    return np.unique(np.array(names), return_inverse=True)[1]


def gather(flats: list[Flat], device: str) -> Pool:
    """Lay prints into canvases and move them to the device."""
    count = len(flats)
    colour = torch.empty((count, SIDE, SIDE, 4), dtype=torch.uint8)
    shine = torch.empty((count, SIDE // 2, SIDE // 2, 3), dtype=torch.uint8)
    extent = torch.empty((count, 2))
    for number, flat in enumerate(flats):
        colour[number] = torch.from_numpy(_in_canvas(np.ascontiguousarray(flat.colour), SIDE))
        shine[number] = torch.from_numpy(_in_canvas(np.ascontiguousarray(flat.shine), SIDE // 2))
        height, width = flat.colour.shape[:2]
        extent[number] = torch.tensor([width, height]) / max(height, width)
    return Pool(
        colour.to(device).permute(0, 3, 1, 2).contiguous(),
        shine.to(device).permute(0, 3, 1, 2).contiguous(),
        extent.to(device),
        torch.tensor([f.geometry for f in flats], device=device),
        _numbers([f.marque for f in flats]),
        _numbers([f.edition for f in flats]),
        _numbers([f.origin for f in flats]),
        np.array([f.genuine for f in flats]),
    )
