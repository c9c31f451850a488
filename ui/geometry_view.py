"""Side force and resonance of the deck at hand, in words.

In: a deck. Out: Streamlit elements; the figures and their assumptions come from `bench.mechanics`.
"""

from __future__ import annotations

import streamlit as st

from bench.arm import skating_angle_deg
from bench.deck import Deck
from bench.mechanics import skating_force_gf
from bench.targets import Target


def forces(deck: Deck) -> None:
    """Say the skating force at both ends of the record and the resonance, where known."""
    lines = []
    force, alignment = deck.target("tracking-force"), deck.alignment()
    if alignment is not None and isinstance(force, Target):
        ends = (deck.radii.outer_mm, deck.radii.inner_mm)
        angles = skating_angle_deg(
            ends, alignment.effective_length_mm, alignment.mounting_distance_mm
        )
        outer, inner = (skating_force_gf(force.aim, float(a)) for a in angles)
        lines.append(
            f"Side force towards the spindle, about: **{outer:.2f} g** at the rim, "
            f"**{inner:.2f} g** at the last groove (friction 0.3 assumed; good to a factor of 1.7)"
        )
    found, wanted = deck.resonance_hz(), deck.target("resonance")
    if found is not None and isinstance(wanted, Target):
        lines.append(
            f"Resonance of arm and cartridge: **{found[0]:.1f} to {found[1]:.1f} Hz** "
            f"(wanted {wanted.text()})"
        )
    if lines:
        st.markdown(f"With {deck.name}:\n\n" + "\n".join(f"- {line}" for line in lines))
