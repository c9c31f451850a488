"""Sheets to print: choose one, download its PDF at true scale."""

import streamlit as st

from bench.sheets import sheet_pdf
from ui import state
from vision.sheet_layouts import NAMES, PAPERS

WORDS = {
    "alignment": ("Alignment for this arm", "Both null points for the deck at hand, with grids."),
    "two-point": ("Alignment for any arm", "Two null points without an arc to a pivot."),
    "distance": ("Spindle to pivot", "Measures where the arm stands. Two pages to join."),
    "level": ("Level card", "Stands beside the arm: parallel lines to compare the tube with."),
    "disc": ("Speed disc", "Lies on the platter for the speed video; strobe rings too."),
    "calibration": ("Camera sheet", "Teaches Deckplumb your phone's lens, once."),
    "check": ("Check sheet", "Known angles: see whether the readings are right on your phone."),
}
st.title("Sheets to print")
st.markdown(
    "Print at **100 %**, never “fit to page”, on plain matt paper. Then check the print: lay a "
    "blank bank-card-sized card on its outline and read the **Scale of a printed sheet**."
)
job = state.job_quietly()
paper = st.segmented_control(
    "Paper",
    list(PAPERS),
    format_func={"a4": "A4", "letter": "Letter"}.__getitem__,
    default="a4",
    required=True,
)

alignment = job.deck.alignment() if job else None
fitted = {}
if alignment is not None and len(alignment.null_points_mm) == 2:
    fitted = {
        "null_radii_mm": alignment.null_points_mm,
        "effective_length_mm": alignment.effective_length_mm,
    }
if job and alignment is not None and fitted:
    st.caption(
        f"For {job.deck.name}: effective length {alignment.effective_length_mm:.2f} mm, nulls "
        f"{alignment.null_points_mm[0]:.2f} and {alignment.null_points_mm[1]:.2f} mm."
    )
else:
    st.caption("For a nine-inch arm of 230 mm; choose your deck first to fit it to yours.")


@st.cache_data(max_entries=60, show_spinner=False)
def pdf(name: str, paper: str, fitted: dict) -> bytes:
    return sheet_pdf(name, paper=paper, **fitted)


columns = st.columns(2)
for number, name in enumerate(NAMES):
    title, words = WORDS.get(name, (name, ""))
    with columns[number % 2], st.container(border=True):
        st.markdown(f"**{title}**  \n{words}")
        try:
            data = pdf(name, paper, fitted)
        except ValueError as problem:
            st.markdown(f":material/block: Not for this arm: {problem}")
            continue
        st.download_button(
            f"Download “{title}”",
            data,
            file_name=f"deckplumb-{name}-{paper}.pdf",
            mime="application/pdf",
            icon=":material/download:",
            on_click="ignore",
            width="stretch",
            key=f"sheet-{name}",
        )
