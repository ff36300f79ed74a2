"""Who may do what: one table of actions and roles, and a library that holds a person to it.

``Library.open(folder, person=…)`` returns the same library seen through the person's roles:
every public method belongs to an action, and a method of no action is refused, so that a
new one cannot slip through. Without a person everything is allowed: then whoever can open
the folder could change its files anyway.
"""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable, Mapping
from types import TracebackType
from typing import TYPE_CHECKING, Any, cast

from loupebook.errors import NotAllowed
from loupebook.records.people import Person, Role
from loupebook.records.text import same_person_key

if TYPE_CHECKING:
    from loupebook.library.facade import Library

_I, _C, _T, _A = Role.INSPECTOR, Role.CURATOR, Role.TRAINER, Role.ADMINISTRATOR
_ALL = frozenset(Role)

ACTIONS: Mapping[str, frozenset[Role]] = {
    "look": _ALL,
    "search": _ALL,
    "examine": frozenset({_I, _C}),
    "sheet": frozenset({_I, _C, _T}),
    "point": frozenset({_C, _T}),
    "practise": _ALL,
    "teach": frozenset({_T}),
    "add": frozenset({_C}),
    "confirm": frozenset({_C}),
    "edit": frozenset({_C}),
    "withdraw": frozenset({_C}),
    "undo": frozenset({_C}),
    "export": frozenset({_C}),
    "import": frozenset({_C}),
    "rebuild": frozenset({_C, _A}),
    "verify": frozenset({_C, _A}),
    "settings": frozenset({_A}),
    "people": frozenset({_A}),
}
"""Action → the roles that may do it. An administrator keeps the house, not the references."""

SAYS: Mapping[str, str] = {
    "look": "look at the set",
    "search": "search and compare",
    "examine": "save examinations",
    "sheet": "save comparison sheets",
    "point": "draw points of comparison",
    "practise": "practise",
    "teach": "make practice and its sheets",
    "add": "add specimens",
    "confirm": "confirm specimens",
    "edit": "edit records",
    "withdraw": "withdraw and reinstate specimens",
    "undo": "take changes back",
    "export": "export",
    "import": "import",
    "rebuild": "rebuild derived files",
    "verify": "verify the set",
    "settings": "change how the set works",
    "people": "say who may do what",
}
"""What an action is called in a sentence after "may not"."""

METHODS: Mapping[str, str] = {
    **dict.fromkeys(
        (
            "agreement", "close", "consensus_picture", "count_specimens", "designs", "encoder",
            "field_history", "folder", "history", "info", "kept_report", "log", "overview", "photo",
            "photo_bytes", "photo_by_sha256", "photo_glance", "photo_pixels", "photos",
            "points.get", "points.of", "points_for",
            "reference_serials", "report", "sheet_source", "sheets.saved",
            "sheets.state", "specimen", "specimens", "thumbnail",
        ),
        "look",
    ),
    **dict.fromkeys(
        (
            "arms", "compare", "compare_found", "desk", "examinations.check",
            "examinations.check_all", "examinations.fault_lines", "examinations.image",
            "examinations.lines",
            "examinations.open", "examinations.print", "examinations.rerun",
            "examinations.thumbnail", "search",
            "sheets.make", "sync",
        ),
        "search",
    ),
    **dict.fromkeys(
        ("examinations.same", "examinations.save", "examinations.supplement"), "examine"
    ),
    **dict.fromkeys(("sheets.keep_made", "sheets.make_saved", "sheets.save"), "sheet"),
    **dict.fromkeys(
        (
            "practice.answer", "practice.answers", "practice.designs", "practice.due",
            "practice.explain", "practice.genuine_beside", "practice.just_seen",
            "practice.learners",
            "practice.look_ahead", "practice.photo", "practice.round", "practice.rounds",
            "practice.scores", "practice.sit",
        ),
        "practise",
    ),
    **dict.fromkeys(("practice.make_round", "practice.quiz"), "teach"),
    **dict.fromkeys(("points.add", "points.retire", "take_in_points"), "point"),
    **dict.fromkeys(
        (
            "add_files", "add_manifest", "add_specimen", "drafts.all", "drafts.begin",
            "drafts.discard", "drafts.get", "drafts.photo_bytes", "drafts.save",
            "drafts.take_in", "entry_remarks",
        ),
        "add",
    ),
    "confirm": "confirm",
    **dict.fromkeys(("edit_photo", "edit_specimen"), "edit"),
    **dict.fromkeys(("reinstate", "withdraw"), "withdraw"),
    "undo": "undo",
    "edit_set": "settings",
    **dict.fromkeys(("export_bag", "export_folder"), "export"),
    "import_bag": "import",
    "rebuild": "rebuild",
    "verify": "verify",
    **dict.fromkeys(("people", "set_person"), "people"),
}  # fmt: skip
"""Public method or property of `Library` → its action; `part.method` for those of a part."""

PARTS = frozenset(name.partition(".")[0] for name in METHODS if "." in name)
"""Properties that are objects with methods of their own."""
SIGNED = ("by", "learner", "examiner")
"""Parameters by which a method takes the name that a change is signed with."""

TEACHERS_READ = frozenset({"practice.answers", "practice.due", "practice.scores"})
"""What learners read of themselves only, and whoever may teach reads of all."""


def roles_allow(roles: frozenset[Role], action: str) -> bool:
    """Return whether any of the roles may do the action."""
    return bool(roles & ACTIONS[action])


def acting(library: Library, person: Person) -> Library:
    """Return the library as that person may use it; changes are signed with their name."""
    return cast("Library", _Acting(library, person))


class _Guarded:
    """A library, or a part of one, seen through one person's roles."""

    def __init__(self, target: Any, person: Person, prefix: str) -> None:
        self._target = target
        self._person = person
        self._prefix = prefix

    def __getattr__(self, name: str) -> Any:
        if not self._prefix and name in PARTS:
            return _Guarded(getattr(self._target, name), self._person, f"{name}.")
        action = METHODS.get(self._prefix + name)
        if action is None or not roles_allow(self._person.roles, action):
            raise NotAllowed(_refusal(self._person, action))
        found = getattr(self._target, name)
        reads_all = self._prefix + name in TEACHERS_READ and roles_allow(
            self._person.roles, "teach"
        )
        return self._signed(found) if callable(found) and not reads_all else found

    def _signed(self, method: Callable[..., Any]) -> Callable[..., Any]:
        signature = inspect.signature(method)
        names = [name for name in SIGNED if name in signature.parameters]
        if not names:
            return method

        @functools.wraps(method)
        def signed(*args: Any, **keywords: Any) -> Any:
            given = signature.bind_partial(*args, **keywords)
            for name in names:
                self._refuse_other_name(given.arguments.get(name))
                given.arguments[name] = self._person.name
            return method(*given.args, **given.kwargs)

        return signed

    def _refuse_other_name(self, name: str | None) -> None:
        if name is not None and same_person_key(name) != same_person_key(self._person.name):
            raise NotAllowed(
                f"{self._person.name} cannot sign as {name!r}: changes bear the name of the "
                "one who is logged in"
            )


class _Acting(_Guarded):
    """A whole library seen through one person's roles; it shares everything with the other."""

    def __init__(self, library: Library, person: Person) -> None:
        super().__init__(library, person, "")

    @property
    def person(self) -> Person:
        return self._person

    def may(self, action: str) -> bool:
        return roles_allow(self._person.roles, action)

    def __enter__(self) -> _Acting:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._target.close()


def _refusal(person: Person, action: str | None) -> str:
    if action is None:
        return f"{person.name} may not do this: it belongs to no action that a role allows."
    allowed = " or ".join(sorted(ACTIONS[action]))
    roles = ", ".join(sorted(person.roles)) or "without any role"
    return (
        f"{person.name} ({roles}) may not {SAYS[action]}: that takes the role {allowed}. "
        "An administrator of the set can give it."
    )
