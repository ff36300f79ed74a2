"""What every page that compares must say."""

from __future__ import annotations

NOT_PROOF = (
    "This page compares. A near match to a genuine reference proves little: good copies lie near "
    "genuine references too. It does not say that any item is genuine. Defer to the rights holder, "
    "the law of the place and a qualified examiner who holds the item itself."
)
UV_CAUTION = (
    "UV-A lamps harm eyes and skin: never look into the lamp or at its reflection, wear "
    "UV-blocking glasses, keep the beam off skin, and keep other people away from it."
)


def cautions(*, uv: bool) -> list[str]:
    """Return the cautions of a page."""
    return [NOT_PROOF, *([UV_CAUTION] if uv else [])]
