"""The one place where threads and devices are chosen, for torch, FAISS and OpenCV alike.

torch and FAISS each bring their own thread pool; left alone, both take every core and get
in each other's way. FAISS runs a single query on one thread below :data:`FAISS_ALONE` rows,
where a second one costs more than it brings (measured on 2 cores).

A thread of theirs that waits spins by default, and takes a core from whoever has work: with
other jobs on 2 cores, a batch of 12 took 2.0 s spinning and 0.7 s sleeping.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache

from loupebook.errors import EncoderUnavailable

# Read by each OpenMP library as it is loaded, so it is set before torch and FAISS are.
os.environ.setdefault("OMP_WAIT_POLICY", "PASSIVE")

FAISS_ALONE = 100_000
"""Number of vectors below which one FAISS thread is the fastest for one query."""


def core_count() -> int:
    """Cores that this process may use, at most as many as ``OMP_NUM_THREADS`` allows."""
    if hasattr(os, "sched_getaffinity"):
        cores = len(os.sched_getaffinity(0))
    else:
        cores = os.cpu_count() or 1
    allowed = os.environ.get("OMP_NUM_THREADS", "")
    return max(1, min(cores, int(allowed)) if allowed.isdecimal() else cores)


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
    kind = name.partition(":")[0]
    if kind == "cpu" or (kind == "cuda" and torch.cuda.is_available()):
        return name
    raise EncoderUnavailable(
        f"Device {name!r} is not to be had here. Use 'auto', 'cpu' or, with a CUDA card, 'cuda'."
    )
