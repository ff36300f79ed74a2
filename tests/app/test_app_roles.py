"""Roles through the pages: what is not allowed is not offered, and a stale page cannot do it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from app_driver import PAGES, ToldLibrary, opened, told
from streamlit.testing.v1 import AppTest

from drawn_prints import as_bytes, draw_print
from loupebook.library import (
    ACTIONS,
    Basis,
    Element,
    IncomingPhoto,
    IntakeState,
    Library,
    Person,
    Role,
    SpecimenRecord,
    Standing,
)

PAGES["confirm"] = "views/confirm.py"
PAGES["upkeep"] = "views/upkeep.py"


class Visitor:
    """Whoever sits at the page, with roles that may change between two clicks."""

    roles: frozenset[Role] = frozenset(Role)


@pytest.fixture
def visitor(monkeypatch: pytest.MonkeyPatch, library: Library) -> Visitor:
    import parts.current_set

    made = Visitor()

    def seen_by(opened: Library) -> Library | None:
        person = Person("V. Example", "v@example.org", made.roles)
        return opened.as_person(person) if made.roles else None

    monkeypatch.setattr(parts.current_set, "seen_by", seen_by)
    monkeypatch.setattr("streamlit.logout", lambda: None)
    return made


@pytest.fixture
def library(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Library:
    made = Library.create(tmp_path / "set", name="S")
    for name, state in (("A", IntakeState.CONFIRMED), ("B", IntakeState.PROPOSED)):
        record = SpecimenRecord(name, Element.BAND, Standing.GENUINE, state=state)
        made.add_specimen(record, [IncomingPhoto(as_bytes(draw_print(ord(name))), "x.png")], by="m")
    made.edit_specimen("A", {"notes": "first"}, by="m", reason="r")
    made.set_person("Root", identity="root", roles=[Role.ADMINISTRATOR], by="m")
    told(monkeypatch, tmp_path / "set")
    return made


def at_specimen(name: str) -> AppTest:
    def go(at: AppTest) -> None:
        at.query_params["specimen"] = name

    return opened("library", go)


def button(at: AppTest, label: str) -> Any:
    return next((one for one in at.button if one.label.startswith(label)), None)


def fill(at: AppTest, label: str, value: str) -> None:
    next(one for one in at.text_input if one.label == label).set_value(value)


def ready_to_add() -> tuple[AppTest, str]:
    at = opened("add")
    at.file_uploader[0].upload("n.png", as_bytes(draw_print(9)), "image/png")
    at.run()
    fill(at, "Name of the specimen *", "N")
    next(one for one in at.radio if one.label == "Element *").set_value(Element.CAP)
    next(one for one in at.radio if one.label == "Standing *").set_value(Standing.FAKE)
    return at.run(), "Save with"


def ready_to_confirm() -> tuple[AppTest, str]:
    at = at_specimen("B")
    next(one for one in at.selectbox if one.label == "On what grounds *").select(Basis.COURT)
    return at, "Confirm"


def ready_to_edit() -> tuple[AppTest, str]:
    at = at_specimen("A")
    next(one for one in at.radio if one.label == "Standing").set_value(Standing.FAKE)
    fill(at, "Why", "r")
    return at, "Save the changes"


def ready_to_withdraw() -> tuple[AppTest, str]:
    at = at_specimen("A")
    fill(at, "Reason", "r")
    return at, "Withdraw"


def ready_to_undo() -> tuple[AppTest, str]:
    at = at_specimen("A")
    at.selectbox(key="undo-line-A").select_index(0)
    fill(at, "Why it is taken back", "r")
    return at, "Take it back"


def ready_to_export() -> tuple[AppTest, str]:
    return opened("upkeep"), "Make the bag"


def ready_to_enter_a_person() -> tuple[AppTest, str]:
    at = opened("upkeep")
    fill(at, "Name", "New")
    fill(at, "Logs in by", "new@example.org")
    return at, "Enter or change"


READY: dict[str, Callable[[], tuple[AppTest, str]]] = {
    "add": ready_to_add,
    "confirm": ready_to_confirm,
    "edit": ready_to_edit,
    "withdraw": ready_to_withdraw,
    "undo": ready_to_undo,
    "export": ready_to_export,
    "people": ready_to_enter_a_person,
}


def everything(library: Library) -> tuple[Any, ...]:
    return (library.log(), library.specimens(), library.photos(), library.people())


@pytest.mark.parametrize("action", READY)
def test_whoever_may_does_it_from_the_page(action: str, library: Library, visitor: Visitor) -> None:
    at, label = READY[action]()
    before = everything(library)
    button(at, label).click().run()
    assert not at.exception
    if action == "export":
        assert "specimen" in at.success[0].value
    else:
        assert everything(library) != before
        assert library.log()[-1].actor == "V. Example"


@pytest.mark.parametrize("action", READY)
def test_a_page_that_was_open_when_the_role_was_taken_away_does_nothing(
    action: str, library: Library, visitor: Visitor
) -> None:
    at, label = READY[action]()
    before = everything(library)
    visitor.roles = frozenset(Role) - ACTIONS[action]
    button(at, label).click().run()
    assert not at.exception
    assert everything(library) == before
    assert "bag-made" not in at.session_state


OFFERED = {
    "Save with": "add",
    "Withdraw": "withdraw",
    "Save the changes": "edit",
    "Take it back": "undo",
    "Make the bag": "export",
    "Check the set": "verify",
    "Enter or change": "people",
}


@pytest.mark.parametrize("role", [*Role, None], ids=str)
def test_each_role_is_offered_what_it_may_and_nothing_else(
    role: Role | None, library: Library, visitor: Visitor
) -> None:
    seen = set()
    visitor.roles = frozenset(Role)
    pages = [at_specimen("A"), opened("upkeep"), opened("add")]
    visitor.roles = frozenset([role] if role else [])
    for at in pages:
        at.run()
        assert not at.exception
        seen |= {one.label for one in at.button}
    for label, action in OFFERED.items():
        offered = any(one.startswith(label) for one in seen)
        assert offered == (role in ACTIONS[action]), (label, role)


def test_a_check_is_of_the_set_as_it_was_then(
    library: Library, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Without an encoder there are none to check.
    monkeypatch.setattr(ToldLibrary, "arms", lambda _: [])
    at = opened("upkeep")
    button(at, "Check the set").click().run()
    assert any(one.value.startswith("Checked ") for one in at.caption)
    library.edit_specimen("A", {"notes": "second"}, by="m", reason="r")
    at.run()
    assert not [*at.success, *at.warning, *at.error]
    assert any("another state of the set" in one.value for one in at.caption)


def test_what_waits_can_be_looked_at_without_its_lost_photo(library: Library) -> None:
    sha256 = library.photos("B")[0].sha256
    (library.folder / "photos" / sha256[:2] / sha256).unlink()
    at = opened("confirm")
    assert "x\\.png of B" in at.warning[0].value
    at.session_state["confirming"] = "B"
    at.run()
    assert not at.exception
    assert "x\\.png cannot be shown" in at.error[0].value
    assert "Confirm" in [button.label for button in at.button]
