"""Choosing and describing a deck on the screen.

In: the decks and jobs of the logbook. Out: Streamlit elements; a described deck is validated by
`bench.deck` and its words are shown when a field is wrong. Nothing is stored half.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import streamlit as st

from bench.arm import GEOMETRIES, RADIUS_SETS
from bench.deck import ADJUSTERS, ANTI_SKATE_KINDS, ARM_KINDS, ARM_SHAPES, GENERATORS, TIPS, Deck
from bench.deck_file import from_toml, to_toml
from bench.example_decks import examples
from bench.job import OpenJob
from bench.mechanics import BEARING_AXES
from bench.steps import StepState
from ui import state
from ui.guide import GUIDES
from ui.log_view import file_name, job_names
from ui.theme import STATE_SIGNS, badge
from ui.views import PAGES

FIRST_THREE = ("rake", "cantilever", "azimuth")
GEOMETRY_WORDS = {
    "lofgren-a": "Löfgren A (Baerwald)",
    "lofgren-b": "Löfgren B",
    "stevenson": "Stevenson",
}


def start_here() -> None:
    """Offer the ways in for somebody who has no deck described yet."""
    if st.button(
        "Read a photo now",
        type="primary",
        icon=":material/photo_camera:",
        width="stretch",
        key="first",
    ):
        st.switch_page("views/read.py", query_params={"q": FIRST_THREE[0]})
    if st.button(
        "Practise on a sample deck, with sample photos",
        icon=":material/science:",
        width="stretch",
        key="practice",
    ):
        state.start_job(next(iter(examples().values())), title=state.PRACTICE)
        st.rerun()
    with st.expander("Describe my own deck", icon=":material/edit_note:"):
        _form(replace(next(iter(examples().values())), name="My deck", note=""), "new")
        _from_file()


def tiles(everything: Sequence[StepState]) -> None:
    """One button for each of the three angles, with what is known of it."""
    for column, quantity in zip(st.columns(3, gap="small"), FIRST_THREE, strict=True):
        known = next((s for s in everything if quantity in s.step.accepts), None)
        sign, word, _ = STATE_SIGNS[known.status if known else "to do"]
        with column:
            if st.button(
                f"{GUIDES[quantity].title} · {sign} {word}",
                icon=":material/photo_camera:",
                width="stretch",
                key=f"tile-{quantity}",
                help=GUIDES[quantity].question,
            ):
                st.switch_page("views/read.py", query_params={"q": quantity})


def stand(everything: Sequence[StepState]) -> None:
    """Say how far the job is, and which steps need attention."""
    st.markdown(f"**{sum(s.done for s in everything)} of {len(everything)} steps are done.**")
    for each in everything:
        if each.status in ("outside", "undecided", "check again"):
            st.markdown(f"{badge(each.status)} {each.step.title}")


def tools() -> None:
    """Links to the tools, for a phone whose page list is folded away."""
    with st.container(horizontal=True, gap="small"):
        for file, title, icon, _ in PAGES["Tools"]:
            st.page_link(f"views/{file}.py", label=title, icon=icon)


def describe(job: OpenJob) -> None:
    """Show and change the description of the deck at hand."""
    with st.expander("This deck's description", icon=":material/edit_note:"):
        st.markdown(
            "Saving a changed description starts a fresh job on it; what was read before stays "
            "in the logbook."
        )
        _form(job.deck, job.uid)
        st.download_button(
            "Save this description as a file",
            to_toml(job.deck),
            file_name=f"{file_name(job.deck.name)}.toml",
            mime="application/toml",
            on_click="ignore",
            icon=":material/download:",
        )
        _from_file()


def other_jobs(job: OpenJob) -> None:
    """Put another job at hand, or start a fresh one."""
    with st.expander("Another deck or a fresh job", icon=":material/swap_horiz:"):
        jobs = job_names(state.logbook().jobs())
        others = [uid for uid in jobs if uid != job.uid]
        if others:
            chosen = st.selectbox("Earlier jobs", others, format_func=jobs.__getitem__)
            if st.button("Put it at hand", width="stretch"):
                state.take_job(chosen)
                st.rerun()
        owner = st.text_input("Owner (optional, for the report)", max_chars=100)
        if st.button(f"Fresh job on {job.deck.name}", width="stretch"):
            state.start_job(job.deck, owner=owner)
            st.rerun()
        st.markdown("Invented decks to look at:")
        kinds = examples()
        example = st.selectbox(
            "Example", list(kinds), format_func=lambda k: f"{kinds[k].name}: {kinds[k].arm.name}"
        )
        if st.button("Practise on it", width="stretch"):
            state.start_job(kinds[example], title=state.PRACTICE)
            st.rerun()


def _form(deck: Deck, key: str) -> None:
    with st.form(f"deck-{key}"):
        given = _ask(deck, key)
        owner = st.text_input("Owner (optional)", max_chars=100, key=f"{key}-owner")
        saved = st.form_submit_button("Save and use this deck", type="primary", width="stretch")
    if not saved:
        return
    try:
        changed = _deck(deck, given)
    except ValueError as problem:
        st.error(f"Not saved. {problem}", icon=":material/error:")
        return
    state.start_job(changed, owner=owner)
    st.rerun()


def _ask(deck: Deck, key: str) -> dict[str, Any]:
    arm, cartridge = deck.arm, deck.cartridge

    def number(label: str, value: float | None, step: float = 0.1) -> float | None:
        return st.number_input(
            label,
            value=value,
            step=step,
            format="%.2f",
            placeholder="not known",
            key=f"{key}-{label}",
        )

    def choice(label: str, options: Sequence[str], value: str) -> str:
        return st.selectbox(
            label,
            options,
            index=list(options).index(value),
            key=f"{key}-{label}",
            format_func=lambda o: GEOMETRY_WORDS.get(o, o.replace("-", " ")),
        )

    asked: dict[str, Any] = {"name": st.text_input("Name", deck.name, 120, key=f"{key}-name")}
    one, two = st.columns(2)
    with one:
        st.markdown("**Arm**")
        asked["kind"] = choice("Kind of arm", ARM_KINDS, arm.kind)
        asked["shape"] = choice("Shape", ARM_SHAPES, arm.shape)
        asked["effective_length_mm"] = number("Effective length (mm)", arm.effective_length_mm, 0.5)
        asked["mounting_distance_mm"] = number(
            "Mounting distance (mm)", deck.mounting_distance_mm, 0.5
        )
        asked["bearing_axis"] = choice("Bearing axis", BEARING_AXES, arm.bearing_axis)
        asked["anti_skate"] = choice("Anti-skate by", ANTI_SKATE_KINDS, arm.anti_skate)
        asked["effective_mass_g"] = number("Effective mass (g)", arm.effective_mass_g)
        asked["geometry"] = choice("Geometry", GEOMETRIES, deck.geometry)
        sets = list(RADIUS_SETS)
        asked["radii"] = choice(
            "Grooves", sets, deck.radii.name if deck.radii.name in sets else sets[0]
        )
    with two:
        st.markdown("**Cartridge**")
        asked["cartridge"] = st.text_input(
            "Name in your own words", cartridge.name, 120, key=f"{key}-cartridge"
        )
        asked["tip"] = choice("Tip", TIPS, cartridge.tip)
        asked["generator"] = choice("Generator", GENERATORS, cartridge.generator)
        asked["mass_g"] = number("Mass (g)", cartridge.mass_g)
        asked["force_low_gf"] = number("Tracking force from (g)", cartridge.force_low_gf)
        asked["force_high_gf"] = number("to (g)", cartridge.force_high_gf)
        asked["force_gf"] = number("wanted (g)", cartridge.force_gf)
        asked["rake_deg"] = number("Rake by the maker's sheet (°)", cartridge.rake_deg)
        asked["compliance_um_per_mn"] = number(
            "Compliance (µm/mN)", cartridge.compliance_um_per_mn, 1.0
        )
        asked["compliance_stated_at"] = choice(
            "Compliance stated at", ("10 Hz", "100 Hz", "static"), cartridge.compliance_stated_at
        )
    st.markdown("**What can be turned**")
    held = sorted(arm.adjusters | deck.adjusters)
    asked["adjusters"] = st.multiselect(
        "Adjusters this deck really has",
        list(ADJUSTERS),
        held,
        format_func=ADJUSTERS.__getitem__,
        key=f"{key}-adjusters",
    )
    three, four = st.columns(2)
    with three:
        asked["record_mm"] = number("Record thickness (mm)", deck.record_mm)
        asked["suspended"] = st.checkbox("Suspended deck", deck.suspended, key=f"{key}-suspended")
    with four:
        asked["mirror_mm"] = number("Mirror thickness (mm)", deck.mirror_mm)
        asked["factory_assembled"] = st.checkbox(
            "Cartridge fitted at the factory", deck.factory_assembled, key=f"{key}-factory"
        )
    return asked


def _deck(deck: Deck, asked: dict[str, Any]) -> Deck:
    """Build the deck from the form; ValueError names the field that is wrong."""
    for field in ("effective_length_mm", "mass_g"):
        if asked[field] is None:
            raise ValueError(f"{field.rsplit('_', 1)[0].replace('_', ' ')}: a figure is needed")
    own = {"speed-trim", "pulley", "feet"}
    straight = asked["kind"] in ("underhung", "linear")
    arm = replace(
        deck.arm,
        name=deck.arm.name,
        **{
            k: asked[k]
            for k in (
                "kind",
                "shape",
                "effective_length_mm",
                "bearing_axis",
                "anti_skate",
                "effective_mass_g",
            )
        },
        adjusters=frozenset(asked["adjusters"]) - own,
        offset_deg=None if straight else deck.arm.offset_deg,
    )
    cartridge = replace(
        deck.cartridge,
        name=asked["cartridge"],
        **{
            k: asked[k]
            for k in (
                "tip",
                "generator",
                "mass_g",
                "force_low_gf",
                "force_high_gf",
                "force_gf",
                "rake_deg",
                "compliance_um_per_mn",
                "compliance_stated_at",
            )
        },
    )
    return replace(
        deck,
        arm=arm,
        cartridge=cartridge,
        radii=RADIUS_SETS[asked["radii"]],
        adjusters=frozenset(asked["adjusters"]) & own,
        **{
            k: asked[k]
            for k in (
                "name",
                "geometry",
                "mounting_distance_mm",
                "record_mm",
                "mirror_mm",
                "suspended",
                "factory_assembled",
            )
        },
    )


def _from_file() -> None:
    given = st.file_uploader("Or a description saved as a file (.toml)", type=["toml"])
    if given is not None and st.button("Use the deck in this file", width="stretch"):
        try:
            deck = from_toml(given.getvalue().decode("utf-8"))
        except (ValueError, UnicodeDecodeError) as problem:
            st.error(f"Not used. {problem}", icon=":material/error:")
            return
        state.start_job(deck)
        st.rerun()
