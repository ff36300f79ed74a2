"""Who may do what in a set that a team works on: persons, the identity they log in by, roles.

A set that lists nobody is a single user's; whoever can open its folder may do everything.
Every change of this list is a line of the log, and the list is held to those lines.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from sqlalchemy import Connection, select

from loupebook.errors import RecordConflict, RecordNotFound
from loupebook.records.catalogue import Catalogue
from loupebook.records.change import Change
from loupebook.records.tables import PersonRow
from loupebook.records.text import clean_name, read_choice, same_person_key, shown


class Role(StrEnum):
    """What a person is in a team."""

    INSPECTOR = "inspector"
    CURATOR = "curator"
    TRAINER = "trainer"
    ADMINISTRATOR = "administrator"


@dataclass(frozen=True)
class Person:
    """One person of a team.

    Parameters
    ----------
    name : str
        What changes are signed with.
    identity : str
        What the identity provider knows the person by: a verified e-mail address, or the
        subject it assigns.
    roles : frozenset of Role
        Empty for somebody who may do nothing any more.
    """

    name: str
    identity: str
    roles: frozenset[Role]


class People:
    """The persons of one set."""

    def __init__(self, catalogue: Catalogue) -> None:
        self._catalogue = catalogue

    def all(self) -> list[Person]:
        """Return everybody, by name."""
        with self._catalogue._reading() as connection:
            return sorted(_listed(connection), key=lambda person: person.name.casefold())

    def with_identity(self, *identities: str) -> Person:
        """Return the person known by one of these identities.

        Raises
        ------
        RecordNotFound
            Nobody is.
        """
        keys = {same_person_key(identity) for identity in identities if identity}
        for person in self.all():
            if same_person_key(person.identity) in keys:
                return person
        raise RecordNotFound("nobody of this set is known by that identity")

    def put(self, name: str, *, identity: str, roles: Iterable[Role], by: str) -> Person:
        """Enter a person, or change identity and roles of one; no roles lock the person out.

        Raises
        ------
        RecordInvalid
            A name or role is not allowed.
        RecordConflict
            The identity belongs to somebody else, or nobody would be administrator any more.
        """
        wanted = Person(
            clean_name(name, "name"),
            clean_name(identity, "identity"),
            frozenset(read_choice(Role, role, "role") for role in roles),
        )
        with self._catalogue._changing(by) as change:
            people = {same_person_key(one.name): one for one in _listed(change.connection)}
            before = people.get(same_person_key(wanted.name))
            if before is not None:
                wanted = Person(before.name, wanted.identity, wanted.roles)
            if before != wanted:
                _require_sound(people, wanted)
                _write(change, before, wanted)
        return wanted


def _listed(connection: Connection) -> list[Person]:
    return [
        Person(row.name, row.identity, frozenset(map(Role, row.roles.split())))
        for row in connection.execute(select(PersonRow.__table__))
    ]


def _require_sound(people: dict[str, Person], wanted: Person) -> None:
    others = [one for one in people.values() if one.name != wanted.name]
    if any(same_person_key(one.identity) == same_person_key(wanted.identity) for one in others):
        raise RecordConflict(
            f"identity: {shown(wanted.identity)} belongs to somebody else of this set",
            field="identity",
        )
    if not any(Role.ADMINISTRATOR in one.roles for one in [*others, wanted]):
        raise RecordConflict(
            "role: somebody must be administrator; give that role to another person first",
            field="role",
        )


def _write(change: Change, before: Person | None, wanted: Person) -> None:
    row = change.session.scalars(select(PersonRow).filter_by(name=wanted.name)).one_or_none()
    values = _plain(wanted)
    if row is None:
        change.session.add(PersonRow(**values))
    else:
        row.identity, row.roles = values["identity"], values["roles"]
    detail = {"before": before and _plain(before), "after": values}
    change.log("set-person", None, detail, counts=False)


def _plain(person: Person) -> dict[str, str]:
    roles = " ".join(sorted(role.value for role in person.roles))
    return {"name": person.name, "identity": person.identity, "roles": roles}
