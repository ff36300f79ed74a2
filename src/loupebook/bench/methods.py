"""The ways of searching that a benchmark sets side by side."""

from __future__ import annotations

import hashlib
import tempfile
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from loupebook.bench.cases import BenchReference
from loupebook.bench.figures import Ranking
from loupebook.compare import (
    ConsensusStore,
    Group,
    Held,
    Picture,
    Wanted,
    candidates_of,
    compare_each,
    rerank,
)
from loupebook.encoders import Encoder, load_encoder
from loupebook.errors import BenchInvalid
from loupebook.evidence.closeness import ANY, ClosenessScale, closeness_scales, scale_of
from loupebook.evidence.gather import gather_scores
from loupebook.evidence.held import nearest_photo, set_vectors
from loupebook.imaging import resize_to_fit
from loupebook.records.model import Element, IntakeState, Lighting, PhotoFacts, Standing, View
from loupebook.search import EmbeddingArm, QueryPhoto, SearchArm, SearchResult, search_set
from loupebook.search.local.arm import LocalArm
from loupebook.search.local.features import QUERY, REFERENCE, Features, extract
from loupebook.search.local.matching import greatest_and_next
from loupebook.search.siblings import GLANCE
from loupebook.setreport.traits import perceptual_hash

Pixels = NDArray[np.uint8]
Progress = Callable[[str, int, int], None]
WHOLE_FRAME = "lite0-imagenet"
SPECIMENS = 50
"""Specimens asked of our own search: what average precision sees of it."""


class Method(Protocol):
    """One way of searching."""

    name: str

    def prepare(self, references: Sequence[BenchReference], progress: Progress) -> None:
        """Take in the references."""

    def rank(self, pixels: Pixels) -> Ranking:
        """Answer one query."""

    def close(self) -> None:
        """Let go of files and memory."""


def tie_order(references: Sequence[BenchReference]) -> NDArray[np.intp]:
    """Return by which references of one score are ordered: by chance, but always the same.

    Rows of a set come in some order, genuine ones first as a rule: to leave ties in it would say
    of a method that sees no difference that it finds one.
    """
    digests = [hashlib.sha256(reference.specimen.encode()).digest() for reference in references]
    place = {digest: number for number, digest in enumerate(sorted(set(digests)))}
    return np.array([place[digest] for digest in digests], np.intp)


class ScoredMethod:
    """A method that gives every reference a score.

    Parameters
    ----------
    name : str
        Row of the table.
    describe : callable
        Pixels to whatever the method compares.
    compare : callable
        A query's description and all references' to scores, greater is nearer.
    """

    def __init__(
        self,
        name: str,
        describe: Callable[[Pixels], object],
        compare: Callable[[object, Sequence[object]], NDArray[np.float64]],
    ) -> None:
        self.name = name
        self._describe, self._compare = describe, compare
        self._known: list[object] = []
        self._ties = tie_order(())

    def prepare(self, references: Sequence[BenchReference], progress: Progress) -> None:
        """Describe the references."""
        self._known, self._ties = [], tie_order(references)
        for done, reference in enumerate(references, start=1):
            self._known.append(self._describe(reference.read()))
            progress(self.name, done, len(references))

    def rank(self, pixels: Pixels) -> Ranking:
        """Score all references."""
        start = time.perf_counter()
        scores = self._compare(self._describe(pixels), self._known)
        order = np.lexsort((self._ties, -scores))
        return Ranking(order.tolist(), float(scores[order[0]]), None, time.perf_counter() - start)

    def close(self) -> None:
        """Forget the references."""
        self._known = []


def by_hash() -> ScoredMethod:
    """Rank by perceptual hash: Hamming distance of 64 bits."""

    def compare(asked: object, known: Sequence[object]) -> NDArray[np.float64]:
        differing = [int(asked) ^ int(one) for one in known]  # type: ignore[call-overload]
        return -np.array([bits.bit_count() for bits in differing], np.float64)

    return ScoredMethod("perceptual hash", perceptual_hash, compare)


def by_histogram() -> ScoredMethod:
    """Rank by colour histogram: Hellinger affinity of hue, saturation and value."""

    def describe(pixels: Pixels) -> object:
        hsv = cv2.cvtColor(pixels, cv2.COLOR_RGB2HSV)
        counts = cv2.calcHist([hsv], [0, 1, 2], None, [12, 6, 6], [0, 180, 0, 256, 0, 256])
        return np.sqrt(counts.ravel() / counts.sum())

    def compare(asked: object, known: Sequence[object]) -> NDArray[np.float64]:
        table = np.stack([np.asarray(one) for one in known])
        return np.asarray(table @ np.asarray(asked), np.float64)

    return ScoredMethod("colour histogram", describe, compare)


def by_whole_frame(name: str, encoder: Encoder) -> ScoredMethod:
    """Rank by the cosine of the whole frame, upright, as an embedding is commonly used."""

    def describe(pixels: Pixels) -> object:
        return encoder.embed([pixels])[0]

    def compare(asked: object, known: Sequence[object]) -> NDArray[np.float64]:
        return np.asarray(np.stack([np.asarray(k) for k in known]) @ np.asarray(asked), np.float64)

    return ScoredMethod(name, describe, compare)


class SiftMethod:
    """SIFT against every reference: ratio test, then MAGSAC inliers of a homography.

    Geometry is tried on the :data:`CHECKED` references with the most ratio-test matches.
    """

    name = "SIFT + MAGSAC"
    CHECKED = 40
    RATIO = 0.8

    def __init__(self) -> None:
        self._known: list[Features] = []
        self._ties = tie_order(())

    def prepare(self, references: Sequence[BenchReference], progress: Progress) -> None:
        """Take the references' features."""
        self._known, self._ties = [], tie_order(references)
        for done, reference in enumerate(references, start=1):
            self._known.append(extract(reference.read(), REFERENCE))
            progress(self.name, done, len(references))

    def rank(self, pixels: Pixels) -> Ranking:
        """Match with all, verify the most promising."""
        start = time.perf_counter()
        query = extract(pixels, QUERY)
        matched = [self._matches(query, known) for known in self._known]
        counts = np.array([len(pairs) for pairs in matched])
        inliers = np.zeros(len(counts))
        for position in np.lexsort((self._ties, -counts))[: self.CHECKED]:
            inliers[position] = self._inliers(query, self._known[position], matched[position])
        order = np.lexsort((self._ties, -counts, -inliers))
        return Ranking(order.tolist(), float(inliers[order[0]]), None, time.perf_counter() - start)

    def _matches(self, query: Features, known: Features) -> NDArray[np.intp]:
        if len(query) < 2 or len(known) < 2:
            return np.empty((0, 2), np.intp)
        cosine = query.unit_rows @ known.unit_rows.T
        every = np.arange(len(cosine))
        nearest = cosine.argmax(axis=1)
        first, following = greatest_and_next(cosine, (every, nearest), axis=1)
        kept = np.flatnonzero(2 - 2 * first < self.RATIO**2 * (2 - 2 * following))
        return np.stack([kept, nearest[kept]], axis=1)

    @staticmethod
    def _inliers(query: Features, known: Features, pairs: NDArray[np.intp]) -> int:
        if len(pairs) < 5:
            return 0
        source, target = known.xy[pairs[:, 1]], query.xy[pairs[:, 0]]
        _, kept = cv2.findHomography(source, target, cv2.USAC_MAGSAC, 5.0)
        return 0 if kept is None else int(kept.sum())

    def close(self) -> None:
        """Forget the references."""
        self._known = []


class ArmsMethod:
    """Our own search with some of its arms, exactly as a library runs it.

    Parameters
    ----------
    name : str
        Row of the table.
    make : callable
        Folder to arms.
    """

    def __init__(self, name: str, make: Callable[[Path], list[SearchArm]]) -> None:
        self.name = name
        self._make = make
        self._folder: tempfile.TemporaryDirectory[str] | None = None
        self._references: Sequence[BenchReference] = ()
        self._arms: list[SearchArm] = []
        self._facts: dict[int, PhotoFacts] = {}
        self._scales: dict[Element, Mapping[str, ClosenessScale]] = {}

    def prepare(self, references: Sequence[BenchReference], progress: Progress) -> None:
        """Bring the arms up to date with the references.

        Raises
        ------
        BenchInvalid
            If a reference cannot be read: the arms would go on without it.
        """
        self._folder = tempfile.TemporaryDirectory()
        self._root = Path(self._folder.name)
        self._arms = self._make(self._root)
        self._references = references
        self._facts = {number: facts_of(one) for number, one in enumerate(references, start=1)}
        photos = {number: f"{number:064x}" for number in self._facts}
        for arm in self._arms:
            failed = arm.sync(photos, lambda number: references[number - 1].read(), progress).failed
            if failed:
                raise BenchInvalid(
                    f"{self.name}: references cannot be read ({len(failed)}). "
                    f"{next(iter(failed.values()))}"
                )
        self._scales = {}
        embedding = self._embedding()
        if embedding is not None:
            self._scales = scales_of(embedding, self._facts)

    def _embedding(self) -> EmbeddingArm | None:
        return next((arm for arm in self._arms if isinstance(arm, EmbeddingArm)), None)

    def rank(self, pixels: Pixels) -> Ranking:
        """Search."""
        start = time.perf_counter()
        result = self._search(pixels)
        took = time.perf_counter() - start
        first = result.matches[0] if result.matches else None
        outline = np.array(first.outline) if first and first.outline else None
        order = [match.photo_id - 1 for match in result.matches]
        return Ranking(order, self._nearness(result), outline, took)

    def _nearness(self, result: SearchResult) -> float:
        """Return how near the best is on the references' own scale, as a reading tells it.

        What matches score is no measure of that: it grows with how much print an element bears.
        Where no design has two specimens there is no such scale, and the score has to do for
        all queries; where one element has none, its items lie in the middle of it.
        """
        if not result.matches:
            return float("-inf")
        first = result.matches[0]
        element = self._facts[first.photo_id].element
        arm = self._embedding()
        if arm is None or not any(one[ANY].usual for one in self._scales.values()):
            return first.evidence
        like = [photo for photo, fact in self._facts.items() if fact.element is element]
        hit = nearest_photo(arm, result.looked_at, like)
        if hit is None:
            return 0.5
        scale = scale_of(self._scales[element], self._facts[hit.photo_id].lighting)
        near = scale.nearness(hit.score)
        return 0.5 if near is None else near

    def _search(self, pixels: Pixels) -> SearchResult:
        return search_set(
            self._arms, QueryPhoto(pixels), self._facts, limit=SPECIMENS, glance=self._glance
        )

    def _glance(self, photo: int) -> NDArray[np.uint8]:
        return resize_to_fit(self._references[photo - 1].read(), GLANCE)

    def close(self) -> None:
        """Close the arms and delete their files."""
        for arm in self._arms:
            arm.close()
        if self._folder is not None:
            self._folder.cleanup()


class ComparedMethod(ArmsMethod):
    """Our own search, the best candidates put into a new order by detailed comparison.

    Each candidate is a design and standing: the query is laid over the consensus image of all
    its photos.
    """

    COMPARED = 5

    def prepare(self, references: Sequence[BenchReference], progress: Progress) -> None:
        """Bring the arms up to date; consensus images are made as they are asked for."""
        super().prepare(references, progress)
        self._store = ConsensusStore(self._root / "compare", set_id="bench")

    def rank(self, pixels: Pixels) -> Ranking:
        """Search and compare."""
        start = time.perf_counter()
        result = self._search(pixels)
        matches = result.matches
        found = [(match.photo_id, match.evidence) for match in matches[: self.COMPARED]]
        candidates = candidates_of(found, self._facts)
        compared = rerank(list(compare_each(Picture.of(pixels), candidates, self._held)))
        order = [photo - 1 for one in compared for photo in one.candidate.photo_ids]
        order += [match.photo_id - 1 for match in matches[self.COMPARED :]]
        took = time.perf_counter() - start
        return Ranking(order, self._nearness(result), None, took)

    def _held(self, group: Group) -> Held:
        wanted = [
            Wanted(photo, f"{photo:064x}", fact.specimen, self._references[photo - 1].px_per_mm)
            for photo, fact in self._facts.items()
            if Group.of(fact) == group
        ]
        return self._store.get(group, wanted, lambda photo: self._references[photo - 1].read())


def scales_of(
    arm: EmbeddingArm, facts: Mapping[int, PhotoFacts]
) -> dict[Element, Mapping[str, ClosenessScale]]:
    """Return how near references lie to each other, element by element, as a set learns it."""
    vectors, table = set_vectors(arm, facts)
    made: dict[Element, Mapping[str, ClosenessScale]] = {}
    for element in Element:
        mine = table.of_element(element)
        if mine.size:
            part = table.take(mine)
            made[element] = closeness_scales(part, gather_scores(vectors[mine], part))
    return made


def facts_of(reference: BenchReference) -> PhotoFacts:
    """Return what search wants to know; what a collection lacks does not matter to it."""
    return PhotoFacts(
        specimen=reference.specimen,
        element=Element(reference.element or "band"),
        standing=Standing(reference.standing or "genuine"),
        marque=reference.marque or None,
        edition=reference.design,
        origin=reference.origin or None,
        view=View(reference.view or "face"),
        lighting=Lighting(reference.lighting or "diffuse"),
        state=IntakeState.CONFIRMED,
    )


def make_methods(encoders: Sequence[str] = (), *, plain: bool = True) -> list[Method]:
    """Return the rows of the table.

    Parameters
    ----------
    encoders : sequence of str
        Further encoders to rank whole frames with, by name as ``load_encoder`` takes it.
    plain : bool
        Whether to run the baselines as well as our own search.

    Raises
    ------
    EncoderUnavailable
        If an encoder cannot be loaded.
    """
    ours = load_encoder()
    simple: list[Method] = []
    if plain:
        imagenet = load_encoder(WHOLE_FRAME)
        simple = [by_hash(), by_histogram(), SiftMethod()]
        simple.append(by_whole_frame("ImageNet tower, whole frame", imagenet))
    named: list[Method] = [
        by_whole_frame(f"{one}, whole frame", load_encoder(one)) for one in encoders
    ]

    def embedding(folder: Path) -> SearchArm:
        return EmbeddingArm(folder / "embeddings", ours, set_id="bench")

    def local(folder: Path) -> SearchArm:
        return LocalArm(folder / "local", set_id="bench")

    def both(folder: Path) -> list[SearchArm]:
        return [embedding(folder), local(folder)]

    return [
        *simple,
        *named,
        ArmsMethod("our embedding arm", lambda folder: [embedding(folder)]),
        ArmsMethod("our local arm", lambda folder: [local(folder)]),
        ArmsMethod("ours, fused", both),
        ComparedMethod("ours, fused and compared", both),
    ]
