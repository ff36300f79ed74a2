"""What a correction, or a change of state, came to."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Generic, TypeVar

Record = TypeVar("Record")


@dataclass(frozen=True)
class Outcome(Generic[Record]):
    """What a change came to.

    Parameters
    ----------
    record : Record
        What was to be changed, as it is on record now.
    fields : tuple of str
        Which fields of it were written; none where all of it was so already.
    emptied : str, optional
        Specimen that is left without a photo, where its last one was moved away.
    """

    record: Record
    fields: tuple[str, ...] = ()
    emptied: str | None = None

    @property
    def changed(self) -> bool:
        """Whether anything was written; where not, the log has no line of it."""
        return bool(self.fields)
