"""One step of the walk on the screen: why, how, cautions, what was found, and what to do next.

In: the job at hand and the step's state. Out: Streamlit elements; what the person enters goes
straight into the logbook.
"""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from bench.job import OpenJob
from bench.logbook import LogbookError
from bench.steps import StepState, how
from bench.targets import UNIT_OF, UNIT_SIGNS
from bench.verdict import figure
from ui.components import drawing
from ui.facts_view import fact
from ui.guide import GUIDES
from ui.theme import badge, without_word
from ui.turn_drawing import turn_svg, turn_words

TYPED_ONLY = {
    "tracking-force": "Tracking force",
    "anti-skate": "Anti-skate setting",
    "crosstalk-difference": "Crosstalk, left less right",
    "balance": "Balance, left less right",
    "resonance": "Resonance",
}


def title_of(quantity: str) -> str:
    """Title of a quantity, read from a photo or typed."""
    return GUIDES[quantity].title if quantity in GUIDES else TYPED_ONLY.get(quantity, quantity)


def show(job: OpenJob, current: StepState, cautions: tuple[str, ...]) -> None:
    """Show the step and its controls."""
    step = current.step
    st.header(step.title)
    st.markdown(f"{badge(current.status)} {without_word(current.note)}")
    entry = current.entry
    if entry is not None and entry.value is not None:
        shown = figure(entry.value, entry.expanded_uncertainty or 0.0, entry.unit or "mm")
        st.markdown(f"{title_of(entry.quantity or '')}: **{shown}**")
    for moved in current.disturbances:
        st.markdown(f"↻ {moved.sentence}")
    st.markdown(f"*{step.why}*")
    st.markdown("\n".join(f"{n}. {line}" for n, line in enumerate(how(step, job.deck), 1)))
    if step.tools:
        st.markdown("**At hand:** " + ", ".join(step.tools))
    if cautions:
        st.warning("\n".join(f"- {line}" for line in cautions), icon=":material/warning:")
    try:
        _advice(job, current)
        _needs(job, current)
        _photo(current)
        _typed(job, current)
        _finish(job, current)
    except LogbookError as problem:
        st.error(f"{problem.reason} {problem.advice}", icon=":material/error:")


def order(job: OpenJob, everything: Sequence[StepState]) -> None:
    """Let the person move a step; what must come first is checked by `bench.steps`."""
    titles = {s.step.key: s.step.title for s in everything}
    with st.expander("Change the order", icon=":material/swap_vert:"):
        moved = st.selectbox("Move", list(titles), format_func=titles.__getitem__, key="moved")
        before = st.selectbox(
            "to just before",
            [k for k in titles if k != moved],
            format_func=titles.__getitem__,
            key="before",
        )
        if not st.button("Move it", width="stretch"):
            return
        keys = [k for k in titles if k != moved]
        keys.insert(keys.index(before), moved)
        try:
            job.reorder(keys)
        except ValueError as problem:
            st.error(str(problem), icon=":material/error:")
            return
        st.rerun()


def _advice(job: OpenJob, current: StepState) -> None:
    if current.status not in ("outside", "undecided"):
        return
    advice = job.advice(current.step.key)
    if advice is None:
        return
    with st.container(border=True):
        st.markdown(f"**What to do.** {advice.sentence}")
        if advice.turn is None:
            return
        drawing(turn_svg(advice.turn), turn_words(advice.turn), key="turn")
        for caution in advice.cautions:
            st.markdown(f":material/warning: {caution}")
        if st.button("I have turned it", icon=":material/build:", width="stretch"):
            job.turned(advice.turn, current.step.key)
            st.rerun()


def _needs(job: OpenJob, current: StepState) -> None:
    for need in current.step.needs:
        fact(job, need)


def _photo(current: StepState) -> None:
    readable = [q for q in current.step.accepts if q in GUIDES]
    for number, quantity in enumerate(reversed(readable)):
        thing = "video" if GUIDES[quantity].kind == "video" else "photo"
        if st.button(
            f"Take the {thing}: {GUIDES[quantity].title.lower()}",
            type="primary" if number == 0 else "secondary",
            icon=":material/photo_camera:",
            width="stretch",
            key=f"take-{quantity}",
        ):
            st.switch_page("views/read.py", query_params={"q": quantity, "s": current.step.key})


def _typed(job: OpenJob, current: StepState) -> None:
    if not current.step.accepts:
        return
    only = current.step.kind == "typed"
    with st.expander("Type a figure", expanded=only, icon=":material/edit:"):
        quantity = current.step.accepts[-1]
        if len(current.step.accepts) > 1:
            quantity = st.selectbox(
                "Which", list(reversed(current.step.accepts)), format_func=title_of
            )
        unit = UNIT_OF[quantity]
        target = job.deck.target(quantity)
        st.caption(f"Wanted: {target.text()}")
        with st.form(f"typed-{current.step.key}-{quantity}", border=False):
            sign = UNIT_SIGNS[unit].strip()
            value = st.number_input(
                f"{title_of(quantity)} ({sign})", value=None, step=0.01, format="%.3f"
            )
            spread = st.number_input(
                f"Give or take ({sign}, 95 %)",
                min_value=0.001,
                value=_give_or_take(unit),
                format="%.3f",
            )
            note = st.text_input("How it was measured (optional)", max_chars=200)
            sent = st.form_submit_button("Write it down", type="primary", width="stretch")
        if sent and value is None:
            st.error("Type the figure first.", icon=":material/error:")
        elif sent and value is not None:
            try:
                job.typed(current.step.key, quantity, value, unit, spread, note=note)
            except ValueError as problem:
                st.error(str(problem), icon=":material/error:")
                return
            st.rerun()


def _give_or_take(unit: str) -> float:
    return {"gf": 0.02, "mm": 0.5, "deg": 0.3, "percent": 0.1, "dB": 1.0, "Hz": 1.0}[unit]


def _finish(job: OpenJob, current: StepState) -> None:
    step = current.step
    if step.kind == "confirm" and st.button(
        "Done", type="primary", icon=":material/check:", width="stretch", key="confirm"
    ):
        job.confirm(step.key)
        st.query_params.pop("s", None)
        st.rerun()
    accept = current.status in ("undecided", "outside") and step.kind != "confirm"
    if accept and st.button(
        "Leave it as it is and go on",
        width="stretch",
        key="accept",
        help="The log says that you accepted it.",
    ):
        job.confirm(step.key, "accepted as it is")
        st.query_params.pop("s", None)
        st.rerun()
    if current.done and st.button(
        "Go on", type="primary", icon=":material/arrow_forward:", width="stretch", key="on"
    ):
        st.query_params.pop("s", None)
        st.rerun()
    if step.kind != "derived" and not current.done:
        with st.popover("Leave this step out", width="stretch"):
            reason = st.text_input("Why (goes into the log)", max_chars=200)
            if st.button("Leave it out", key="skip"):
                job.skip(step.key, reason or "left out")
                st.query_params.pop("s", None)
                st.rerun()
