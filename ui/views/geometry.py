"""Arm geometry: null points, lengths, tracking error and what a wrong setting does to it."""

import altair as alt
import streamlit as st

from bench.arm import (
    EFFECTIVE_LENGTH_RANGE_MM,
    RADIUS_SETS,
    align,
    align_at_distance,
    align_underhung,
    distortion_percent,
    groove_radii,
)
from ui import geometry_view, state
from ui.theme import chart_ink

NAMES = {"lofgren-a": "Löfgren A (Baerwald)", "lofgren-b": "Löfgren B", "stevenson": "Stevenson"}
FIXED = {
    "arm length": "the effective length",
    "distance": "the mounting distance",
    "under-hung": "a straight arm, under-hung",
}
LOW, HIGH = EFFECTIVE_LENGTH_RANGE_MM

st.title("Arm geometry")
job = state.job_quietly()
deck = job.deck if job else None
start_length = deck.effective_length_mm if deck and deck.arm.kind != "linear" else 230.0

left, right = st.columns([2, 3], gap="large")
with left:
    st.markdown("**The arm**")
    by = st.selectbox(
        "What is fixed", ["arm length", "distance", "under-hung"], format_func=FIXED.__getitem__
    )
    length = st.number_input(
        "Effective length, stylus to pivot (mm)"
        if by != "distance"
        else "Mounting distance, spindle to pivot (mm)",
        LOW,
        HIGH,
        float(start_length) if by != "distance" else 212.0,
        step=0.5,
        format="%.2f",
        key=f"geometry_length_{by}",
    )
    geometry = st.selectbox(
        "Geometry",
        list(NAMES),
        format_func=NAMES.__getitem__,
        index=list(NAMES).index(deck.geometry) if deck else 0,
        disabled=by == "under-hung",
    )
    radii = RADIUS_SETS[
        st.selectbox(
            "Grooves",
            list(RADIUS_SETS),
            format_func=lambda k: (
                f"{RADIUS_SETS[k].inner_mm:g} to {RADIUS_SETS[k].outer_mm:g} mm · "
                f"{RADIUS_SETS[k].origin}"
            ),
        )
    ]
    st.markdown("**What a mistake does**")
    overhang = st.slider("Overhang too long by (mm)", -5.0, 5.0, 0.0, 0.1)
    mounting = st.slider("Mounting distance too long by (mm)", -5.0, 5.0, 0.0, 0.1)
    cantilever = st.slider("Cantilever turned by (°)", -5.0, 5.0, 0.0, 0.1)

try:
    if by == "distance":
        arm = align_at_distance(length, geometry, radii)
    elif by == "under-hung":
        arm = align_underhung(length, radii)
    else:
        arm = align(length, geometry, radii)
except ValueError as problem:
    right.error(f"This arm cannot be aligned: {problem}", icon=":material/error:")
    st.stop()

radius = groove_radii(radii)
right_error = arm.error_deg(radius)
mistaken_error = arm.error_deg(
    radius,
    overhang_error_mm=overhang,
    mounting_error_mm=mounting,
    cantilever_deg=cantilever,
)
mistaken = bool(overhang or mounting or cantilever)

with right:
    cells = {
        "Effective length": f"{arm.effective_length_mm:.2f} mm",
        "Mounting distance": f"{arm.mounting_distance_mm:.2f} mm",
        "Overhang": f"{arm.overhang_mm:.2f} mm",
        "Offset angle": f"{arm.offset_deg:.2f}°",
        "Null points": " and ".join(f"{n:.2f}" for n in arm.null_points_mm) + " mm",
    }
    st.markdown("\n".join(f"- {name}: **{value}**" for name, value in cells.items()))
    if deck is not None:
        geometry_view.forces(deck)
    ink = chart_ink()
    axis = alt.Axis(labelColor=ink, labelFontSize=14)
    series = {"as calculated": right_error}
    if mistaken:
        series["with the mistake"] = mistaken_error
    distortion = {name: distortion_percent(radius, error) for name, error in series.items()}
    for title, unit, values in (
        ("Tracking error", "°", series),
        ("Second-harmonic distortion, peak 100 mm/s at 33⅓", "%", distortion),
    ):
        table = alt.Data(
            values=[
                {"radius": float(r), "value": float(v), "arm": name}
                for name, curve in values.items()
                for r, v in zip(radius, curve, strict=True)
            ]
        )
        st.markdown(f"**{title} ({unit})** against groove radius (mm)")
        chart = (
            alt.Chart(table)
            .mark_line(strokeWidth=2.5, clip=True)
            .encode(
                x=alt.X("radius:Q", title=None, scale=alt.Scale(zero=False, nice=False), axis=axis),
                y=alt.Y("value:Q", title=None, axis=axis),
                color=alt.Color(
                    "arm:N",
                    title=None,
                    legend=alt.Legend(orient="bottom", labelColor=ink, labelFontSize=14),
                ),
                strokeDash=alt.StrokeDash("arm:N", title=None),
                tooltip=[
                    alt.Tooltip("radius:Q", format=".1f", title="radius mm"),
                    alt.Tooltip("value:Q", format=".3f", title=unit),
                    "arm:N",
                ],
            )
            .properties(height=230)
        )
        st.altair_chart(chart, width="stretch")

st.caption(
    "Null points after Löfgren (1938), Baerwald (1941) and Stevenson (1966), linearised objective. "
    "The maker's own figures win where they differ."
)
