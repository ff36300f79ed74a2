"""Handwritten stand-ins for an encoder and an arm, with answers that can be worked out."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from loupebook.records.model import (
    Element,
    IntakeState,
    Lighting,
    PhotoFacts,
    Standing,
    View,
)
from loupebook.search import ArmHit, Pending, QueryPhoto, SyncReport
from loupebook.search.arm import Outline, difference

DIM = 3 * 8 * 8


class ThumbnailEncoder:
    """Embeds a picture as its own 8 × 8 thumbnail, centred: cheap, and turning changes it."""

    name = "thumbnail"
    dim = DIM

    def __init__(self, salt: str = "") -> None:
        self.fingerprint = hashlib.sha256(b"thumbnail" + salt.encode()).hexdigest()
        self.embedded = 0

    def embed(
        self, pictures: Sequence[NDArray[np.uint8]], *, batch_size: int = 16
    ) -> NDArray[np.float32]:
        self.embedded += len(pictures)
        rows = []
        for picture in pictures:
            y = np.linspace(0, picture.shape[0] - 1, 8).astype(int)
            x = np.linspace(0, picture.shape[1] - 1, 8).astype(int)
            row = picture[np.ix_(y, x)].astype(np.float32).reshape(-1)
            row = row - row.mean() + 1e-3
            rows.append(row / np.linalg.norm(row))
        return np.stack(rows)


class ListArm:
    """Answers from a fixed table of scores, within what is allowed."""

    fingerprint = "0" * 64

    def __init__(self, name: str, scores: Mapping[int, float], **detail: object) -> None:
        self.name = name
        self.scores = scores
        self.detail = detail
        self.asked: list[tuple[frozenset[int] | None, int]] = []

    def pending(self, photos: Mapping[int, str]) -> Pending:
        return difference({}, photos)

    def sync(self, photos, read, progress=None) -> SyncReport:
        return SyncReport(0, 0, 0)

    def find(
        self, query: QueryPhoto, *, allowed: Collection[int] | None = None, limit: int = 50
    ) -> list[ArmHit]:
        self.asked.append((None if allowed is None else frozenset(allowed), limit))
        hits = [
            ArmHit(photo, score, detail=dict(self.detail))
            for photo, score in self.scores.items()
            if allowed is None or photo in allowed
        ]
        return sorted(hits, key=lambda hit: -hit.score)[:limit]

    def clear(self) -> None:
        """Nothing is kept."""

    def close(self) -> None:
        """Nothing is open."""


def picture(seed: int, height: int = 40, width: int = 30) -> NDArray[np.uint8]:
    """Invent a picture of blobs; two seeds give two pictures that are nothing alike."""
    coarse = np.random.default_rng(seed).integers(0, 256, (8, 8, 3), np.uint8)
    return np.ascontiguousarray(
        coarse[np.ix_(np.arange(height) * 8 // height, np.arange(width) * 8 // width)]
    )


def fact(specimen: str, standing: str = "genuine", **changed: object) -> PhotoFacts:
    """Facts of a photo, ordinary but for what is changed."""
    values = {
        "specimen": specimen,
        "element": Element.BAND,
        "standing": Standing(standing),
        "marque": "Aldermoor",
        "edition": None,
        "origin": None,
        "view": View.FACE,
        "lighting": Lighting.DIFFUSE,
        "state": IntakeState.CONFIRMED,
        **changed,
    }
    return PhotoFacts(**values)


class PlacingArm(ListArm):
    """A locating arm that saw all its photos at one place."""

    def __init__(self, scores: Mapping[int, float], outline: Outline) -> None:
        super().__init__("local", scores)
        self.outline = outline

    def find(
        self, query: QueryPhoto, *, allowed: Collection[int] | None = None, limit: int = 50
    ) -> list[ArmHit]:
        found = super().find(query, allowed=allowed, limit=limit)
        return [ArmHit(hit.photo_id, hit.score, outline=self.outline) for hit in found]

    def look_closer(self, query: QueryPhoto, parts: object) -> list[ArmHit]:
        return []
