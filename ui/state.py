"""What the pages share: the deck at hand, typed page state, and readings written down at once.

In: what a person chose and what `vision.measure` returned. Out: entries in the logbook. Nothing
that matters lives only in Streamlit's session state, which dies two minutes after a phone sleeps:
the photos and the quantity are in the page's address, the job at hand and typed facts in a small
file beside the inbox, every reading in the logbook as soon as it exists.
"""

from __future__ import annotations

import io
import json
import os
import tempfile
import threading
import time
from collections import OrderedDict
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import streamlit as st

from bench.deck import Deck
from bench.example_decks import examples
from bench.export import as_csv
from bench.job import OpenJob, Result
from bench.logbook import Entry, Logbook, LogbookError
from bench.steps import StepState
from ui import photo_steps
from ui.inbox import Arrival, NotAccepted, data_folder, heavily, inbox
from vision.measure import Options, measure
from vision.overlay import draw_overlay
from vision.photo import PhotoError
from vision.reading import Outcome, Reading, Refusal

PRACTICE = "Practice"
SAMPLES = Path(__file__).resolve().parent.parent / "sample_images"
OUTCOMES_KEPT = 400
COURSES_KEPT = 20
OVERLAY_SIDE = 1600
STALE_SECONDS = 10.0

_outcomes: OrderedDict[str, Outcome] = OrderedDict()
_courses: OrderedDict[str, list[tuple[float, float]]] = OrderedDict()
_locks: dict[str, threading.Lock] = {}
_guard = threading.Lock()
_desk_lock = threading.Lock()


@dataclass(frozen=True)
class Page:
    """What the reading page is about, kept in its address: quantity, photos, step."""

    quantity: str
    photos: tuple[str, ...]
    step: str
    pivot: str = "auto"

    @classmethod
    def from_address(cls, known: tuple[str, ...]) -> Page:
        """Read the address; unknown quantities fall back to the first.

        A message that was under way when the address changed still carries the old one; for a
        moment the old address therefore means the new page.
        """
        fresh = st.session_state.get("fresh")
        if fresh and fresh[0] == st.query_params.to_dict() and time.monotonic() < fresh[2]:
            page: Page = fresh[1]
            return page
        asked = st.query_params.get("q", known[0])
        side = st.query_params.get("v", "auto")
        held = [p for p in st.query_params.get("p", "").split(",") if inbox().get(p)]
        return cls(
            asked if asked in known else known[0],
            tuple(dict.fromkeys(held)),
            st.query_params.get("s", ""),
            "auto" if side not in ("left", "right") else side,
        )

    def to_address(self) -> None:
        """Write it back, so that a reload finds the same photo and reading."""
        wanted = {"q": self.quantity}
        if self.photos:
            wanted["p"] = ",".join(self.photos)
        if self.step:
            wanted["s"] = self.step
        if self.pivot != "auto":
            wanted["v"] = self.pivot
        old = st.query_params.to_dict()
        if old != wanted:
            st.session_state["fresh"] = (old, self, time.monotonic() + STALE_SECONDS)
            st.query_params.from_dict(wanted)

    def with_photo(self, key: str) -> Page:
        """The same page with one more photo, the newest last."""
        return replace(self, photos=(*[p for p in self.photos if p != key], key))

    def only(self, key: str) -> Page:
        """The same page with this photo alone."""
        return replace(self, photos=(key,))

    def without_photo(self, key: str) -> Page:
        """The same page without that photo."""
        return replace(self, photos=tuple(p for p in self.photos if p != key))


def logbook() -> Logbook:
    """Return the logbook of this process.

    Raises
    ------
    LogbookError
        When it cannot be opened; pages show its reason and advice.
    """
    return _logbook(os.environ.get("DECKPLUMB_DB", ""), str(data_folder()))


@cache
def _logbook(url: str, folder: str) -> Logbook:
    if url or "DECKPLUMB_DATA" not in os.environ:
        return Logbook.open()
    return Logbook.open(str(Path(folder) / "logbook.sqlite"), str(Path(folder) / "photos"))


def job() -> OpenJob | None:
    """Return the job at hand: this session's choice, or the last one used on this computer."""
    for uid in (st.session_state.get("job"), desk().get("job")):
        if uid:
            with suppress(ValueError, KeyError):
                found = OpenJob.resume(logbook(), uid)
                st.session_state["job"] = uid
                return found
    return None


def job_quietly() -> OpenJob | None:
    """As `job`; None too where the logbook cannot be opened, which other pages say."""
    try:
        return job()
    except LogbookError:
        return None


def job_or_new() -> OpenJob:
    """Return the job at hand; without one, start one on a typical nine-inch arm."""
    return job() or start_job(replace(next(iter(examples().values())), name="My deck"))


def start_job(deck: Deck, title: str = "", owner: str = "") -> OpenJob:
    """Start a job and put it at hand."""
    started = OpenJob.start(logbook(), deck, title=title, owner=owner)
    take_job(started.uid)
    return started


def take_job(uid: str) -> None:
    """Put a job at hand, here and for whoever opens the app next."""
    st.session_state["job"] = uid
    keep("job", uid)


def history(open_job: OpenJob, quantity: str) -> list[Entry]:
    """Every figure of a quantity on the deck at hand, oldest first."""
    book = logbook()
    return book.history(book.job(open_job.uid).deck_key, quantity)


def report(open_job: OpenJob, kind: str) -> bytes:
    """Return what the owner gets: ``"pdf"`` or ``"html"``."""
    from bench import report as made  # its PDF library is slow to import

    return made.report_pdf(open_job) if kind == "pdf" else made.report_html(open_job).encode()


def is_practice(open_job: OpenJob | None) -> bool:
    """Whether this is the practice job, the only one that keeps readings of sample photos."""
    return open_job is not None and open_job.job.title == PRACTICE


def desk() -> dict[str, Any]:
    """Return the small facts kept beside the inbox."""
    try:
        found = json.loads((data_folder() / "desk.json").read_text("utf-8"))
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}


def keep(name: str, value: Any) -> None:
    """Keep one small fact; a full or read-only disk only costs the memory of it."""
    with _desk_lock:
        facts = {**desk(), name: value}
        try:
            folder = data_folder()
            folder.mkdir(parents=True, exist_ok=True)
            handle, text = tempfile.mkstemp(prefix="desk-", dir=folder)
            with os.fdopen(handle, "w", encoding="utf-8") as out:
                json.dump(facts, out)
            os.replace(text, folder / "desk.json")
        except OSError:
            return


def options_for(open_job: OpenJob | None, quantity: str, pivot: str = "auto") -> Options:
    """Return the options of a reading, from the job at hand and the side of the pivot."""
    if open_job is None:
        return Options(pivot=pivot)
    options = replace(photo_steps.options_for(open_job), pivot=pivot)
    distance = open_job.deck.mounting_distance_mm
    if quantity == "overhang" and distance is not None:
        options = replace(options, given={**options.given, "mounting_distance_mm": distance})
    return options


def outcome(key: str, quantity: str, options: Options) -> Outcome:
    """Measure, or return what was measured before from the same photo and options."""
    name = f"{key}|{quantity}|{options!r}"
    with _guard:
        if name in _outcomes:
            _outcomes.move_to_end(name)
            return _outcomes[name]
        lock = _locks.setdefault(key, threading.Lock())
    with lock:
        with _guard:
            if name in _outcomes:
                return _outcomes[name]
        result = heavily(_measure, key, quantity, options)
    with _guard:
        _outcomes[name] = result
        while len(_outcomes) > OUTCOMES_KEPT:
            _outcomes.popitem(last=False)
        if len(_locks) > OUTCOMES_KEPT:
            _locks.clear()
    return result


def _measure(key: str, quantity: str, options: Options) -> Outcome:
    try:
        if quantity == "speed":
            return _speed(key, options)
        return measure(inbox().photo(key), quantity, options)
    except PhotoError as error:
        return Refusal(quantity, error.reason, error.advice, unreadable=True)
    except ModuleNotFoundError as error:
        if error.name != "vision." + quantity.replace("-", "_"):
            raise
        return Refusal(
            quantity,
            "This version cannot read this from a photo yet.",
            "Measure it by hand and type it in on the step's page.",
        )


def _speed(key: str, options: Options) -> Outcome:
    """Measure a video and keep its course of speed for the chart."""
    from vision.speed import NOMINAL_RPM, find_speed, solve_speed

    arrival = inbox().get(key)
    trace = find_speed(inbox().path(key), options)
    result = trace if isinstance(trace, Refusal) else solve_speed(trace, options)
    if isinstance(result, Reading) and not isinstance(trace, Refusal):
        courses = [trace.speed_percent(rpm) for rpm in NOMINAL_RPM.values()]
        times, percent = min(courses, key=lambda c: abs(float(c[1].mean()) - result.value))
        with _guard:
            _courses[key] = list(zip(times.tolist(), percent.tolist(), strict=True))
            while len(_courses) > COURSES_KEPT:
                _courses.popitem(last=False)
    return replace(result, photo=arrival.name if arrival else None)


def speed_course(key: str) -> list[tuple[float, float]]:
    """Return seconds and speed in per cent from nominal of a video measured before."""
    return _courses.get(key, [])


def write_down(
    open_job: OpenJob,
    step: str,
    arrival: Arrival,
    result: Outcome,
    options: Options,
    corrects: str | None = None,
) -> Result | None:
    """Write an outcome into the logbook once; a reload or a second phone does not repeat it.

    Returns
    -------
    Result or None
        None when this very outcome is already in the log.
    """
    name = f"{open_job.uid}|{result.quantity}|{options!r}"
    index = inbox().folder / f"{arrival.id}.log"
    with _guard:
        lock = _locks.setdefault("log" + arrival.id, threading.Lock())
    with lock:
        try:
            done = json.loads(index.read_text("utf-8"))
        except (OSError, ValueError):
            done = {}
        if name in done:
            return None
        written = open_job.read(
            step,
            result,
            photo=_bytes(arrival),
            overlay=overlay_jpeg(arrival, result),
            source="marks" if options.marks else "photo",
            corrects=corrects,
        )
        done[name] = written.entry.uid
        index.write_text(json.dumps(done), "utf-8")
    return written


def logged(open_job: OpenJob, arrival: Arrival, quantity: str, options: Options) -> str | None:
    """Return the uid of the entry that `write_down` made for this, if any."""
    try:
        done = json.loads((inbox().folder / f"{arrival.id}.log").read_text("utf-8"))
    except (OSError, ValueError):
        return None
    found = done.get(f"{open_job.uid}|{quantity}|{options!r}")
    return str(found) if found else None


def _bytes(arrival: Arrival) -> bytes | None:
    return None if arrival.kind == "video" else inbox().path(arrival.id).read_bytes()


def overlay_jpeg(arrival: Arrival, result: Outcome) -> bytes | None:
    """Return the photo with the reading's lines as JPEG bytes; None for a video."""
    if arrival.kind == "video":
        return None
    picture = draw_overlay(inbox().photo(arrival.id), result, max_side=OVERLAY_SIDE)
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=88)
    return out.getvalue()


def export_csv(open_job: OpenJob) -> bytes:
    """Return every entry of the job as CSV."""
    book = logbook()
    return as_csv(open_job.entries(), {j.uid: j for j in book.jobs()}).encode("utf-8-sig")


def step_for(open_job: OpenJob, quantity: str, asked: str = "") -> str | None:
    """Return the key of the step that a quantity settles: the asked one, else the first."""
    fitting = [s.step.key for s in open_job.states() if quantity in accepted(s)]
    if asked in fitting:
        return asked
    return fitting[0] if fitting else None


def accepted(state: StepState) -> tuple[str, ...]:
    """Quantities that may settle a step."""
    own = (state.step.quantity,) if state.step.quantity else ()
    return tuple(dict.fromkeys((*own, *state.step.accepts)))


def samples(quantity: str) -> dict[str, str]:
    """Sample photos of a quantity and what each shows, those to be taken again last."""
    held = {n: t for n, t in sample_truth().items() if t.get("quantity") == quantity}
    names = sorted(held, key=lambda n: (not held[n].get("usable", True), n))
    return {
        name: f"{number}. {held[name].get('description', name)}"
        for number, name in enumerate(names, 1)
        if (SAMPLES / name).exists()
    }


@cache
def sample_truth() -> dict[str, dict[str, Any]]:
    """What is known about each sample photo (rendered, so its truth is known)."""
    try:
        found = json.loads((SAMPLES / "truth.json").read_text("utf-8"))
    except (OSError, ValueError):
        return {}
    photos = found.get("photos", found)
    return (
        {n: t for n, t in photos.items() if isinstance(t, dict)} if isinstance(photos, dict) else {}
    )


def add_sample(name: str) -> Arrival:
    """Put a sample photo into the inbox as if it had been taken.

    Raises
    ------
    NotAccepted
        When it is not a readable photo.
    """
    if name not in sample_truth():
        raise NotAccepted(404, f"{name} is not a sample.", "Choose one from the list.")
    return inbox().add((SAMPLES / name).read_bytes(), name, sample=True)
