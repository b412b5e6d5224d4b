"""Opening the database: SQLite by default, safe settings on every connection, migrations, errors in plain words."""

import errno
import os
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from alembic.util.exc import CommandError
from sqlalchemy import Connection, CursorResult, Engine, create_engine, event
from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError, DatabaseError, IntegrityError, SQLAlchemyError

from qc.data_folder import DATABASE_VARIABLE, data_folder
from qc.errors import RecordError

MIGRATIONS = Path(__file__).parent / "migrations"
_FULL = "The disk is full, so nothing was saved: free some space and save again."
_BUSY = "The records are in use by another program, so nothing was saved: wait a moment and save again."
_CAUSES = {  # what SQLite says -> what the user reads
    "database or disk is full": _FULL,
    "disk i/o error": "The disk could not be written, so nothing was saved: check that it has space and is connected.",
    "database is locked": _BUSY,
    "readonly database": "The records' file is write-protected, so nothing was saved: allow writing to it.",
    "unable to open database file": "The records' file cannot be opened: check that its folder exists and is writable.",
    "file is not a database": "The records' file is none of this program's: choose another or restore a copy.",
    "malformed": "The records' file is damaged: restore the latest copy of it.",
}


def database_url(url: str | None = None) -> str:
    """The given URL, else CAKEQC_DATABASE, else SQLite in the program's data folder."""
    chosen = url or os.environ.get(DATABASE_VARIABLE)
    return chosen or f"sqlite:///{data_folder() / 'records.sqlite'}"


def sqlite_file(url: str) -> Path | None:
    """The file behind an SQLite URL, None for a database in memory or of another make."""
    try:
        parsed = make_url(url)
    except ArgumentError as error:
        raise RecordError(
            f"CAKEQC_DATABASE is no database address ({url!r}): write it like sqlite:////folder/records.sqlite."
        ) from error
    name = parsed.database
    return Path(name) if parsed.get_backend_name() == "sqlite" and name and name != ":memory:" else None


def open_engine(url: str, busy_timeout_ms: int) -> Engine:
    """Connect, and bring the tables up to this program's version.

    Raises
    ------
    RecordError
        The file cannot be opened, is no database, or was written by a newer program.
    """
    path = sqlite_file(url)
    with plain_errors():
        if path is not None:
            path.parent.mkdir(parents=True, exist_ok=True)
        try:
            engine = create_engine(url)
        except (ImportError, SQLAlchemyError) as error:
            raise RecordError(f"The database at {url!r} cannot be reached from here: its driver is missing.") from error
        if engine.dialect.name == "sqlite":
            _prepare_sqlite(engine, busy_timeout_ms)
        _migrate(engine)
    return engine


def _prepare_sqlite(engine: Engine, busy_timeout_ms: int) -> None:
    @event.listens_for(engine, "connect")
    def _connect(connection: Any, _record: Any) -> None:
        connection.isolation_level = None  # we say BEGIN ourselves
        cursor = connection.cursor()
        for line in (
            f"busy_timeout={busy_timeout_ms}",
            "journal_mode=WAL",
            "synchronous=FULL",
            "foreign_keys=ON",
            "secure_delete=ON",
        ):
            cursor.execute(f"PRAGMA {line}")
        cursor.close()

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        # a writer takes the lock at once, so that a busy database is met before anything is read
        writes = connection.get_execution_options().get("writes", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def _migrate(engine: Engine) -> None:
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    head = ScriptDirectory.from_config(config).get_current_head()
    with engine.connect() as connection:
        if MigrationContext.configure(connection).get_current_revision() == head:
            return
    with engine.connect().execution_options(writes=True) as connection, connection.begin():
        config.attributes["connection"] = connection
        try:
            command.upgrade(config, "head")
        except CommandError as error:
            raise RecordError(
                "The records were written by a newer version of this program: update the program to open them."
            ) from error


@contextmanager
def plain_errors() -> Iterator[None]:
    """Turn what the database or the disk says into a RecordError of one sentence."""
    try:
        yield
    except IntegrityError as error:
        raise RecordError("The entry contradicts what is already stored, so nothing was saved: check it.") from error
    except DatabaseError as error:
        said = str(error.orig).lower()
        text = next((plain for cause, plain in _CAUSES.items() if cause in said), None)
        raise RecordError(text or f"The records could not be used ({error.orig}): try again.") from error
    except OSError as error:
        if error.errno in (errno.ENOSPC, errno.EDQUOT):
            raise RecordError(_FULL) from error
        raise RecordError(
            f"{error.filename or 'A file'} cannot be used ({error.strerror}): check the folder."
        ) from error


def new_key(result: CursorResult[Any]) -> int:
    """The number that the database gave to an inserted row."""
    key = result.inserted_primary_key
    assert key is not None
    return int(key[0])


@contextmanager
def writing(engine: Engine) -> Iterator[Connection]:
    """One transaction that is saved whole or not at all."""
    with plain_errors(), engine.connect().execution_options(writes=True) as connection, connection.begin():
        yield connection


@contextmanager
def reading(engine: Engine) -> Iterator[Connection]:
    """One consistent view of the records."""
    with plain_errors(), engine.connect() as connection:
        yield connection


def now_ms() -> int:
    """Milliseconds since 1970, UTC."""
    return to_ms(datetime.now(UTC))


def to_ms(when: datetime) -> int:
    """A time as stored; a time without a zone is taken as this computer's own."""
    return round(when.astimezone(UTC).timestamp() * 1000)


def from_ms(time_ms: int) -> datetime:
    """A stored time, in UTC."""
    return datetime.fromtimestamp(time_ms / 1000, UTC)
