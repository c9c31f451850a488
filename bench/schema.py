"""Tables of the logbook. Append-only: the migrations add triggers that refuse update and delete."""

from __future__ import annotations

from sqlalchemy import (
    CheckConstraint,
    Column,
    Double,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
)

HEAD = "0001"

metadata = MetaData()
decks = Table(
    "decks",
    metadata,
    Column("id", Integer, primary_key=True, autoincrement=True),
    Column("uid", String(32), nullable=False, unique=True),
    Column("key", String(80), nullable=False),
    Column("revision", Integer, nullable=False),
    Column("name", String(120), nullable=False),
    Column("toml", Text, nullable=False),
    Column("at", String(40), nullable=False),
    UniqueConstraint("key", "revision", name="uq_decks_key_revision"),
)
jobs = Table(
    "jobs",
    metadata,
    Column("id", Integer, primary_key=True, autoincrement=True),
    Column("uid", String(32), nullable=False, unique=True),
    Column("deck_uid", String(32), ForeignKey("decks.uid"), nullable=False),
    Column("title", String(200), nullable=False),
    Column("owner", String(200), nullable=False),
    Column("at", String(40), nullable=False),
)
entries = Table(
    "entries",
    metadata,
    Column("id", Integer, primary_key=True, autoincrement=True),
    Column("uid", String(32), nullable=False, unique=True),
    Column("job_uid", String(32), ForeignKey("jobs.uid"), nullable=False),
    Column("at", String(40), nullable=False),
    Column("kind", String(16), nullable=False),
    Column("step", String(40), nullable=False),
    Column("quantity", String(40)),
    Column("value", Double),
    Column("unit", String(16)),
    Column("standard_uncertainty", Double),
    Column("definitional_uncertainty", Double, nullable=False),
    Column("source", String(16)),
    Column("outcome", String(16)),
    Column("photo_sha256", String(64)),
    Column("photo_ref", String(120)),
    Column("overlay_ref", String(120)),
    Column("corrects", String(32)),
    Column("version", String(40), nullable=False),
    Column("body", Text, nullable=False),
    CheckConstraint(
        "(value IS NULL) OR (unit IS NOT NULL AND standard_uncertainty > 0)",
        name="ck_entries_value_has_uncertainty",
    ),
    Index("ix_entries_job", "job_uid", "id"),
    Index("ix_entries_quantity", "quantity"),
)
TABLES = (decks, jobs, entries)
