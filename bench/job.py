"""A job under way: what a page or the terminal calls, one short call a thing done.

Every reading, figure, turn and confirmation is written to the logbook at once; the states are
worked out from the entries each time, so a job can be left and taken up anywhere.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

from bench.advice import Advice, advise_verdict
from bench.deck import Deck
from bench.disturb import Disturbance, Turn, disturbances
from bench.entries import Entry, standing, turn_body
from bench.logbook import Job, Logbook
from bench.mechanics import in_range
from bench.step_list import STEP_BY_KEY, Step
from bench.steps import StepState, check_order, next_state, states, verdict_of
from bench.targets import UNIT_OF
from bench.verdict import Verdict
from vision.reading import COVERAGE_FACTOR, Reading, Refusal, as_record

DECK_FACTS = ("record_mm", "mirror_mm", "warp_mm", "mounting_distance_mm")
ARM_FACTS = ("pivot_height_mm",)
NOTE_FACTS: dict[str, tuple[str, float, float, str]] = {
    "cap_height_mm": ("cap height", 0.0, 200.0, "mm"),
    "print_scale_percent": ("print scale", 80.0, 120.0, "%"),
    "bubble_sensitivity_arcmin_per_2mm": ("level's sensitivity", 0.5, 120.0, "′ per 2 mm"),
}
# Facts that a photo reading takes as typed quantities, with the reader's name for each.
GIVEN = {
    "cap_height_mm": "pivot_height_mm",
    "print_scale_percent": "print_scale_percent",
    "bubble_sensitivity_arcmin_per_2mm": "bubble_sensitivity_arcmin_per_2mm",
}


@dataclass(frozen=True)
class Result:
    """What came of a reading or figure: the entry as stored, its verdict, and what to do."""

    entry: Entry
    verdict: Verdict | None
    advice: Advice | None


class OpenJob:
    """A job and its logbook."""

    def __init__(self, logbook: Logbook, job: Job) -> None:
        self.logbook, self.job = logbook, job

    @classmethod
    def start(
        cls,
        logbook: Logbook,
        deck: Deck,
        title: str = "",
        owner: str = "",
        deck_key: str | None = None,
    ) -> OpenJob:
        """Start a job on a deck; ``deck_key`` is that of a deck already saved."""
        return cls(logbook, logbook.start_job(deck, title, owner, deck_key))

    @classmethod
    def resume(cls, logbook: Logbook, uid: str) -> OpenJob:
        """Take up a job by its uid or an unambiguous beginning of it."""
        return cls(logbook, logbook.job(uid))

    @property
    def uid(self) -> str:
        """The job's uid."""
        return self.job.uid

    def entries(self) -> list[Entry]:
        """All entries so far, corrected ones included."""
        return self.logbook.entries(self.uid)

    @property
    def deck(self) -> Deck:
        """The deck with the facts told during the job."""
        return self._deck(self.entries())

    def states(self) -> tuple[StepState, ...]:
        """State of every step."""
        rows = self.entries()
        return states(self._deck(rows), rows)

    def next(self) -> StepState | None:
        """The step to work on; None when all are finished."""
        rows = self.entries()
        return next_state(states(self._deck(rows), rows), rows)

    def state(self, step_key: str) -> StepState:
        """State of one step."""
        _step(step_key)
        return next(s for s in self.states() if s.step.key == step_key)

    def advice(self, step_key: str) -> Advice | None:
        """Advice on the reading a step stands on; None without one."""
        state = self.state(step_key)
        if state.verdict is None or state.entry is None:
            return None
        return advise_verdict(self.deck, state.verdict, state.entry.component("direction"))

    def read(
        self,
        step_key: str,
        outcome: Reading | Refusal,
        photo: bytes | None = None,
        overlay: bytes | None = None,
        source: str = "photo",
        corrects: str | None = None,
    ) -> Result:
        """Store a photo's reading or refusal, with its pictures where given.

        Parameters
        ----------
        step_key : str
        outcome : Reading or Refusal
            Its quantity must be one the step accepts.
        photo, overlay : bytes or None
            Kept without their location; a photo that cannot be cleaned is not kept.
        source : {"photo", "marks"}
        corrects : str or None
            Uid of the entry this one replaces.
        """
        step = _step(step_key)
        _accepted(step, outcome.quantity)
        refused = isinstance(outcome, Refusal)
        deck = self.deck
        body = as_record(outcome)
        body["target"] = deck.target(outcome.quantity).text()
        common = {
            "quantity": outcome.quantity,
            "source": source,
            "photo_sha256": outcome.sha256,
            "photo_ref": self._keep(photo, body, "photo"),
            "overlay_ref": self._keep(overlay, body, "overlay"),
            "corrects": corrects,
            "body": body,
        }
        if isinstance(outcome, Refusal):
            entry = self.logbook.add(self.uid, "refusal", step_key, **common)
            return Result(entry, None, None)
        assert not refused
        trial = Entry(
            "", self.uid, self.job.at, "reading", step_key, outcome.quantity, outcome.value,
            outcome.unit, outcome.standard_uncertainty, outcome.definitional_uncertainty, body=body,
        )  # fmt: skip
        verdict = verdict_of(deck, trial)
        entry = self.logbook.add(
            self.uid,
            "reading",
            step_key,
            value=outcome.value,
            unit=outcome.unit,
            standard_uncertainty=outcome.standard_uncertainty,
            definitional_uncertainty=outcome.definitional_uncertainty,
            outcome=None if verdict is None else verdict.outcome,
            **common,
        )
        return self._result(deck, entry, verdict)

    def typed(
        self,
        step_key: str,
        quantity: str,
        value: float,
        unit: str,
        expanded_uncertainty: float,
        note: str = "",
        corrects: str | None = None,
    ) -> Result:
        """Store a figure the person measured otherwise, with its expanded uncertainty (k = 2)."""
        step = _step(step_key)
        _accepted(step, quantity)
        if unit != UNIT_OF[quantity]:
            raise ValueError(f"{quantity} unit: got {unit!r}, allowed {UNIT_OF[quantity]!r}")
        low, high = TYPED_RANGES[quantity]
        if not low <= value <= high:
            raise ValueError(
                f"{quantity}: got {value:g} {unit}, allowed {low:g} to {high:g} {unit}"
            )
        if not 0 < expanded_uncertainty <= high - low:
            raise ValueError(
                f"{quantity} uncertainty: got {expanded_uncertainty:g} {unit}, allowed more than "
                f"0 and up to {high - low:g} {unit}"
            )
        deck = self.deck
        u = expanded_uncertainty / COVERAGE_FACTOR
        body = {"note": note, "target": deck.target(quantity).text()}
        trial = Entry(
            "", self.uid, self.job.at, "typed", step_key, quantity, value, unit, u, body=body
        )
        verdict = verdict_of(deck, trial)
        entry = self.logbook.add(
            self.uid,
            "typed",
            step_key,
            quantity=quantity,
            value=value,
            unit=unit,
            standard_uncertainty=u,
            source="typed",
            outcome=None if verdict is None else verdict.outcome,
            corrects=corrects,
            body=body,
        )
        return self._result(deck, entry, verdict)

    def turned(self, turn: Turn, step_key: str, note: str = "") -> tuple[Disturbance, ...]:
        """Store that something was turned; return what it disturbs."""
        _step(step_key)
        deck = self.deck
        self.logbook.add(self.uid, "turn", step_key, body=turn_body(turn, note))
        return disturbances(deck, turn)

    def confirm(self, step_key: str, note: str = "") -> Entry:
        """Store that a step is done, or that its reading is accepted as it is."""
        return self.logbook.add(self.uid, "confirm", _step(step_key).key, body={"note": note})

    def skip(self, step_key: str, reason: str) -> Entry:
        """Store that a step is left out, and why."""
        if not reason.strip():
            raise ValueError("reason: got nothing, allowed a few words on why the step is skipped")
        return self.logbook.add(self.uid, "skip", _step(step_key).key, body={"note": reason})

    def reorder(self, keys: Sequence[str]) -> Entry:
        """Store another order of the steps."""
        order = list(check_order(keys))
        return self.logbook.add(self.uid, "order", "", body={"order": order})

    def tell(self, field: str, value: float) -> Entry:
        """Store a fact asked for on the way, such as the record's thickness in mm."""
        if field not in (*DECK_FACTS, *ARM_FACTS, *NOTE_FACTS):
            allowed = ", ".join((*DECK_FACTS, *ARM_FACTS, *NOTE_FACTS))
            raise ValueError(f"fact: got {field!r}, allowed {allowed}")
        if field in NOTE_FACTS:
            name, low, high, unit = NOTE_FACTS[field]
            in_range(name, value, low, high, unit)
        body = {"field": field, "value": float(value)}
        _with_fact(self.deck, body)
        return self.logbook.add(self.uid, "fact", "", body=body)

    def fact(self, field: str) -> float | None:
        """Return a fact told, or the deck's own figure."""
        for entry in reversed(standing(self.entries())):
            if entry.kind == "fact" and entry.body["field"] == field:
                return float(entry.body["value"])
        deck = self.deck
        return getattr(deck, field, None) or getattr(deck.arm, field, None)

    def given(self) -> dict[str, float]:
        """Facts told and deck figures that a photo reading needs, under the reader's names."""
        told = {name: self.fact(fact) for fact, name in GIVEN.items()}
        alignment = self.deck.alignment()
        if alignment is not None:
            told["mounting_distance_mm"] = alignment.mounting_distance_mm
            told["overhang_target_mm"] = alignment.overhang_mm
        return {name: value for name, value in told.items() if value is not None}

    def _deck(self, rows: Sequence[Entry]) -> Deck:
        deck = self.job.deck
        for entry in standing(rows):
            if entry.kind == "fact":
                deck = _with_fact(deck, entry.body)
        return deck

    def _keep(self, picture: bytes | None, body: dict[str, object], what: str) -> str | None:
        if picture is None:
            return None
        try:
            return self.logbook.keep_picture(picture)
        except ValueError as problem:
            body[f"{what}_not_kept"] = str(problem)
            return None

    def _result(self, deck: Deck, entry: Entry, verdict: Verdict | None) -> Result:
        advice = None
        if verdict is not None:
            advice = advise_verdict(deck, verdict, entry.component("direction"))
        return Result(entry, verdict, advice)


# What a person can mean by a typed figure, in the quantity's unit.
TYPED_RANGES: dict[str, tuple[float, float]] = {
    "rake": (60.0, 120.0),
    "cantilever": (-30.0, 30.0),
    "body-square": (-30.0, 30.0),
    "azimuth": (-20.0, 20.0),
    "arm-level": (-15.0, 15.0),
    "platter-level": (0.0, 10.0),
    "mounting-distance": (120.0, 450.0),
    "overhang": (-40.0, 40.0),
    "null-points": (-40.0, 40.0),
    "speed": (-20.0, 20.0),
    "tracking-force": (0.0, 10.0),
    "anti-skate": (0.0, 10.0),
    "crosstalk-difference": (-60.0, 60.0),
    "balance": (-40.0, 40.0),
}


def _step(key: str) -> Step:
    if key not in STEP_BY_KEY:
        raise ValueError(f"step: got {key!r}, allowed {', '.join(STEP_BY_KEY)}")
    return STEP_BY_KEY[key]


def _accepted(step: Step, quantity: str) -> None:
    if quantity not in step.accepts:
        allowed = ", ".join(step.accepts) or "no reading"
        raise ValueError(f"{step.key}: got a reading of {quantity!r}, allowed {allowed}")


def _with_fact(deck: Deck, body: dict[str, object]) -> Deck:
    field, value = str(body["field"]), body["value"]
    if field in {f.name for f in fields(Deck)}:
        return replace(deck, **{field: value})  # type: ignore[arg-type]
    if field in ARM_FACTS:
        return replace(deck, arm=replace(deck.arm, **{field: value}))  # type: ignore[arg-type]
    return deck
