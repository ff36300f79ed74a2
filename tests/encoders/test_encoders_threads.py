"""How many threads and processes are used, and on which device."""

from __future__ import annotations

import pytest
import torch

from loupebook.encoders.threads import core_count, pick_device, usable_cores
from loupebook.errors import EncoderUnavailable
from loupebook.library import rendering


@pytest.fixture
def four_of_eight(monkeypatch: pytest.MonkeyPatch) -> None:
    """A machine of eight cores, of which this process may use four."""
    monkeypatch.setattr("os.sched_getaffinity", lambda _: {0, 2, 4, 6}, raising=False)
    monkeypatch.setattr("os.cpu_count", lambda: 8)


@pytest.mark.usefixtures("four_of_eight")
@pytest.mark.parametrize(
    ("allowed", "used"),
    [("", 4), ("3", 3), ("9", 4), ("2,1", 2), (" 1 , 4", 1), ("many", 4), ("0", 1)],
)
def test_threads_go_by_the_first_level_that_openmp_is_allowed(
    monkeypatch: pytest.MonkeyPatch, allowed: str, used: int
) -> None:
    monkeypatch.setenv("OMP_NUM_THREADS", allowed)
    assert core_count() == used


@pytest.mark.usefixtures("four_of_eight")
def test_processes_go_by_the_cores_that_may_be_used(monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("skia", reason="drawing needs loupebook[render]", exc_type=ImportError)
    monkeypatch.setenv("OMP_NUM_THREADS", "1")  # of threads in one process, not of processes
    assert usable_cores() == rendering._processes() == 4
    monkeypatch.setattr("os.sched_getaffinity", lambda _: set(range(400)))
    assert rendering._processes() == 256


@pytest.mark.parametrize(
    "name", ["cpu:x", "gpu", "", "CUDA", "cuda:4", "cuda:x", "cuda:" + "9" * 9]
)
def test_a_device_that_is_not_there_is_told_with_those_that_are(
    monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    monkeypatch.setattr(torch.cuda, "device_count", lambda: 4)
    with pytest.raises(EncoderUnavailable, match=r"Say auto or cpu, or cuda:0 to cuda:3\."):
        pick_device(name)
    assert pick_device("cuda") == "cuda"
    assert pick_device("cuda:3") == "cuda:3"
    monkeypatch.setattr(torch.cuda, "device_count", lambda: 0)
    with pytest.raises(EncoderUnavailable, match="no CUDA card"):
        pick_device("cuda")
