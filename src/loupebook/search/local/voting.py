"""The photos that the query's patches speak for.

Each query patch votes for the photos of its nearest reference patches, by how much nearer
they are than the background (local naive Bayes nearest neighbour, McCann & Lowe 2012,
doi:10.1109/CVPR.2012.6248111), and only votes that agree on where, how large and which way
up the item lies add up (Hough voting for a similarity, Lowe 2004,
doi:10.1023/B:VISI.0000029664.99615.94, in place of the weak consistency of Jégou et al.
2008). A patch has one vote a photo and a reference patch receives one vote, so that repeated
ornament cannot pile up votes.

A similarity maps reference to query: ``query = scale * R(turn) * reference + shift``. It
never mirrors.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from loupebook.search.local.features import Features
from loupebook.search.local.packing import GEOMETRY_BITS, TURN, unpack

BACKGROUND = 0.14
"""Least squared distance of unrelated patches: where a design is held so often that all
neighbours are right, the last of them is no background."""


@dataclass(frozen=True)
class Votes:
    """Votes as flat arrays of one length.

    Parameters
    ----------
    photo : ndarray
        int64, the photo voted for.
    patch : ndarray
        Position of the query patch.
    place : ndarray
        The packed id: which reference patch.
    weight : ndarray
        float32, > 0.
    log_scale, turn, x, y : ndarray
        The similarity that the vote stands for: scale (log2 of query px a longest reference
        side), turn in radians 0..2π, and where it puts the reference's middle, query px.
    """

    photo: NDArray[np.int64]
    patch: NDArray[np.intp]
    place: NDArray[np.int64]
    weight: NDArray[np.float32]
    log_scale: NDArray[np.float32]
    turn: NDArray[np.float32]
    x: NDArray[np.float32]
    y: NDArray[np.float32]


def cast(query: Features, ids: NDArray[np.int64], squared: NDArray[np.float32]) -> Votes:
    """Turn nearest neighbours into votes.

    Parameters
    ----------
    query : Features
        The query's features.
    ids, squared : ndarray
        (n, k) packed ids, -1 where none, and squared distances, nearest first.
    """
    background = np.maximum(np.where(ids >= 0, squared, 0).max(axis=1, keepdims=True), BACKGROUND)
    weight = np.where(ids >= 0, background - squared, 0).astype(np.float32)
    first, times = first_of_photo(ids >> GEOMETRY_BITS)
    weight = np.where(first, weight / times, 0)
    patch, column = np.nonzero(weight > 0)
    place = ids[patch, column]
    at = unpack(place)
    scale = query.size[patch] / at.size
    turn = np.mod(query.angle[patch] - at.angle, TURN)
    cos, sin = np.cos(turn), np.sin(turn)
    return Votes(
        photo=at.photo,
        patch=patch,
        place=place,
        weight=(weight[patch, column] / burst(place)).astype(np.float32),
        log_scale=np.log2(scale),
        turn=turn,
        x=query.xy[patch, 0] - scale * (cos * at.x - sin * at.y),
        y=query.xy[patch, 1] - scale * (sin * at.x + cos * at.y),
    )


def burst(place: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return by what to divide votes for a reference patch that many query patches choose."""
    _, inverse, times = np.unique(place, return_inverse=True, return_counts=True)
    divided: NDArray[np.float64] = np.sqrt(times[inverse])
    return divided


def first_of_photo(
    photo: NDArray[np.int64],
) -> tuple[NDArray[np.bool_], NDArray[np.int64]]:
    """Mark, in each row, the nearest entry of each photo, and count the photo's entries."""
    same = photo[:, :, None] == photo[:, None, :]
    first: NDArray[np.bool_] = same.argmax(axis=2) == np.arange(photo.shape[1])
    return first, same.sum(axis=2)


@dataclass(frozen=True)
class Vote:
    """What the query's patches say of one photo.

    Parameters
    ----------
    photo : int
        The photo voted for.
    weight : float
        Sum of the votes that agree.
    x, y : float
        Where they put the middle of the reference, query px.
    span : float
        How long they make the reference's longest side, query px.
    """

    photo: int
    weight: float
    x: float
    y: float
    span: float


def tally(votes: Votes, most: int) -> list[Vote]:
    """Return the photos with the most agreeing votes, best first."""
    if len(votes.photo) == 0:
        return []
    best: dict[int, Vote] = {}
    for shift in (0.0, 0.5):
        for vote in fullest_bins(votes, shift):
            known = best.get(vote.photo)
            if known is None or vote.weight > known.weight:
                best[vote.photo] = vote
    return sorted(best.values(), key=lambda vote: -vote.weight)[:most]


def fullest_bins(votes: Votes, shift: float) -> Iterator[Vote]:
    """Yield each photo's fullest bin of agreeing votes, on a grid moved by `shift` bins."""
    octave = np.floor(votes.log_scale + shift).astype(np.int64)
    turn = np.floor(votes.turn / TURN * 10 + shift).astype(np.int64) % 10
    step = np.exp2(octave.astype(np.float32) + 0.5 - shift) * 0.3
    column = np.floor(votes.x / step + shift).astype(np.int64)
    row = np.floor(votes.y / step + shift).astype(np.int64)
    cell = ((octave & 31) << 20) | (turn << 16) | ((column & 255) << 8) | (row & 255)
    key = (votes.photo << 25) | cell
    one_each = last_per_key(votes.place, key, votes.weight)
    keys, inverse = np.unique(key[one_each], return_inverse=True)
    weight = votes.weight[one_each]
    sums = np.bincount(inverse, weight)
    photo = keys >> 25
    order = np.lexsort((-sums, photo))
    lead = order[np.flatnonzero(np.r_[True, np.diff(photo[order]) != 0])]
    middles = [
        np.bincount(inverse, weight * value[one_each])[lead] / sums[lead]
        for value in (votes.x, votes.y, votes.log_scale)
    ]
    for which, total, x, y, size in zip(photo[lead], sums[lead], *middles, strict=True):
        yield Vote(int(which), float(total), float(x), float(y), float(np.exp2(size)))


def last_per_key(
    place: NDArray[np.int64], key: NDArray[np.int64], weight: NDArray[np.float32]
) -> NDArray[np.intp]:
    """Keep, of the votes of one bin for one reference patch, the heaviest."""
    order = np.lexsort((weight, place, key))
    final = np.r_[(np.diff(key[order]) != 0) | (np.diff(place[order]) != 0), True]
    return order[final]
