"""Every print of a set held against the genuine ones of its design, kept design by design.

It takes seconds a photo, so it is made only when asked for, and goes on where it was stopped.
What was made is what readings by print are calibrated on.
"""

from __future__ import annotations

import hashlib
import json
import math
import sqlite3
from collections import Counter
from collections.abc import Collection, Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

import cv2

from loupebook.compare import (
    ConsensusStore,
    Group,
    LeftOut,
    Source,
    Wanted,
    each_left_out,
    judged_by,
)
from loupebook.errors import ComparisonError, LoupebookError
from loupebook.records.model import PhotoFacts, PhotoRecord, Standing
from loupebook.search import Progress, ReadPhoto
from loupebook.search.figure_cache import FigureCache

VERSION = 5
"""Goes up when the same photos would be judged otherwise; the report's format goes up with it."""
WHAT = "Comparing prints"


@dataclass(frozen=True)
class Design:
    """The photos of one edition, view and lighting.

    Parameters
    ----------
    group : Group
        Of its genuine photos.
    genuine, fake : tuple of int
        Row ids.
    """

    group: Group
    genuine: tuple[int, ...]
    fake: tuple[int, ...]

    @property
    def photos(self) -> int:
        """How many photos there are."""
        return len(self.genuine) + len(self.fake)


@dataclass(frozen=True)
class LeftOutPrints:
    """What was found.

    Parameters
    ----------
    rows : tuple of LeftOut
        A row a photo.
    failed : int
        Photos that could not be read or worked on.
    missing : mapping
        Element to photos of designs that were not compared as they now stand.
    unread : tuple of int
        Those of the failed photos that could not be read: the others were compared without them.
    """

    rows: tuple[LeftOut, ...]
    failed: int = 0
    missing: Mapping[str, int] = field(default_factory=dict)
    unread: tuple[int, ...] = ()


def designs_of(facts: Mapping[int, PhotoFacts]) -> list[Design]:
    """Return the designs of which at least two genuine specimens were photographed alike."""
    genuine: dict[Group, list[int]] = {}
    fake: dict[Group, list[int]] = {}
    for photo, fact in facts.items():
        if fact.edition is not None:
            like = Group.of(fact._replace(standing=Standing.GENUINE))
            held = fake if fact.standing is Standing.FAKE else genuine
            held.setdefault(like, []).append(photo)
    return [
        Design(group, tuple(photos), tuple(fake.get(group, ())))
        for group, photos in genuine.items()
        if len({facts[photo].specimen for photo in photos}) > 1
    ]


def left_out_prints(
    folder: Path,
    set_id: str,
    facts: Mapping[int, PhotoFacts],
    photos: Mapping[int, PhotoRecord],
    read: ReadPhoto,
    progress: Progress,
) -> LeftOutPrints:
    """Return every photo as it compares with the genuine ones of other specimens.

    Parameters
    ----------
    folder : Path
        Of the set; consensus images and what was found lie under its ``derived``.
    set_id : str
        The set.
    facts, photos : mapping
        Row id to facts and record, of confirmed photos.
    read : callable
        Row id to the pixels that the recorded scale is of: consensus images are shared with
        whoever compares queries.
    progress : callable
        Called with (what, done, total), in photos.
    """
    states = {one: _state(one, facts, photos) for one in designs_of(facts)}
    total = sum(one.photos for one in states)
    path = prints_path(folder)
    held = _kept(path, states)
    missing = [one for one, made in held.items() if made is None or _any_read(made.unread, read)]
    done = total - sum(one.photos for one in missing)
    progress(WHAT, done, total)

    def answer(design: Design) -> LeftOutPrints:
        # A store for each: one for all would hold what no other design asks for.
        store = ConsensusStore(folder / "derived" / "compare", set_id=set_id)
        return _held_out(design, store, facts, photos, read)

    # Two designs at a time: more would hold too many large photos at once.
    with ThreadPoolExecutor(max_workers=2, thread_name_prefix="prints") as pool:
        for design, made in zip(missing, pool.map(answer, missing), strict=True):
            held[design] = made
            if made.failed == len(made.unread):
                _keep(path, states[design], made)
            done += design.photos
            progress(WHAT, done, total)
    _forget_all_but(path, set(states.values()))
    return _joined(held)


def kept_prints(
    folder: Path, facts: Mapping[int, PhotoFacts], photos: Mapping[int, PhotoRecord]
) -> LeftOutPrints:
    """Return what is kept of the designs that have not changed since; nothing is compared.

    Parameters
    ----------
    folder, facts, photos
        As for :func:`left_out_prints`.
    """
    path = prints_path(folder)
    if not path.is_file():
        return LeftOutPrints(())
    states = {one: _state(one, facts, photos) for one in designs_of(facts)}
    return _joined(_kept(path, states))


def prints_path(folder: Path) -> Path:
    """Return where a set keeps what its prints gave."""
    return folder / "derived" / "setreport" / "prints.sqlite"


def _joined(held: Mapping[Design, LeftOutPrints | None]) -> LeftOutPrints:
    known = [one for one in held.values() if one is not None]
    missing: Counter[str] = Counter()
    for design, made in held.items():
        if made is None:
            missing[design.group.element] += design.photos
    return LeftOutPrints(
        tuple(row for one in known for row in one.rows),
        sum(one.failed for one in known),
        dict(missing),
        tuple(photo for one in known for photo in one.unread),
    )


def _held_out(
    design: Design,
    store: ConsensusStore,
    facts: Mapping[int, PhotoFacts],
    photos: Mapping[int, PhotoRecord],
    read: ReadPhoto,
) -> LeftOutPrints:
    asked = (*design.genuine, *design.fake)
    sources = _sources(asked, facts, photos, read)
    unread = tuple(sorted(set(asked) - {one.photo_id for one in sources}))
    none = LeftOutPrints((), len(unread), unread=unread)
    sound = [one for one in sources if facts[one.photo_id].standing is Standing.GENUINE]
    if len({one.specimen for one in sound}) < 2:
        return none
    pixels = {one.photo_id: one.pixels for one in sound}
    wanted = [Wanted(one.photo_id, one.sha256, one.specimen, one.px_per_mm) for one in sound]
    try:
        held = store.get(design.group, wanted, pixels.__getitem__)
    except ComparisonError:
        # No photo of this design shows print enough to lay others over it: rolled heads do not.
        return none
    try:
        return replace(none, rows=tuple(each_left_out(held, sources, uv=design.group.uv)))
    except (LoupebookError, cv2.error, ValueError):
        # One photo that cannot be worked on must not cost the whole report.
        return LeftOutPrints((), design.photos)


def _sources(
    wanted: Iterable[int],
    facts: Mapping[int, PhotoFacts],
    photos: Mapping[int, PhotoRecord],
    read: ReadPhoto,
) -> list[Source]:
    made = []
    for photo in wanted:
        record = photos[photo]
        try:
            pixels = read(photo)
        except LoupebookError:
            continue
        made.append(Source(photo, record.sha256, facts[photo].specimen, pixels, record.px_per_mm))
    return made


def _any_read(photos: Iterable[int], read: ReadPhoto) -> bool:
    """Say whether a photo that could not be read can be read now."""
    for photo in photos:
        try:
            read(photo)
        except LoupebookError:
            continue
        return True
    return False


def _state(
    design: Design, facts: Mapping[int, PhotoFacts], photos: Mapping[int, PhotoRecord]
) -> str:
    """Return what an answer about a design depends on."""
    shown = [
        [photo, photos[photo].sha256, facts[photo].specimen, str(facts[photo].standing),
         photos[photo].px_per_mm]
        for photo in sorted((*design.genuine, *design.fake))
    ]  # fmt: skip
    text = json.dumps([VERSION, judged_by(), asdict(design.group), shown])
    return hashlib.sha256(text.encode()).hexdigest()


def _kept(path: Path, states: Mapping[Design, str]) -> dict[Design, LeftOutPrints | None]:
    """Return what was found of each design, if it still holds; a damaged file is deleted."""
    none: dict[Design, LeftOutPrints | None] = dict.fromkeys(states)
    if not path.is_file():
        return none
    # Bytes, since a text that cannot be decoded would pass for a file that is locked.
    wanted = "SELECT CAST(rows AS BLOB) FROM prints WHERE state = ?"
    try:
        with closing(sqlite3.connect(path, timeout=30.0)) as store:
            rows = {
                one: store.execute(wanted, (state,)).fetchone() for one, state in states.items()
            }
    except sqlite3.OperationalError:
        return none  # locked, or nothing was kept yet
    except sqlite3.DatabaseError:
        path.unlink(missing_ok=True)
        return none
    return {one: None if row is None else _prints_of(row[0]) for one, row in rows.items()}


def _prints_of(stored: bytes) -> LeftOutPrints | None:
    """Return what a row holds; `None` where it is damaged, so that it is made anew."""
    try:
        held = json.loads(stored)
        unread = tuple(int(photo) for photo in held["unread"])
        rows = tuple(_row(one) for one in held["rows"])
        return LeftOutPrints(rows, len(unread), unread=unread)
    except (ValueError, TypeError, KeyError, AttributeError):
        return None


def _row(one: dict[str, Any]) -> LeftOut:
    each = {str(name): float(z) for name, z in one["each"].items()}
    z = None if one["z"] is None else float(one["z"])
    if not all(map(math.isfinite, [*each.values(), z or 0.0])):
        raise ValueError("a figure is not a number")
    return LeftOut(**{**one, "differs": tuple(one["differs"]), "each": each, "z": z})


def _forget_all_but(path: Path, states: Collection[str]) -> None:
    """Delete what no design of the set as it stands asks for."""
    if not path.is_file():
        return
    cache = _cache(path)
    kept = [state for (state,) in cache.read("SELECT state FROM prints")]
    cache.write("DELETE FROM prints WHERE state = ?", [(one,) for one in kept if one not in states])


def _cache(path: Path) -> FigureCache:
    return FigureCache(
        path, "CREATE TABLE IF NOT EXISTS prints (state TEXT PRIMARY KEY, rows TEXT)"
    )


def _keep(path: Path, state: str, made: LeftOutPrints) -> None:
    text = json.dumps({"rows": [asdict(one) for one in made.rows], "unread": made.unread})
    _cache(path).write("INSERT OR REPLACE INTO prints VALUES (?, ?)", [(state, text)])
