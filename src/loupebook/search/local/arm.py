"""The arm that finds the item by its patches and proves it by geometry.

``detail`` of a hit: ``inliers``, ``inlier_ratio``, ``covered_query`` and
``covered_reference`` (shares of the pictures), ``points`` (at most :data:`POINTS_SHOWN` of
``[query x, query y, reference x, reference y]``, px), ``others`` (outlines of further items
of the kind in the query) and ``votes``. A hit's score is :class:`~.pair.PairMatch`'s.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Collection, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from loupebook.errors import IndexDamaged, LoupebookError
from loupebook.search.arm import (
    ArmHit,
    Box,
    Pending,
    Progress,
    QueryPhoto,
    ReadPhoto,
    difference,
    no_progress,
)
from loupebook.search.kept_arm import KeptArm
from loupebook.search.local import packing, voting
from loupebook.search.local.feature_store import FeatureStore, Held
from loupebook.search.local.features import PART, QUERY, REFERENCE, Features, extract
from loupebook.search.local.pair import PairMatch, match_pair
from loupebook.search.local.upkeep import IndexKeeper
from loupebook.search.local.voting import Vote

Neighbours: TypeAlias = tuple[NDArray[np.int64], NDArray[np.float32]]
"""Packed ids and squared distances of each patch's neighbours."""

NEIGHBOURS = 16
MOST_NEIGHBOURS = 64
VERIFIED = 14
COMPARED = 1100
"""Query patches that a candidate is matched with."""
REACH = 0.8
"""How far about the voted place they are taken, in longest sides of the reference."""
POINTS_SHOWN = 60
_BATCH = 16
"""Photos read and written at a time: what a killed sync loses at most."""


@dataclass(frozen=True)
class Candidate:
    """A photo to be verified: which of the query's patches with, and how many voted for it."""

    patches: NDArray[np.intp]
    votes: float


@dataclass(frozen=True)
class _Asked:
    """A query already worked on: several searches may ask about it, with other filters.

    ``nearest`` keeps answers of the index by its revision and the number of neighbours.
    """

    query: QueryPhoto
    features: Features
    nearest: dict[tuple[int, int], Neighbours] = field(default_factory=dict)


class LocalArm(KeptArm):
    """Nearest photos by local descriptors; see :class:`loupebook.search.arm.SearchArm`.

    Parameters
    ----------
    folder : Path
        Where the derived state lies, ``<set>/derived/local``.
    set_id : str
        The set that the state belongs to.
    """

    name = "local"

    def __init__(self, folder: Path, *, set_id: str) -> None:
        recipe = ["RootSIFT 2", cv2.__version__, asdict(REFERENCE)]
        super().__init__(folder, hashlib.sha256(json.dumps(recipe).encode()).hexdigest())
        self._set_id = set_id
        self._store: FeatureStore | None = None
        self._keeper: IndexKeeper | None = None
        self._asked: _Asked | None = None

    def find(
        self, query: QueryPhoto, *, allowed: Collection[int] | None = None, limit: int = 50
    ) -> list[ArmHit]:
        """Return the photos whose patches agree with the query on one place.

        Empty for a photo without texture, and where nothing agrees.

        Raises
        ------
        IndexDamaged
            If the derived state cannot be used; :meth:`sync` makes it anew.
        """
        asked = self._ask(query)
        features = asked.features
        with self._lock:
            held = self._ready().held
            rows = self._rows(held, allowed)
            if limit < 1 or not rows or len(features) == 0:
                return []
            ids, squared = self._nearest(asked, len(rows) / len(held.photo_of_row))
            background = finite_last(squared)
            votes = voting.cast(features, np.where(packing.of_rows(ids, rows), ids, -1), squared)
            candidates = {
                vote.photo: Candidate(near(features, vote), vote.weight)
                for vote in voting.tally(votes, VERIFIED)
            }
            hits = self._verify(features, background, candidates, held)[:limit]
            return self._in_full(features, background, hits, held)

    def look_closer(self, query: QueryPhoto, parts: Mapping[int, Box]) -> list[ArmHit]:
        """Match photos with parts of the query, enlarged, so that small items have features.

        Raises
        ------
        IndexDamaged
            If the derived state cannot be used; :meth:`sync` makes it anew.
        """
        with self._lock:
            rows = self._ready().held.row_of_photo
            references = self._references([rows[photo] for photo in parts if photo in rows])
            known = [photo for photo in parts if rows.get(photo) in references]
            with ThreadPoolExecutor(max_workers=2, thread_name_prefix="closer") as pool:
                boxes = sorted({parts[photo] for photo in known})
                taken = pool.map(lambda box: part_features(query, box), boxes)
                features = dict(zip(boxes, taken, strict=True))
                matches = pool.map(
                    lambda photo: match_pair(features[parts[photo]], references[rows[photo]]), known
                )
                found = list(zip(known, matches, strict=True))
        return [to_hit(photo, match, 0.0) for photo, match in found if match.score > 0]

    def close(self) -> None:
        """Let go of files."""
        with self._lock:
            if self._store is not None:
                self._store.close()
            self._store = self._keeper = None

    # ------------------------------------------------------------------ bringing up to date

    def _open(self) -> FeatureStore:
        if self._store is None:
            self._store = FeatureStore(
                self._store_path, set_id=self._set_id, fingerprint=self.fingerprint
            )
        return self._store

    def _ready(self, progress: Progress = no_progress) -> IndexKeeper:
        """Return index and list of photos as the store stands on disk."""
        store = self._open()
        if self._keeper is None:
            made_from = f"{self._set_id} {self.fingerprint} {store.store_id}"
            self._keeper = IndexKeeper(store, self._index_path, made_from)
        self._keeper.refresh(progress)
        return self._keeper

    def _held_photos(self) -> Mapping[int, str]:
        return self._open().held().photos

    def _sync_once(
        self, photos: Mapping[int, str], read: ReadPhoto, progress: Progress
    ) -> tuple[Pending, dict[int, str], int]:
        store = self._open()
        held = store.held().photos
        plan = difference(held, photos)
        store.withdraw(plan.to_withdraw)
        failed: dict[int, str] = {}
        new = sorted(plan.to_add)
        for start in range(0, len(new), _BATCH):
            batch = new[start : start + _BATCH]
            # Another process may have taken some since.
            lacking = sorted(store.lacking({photo: photos[photo] for photo in batch}))
            store.put(take_features(lacking, photos, read, failed))
            progress("Taking local features", start + len(batch), len(new))
        self._ready(progress)
        return plan, failed, len(held) - len(plan.to_withdraw)

    # ------------------------------------------------------------------ searching

    def _ask(self, query: QueryPhoto) -> _Asked:
        asked = self._asked
        if asked is None or asked.query is not query:
            asked = self._asked = _Asked(query, query_features(query))
        return asked

    @staticmethod
    def _rows(held: Held, allowed: Collection[int] | None) -> set[int]:
        if allowed is None:
            return set(held.photo_of_row)
        return {held.row_of_photo[p] for p in allowed if p in held.row_of_photo}

    def _nearest(self, asked: _Asked, share: float) -> Neighbours:
        """Search the index; the smaller the share of photos allowed, the deeper."""
        count = int(np.clip(NEIGHBOURS / max(share, 1e-9), NEIGHBOURS, MOST_NEIGHBOURS))
        keeper = self._ready()
        key = (keeper.held.revision, count)
        if key not in asked.nearest:
            asked.nearest[key] = keeper.index.search(asked.features.descriptors, count)
        return asked.nearest[key]

    def _verify(
        self,
        features: Features,
        background: NDArray[np.float32],
        candidates: Mapping[int, Candidate],
        held: Held,
    ) -> list[ArmHit]:
        """Match each candidate, named by its row, with its part of the query."""
        references = self._references(list(candidates))

        def match(row: int) -> PairMatch:
            part = candidates[row].patches
            return match_pair(features.take(part), references[row], background=background[part])

        with ThreadPoolExecutor(max_workers=2, thread_name_prefix="verify") as pool:
            matches = dict(zip(references, pool.map(match, references), strict=True))
        hits = [
            to_hit(held.photo_of_row[row], match, candidates[row].votes)
            for row, match in matches.items()
            if match.score > 0
        ]
        return sorted(hits, key=lambda hit: (-hit.score, hit.photo_id))

    def _in_full(
        self,
        features: Features,
        background: NDArray[np.float32],
        hits: list[ArmHit],
        held: Held,
    ) -> list[ArmHit]:
        """Match the best hit with the whole query: a full outline, and further items."""
        if not hits:
            return hits
        best = hits[0]
        row = held.row_of_photo[best.photo_id]
        references = self._references([row])
        if row not in references:  # withdrawn by another process meanwhile
            return hits
        whole = match_pair(features, references[row], background=background)
        if whole.score <= 0:
            return hits
        full = to_hit(best.photo_id, whole, best.detail["votes"])
        return [replace(full, score=best.score), *hits[1:]]

    def _references(self, rows: list[int]) -> dict[int, Features]:
        try:
            return dict(self._open().features(rows))
        except IndexDamaged:
            # A sync does not read every row again; without the state it makes all anew.
            self.clear()
            raise


def near(features: Features, vote: Vote) -> NDArray[np.intp]:
    """Return the strongest patches about the place that the votes speak of.

    Matching takes time by the patch, and most of a query's patches lie on other things.
    """
    away = np.hypot(features.xy[:, 0] - vote.x, features.xy[:, 1] - vote.y)
    return np.flatnonzero(away < REACH * vote.span)[:COMPARED]


def finite_last(squared: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the greatest finite distance of each row; infinite where there is none."""
    most = np.where(np.isfinite(squared), squared, 0).max(axis=1)
    return np.where(most > 0, most, np.inf).astype(np.float32)


def take_features(
    batch: Sequence[int], photos: Mapping[int, str], read: ReadPhoto, failed: dict[int, str]
) -> list[tuple[int, str, Features]]:
    """Read photos in this thread and take their features in two others."""
    waiting = []
    with ThreadPoolExecutor(max_workers=2, thread_name_prefix="features") as pool:
        for photo in batch:
            try:
                waiting.append((photo, pool.submit(extract, read(photo), REFERENCE)))
            except LoupebookError as exc:
                failed[photo] = str(exc)
        return [(photo, photos[photo], taken.result()) for photo, taken in waiting]


def query_features(query: QueryPhoto) -> Features:
    """Take the query's features, only within the marked region if there is one."""
    return within_region(extract(query.pixels, QUERY), query)


def part_features(query: QueryPhoto, box: Box) -> Features:
    """Take the features of a part of the query, enlarged; places are in px of the whole."""
    left, top, right, bottom = box
    height, width = query.pixels.shape[:2]
    features = extract(query.pixels[top:bottom, left:right], PART)
    corner = np.array([left, top], np.float32)
    placed = replace(features, xy=features.xy + corner, width=width, height=height)
    return within_region(placed, query)


def within_region(features: Features, query: QueryPhoto) -> Features:
    """Keep the features within the query's marked region, if there is one."""
    if query.region is None or len(features) == 0:
        return features
    region = np.array(query.region, np.float32)
    within = [
        cv2.pointPolygonTest(region, (float(x), float(y)), False) >= 0 for x, y in features.xy
    ]
    return features.take(np.array(within))


def to_hit(photo_id: int, match: PairMatch, votes: float) -> ArmHit:
    """Turn a match into a hit."""
    step = max(1, -(-len(match.points) // POINTS_SHOWN))
    return ArmHit(
        photo_id=photo_id,
        score=match.score,
        outline=match.outline,
        detail={
            "inliers": match.inliers,
            "inlier_ratio": round(match.inlier_ratio, 4),
            "covered_query": round(match.covered_query, 4),
            "covered_reference": round(match.covered_reference, 4),
            "points": np.round(match.points[::step], 1).tolist(),
            "others": [[list(corner) for corner in outline] for outline in match.others],
            "votes": round(float(votes), 3),
        },
    )
