"""What differs between an examination as it was saved and the same asked again."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

_NOTICEABLE = 0.005
"""Similarities nearer than this are the same: another machine's arithmetic moves them less."""

_CLOSE = {
    True: "something close in the set",
    False: "nothing close in the set",
    None: "cannot be told whether anything is close",
}


def changes_between(then: Mapping[str, Any], now: Mapping[str, Any]) -> Iterator[str]:
    """Yield what has changed, in plain words.

    Parameters
    ----------
    then : mapping
        The document of an examination.
    now : mapping
        ``set``, ``made_with``, ``answer`` and ``serials`` as a document has them, and ``states``:
        specimen to what became of it, for references that are no longer what they were.
    """
    yield from _of_the_set(then["set"], now["set"])
    if then["made_with"]["fingerprint"] != now["made_with"]["fingerprint"]:
        yield (
            f"Another encoder: {then['made_with']['encoder']} then, "
            f"{now['made_with']['encoder']} now; similarities cannot be compared."
        )
    for specimen, state in now["states"].items():
        yield f"{specimen}, a reference then, is {state}."
    yield from _of_the_matches(then["answer"], now["answer"])
    yield from _of_the_serials(then.get("serials"), now["serials"])
    for name in ("nearest_genuine", "nearest_fake"):
        yield from _of_one(name.replace("_", " "), then["answer"][name], now["answer"][name])
    close = [answer["reading"].get("close_reference") for answer in (then["answer"], now["answer"])]
    if close[0] != close[1]:
        yield f"The reading: {_CLOSE[close[0]]} then, {_CLOSE[close[1]]} now."


def _of_the_set(then: Mapping[str, Any], now: Mapping[str, Any]) -> Iterator[str]:
    if then["set_id"] != now["set_id"]:
        yield f"Another set: {then['name']} then, {now['name']} now."
    if then["holds"] == now["holds"]:
        return
    more = now["photos"] - then["photos"]
    noun = "photo" if abs(more) == 1 else "photos"
    count = f"{abs(more)} {noun} {'more' if more > 0 else 'fewer'}" if more else "other photos"
    yield (
        f"The set has changed: {count} (version {then['version']} then, {now['version']} now; "
        f"{now['photos']} photos are searched)."
    )


def _of_the_matches(then: Mapping[str, Any], now: Mapping[str, Any]) -> Iterator[str]:
    before = {match["specimen"]: match for match in then["matches"]}
    after = {match["specimen"]: match for match in now["matches"]}
    for specimen, match in after.items():
        if specimen not in before:
            standing, rank = match["standing"], match["rank"]
            yield f"{specimen} ({standing}) is new among the nearest, rank {rank}."
    for specimen, match in before.items():
        if specimen not in after:
            yield f"{specimen} ({match['standing']}), rank {match['rank']} then, is not among them."
        elif after[specimen]["rank"] != match["rank"]:
            yield f"{specimen}: rank {match['rank']} then, {after[specimen]['rank']} now."
        elif abs(after[specimen]["similarity"] - match["similarity"]) > _NOTICEABLE:
            yield (
                f"{specimen}: similarity {match['similarity']:.3f} then, "
                f"{after[specimen]['similarity']:.3f} now."
            )


def _of_the_serials(then: Mapping[str, Any] | None, now: Mapping[str, Any] | None) -> Iterator[str]:
    """Say where a serial number stands now, if not where it did."""
    if then is None or now is None:
        return
    before = {one["number"]: one["holders"] for one in then["numbers"]}
    for one in now["numbers"]:
        if before.get(one["number"]) != one["holders"]:
            yield f"Serial number, now: {' '.join(one['says'])}"


def _of_one(
    name: str, then: Mapping[str, Any] | None, now: Mapping[str, Any] | None
) -> Iterator[str]:
    before, after = (one["specimen"] if one else "none" for one in (then, now))
    if before != after:
        yield f"The {name}: {before} then, {after} now."
