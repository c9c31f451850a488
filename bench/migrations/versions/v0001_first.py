"""First schema: decks, jobs, entries, and the triggers that keep them append-only."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

TABLES = ("decks", "jobs", "entries")


def upgrade() -> None:
    """Make the tables and their triggers."""
    op.create_table(
        "decks",
        sa.Column("id", sa.Integer, primary_key=True, autoincrement=True),
        sa.Column("uid", sa.String(32), nullable=False, unique=True),
        sa.Column("key", sa.String(80), nullable=False),
        sa.Column("revision", sa.Integer, nullable=False),
        sa.Column("name", sa.String(120), nullable=False),
        sa.Column("toml", sa.Text, nullable=False),
        sa.Column("at", sa.String(40), nullable=False),
        sa.UniqueConstraint("key", "revision", name="uq_decks_key_revision"),
    )
    op.create_table(
        "jobs",
        sa.Column("id", sa.Integer, primary_key=True, autoincrement=True),
        sa.Column("uid", sa.String(32), nullable=False, unique=True),
        sa.Column("deck_uid", sa.String(32), sa.ForeignKey("decks.uid"), nullable=False),
        sa.Column("title", sa.String(200), nullable=False),
        sa.Column("owner", sa.String(200), nullable=False),
        sa.Column("at", sa.String(40), nullable=False),
    )
    op.create_table(
        "entries",
        sa.Column("id", sa.Integer, primary_key=True, autoincrement=True),
        sa.Column("uid", sa.String(32), nullable=False, unique=True),
        sa.Column("job_uid", sa.String(32), sa.ForeignKey("jobs.uid"), nullable=False),
        sa.Column("at", sa.String(40), nullable=False),
        sa.Column("kind", sa.String(16), nullable=False),
        sa.Column("step", sa.String(40), nullable=False),
        sa.Column("quantity", sa.String(40)),
        sa.Column("value", sa.Double),
        sa.Column("unit", sa.String(16)),
        sa.Column("standard_uncertainty", sa.Double),
        sa.Column("definitional_uncertainty", sa.Double, nullable=False),
        sa.Column("source", sa.String(16)),
        sa.Column("outcome", sa.String(16)),
        sa.Column("photo_sha256", sa.String(64)),
        sa.Column("photo_ref", sa.String(120)),
        sa.Column("overlay_ref", sa.String(120)),
        sa.Column("corrects", sa.String(32)),
        sa.Column("version", sa.String(40), nullable=False),
        sa.Column("body", sa.Text, nullable=False),
        sa.CheckConstraint(
            "(value IS NULL) OR (unit IS NOT NULL AND standard_uncertainty > 0)",
            name="ck_entries_value_has_uncertainty",
        ),
    )
    op.create_index("ix_entries_job", "entries", ["job_uid", "id"])
    op.create_index("ix_entries_quantity", "entries", ["quantity"])
    if op.get_bind().dialect.name == "postgresql":
        _postgresql_triggers()
    else:
        _sqlite_triggers()


def downgrade() -> None:
    """Refuse: a logbook is never taken apart."""
    raise NotImplementedError("the logbook is append-only; restore a backup instead")


def _sqlite_triggers() -> None:
    for table in TABLES:
        for act in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER {table}_no_{act.lower()} BEFORE {act} ON {table} "
                "BEGIN SELECT RAISE(ABORT, 'the logbook is append-only'); END"
            )


def _postgresql_triggers() -> None:
    op.execute(
        "CREATE FUNCTION deckplumb_append_only() RETURNS trigger LANGUAGE plpgsql AS "
        "$$ BEGIN RAISE EXCEPTION 'the logbook is append-only'; END $$"
    )
    for table in TABLES:
        op.execute(
            f"CREATE TRIGGER {table}_append_only BEFORE UPDATE OR DELETE ON {table} "
            "FOR EACH ROW EXECUTE FUNCTION deckplumb_append_only()"
        )
