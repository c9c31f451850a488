"""One small drawing of what to turn: the part, the arrow, and where it is seen from.

In: a `bench.advice.Turn`. Out: SVG text in the theme's colours, and the same in words.
"""

from __future__ import annotations

from bench.advice import Turn

_ARROWS = {
    "raise": "M200 178V74m-26 30 26-32 26 32",
    "lower": "M200 66v104m-26-30 26 32 26-32",
    "clockwise": "M128 128a72 72 0 1 1 64 66m22-26-26 27 27 25",
    "counter-clockwise": "M272 128a72 72 0 1 0-64 66m-22-26 26 27-27 25",
    "forward": "M286 124H110m30-26-32 26 32 26",
    "back": "M114 124h176m-30-26 32 26-32 26",
    "towards the spindle": "M286 124H110m30-26-32 26 32 26",
    "away from the spindle": "M114 124h176m-30-26 32 26-32 26",
    "thicker": "M200 178V74m-26 30 26-32 26 32",
    "thinner": "M200 66v104m-26-30 26 32 26-32",
    "more": "M200 178V74m-26 30 26-32 26 32",
    "less": "M200 66v104m-26-30 26 32 26-32",
    "faster": "M120 124h160m-30-26 32 26-32 26m-44-52 32 26-32 26",
    "slower": "M280 124H120m30-26-32 26 32 26m44-52-32 26 32 26",
}
_PARTS = {
    "height": (
        '<path d="M40 196H360" stroke="var(--soft)" stroke-width="4"/>'
        '<path d="M40 166L282 150" stroke="var(--ink)" stroke-width="6"/>'
        '<rect x="270" y="120" width="34" height="76" rx="6" fill="none" stroke="var(--ink)" '
        'stroke-width="4"/><path d="M52 166l4 26" stroke="var(--ink)" stroke-width="4"/>'
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
    "dial": (
        '<circle cx="200" cy="124" r="42" fill="none" stroke="var(--ink)" stroke-width="4"/>'
        '<path d="M200 124V90" stroke="var(--ink)" stroke-width="5" stroke-linecap="round"/>'
    ),
}
_PART_OF = {
    "height": "height",
    "base-spacer": "height",
    "mat": "height",
    "wedge": "head",
    "azimuth-collar": "head",
    "azimuth-tube": "head",
    "lateral-balance": "head",
    "slots": "above",
    "removable-headshell": "above",
    "sliding-base": "above",
}


def turn_svg(turn: Turn) -> str:
    """Draw the part and the direction of the turn."""
    part = _PARTS[_PART_OF.get(turn.adjuster, "dial")]
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
