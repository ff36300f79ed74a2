"""How a catalogue file came to its present shape: numbered steps, each one transaction.

Rules: a step that has shipped is never edited (a test holds its text); a change is a new
step at the end; the number of the last step done is in SQLite's ``user_version``, written
in the same transaction. The file says what it is in ``application_id``. The ``event``
table is append-only by trigger; step 3 lifts the trigger while it chains the lines.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from sqlalchemy import Connection, Engine

from loupebook.errors import SetDamaged, SetError
from loupebook.records.advice import RESTORE
from loupebook.records.audit import begin_chain
from loupebook.records.engine import writing

APPLICATION_ID = 0x4C504253  # "LPBS"


@dataclass(frozen=True)
class Migration:
    """One step: its number (from 1, without gaps), what it is for, its statements.

    A statement is SQL, or a function for what SQL cannot do.
    """

    number: int
    title: str
    statements: tuple[str | Callable[[Connection], None], ...]


MIGRATIONS: tuple[Migration, ...] = (
    Migration(
        1,
        "records of a set",
        (
            """CREATE TABLE set_info (
                id INTEGER PRIMARY KEY CHECK (id = 1),
                set_id TEXT NOT NULL,
                name TEXT NOT NULL,
                created_at TEXT NOT NULL,
                change_counter INTEGER NOT NULL CHECK (change_counter >= 0),
                two_person INTEGER NOT NULL CHECK (two_person IN (0, 1)),
                notice TEXT
            )""",
            """CREATE TABLE marque (
                id INTEGER PRIMARY KEY,
                name TEXT NOT NULL UNIQUE
            )""",
            """CREATE TABLE edition (
                id INTEGER PRIMARY KEY,
                marque_id INTEGER NOT NULL REFERENCES marque (id),
                element TEXT NOT NULL CHECK (element IN ('band', 'seal', 'cap')),
                name TEXT NOT NULL,
                UNIQUE (marque_id, element, name),
                UNIQUE (id, marque_id, element)
            )""",
            """CREATE TABLE print_origin (
                id INTEGER PRIMARY KEY,
                name TEXT NOT NULL UNIQUE
            )""",
            """CREATE TABLE specimen (
                id INTEGER PRIMARY KEY,
                name TEXT NOT NULL UNIQUE,
                element TEXT NOT NULL CHECK (element IN ('band', 'seal', 'cap')),
                standing TEXT NOT NULL CHECK (standing IN ('genuine', 'fake')),
                state TEXT NOT NULL CHECK (state IN ('proposed', 'confirmed', 'withdrawn')),
                state_before_withdrawal TEXT
                    CHECK (state_before_withdrawal IN ('proposed', 'confirmed')),
                marque_id INTEGER REFERENCES marque (id),
                edition_id INTEGER,
                origin_id INTEGER REFERENCES print_origin (id),
                source TEXT,
                confirmed_by TEXT,
                confirmed_on TEXT,
                basis TEXT,
                entered_by TEXT NOT NULL,
                entered_at TEXT NOT NULL,
                notes TEXT,
                withdrawn_reason TEXT,
                CHECK (edition_id IS NULL OR marque_id IS NOT NULL),
                CHECK ((state = 'withdrawn') = (state_before_withdrawal IS NOT NULL)),
                CHECK ((state = 'withdrawn') = (withdrawn_reason IS NOT NULL)),
                FOREIGN KEY (edition_id, marque_id, element)
                    REFERENCES edition (id, marque_id, element)
            )""",
            "CREATE INDEX specimen_marque ON specimen (marque_id)",
            "CREATE INDEX specimen_edition ON specimen (edition_id)",
            "CREATE INDEX specimen_origin ON specimen (origin_id)",
            """CREATE TABLE serial (
                id INTEGER PRIMARY KEY,
                specimen_id INTEGER NOT NULL REFERENCES specimen (id),
                value TEXT NOT NULL,
                place TEXT NOT NULL,
                UNIQUE (specimen_id, value, place)
            )""",
            "CREATE INDEX serial_value ON serial (value)",
            # AUTOINCREMENT: derived indexes hold these numbers, so none may come twice.
            """CREATE TABLE photo (
                id INTEGER PRIMARY KEY AUTOINCREMENT,
                sha256 TEXT NOT NULL UNIQUE
                    CHECK (length(sha256) = 64 AND sha256 NOT GLOB '*[^0-9a-f]*'),
                specimen_id INTEGER NOT NULL REFERENCES specimen (id),
                view TEXT NOT NULL CHECK (
                    view IN ('face', 'left-edge', 'right-edge', 'back', 'head', 'foot')),
                lighting TEXT NOT NULL CHECK (
                    lighting IN ('diffuse', 'raking', 'tilt', 'transmitted', 'uv-a')),
                file_name TEXT NOT NULL,
                media_type TEXT NOT NULL,
                byte_count INTEGER NOT NULL CHECK (byte_count > 0),
                width INTEGER NOT NULL CHECK (width > 0),
                height INTEGER NOT NULL CHECK (height > 0),
                captured_at TEXT,
                camera_make TEXT,
                camera_model TEXT,
                camera_lens TEXT,
                px_per_mm REAL CHECK (px_per_mm > 0),
                photo_check TEXT NOT NULL
            )""",
            "CREATE INDEX photo_specimen ON photo (specimen_id)",
            """CREATE TABLE event (
                id INTEGER PRIMARY KEY AUTOINCREMENT,
                at TEXT NOT NULL,
                actor TEXT NOT NULL,
                action TEXT NOT NULL,
                specimen TEXT,
                detail TEXT NOT NULL
            )""",
            "CREATE INDEX event_specimen ON event (specimen)",
            """CREATE TRIGGER event_no_update BEFORE UPDATE ON event
                BEGIN SELECT RAISE (ABORT, 'the log is append-only'); END""",
            """CREATE TRIGGER event_no_delete BEFORE DELETE ON event
                BEGIN SELECT RAISE (ABORT, 'the log is append-only'); END""",
        ),
    ),
    Migration(
        2,
        "work done with a set: examinations, sheets, practice",
        (
            """CREATE TABLE examination (
                id INTEGER PRIMARY KEY AUTOINCREMENT,
                revision INTEGER NOT NULL CHECK (revision > 0),
                number INTEGER NOT NULL CHECK (number > 0),
                title TEXT NOT NULL,
                at TEXT NOT NULL,
                by TEXT NOT NULL,
                document TEXT NOT NULL,
                sha256 TEXT NOT NULL
                    CHECK (length(sha256) = 64 AND sha256 NOT GLOB '*[^0-9a-f]*'),
                UNIQUE (number, revision)
            )""",
            """CREATE TRIGGER examination_no_update BEFORE UPDATE ON examination
                BEGIN SELECT RAISE (ABORT, 'an examination is never changed'); END""",
            """CREATE TRIGGER examination_no_delete BEFORE DELETE ON examination
                BEGIN SELECT RAISE (ABORT, 'an examination is never deleted'); END""",
            """CREATE TABLE sheet (
                id INTEGER PRIMARY KEY,
                name TEXT NOT NULL UNIQUE,
                definition TEXT NOT NULL,
                at TEXT NOT NULL,
                by TEXT NOT NULL,
                made_from TEXT
            )""",
            """CREATE TABLE practice_round (
                id INTEGER PRIMARY KEY AUTOINCREMENT,
                name TEXT NOT NULL UNIQUE,
                definition TEXT NOT NULL,
                at TEXT NOT NULL,
                by TEXT NOT NULL
            )""",
            """CREATE TABLE practice_answer (
                id INTEGER PRIMARY KEY AUTOINCREMENT,
                round_id INTEGER NOT NULL REFERENCES practice_round (id),
                sitting TEXT NOT NULL,
                learner TEXT NOT NULL,
                at TEXT NOT NULL,
                photo_id INTEGER NOT NULL REFERENCES photo (id),
                lesson TEXT NOT NULL,
                truth TEXT NOT NULL CHECK (truth IN ('genuine', 'fake')),
                given TEXT NOT NULL CHECK (given IN ('genuine', 'fake', 'cannot tell')),
                confidence REAL NOT NULL CHECK (confidence BETWEEN 0.5 AND 1),
                places TEXT NOT NULL,
                UNIQUE (sitting, photo_id)
            )""",
            "CREATE INDEX practice_answer_learner ON practice_answer (learner)",
            """CREATE TRIGGER practice_answer_no_update BEFORE UPDATE ON practice_answer
                BEGIN SELECT RAISE (ABORT, 'an answer is never changed'); END""",
        ),
    ),
    Migration(
        3,
        "the log becomes a chain of hashes",
        (
            "DROP TRIGGER event_no_update",
            "ALTER TABLE event ADD COLUMN change_number INTEGER NOT NULL DEFAULT 0",
            "ALTER TABLE event ADD COLUMN state TEXT NOT NULL DEFAULT ''",
            "ALTER TABLE event ADD COLUMN chain TEXT NOT NULL DEFAULT ''",
            begin_chain,
            """CREATE TRIGGER event_no_update BEFORE UPDATE ON event
                BEGIN SELECT RAISE (ABORT, 'the log is append-only'); END""",
        ),
    ),
    Migration(
        4,
        "points of comparison",
        (
            """CREATE TABLE point (
                id INTEGER PRIMARY KEY,
                edition_id INTEGER NOT NULL REFERENCES edition (id),
                view TEXT NOT NULL CHECK (
                    view IN ('face', 'left-edge', 'right-edge', 'back', 'head', 'foot')),
                lighting TEXT NOT NULL CHECK (
                    lighting IN ('diffuse', 'raking', 'tilt', 'transmitted', 'uv-a')),
                photo_id INTEGER NOT NULL REFERENCES photo (id),
                region TEXT NOT NULL,
                title TEXT NOT NULL,
                genuine_shows TEXT NOT NULL,
                copies_show TEXT NOT NULL,
                by TEXT NOT NULL,
                at TEXT NOT NULL,
                retired_at TEXT
            )""",
            "CREATE INDEX point_edition ON point (edition_id)",
            "CREATE INDEX point_photo ON point (photo_id)",
        ),
    ),
    Migration(
        5,
        "persons and roles",
        (
            """CREATE TABLE person (
                id INTEGER PRIMARY KEY,
                name TEXT NOT NULL UNIQUE,
                identity TEXT NOT NULL UNIQUE,
                roles TEXT NOT NULL
            )""",
        ),
    ),
)


def schema_version(connection: Connection) -> int:
    """Return the number of the last step done on a catalogue file; 0 for an empty file."""
    return int(connection.exec_driver_sql("PRAGMA user_version").scalar_one())


def bring_up_to_date(engine: Engine, migrations: Sequence[Migration] = MIGRATIONS) -> list[int]:
    """Do the steps that a catalogue file has not seen yet, each whole or not at all.

    Several processes may call this at once: each step is decided under the write lock.

    Parameters
    ----------
    engine : Engine
        Engine on the file, which may be empty.
    migrations : sequence of Migration, optional
        All steps in order.

    Returns
    -------
    list of int
        Numbers of the steps done by this call.

    Raises
    ------
    SetDamaged
        The file is some other program's database.
    SetError
        The file comes from a newer version of Loupebook.
    """
    done: list[int] = []
    while (step := _next_step(engine, migrations)) is not None:
        with writing(engine).begin() as connection:
            if schema_version(connection) >= step.number:
                continue
            for statement in step.statements:
                if isinstance(statement, str):
                    connection.exec_driver_sql(statement)
                else:
                    statement(connection)
            connection.exec_driver_sql(f"PRAGMA application_id = {APPLICATION_ID}")
            connection.exec_driver_sql(f"PRAGMA user_version = {step.number}")
        done.append(step.number)
    return done


def _next_step(engine: Engine, migrations: Sequence[Migration]) -> Migration | None:
    with engine.connect() as connection:
        version = schema_version(connection)
        marker = int(connection.exec_driver_sql("PRAGMA application_id").scalar_one())
        tables = connection.exec_driver_sql("SELECT count(*) FROM sqlite_master").scalar_one()
    if marker != APPLICATION_ID and (tables or version):
        raise SetDamaged(
            f"{engine.url.database}: the file is a database, but not a catalogue of Loupebook; "
            f"{RESTORE}"
        )
    latest = len(migrations)
    if version > latest:
        raise SetError(
            f"{engine.url.database}: the catalogue has format {version}, this program knows up "
            f"to {latest}; a newer version of Loupebook wrote it. Update Loupebook to open it"
        )
    return migrations[version] if version < latest else None
