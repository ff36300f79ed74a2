"""The chained log: whatever is altered in photo, row or line is found; old sets join in."""

from __future__ import annotations

import hashlib
import json
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from records_material import photo_of, specimen_of

from loupebook.records.catalogue import Catalogue
from loupebook.records.engine import open_engine
from loupebook.records.examinations import Examinations
from loupebook.records.migrations import MIGRATIONS, bring_up_to_date
from loupebook.records.model import Camera, Provenance, Serial
from loupebook.records.people import People
from loupebook.records.points import Points
from loupebook.records.verify import DamageKind

TABLES = (
    *("set_info", "marque", "edition", "print_origin", "specimen", "serial", "photo", "event"),
    *("person", "point", "examination"),
)
FREE = {
    # A number that nothing refers to; what the log says of a point and of an examination by
    # its own line (who, when), and by the digest of the document (title).
    ("person", "id"),
    *(("point", column) for column in ("at", "by", "edition_id", "retired_at")),
    *(("examination", column) for column in ("id", "title", "at", "by")),
}
"""Cells that are not held; everything else is."""


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("audited") / "set"
    with Catalogue.create(folder, name="S", notice="n") as catalogue:
        for number in range(3):
            catalogue.add_specimen(
                specimen_of(
                    f"S{number}",
                    marque="M",
                    edition="E",
                    origin="O",
                    notes="seen",
                    provenance=Provenance("shop", "C", "2026-01-02", "letter"),
                    serials=(Serial("123", "left"), Serial("124", "right")),
                ),
                [
                    photo_of(
                        (number, 0),
                        captured_at="2026-01-02T03:04:05",
                        camera=Camera("a", "b", "c"),
                        px_per_mm=20.5,
                    )
                ],
                by="me",
            )
        catalogue.withdraw("S2", by="you", reason="doubt")
        square = [(10.0, 10.0), (90.0, 10.0), (90.0, 90.0)]
        points = Points(catalogue)
        points.add(1, square, title="Eye", genuine_shows="open", copies_show="shut", by="me")
        Examinations(catalogue).save("T", {"a": 1}, (), by="me")
        People(catalogue).put("You", identity="you@example.org", roles=["administrator"], by="me")
    return folder


@pytest.fixture
def folder(sound: Path, tmp_path: Path) -> Path:
    shutil.copytree(sound, tmp_path / "set")
    return tmp_path / "set"


def raw(folder: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(folder / "catalogue.sqlite", isolation_level=None)
    connection.execute("PRAGMA ignore_check_constraints = ON")
    for trigger in (
        *("event_no_update", "event_no_delete"),
        *("examination_no_update", "examination_no_delete"),
    ):
        connection.execute(f"DROP TRIGGER IF EXISTS {trigger}")
    return connection


def cells(folder: Path) -> Iterator[tuple[str, str, int]]:
    with closing(raw(folder)) as connection:
        for table in TABLES:
            columns = [row[1] for row in connection.execute(f"PRAGMA table_info({table})")]
            for (row_id,) in connection.execute(f"SELECT id FROM {table}").fetchall():
                for column in columns:
                    if (table, column) not in FREE:
                        yield table, column, row_id


def altered(value: object) -> object:
    if isinstance(value, int):
        return value + 1000
    if isinstance(value, float):
        return value + 0.5
    if not value:
        return "x"
    # The last letter by one bit: the smallest change there is (a lower bit would make one
    # name of this material into another, which the file itself refuses).
    return str(value)[:-1] + chr(ord(str(value)[-1]) ^ 8)


def test_every_cell_of_every_row_and_line_is_held(folder: Path) -> None:
    unseen = []
    places = list(cells(folder))
    assert len(places) > 150
    whole = (folder / "catalogue.sqlite").read_bytes()
    for table, column, row_id in places:
        with closing(raw(folder)) as connection:
            (value,) = connection.execute(
                f"SELECT {column} FROM {table} WHERE id = ?", (row_id,)
            ).fetchone()
            connection.execute(
                f"UPDATE {table} SET {column} = ? WHERE id = ?", (altered(value), row_id)
            )
        if not found(folder):
            unseen.append((table, column, row_id))
        for name in ("catalogue.sqlite", "catalogue.sqlite-wal", "catalogue.sqlite-shm"):
            (folder / name).unlink(missing_ok=True)
        (folder / "catalogue.sqlite").write_bytes(whole)
    assert unseen == []


def found(folder: Path) -> bool:
    from loupebook.errors import LoupebookError

    try:
        with Catalogue.open(folder) as catalogue:
            return not catalogue.verify().ok
    except LoupebookError:
        return True  # the damage is such that the set cannot even be read


@pytest.mark.parametrize(
    ("statement", "told"),
    [
        ("DELETE FROM event WHERE id = 2", "line 2 should"),
        ("DELETE FROM event WHERE id = 7", "missing at the end"),
        ("UPDATE event SET detail = replace(detail, 'shop', 'ship') WHERE id = 1", "line 1 was"),
        ("UPDATE specimen SET standing = 'fake' WHERE id = 1", "its record, a serial"),
        ("UPDATE specimen SET state = 'confirmed' WHERE id = 3", "its record, a serial"),
        ("DELETE FROM serial WHERE id = 1", "its record, a serial"),
        ("UPDATE set_info SET two_person = 1", "the set's own row"),
        ("UPDATE set_info SET change_counter = 9", "counts 9 changes"),
        (
            "INSERT INTO specimen (name, element, standing, state, entered_by, entered_at) "
            "VALUES ('X', 'band', 'genuine', 'confirmed', 'me', 't')",
            "but not in the log",
        ),
    ],
)
def test_the_report_says_what_was_altered(folder: Path, statement: str, told: str) -> None:
    with closing(raw(folder)) as connection:
        connection.execute(statement)
    with Catalogue.open(folder) as catalogue:
        damage = catalogue.verify().damage
    assert any(one.kind is DamageKind.LOG and told in one.message for one in damage)


def test_a_rewritten_log_is_found_by_a_head_written_down_before(folder: Path) -> None:
    with Catalogue.open(folder) as catalogue:
        head = catalogue.verify().log_head
        catalogue.add_specimen(specimen_of("S9"), [], by="me")
        assert catalogue.verify(known_head=head).ok
        (damage,) = catalogue.verify(known_head="0" * 64).damage
    assert "does not pass through" in damage.message


def test_the_chain_is_what_its_description_says(folder: Path) -> None:
    """Computed here again, so that others can check a log without this program."""
    with Catalogue.open(folder) as catalogue:
        events = catalogue.events()
        chain = hashlib.sha256(f"log of set {catalogue.info().set_id}".encode()).hexdigest()
    for event in events:
        line = {
            "id": event.event_id,
            **{
                name: getattr(event, name)
                for name in ("at", "actor", "action", "specimen", "detail", "change_number")
            },
            "state": event.state,
        }
        text = json.dumps(line, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
        chain = hashlib.sha256(f"{chain}\n{text}".encode()).hexdigest()
        assert event.chain == chain


def test_a_set_of_the_first_format_joins_in_with_its_whole_log(tmp_path: Path) -> None:
    folder = tmp_path / "old"
    folder.mkdir()
    engine = open_engine(folder / "catalogue.sqlite", wait_s=5, create=True)
    bring_up_to_date(engine, MIGRATIONS[:1])
    engine.dispose()
    with closing(sqlite3.connect(folder / "catalogue.sqlite", isolation_level=None)) as connection:
        connection.execute(
            "INSERT INTO set_info VALUES (1, 'id', 'Old', '2026-01-01T00:00:00Z', 2, 0, NULL)"
        )
        connection.execute(
            "INSERT INTO specimen (name, element, standing, state, entered_by, entered_at) "
            "VALUES ('A', 'band', 'genuine', 'confirmed', 'me', 't')"
        )
        for number in (1, 2):
            connection.execute(
                "INSERT INTO event (at, actor, action, specimen, detail) "
                "VALUES ('t', 'me', 'add-specimen', 'A', ?)",
                (f'{{"n":{number}}}',),
            )
    with Catalogue.open(folder) as catalogue:
        report = catalogue.verify()
        assert report.damage == ()
        assert report.log_lines == 3
        assert catalogue.info().change_counter == 2
        catalogue.withdraw("A", by="you", reason="r")
        assert catalogue.verify().ok
    with closing(raw(folder)) as connection:
        connection.execute("UPDATE event SET actor = 'else' WHERE id = 1")
    with Catalogue.open(folder) as catalogue:
        assert not catalogue.verify().ok
