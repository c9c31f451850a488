"""One small drawing of what to turn: the part, the arrow, and where it is seen from.

In: a `bench.advice.Turn`. Out: SVG text in the theme's colours, and the same in words.
"""

from __future__ import annotations

from bench.advice import Turn

_UP = "M200 182V78m-26 30 26-32 26 32"
_DOWN = "M200 70v104m-26-30 26 32 26-32"
_PLUS = "M316 84h52m-26-26v52"
_MINUS = "M316 84h52"
# In the drawing from above the front of the cartridge, where the stylus is, points down.
_ARROWS = {
    "raise": _UP,
    "lower": _DOWN,
    "clockwise": "M128 128a72 72 0 1 1 64 66m22-26-26 27 27 25",
    "counter-clockwise": "M272 128a72 72 0 1 0-64 66m-22-26 26 27-27 25",
    "forward": "M290 74v96m-26-30 26 32 26-32",
    "back": "M290 178V82m-26 30 26-32 26 32",
    "towards the spindle": "M330 76H190m30-24-32 24 32 24",
    "away from the spindle": "M190 76h140m-30-24 32 24-32 24",
    "more": _PLUS,
    "less": _MINUS,
    "thicker": _PLUS,
    "thinner": _MINUS,
    "faster": _PLUS,
    "slower": _MINUS,
}
_PARTS = {
    "pivot": (
        '<path d="M40 200H360" stroke="var(--soft)" stroke-width="4"/>'
        '<path d="M40 170L282 154" stroke="var(--ink)" stroke-width="6"/>'
        '<rect x="270" y="124" width="34" height="76" rx="6" fill="none" stroke="var(--ink)" '
        'stroke-width="4"/><path d="M52 170l4 26" stroke="var(--ink)" stroke-width="4"/>'
    ),
    "head": (
        '<path d="M40 206H360" stroke="var(--soft)" stroke-width="4"/>'
        '<rect x="158" y="92" width="84" height="70" rx="6" fill="none" stroke="var(--ink)" '
        'stroke-width="4"/><path d="M200 162v40" stroke="var(--ink)" stroke-width="4"/>'
    ),
    "above": (
        '<path d="M166 66h68v112h-68z" fill="none" stroke="var(--ink)" stroke-width="4"/>'
        '<path d="M184 84v26M216 84v26" stroke="var(--soft)" stroke-width="8" '
        'stroke-linecap="round"/><path d="M200 178v34" stroke="var(--ink)" stroke-width="4"/>'
    ),
    "base": (
        '<circle cx="96" cy="134" r="74" fill="none" stroke="var(--soft)" stroke-width="4"/>'
        '<circle cx="96" cy="134" r="6" fill="var(--ink)"/>'
        '<circle cx="290" cy="134" r="26" fill="none" stroke="var(--ink)" stroke-width="4"/>'
        '<path d="M290 134L132 196" stroke="var(--ink)" stroke-width="5"/>'
    ),
    "feet": (
        '<path d="M60 96H340V134H60Z" fill="none" stroke="var(--ink)" stroke-width="4"/>'
        '<path d="M84 134v26h36v-26M280 134v26h36v-26" fill="none" stroke="var(--ink)" '
        'stroke-width="4"/><path d="M40 164H360" stroke="var(--soft)" stroke-width="4"/>'
    ),
    "wheel": (
        '<circle cx="180" cy="124" r="62" fill="none" stroke="var(--ink)" stroke-width="4"/>'
        '<path d="M180 124V72M180 62v14M118 124h14M242 124h-14" stroke="var(--ink)" '
        'stroke-width="5" stroke-linecap="round"/>'
    ),
}
_PART_OF = {
    "height": "pivot",
    "base-spacer": "pivot",
    "mat": "pivot",
    "wedge": "head",
    "azimuth-collar": "head",
    "azimuth-tube": "head",
    "lateral-balance": "head",
    "slots": "above",
    "removable-headshell": "above",
    "sliding-base": "base",
    "feet": "feet",
}


def turn_svg(turn: Turn) -> str:
    """Draw the part and the direction of the turn."""
    part = _PARTS[_PART_OF.get(turn.adjuster, "wheel")]
    arrow = _ARROWS.get(turn.direction, "")
    seen = f"seen from {turn.seen_from}" if turn.seen_from else ""
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 400 240">'
        f'<rect width="400" height="240" fill="var(--ground)"/>{part}'
        f'<path d="{arrow}" fill="none" stroke="var(--paper)" stroke-width="15" '
        'stroke-linecap="round" stroke-linejoin="round"/>'
        f'<path d="{arrow}" fill="none" stroke="var(--go)" stroke-width="8" '
        'stroke-linecap="round" stroke-linejoin="round"/>'
        f'<text x="20" y="34">{turn.direction}</text>'
        f'<text x="380" y="34" text-anchor="end">{seen}</text></svg>'
    )


def turn_words(turn: Turn) -> str:
    """Say the drawing for a screen reader."""
    seen = f", seen from {turn.seen_from}" if turn.seen_from else ""
    return f"Arrow on {turn.adjuster_name}: {turn.direction}{seen}"
