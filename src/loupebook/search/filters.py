"""Filters of a search: what is allowed, and which photos pass."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, fields
from enum import StrEnum
from typing import TypeVar

from loupebook.errors import QueryInvalid
from loupebook.records.model import (
    Element,
    IntakeState,
    Lighting,
    PhotoFacts,
    Standing,
    View,
)

_Choice = TypeVar("_Choice", bound=StrEnum)


@dataclass(frozen=True)
class Filters:
    """What a search is limited to; `None` means "any".

    Parameters
    ----------
    element, view, lighting, marque, standing
        A photo passes if it has exactly this value.
    without : collection of str
        Names of specimens that are left out.
    """

    element: Element | None = None
    view: View | None = None
    lighting: Lighting | None = None
    marque: str | None = None
    standing: Standing | None = None
    without: Collection[str] = ()

    @classmethod
    def checked(
        cls,
        facts: Mapping[int, PhotoFacts],
        *,
        element: str | None = None,
        view: str | None = None,
        lighting: str | None = None,
        marque: str | None = None,
        standing: str | None = None,
        without: Collection[str] = (),
    ) -> Filters:
        """Build filters from words.

        Raises
        ------
        QueryInvalid
            If a word is not allowed; the message lists those that are.
        """
        if marque is not None:
            known = {fact.marque for fact in facts.values() if fact.marque is not None}
            if marque not in known:
                listed = ", ".join(sorted(known)) or "none: no photo of this set has a marque"
                raise QueryInvalid(
                    f"There is no marque {marque!r} in this set. There are: {listed}."
                )
        return cls(
            element=_choice(Element, "element", element),
            view=_choice(View, "view", view),
            lighting=_choice(Lighting, "lighting", lighting),
            marque=marque,
            standing=_choice(Standing, "standing", standing),
            without=frozenset(without),
        )

    def passes(self, fact: PhotoFacts) -> bool:
        """Whether a photo may be found; only confirmed specimens ever are."""
        return (
            fact.state is IntakeState.CONFIRMED
            and (self.element is None or fact.element is self.element)
            and (self.view is None or fact.view is self.view)
            and (self.lighting is None or fact.lighting is self.lighting)
            and (self.marque is None or fact.marque == self.marque)
            and (self.standing is None or fact.standing is self.standing)
            and fact.specimen not in self.without
        )

    def describe(self) -> str:
        """Say in words what is asked for, for an empty answer."""
        named = [
            f"{field.name} {getattr(self, field.name)}"
            for field in fields(self)
            if field.name != "without" and getattr(self, field.name) is not None
        ]
        if self.without:
            named.append(f"without {', '.join(sorted(self.without))}")
        return ", ".join(named)


def _choice(kind: type[_Choice], field: str, word: str | None) -> _Choice | None:
    if word is None:
        return None
    try:
        return kind(word)
    except ValueError as exc:
        allowed = ", ".join(kind)
        raise QueryInvalid(f"{field} {word!r} is not known. Allowed: {allowed}.") from exc
