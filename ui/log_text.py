"""Logbook entries as lines of text for a terminal."""

from __future__ import annotations

from collections.abc import Iterable

from bench.entries import Entry
from bench.verdict import figure


def entry_lines(entries: Iterable[Entry]) -> list[str]:
    """One line an entry; a corrected entry is marked so."""
    rows = list(entries)
    replaced = {e.corrects for e in rows if e.corrects}
    return [_line(e) + ("  (corrected later)" if e.uid in replaced else "") for e in rows]


def figure_of(entry: Entry) -> str:
    """Value and expanded uncertainty of an entry, rounded."""
    if entry.value is None or not entry.expanded_uncertainty or entry.unit is None:
        return ""
    return figure(entry.value, entry.expanded_uncertainty, entry.unit)


def _line(entry: Entry) -> str:
    when = entry.at.astimezone().strftime("%Y-%m-%d %H:%M:%S")
    return f"{when}  {entry.step or '-':<18} {_what(entry)}".rstrip()


def _what(e: Entry) -> str:
    if e.kind in ("reading", "typed"):
        source = "" if e.source == "photo" else f", {e.source}"
        verdict = f"  {e.outcome}" if e.outcome else ""
        return f"{e.quantity} {figure_of(e)}{source}{verdict}"
    if e.kind == "refusal":
        return f"{e.quantity}: no reading. {e.note}"
    if e.kind == "turn":
        return f"turned: {e.turn().sentence}"
    if e.kind == "fact":
        return f"told: {e.body['field']} {e.body['value']:g}"
    if e.kind == "order":
        return "order of the steps changed"
    word = "done" if e.kind == "confirm" else "left out"
    return f"{word}{': ' if e.note else ''}{e.note}"
