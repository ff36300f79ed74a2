"""Examinations on their way into a set: saved beside the pages, so that leaving one loses none.

Saves follow each other, one at a time: whoever saves the same twice meets the first one on
record when the second comes to its turn.
"""

from __future__ import annotations

from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from threading import Lock
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path


@dataclass(frozen=True)
class Outcome:
    """What became of a save.

    Parameters
    ----------
    number : int
        Of the examination.
    again : bool
        Whether it was on record already, and nothing was saved.
    """

    number: int
    again: bool


@dataclass(frozen=True)
class Job:
    """One save under way or done; `mark` is the same for two saves of the same thing."""

    folder: Path
    mark: object
    title: str
    future: Future[Outcome]


class Saving:
    """The saves of this process."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._running: list[Job] = []
        self._worker = ThreadPoolExecutor(1, thread_name_prefix="saving")

    def start(self, folder: Path, mark: object, title: str, work: Callable[[], Outcome]) -> Job:
        """Start a save, or return the one of the same thing that is under way."""
        with self._lock:
            for job in self._still_running():
                if (job.folder, job.mark) == (folder, mark):
                    return job
            job = Job(folder, mark, title, self._worker.submit(work))
            self._running.append(job)
            return job

    def running(self, folder: Path) -> list[Job]:
        """Return the saves into one set that are under way."""
        with self._lock:
            return [job for job in self._still_running() if job.folder == folder]

    def _still_running(self) -> list[Job]:
        self._running = [job for job in self._running if not job.future.done()]
        return self._running


SAVING = Saving()
