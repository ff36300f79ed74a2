"""Faults planted with known truth into the specimens of a set.

Each function takes the items and a random generator and returns changed items with the
truth. Items come from the drawn world of ``invented_prints`` or from any set folder.
"""

from __future__ import annotations

import io
from dataclasses import dataclass, field, replace
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

from invented_prints import CAMERAS, Item, Shot, encoded
from loupebook.library import Library
from loupebook.records.model import Camera, Lighting, PhotoRecord, Serial, Standing
from loupebook.setreport.context import edition_name


@dataclass
class Truth:
    """What was planted: names of specimens, pairs as (specimen, place) twice, and words."""

    wrong_standing: set[str] = field(default_factory=set)
    exact: set[frozenset[tuple[str, int]]] = field(default_factory=set)
    near: set[frozenset[tuple[str, int]]] = field(default_factory=set)
    twice: set[frozenset[str]] = field(default_factory=set)
    serial: set[frozenset[str]] = field(default_factory=set)
    missing: tuple[str, str] | None = None
    confounds: set[str] = field(default_factory=set)


def items_of_set(folder: Path, *, longest: int = 900) -> list[Item]:
    """Read the items of a set, to plant faults into a copy of it."""

    def scale_of(photo: PhotoRecord) -> float | None:
        shrunk = min(1.0, longest / max(photo.width, photo.height))
        return None if photo.px_per_mm is None else photo.px_per_mm * shrunk

    with Library.open(folder) as library:
        return [
            Item(
                specimen,
                tuple(
                    Shot(
                        library.photo_pixels(photo.photo_id, max_side=longest),
                        photo.lighting,
                        photo.camera,
                        scale_of(photo),
                    )
                    for photo in library.photos(specimen.name)
                ),
            )
            for specimen in library.specimens()
        ]


def plant_wrong_standings(items: list[Item], rng: np.random.Generator, truth: Truth) -> list[Item]:
    count = max(1, round(0.03 * len(items)))
    chosen = set(rng.choice(len(items), count, replace=False).tolist())
    changed = []
    for place, item in enumerate(items):
        if place in chosen:
            truth.wrong_standing.add(item.record.name)
            was_fake = item.record.standing is Standing.FAKE
            standing = Standing.GENUINE if was_fake else Standing.FAKE
            item = replace(item, record=replace(item.record, standing=standing, origin=None))
        changed.append(item)
    return changed


def plant_duplicates(items: list[Item], rng: np.random.Generator, truth: Truth) -> list[Item]:
    """2 % of photos again with equal pixels, 5 % re-saved, cropped or photographed again.

    Half go under their own specimen, half under another of the same edition and standing.
    """
    photos = [(i, k) for i, item in enumerate(items) for k in range(len(item.shots))]
    order = rng.permutation(len(photos))
    exact = max(1, round(0.02 * len(photos)))
    near = max(3, round(0.05 * len(photos)))
    changed = list(items)
    for n, chosen in enumerate(order[: exact + near]):
        source, place = photos[int(chosen)]
        shot = items[source].shots[place]
        if n >= exact:
            change = (_resaved, _cropped, _photographed_again)[n % 3]
            shot = replace(shot, pixels=change(shot.pixels, rng))
        else:
            # Stored as JPEG, equal only if it is the very same picture that is stored.
            shot = replace(shot, pixels=items[source].shots[place].pixels)
        target = source if n % 2 else _sibling(items, source, rng)
        at = len(changed[target].shots)
        changed[target] = replace(changed[target], shots=(*changed[target].shots, shot))
        pair = frozenset({(items[source].record.name, place), (items[target].record.name, at)})
        (truth.exact if n < exact else truth.near).add(pair)
    return changed


def plant_twice(items: list[Item], rng: np.random.Generator, truth: Truth) -> list[Item]:
    """One specimen entered again under another name, its photos re-saved."""
    source = items[int(rng.integers(len(items)))]
    name = source.record.name + "-again"
    shots = tuple(replace(shot, pixels=_resaved(shot.pixels, rng)) for shot in source.shots)
    truth.twice.add(frozenset({source.record.name, name}))
    for place in range(len(shots)):
        truth.near.add(frozenset({(source.record.name, place), (name, place)}))
    record = replace(source.record, name=name, serials=())
    return [*items, Item(record, shots)]


def plant_serial(items: list[Item], rng: np.random.Generator, truth: Truth) -> list[Item]:
    one, other = rng.choice(len(items), 2, replace=False).tolist()
    shared = (Serial("PLANTED 0001"),)
    truth.serial.add(frozenset({items[one].record.name, items[other].record.name}))
    return [
        replace(item, record=replace(item.record, serials=shared)) if i in (one, other) else item
        for i, item in enumerate(items)
    ]


def plant_gap(items: list[Item], rng: np.random.Generator, truth: Truth) -> list[Item]:
    """Drop the UV-A photos of one of the editions that have them."""
    lighting = Lighting.UV_A
    lit = [item for item in items if any(s.lighting is lighting for s in item.shots)]
    gone = lit[int(rng.integers(len(lit)))].record
    truth.missing = (edition_name(gone.marque, gone.edition), str(lighting))
    return [
        replace(item, shots=tuple(s for s in item.shots if s.lighting is not lighting))
        if (item.record.marque, item.record.edition) == (gone.marque, gone.edition)
        else item
        for item in items
    ]


def plant_camera(items: list[Item], truth: Truth) -> list[Item]:
    """Take all fakes with one camera that is used for nothing else."""
    truth.confounds.add("camera")
    return [
        replace(
            item, shots=tuple(replace(s, camera=Camera("Invented", "Only")) for s in item.shots)
        )
        if item.record.standing is Standing.FAKE
        else item
        for item in items
    ]


def plant_background(items: list[Item], truth: Truth) -> list[Item]:
    """Give all genuine photos one background along the frame."""
    truth.confounds.add("background")

    def framed(pixels: np.ndarray) -> np.ndarray:
        changed = pixels.copy()
        height, width = pixels.shape[0] // 9, pixels.shape[1] // 9
        inner = changed[height:-height, width:-width].copy()
        changed[:] = (70, 96, 62)
        changed[height:-height, width:-width] = inner
        return changed

    return [
        replace(item, shots=tuple(replace(s, pixels=framed(s.pixels)) for s in item.shots))
        if item.record.standing is Standing.GENUINE
        else item
        for item in items
    ]


def random_cameras(items: list[Item], rng: np.random.Generator) -> list[Item]:
    """Return items whose cameras are drawn by chance, a specimen at a time."""
    return [
        replace(
            item,
            shots=tuple(replace(s, camera=camera) for s in item.shots),
        )
        for item in items
        for camera in [CAMERAS[int(rng.integers(len(CAMERAS)))]]
    ]


def _sibling(items: list[Item], source: int, rng: np.random.Generator) -> int:
    own = items[source].record
    others = [
        i
        for i, item in enumerate(items)
        if i != source
        and (item.record.edition, item.record.standing) == (own.edition, own.standing)
    ]
    return int(rng.choice(others)) if others else source


def _resaved(pixels: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    saved = encoded(pixels, quality=int(rng.integers(50, 80)))
    return np.asarray(Image.open(io.BytesIO(saved)))


def _cropped(pixels: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    height, width = pixels.shape[:2]
    top, bottom, left, right = rng.uniform(0, 0.1, 4)
    return pixels[int(top * height) : height - int(bottom * height),
                  int(left * width) : width - int(right * width)]  # fmt: skip


def _photographed_again(pixels: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """As if the picture had been shown and photographed: tilt, light, blur, noise."""
    height, width = pixels.shape[:2]
    corners = np.float32([[0, 0], [width, 0], [width, height], [0, height]])
    placed = corners + rng.normal(0, 0.015 * width, (4, 2)).astype(np.float32)
    mapping = cv2.getPerspectiveTransform(corners, placed)
    again = cv2.warpPerspective(pixels, mapping, (width, height), borderMode=cv2.BORDER_REPLICATE)
    softer = cv2.GaussianBlur(again.astype(np.float32), (0, 0), 0.7)
    lit = softer * rng.uniform(0.85, 1.1) + rng.uniform(-8, 8)
    return np.clip(lit + rng.normal(0, 4, lit.shape), 0, 255).astype(np.uint8)
