"""How well each specimen's label agrees with the others, its own photos left out.

Two voices, both with whole specimens left out, are averaged for the standing:

- *neighbours*: among photos of the same edition, view and lighting, those nearest vote;
- *line*: a ridge regression of the standing on the embeddings, after the mean of each
  edition, view and lighting is taken off, tells copies from genuine prints in general. Its
  left-out predictions have a closed form.

From left-out probabilities, confident learning names the suspects: those whose probability
for the other label exceeds what members of that label have on average.

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
"""Share of labels that the others must confirm before a disagreement means anything; ours."""


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
    """

    names: tuple[str, ...]
    own: Floats
    other: Floats
    suspect: NDArray[np.bool_]
    best: tuple[Hashable, ...]

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
        """Whether the others know enough of this label for a disagreement to mean anything."""
        return self.agreement >= LEAST_AGREEMENT

    def order(self) -> NDArray[np.intp]:
        """Return positions in falling suspicion."""
        return np.argsort(-(self.other - self.own), kind="stable")


def standing_probability(
    vectors: NDArray[np.float32],
    specimens: Sequence[str],
    fake: NDArray[np.bool_],
    kinds: Sequence[Hashable],
) -> Floats:
    """Return, photo by photo, the left-out probability of "fake".

    Parameters
    ----------
    vectors : ndarray, shape (n, dim)
        Unit rows.
    specimens : sequence of str
        Specimen of each photo.
    fake : ndarray of bool
        Standing as recorded.
    kinds : sequence
        Edition, view and lighting of each photo: only photos of one kind are compared.

    Returns
    -------
    ndarray, shape (n,)
        NaN where a kind holds one standing only, or no other specimen.
    """
    codes, _ = unit_codes(specimens)
    kind, count = unit_codes(kinds)
    votes = np.full(codes.size, np.nan)
    for number in range(count):
        members = np.flatnonzero(kind == number)
        if fake[members].all() or not fake[members].any():
            continue
        votes[members] = _vote(vectors[members], codes[members], fake[members])
    usable = np.flatnonzero(np.isfinite(votes))
    if usable.size:
        line = _left_out_line(vectors[usable], codes[usable], fake[usable], kind[usable])
        votes[usable] = (votes[usable] + line) / 2
    return votes


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
        return Suspicion((), none, none, np.zeros(0, dtype=bool), ())
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
        tuple(names[int(i)] for i in first), own, other, suspect, tuple(classes[c] for c in best)
    )


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


def _vote(vectors: NDArray[np.float32], codes: NDArray[np.intp], fake: NDArray[np.bool_]) -> Floats:
    similarity = vectors @ vectors.T
    similarity[codes[:, None] == codes[None, :]] = -np.inf
    return class_votes(similarity, fake.astype(np.intp), 2)[:, 1]


def _left_out_line(
    vectors: NDArray[np.float32],
    codes: NDArray[np.intp],
    fake: NDArray[np.bool_],
    kind: NDArray[np.intp],
) -> Floats:
    """Return the ridge regression's prediction of each photo, its specimen left out."""
    kind = np.unique(kind, return_inverse=True)[1]
    size = np.bincount(kind)
    x = vectors.astype(np.float64)
    means = np.zeros((size.size, x.shape[1]))
    np.add.at(means, kind, x)
    x -= (means / size[:, None])[kind]
    target = fake.astype(np.float64)
    base = np.bincount(kind, target) / size
    y = target - base[kind]
    x /= x.std() + 1e-12
    inverse = np.linalg.inv(x.T @ x / len(x) + RIDGE * np.eye(x.shape[1])) / len(x)
    residual = y - x @ (inverse @ (x.T @ y))
    left_out = np.empty(len(x))
    for code in np.unique(codes):
        mine = np.flatnonzero(codes == code)
        hat = x[mine] @ inverse @ x[mine].T
        left_out[mine] = np.linalg.solve(np.eye(mine.size) - hat, residual[mine])
    predicted = y - left_out
    spread = predicted.std() + 1e-12
    return np.asarray(1.0 / (1.0 + np.exp(-2.0 * predicted / spread)))
