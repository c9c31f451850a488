"""Opening the logbook's database and saying plainly what went wrong.

In: a database URL or a file path. Out: a SQLAlchemy engine whose schema is current. SQLite keeps
its rollback journal and full syncs, so a killed process loses at most the write it was in; writers
queue for `BUSY_SECONDS`.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy import event
from sqlalchemy.engine import Connection, Engine

from bench.problems import LogbookError
from bench.schema import HEAD

BUSY_SECONDS = 20.0
DATABASE_VARIABLE = "DECKPLUMB_DB"


def data_folder() -> Path:
    """Folder for this user's data."""
    from platformdirs import user_data_path

    return user_data_path("deckplumb", appauthor=False)


def database_url(given: str | None = None) -> str:
    """URL of the logbook: given, or ``DECKPLUMB_DB``, or a file in the user's data folder."""
    url = given or os.environ.get(DATABASE_VARIABLE) or str(data_folder() / "logbook.sqlite")
    return url if "://" in url else f"sqlite:///{Path(url).expanduser()}"


def open_engine(url: str) -> Engine:
    """Connect, bring the schema up to date, return the engine; `LogbookError` if it cannot."""
    with plainly():
        parsed = sa.engine.make_url(url)
        if parsed.get_backend_name() == "sqlite":
            # "file:..." is an SQLite URI, of a file that its own parameters say how to open
            if parsed.database and not parsed.database.startswith((":memory:", "file:")):
                Path(parsed.database).parent.mkdir(parents=True, exist_ok=True)
            engine = sa.create_engine(parsed, connect_args={"timeout": BUSY_SECONDS})
            event.listen(engine, "connect", _sqlite_connect)
            event.listen(engine, "begin", _sqlite_begin)
        else:
            engine = sa.create_engine(parsed, pool_pre_ping=True)
        _bring_up_to_date(engine)
    return engine


@contextmanager
def writing(engine: Engine) -> Iterator[Connection]:
    """One write transaction: all of it is kept or none."""
    options = {"write": True}
    with plainly(), engine.connect().execution_options(**options) as link, link.begin():
        yield link


@contextmanager
def reading(engine: Engine) -> Iterator[Connection]:
    """One read transaction."""
    with plainly(), engine.connect() as connection, connection.begin():
        yield connection


@contextmanager
def plainly() -> Iterator[None]:
    """Turn database and file errors into a `LogbookError` in plain words."""
    try:
        yield
    except sa.exc.NoSuchModuleError as problem:
        raise LogbookError(
            f"The logbook address names an unknown kind of database ({problem}).",
            f"Use a file path, sqlite:///… or postgresql+psycopg://… in {DATABASE_VARIABLE}.",
        ) from problem
    except (sa.exc.ArgumentError, ModuleNotFoundError) as problem:
        raise LogbookError(
            f"The logbook address cannot be used ({problem}).",
            f"Check {DATABASE_VARIABLE}; PostgreSQL needs the extra deckplumb[club].",
        ) from problem
    except sa.exc.DBAPIError as problem:
        reason, advice = _words(str(problem.orig))
        raise LogbookError(reason, advice) from problem
    except OSError as problem:
        reason, advice = _words(problem.strerror or str(problem))
        raise LogbookError(f"{reason} ({problem.filename})", advice) from problem


def _words(message: str) -> tuple[str, str]:
    text = message.lower()
    for signs, reason, advice in _CAUSES:
        if any(sign in text for sign in signs):
            return reason, advice
    return f"The logbook could not be used: {message}.", "Nothing was stored; try again."


_CAUSES: tuple[tuple[tuple[str, ...], str, str], ...] = (
    (
        ("disk is full", "no space left", "disk i/o error", "quota exceeded", "file too large"),
        "The disk is full.",
        "Nothing was stored half; free some space and read the photo again.",
    ),
    (
        (
            "readonly",
            "read-only",
            "permission denied",
            "unable to open",
            "not permitted",
            "no such file",
            "not a directory",
        ),
        "The logbook's folder cannot be written.",
        f"Give write permission, or set {DATABASE_VARIABLE} to a file elsewhere.",
    ),
    (
        ("locked", "lock timeout"),
        "Another program is writing to the logbook.",
        "Wait a moment and try again.",
    ),
    (
        ("not a database", "malformed", "corrupt"),
        "The logbook's file is damaged or is not a logbook.",
        "Move it away and restore the last backup.",
    ),
    (
        ("append-only",),
        "The logbook is append-only.",
        "Add a correcting entry instead of changing an old one.",
    ),
    (
        ("connection refused", "could not connect", "connection failed", "server closed"),
        "The database server does not answer.",
        f"Check that it runs and that {DATABASE_VARIABLE} names it.",
    ),
)


def _sqlite_connect(connection: Any, _record: Any) -> None:
    connection.isolation_level = None
    cursor = connection.cursor()
    cursor.execute("PRAGMA foreign_keys = ON")
    cursor.execute("PRAGMA synchronous = FULL")
    cursor.close()


def _sqlite_begin(connection: Connection) -> None:
    write = connection.get_execution_options().get("write", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if write else "BEGIN")


def _bring_up_to_date(engine: Engine) -> None:
    with reading(engine) as connection:
        found = _revision(connection)
    if found == HEAD:
        return
    if found is not None and found > HEAD:
        raise LogbookError(
            f"The logbook was written by a newer version (schema {found}, this one knows {HEAD}).",
            "Update the program; nothing was changed.",
        )
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    with writing(engine) as connection:
        if engine.dialect.name == "postgresql":
            connection.exec_driver_sql("SELECT pg_advisory_xact_lock(760341)")
        if _revision(connection) != HEAD:
            config.attributes["connection"] = connection
            command.upgrade(config, "head")


def _revision(connection: Connection) -> str | None:
    if not sa.inspect(connection).has_table("alembic_version"):
        return None
    return connection.execute(sa.text("SELECT version_num FROM alembic_version")).scalar()
