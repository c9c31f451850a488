"""The few typed facts that change a reading: pivot side, thicknesses, heights, print scale.

In: the page, its quantity and the job at hand. Out: the page with the side of the pivot; facts go
straight into the job's logbook.
"""

from __future__ import annotations

from dataclasses import replace

import streamlit as st

from bench.job import OpenJob
from bench.step_list import BUBBLE, CAP, MIRROR, RECORD, SCALE, Need
from ui import state
from vision.reading import Reading

SIDES = {"auto": "see for itself", "left": "on the left", "right": "on the right"}
PIVOT_MATTERS = ("rake", "arm-level")
FACTS: dict[str, tuple[Need, ...]] = {
    "rake": (MIRROR, RECORD),
    "arm-level": (RECORD,),
    "platter-level": (BUBBLE,),
    "mounting-distance": (CAP, SCALE),
    "overhang": (SCALE,),
    "null-points": (SCALE,),
}


def ask(page: state.Page, job: OpenJob | None) -> state.Page:
    """Show the facts that matter for this quantity; return the page as changed."""
    needs = FACTS.get(page.quantity, ()) if job is not None else ()
    if page.quantity not in PIVOT_MATTERS and not needs:
        return page
    with st.expander("Details that change the reading", icon=":material/tune:"):
        if page.quantity in PIVOT_MATTERS:
            side = st.segmented_control(
                "Where is the arm's pivot in the photo?",
                list(SIDES),
                format_func=SIDES.__getitem__,
                default=page.pivot,
                required=True,
                key=f"pivot-{page.quantity}",
            )
            page = replace(page, pivot=side or "auto")
        for need in needs:
            if job is not None:
                fact(job, need)
    return page


def fact(job: OpenJob, need: Need) -> None:
    """Ask for one fact and write it down when it changes."""
    known = job.fact(need.field)
    value = st.number_input(
        f"{need.label} ({need.unit})",
        value=known,
        step=0.1,
        format="%.2f",
        placeholder="not known",
        key=f"fact-{job.uid}-{need.field}",
    )
    if value is None or value == known:
        return
    try:
        job.tell(need.field, value)
    except ValueError as problem:
        st.error(str(problem), icon=":material/error:")
        return
    st.rerun()


def use_scale(job: OpenJob, reading: Reading) -> None:
    """Offer to use a print scale for every later reading from that sheet."""
    if job.fact("print_scale_percent") == reading.value:
        st.markdown(":material/check: Later readings from this sheet use this scale.")
    elif st.button("Use this scale for this sheet from now on", type="primary", width="stretch"):
        job.tell("print_scale_percent", reading.value)
        st.rerun()
