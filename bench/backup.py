"""The whole logbook in one file, and back.

A backup is a zip of `decks.jsonl`, `jobs.jsonl`, `entries.jsonl`, the kept pictures and a
`manifest.json` with the schema version and the SHA-256 of every other member. Restoring checks all
of them first, then adds what the logbook lacks in one transaction: it can be repeated, it never
changes a row, and it moves a logbook between SQLite and PostgreSQL.
"""

from __future__ import annotations

import hashlib
import json
import os
import zipfile
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from bench import schema
from bench.logbook import Logbook
from bench.problems import LogbookError
from bench.store import plainly, reading, writing

SCHEMA = "deckplumb/backup/1"
MAX_MEMBER_BYTES = 200_000_000
_TABLES = {table.name: table for table in schema.TABLES}


def backup(logbook: Logbook, path: Path) -> str:
    """Write everything to ``path``; return what was written in words."""
    with reading(logbook.engine) as db:
        rows = {
            name: [dict(r) for r in db.execute(sa.select(t).order_by(t.c.id)).mappings()]
            for name, t in _TABLES.items()
        }
    references = _references(rows["entries"])
    half = path.with_name(f".{path.name}.half")
    hashes: dict[str, str] = {}
    try:
        with plainly(), zipfile.ZipFile(half, "w", zipfile.ZIP_DEFLATED) as archive:
            for name, table_rows in rows.items():
                lines = [json.dumps(row, ensure_ascii=False) for row in table_rows]
                _put(archive, hashes, f"{name}.jsonl", "\n".join(lines).encode())
            for reference in references:
                _put(archive, hashes, f"pictures/{reference}", logbook.picture(reference))
            manifest = {"schema": SCHEMA, "revision": schema.HEAD, "sha256": hashes}
            archive.writestr("manifest.json", json.dumps(manifest, indent=1))
        with plainly():
            with half.open("rb") as written:
                os.fsync(written.fileno())
            os.replace(half, path)
    finally:
        half.unlink(missing_ok=True)
    return _words(len(rows["jobs"]), len(rows["entries"]), len(references))


def restore(logbook: Logbook, path: Path) -> str:
    """Add what the backup holds and the logbook lacks; return what was added in words."""
    try:
        with zipfile.ZipFile(path) as archive:
            members = _checked_members(archive)
    except (zipfile.BadZipFile, KeyError, EOFError, json.JSONDecodeError) as problem:
        raise LogbookError(
            f"{path.name} is not a whole backup ({problem}).", "Nothing was changed."
        ) from problem
    for name, data in members.items():
        if name.startswith("pictures/"):
            reference = name.removeprefix("pictures/")
            kept = logbook.pictures.keep(data, reference.rsplit(".", 1)[-1])
            if kept != reference:
                raise LogbookError(f"{name} is damaged.", "Nothing was changed.")
    added = {}
    with writing(logbook.engine) as db:
        for name, table in _TABLES.items():
            known = {uid for (uid,) in db.execute(sa.select(table.c.uid))}
            rows = [json.loads(line) for line in members[f"{name}.jsonl"].decode().splitlines()]
            new = [{k: v for k, v in r.items() if k != "id"} for r in rows if r["uid"] not in known]
            if new:
                db.execute(table.insert(), new)
            added[name] = new
    return _words(len(added["jobs"]), len(added["entries"]), len(_references(added["entries"])))


def _checked_members(archive: zipfile.ZipFile) -> dict[str, bytes]:
    manifest = json.loads(archive.read("manifest.json"))
    if manifest.get("schema") != SCHEMA or manifest.get("revision") != schema.HEAD:
        raise LogbookError(
            f"This backup is of another version ({manifest.get('schema')}, schema "
            f"{manifest.get('revision')}).",
            "Restore it with the version that wrote it, or update the program.",
        )
    members = {}
    for name, digest in manifest["sha256"].items():
        if archive.getinfo(name).file_size > MAX_MEMBER_BYTES:
            raise LogbookError(f"{name} in the backup is too large.", "Nothing was changed.")
        data = archive.read(name)
        if hashlib.sha256(data).hexdigest() != digest:
            raise LogbookError(f"{name} in the backup is damaged.", "Nothing was changed.")
        members[name] = data
    for table in _TABLES:
        if f"{table}.jsonl" not in members:
            raise KeyError(f"{table}.jsonl is missing")
    return members


def _put(archive: zipfile.ZipFile, hashes: dict[str, str], name: str, data: bytes) -> None:
    hashes[name] = hashlib.sha256(data).hexdigest()
    archive.writestr(name, data)


def _references(rows: list[dict[str, Any]]) -> list[str]:
    return sorted({r[c] for r in rows for c in ("photo_ref", "overlay_ref") if r[c]})


def _words(jobs: int, entries: int, pictures: int) -> str:
    return f"{jobs} jobs, {entries} entries, {pictures} pictures"
