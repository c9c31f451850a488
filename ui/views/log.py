"""Logbook: what was read and turned, before and after, history over time, the report."""

from functools import partial

import streamlit as st

from bench.logbook import LogbookError
from ui import log_view, state

st.title("Logbook")
job = state.job()
try:
    jobs = state.logbook().jobs()
except LogbookError as problem:
    st.error(f"{problem.reason} {problem.advice}", icon=":material/error:")
    st.stop()
if not jobs or job is None:
    st.markdown("Nothing is written down yet. The first reading starts the log.")
    st.page_link("views/read.py", label="Take and read", icon=":material/photo_camera:")
    st.stop()

names = log_view.job_names(jobs)
chosen = st.selectbox(
    "Job",
    list(names),
    format_func=names.__getitem__,
    index=list(names).index(job.uid) if job.uid in names else 0,
)
if chosen != job.uid:
    state.take_job(chosen)
    st.rerun()

entries = job.entries()
st.header("The report for the owner")
one, two = st.columns(2)
with one:
    st.download_button(
        "Report as PDF",
        partial(state.report, job, "pdf"),
        file_name=f"{log_view.file_name(job.deck.name)}.pdf",
        mime="application/pdf",
        icon=":material/picture_as_pdf:",
        type="primary",
        on_click="ignore",
        width="stretch",
    )
with two:
    st.download_button(
        "Report as a web page",
        partial(state.report, job, "html"),
        file_name=f"{log_view.file_name(job.deck.name)}.html",
        mime="text/html",
        icon=":material/description:",
        on_click="ignore",
        width="stretch",
    )

st.download_button(
    "Every entry of this job as a table (CSV)",
    partial(state.export_csv, job),
    file_name=f"{log_view.file_name(job.deck.name)}.csv",
    mime="text/csv",
    icon=":material/table:",
    on_click="ignore",
)

log_view.before_and_after(entries)
log_view.history(job, entries)
log_view.all_entries(entries)
