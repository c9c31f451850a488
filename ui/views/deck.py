"""At the deck: which deck is at hand, where its job stands, and the shortest way onward."""

import streamlit as st

from bench.logbook import LogbookError
from ui import deck_view, state
from ui.theme import badge

st.title("Deckplumb")
try:
    job = state.job()
except LogbookError as problem:
    st.error(f"{problem.reason} {problem.advice}", icon=":material/error:")
    job = None

if job is None:
    st.markdown(
        "Photograph the stylus, the cantilever or the cartridge; get its angle, how sure that is, "
        "and what to turn. No deck is described yet. You can start with any of these:"
    )
    deck_view.start_here()
    st.stop()

everything = job.states()
ahead = job.next()
st.markdown(f"At hand: **{job.deck.name}** · {job.deck.arm.name} · {job.deck.cartridge.name}")
if state.is_practice(job):
    st.info(
        "This is the practice deck: sample photos are logged here as if you had taken them.",
        icon=":material/science:",
    )

with st.container(border=True):
    if ahead is None:
        st.markdown("### Every step is done")
        st.page_link("views/log.py", label="Make the report", icon=":material/menu_book:")
    else:
        st.markdown(f"### Next: {ahead.step.title.lower()}\n{badge(ahead.status)} {ahead.step.why}")
        if st.button(
            "Go on", type="primary", icon=":material/arrow_forward:", width="stretch", key="go-on"
        ):
            st.switch_page("views/walk.py", query_params={"s": ahead.step.key})

st.markdown("**Read an angle now**")
deck_view.tiles(everything)

deck_view.stand(everything)
deck_view.tools()
deck_view.describe(job)
deck_view.other_jobs(job)
