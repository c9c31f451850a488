"""How to take each photo: words, cautions and drawings. Data only; measures nothing.

In: the name of a quantity. Out: a `Guide`: where to rest the camera (drawn from above and from the
side), what the photo should show (drawn), the words for both, cautions, and where to put the first
rough lines when a person marks the edges. Drawings use the theme's colours by CSS variables.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

STRAIGHT_DOWN_ABOVE = 70.0  # degrees; the camera then lies on a bridge, the arm on its rest

QUIET = "Mute the amplifier before the arm is touched."
BLOCK = (
    "Rest the phone on a block and use the self-timer. Never hold it over the stylus: a phone and "
    "its clip-on lenses and mounts are magnets. Keep them 50 mm away, behind the block's edge."
)
PARKED = "Arm in its rest and locked; nothing is held over a stylus. Amplifier muted."
LOCKED = "Lock the platter (or switch the deck off and hold it still); keep sleeves out of reach."
LAMP = "A lamp close by gets hot and dazzles: from the side, at arm's length, is enough."
LIFT = "Lower the stylus with the lift and never slide it. On mirror or paper: anti-skate off."
FLICKER = "Strobe lamps flicker. Do not use one where anyone present may react to flickering light."
MAINS = "Unplug the deck before touching motor, belt or pulley."


@dataclass(frozen=True)
class Guide:
    """How to take one photo.

    ``direction_deg`` is where the camera stands seen from above (0 = in front of the cartridge,
    90 = at its side), ``elevation_deg`` how far above the surface it looks down from. ``marks``
    holds rough first lines (x0, y0, x1, y1, each 0 to 1 of the photo) by name.
    """

    quantity: str
    title: str
    question: str
    lead: str
    how: tuple[str, ...]
    cautions: tuple[str, ...]
    direction_deg: float
    elevation_deg: float
    shows: str
    kind: str = "photo"
    photos_best: int = 1

    def place_svg(self) -> str:
        """Draw where the camera rests, from above and from the side."""
        return _place(self.direction_deg, self.elevation_deg)

    def shows_svg(self) -> str:
        """Draw what the photo should show."""
        return _frame(_SKETCHES.get(self.quantity, ""))


GUIDES: dict[str, Guide] = {
    g.quantity: g
    for g in (
        Guide(
            "rake",
            "Rake angle",
            "How far the stylus leans along the groove",
            "The stylus close up from the side, standing on a mirror (best) or a still record.",
            (
                "Put a small mirror on the bare platter, packed up to record height, and lower the "
                "stylus onto it.",
                "Rest the phone on a block at the side, lens level with the surface, looking "
                "straight across.",
                "Come close (a clip-on lens helps) until the stylus is at least 80 pixels tall.",
                "Put white paper behind, in soft light. Tap the stylus to focus.",
            ),
            (QUIET, LOCKED, BLOCK, LIFT, LAMP),
            90,
            3,
            "Stylus, cantilever and their mirror image, all sharp, with room around them.",
        ),
        Guide(
            "cantilever",
            "Cantilever direction",
            "Whether the cantilever points along the printed line",
            "From the front and above, over a printed grid on a mirror or on paper.",
            (
                "Lower the stylus onto a crossing of the grid.",
                "Rest the phone in front, a little to one side (3 to 10°), looking down at 30 "
                "to 50°.",
                "The cantilever, its mirror image and at least four grid squares must be in view.",
                "On paper: straight ahead and high, or one photo from the left and one from the "
                "right.",
            ),
            (QUIET, LOCKED, BLOCK, LIFT, LAMP),
            6,
            40,
            "The cantilever over the grid, with squares on both sides.",
            photos_best=2,
        ),
        Guide(
            "azimuth",
            "Azimuth angle",
            "Whether the body stands square to the surface, seen head-on",
            "Head-on and low, the body and its mirror image in one photo.",
            (
                "Lower the stylus onto a mirror.",
                "Rest the phone in front, looking straight at the body from just above the "
                "surface (3 to 15°).",
                "Fill the width with the body; its whole mirror image must be in view.",
                "Even light from both sides; no lamp behind the camera.",
            ),
            (QUIET, LOCKED, BLOCK, LIFT, LAMP),
            0,
            8,
            "The front of the body above, its mirror image below, both edges sharp.",
        ),
        Guide(
            "arm-level",
            "Arm level",
            "Whether the arm tube runs level with the record",
            "The arm tube from the side, with the card of the level sheet standing behind it.",
            (
                "Lower the stylus onto a still record (or the mirror) and stand the card upright "
                "close behind the tube, its arrow to the pivot.",
                "Rest the phone well back at the side, lens at tube height.",
                "A long straight piece of the tube and both marker blocks of the card in view.",
                "No card? Draw the tube's edges and the surface with Move lines: less exact.",
            ),
            (QUIET, LOCKED, BLOCK, LIFT),
            90,
            2,
            "The tube in front of the card, both marker blocks sharp.",
        ),
        Guide(
            "platter-level",
            "Platter level",
            "How far the platter tilts, and which side is high",
            "A bull's-eye spirit level on the printed mat from straight above, then again turned "
            "half round.",
            (
                "Lay the mat of the level sheet on the platter, its arrow to the arm's pivot, and "
                "stand the level on its rings.",
                "Rest the phone on a bridge of books above, looking straight down.",
                "Type the sensitivity marked on the level into the details below.",
                "Take a second photo with the level turned half round: its own error cancels.",
            ),
            (PARKED, LOCKED, "Lift heavy platters with both hands, knees bent."),
            0,
            85,
            "The whole level and all four marker blocks of the mat.",
            photos_best=2,
        ),
        Guide(
            "mounting-distance",
            "Mounting distance",
            "How far the arm's pivot stands from the spindle",
            "The distance sheet over the spindle and the paper cap on the pivot, from above.",
            (
                "Push the distance sheet over the spindle, its rule towards the pivot, and lay the "
                "printed cap on the middle of the bearing, level.",
                "Rest the phone on a bridge above the pivot, 400 to 600 mm up, looking straight "
                "down.",
                "Measure how high the cap lies above the paper, to half a millimetre, and type it "
                "into the details below.",
            ),
            (PARKED, LOCKED, "Stylus guard on: the arm is in its rest, locked."),
            0,
            85,
            "The spindle, the marker blocks and the whole cap.",
        ),
        Guide(
            "overhang",
            "Overhang",
            "How far the stylus reaches beyond the spindle",
            "The alignment sheet with the stylus held just above it, near the spindle.",
            (
                "Lay the alignment sheet over the spindle, flat.",
                "Swing the arm so that the stylus is over the scale beside the spindle, on the "
                "lift.",
                "Rest the phone above, at least four of the printed square marks in view.",
            ),
            (QUIET, LOCKED, BLOCK, LIFT),
            30,
            55,
            "Spindle, stylus and the printed marks around them.",
        ),
        Guide(
            "null-points",
            "Null points",
            "Whether the stylus meets both crosses of the alignment sheet",
            "The stylus on each cross of the alignment sheet, one photo a cross.",
            (
                "Turn the sheet until the stylus can be lowered onto the inner cross.",
                "Rest the phone in front and above; the printed square marks must be in view.",
                "Repeat at the outer cross.",
            ),
            (QUIET, LOCKED, BLOCK, LIFT),
            10,
            45,
            "The stylus on the cross and the square marks around it.",
            photos_best=2,
        ),
        Guide(
            "body-square",
            "Body square to the grid",
            "Whether the body sits square, when the cantilever cannot be seen",
            "The body over the printed grid from above.",
            (
                "Lower the stylus onto a null cross of the alignment sheet.",
                "Rest the phone in front and high, looking down; the body's front edge and both "
                "marker strips in view. Set the azimuth first.",
                "This tells how the body sits, not how the cantilever sits inside it.",
            ),
            (QUIET, LOCKED, BLOCK, LIFT),
            5,
            60,
            "The front edge of the body and the grid around it.",
        ),
        Guide(
            "print-scale",
            "Scale of a printed sheet",
            "Whether the printer kept the size",
            "A blank card of bank-card size laid on its printed outline.",
            (
                "Print at 100 %, not “fit to page”.",
                "Lay a blank card of bank-card size on its outline. No card with a name or number.",
                "Photograph the sheet from straight above, flat, all the square marks in view.",
            ),
            ("Use a blank card, never a payment card. Keep paper and card away from the stylus.",),
            0,
            85,
            "The whole sheet, flat, with the card on its outline.",
        ),
        Guide(
            "speed",
            "Speed",
            "How fast the platter turns, and how steadily",
            "A video of 40 seconds of the speed disc turning, the still card beside it.",
            (
                "Lay the speed disc on the platter (the small one on a record's label) and the "
                "still card on the plinth close by, both level. Start the platter.",
                "Rest the phone on a bridge above, looking straight down.",
                "Ordinary video of 30 or 60 pictures a second, 40 seconds, in bright light. No "
                "slow motion, no digital zoom.",
            ),
            (PARKED, MAINS, FLICKER, "Keep sleeves, hair and cables away from the turning disc."),
            0,
            85,
            "The whole disc and the still card.",
            kind="video",
        ),
    )
}


# Lines a person can draw, by quantity, and where one starts that was not found (x0, y0, x1, y1,
# each 0 to 1). Of a point (tip, pivot, spindle) the middle counts.
START_LINES: dict[str, dict[str, tuple[float, float, float, float]]] = {
    "rake": {
        "shank left": (0.45, 0.25, 0.45, 0.42),
        "shank right": (0.55, 0.25, 0.55, 0.42),
        "reflected shank left": (0.45, 0.6, 0.45, 0.77),
        "reflected shank right": (0.55, 0.6, 0.55, 0.77),
        "surface": (0.2, 0.51, 0.8, 0.51),
    },
    "azimuth": {
        "lower edge": (0.3, 0.45, 0.7, 0.45),
        "reflected lower edge": (0.3, 0.56, 0.7, 0.56),
    },
    "cantilever": {
        "left edge": (0.47, 0.3, 0.48, 0.55),
        "right edge": (0.53, 0.3, 0.52, 0.55),
        "reflected left edge": (0.47, 0.85, 0.48, 0.6),
        "reflected right edge": (0.53, 0.85, 0.52, 0.6),
    },
    "mounting-distance": {
        "spindle": (0.2, 0.5, 0.24, 0.5),
        "pivot": (0.76, 0.5, 0.8, 0.5),
    },
    "arm-level": {
        "tube top": (0.25, 0.44, 0.75, 0.44),
        "tube bottom": (0.25, 0.5, 0.75, 0.5),
        "surface": (0.2, 0.7, 0.8, 0.7),
    },
    "platter-level": {
        "ring": (0.4, 0.5, 0.6, 0.5),
        "bubble": (0.46, 0.45, 0.54, 0.45),
    },
    "body-square": {"front": (0.4, 0.4, 0.6, 0.4)},
    "overhang": {"tip": (0.48, 0.5, 0.52, 0.5)},
    "null-points": {"tip": (0.48, 0.5, 0.52, 0.5)},
}
REFLECTED = ("reflected left edge", "reflected right edge")  # over a mirror, drawn if need be
# Further lines that count when they were found: the sides of the body.
FURTHER_LINES = ("left side", "right side", "reflected left side", "reflected right side")


def lines_to_drag(
    quantity: str, found: Mapping[str, Sequence[float]]
) -> dict[str, list[float] | None]:
    """Names of the lines to drag: None where the found line is the start, else a first place.

    ``found`` holds the lines of the reading by name, each x0, y0, x1, y1 from 0 to 1.
    """
    known = START_LINES.get(quantity, {})
    names = [n for n in found if n in known or (quantity == "azimuth" and n in FURTHER_LINES)]
    if quantity == "rake" and "reflected shank left" in names:
        names = [n for n in names if n != "surface"]  # follows from the mirror images
        known = {n: place for n, place in known.items() if n != "surface"}
    lines: dict[str, list[float] | None] = dict.fromkeys(names)
    for name, place in known.items():
        if name not in names:
            beside = {"shank left": -0.012, "shank right": 0.012}.get(name)
            if beside is not None and "axis" in found:
                x0, y0, x1, y1 = found["axis"]
                lines[name] = [x0 + beside, y0, x1 + beside, y1]
            else:
                lines[name] = list(place)
    if quantity == "cantilever":
        seen = [found[f"reflected edge {k}"] for k in (1, 2) if f"reflected edge {k}" in found]
        for name, line in zip(REFLECTED, sorted(seen, key=lambda p: p[0] + p[2]), strict=False):
            lines[name] = list(line)
    return lines


def _place(direction: float, elevation: float) -> str:
    """Two views: from above (left) and from the side (right), the camera on its block."""
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 400 236">'
        '<rect width="400" height="236" fill="var(--ground)"/>'
        f"{_from_above(direction, elevation)}{_from_side(elevation)}"
        '<path d="M196 16V220" stroke="var(--soft)" stroke-dasharray="3 5"/></svg>'
    )


_PLATTER = (
    '<circle cx="82" cy="104" r="66" fill="var(--paper)" stroke="var(--ink)" stroke-width="2"/>'
    '<circle cx="82" cy="104" r="3" fill="var(--ink)"/>'
    '<circle cx="170" cy="48" r="9" fill="none" stroke="var(--ink)" stroke-width="3"/>'
    '<text x="14" y="24">from above</text>'
)


def _from_above(direction: float, elevation: float) -> str:
    if elevation > STRAIGHT_DOWN_ABOVE:
        # The arm is on its rest: nothing is ever held over a stylus.
        return (
            f'{_PLATTER}<path d="M170 48L176 168" stroke="var(--ink)" stroke-width="4"/>'
            '<rect x="168" y="166" width="15" height="20" rx="2" fill="var(--ink)"/>'
            '<rect x="52" y="56" width="60" height="100" rx="8" fill="var(--go)" '
            'fill-opacity=".18" stroke="var(--go)" stroke-width="3" stroke-dasharray="7 4"/>'
            '<circle cx="82" cy="76" r="6" fill="var(--go)"/>'
        )
    x0, y0 = 76.0, 136.0
    # In front of the cartridge is along the arm, away from the pivot: down and left here.
    angle = math.radians(137 - direction)
    x, y = x0 + 62 * math.cos(angle), y0 + 62 * math.sin(angle)
    return (
        f'{_PLATTER}<path d="M{x0 + 12} {y0 - 8}L170 48" stroke="var(--ink)" stroke-width="4"/>'
        f'<rect x="{x0 - 8}" y="{y0 - 9}" width="20" height="14" rx="2" '
        f'transform="rotate(-43 {x0} {y0})" fill="var(--ink)"/>'
        f'<path d="M{x:.1f} {y:.1f}L{x0} {y0}" stroke="var(--go)" stroke-width="2.5" '
        'stroke-dasharray="6 4"/>'
        f'<g transform="translate({x:.1f} {y:.1f}) rotate({math.degrees(angle):.1f})">'
        '<rect x="-1" y="-24" width="12" height="48" rx="4" fill="var(--go)"/>'
        '<rect x="11" y="-15" width="15" height="30" fill="none" stroke="var(--soft)" '
        'stroke-width="2.5"/></g>'
    )


_SURFACE = (
    '<path d="M208 190H392" stroke="var(--soft)" stroke-width="3"/>'
    '<rect x="268" y="172" width="116" height="10" fill="var(--paper)" stroke="var(--ink)" '
    'stroke-width="2"/><text x="212" y="222">from the side</text>'
)


def _from_side(elevation: float) -> str:
    if elevation > STRAIGHT_DOWN_ABOVE:
        return (
            f'{_SURFACE}<path d="M326 172v-8" stroke="var(--ink)" stroke-width="5"/>'
            '<rect x="280" y="50" width="92" height="12" rx="4" fill="var(--go)"/>'
            '<path d="M326 64V160" stroke="var(--go)" stroke-width="2.5" '
            'stroke-dasharray="6 4"/><path d="M252 190V56H280" stroke="var(--soft)" '
            'stroke-width="5" fill="none"/><text x="212" y="30">straight down</text>'
        )
    x0, y0 = 352.0, 166.0
    shown = max(elevation, 4.0)
    x = x0 - 112 * math.cos(math.radians(shown))
    y = y0 - 112 * math.sin(math.radians(shown))
    block = y + 24
    return (
        f'{_SURFACE}<path d="M{x0} 172l4-14h-8z" fill="var(--ink)"/>'
        f'<rect x="{x0 - 14}" y="138" width="28" height="20" rx="2" fill="var(--ink)"/>'
        f'<path d="M{x:.1f} {y:.1f}L{x0} {y0}" stroke="var(--go)" stroke-width="2.5" '
        'stroke-dasharray="6 4"/>'
        f'<g transform="translate({x:.1f} {y:.1f}) rotate({shown:.1f})">'
        '<rect x="-11" y="-24" width="11" height="48" rx="4" fill="var(--go)"/></g>'
        f'<rect x="{x - 34:.1f}" y="{block:.1f}" width="44" height="{190 - block:.1f}" '
        'fill="none" stroke="var(--soft)" stroke-width="2.5"/>'
        f'<text x="212" y="30">{_words(elevation)}</text>'
    )


def _words(elevation: float) -> str:
    return "lens at the surface" if elevation < 5 else f"about {elevation:.0f}° down"


def _frame(content: str) -> str:
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 400 230">'
        '<rect width="400" height="230" fill="var(--ground)"/>'
        '<rect x="24" y="14" width="352" height="202" rx="12" fill="var(--paper)" '
        'stroke="var(--ink)" stroke-width="2.5"/>'
        f'<svg x="26" y="16" width="348" height="198" viewBox="0 0 348 198">{content}</svg></svg>'
    )


def _grid(cx: float, cy: float, cell: float, lean: float) -> str:
    lines = []
    for i in range(-3, 4):
        top, bottom = cx + i * cell * 0.7, cx + i * cell * 1.25
        lines.append(f"M{top + lean:.0f} {cy - 62:.0f}L{bottom - lean:.0f} {cy + 78:.0f}")
    for j, y in enumerate((-62, -38, -8, 30, 78)):
        half = 3 * cell * (0.7 + 0.1375 * j)
        lines.append(f"M{cx - half:.0f} {cy + y:.0f}H{cx + half:.0f}")
    return f'<path d="{"".join(lines)}" stroke="var(--soft)" stroke-width="2" fill="none"/>'


_MIRROR = '<path d="M0 118H348" stroke="var(--soft)" stroke-width="2"/>'
_GHOST = 'stroke="var(--soft)" fill="none" stroke-width="3" stroke-dasharray="6 4"'
_SOLID = 'stroke="var(--ink)" fill="none" stroke-width="4" stroke-linejoin="round"'
_SHEET_MARKS = "".join(
    f'<rect x="{x}" y="{y}" width="18" height="18" fill="var(--ink)"/>'
    for x in (34, 296)
    for y in (18, 160)
)

_SKETCHES: dict[str, str] = {
    "rake": (
        f'{_MIRROR}<path d="M150 36l-6 54 10 28 10-28-2-54" {_SOLID}/>'
        f'<path d="M110 30L330 4M112 50L334 26" {_SOLID}/><path d="M110 30v20" {_SOLID}/>'
        f'<path d="M144 146l10-28 10 28-4 52M144 146l6 52" {_GHOST}/>'
    ),
    "cantilever": (
        f'{_grid(174, 92, 52, 0)}<path d="M168 92L162 6M180 92L188 6M168 92q6 8 12 0" {_SOLID}/>'
        f'<path d="M168 98L156 170M180 98L194 170" {_GHOST}/>'
    ),
    "azimuth": (
        f'<path d="M84 10l6 74h168l6-74" {_SOLID}/>'
        f'<path d="M174 84v18l-4 8h8l-4-8" {_SOLID}/>{_MIRROR}'
        f'<path d="M84 198l6-46h168l6 46" {_GHOST}/>'
    ),
    "arm-level": (
        '<path d="M16 128H332" stroke="var(--soft)" stroke-width="6"/>'
        f'<path d="M44 92L286 86" {_SOLID}/><path d="M44 84v22l8 18" {_SOLID}/>'
        f'<rect x="278" y="66" width="26" height="58" rx="4" {_SOLID}/>'
    ),
    "platter-level": (
        f'<circle cx="174" cy="99" r="78" {_SOLID}/><circle cx="174" cy="99" r="34" {_GHOST}/>'
        '<circle cx="184" cy="92" r="24" fill="var(--go)" fill-opacity=".4" stroke="var(--go)" '
        'stroke-width="3"/>'
    ),
    "mounting-distance": (
        f'{_SHEET_MARKS}<path d="M70 99H280" {_GHOST}/><circle cx="70" cy="99" r="8" {_SOLID}/>'
        f'<circle cx="280" cy="99" r="16" {_SOLID}/><path d="M276 99h8M280 95v8" {_SOLID}/>'
    ),
    "overhang": (
        f'{_SHEET_MARKS}<circle cx="120" cy="112" r="10" {_SOLID}/>'
        f'<path d="M60 112H280" {_GHOST}/><path d="M226 44l34 20-22 36-34-20z" {_SOLID}/>'
        f'<path d="M221 90l-7 22" {_SOLID}/>'
    ),
    "null-points": (
        f'{_SHEET_MARKS}<path d="M120 112H228M174 58v108" {_GHOST}/>'
        f'<path d="M146 14h56v62h-56z" {_SOLID}/><path d="M174 76v36" {_SOLID}/>'
    ),
    "body-square": f'{_grid(174, 92, 52, 0)}<path d="M138 10h72v86h-72z" {_SOLID}/>',
    "print-scale": (
        f'{_SHEET_MARKS}<rect x="106" y="56" width="136" height="86" rx="8" {_SOLID}/>'
        f'<path d="M60 176H288" {_GHOST}/>'
    ),
    "speed": (
        f'<circle cx="164" cy="99" r="84" {_SOLID}/><circle cx="164" cy="99" r="62" {_GHOST}/>'
        '<circle cx="164" cy="99" r="4" fill="var(--ink)"/>'
        '<path d="M288 60l34-10v98l-34-10z" fill="var(--go)" fill-opacity=".3" '
        'stroke="var(--go)" stroke-width="3"/>'
        f'<path d="M108 50a76 76 0 0 1 96-14l-4-14m4 14l-15 3" {_SOLID}/>'
    ),
}
