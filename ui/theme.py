"""The look of the app: one calm theme in light and in dark, as server options and palette.

In: nothing. Out: `OPTIONS`, the theme part of the server's configuration (no file is read), and
`STATE_SIGNS`, the shape and word that go with every colour so that colour is never the only sign.
Contrast of every text pair is at least 4.5:1 (WCAG 2.2, success criterion 1.4.3); a test computes
it with the formula printed there.
"""

from __future__ import annotations

import streamlit as st

LIGHT = {
    "primaryColor": "#0f5f63",
    "backgroundColor": "#f6f4ef",
    "secondaryBackgroundColor": "#e8e4d9",
    "textColor": "#1d282d",
    "linkColor": "#0b5460",
    "borderColor": "#a9a596",
    "codeBackgroundColor": "#e8e4d9",
    "codeTextColor": "#1d282d",
    "greenTextColor": "#1b5e34",
    "redTextColor": "#8f2d1c",
    "orangeTextColor": "#7a4a00",
    "blueTextColor": "#1c4f80",
    "grayTextColor": "#4f5a5e",
    "greenBackgroundColor": "#dcebdd",
    "redBackgroundColor": "#f4dfd9",
    "orangeBackgroundColor": "#f3e6cc",
    "blueBackgroundColor": "#dbe7f1",
    "yellowBackgroundColor": "#f3e6cc",
    "yellowTextColor": "#6a4700",
}

DARK = {
    "primaryColor": "#1f7f80",
    "backgroundColor": "#12181b",
    "secondaryBackgroundColor": "#1f282c",
    "textColor": "#ece7dc",
    "linkColor": "#93d6d0",
    "borderColor": "#5b676c",
    "codeBackgroundColor": "#1f282c",
    "codeTextColor": "#ece7dc",
    "greenTextColor": "#9fd8ae",
    "redTextColor": "#f2a897",
    "orangeTextColor": "#f0c27a",
    "blueTextColor": "#a3cbef",
    "grayTextColor": "#b5bdbf",
    "greenBackgroundColor": "#1c3324",
    "redBackgroundColor": "#43221b",
    "orangeBackgroundColor": "#3d2d10",
    "blueBackgroundColor": "#1a2f42",
    "yellowBackgroundColor": "#3d2d10",
    "yellowTextColor": "#f0c27a",
}

# Okabe and Ito's colour-blind-safe set (jfly.uni-koeln.de/color, 2008), darkened or lightened
# by theme where 3:1 against the ground asks for it.
CHART_LIGHT = ["#00618f", "#a8540a", "#00694f", "#8a3f6b", "#4f5a5e"]
CHART_DARK = ["#56b4e9", "#e69f00", "#3ec79b", "#d99abf", "#b5bdbf"]

FONT = "system-ui, -apple-system, 'Segoe UI', Roboto, 'Noto Sans', 'DejaVu Sans', sans-serif"

OPTIONS: dict[str, object] = {
    "theme.font": FONT,
    "theme.headingFont": FONT,
    "theme.baseFontSize": 18,
    "theme.baseRadius": "10px",
    "theme.buttonRadius": "12px",
    "theme.showWidgetBorder": True,
    "theme.paddingTop": "3.5rem",
    "theme.headingFontSizes": ["2rem", "1.5rem", "1.25rem", "1.1rem", "1rem", "1rem"],
    **{f"theme.light.{key}": value for key, value in LIGHT.items()},
    **{f"theme.dark.{key}": value for key, value in DARK.items()},
    "theme.light.chartCategoricalColors": CHART_LIGHT,
    "theme.dark.chartCategoricalColors": CHART_DARK,
}

# What Streamlit fades below 4.5:1, and the phone's margins.
CSS = """<style>
[data-testid="stCaptionContainer"], [data-testid="stCaptionContainer"] p {
  color: inherit !important; opacity: 1 !important; }
[data-testid="stButtonGroup"] button, [data-testid="stButtonGroup"] button * {
  color: inherit !important; }
[data-testid="stButtonGroup"] button[aria-checked="true"] { font-weight: 700; }
[data-testid="stSpinner"] * { color: inherit !important; opacity: 1 !important; }
[data-testid="stSidebarNavLink"] { min-height: 44px; }
[data-testid="stSidebarNavLink"] *, [data-testid="stNavSectionHeader"] * {
  color: inherit !important; opacity: 1; }
[data-testid="stMainBlockContainer"] { max-width: 1280px; }
.st-key-steps button { justify-content: flex-start; text-align: left; }
.st-key-steps button > div { justify-content: flex-start; }
.st-key-value { container-type: inline-size; }
.st-key-value h1 { font-size: clamp(1.2rem, 9.5cqi, 2.3rem); white-space: nowrap;
  font-variant-numeric: tabular-nums; }
.st-key-foot { display: none; }
@media (max-width: 767px) {
  [data-testid="stMainBlockContainer"] { padding: 3.5rem 1rem 7rem; }
  .st-key-foot { display: flex; position: fixed; left: 0; right: 0; bottom: 0; z-index: 99;
    justify-content: space-around; flex-wrap: nowrap; gap: 0; width: 100vw;
    padding: 4px 4px calc(4px + env(safe-area-inset-bottom)); backdrop-filter: blur(14px);
    border-top: 1px solid currentColor; background: GROUND; }
  .st-key-foot [data-testid="stPageLink-NavLink"] { flex-direction: column; gap: 0;
    min-height: 52px; padding: 4px 6px; justify-content: center; }
  .st-key-foot [data-testid="stPageLink-NavLink"] p { font-size: .8rem; white-space: nowrap; }
}
</style>"""

# state -> (sign, word, markdown colour)
STATE_SIGNS: dict[str, tuple[str, str, str]] = {
    "to do": ("○", "to do", "gray"),
    "within": ("✔", "within", "green"),
    "within as shown": ("◐", "within as shown", "green"),
    "outside": ("✖", "outside", "red"),
    "undecided": ("?", "undecided", "orange"),
    "check again": ("↻", "check again", "blue"),
    "done": ("✔", "done", "green"),
    "accepted": ("✔", "accepted", "green"),
    "skipped": ("–", "left out", "gray"),
    "not applicable": ("–", "not for this deck", "gray"),
    "set by rake": ("✔", "set by rake", "green"),
    "set by overhang": ("✔", "set by overhang", "green"),
    "no verdict": ("·", "no verdict", "gray"),
}


def badge(state: str) -> str:
    """Markdown for a state: sign, word and colour together."""
    sign, word, colour = STATE_SIGNS.get(state, ("·", state, "gray"))
    return f":{colour}-badge[{sign} {word}]"


def without_word(sentence: str) -> str:
    """Return a verdict's sentence without the word that its badge already says."""
    word, colon, rest = sentence.partition(": ")
    if not colon or " " in word:
        return sentence
    return rest[:1].upper() + rest[1:]


def page_css() -> str:
    """Style for the few things that Streamlit's options cannot say, in the person's theme."""
    return CSS.replace("GROUND", _palette()["backgroundColor"])


def chart_ink() -> str:
    """Colour of a chart's words in the theme that the person sees."""
    return _palette()["textColor"]


def _palette() -> dict[str, str]:
    return DARK if st.context.theme.type == "dark" else LIGHT
