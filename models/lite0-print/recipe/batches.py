"""What stands in a batch: editions side by side that are hard to tell apart, and copies."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

import numpy as np

from recipe.pool import Pool


@dataclass(frozen=True)
class Batch:
    """Rows of the pool to photograph, and their labels.

    A `group` is a print origin of this batch. `copied` marks rows whose texture the
    photographer changes as a copyist would; rows of one group are changed alike.
    """

    row: np.ndarray
    edition: np.ndarray
    group: np.ndarray
    copied: np.ndarray

    def split(self, size: int) -> list[Batch]:
        """Cut into parts of `size` rows."""
        starts = range(0, len(self.row), size)
        return [Batch(*(v[s : s + size] for v in vars(self).values())) for s in starts]


class Chooser:
    """Draws batches by seed.

    Parameters
    ----------
    pool : Pool
    shares : mapping
        From a kind (first word of a marque's name) to its share of the batch.
    """

    def __init__(self, pool: Pool, kinds: np.ndarray, shares: dict[str, float]) -> None:
        self.pool = pool
        self.shares = shares
        self.tree: dict[str, dict[int, dict[int, list[int]]]] = {
            kind: defaultdict(lambda: defaultdict(list)) for kind in shares
        }
        for row, kind in enumerate(kinds):
            if kind in shares:
                self.tree[kind][pool.marque[row]][pool.edition[row]].append(row)

    def draw(self, seed: int, *, editions: int, views: int) -> Batch:
        """Choose `editions` editions, two origins each, `views` photos of each origin."""
        rng = np.random.default_rng([seed, 11])
        rows: list[tuple[int, int, bool]] = []  # row, edition, copied by the photographer
        for kind, share in self.shares.items():
            want = max(2, round(editions * share))
            marques = list(self.tree[kind])
            taken = 0
            for place in rng.permutation(len(marques)):
                if taken >= want:
                    break
                of_marque = self.tree[kind][marques[place]]
                for edition in rng.permutation(sorted(of_marque))[: min(2, want - taken)]:
                    taken += 1
                    rows += self._two_origins(of_marque[edition], int(edition), rng)
        row, edition, copied = (np.array(v) for v in zip(*rows, strict=True))
        group = np.arange(len(row))
        repeated = (np.repeat(v, views) for v in (row, edition, group, copied))
        return Batch(*repeated)

    def _two_origins(
        self, rows: list[int], edition: int, rng: np.random.Generator
    ) -> list[tuple[int, int, bool]]:
        origins = {int(self.pool.origin[r]): r for r in rng.permutation(rows)}
        keys = list(origins)
        first = origins[keys[0]]
        if len(keys) > 1 and rng.random() < 0.65:
            return [(first, edition, False), (origins[keys[1]], edition, False)]
        return [(first, edition, False), (first, edition, True)]
