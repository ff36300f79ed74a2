"""Every action tried by every role, through the library; nothing forbidden succeeds."""

from __future__ import annotations

import inspect
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from drawn_prints import as_bytes, draw_print
from loupebook.errors import LoupebookError, NotAllowed, RecordConflict, RecordNotFound
from loupebook.library import (
    ACTIONS,
    Element,
    IncomingPhoto,
    Library,
    Person,
    Role,
    SpecimenRecord,
    Standing,
)
from loupebook.library.people import METHODS, PARTS, SIGNED

EXPECTED = {
    # action:      inspector, curator, trainer, administrator
    "look": "ICTA",
    "search": "ICTA",
    "practise": "ICTA",
    "examine": "IC",
    "sheet": "ICT",
    "point": "CT",
    "teach": "T",
    "add": "C",
    "confirm": "C",
    "edit": "C",
    "withdraw": "C",
    "undo": "C",
    "export": "C",
    "import": "C",
    "rebuild": "CA",
    "verify": "CA",
    "settings": "A",
    "people": "A",
}
"""The table once more, written by hand: a slip in the other one does not pass unseen."""


@dataclass(frozen=True)
class Trial:
    action: str
    act: Callable[[Library, Path], Any]


def specimen(name: str) -> SpecimenRecord:
    return SpecimenRecord(name, Element.BAND, Standing.GENUINE)


def photo(seed: int) -> IncomingPhoto:
    return IncomingPhoto(as_bytes(draw_print(seed, 96)), f"{seed}.png")


TRIALS = {
    "specimens": Trial("look", lambda lib, _: lib.specimens()),
    "photo_bytes": Trial("look", lambda lib, _: lib.photo_bytes(1)),
    "points.of": Trial("look", lambda lib, _: lib.points.of()),
    "add_specimen": Trial(
        "add", lambda lib, _: lib.add_specimen(specimen("N"), [photo(9)], by="P")
    ),
    "add_files": Trial("add", lambda lib, to: lib.add_files([to], specimen, by="P")),
    "drafts": Trial("add", lambda lib, _: lib.drafts.begin(by="P")),
    "confirm": Trial("confirm", lambda lib, _: lib.confirm("B", by="P", basis="court")),
    "edit_specimen": Trial(
        "edit", lambda lib, _: lib.edit_specimen("A", {"notes": "n"}, by="P", reason="r")
    ),
    "edit_photo": Trial(
        "edit", lambda lib, _: lib.edit_photo(1, {"view": "back"}, by="P", reason="r")
    ),
    "withdraw": Trial("withdraw", lambda lib, _: lib.withdraw("A", by="P", reason="r")),
    "reinstate": Trial("withdraw", lambda lib, _: lib.reinstate("A", by="P")),
    "undo": Trial("undo", lambda lib, _: lib.undo(4, by="P", reason="r")),
    "export_bag": Trial("export", lambda lib, to: lib.export_bag(to / "bag", by="P")),
    "export_folder": Trial("export", lambda lib, to: lib.export_folder(to / "plain", by="P")),
    "import_bag": Trial("import", lambda lib, to: lib.import_bag(to / "bag", by="P")),
    "edit_set": Trial("settings", lambda lib, _: lib.edit_set({"name": "N"}, by="P", reason="r")),
    "people": Trial("people", lambda lib, _: lib.people()),
    "set_person": Trial(
        "people", lambda lib, _: lib.set_person("Q", identity="q", roles=["inspector"], by="P")
    ),
    "points.add": Trial(
        "point",
        lambda lib, _: lib.points.add(
            1, [(1, 1), (50, 1), (50, 50)], title="t", genuine_shows="g", by="P"
        ),
    ),
}


@pytest.fixture(scope="module")
def made_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("people")
    made = Library.create(folder / "set", name="S")
    made.add_specimen(
        SpecimenRecord("A", Element.BAND, Standing.GENUINE, marque="M", edition="E"),
        [photo(1)],
        by="me",
    )
    made.add_specimen(
        SpecimenRecord("B", Element.BAND, Standing.GENUINE, state="proposed"), [photo(2)], by="me"
    )
    made.withdraw("B", by="me", reason="r")
    made.reinstate("B", by="me")
    made.set_person("Root", identity="root", roles=[Role.ADMINISTRATOR], by="me")
    made.export_bag(folder / "given" / "bag", by="me")
    made.close()
    return folder


@pytest.fixture
def library(made_once: Path, tmp_path: Path) -> Library:
    shutil.copytree(made_once, tmp_path, dirs_exist_ok=True)
    return Library.open(tmp_path / "set")


def acting(library: Library, *roles: Role) -> Library:
    return Library.open(library.folder, person=Person("P", "p@example.org", frozenset(roles)))


def everything(library: Library) -> tuple[Any, ...]:
    files = sorted(str(path) for path in library.folder.rglob("*") if "sqlite" not in path.name)
    return (library.log(), library.specimens(), library.photos(), library.people(), files)


def test_the_table_is_what_was_meant() -> None:
    letters = {"I": Role.INSPECTOR, "C": Role.CURATOR, "T": Role.TRAINER, "A": Role.ADMINISTRATOR}
    meant = {action: {letters[one] for one in roles} for action, roles in EXPECTED.items()}
    assert {action: set(roles) for action, roles in ACTIONS.items()} == meant


def test_every_public_method_belongs_to_an_action() -> None:
    ours = {"create", "open", "may", "person", "as_person", "person_of"}
    public = {name for name in dir(Library) if not name.startswith("_")}
    direct = {name for name in METHODS if "." not in name}
    assert public - ours - PARTS == direct
    assert set(METHODS.values()) <= set(ACTIONS)


def test_every_method_that_signs_takes_the_name_by_one_of_these_parameters(
    library: Library,
) -> None:
    for name in METHODS:
        part, _, rest = name.partition(".")
        target = getattr(library, part) if rest else Library
        method = getattr(target, rest or part)
        if callable(method):
            parameters = set(inspect.signature(method).parameters)
            assert not parameters & {"actor", "who", "signed_by", "confirmed_by"}, name
    assert set(SIGNED) == {"by", "learner", "examiner"}


@pytest.mark.parametrize("role", [*Role, None], ids=str)
@pytest.mark.parametrize("name", TRIALS)
def test_each_role_may_do_what_the_table_says_and_nothing_else(
    library: Library, tmp_path: Path, name: str, role: Role | None
) -> None:
    trial = TRIALS[name]
    person = acting(library, *([role] if role else []))
    place = tmp_path / "given" if name == "import_bag" else tmp_path / "made"
    before = everything(library)
    if role is not None and role in ACTIONS[trial.action]:
        trial.act(person, place)
        assert person.may(trial.action)
    else:
        with pytest.raises(NotAllowed, match="P"):
            trial.act(person, place)
        assert not person.may(trial.action)
        assert everything(library) == before
        assert not (tmp_path / "made").exists()


def test_changes_bear_the_name_of_who_is_logged_in(library: Library) -> None:
    curator = acting(library, Role.CURATOR)
    curator.withdraw("A", by=" p ", reason="r")
    assert library.log()[-1].actor == "P"
    with pytest.raises(NotAllowed, match="cannot sign"):
        curator.reinstate("A", by="somebody else")
    assert library.specimen("A").state == "withdrawn"


def test_learners_read_their_own_answers_and_who_teaches_reads_all(library: Library) -> None:
    learner, teacher = acting(library, Role.INSPECTOR), acting(library, Role.TRAINER)
    assert learner.practice.due("P") == []
    for name in ("answers", "scores"):
        getattr(learner.practice, name)()
        getattr(teacher.practice, name)(learner="somebody else")
        with pytest.raises(NotAllowed, match="cannot sign"):
            getattr(learner.practice, name)(learner="somebody else")


def test_nothing_of_the_inside_can_be_reached_past_the_roles(library: Library) -> None:
    inspector = acting(library, Role.INSPECTOR)
    for name in ("_catalogue", "create", "unheard_of", "as_person"):
        with pytest.raises((NotAllowed, AttributeError)):
            getattr(inspector, name)
    with pytest.raises(NotAllowed):
        _ = inspector.points._catalogue


def test_several_roles_add_up_and_none_locks_out(library: Library) -> None:
    both = acting(library, Role.TRAINER, Role.ADMINISTRATOR)
    assert both.may("people")
    assert both.may("point")
    assert not both.may("confirm")
    library.set_person("P", identity="p", roles=[Role.CURATOR], by="Root")
    assert library.person_of("p").roles == {Role.CURATOR}
    library.set_person("P", identity="p", roles=[], by="Root")
    with pytest.raises(NotAllowed):
        library.as_person(library.person_of("p")).specimens()


def test_people_are_known_by_one_identity_each(library: Library) -> None:
    library.set_person("P", identity="p@example.org", roles=[Role.CURATOR], by="Root")
    assert library.person_of("", "P@Example.org").name == "P"
    with pytest.raises(RecordConflict, match="somebody else"):
        library.set_person("Q", identity="P@EXAMPLE.ORG", roles=[], by="Root")
    with pytest.raises(RecordConflict, match="administrator"):
        library.set_person("Root", identity="root", roles=[], by="Root")
    with pytest.raises(RecordNotFound):
        library.person_of("nobody@example.org")
    with pytest.raises(LoupebookError):
        library.set_person("R", identity="r", roles=["owner"], by="Root")
