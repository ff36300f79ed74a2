"""A small world of drawn prints whose truth is known, for tests of evidence and reports.

Editions are drawn patterns; a fake press redraws an edition with its own faults; a photo
lays a specimen on a background of its own, tilted, lit unevenly, blurred a little and with
noise. Nothing here is, or looks like, a real print.
"""

from __future__ import annotations

import io
from dataclasses import dataclass, replace

import cv2
import numpy as np
from PIL import Image, ImageDraw

from loupebook.records.catalogue import Catalogue
from loupebook.records.model import (
    Camera,
    Element,
    Lighting,
    NewPhoto,
    Serial,
    SpecimenRecord,
    Standing,
    View,
)

PRINT = (300, 200)
PHOTO = (420, 320)
CAMERAS = (Camera("Invented", "One"), Camera("Invented", "Two"), Camera("Invented", "Three"))


@dataclass(frozen=True)
class Shot:
    """One photo before it is recorded: pixels and how it was taken."""

    pixels: np.ndarray
    lighting: Lighting
    camera: Camera
    px_per_mm: float | None = None


@dataclass(frozen=True)
class Item:
    """One specimen before it is recorded."""

    record: SpecimenRecord
    shots: tuple[Shot, ...]

    def named(self, name: str) -> Item:
        return replace(self, record=replace(self.record, name=name))


def draw_edition(seed: int) -> np.ndarray:
    rng = np.random.default_rng(1000 + seed)
    colours = [tuple(int(v) for v in rng.integers(20, 236, 3)) for _ in range(8)]
    width, height = PRINT
    picture = Image.new("RGB", PRINT, colours[0])
    pen = ImageDraw.Draw(picture)
    for ring in range(6, 0, -1):
        rx, ry = ring * rng.integers(12, 24), ring * rng.integers(8, 16)
        cx, cy = width // 2 + int(rng.integers(-20, 21)), height // 2
        pen.ellipse(
            [cx - rx, cy - ry, cx + rx, cy + ry], fill=colours[ring % 8], outline=(10, 10, 10)
        )
    for _ in range(60):
        x, y = rng.integers(0, width), rng.integers(0, height)
        dx, dy = rng.integers(-40, 41, 2)
        pen.line([x, y, x + dx, y + dy], fill=colours[int(rng.integers(0, 8))], width=2)
    for column in range(8, width - 8, 12):
        pen.rectangle([column, 6, column + 5, 12 + int(rng.integers(0, 8))], fill=colours[1])
    return np.asarray(picture)


def fake_of(print_: np.ndarray, seed: int) -> np.ndarray:
    """Redraw a print as one press would: its own colours, screen and lost detail."""
    rng = np.random.default_rng(5000 + seed)
    poor = cv2.GaussianBlur(print_, (0, 0), rng.uniform(0.8, 1.6)).astype(np.float32)
    poor = poor * rng.uniform(0.8, 1.15, 3) + rng.uniform(-18, 18, 3)
    rows, columns = np.mgrid[: print_.shape[0], : print_.shape[1]]
    pitch = rng.uniform(3, 5)
    screen = np.sin(columns * 2 * np.pi / pitch) * np.sin(rows * 2 * np.pi / pitch)
    poor += rng.uniform(14, 24) * screen[..., None]
    for _ in range(4):
        x, y = int(rng.integers(20, 260)), int(rng.integers(20, 170))
        cv2.rectangle(poor, (x, y), (x + 18, y + 10), tuple(rng.uniform(0, 255, 3)), -1)
    return np.clip(poor, 0, 255).astype(np.uint8)


def photograph(
    print_: np.ndarray,
    rng: np.random.Generator,
    *,
    lighting: Lighting = Lighting.DIFFUSE,
    background: np.ndarray | None = None,
) -> np.ndarray:
    width, height = PHOTO
    if background is None:
        coarse = rng.uniform(30, 225, 3) + rng.normal(0, 22, (12, 16, 3))
        background = cv2.resize(coarse.astype(np.float32), PHOTO, interpolation=cv2.INTER_CUBIC)
    corners = np.float32([[0, 0], [PRINT[0], 0], [PRINT[0], PRINT[1]], [0, PRINT[1]]])
    left, top = (width - PRINT[0]) / 2, (height - PRINT[1]) / 2
    angle = np.deg2rad(rng.uniform(-9, 9))
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    middle = np.array(PRINT) / 2
    placed = (corners - middle) @ turn.T * rng.uniform(0.85, 1.08) + middle + [left, top]
    placed += rng.normal(0, 7, (4, 2))
    mapping = cv2.getPerspectiveTransform(corners, placed.astype(np.float32))
    laid = cv2.warpPerspective(print_.astype(np.float32), mapping, PHOTO)
    mask = cv2.warpPerspective(np.ones(print_.shape[:2], np.float32), mapping, PHOTO)[..., None]
    scene = background * (1 - mask) + laid * mask
    ramp = np.linspace(rng.uniform(0.75, 0.95), rng.uniform(0.95, 1.15), width)[None, :, None]
    scene = scene * ramp
    if lighting is Lighting.UV_A:
        scene = scene[..., [2, 1, 0]] * np.array([0.35, 0.45, 1.0])
    scene = cv2.GaussianBlur(scene, (0, 0), rng.uniform(0.4, 0.9))
    scene += rng.normal(0, 3.0, scene.shape)
    return np.clip(scene, 0, 255).astype(np.uint8)


def invented_items(
    *,
    editions: int = 4,
    genuine: int = 8,
    presses: int = 2,
    fakes: int = 4,
    lightings: tuple[Lighting, ...] = (Lighting.DIFFUSE, Lighting.UV_A),
    seed: int = 0,
) -> list[Item]:
    rng = np.random.default_rng(seed)
    items = []
    for edition in range(editions):
        true = draw_edition(edition + 100 * seed)
        prints = [(Standing.GENUINE, None, true)] * genuine
        for press in range(presses):
            copy = fake_of(true, 100 * seed + 10 * edition + press)
            prints += [(Standing.FAKE, f"press {edition}-{press}", copy)] * fakes
        for number, (standing, origin, base) in enumerate(prints):
            own = base.astype(np.float32) + rng.normal(0, 4, 3)
            for _ in range(3):  # scuffs, by which one specimen differs from the next
                x, y = int(rng.integers(0, 290)), int(rng.integers(0, 190))
                end = (x + int(rng.integers(-25, 26)), y + int(rng.integers(-25, 26)))
                cv2.line(own, (x, y), end, (200, 195, 180), 1)
            record = SpecimenRecord(
                f"S-{edition}-{number:02d}",
                Element.BAND,
                standing,
                marque=f"Marque {edition // 2}",
                edition=f"Edition {edition}",
                origin=origin,
                serials=(Serial(f"{edition}{number:02d}{rng.integers(1000, 10000)}"),),
            )
            shots = tuple(
                Shot(
                    photograph(np.clip(own, 0, 255), rng, lighting=lighting),
                    lighting,
                    CAMERAS[int(rng.integers(0, len(CAMERAS)))],
                )
                for lighting in lightings
            )
            items.append(Item(record, shots))
    return items


def encoded(pixels: np.ndarray, *, quality: int = 90, comment: bytes | None = None) -> bytes:
    target = io.BytesIO()
    Image.fromarray(pixels).save(target, "JPEG", quality=quality, comment=comment or b"")
    return target.getvalue()


def record_items(catalogue: Catalogue, items: list[Item]) -> dict[str, list[int]]:
    """Record items; return the row ids of each one's photos, in the order of its shots."""
    held: dict[str, list[int]] = {}
    for item in items:
        photos = [
            NewPhoto(
                encoded(shot.pixels, comment=f"{item.record.name} {place}".encode()),
                f"{item.record.name}-{place}.jpg",
                "image/jpeg",
                shot.pixels.shape[1],
                shot.pixels.shape[0],
                View.FACE,
                shot.lighting,
                camera=shot.camera,
                px_per_mm=shot.px_per_mm,
            )
            for place, shot in enumerate(item.shots)
        ]
        _, records = catalogue.add_specimen(item.record, photos, by="test")
        held.setdefault(item.record.name, []).extend(record.photo_id for record in records)
    return held
