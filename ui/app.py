"""The router of the browser app: page settings, navigation and the links below every page."""

from __future__ import annotations

from pathlib import Path

import streamlit as st

from ui.theme import page_css
from ui.views import PAGES, SHORT

ICON = Path(__file__).parent / "components" / "icon.png"

st.set_page_config(page_title="Deckplumb", page_icon=str(ICON), layout="wide")
st.html(page_css())
pages = {
    group: [
        st.Page(f"views/{file}.py", title=title, icon=icon, url_path=url, default=url == "deck")
        for file, title, icon, url in members
    ]
    for group, members in PAGES.items()
}
here = st.navigation(pages)
# A bar at the bottom of a phone, in reach of the thumb; before the page, which may stop early.
with st.container(horizontal=True, key="foot"):
    for file, _, icon, _ in PAGES["The job"]:
        st.page_link(f"views/{file}.py", label=SHORT[file], icon=icon)
here.run()
