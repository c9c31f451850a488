"""The logbook's entries as CSV or JSON for other programs.

One row an entry, times in UTC (ISO 8601), values with unit and both uncertainties. A text that a
spreadsheet would take for a formula is written with a leading apostrophe.
"""

from __future__ import annotations

import csv
import io
import json
import os
from pathlib import Path

from bench.entries import Entry
from bench.logbook import Job, Logbook, entry_row

COLUMNS = (
    "job", "deck", "uid", "at", "kind", "step", "quantity", "value", "unit",
    "expanded_uncertainty", "definitional_uncertainty", "source", "outcome", "target", "flags",
    "note", "photo_sha256", "photo_ref", "corrects", "version",
)  # fmt: skip
SCHEMA = "deckplumb/log/1"


def export(logbook: Logbook, path: Path, job_uid: str | None = None) -> int:
    """Write all entries, or those of one job, by the file's ending; return how many."""
    ending = path.suffix.lower()
    if ending not in (".csv", ".json"):
        raise ValueError(f"export file: got {path.name!r}, allowed a name ending in .csv or .json")
    jobs = {job.uid: job for job in logbook.jobs()}
    entries = logbook.all_entries() if job_uid is None else logbook.entries(job_uid)
    text = as_csv(entries, jobs) if ending == ".csv" else as_json(entries, jobs)
    write_whole(path, text.encode("utf-8-sig" if ending == ".csv" else "utf-8"))
    return len(entries)


def as_csv(entries: list[Entry], jobs: dict[str, Job]) -> str:
    """Entries as CSV with a header row."""
    out = io.StringIO()
    rows = csv.writer(out)
    rows.writerow(COLUMNS)
    for e in entries:
        job = jobs[e.job_uid]
        cells = (
            job.uid, job.deck.name, e.uid, e.at.isoformat(), e.kind, e.step, e.quantity,
            e.value, e.unit, e.expanded_uncertainty, e.definitional_uncertainty, e.source,
            e.outcome, e.body.get("target"), " ".join(e.flags), _what(e), e.photo_sha256,
            e.photo_ref, e.corrects, e.version,
        )  # fmt: skip
        rows.writerow([_cell(cell) for cell in cells])
    return out.getvalue()


def as_json(entries: list[Entry], jobs: dict[str, Job]) -> str:
    """Entries with their full bodies as one JSON object."""
    rows = []
    for e in entries:
        row = entry_row(e)
        row["body"] = e.body
        row["expanded_uncertainty"] = e.expanded_uncertainty
        row["deck"] = jobs[e.job_uid].deck.name
        rows.append(row)
    return json.dumps({"schema": SCHEMA, "entries": rows}, ensure_ascii=False, indent=1)


def write_whole(path: Path, data: bytes) -> None:
    """Write a file so that it is there whole or not at all."""
    half = path.with_name(f".{path.name}.half")
    try:
        with half.open("wb") as out:
            out.write(data)
            out.flush()
            os.fsync(out.fileno())
        os.replace(half, path)
    finally:
        half.unlink(missing_ok=True)


def _what(entry: Entry) -> str:
    if entry.kind == "turn":
        return entry.turn().sentence
    return entry.note


def _cell(value: object) -> object:
    if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r"):
        return "'" + value
    return "" if value is None else value
