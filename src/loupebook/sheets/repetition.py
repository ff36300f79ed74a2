"""When to ask again: the SM-2 rule.

Source: P. A. Wozniak, *Optimization of learning*, Master's thesis, University of Technology
in Poznan, 1990, section 3.2. Its rule: the first interval is 1 day, the second 6, each later
one the last times the easiness factor (rounded up to whole days); easiness starts at 2.5,
changes by ``0.1 - (5 - q)(0.08 + (5 - q) 0.02)`` with the quality q of each answer (0 to 5)
and never falls below 1.3; an answer below 3 starts the intervals anew and leaves the
easiness as it is.

The rule counts repetitions that lie an interval apart, but a lesson may be asked several times
in one sitting, or before it is due. Such an answer is no repetition: a right one leaves the
lesson due when it was, a miss starts its intervals anew.

How a judgement becomes a quality is ours: right answers count 5, 4 or 3 by their confidence,
"cannot tell" counts 2, wrong ones 1 or, where the learner was sure, 0.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from loupebook.records.practice import CANNOT_TELL, Answer

FIRST_EASINESS = 2.5
LEAST_EASINESS = 1.3
FIRST_DAYS, SECOND_DAYS = 1, 6
LEAST_PASSED = 3
SURE, FAIRLY_SURE = 0.9, 0.7
ON_TIME = timedelta(hours=12)
"""How long before a lesson is due an answer counts: who practises every day, an hour sooner or
later, is not early, whatever the time zone; who practises twice in one evening is."""


@dataclass(frozen=True)
class Memory:
    """What is known of how well one lesson sits.

    Parameters
    ----------
    repetitions : int
        Repetitions of quality 3 or more in a row.
    easiness : float
        The easiness factor, at least 1.3.
    days : int
        Interval to the next repetition.
    """

    repetitions: int = 0
    easiness: float = FIRST_EASINESS
    days: int = 0

    def after(self, quality: int) -> Memory:
        """Return the memory after an answer.

        Raises
        ------
        ValueError
            If the quality is not 0 to 5.
        """
        if not 0 <= quality <= 5:
            raise ValueError(f"the quality of an answer is 0 to 5, not {quality}")
        if quality < LEAST_PASSED:
            return Memory(0, self.easiness, FIRST_DAYS)
        easiness = changed_easiness(self.easiness, quality)
        done = self.repetitions + 1
        if done == 1:
            days = FIRST_DAYS
        elif done == 2:
            days = SECOND_DAYS
        else:
            # Rounding errors must not add a day: 2.5 times 6 is 15.
            days = math.ceil(self.days * easiness - 1e-9)
        return Memory(done, easiness, days)


def changed_easiness(easiness: float, quality: int) -> float:
    """Return the easiness factor after an answer of a quality from 0 to 5."""
    lack = 5 - quality
    return max(LEAST_EASINESS, easiness + 0.1 - lack * (0.08 + lack * 0.02))


def quality_of(answer: Answer) -> int:
    """Return the quality of a judgement, 0 to 5; see the module."""
    if answer.given == CANNOT_TELL:
        return 2
    if answer.right:
        return 5 if answer.confidence >= SURE else 4 if answer.confidence >= FAIRLY_SURE else 3
    return 0 if answer.confidence >= SURE else 1


@dataclass(frozen=True)
class Due:
    """When a lesson is to be asked again.

    Parameters
    ----------
    lesson : str
        Which.
    memory : Memory
        How well it sits.
    at : datetime
        From when on.
    """

    lesson: str
    memory: Memory
    at: datetime


def schedule(answers: Iterable[Answer]) -> dict[str, Due]:
    """Return when each lesson is due, from a learner's answers, oldest first."""
    found: dict[str, Due] = {}
    for answer in answers:
        at, quality = datetime.fromisoformat(answer.at), quality_of(answer)
        due = found.get(answer.lesson)
        if due is not None and at < due.at - ON_TIME and quality >= LEAST_PASSED:
            continue
        memory = (due.memory if due else Memory()).after(quality)
        found[answer.lesson] = Due(answer.lesson, memory, at + timedelta(days=memory.days))
    return found
