"""Consensus images on disk: derived, checked before use, brought up to date step by step.

One file a group of photos (edition, or copies of it from one print origin, × view × lighting) under
``<set>/derived/compare``; see ``loupebook.search.checked_file``. The header names the set, the
recipe, the group and each photo with its sha256; the body is a safetensors file, deflated. (Not a
NumPy ``.npz``: NumPy reads each array's header through `ast`, which in CPython 3.11 fails now and
then where two threads do so, gh-106905.)
"""

from __future__ import annotations

import hashlib
import json
import zlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import astuple, dataclass, fields
from pathlib import Path
from typing import Any, Protocol

import cv2
import numpy as np
from numpy.typing import NDArray
from safetensors import SafetensorError
from safetensors import numpy as tensors

from loupebook.compare.comparison import own_figures
from loupebook.compare.consensus import (
    RECIPE,
    Aligned,
    Consensus,
    Source,
    build_consensus,
    extend,
    leaves_out,
    room,
)
from loupebook.compare.judged_by import judged_by
from loupebook.errors import ComparisonError, IndexDamaged
from loupebook.records.model import Element, Lighting, Standing, View
from loupebook.search.checked_file import read_checked, write_checked
from loupebook.search.local.features import Features

MAGIC = b"loupebook consensus 5\n"
_FEATURES = ("xy", "size", "angle", "descriptors")
_LONGEST_HEADER = 4_000_000


class Grouped(Protocol):
    """What decides to which group a photo belongs; facts and matches tell it."""

    @property
    def specimen(self) -> str:
        """The object photographed."""

    @property
    def standing(self) -> Standing:
        """What is known of it."""

    @property
    def marque(self) -> str | None:
        """Its maker, where recorded."""

    @property
    def edition(self) -> str | None:
        """Its design, where recorded."""

    @property
    def origin(self) -> str | None:
        """Its press run, where recorded."""

    @property
    def element(self) -> Element:
        """Kind of item."""

    @property
    def view(self) -> View:
        """Side photographed."""

    @property
    def lighting(self) -> Lighting:
        """How it was lit."""


@dataclass(frozen=True)
class Group:
    """What is combined into one consensus.

    Parameters
    ----------
    name : str
        Edition, or print origin of fakes.
    marque : str or None
        Whose: two makers may name an edition alike.
    element, view, lighting : str
        As recorded.
    standing : str
        Of all its photos.
    edition : str, optional
        What the copies of a print origin copy: one press may copy several. `None` for genuine
        photos, which are named by theirs.
    """

    name: str
    marque: str | None
    element: str
    view: str
    lighting: str
    standing: str
    edition: str | None = None

    @classmethod
    def of(cls, fact: Grouped) -> Group:
        """Return what a photo is combined with: others of its edition, copies by one press."""
        genuine = fact.standing is Standing.GENUINE
        known = fact.edition if genuine else fact.origin
        return cls(
            known or fact.specimen,
            fact.marque,
            str(fact.element),
            str(fact.view),
            str(fact.lighting),
            str(fact.standing),
            None if genuine else fact.edition,
        )

    @classmethod
    def read(cls, saved: Mapping[str, Any]) -> Group:
        """Return a group that was saved as a mapping, perhaps by an earlier version.

        Parameters
        ----------
        saved : mapping
            Field names to values; one that is not there is `None`, one unknown is passed over.
        """
        known: dict[str, Any] = {one.name: saved.get(one.name) for one in fields(cls)}
        return cls(**known)

    @property
    def key(self) -> str:
        """A name for files."""
        text = json.dumps(astuple(self))
        return hashlib.sha256(text.encode()).hexdigest()[:24]

    def rivals(self, other: Group) -> bool:
        """Say whether both are genuine designs photographed alike, and not the same one."""
        return (
            self.standing == other.standing == str(Standing.GENUINE)
            and (self.marque, self.name) != (other.marque, other.name)
            and (self.element, self.view, self.lighting)
            == (other.element, other.view, other.lighting)
        )

    @property
    def uv(self) -> bool:
        """Whether it was photographed under UV-A."""
        return self.lighting == "uv-a"


@dataclass(frozen=True)
class Wanted:
    """A photo that a consensus should be made from."""

    photo_id: int
    sha256: str
    specimen: str
    px_per_mm: float | None


@dataclass(frozen=True, eq=False)
class Held:
    """A consensus and the figures of its own photos."""

    consensus: Consensus
    own: Mapping[str, list[float]]


class ConsensusStore:
    """Keeps the consensus images of one set.

    Parameters
    ----------
    folder : Path
        ``<set>/derived/compare``.
    set_id : str
        The set that the files must name.
    """

    def __init__(self, folder: Path, *, set_id: str) -> None:
        self._folder = folder
        self._set_id = set_id
        self._memory: dict[str, tuple[frozenset[Wanted], Held]] = {}

    def get(
        self,
        group: Group,
        wanted: Sequence[Wanted],
        read: Callable[[int], NDArray[np.uint8]],
    ) -> Held:
        """Return the consensus of a group as its photos now stand.

        Parameters
        ----------
        group : Group
            Which.
        wanted : sequence of Wanted
            All its photos.
        read : callable
            Photo id to pixels; called only for photos not yet laid into the frame.

        Raises
        ------
        ComparisonError
            If no consensus can be made of these photos.
        """
        state = frozenset(wanted)
        kept = self._memory.get(group.key)
        if kept is not None and kept[0] == state:
            return kept[1]
        path = self._folder / f"{group.key}.consensus"
        try:
            held, known, current = self._load(path, group)
        except IndexDamaged:
            held, known, current = None, frozenset(), False
        if held is not None and not current:
            # Other weights see the same photos otherwise: the consensus stands, its figures do not.
            held = Held(held.consensus, own_figures(held.consensus, uv=group.uv))
        if held is None or known != state:
            held = self._renew(group, wanted, held, known, read)
            current = False
        if not current:
            self._save(path, group, held, state)
        self._memory = {**dict(list(self._memory.items())[-15:]), group.key: (state, held)}
        return held

    def clear(self) -> None:
        """Delete all of them; the next comparison makes them anew."""
        self._memory = {}
        for path in self._folder.glob("*.consensus"):
            path.unlink(missing_ok=True)

    def _renew(
        self,
        group: Group,
        wanted: Sequence[Wanted],
        held: Held | None,
        known: frozenset[Wanted],
        read: Callable[[int], NDArray[np.uint8]],
    ) -> Held:
        def source(one: Wanted) -> Source:
            return Source(one.photo_id, one.sha256, one.specimen, read(one.photo_id), one.px_per_mm)

        if not wanted:
            raise ComparisonError("There is no photo to make a consensus image from.")
        # A photo that was moved to another specimen, or measured anew, counts as a new one.
        same = {one.photo_id for one in wanted if one in known}
        grown = None
        if held is not None:
            photos = [p for p in held.consensus.photos if p.photo_id in same]
            anchor = held.consensus.photos[0]
            failed = same & held.consensus.rejected.keys()
            waiting = [one.specimen for one in wanted if one.photo_id not in failed]
            stands = bool(photos) and photos[0].photo_id == anchor.photo_id
            if stands and not leaves_out(photos, waiting):
                laid = {p.photo_id for p in photos} | failed
                new = [one for one in wanted if one.photo_id not in laid][: room(len(photos))]
                if not new and len(photos) == len(held.consensus.photos):
                    return held  # what came or went has no part in it
                grown = extend(held.consensus, photos, [source(one) for one in new])
        consensus = grown or build_consensus([source(one) for one in wanted])
        return Held(consensus, own_figures(consensus, uv=group.uv))

    def _save(self, path: Path, group: Group, held: Held, state: frozenset[Wanted]) -> None:
        consensus = held.consensus
        arrays: dict[str, NDArray[Any]] = {
            "middle": consensus.middle.astype(np.float16),
            "spread": consensus.spread.astype(np.float16),
            "colour_spread": consensus.colour_spread.astype(np.float16),
            "count": consensus.count,
            "mask": consensus.mask,
            "item": consensus.item.astype(np.float16),
        }
        # Taking them takes a quarter of a second, and every comparison asks for them.
        features = consensus.picture.features
        arrays |= {f"features_{name}": getattr(features, name) for name in _FEATURES}
        for number, photo in enumerate(consensus.photos):
            arrays[f"colour{number}"], bounds = packed(photo.colour)
            arrays[f"bounds{number}"] = np.array(bounds, np.float32)
            arrays[f"valid{number}"] = np.packbits(photo.valid)
        body = zlib.compress(
            tensors.save({name: np.ascontiguousarray(one) for name, one in arrays.items()})
        )
        header = {
            "set_id": self._set_id, "recipe": RECIPE, "judged_by": judged_by(),
            "group": vars(group),
            "state": [list(astuple(one)) for one in sorted(state, key=lambda one: one.photo_id)],
            "photos": [[p.photo_id, p.sha256, p.specimen, p.resolution] for p in consensus.photos],
            "rejected": {str(photo): why for photo, why in consensus.rejected.items()},
            "px_per_mm": consensus.px_per_mm, "place": list(consensus.place),
            "own": dict(held.own),
        }  # fmt: skip
        write_checked(path, MAGIC, header, [np.frombuffer(body, np.uint8)])

    def _load(self, path: Path, group: Group) -> tuple[Held, frozenset[Wanted], bool]:
        """Return what a file holds, of which photos, and whether it was judged as we judge."""
        header, payload = read_checked(path, MAGIC, longest_header=_LONGEST_HEADER)
        try:
            if header["set_id"] != self._set_id or header["recipe"] != RECIPE:
                raise IndexDamaged(f"The consensus image {path} is another set's or version's.")
            if header["group"] != vars(group):
                raise IndexDamaged(f"The consensus image {path} is another group's.")
            consensus = unpacked(header, tensors.load(zlib.decompress(payload.tobytes())))
            state = frozenset(Wanted(*one) for one in header["state"])
        except (KeyError, TypeError, ValueError, zlib.error, SafetensorError, cv2.error) as exc:
            raise IndexDamaged(f"The consensus image {path} is damaged: {exc}.") from exc
        return Held(consensus, header["own"]), state, header["judged_by"] == judged_by()


def packed(colour: NDArray[np.float32]) -> tuple[NDArray[np.uint8], tuple[float, float]]:
    """Return logarithmic colour as the bytes of a PNG, and what its 0 and 255 stand for.

    A step is about 2 % of light, less than the noise of a photo. As a JPEG of sRGB values, what
    lies above the anchor's white was cut off, and measurements of reloaded photos were others.
    """
    low, high = float(colour.min()), float(colour.max())
    code = np.rint((colour - low) * (255 / max(high - low, 1e-6))).astype(np.uint8)
    return np.asarray(cv2.imencode(".png", code)[1]).ravel(), (low, high)


def unpacked_colour(content: NDArray[np.uint8], bounds: NDArray[np.float32]) -> NDArray[np.float32]:
    """Undo :func:`packed`.

    Raises
    ------
    ValueError
        If the picture cannot be decoded.
    """
    code = cv2.imdecode(content, cv2.IMREAD_COLOR)
    if code is None:
        raise ValueError("a photo in it cannot be decoded")
    low, high = bounds
    steps = (low + np.arange(256) * ((high - low) / 255)).astype(np.float32)
    return np.asarray(cv2.LUT(code, steps), np.float32)


def unpacked(header: Mapping[str, Any], arrays: Mapping[str, NDArray[Any]]) -> Consensus:
    """Put a consensus together from a file's parts."""
    mask = arrays["mask"].astype(bool)
    photos = []
    for number, (photo_id, sha256, specimen, resolution) in enumerate(header["photos"]):
        colour = unpacked_colour(arrays[f"colour{number}"], arrays[f"bounds{number}"])
        valid = np.unpackbits(arrays[f"valid{number}"], count=mask.size).reshape(mask.shape)
        photos.append(
            Aligned(int(photo_id), sha256, specimen, colour, valid.astype(bool), float(resolution))
        )
    left, top, scale = header["place"]
    return Consensus(
        photos=tuple(photos),
        rejected={int(photo): why for photo, why in header["rejected"].items()},
        middle=arrays["middle"].astype(np.float32),
        colour_spread=arrays["colour_spread"].astype(np.float32),
        spread=arrays["spread"].astype(np.float32),
        count=arrays["count"],
        mask=mask,
        px_per_mm=header["px_per_mm"],
        place=(float(left), float(top), float(scale)),
        item=arrays["item"].astype(np.float32),
        features=Features(
            **{name: arrays[f"features_{name}"] for name in _FEATURES},
            width=mask.shape[1],
            height=mask.shape[0],
        ),
    )
