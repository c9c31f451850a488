"""Care and help: what can hurt a person, a stylus or a motor, and how to read the app."""

import streamlit as st

from ui.theme import STATE_SIGNS, badge

st.title("Care and help")

CARE = (
    (
        ":material/bolt: Mains and motor",
        "Unplug the deck before you touch the motor, its pulley or the belt. Mains wiring is for "
        "a qualified person.",
    ),
    (
        ":material/volume_off: Sound",
        "Mute the amplifier or turn it right down before the arm or the cartridge leads are "
        "touched: a slip is loud enough to hurt ears and loudspeakers.",
    ),
    (
        ":material/back_hand: The stylus",
        "Lock the platter so that it cannot turn. Roll sleeves up and out of the way. Use the "
        "arm's lift; never let the stylus slide over a mirror or paper, and set anti-skate to "
        "nothing while it stands there. Keep steel tools away: the cartridge pulls them in.",
    ),
    (
        ":material/smartphone: The phone is a magnet",
        "So are clip-on lenses and phone mounts. Rest the phone on a block, 50 mm or more from "
        "the cartridge, and use the self-timer. Never hold it over the stylus.",
    ),
    (
        ":material/flare: Light",
        "A bright lamp close by dazzles and gets hot. A strobe flickers: do not use one where "
        "anyone present may react to flickering light.",
    ),
    (
        ":material/fitness_center: Weight",
        "Platters can weigh several kilograms: two hands, and fingers out of the gap.",
    ),
)
for title, text in CARE:
    with st.container(border=True):
        st.markdown(f"**{title}**  \n{text}")

st.header("How to read a result")
st.markdown(
    "**91.8° ± 0.3°** means: with 95 % confidence the angle shown by this photo lies between 91.5° "
    "and 92.1°. What the photo shows is the outside of the stylus or the body; the contact edge "
    "ground on the diamond or the generator inside may differ by a degree or two. That part is "
    "named with each reading and counted in its verdict.\n\n"
    "**No reading** is an answer too: it says what could not be seen and what to change. It is "
    "better than a wrong number.\n\n"
    "A verdict takes the uncertainty into account. Turn something only when it says “outside”."
)
MEANING = {
    "to do": "not measured yet",
    "within": "inside the tolerance, uncertainty counted",
    "outside": "outside the tolerance, uncertainty counted",
    "undecided": "too near the limit to say; a better photo or several photos help",
    "check again": "something turned since then may have moved it",
}
st.markdown(
    "\n".join(f"- {badge(name)} {MEANING[name]}" for name in STATE_SIGNS if name in MEANING)
)

st.header("Questions")
for question, answer in (
    (
        "The photo is refused as soft or small",
        "Come closer or clip a close-up lens on, tap the subject to focus, use the self-timer, "
        "and put the phone on something solid. Digital zoom adds nothing.",
    ),
    (
        "Two photos differ",
        "Add both to the same reading: the page shows the scatter and the combined value, and "
        "says when they disagree by more than their uncertainties allow.",
    ),
    (
        "The lines sit on the wrong edge",
        "Press **Move lines**, drag the rings roughly onto the right edges (they snap), and keep "
        "the correction. The log marks it as corrected by hand.",
    ),
    (
        "A cantilever over a mirror gets no reading",
        "Most often the reflection was not made out, and with it how steeply the cantilever rises. "
        "If you can see it, press **Move lines**, lay the two *reflected* lines along its edges "
        "and check the two on the cantilever. Ten pixels off will do.",
    ),
    (
        "Which figures can I trust on my phone?",
        "The accuracy figures of this project come from rendered photographs. Print the check "
        "sheet: it has known angles, so you can see the tool right or wrong on your own camera.",
    ),
):
    with st.expander(question):
        st.markdown(answer)

st.caption(
    "Nothing here replaces the maker's manual or qualified service. Nothing is sent outside your "
    "own network."
)
