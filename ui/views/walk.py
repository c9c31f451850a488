"""Walk through: the steps in order with their state; do one, type a figure, skip, go on."""

import streamlit as st

from bench import steps
from ui import state, step_view
from ui.theme import STATE_SIGNS

job = state.job()
st.title("Walk through")
if job is None:
    st.markdown("No deck is at hand yet.")
    st.page_link("views/deck.py", label="Choose or describe a deck", icon=":material/home:")
    st.stop()

everything = job.states()
by_key = {s.step.key: s for s in everything}
ahead = job.next()
asked = st.query_params.get("s", "")
current = by_key.get(asked) or ahead or everything[-1]
finished = sum(s.done for s in everything)

st.progress(
    finished / len(everything), text=f"{job.deck.name}: {finished} of {len(everything)} steps done"
)
if ahead is None:
    st.success(
        "Every step is done. The logbook page makes the report for the owner.",
        icon=":material/check:",
    )
    st.page_link("views/log.py", label="To the report", icon=":material/menu_book:")

left, right = st.columns([3, 2], gap="large")
with left:
    step_view.show(job, current, steps.cautions(current.step, job.deck))
with right:
    st.markdown("**All steps**")
    with st.container(gap="xsmall", key="steps"):
        for number, each in enumerate(everything, 1):
            sign, word, _ = STATE_SIGNS.get(each.status, ("·", each.status, "gray"))
            chosen = each.step.key == current.step.key
            if st.button(
                f"{sign}  {number}. {each.step.title} · {word}",
                key=f"step-{each.step.key}",
                type="primary" if chosen else "tertiary",
                width="stretch",
            ):
                st.query_params["s"] = each.step.key
                st.rerun()
    step_view.order(job, everything)
