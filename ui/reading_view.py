"""One reading on the screen: photo with lines, value, verdict, advice, correction, several photos.

In: the page (quantity and photos), its guide and the job at hand. Out: Streamlit elements; every
outcome is written into the logbook by `ui.state` before it is shown. Measures and judges nothing
itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import altair as alt
import streamlit as st

from bench.advice import advise_verdict
from bench.job import OpenJob
from bench.logbook import LogbookError
from bench.targets import UNIT_SIGNS
from bench.verdict import Verdict, judge_reading
from ui import facts_view, state
from ui.components import board, dragged, drawing
from ui.guide import Guide, lines_to_drag
from ui.inbox import Arrival, inbox
from ui.theme import badge, chart_ink, without_word
from ui.turn_drawing import turn_svg, turn_words
from vision.combine import combine_photos
from vision.measure import Options
from vision.reading import FLAGS, Component, Outcome, Reading, Refusal, Segment, rounded


def show(page: state.Page, guide: Guide) -> None:
    """Show the photos of the page, the newest first in view."""
    key = page.photos[-1]
    if len(page.photos) > 1:
        labels = {p: f"Photo {n}" for n, p in enumerate(page.photos, 1)}
        key = (
            st.segmented_control(
                "Photos of this setting",
                list(labels),
                format_func=labels.__getitem__,
                default=key,
                required=True,
            )
            or key
        )
    arrival = inbox().get(key)
    if arrival is None:
        st.warning("This photo is no longer kept here. Choose it again.", icon=":material/warning:")
        return
    _one(arrival, guide.quantity, page)
    if len(page.photos) > 1:
        _several(page, guide.quantity)


@st.fragment
def _one(arrival: Arrival, quantity: str, page: state.Page) -> None:
    """Show one photo; runs alone again when a line is dragged."""
    job, keeps = _job_for(arrival)
    deck = job.deck if job else None
    plain = state.options_for(job, quantity, page.pivot)
    with st.spinner("Reading the photo…", show_time=True):
        found = state.outcome(arrival.id, quantity, plain)
    slot = f"{arrival.id}-{quantity}"
    key = f"board-{slot}"
    drawn = dragged(key, slot)
    outcome, options = found, plain
    if drawn:
        options = replace(plain, marks=_pixels(drawn, arrival))
        outcome = state.outcome(arrival.id, quantity, options)

    left, right = st.columns([3, 2], gap="medium")
    with left:
        if arrival.kind == "photo":
            board(key, _board_data(arrival, quantity, slot, found, outcome))
        else:
            st.markdown(f":material/movie: **{arrival.name}**")
            _course(arrival.id)
    with right:
        written = None
        if job and keeps:
            step = state.step_for(job, quantity, page.step)
            written = _log(job, step, arrival, found, plain, outcome, options)
        verdict = judge_reading(outcome, deck) if isinstance(outcome, Reading) and deck else None
        _value(outcome, verdict)
        _truth(arrival, outcome)
        if isinstance(outcome, Reading) and job and verdict is not None:
            _advice(job, page.step, outcome, verdict)
        if job and isinstance(outcome, Reading) and quantity == "print-scale":
            facts_view.use_scale(job, outcome)
        _where_kept(written, keeps)
        if page.step:
            st.page_link(
                "views/walk.py", label="Go on with the walk", icon=":material/arrow_forward:"
            )
        _details(outcome)
        if arrival.kind == "photo":
            st.download_button(
                "Save the picture with its lines",
                lambda: state.overlay_jpeg(arrival, outcome) or b"",
                file_name=f"{quantity}-{arrival.id[:8]}.jpg",
                mime="image/jpeg",
                on_click="ignore",
                icon=":material/download:",
                width="stretch",
            )


def _job_for(arrival: Arrival) -> tuple[OpenJob | None, bool]:
    """The job at hand and whether it keeps this photo; a broken logbook does not stop a reading."""
    try:
        job = state.job()
        keeps = not arrival.sample or state.is_practice(job)
        return (state.job_or_new() if keeps and job is None else job), keeps
    except LogbookError as problem:
        st.error(f"{problem.reason} {problem.advice}", icon=":material/error:")
        return None, True


def _log(
    job: OpenJob,
    step: str | None,
    arrival: Arrival,
    found: Outcome,
    plain: Options,
    outcome: Outcome,
    options: Options,
) -> str:
    """Write the automatic outcome at once, a correction on request; say which."""
    if step is None:
        return "not in a step"
    try:
        state.write_down(job, step, arrival, found, plain)
        if options is plain:
            return "kept"
        first = state.logged(job, arrival, found.quantity, plain)
        if state.logged(job, arrival, found.quantity, options):
            return "correction kept"
        keep = st.button(
            "Keep this correction",
            type="primary",
            icon=":material/save:",
            width="stretch",
            disabled=isinstance(outcome, Refusal),
        )
        if not keep:
            return "correction not kept"
        state.write_down(job, step, arrival, outcome, options, corrects=first)
        return "correction kept"
    except LogbookError as problem:
        st.error(f"{problem.reason} {problem.advice}", icon=":material/error:")
        return "not kept"


def _where_kept(written: str | None, keeps: bool) -> None:
    words = {
        "kept": ":material/check: Written into the logbook.",
        "correction kept": ":material/check: The correction is in the logbook, marked as yours.",
        "correction not kept": "The lines were moved by you; the log still has the first reading.",
        "not in a step": "No step of this deck rests on this reading, so it is not logged.",
        "not kept": "Not in the logbook; see above.",
    }
    if not keeps:
        st.caption("A sample photo: shown, not logged. The practice deck logs samples too.")
    elif written:
        st.caption(words[written])


def _value(outcome: Outcome, verdict: Verdict | None) -> None:
    if isinstance(outcome, Refusal):
        with st.container(border=True):
            st.markdown(f"### :material/block: No reading\n{outcome.reason}")
            st.markdown(f"**What to change:** {outcome.advice}")
        return
    with st.container(border=True, key="value"):
        st.markdown(f"# {outcome.text()}")
        if verdict is not None:
            shown = "within as shown" if verdict.within_as_shown else verdict.outcome
            st.markdown(f"{badge(shown)} {without_word(verdict.sentence)}")
        st.caption(outcome.measurand)
    parts = [f"{p.name.capitalize()} **{_amount(p)}**" for p in outcome.components]
    if parts:
        st.markdown("  \n".join(parts))
    for flag in outcome.flags:
        st.markdown(f":material/info: {FLAGS[flag]}")


def _amount(part: Component) -> str:
    sign = UNIT_SIGNS.get(part.unit, f" {part.unit}" if part.unit else "")
    if part.expanded_uncertainty > 0:
        return rounded(part.value, part.expanded_uncertainty, "mm").replace(" mm", sign)
    return f"{part.value:.3g}{sign}"


def _truth(arrival: Arrival, outcome: Outcome) -> None:
    if not arrival.sample:
        return
    entry = state.sample_truth().get(arrival.name, {})
    truth = entry.get("truth_deg")
    if entry.get("usable", True) and isinstance(truth, int | float):
        st.caption(f"A rendered sample; its true value is {truth:.2f}°.")
    elif entry:
        st.caption("A rendered sample of a photo that a careful person would take again.")


def _advice(job: OpenJob, asked_step: str, reading: Reading, verdict: Verdict) -> None:
    direction = next((c.value for c in reading.components if "direction" in c.name), None)
    advice = advise_verdict(job.deck, verdict, direction)
    with st.container(border=True):
        st.markdown(f"**What to do.** {advice.sentence}")
        if advice.turn is not None:
            drawing(turn_svg(advice.turn), turn_words(advice.turn), key="turn")
        for caution in advice.cautions:
            st.markdown(f":material/warning: {caution}")
        again = [d for d in advice.disturbs if d.matters]
        if again:
            st.markdown("**Check again afterwards:**")
            st.markdown("\n".join(f"- ↻ {d.sentence}" for d in again))
        step = state.step_for(job, reading.quantity, asked_step)
        if (
            advice.turn is not None
            and step
            and st.button("I have turned it", icon=":material/build:", width="stretch")
        ):
            job.turned(advice.turn, step)
            st.success("Noted. Take the next photo to see what it did.", icon=":material/check:")


def _details(outcome: Outcome) -> None:
    if isinstance(outcome, Refusal):
        return
    with st.expander("Where the uncertainty comes from", icon=":material/balance:"):
        parts = sorted(outcome.budget, key=lambda p: -p.standard_uncertainty)
        rows = [f"| {p.name} | {p.standard_uncertainty:.3f} | {p.note} |" for p in parts]
        st.markdown("\n".join(["| Part | Standard uncertainty | |", "| --- | --- | --- |", *rows]))
        if outcome.definitional_uncertainty:
            shown = rounded(outcome.value, 2 * outcome.definitional_uncertainty, outcome.unit)
            st.markdown(
                "Apart from these: what the photo shows may differ from what you want by "
                f"{shown.split('± ')[-1]} (counted in the verdict)."
            )
        st.caption(f"Deckplumb {outcome.version} · photo {(outcome.sha256 or '')[:12]}")


def _several(page: state.Page, quantity: str) -> None:
    """Show the scatter of several photos of one setting and their combined value."""
    job = state.job()
    options = state.options_for(job, quantity, page.pivot)
    with st.spinner("Putting the photos together…", show_time=True):
        outcomes = [state.outcome(p, quantity, options) for p in page.photos]
        paths = [str(inbox().path(p)) for p in page.photos]
        together = combine_photos(quantity, outcomes, paths, options)
    with st.container(border=True):
        st.markdown("**All photos of this setting**")
        for number, (photo, outcome) in enumerate(zip(page.photos, outcomes, strict=True), 1):
            words, drop = st.columns([4, 1], vertical_alignment="center")
            text = (
                outcome.text() if isinstance(outcome, Reading) else f"no reading: {outcome.reason}"
            )
            words.markdown(f"Photo {number}: **{text}**")
            if drop.button("Drop", key=f"drop-{photo}", help=f"Leave photo {number} out"):
                page.without_photo(photo).to_address()
                st.rerun()
        _scatter(outcomes)
        if isinstance(together, Refusal):
            st.markdown(f"Together: {together.reason} {together.advice}")
            return
        st.markdown(f"### Together {together.text()}")
        for flag in together.flags:
            st.markdown(f":material/info: {FLAGS[flag]}")
        step = state.step_for(job, quantity, page.step) if job else None
        if job and step and st.button("Keep the combined value", type="primary", width="stretch"):
            try:
                job.read(step, together)
                st.success("Written into the logbook.", icon=":material/check:")
            except LogbookError as problem:
                st.error(f"{problem.reason} {problem.advice}", icon=":material/error:")


def _course(key: str) -> None:
    course = state.speed_course(key)
    if not course:
        return
    ink = chart_ink()
    axis = alt.Axis(labelColor=ink, titleColor=ink, labelFontSize=14, titleFontSize=14)
    rows = alt.Data(values=[{"seconds": t, "speed": v} for t, v in course])
    line = (
        alt.Chart(rows)
        .mark_line(strokeWidth=2)
        .encode(
            x=alt.X("seconds:Q", title="seconds", axis=axis),
            y=alt.Y("speed:Q", title="% from nominal", axis=axis, scale=alt.Scale(zero=False)),
        )
    )
    st.altair_chart(line.properties(height=300), width="stretch")
    st.caption("Speed over time, 0 to 2 Hz, unweighted.")


def _scatter(outcomes: list[Outcome]) -> None:
    rows = [
        {
            "photo": f"Photo {n}",
            "value": o.value,
            "low": o.value - o.expanded_uncertainty,
            "high": o.value + o.expanded_uncertainty,
        }
        for n, o in enumerate(outcomes, 1)
        if isinstance(o, Reading)
    ]
    if len(rows) < 2:
        return
    ink = chart_ink()
    axis = alt.Axis(labelColor=ink, labelFontSize=14)
    base = alt.Chart(alt.Data(values=rows)).encode(y=alt.Y("photo:N", title=None, axis=axis))
    x = alt.X("low:Q", title=None, scale=alt.Scale(zero=False), axis=axis)
    bars = base.mark_rule(strokeWidth=3, color=ink).encode(x=x, x2="high:Q")
    dots = base.mark_point(filled=True, size=120).encode(
        x=alt.X("value:Q", title=None, scale=alt.Scale(zero=False))
    )
    st.altair_chart((bars + dots).properties(height=40 * len(rows) + 30), width="stretch")


def _board_data(
    arrival: Arrival, quantity: str, slot: str, found: Outcome, outcome: Outcome
) -> dict[str, Any]:
    words = outcome.text() if isinstance(outcome, Reading) else "no reading"
    return {
        "slot": slot,
        "preview": f"/inbox/{arrival.id}/preview.jpg",
        "full": f"/inbox/{arrival.id}/full.jpg",
        "width": arrival.width,
        "height": arrival.height,
        "caption": words,
        "alt": f"Photo {arrival.name} with the lines of the reading: {words}",
        "lines": [_line(s, arrival) for s in outcome.lines],
        "handles": _handles(arrival, quantity, found),
    }


def _handles(arrival: Arrival, quantity: str, found: Outcome) -> list[dict[str, Any]]:
    """Lines to drag: those the reading rests on, and those it needs but did not find."""
    there = {s.name: _line(s, arrival) for s in found.lines}
    points = {name: line["points"] for name, line in there.items()}
    return [
        there[name] if place is None else {"name": name, "role": "drawn", "points": place}
        for name, place in lines_to_drag(quantity, points).items()
    ]


def _line(segment: Segment, arrival: Arrival) -> dict[str, Any]:
    """A segment in 0 to 1 of the photo (pixel centres at integers)."""
    w, h = arrival.width, arrival.height
    return {
        "name": segment.name,
        "role": segment.role,
        "points": [
            (segment.x0 + 0.5) / w,
            (segment.y0 + 0.5) / h,
            (segment.x1 + 0.5) / w,
            (segment.y1 + 0.5) / h,
        ],
    }


def _pixels(
    drawn: Mapping[str, tuple[float, float, float, float]], arrival: Arrival
) -> dict[str, tuple[tuple[float, float], tuple[float, float]]]:
    w, h = arrival.width, arrival.height
    return {
        name: ((p[0] * w - 0.5, p[1] * h - 0.5), (p[2] * w - 0.5, p[3] * h - 0.5))
        for name, p in drawn.items()
    }
