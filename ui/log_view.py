"""The logbook on the screen: before and after, history charts, every entry with its picture.

In: entries as `bench.logbook` holds them. Out: Streamlit elements. Reads only.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

import altair as alt
import streamlit as st

from bench.entries import Entry, standing
from bench.job import OpenJob
from bench.logbook import Job
from bench.targets import UNIT_SIGNS, Target
from bench.verdict import figure
from ui import state, theme
from ui.step_view import title_of

KIND_WORDS = {
    "reading": "read from a photo",
    "refusal": "no reading",
    "typed": "typed in",
    "turn": "turned",
    "confirm": "done",
    "skip": "left out",
    "order": "order of steps changed",
    "fact": "noted",
}
SOURCE_WORDS = {"photo": "", "marks": " · lines moved by hand", "typed": ""}


def job_name(job: Job) -> str:
    """One line for a job: deck, title, day."""
    parts = [job.deck.name, job.title, job.owner, job.at.astimezone().strftime("%d %b %Y %H:%M")]
    return " · ".join(p for p in parts if p)


def job_names(jobs: Sequence[Job]) -> dict[str, str]:
    """One line for each job by its uid, no two the same: a list box tells rows by their words."""
    lines = [job_name(job) for job in jobs]
    return {
        job.uid: line if lines.count(line) == 1 else f"{line} · {job.uid[:6]}"
        for job, line in zip(jobs, lines, strict=True)
    }


def file_name(name: str) -> str:
    """A file name made of a deck's name."""
    return re.sub(r"[^A-Za-z0-9]+", "-", name).strip("-").lower() or "deck"


def shown(entry: Entry) -> str:
    """Value with its uncertainty, rounded by it."""
    if entry.value is None or not entry.standard_uncertainty:
        return ""
    return figure(entry.value, entry.expanded_uncertainty or 0.0, entry.unit or "mm")


def before_and_after(entries: Sequence[Entry]) -> None:
    """First and last figure of each quantity that was read more than once."""
    figures: dict[str, list[Entry]] = {}
    for entry in standing(entries):
        if entry.kind in ("reading", "typed") and entry.quantity and entry.value is not None:
            figures.setdefault(entry.quantity, []).append(entry)
    if not figures:
        return
    st.header("Before and after")
    for quantity, rows in figures.items():
        first, last = rows[0], rows[-1]
        with st.container(border=True, horizontal=True, vertical_alignment="center"):
            st.markdown(f"**{title_of(quantity)}**")
            if first is last:
                st.markdown(f"{shown(last)} {_verdict(last)}")
            else:
                st.markdown(f"{shown(first)} {_verdict(first)} → {shown(last)} {_verdict(last)}")


def history(job: OpenJob, entries: Sequence[Entry]) -> None:
    """One quantity of this deck over time, with its tolerance."""
    quantities = list(
        dict.fromkeys(e.quantity for e in entries if e.quantity and e.value is not None)
    )
    if not quantities:
        return
    st.header("Over time")
    quantity = st.selectbox("Quantity", quantities, format_func=title_of, key="history")
    held = state.history(job, quantity)
    unit = UNIT_SIGNS[held[0].unit or "mm"].strip() if held else ""
    rows = [
        {
            "when": e.at.isoformat(),
            "value": e.value,
            "low": e.value - (e.expanded_uncertainty or 0.0),
            "high": e.value + (e.expanded_uncertainty or 0.0),
            "verdict": e.outcome or "",
        }
        for e in held
        if e.value is not None
    ]
    ink = theme.chart_ink()
    axis = alt.Axis(labelColor=ink, titleColor=ink, labelFontSize=14)
    when = alt.Axis(labelColor=ink, labelFontSize=13, format="%d %b %H:%M", tickCount=3)
    base = alt.Chart(alt.Data(values=rows)).encode(
        x=alt.X("when:T", title=None, axis=when),
    )
    y = alt.Y("low:Q", title=unit, scale=alt.Scale(zero=False), axis=axis)
    layers = [
        base.mark_rule(strokeWidth=3, color=ink).encode(y=y, y2="high:Q"),
        base.mark_point(filled=True, size=130, opacity=1).encode(
            y=alt.Y("value:Q", scale=alt.Scale(zero=False)),
            shape=alt.Shape("verdict:N", legend=alt.Legend(labelColor=ink, title=None)),
            tooltip=["when:T", "value:Q", "verdict:N"],
        ),
    ]
    target = job.deck.target(quantity)
    limits = (
        [{"at": v} for v in (target.low, target.high) if v is not None]
        if isinstance(target, Target)
        else []
    )
    if limits:
        layers.append(
            alt.Chart(alt.Data(values=limits))
            .mark_rule(strokeDash=[8, 5], color=ink, opacity=0.8)
            .encode(y="at:Q")
        )
    st.altair_chart(alt.layer(*layers).properties(height=280), width="stretch")
    if isinstance(target, Target):
        st.caption(f"Dashed: the tolerance, {target.text()} ({target.origin}).")


def all_entries(entries: Sequence[Entry]) -> None:
    """Every entry, the newest first; corrected ones stay and say so."""
    st.header("Every entry")
    replaced = {e.corrects for e in entries if e.corrects}
    for entry in reversed(entries):
        with st.container(border=True):
            picture = entry.overlay_ref or entry.photo_ref
            head = title_of(entry.quantity) if entry.quantity else entry.step.replace("-", " ")
            words = KIND_WORDS.get(entry.kind, entry.kind) + SOURCE_WORDS.get(
                entry.source or "", ""
            )
            st.markdown(
                f"**{head.capitalize()}** · {words} · "
                f"{entry.at.astimezone().strftime('%d %b %H:%M')}"
            )
            if entry.value is not None:
                st.markdown(f"{shown(entry)} {_verdict(entry)}")
            if entry.kind == "turn":
                st.markdown(entry.turn().sentence)
            elif entry.note:
                st.markdown(entry.note)
            if entry.uid in replaced:
                st.caption("Corrected by a later entry.")
            if entry.corrects:
                st.caption("Corrects an earlier entry.")
            if picture and st.toggle("Show the photo", key=f"show-{entry.uid}"):
                st.image(state.logbook().picture(picture), width="stretch")


def _verdict(entry: Entry) -> str:
    return theme.badge(entry.outcome) if entry.outcome else ""
