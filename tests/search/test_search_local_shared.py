"""Two processes with one store of local features: one withdraws while the other searches."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from drawn_prints import draw_print
from loupebook.search.arm import QueryPhoto
from loupebook.search.local.arm import LocalArm

PICTURES = {number: np.asarray(draw_print(number)) for number in range(4)}
SHAS = {number: f"sha-{number}" for number in PICTURES}


@pytest.mark.parametrize("moment", ["_nearest", "_verify", "_in_full"])
def test_a_photo_withdrawn_by_another_during_a_search_does_no_harm(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, moment: str
) -> None:
    arm, other = (LocalArm(tmp_path / "local", set_id="S") for _ in range(2))
    arm.sync(SHAS, PICTURES.__getitem__)
    query = QueryPhoto(PICTURES[2])
    assert arm.find(query)[0].photo_id == 2
    without = {photo: sha for photo, sha in SHAS.items() if photo != 2}
    as_it_is = getattr(arm, moment)

    def meanwhile(*given: object) -> object:
        other.sync(without, PICTURES.__getitem__)
        return as_it_is(*given)

    monkeypatch.setattr(arm, moment, meanwhile)
    assert {hit.photo_id for hit in arm.find(QueryPhoto(PICTURES[2]))} <= {0, 1, 2, 3}
    monkeypatch.undo()
    # Nothing was cleared: the others need not be taken anew, and are found.
    assert not arm.pending(without)
    assert arm.find(QueryPhoto(PICTURES[1]))[0].photo_id == 1


def test_two_that_sync_at_once_keep_what_each_other_writes(tmp_path: Path) -> None:
    quick, slow = (LocalArm(tmp_path / "local", set_id="S") for _ in range(2))
    rows = []

    def read_late(photo: int) -> np.ndarray:
        if not rows:
            quick.sync(SHAS, PICTURES.__getitem__)
            rows.extend(quick._open().held().photo_of_row)
        return PICTURES[photo]

    assert slow.sync(SHAS, read_late).rebuilt is None
    assert list(slow._open().held().photo_of_row) == rows
