"""Take and read: choose a quantity, take a photo, see the reading, correct it, log it."""

from datetime import datetime

import streamlit as st

from ui import reading_view, state
from ui.components import drawing, picker
from ui.guide import GUIDES
from ui.inbox import NotAccepted, inbox

page = state.Page.from_address(tuple(GUIDES))
job = state.job()

st.title("Take and read")
quantity = st.selectbox(
    "What do you want to know?",
    list(GUIDES),
    index=list(GUIDES).index(page.quantity),
    format_func=lambda q: (
        f"{GUIDES[q].title}: {GUIDES[q].question[0].lower()}{GUIDES[q].question[1:]}"
    ),
)
if quantity != page.quantity:
    page = state.Page(quantity, (), "")
guide = GUIDES[quantity]
page.to_address()

if page.photos:
    adding = st.segmented_control(
        "The next photo",
        ["starts afresh", "is of the same setting"],
        default="is of the same setting" if guide.photos_best > 1 else "starts afresh",
        required=True,
        key=f"next_{quantity}",
    )
else:
    adding = "starts afresh"
    st.markdown(f"{guide.lead}")

seen = st.session_state.setdefault("seen", [])
recent = [
    {
        "id": a.id,
        "name": a.name,
        "when": datetime.fromtimestamp(a.received).strftime("%H:%M"),
        "current": a.id in page.photos,
    }
    for a in inbox().recent(8, guide.kind)
]
arrived = picker("picker", seen, recent if guide.kind == "photo" else [], guide.kind)
for key in arrived:
    seen.append(key)
    if inbox().get(key):
        page = (
            page.with_photo(key)
            if adding != "starts afresh"
            else state.Page(quantity, (key,), page.step)
        )
if arrived:
    page.to_address()
    st.rerun()

names = state.samples(quantity)
with st.expander(
    "Try a sample, or another way to send a photo", expanded=False, icon=":material/science:"
):
    if names:
        chosen = st.selectbox("Sample photo (rendered, so its true value is known)", names)
        if st.button("Read this sample", icon=":material/play_arrow:", key="sample"):
            page = state.Page(quantity, (state.add_sample(chosen).id,), page.step)
            page.to_address()
            st.rerun()
    else:
        st.markdown("There is no sample for this one.")
    upload = st.file_uploader(
        "If the buttons above do nothing: plain upload", key=f"plain_{quantity}"
    )
    if upload is not None:
        data = upload.getvalue()
        try:
            key = inbox().add(data, upload.name).id
        except NotAccepted as problem:
            st.error(f"{problem.reason} {problem.advice}", icon=":material/error:")
        else:
            if key not in page.photos:
                page = (
                    page.with_photo(key)
                    if adding != "starts afresh"
                    else state.Page(quantity, (key,), page.step)
                )
                page.to_address()
                st.rerun()

with st.expander("How to take it", expanded=not page.photos, icon=":material/lightbulb:"):
    one, two = st.columns(2)
    with one:
        drawing(guide.place_svg(), f"Where the camera rests: {guide.how[1]}", key="place")
        st.markdown("\n".join(f"{n}. {line}" for n, line in enumerate(guide.how, 1)))
    with two:
        drawing(guide.shows_svg(), guide.shows, key="shows")
        st.markdown(f"*The photo should show:* {guide.shows}")
        st.warning("\n".join(f"- {line}" for line in guide.cautions), icon=":material/warning:")

if page.photos:
    reading_view.show(page, guide, job)
