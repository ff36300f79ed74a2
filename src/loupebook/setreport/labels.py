"""How well each specimen's label agrees with the others, its own photos left out.

The *standing* is told by a line: a ridge regression on the embeddings, with a mean of its own for
each edition, view and lighting, tells copies from genuine prints in general. Its left-out
predictions have a closed form. What a lean is worth, the set tells (:mod:`.doubts`).

The *edition* is voted on by the nearest photos of other specimens. From such votes confident
learning names the suspects: those whose share for another label exceeds what members of that label
have on average. Votes on the standing lean against every label, because a specimen's own photos
have none: in an edition of three and three, two of its own standing vote against three.

References
----------
Northcutt, Jiang & Chuang (2021), doi:10.1613/jair.1.12125 (confident learning). The closed
form is the leave-one-out identity of linear smoothers, for groups (textbook).
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from loupebook.evidence.units import unit_codes

Floats = NDArray[np.float64]

VOTERS = 7
SHARPNESS = 25.0
"""How fast a neighbour's vote falls with its distance in cosine: by e at 0.04."""
RIDGE = 1.0
LEAST_AGREEMENT = 0.8
"""Share of a label's specimens, in the mean over labels, that the others must confirm before a
disagreement means anything; ours."""


@dataclass(frozen=True)
class Suspicion:
    """Left-out probabilities of the label that each specimen bears and of another.

    Parameters
    ----------
    names : tuple of str
        Specimens that could be judged.
    own, other : ndarray, shape (s,)
        Probability of the label borne, and of the likeliest other label.
    suspect : ndarray of bool, shape (s,)
        Whether confident learning names it.
    best : tuple
        Likeliest other label of each.
    labels : ndarray of int, shape (s,)
        Class of each as recorded.
    """

    names: tuple[str, ...]
    own: Floats
    other: Floats
    suspect: NDArray[np.bool_]
    best: tuple[Hashable, ...]
    labels: NDArray[np.intp]

    @property
    def agreement(self) -> float:
        """Share of specimens whose label the others confirm; NaN where none was judged."""
        return float((self.own > self.other).mean()) if len(self.names) else float("nan")

    @property
    def named(self) -> NDArray[np.bool_]:
        """The suspects, where the others know enough to name any; bool (s,)."""
        return self.suspect & self.telling

    @property
    def telling(self) -> bool:
        """Whether the others know enough of the labels for a disagreement to mean anything.

        Every label weighs the same: one that most specimens bear would be confirmed by its number.
        """
        if not self.names:
            return False
        count = np.bincount(self.labels)
        confirmed = np.bincount(self.labels, self.own > self.other)
        return bool((confirmed[count > 0] / count[count > 0]).mean() >= LEAST_AGREEMENT)

    def order(self) -> NDArray[np.intp]:
        """Return positions in falling suspicion."""
        return np.argsort(-(self.other - self.own), kind="stable")


def standing_line(
    vectors: NDArray[np.float32],
    units: Sequence[Hashable],
    fake: NDArray[np.bool_],
    kinds: Sequence[Hashable],
) -> Floats:
    """Return, photo by photo, how far its embedding leans to "fake" by what the others teach.

    A ridge regression of the standing on the embedding, with a mean of its own for each kind; the
    lean is what it predicts for a photo, from a fit without the photo's unit, less the mean
    standing of the other photos of its kind. Without that mean, which lies away from the standing
    borne wherever a kind is small, or with kinds' means that know the photo, vectors that tell
    nothing would contradict or confirm nearly all standings.

    Parameters
    ----------
    vectors : ndarray, shape (n, dim)
        Unit rows.
    units : sequence of length n
        What is left out together: the specimen of each photo, or the press of a copy.
    fake : ndarray of bool, shape (n,)
        Standing as recorded; one for a unit.
    kinds : sequence of length n
        Edition, view and lighting of each photo: only photos of one kind are compared.

    Returns
    -------
    ndarray, shape (n,)
        0 leans nowhere. NaN where other units leave fewer than both standings in a photo's kind:
        nobody could then speak for one of the two.
    """
    unit, _ = unit_codes(units)
    kind, count = unit_codes(kinds)
    fakes = np.bincount(kind, fake, minlength=count)
    held = np.flatnonzero(((fakes > 0) & (fakes < np.bincount(kind, minlength=count)))[kind])
    lean = np.full(unit.size, np.nan)
    if held.size:
        lean[held] = _left_out_lean(vectors[held], unit[held], fake[held], kind[held])
    return lean


def judge_labels(
    probability: Floats,
    labels: NDArray[np.intp],
    specimens: Sequence[str],
    classes: Sequence[Hashable],
) -> Suspicion:
    """Name the specimens whose label disagrees with what the others say.

    Parameters
    ----------
    probability : ndarray, shape (n, c)
        Left-out probability of each class for each photo; rows of NaN are passed over.
    labels : ndarray of int, shape (n,)
        Class as recorded.
    specimens : sequence of str, length n
    classes : sequence, length c
        What the classes stand for.
    """
    usable = np.isfinite(probability).all(axis=1)
    names = [specimens[i] for i in np.flatnonzero(usable).tolist()]
    codes, count = unit_codes(names)
    if not count:
        none = np.zeros(0)
        return Suspicion((), none, none, none > 0, (), none.astype(np.intp))
    sums = np.zeros((count, probability.shape[1]))
    np.add.at(sums, codes, probability[usable])
    mean = sums / np.bincount(codes, minlength=count)[:, None]
    first = np.unique(codes, return_index=True)[1]
    label = labels[usable][first]
    rows = np.arange(count)
    own = mean[rows, label]
    usual = np.array(
        [own[label == c].mean() if (label == c).any() else np.inf for c in range(len(classes))]
    )
    others = mean.copy()
    others[rows, label] = -1.0
    best = others.argmax(axis=1)
    other = others[rows, best]
    suspect = (other >= usual[best]) & (other > own)
    return Suspicion(
        tuple(names[int(i)] for i in first), own, other, suspect,
        tuple(classes[c] for c in best), label,
    )  # fmt: skip


def class_votes(similarity: NDArray[np.float32], labels: NDArray[np.intp], classes: int) -> Floats:
    """Return each row's share of its nearest neighbours' votes for each class.

    Parameters
    ----------
    similarity : ndarray, shape (b, n)
        ``-inf`` where left out.
    labels : ndarray of int, shape (n,)
    classes : int

    Returns
    -------
    ndarray, shape (b, classes)
        Rows sum to 1; NaN where nothing was left to vote.
    """
    k = min(VOTERS, similarity.shape[1])
    nearest = np.argpartition(-similarity, k - 1, axis=1)[:, :k]
    near = np.take_along_axis(similarity, nearest, axis=1).astype(np.float64)
    top = near.max(axis=1, keepdims=True)
    with np.errstate(invalid="ignore"):
        weight = np.exp(SHARPNESS * (near - top))
    votes = np.zeros((similarity.shape[0], classes))
    for column in range(k):
        np.add.at(votes, (np.arange(len(votes)), labels[nearest[:, column]]), weight[:, column])
    with np.errstate(invalid="ignore"):
        return np.asarray(votes / votes.sum(axis=1, keepdims=True))


def _left_out_lean(
    vectors: NDArray[np.float32],
    unit: NDArray[np.intp],
    fake: NDArray[np.bool_],
    kind: NDArray[np.intp],
) -> Floats:
    """Return :func:`standing_line` of photos whose kinds hold both standings."""
    kind = np.unique(kind, return_inverse=True)[1]
    size = np.bincount(kind)
    x = vectors.astype(np.float64)
    means = np.zeros((size.size, x.shape[1]))
    np.add.at(means, kind, x)
    x -= (means / size[:, None])[kind]
    x /= x.std() + 1e-12
    target = fake.astype(np.float64)
    fakes = np.bincount(kind, target)
    y = target - (fakes / size)[kind]
    inverse = np.linalg.inv(x.T @ x / len(x) + RIDGE * np.eye(x.shape[1])) / len(x)
    residual = y - x @ (inverse @ (x.T @ y))
    lean = np.empty(len(x))
    for code in np.unique(unit):
        mine = np.flatnonzero(unit == code)
        alike = (kind[mine][:, None] == kind[mine][None, :]).astype(np.float64)
        # The means of the kinds are fitted as well, so the hat knows them.
        hat = x[mine] @ inverse @ x[mine].T + alike / size[kind[mine]][:, None]
        left_out = np.linalg.solve(np.eye(mine.size) - hat, residual[mine])
        others = size[kind[mine]] - alike.sum(axis=1)
        copies = fakes[kind[mine]] - alike @ target[mine]
        told = (copies > 0) & (copies < others)
        lean[mine] = np.where(told, target[mine] - left_out - copies / others, np.nan)
    return lean
