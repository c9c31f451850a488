"""One line of the logbook as a plain frozen record: no database in here.

An entry is never changed. A correction is a new entry whose ``corrects`` names the old one.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass, field, fields
from datetime import datetime
from typing import Any

from bench.disturb import Turn
from vision.reading import COVERAGE_FACTOR

KINDS = ("reading", "refusal", "typed", "turn", "confirm", "skip", "order", "fact")
SOURCES = ("photo", "marks", "typed")


@dataclass(frozen=True)
class Entry:
    """A reading, refusal, typed figure, turn, confirmation, skip, order or fact.

    Values carry the unit of `bench.targets.UNIT_OF`; uncertainties are standard uncertainties.
    ``body`` holds the full record: of a reading the budget, flags and lines, of a turn its fields,
    of the rest a note. ``photo_ref`` and ``overlay_ref`` name kept pictures.
    """

    uid: str
    job_uid: str
    at: datetime
    kind: str
    step: str
    quantity: str | None = None
    value: float | None = None
    unit: str | None = None
    standard_uncertainty: float | None = None
    definitional_uncertainty: float = 0.0
    source: str | None = None
    outcome: str | None = None
    photo_sha256: str | None = None
    photo_ref: str | None = None
    overlay_ref: str | None = None
    corrects: str | None = None
    version: str = ""
    body: dict[str, Any] = field(default_factory=dict)

    @property
    def expanded_uncertainty(self) -> float | None:
        """Expanded uncertainty, k = 2, without the definitional part."""
        u = self.standard_uncertainty
        return None if u is None else COVERAGE_FACTOR * u

    @property
    def flags(self) -> tuple[str, ...]:
        """Flags of a photo reading."""
        return tuple(self.body.get("flags", ()))

    @property
    def note(self) -> str:
        """What the person wrote or why a photo was refused."""
        refusal = self.body.get("refusal")
        if refusal:
            return f"{refusal['reason']} {refusal['advice']}"
        return str(self.body.get("note", ""))

    def turn(self) -> Turn:
        """The turn of a ``turn`` entry."""
        if self.kind != "turn":
            raise ValueError(f"entry kind: got {self.kind!r}, allowed turn")
        known = {f.name for f in fields(Turn)}
        return Turn(**{k: v for k, v in self.body["turn"].items() if k in known})

    def component(self, name: str) -> float | None:
        """Value of a reading's component whose name contains ``name``; None if there is none."""
        for part in self.body.get("components", ()):
            if name in part["name"]:
                return float(part["value"])
        return None


def turn_body(turn: Turn, note: str = "") -> dict[str, Any]:
    """Body of a ``turn`` entry."""
    return {"turn": asdict(turn), "note": note}


def standing(entries: Iterable[Entry]) -> list[Entry]:
    """Entries in order without those that a later one corrects."""
    rows = list(entries)
    replaced = {e.corrects for e in rows if e.corrects}
    return [e for e in rows if e.uid not in replaced]
