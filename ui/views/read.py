"""Take and read: choose a quantity, take a photo, see the reading, correct it, log it."""

import streamlit as st

from ui import facts_view, next_view, reading_view, state
from ui.guide import GUIDES

page = state.Page.from_address(tuple(GUIDES))
job = state.job_quietly()

st.title("Take and read")
quantity = st.selectbox(
    "What do you want to know?",
    list(GUIDES),
    index=list(GUIDES).index(page.quantity),
    format_func=lambda q: GUIDES[q].title,
)
if quantity != page.quantity:
    page = state.Page(quantity, (), "")
guide = GUIDES[quantity]

result, below = st.container(), st.container()

with below:
    adding = next_view.adding(page, guide)
    arrived = next_view.photo(page, guide)
    arrived += next_view.other_ways(guide, unfold=state.is_practice(job))
    page = facts_view.ask(page, job)
    next_view.how_to(guide, unfold=not page.photos)

page.to_address()
if arrived:
    for key in arrived:
        page = page.with_photo(key) if adding else page.only(key)
    page.to_address()
    st.rerun()

with result:
    if page.photos:
        reading_view.show(page, guide)
    else:
        st.markdown(guide.lead)
