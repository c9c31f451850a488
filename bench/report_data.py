"""What a report says, gathered once for every form of it: no layout in here.

In: an open job. Out: `ReportData`, plain texts and figures. Every figure carries unit, expanded
uncertainty (k = 2), source and the origin of its target.
"""

from __future__ import annotations

from dataclasses import dataclass

from bench.advice import advise_verdict
from bench.arm import Alignment, distortion_percent, groove_radii, skating_angle_deg
from bench.deck import ADJUSTERS, Deck
from bench.entries import Entry, standing
from bench.job import OpenJob
from bench.logbook import LogbookError
from bench.mechanics import RESONANCE_WINDOW_HZ, skating_force_gf
from bench.step_list import STEP_BY_KEY
from bench.steps import StepState
from bench.targets import COMMON_PRACTICE, UNIT_SIGNS, NoTarget, Target
from bench.verdict import figure
from vision.reading import FLAGS

SIGNS = {
    "within": "●",
    "within as shown": "◐",
    "outside": "▲",
    "undecided": "◆",
    "check again": "↻",
    "to do": "○",
    "done": "●",
    "accepted": "◇",
    "skipped": "–",
    "not applicable": "–",
    "set by rake": "●",
    "set by overhang": "●",
}
NAMES = {
    "rake": "Rake",
    "cantilever": "Cantilever",
    "body-square": "Body against the grid",
    "azimuth": "Azimuth",
    "arm-level": "Arm level",
    "platter-level": "Platter level",
    "mounting-distance": "Spindle to pivot",
    "overhang": "Overhang",
    "null-points": "Stylus at the null points",
    "tracking-force": "Tracking force",
    "anti-skate": "Anti-skate (dial)",
    "crosstalk-difference": "Crosstalk, left less right",
    "balance": "Balance, left less right",
    "speed": "Speed",
    "print-scale": "Print scale",
}
LEGEND = (
    "● within, ▲ outside, ◆ undecided: within and outside hold with the whole uncertainty (guard "
    "bands, JCGM 106). ◐ within as far as a photo can show: the contact edge, or the generator "
    "inside the body, may differ."
)
CAUTIONS = (
    "Where this report and the maker's manual differ, the manual is right.",
    "Anything behind a cover, on the mains side or in the signal wiring is work for qualified "
    "service; unplug the deck first.",
    "The figures hold for the record thickness, cartridge and room of the day: look again after "
    "a new stylus, a new mat or a move.",
    "The accuracy of photo readings was established on rendered photographs; the printed check "
    "target lets anyone test their own camera.",
)


@dataclass(frozen=True)
class Row:
    """One quantity: first and last figure, target with origin, state."""

    name: str
    before: str
    after: str
    target: str
    origin: str
    status: str
    sign: str


@dataclass(frozen=True)
class Detail:
    """One reading in full."""

    title: str
    figure: str
    when: str
    source: str
    measurand: str
    verdict: str
    definitional: str
    budget: tuple[tuple[str, str, str], ...]
    flags: tuple[str, ...]
    picture: bytes | None
    photo: str


@dataclass(frozen=True)
class ReportData:
    """Everything a report shows."""

    title: str
    subtitle: str
    when: str
    version: str
    summary: str
    finished: bool
    deck_facts: tuple[tuple[str, str], ...]
    rows: tuple[Row, ...]
    turns: tuple[tuple[str, str], ...]
    to_turn: tuple[tuple[str, str], ...]
    left_out: tuple[tuple[str, str], ...]
    details: tuple[Detail, ...]
    alignment: Alignment | None
    mistakes: dict[str, float]
    geometry_facts: tuple[tuple[str, str], ...]
    mechanics_facts: tuple[tuple[str, str], ...]
    cautions: tuple[str, ...]


def gather(job: OpenJob) -> ReportData:
    """Collect a report's contents from a job."""
    entries = standing(job.entries())
    deck, states = job.deck, job.states()
    read = [e for e in entries if e.kind in ("reading", "typed") and e.value is not None]
    last = max((e.at for e in entries), default=job.job.at)
    versions = sorted({e.version for e in entries if e.version})
    applicable = [s for s in states if s.status != "not applicable"]
    open_steps = [s for s in applicable if not s.done]
    return ReportData(
        title=deck.name,
        subtitle="  ·  ".join(p for p in (job.job.title, job.job.owner) if p),
        when=last.astimezone().strftime("%d %B %Y"),
        version=f"Deckplumb {', '.join(versions)}  ·  job {job.uid[:8]}",
        summary=_summary(states, open_steps),
        finished=not open_steps,
        deck_facts=_deck_facts(deck),
        rows=tuple(_rows(deck, states, read)),
        turns=tuple(_turns(entries)),
        to_turn=tuple(_to_turn(deck, open_steps)),
        left_out=tuple(
            (s.step.title, s.note)
            for s in states
            if s.status in ("skipped", "not applicable", "accepted")
        ),
        details=tuple(_detail(job, e) for e in read),
        alignment=deck.alignment(),
        mistakes=_mistakes(deck, states),
        geometry_facts=_geometry_facts(deck),
        mechanics_facts=_mechanics_facts(deck),
        cautions=CAUTIONS,
    )


def shown(entry: Entry) -> str:
    """Value ± U of an entry."""
    if entry.value is None or not entry.expanded_uncertainty or not entry.unit:
        return ""
    return figure(entry.value, entry.expanded_uncertainty, entry.unit)


def _summary(states: tuple[StepState, ...], open_steps: list[StepState]) -> str:
    judged = [s for s in states if s.verdict is not None and s.status != "not applicable"]
    within = sum(s.status in ("within", "set by rake", "set by overhang") for s in judged)
    shown = sum(s.status == "within as shown" for s in judged)
    text = f"{within} of {len(judged)} measured settings are within tolerance."
    if shown:
        text = f"{within} of {len(judged)} measured settings are within tolerance, {shown} more as "
        text += "far as a photo can show."
    if not open_steps:
        return f"{text} Every step is finished."
    for status in ("outside", "undecided", "check again"):
        names = [s.step.title.lower() for s in open_steps if s.status == status]
        if names:
            text += f" {status.capitalize()}: {'; '.join(names)}."
    waiting = sum(s.status == "to do" for s in open_steps)
    if waiting:
        text += f" {waiting} step{'s' if waiting > 1 else ''} still to do."
    return text


def _rows(deck: Deck, states: tuple[StepState, ...], read: list[Entry]) -> list[Row]:
    rows = []
    for state in states:
        step = state.step
        here = [e for e in read if e.step == step.key]
        if not step.accepts or (not here and state.status == "not applicable"):
            continue
        for quantity in step.accepts:
            own = [e for e in here if e.quantity == quantity]
            if not own and (here or quantity != step.quantity):
                continue
            target = deck.target(quantity)
            counts = state.entry is None or state.entry.quantity == quantity
            status = state.status if counts else "superseded"
            sign = SIGNS.get(status, "–")
            if status == "accepted" and state.verdict is not None:
                status = f"accepted, {state.verdict.outcome}"
            name = NAMES[quantity]
            if step.key == "first-force":
                name = "Tracking force, first"
            rows.append(
                Row(
                    name,
                    shown(own[0]) if len(own) > 1 else "",
                    _after(own[-1], state) if own else "",
                    target.text() if isinstance(target, Target) else "none",
                    target.origin if isinstance(target, Target) else target.reason,
                    status,
                    sign,
                )
            )
    return rows


def _after(entry: Entry, state: StepState) -> str:
    """Last figure; where later turns moved it, by how much by prediction."""
    moves = [d.change for d in state.disturbances if d.quantity == entry.quantity]
    stale = state.status == "check again" or state.status.startswith("set by")
    if state.entry is None or state.entry.uid != entry.uid or not moves or not stale:
        return shown(entry)
    if any(change is None for change in moves):
        return f"{shown(entry)}, moved since"
    moved = sum(change for change in moves if change is not None)
    return f"{shown(entry)}, moved {moved:+.2g}{UNIT_SIGNS[entry.unit or 'deg']} since"


def _turns(entries: list[Entry]) -> list[tuple[str, str]]:
    return [
        (STEP_BY_KEY[e.step].title, f"{e.turn().sentence} {e.note}".strip())
        for e in entries
        if e.kind == "turn"
    ]


def _to_turn(deck: Deck, open_steps: list[StepState]) -> list[tuple[str, str]]:
    rows = []
    for state in open_steps:
        if state.status == "check again":
            rows.append((state.step.title, state.note))
        elif state.verdict is not None and state.entry is not None:
            direction = state.entry.component("direction")
            advice = advise_verdict(deck, state.verdict, direction)
            rows.append((state.step.title, advice.sentence))
    return rows


def _detail(job: OpenJob, entry: Entry) -> Detail:
    body, unit = entry.body, entry.unit or ""
    parts = sorted(body.get("budget", ()), key=lambda p: -p["standard_uncertainty"])
    parts = [
        p for p in parts if p["standard_uncertainty"] > 0.02 * parts[0]["standard_uncertainty"]
    ]
    budget = tuple(
        (p["name"], f"{p['standard_uncertainty']:.2g}{UNIT_SIGNS[unit]}", p.get("note", ""))
        for p in parts
    )
    picture = None
    for reference in (entry.overlay_ref, entry.photo_ref):
        if reference and picture is None:
            try:
                picture = job.logbook.picture(reference)
            except LogbookError:
                continue
    definitional = _definitional(job.deck, entry)
    sources = {"photo": "photo", "marks": "photo, lines drawn by a person", "typed": "typed in"}
    return Detail(
        title=f"{NAMES[entry.quantity or '']}",
        figure=shown(entry),
        when=entry.at.astimezone().strftime("%d %b %Y, %H:%M"),
        source=sources[entry.source or "typed"],
        measurand=str(body.get("measurand", "")) or entry.note,
        verdict=f"{entry.outcome or 'no verdict'}, against {body.get('target', 'no target')}",
        definitional=definitional,
        budget=budget,
        flags=tuple(FLAGS.get(f, f) for f in entry.flags),
        picture=picture,
        photo="" if not entry.photo_sha256 else f"photo {entry.photo_sha256[:16]}…",
    )


def _definitional(deck: Deck, entry: Entry) -> str:
    target = deck.target(entry.quantity or "")
    stated = target.definitional_uncertainty if isinstance(target, Target) else None
    u = entry.definitional_uncertainty if stated is None else stated
    if not u:
        return ""
    source = "" if stated is None else " by the maker's sheet"
    return (
        f"What the photo shows and what is wanted may differ by ± {2.0 * u:.2g}"
        f"{UNIT_SIGNS[entry.unit or 'deg']} (k = 2){source}; the verdict allows for it."
    )


def _mistakes(deck: Deck, states: tuple[StepState, ...]) -> dict[str, float]:
    """Where the readings say the arm stands, for the dashed line of the plot."""
    found: dict[str, float] = {}
    names = {
        "overhang": "overhang_error_mm",
        "mounting-distance": "mounting_error_mm",
        "cantilever": "cantilever_deg",
    }
    for state in states:
        entry = state.entry
        if entry is None or entry.quantity not in names or entry.value is None:
            continue
        target = deck.target(entry.quantity)
        if isinstance(target, Target):
            found[names[entry.quantity]] = entry.value - target.aim
    if "mounting_error_mm" in found and "overhang_error_mm" in found:
        # Overhang is length less distance: the same stylus with the base moved out overhangs less.
        found["overhang_error_mm"] += found["mounting_error_mm"]
    return found if _can_be_plotted(deck, found) else {}


def _can_be_plotted(deck: Deck, mistakes: dict[str, float]) -> bool:
    alignment = deck.alignment()
    if alignment is None:
        return False
    try:
        alignment.error_deg(groove_radii(alignment.radii), **mistakes)
    except ValueError:
        return False
    return True


def _deck_facts(deck: Deck) -> tuple[tuple[str, str], ...]:
    arm, cartridge = deck.arm, deck.cartridge
    names = sorted(ADJUSTERS[a].removeprefix("the ") for a in (*arm.adjusters, *deck.adjusters))
    facts = [
        ("Arm", f"{arm.name} ({arm.kind}, {arm.shape})"),
        ("Cartridge", f"{cartridge.name} ({cartridge.tip} tip, {cartridge.generator})"),
        ("Can be adjusted", ", ".join(names) or "nothing"),
    ]
    if deck.record_mm is not None:
        facts.append(("Set up for records of", f"{deck.record_mm:g} mm"))
    if deck.mirror_mm is not None:
        facts.append(("Mirror under the stylus", f"{deck.mirror_mm:g} mm"))
    facts.append(("Speeds", ", ".join(f"{rpm:.4g}" for rpm in deck.speeds_rpm) + " rpm"))
    if deck.note:
        facts.append(("Note", deck.note))
    return tuple(facts)


def _geometry_facts(deck: Deck) -> tuple[tuple[str, str], ...]:
    a = deck.alignment()
    if a is None:
        return (("Linear arm", "no null points: the stylus travels along the radius"),)
    radii = groove_radii(a.radii)
    error = a.error_deg(radii)
    lost = distortion_percent(radii, error)
    return (
        ("Geometry", f"{a.geometry}, grooves {a.radii.inner_mm:g} to {a.radii.outer_mm:g} mm"),
        ("Null points", " and ".join(f"{n:.2f} mm" for n in a.null_points_mm)),
        ("Effective length", f"{a.effective_length_mm:.2f} mm"),
        ("Spindle to pivot", f"{a.mounting_distance_mm:.2f} mm"),
        ("Overhang", f"{a.overhang_mm:.2f} mm"),
        ("Offset", f"{a.offset_deg:.2f}°"),
        ("Largest tracking error", f"{abs(error).max():.2f}°"),
        ("Largest second harmonic", f"{lost.max():.2f} % at 100 mm/s peak, 33⅓ rpm"),
    )


def _mechanics_facts(deck: Deck) -> tuple[tuple[str, str], ...]:
    facts = []
    resonance = deck.resonance_hz()
    if resonance is not None:
        low, high = resonance
        inside = RESONANCE_WINDOW_HZ[0] <= low and high <= RESONANCE_WINDOW_HZ[1]
        apart = high < RESONANCE_WINDOW_HZ[0] or low > RESONANCE_WINDOW_HZ[1]
        word = "within" if inside else "outside" if apart else "undecided against"
        span = f"{low:.1f} Hz" if high - low < 0.05 else f"{low:.1f} to {high:.1f} Hz"
        facts.append(
            ("Arm and cartridge resonance", f"{span}: {word} 8 to 12 Hz ({COMMON_PRACTICE})")
        )
    alignment, force = deck.alignment(), deck.target("tracking-force")
    if deck.arm.kind == "linear":
        facts.append(("Skating force", "none on a linear arm"))
    elif alignment is not None and not isinstance(force, NoTarget):
        radii = groove_radii(alignment.radii, 2)
        angles = skating_angle_deg(
            radii, alignment.effective_length_mm, alignment.mounting_distance_mm
        )
        pulls = [skating_force_gf(force.aim, float(angle)) for angle in angles]
        facts.append(
            (
                "Skating force, estimated",
                f"{pulls[0]:.2f} gf at the inner and {pulls[1]:.2f} gf at the outer groove, for a "
                "friction of 0.3; good to a factor of about 1.7",
            )
        )
    return tuple(facts)
