"""What a photo teaches, in words: names of designs, of lessons, and of points in results.

Earlier versions named a design by its edition alone, so that editions of two makers, or a band
and a seal, were one lesson where they shared a name. Answers are never changed; they are read
by the name that they would be given now, so that a learner's schedule goes on.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Protocol

from loupebook.records import Answer
from loupebook.records.model import Element, PhotoFacts, Standing
from loupebook.records.text import design_phrase


class Designed(Protocol):
    """What bears a design; facts of a photo and records of specimens tell it."""

    @property
    def marque(self) -> str | None:
        """Its maker, where recorded."""

    @property
    def edition(self) -> str | None:
        """Its design, where recorded."""

    @property
    def element(self) -> Element:
        """Kind of item."""


def design_words(item: Designed) -> str:
    """Return marque, edition and element as one phrase; what the edition names is not repeated."""
    edition = item.edition or "edition not recorded"
    after = "" if str(item.element) in edition.split() else f", {item.element}"
    return f"{design_phrase(item.marque, edition)}{after}"


def lesson_of(fact: PhotoFacts) -> str:
    """Return what a photo teaches: a design as it is, or as one press copies it."""
    return f"{design_words(fact)}: {_whose(fact)}"


def point_words(fact: PhotoFacts, point: str) -> str:
    """Return what a point of the design that a photo shows is called in results."""
    return f"{design_words(fact)}: {point}"


def as_named_now(answer: Answer, fact: PhotoFacts | None) -> Answer:
    """Return an answer with its lesson and points named as they are now.

    Parameters
    ----------
    answer : Answer
        As recorded.
    fact : PhotoFacts, optional
        Of the photo that was asked about; `None` where the set no longer holds it.
    """
    if fact is None or answer.lesson != f"{fact.edition}: {_whose(fact)}":
        return answer
    before = f"{fact.edition}: "
    places = {
        point_words(fact, name.removeprefix(before)) if name.startswith(before) else name: became
        for name, became in answer.places.items()
    }
    return replace(answer, lesson=lesson_of(fact), places=places)


def _whose(fact: PhotoFacts) -> str:
    if fact.standing is Standing.GENUINE:
        return "genuine"
    return fact.origin or "press not known"
