"""Where a job stands: the status of every step, from the deck and the logbook's entries alone.

In: a deck and its job's entries in order. Out: one `StepState` a step. Nothing is stored here, so
a job can be stopped anywhere and found again: the same entries give the same states. After a turn,
exactly the steps whose reading it disturbs by an amount that matters become "check again".
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from bench.deck import Deck
from bench.disturb import Disturbance, disturbances
from bench.entries import Entry, standing
from bench.step_list import (
    ANTI_SKATE_HINTS,
    GENERATOR_HANDLING,
    STEP_BY_KEY,
    STEPS,
    Step,
)
from bench.targets import NoTarget, Target
from bench.verdict import NO_VERDICT_FLAGS, Verdict, judge
from vision.reading import COVERAGE_FACTOR

STATUSES = (
    "to do",
    "within",
    "within as shown",
    "outside",
    "undecided",
    "check again",
    "done",
    "accepted",
    "skipped",
    "not applicable",
    "set by rake",
    "set by overhang",
)
# A later step that turns the same part has the last word on an earlier one.
LAST_WORD = {"arm-level": "rake", "mounting-distance": "overhang"}
FINISHED = frozenset(
    {
        "within",
        "within as shown",
        "done",
        "accepted",
        "skipped",
        "not applicable",
        "set by rake",
        "set by overhang",
    }
)


@dataclass(frozen=True)
class StepState:
    """A step, its status (one of `STATUSES`), and what the status rests on.

    ``disturbances`` are those since the last reading; ``note`` says why in a sentence.
    """

    step: Step
    status: str
    entry: Entry | None = None
    verdict: Verdict | None = None
    disturbances: tuple[Disturbance, ...] = ()
    note: str = ""

    @property
    def done(self) -> bool:
        """Whether the walk may go on past this step."""
        return self.status in FINISHED


def default_order() -> tuple[str, ...]:
    """Keys of the steps in their default order."""
    return tuple(step.key for step in STEPS)


def check_order(order: Sequence[str]) -> tuple[str, ...]:
    """Return the order if every step is in it once and after what it needs, else ValueError."""
    if sorted(order) != sorted(default_order()):
        raise ValueError(
            f"order: got {', '.join(order)}, allowed each of {', '.join(default_order())} once"
        )
    for place, key in enumerate(order):
        for needed in STEP_BY_KEY[key].after:
            if needed not in order[:place]:
                raise ValueError(f"order: got {key} before {needed}, allowed only after it")
    return tuple(order)


def states(
    deck: Deck, entries: Iterable[Entry], order: Sequence[str] | None = None
) -> tuple[StepState, ...]:
    """State of every step, in the job's order (the last ``order`` entry, or ``order``)."""
    rows = standing(entries)
    moved = [e for e in rows if e.kind == "order"]
    keys = order or (moved[-1].body["order"] if moved else default_order())
    found = {
        key: _state(deck, STEP_BY_KEY[key], rows)
        for key in keys
        if STEP_BY_KEY[key].kind != "derived"
    }
    return tuple(found.get(key) or _derived(STEP_BY_KEY[key], found) for key in keys)


def next_state(all_states: Sequence[StepState], entries: Iterable[Entry] = ()) -> StepState | None:
    """The step to work on: the one just turned, then the first to do, then those to check again.

    None when every step is finished. Disturbed earlier steps wait for the derived step, so that
    one turn does not send the person round the whole walk.
    """
    by_key = {s.step.key: s for s in all_states}
    turns = [e for e in standing(entries) if e.kind == "turn"]
    if turns and not by_key[turns[-1].step].done:
        return by_key[turns[-1].step]
    for state in all_states:
        if state.step.kind == "derived":
            again = [s for s in all_states if s.status == "check again" and s is not state]
            if again:
                return again[0]
        elif not state.done and state.status != "check again":
            return state
    return next((s for s in all_states if not s.done), None)


def cautions(step: Step, deck: Deck) -> tuple[str, ...]:
    """Cautions of a step on this deck: the step's own and the cartridge's handling."""
    handled = step.key in ("inspect", "fit-cartridge")
    extra = GENERATOR_HANDLING[deck.cartridge.generator] if handled else ()
    return (*step.cautions, *extra)


def how(step: Step, deck: Deck) -> tuple[str, ...]:
    """How to do a step on this deck: the step's own lines and what this arm adds to them."""
    extra: list[str] = []
    arm, cartridge = deck.arm, deck.cartridge
    if step.key == "anti-skate" and ANTI_SKATE_HINTS[arm.anti_skate]:
        extra.append(ANTI_SKATE_HINTS[arm.anti_skate])
    if step.key == "fit-cartridge" and cartridge.integrated:
        extra.append("A cartridge built into its headshell only plugs in: tighten the collar.")
    if step.key == "rake" and cartridge.tip == "conical":
        extra.append("A conical tip has no rake target: set the arm level and go on.")
    if step.key == "overhang" and arm.kind == "underhung":
        extra.append("Under-hung: the stylus falls short of the spindle; there is one null point.")
    if step.key in ("azimuth", "inspect") and arm.kind == "unipivot":
        extra.append("Unipivot: let the arm float and settle before you look.")
    if step.key == "arm-level" and arm.shape in ("s", "j"):
        extra.append("A bent tube: use the straight length nearest the pivot.")
    if step.key == "platter-level" and deck.suspended:
        extra.append("Suspended: level the sub-chassis by its springs, feet last.")
    return (*step.how, *extra)


def not_applicable(deck: Deck, step: Step) -> str:
    """Why this deck skips the step; empty where it does not."""
    if step.key == "fit-cartridge" and deck.factory_assembled:
        return "assembled at the factory"
    if step.quantity and step.key not in ("first-force", "force-again"):
        target = deck.target(step.quantity)
        if isinstance(target, NoTarget) and "enter" not in target.reason:
            return target.reason
    return ""


def verdict_of(deck: Deck, entry: Entry) -> Verdict | None:
    """Judge a reading or typed entry by this deck's targets.

    A null-point reading is judged by its overhang error, where the sheet could tell it.
    """
    if entry.quantity == "null-points":
        return _null_point_verdict(deck, entry)
    if entry.value is None or entry.quantity is None or not entry.standard_uncertainty:
        return None
    target = deck.target(entry.quantity)
    for flag, reason in NO_VERDICT_FLAGS.items():
        if flag in entry.flags and not isinstance(target, NoTarget):
            target = NoTarget(entry.quantity, reason)
    u = math.hypot(entry.standard_uncertainty, deck.warp_u_deg(entry.quantity))
    return judge(entry.value, u, target, entry.definitional_uncertainty)


def _null_point_verdict(deck: Deck, entry: Entry) -> Verdict | None:
    target = deck.target("overhang")
    for part in entry.body.get("components", ()):
        if part["name"] == "overhang error" and isinstance(target, Target):
            u = part["expanded_uncertainty"] / COVERAGE_FACTOR
            return judge(target.aim + part["value"], u, target)
    return None


def _state(deck: Deck, step: Step, rows: list[Entry]) -> StepState:
    readings: dict[str, Entry] = {}
    said: Entry | None = None
    moved: list[Disturbance] = []
    decided_later, master = False, LAST_WORD.get(step.key, "")
    for entry in rows:
        if entry.kind == "turn":
            new = [d for d in disturbances(deck, entry.turn()) if d.step == step.key and d.matters]
            moved += new
            decided_later = decided_later or bool(new and entry.step == master)
        elif entry.step != step.key:
            continue
        elif entry.kind in ("reading", "typed") and entry.quantity in step.accepts:
            if moved:
                readings.clear()
            readings.pop(entry.quantity or "", None)
            readings[entry.quantity or ""] = entry
            moved, said = [], None
        elif entry.kind in ("confirm", "skip"):
            said, moved = entry, []
    newest = next(reversed(readings.values()), None)
    entry_found = next((readings[q] for q in step.deciders if q in readings), newest)
    verdict = None if entry_found is None else verdict_of(deck, entry_found)
    status, note = _status(deck, step, entry_found, verdict, said, moved)
    if decided_later and status in ("check again", "outside", "undecided"):
        status, note = f"set by {master}", f"{master} has the last word on what was turned here"
    return StepState(step, status, entry_found, verdict, tuple(moved), note)


def _status(
    deck: Deck,
    step: Step,
    entry: Entry | None,
    verdict: Verdict | None,
    said: Entry | None,
    moved: list[Disturbance],
) -> tuple[str, str]:
    if said is not None and (said.kind == "skip" or step.kind == "confirm" or not moved):
        if said.kind == "skip":
            return "skipped", said.note
        return ("done" if step.kind == "confirm" else "accepted"), said.note
    if moved and (entry is not None or said is not None):
        return "check again", " ".join(d.sentence for d in moved)
    if entry is None:
        reason = not_applicable(deck, step)
        return ("not applicable", reason) if reason else ("to do", "")
    if not_applicable(deck, step) and isinstance(deck.target(entry.quantity or ""), NoTarget):
        return "not applicable", not_applicable(deck, step)
    if verdict is None or verdict.outcome == "no verdict":
        unsaid = "This reading alone gives no verdict for the step."
        return "undecided", unsaid if verdict is None else verdict.sentence
    status = "within as shown" if verdict.within_as_shown else verdict.outcome
    return status, verdict.sentence


def _derived(step: Step, found: dict[str, StepState]) -> StepState:
    waits = [found[key] for key in step.after]
    names = ", ".join(s.step.title.lower() for s in waits if s.status == "check again")
    if names:
        return StepState(step, "check again", note=f"still to check: {names}")
    if all(s.done for s in waits):
        return StepState(step, "within", note="nothing is left to check again")
    return StepState(step, "to do")
