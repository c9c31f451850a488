"""The logbook: decks, jobs and everything read or done, written at once and never changed.

SQLite in the user's data folder by default, PostgreSQL by ``DECKPLUMB_DB``; pictures by
``DECKPLUMB_PHOTOS``. Each call is one transaction: it is stored whole or not at all. Times are
UTC. Errors of disk, folder or server are `LogbookError` with advice.
"""

from __future__ import annotations

import json
import math
import re
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from bench import schema
from bench.deck import Deck
from bench.deck_file import from_toml, to_toml
from bench.entries import KINDS, SOURCES, Entry
from bench.pictures import Pictures
from bench.private import without_location
from bench.problems import LogbookError
from bench.step_list import STEP_BY_KEY
from bench.store import database_url, open_engine, reading, writing
from vision.reading import software_version

__all__ = ["Job", "Logbook", "LogbookError", "SavedDeck"]


@dataclass(frozen=True)
class SavedDeck:
    """A deck as saved: its key, revision and time."""

    key: str
    revision: int
    name: str
    deck: Deck
    at: datetime


@dataclass(frozen=True)
class Job:
    """One set-up job on one revision of a deck."""

    uid: str
    deck_key: str
    deck: Deck
    title: str
    owner: str
    at: datetime


class Logbook:
    """An open logbook. Safe to share between threads; open one a process."""

    def __init__(self, url: str, pictures: Pictures) -> None:
        self.url, self.pictures = url, pictures
        self.engine = open_engine(url)

    @classmethod
    def open(cls, url: str | None = None, photos: str | None = None) -> Logbook:
        """Open, making it if there is none.

        Parameters
        ----------
        url : str or None
            File path or database URL; default ``DECKPLUMB_DB``, then the user's data folder.
        photos : str or None
            Folder or fsspec address; default ``DECKPLUMB_PHOTOS``, then the user's data folder.
        """
        return cls(database_url(url), Pictures(photos))

    def close(self) -> None:
        """Let go of the database."""
        self.engine.dispose()

    def save_deck(self, deck: Deck, key: str | None = None) -> str:
        """Save a deck, as a new revision where ``key`` is known; return its key."""
        with writing(self.engine) as db:
            return self._save_deck(db, deck, key)[0]

    def decks(self) -> list[SavedDeck]:
        """Newest revision of every deck, in the order they were first saved."""
        newest = (
            sa.select(schema.decks.c.key, sa.func.max(schema.decks.c.revision).label("revision"))
            .group_by(schema.decks.c.key)
            .subquery()
        )
        query = (
            sa.select(schema.decks)
            .join(
                newest,
                (schema.decks.c.key == newest.c.key)
                & (schema.decks.c.revision == newest.c.revision),
            )
            .order_by(schema.decks.c.id)
        )
        with reading(self.engine) as db:
            return [_saved_deck(row) for row in db.execute(query).mappings()]

    def deck(self, key: str) -> SavedDeck:
        """Newest revision of the deck with this key, or whose key alone begins so."""
        decks = self.decks()
        exact = [d for d in decks if d.key == key]
        found = exact or [d for d in decks if d.key.startswith(key)]
        if len(found) != 1:
            known = ", ".join(d.key for d in decks) or "none saved yet"
            raise ValueError(f"deck: got {key!r}, allowed one of {known}")
        return found[0]

    def start_job(
        self, deck: Deck, title: str = "", owner: str = "", deck_key: str | None = None
    ) -> Job:
        """Start a job, saving the deck with it."""
        uid, at = _uid(), _now()
        with writing(self.engine) as db:
            key, deck_uid = self._save_deck(db, deck, deck_key)
            db.execute(
                schema.jobs.insert().values(
                    uid=uid,
                    deck_uid=deck_uid,
                    title=_text("title", title, 200),
                    owner=_text("owner", owner, 200),
                    at=at.isoformat(),
                )
            )
        return Job(uid, key, deck, title, owner, at)

    def jobs(self) -> list[Job]:
        """All jobs, newest first."""
        query = (
            sa.select(schema.jobs, schema.decks.c.key, schema.decks.c.toml)
            .join(schema.decks, schema.decks.c.uid == schema.jobs.c.deck_uid)
            .order_by(schema.jobs.c.id.desc())
        )
        with reading(self.engine) as db:
            return [_job(row) for row in db.execute(query).mappings()]

    def job(self, uid: str) -> Job:
        """The job with this uid, or whose uid alone begins so."""
        jobs = self.jobs()
        found = [j for j in jobs if j.uid.startswith(uid)] if uid else []
        if len(found) != 1:
            raise ValueError(f"job: got {uid!r}, allowed the id of one of {len(jobs)} jobs")
        return found[0]

    def add(self, job_uid: str, kind: str, step: str, **fields: Any) -> Entry:
        """Append an entry; ``fields`` are those of `bench.entries.Entry`.

        Raises
        ------
        ValueError
            Naming the field, the value and what is allowed; nothing is stored.
        """
        entry = _checked(
            Entry(_uid(), job_uid, _now(), kind, step, version=software_version(), **fields)
        )
        with writing(self.engine) as db:
            known = db.execute(sa.select(schema.jobs.c.id).where(schema.jobs.c.uid == job_uid))
            if known.first() is None:
                raise ValueError(f"job: got {job_uid!r}, allowed a job of this logbook")
            if entry.corrects is not None:
                self._check_corrects(db, entry)
            db.execute(schema.entries.insert().values(**entry_row(entry)))
        return entry

    def entries(self, job_uid: str) -> list[Entry]:
        """All entries of a job in the order they were written."""
        return self._entries(schema.entries.c.job_uid == job_uid)

    def all_entries(self) -> list[Entry]:
        """All entries of all jobs in the order they were written."""
        return self._entries(sa.true())

    def history(self, deck_key: str, quantity: str) -> list[Entry]:
        """Every reading of a quantity on a deck, oldest first."""
        jobs = [j.uid for j in self.jobs() if j.deck_key == deck_key]
        rows = self._entries(schema.entries.c.quantity == quantity)
        return [e for e in rows if e.job_uid in jobs and e.value is not None]

    def keep_picture(self, data: bytes) -> str:
        """Keep a picture without its location; return its reference."""
        return self.pictures.keep(*without_location(data))

    def picture(self, reference: str) -> bytes:
        """Return a kept picture."""
        return self.pictures.load(reference)

    def _entries(self, where: Any) -> list[Entry]:
        query = sa.select(schema.entries).where(where).order_by(schema.entries.c.id)
        with reading(self.engine) as db:
            return [entry_of(row) for row in db.execute(query).mappings()]

    def _save_deck(self, db: Connection, deck: Deck, key: str | None) -> tuple[str, str]:
        text = to_toml(deck)
        table = schema.decks
        latest = None
        if key is not None:
            latest = (
                db.execute(
                    sa.select(table).where(table.c.key == key).order_by(table.c.revision.desc())
                )
                .mappings()
                .first()
            )
            if latest is not None and latest["toml"] == text:
                return key, latest["uid"]
        else:
            key = f"{_slug(deck.name)}-{uuid.uuid4().hex[:4]}"
        uid = _uid()
        db.execute(
            table.insert().values(
                uid=uid,
                key=key,
                revision=1 if latest is None else latest["revision"] + 1,
                name=deck.name,
                toml=text,
                at=_now().isoformat(),
            )
        )
        return key, uid

    def _check_corrects(self, db: Connection, entry: Entry) -> None:
        table = schema.entries
        old = db.execute(sa.select(table.c.job_uid).where(table.c.uid == entry.corrects)).first()
        if old is None or old[0] != entry.job_uid:
            raise ValueError(f"corrects: got {entry.corrects!r}, allowed an entry of the same job")


def entry_row(entry: Entry) -> dict[str, Any]:
    """Columns of an entry."""
    row = {c.name: getattr(entry, c.name) for c in schema.entries.c if c.name != "id"}
    row["at"] = entry.at.isoformat()
    row["body"] = json.dumps(entry.body, ensure_ascii=False, allow_nan=False, sort_keys=True)
    return row


def entry_of(row: Mapping[Any, Any]) -> Entry:
    """Entry of its columns."""
    values = {k: v for k, v in row.items() if k != "id"}
    values["at"] = datetime.fromisoformat(values["at"])
    values["body"] = json.loads(values["body"])
    return Entry(**values)


def _checked(entry: Entry) -> Entry:
    _one_of("kind", entry.kind, KINDS)
    if entry.step not in STEP_BY_KEY and entry.kind not in ("order", "fact"):
        _one_of("step", entry.step, tuple(STEP_BY_KEY))
    if entry.source is not None:
        _one_of("source", entry.source, SOURCES)
    for field in ("value", "standard_uncertainty", "definitional_uncertainty"):
        number = getattr(entry, field)
        if number is not None and not math.isfinite(number):
            raise ValueError(f"{field}: got {number}, allowed a finite number")
    if entry.value is not None and not (entry.unit and (entry.standard_uncertainty or 0) > 0):
        raise ValueError(
            f"{entry.quantity}: a value needs a unit and an uncertainty above 0, got "
            f"{entry.unit!r} and {entry.standard_uncertainty!r}"
        )
    try:
        size = len(json.dumps(entry.body, allow_nan=False))
    except (TypeError, ValueError) as problem:
        raise ValueError(f"body: cannot be written as JSON ({problem})") from problem
    if size > 2_000_000:
        raise ValueError(f"body: got {size} characters, allowed up to 2000000")
    return entry


def _one_of(field: str, value: str, allowed: Sequence[str]) -> None:
    if value not in allowed:
        raise ValueError(f"{field}: got {value!r}, allowed {', '.join(allowed)}")


def _text(field: str, value: str, most: int) -> str:
    if len(value) > most:
        raise ValueError(f"{field}: got {len(value)} characters, allowed up to {most}")
    return value


def _saved_deck(row: Mapping[Any, Any]) -> SavedDeck:
    return SavedDeck(
        row["key"],
        row["revision"],
        row["name"],
        from_toml(row["toml"]),
        datetime.fromisoformat(row["at"]),
    )


def _job(row: Mapping[Any, Any]) -> Job:
    return Job(
        row["uid"],
        row["key"],
        from_toml(row["toml"]),
        row["title"],
        row["owner"],
        datetime.fromisoformat(row["at"]),
    )


def _slug(name: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:60] or "deck"


def _uid() -> str:
    return uuid.uuid4().hex


def _now() -> datetime:
    return datetime.now(UTC)
