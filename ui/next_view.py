"""The ways a next photo can come: the phone's camera, a file, an earlier arrival, a sample.

In: the page and its guide. Out: ids of what is to be read now; Streamlit elements.
"""

from __future__ import annotations

from datetime import datetime

import streamlit as st

from ui import state
from ui.components import drawing, picker
from ui.guide import Guide
from ui.inbox import NotAccepted, inbox

EARLIER = 8
LOOK_EVERY = "5s"


def adding(page: state.Page, guide: Guide) -> bool:
    """Ask whether the next photo joins those shown; only where there are some."""
    if not page.photos:
        return False
    st.subheader("Next photo")
    words = {"afresh": "starts afresh", "same": "joins these"}
    chosen = st.segmented_control(
        "It",
        list(words),
        format_func=words.__getitem__,
        default="same" if guide.photos_best > 1 else "afresh",
        required=True,
        key=f"next-{guide.quantity}",
        label_visibility="collapsed",
    )
    return chosen == "same"


def photo(page: state.Page, guide: Guide) -> list[str]:
    """Show the picker; return what has arrived or was tapped again."""
    seen = st.session_state.setdefault("seen", [])
    recent = [
        {
            "id": a.id,
            "name": a.name,
            "when": datetime.fromtimestamp(a.received).strftime("%H:%M"),
            "current": a.id in page.photos,
        }
        for a in inbox().recent(EARLIER, guide.kind)
    ]
    st.session_state["listed"] = {r["id"] for r in recent}
    _watch(guide.kind)
    # A video has no picture to tap.
    shelf = recent if guide.kind == "photo" else []
    arrived = picker("picker", seen, shelf, guide.kind)
    seen.extend(key for key in arrived if key not in seen)
    return [key for key in arrived if inbox().get(key)]


@st.fragment(run_every=LOOK_EVERY)
def _watch(kind: str) -> None:
    """Show what another device has sent: the laptop sees the phone's photos."""
    newest = inbox().recent(1, kind)
    if newest and newest[0].id not in st.session_state.get("listed", set()):
        st.rerun()


def other_ways(guide: Guide, unfold: bool) -> list[str]:
    """Offer the samples and a plain upload; return what is to be read now."""
    names = state.samples(guide.quantity)
    found: list[str] = []
    label = "Try a sample, or send a file another way"
    with st.expander(label, expanded=unfold, icon=":material/science:"):
        if names:
            chosen = st.selectbox(
                "Sample (rendered, so its true value is known)",
                list(names),
                format_func=names.__getitem__,
            )
            if st.button("Read this sample", icon=":material/play_arrow:", key="sample"):
                found.append(state.add_sample(chosen).id)
        else:
            st.markdown("There is no sample for this one.")
        upload = st.file_uploader(
            "If the buttons above do nothing: plain upload", key=f"plain-{guide.quantity}"
        )
        taken = st.session_state.setdefault("plain-taken", set())
        if upload is not None and upload.file_id not in taken:
            taken.add(upload.file_id)
            try:
                found.append(inbox().add(upload.getvalue(), upload.name).id)
            except NotAccepted as problem:
                st.error(f"{problem.reason} {problem.advice}", icon=":material/error:")
    return found


def how_to(guide: Guide, unfold: bool) -> None:
    """Show how the photo is taken: drawings, words, cautions."""
    with st.expander("How to take it", expanded=unfold, icon=":material/lightbulb:"):
        st.markdown(f"**{guide.question}.** {guide.lead}")
        one, two = st.columns(2)
        with one:
            drawing(guide.place_svg(), f"Where the camera rests. {guide.how[1]}", key="place")
            st.markdown("\n".join(f"{n}. {line}" for n, line in enumerate(guide.how, 1)))
        with two:
            drawing(guide.shows_svg(), guide.shows, key="shows")
            st.markdown(f"*The photo should show:* {guide.shows}")
            st.warning("\n".join(f"- {line}" for line in guide.cautions), icon=":material/warning:")
