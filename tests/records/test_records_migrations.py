from __future__ import annotations

import hashlib
import sqlite3
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import Engine, inspect
from sqlalchemy.exc import OperationalError

from loupebook.errors import SetDamaged, SetError
from loupebook.records.catalogue import Catalogue
from loupebook.records.engine import open_engine
from loupebook.records.migrations import (
    MIGRATIONS,
    Migration,
    bring_up_to_date,
    schema_version,
)
from loupebook.records.model import Element, IntakeState, Lighting, Standing, View
from loupebook.records.tables import Base

SHIPPED = {
    1: "803b450c0184ede57bc78418bdd3b80516d90c061c6946f5e5a601487da1f204",
    2: "266603715f1c2fb5b08d618e2045cd0b64036188e34e5b44c01467f0731254d9",
    3: "b69f5cb974c2e56024a15f1f99170f96bf9c0c227896a35bd20f72769326e13b",
    4: "69619bd523139f706c4463fe6b3b0fbf6446a93b1318d65b47972d890c999088",
    5: "f90c9afbfec2eeb93037d034a3cb9f781e95127b1bf8a10d038b7894d451227a",
}
"""Digest of each step that has shipped. Never change a line; add one for a new step."""


@pytest.fixture
def engine(tmp_path: Path) -> Iterator[Engine]:
    made = open_engine(tmp_path / "new.sqlite", wait_s=5, create=True)
    yield made
    made.dispose()


def version_of(engine: Engine) -> int:
    with engine.connect() as connection:
        return schema_version(connection)


def told(statement: object) -> str:
    return statement if isinstance(statement, str) else statement.__qualname__


def test_steps_are_numbered_without_gaps() -> None:
    assert [step.number for step in MIGRATIONS] == list(range(1, len(MIGRATIONS) + 1))


def test_shipped_steps_are_unchanged() -> None:
    found = {
        step.number: hashlib.sha256("\n".join(map(told, step.statements)).encode()).hexdigest()
        for step in MIGRATIONS
    }
    assert found == SHIPPED


def test_an_empty_file_becomes_a_catalogue(engine: Engine) -> None:
    assert version_of(engine) == 0
    assert bring_up_to_date(engine) == [step.number for step in MIGRATIONS]
    assert bring_up_to_date(engine) == []
    assert version_of(engine) == len(MIGRATIONS)


def test_mapped_tables_equal_migrated_tables(engine: Engine) -> None:
    bring_up_to_date(engine)
    found = inspect(engine)
    assert set(found.get_table_names()) == set(Base.metadata.tables)
    for name, table in Base.metadata.tables.items():
        columns = {
            (
                c["name"],
                str(c["type"]).replace("REAL", "FLOAT"),
                c["nullable"] and not c["primary_key"],
            )
            for c in found.get_columns(name)
        }
        mapped = {(c.name, str(c.type), bool(c.nullable)) for c in table.columns}
        assert columns == mapped, name
        indexes = {(i["name"], *i["column_names"]) for i in found.get_indexes(name)}
        assert indexes == {(i.name, *i.columns.keys()) for i in table.indexes}, name
        keys = {
            (*k["constrained_columns"], k["referred_table"], *k["referred_columns"])
            for k in found.get_foreign_keys(name)
        }
        assert keys == {
            (*k.column_keys, k.referred_table.name, *(e.column.name for e in k.elements))
            for k in table.foreign_key_constraints
        }, name


def test_every_word_of_the_vocabulary_is_allowed_in_the_file() -> None:
    text = "\n".join(MIGRATIONS[0].statements)
    for kind in (Element, Standing, IntakeState, View, Lighting):
        assert ", ".join(f"'{member.value}'" for member in kind) in text


def test_a_failing_step_leaves_the_state_before_it(engine: Engine) -> None:
    bring_up_to_date(engine)
    broken = Migration(
        len(MIGRATIONS) + 1,
        "breaks half-way",
        ("CREATE TABLE half (id INTEGER)", "CREATE TABLE half (id INTEGER)"),
    )
    with pytest.raises(OperationalError):
        bring_up_to_date(engine, (*MIGRATIONS, broken))
    assert version_of(engine) == len(MIGRATIONS)
    assert "half" not in inspect(engine).get_table_names()


def test_a_newer_file_is_refused(tmp_path: Path) -> None:
    Catalogue.create(tmp_path / "set", name="S").close()
    file = tmp_path / "set" / "catalogue.sqlite"
    with sqlite3.connect(file) as raw:
        raw.execute("PRAGMA user_version = 999")
    raw.close()
    with pytest.raises(SetError, match=r"format 999.*Update Loupebook"):
        Catalogue.open(tmp_path / "set")


def test_another_programs_database_is_refused_untouched(tmp_path: Path) -> None:
    file = tmp_path / "catalogue.sqlite"
    raw = sqlite3.connect(file)
    raw.execute("CREATE TABLE diary (entry TEXT)")
    raw.commit()
    raw.close()
    with pytest.raises(SetDamaged, match="not a catalogue"):
        Catalogue.open(tmp_path)
    raw = sqlite3.connect(file)
    assert [row[0] for row in raw.execute("SELECT name FROM sqlite_master")] == ["diary"]
    raw.close()


def test_several_may_bring_one_file_up_to_date_at_once(tmp_path: Path) -> None:
    file = tmp_path / "new.sqlite"
    engines = [open_engine(file, wait_s=20, create=True) for _ in range(4)]
    done: list[list[int]] = []
    threads = [
        threading.Thread(target=lambda e=e: done.append(bring_up_to_date(e))) for e in engines
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(done) == 4
    assert {version_of(engine) for engine in engines} == {len(MIGRATIONS)}
    for engine in engines:
        engine.dispose()
