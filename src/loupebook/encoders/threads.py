"""The one place where threads and devices are chosen, for torch, FAISS and OpenCV alike.

torch and FAISS each bring their own thread pool; left alone, both take every core and get
in each other's way. FAISS runs a single query on one thread below :data:`FAISS_ALONE` rows,
where a second one costs more than it brings (measured on 2 cores).

A thread of theirs that waits spins by default, and takes a core from whoever has work: with
other jobs on 2 cores, a batch of 12 took 2.0 s spinning and 0.7 s sleeping.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache

from loupebook.errors import EncoderUnavailable

# Read by each OpenMP library as it is loaded, so it is set before torch and FAISS are.
os.environ.setdefault("OMP_WAIT_POLICY", "PASSIVE")

_CARD = re.compile(r"cuda(:\d{1,4})?", re.ASCII)

FAISS_ALONE = 100_000
"""Number of vectors below which one FAISS thread is the fastest for one query."""


def usable_cores() -> int:
    """Cores that this process may use: often fewer than the machine has."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def core_count() -> int:
    """Return how many threads to use: a core each, at most what ``OMP_NUM_THREADS`` allows.

    That may be a list, a number for each level of threads within threads; ours are of the first
    (OpenMP 5.2, section 21.1.2).
    """
    allowed = os.environ.get("OMP_NUM_THREADS", "").partition(",")[0].strip()
    return max(1, min(usable_cores(), int(allowed)) if allowed.isdecimal() else usable_cores())


@cache
def settle_torch() -> None:
    """Give torch all cores of this process, once."""
    import torch

    torch.set_num_threads(core_count())


@contextmanager
def faiss_threads(rows: int) -> Iterator[None]:
    """Run a block with as many FAISS threads as a job over `rows` vectors is worth."""
    import faiss

    before = faiss.omp_get_max_threads()
    faiss.omp_set_num_threads(1 if rows < FAISS_ALONE else core_count())
    try:
        yield
    finally:
        faiss.omp_set_num_threads(before)


def pick_device(name: str) -> str:
    """Turn ``auto``, ``cpu`` or ``cuda`` into a device that exists here.

    Raises
    ------
    EncoderUnavailable
        If the device does not exist here.
    """
    import torch

    if name == "auto":
        return "cuda" if torch.cuda.is_available() else "cpu"
    if name == "cpu":
        return name
    cards = torch.cuda.device_count()
    number = int(name.partition(":")[2] or "0") if _CARD.fullmatch(name) else cards
    if number < cards:
        return name
    there = f", or cuda:0 to cuda:{cards - 1}" if cards else "; there is no CUDA card"
    raise EncoderUnavailable(f"There is no device {name!r} here. Say auto or cpu{there}.")
