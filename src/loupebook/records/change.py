"""One change under way: its transaction, its author, and what it put in the log."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, update
from sqlalchemy.orm import Session

from loupebook.records.audit import append_line, canonical, now
from loupebook.records.tables import SetInfoRow

__all__ = ["Change", "now"]


@dataclass
class Change:
    """A transaction that holds the write lock, so that what it reads stays true until its end.

    Parameters
    ----------
    session : Session
        The transaction.
    by : str
        Who makes the change.
    logged : bool
        Whether it has written anything; a change that has not is rolled back.
    counted : bool
        Whether the set's change counter has been moved on.
    """

    session: Session
    by: str
    logged: bool = False
    counted: bool = False

    @property
    def connection(self) -> Connection:
        """The connection of the transaction, with everything written so far visible."""
        self.session.flush()
        return self.session.connection()

    def log(
        self, action: str, specimen: str | None, detail: Mapping[str, Any], *, counts: bool = True
    ) -> None:
        """Append a line to the log; the first line of a change also counts the change.

        Call it after writing what it tells of: the line is bound to what is recorded then.

        Parameters
        ----------
        action : str
            What was done.
        specimen : str or None
            The specimen concerned.
        detail : mapping
            What exactly was written; stored as canonical JSON (sorted keys, no spaces).
        counts : bool
            Whether it changes what the set knows. Work done *with* a set (examinations,
            practice) does not: what was derived from the set stays true.
        """
        if counts and not self.counted:
            counted = SetInfoRow.change_counter + 1
            self.session.execute(update(SetInfoRow).values(change_counter=counted))
            self.counted = True
        append_line(
            self.connection,
            actor=self.by,
            action=action,
            specimen=specimen,
            detail=canonical(detail),
        )
        self.logged = True
