"""Connect a phone: the QR code of the shared server, and what to do when there is none."""

import streamlit as st

from ui.components import drawing
from ui.server import STATUS, qr_svg

st.title("Connect a phone")

if not STATUS["share"]:
    st.markdown(
        "Deckplumb is running for **this computer only**. To take photos with a phone on the same "
        "home network, stop it (Ctrl-C) and start it with:"
    )
    st.code("deckplumb app --share", language=None)
    st.markdown("This page then shows a code for the phone's camera.")
elif not STATUS["links"]:
    st.warning(
        "This computer is on no home network at the moment. Connect it, then start Deckplumb "
        "again.",
        icon=":material/wifi_off:",
    )
else:
    link = STATUS["links"][0]
    left, right = st.columns([2, 3], gap="large")
    with left:
        drawing(qr_svg(link), "QR code that opens Deckplumb on a phone", key="qr")
    with right:
        st.markdown(
            "1. Join the **same wifi** with the phone.\n"
            "2. Point the phone's **camera** at the code and open the link.\n"
            "3. Choose **Take and read**. Photos taken on the phone also appear on this screen."
        )
        st.markdown("Or type one of these on the phone:")
        for other in STATUS["links"]:
            st.code(other, language=None, wrap_lines=True)

st.divider()
st.markdown(
    "**Who can see what.** Without the access code nothing is served. Whoever has it can see and "
    "add photos and change the log, so show it only to people you trust. The connection is plain "
    "http and can be overheard by others on the same network: use it at home, not in a café. The "
    "code changes each time Deckplumb is started."
)
st.markdown(
    "**No picture arrives?** Guest wifi often keeps devices apart: use the main network. A "
    "firewall may ask once whether Python may accept connections: allow it for private networks."
)
