"""How large a sheet came out of the printer: 100 % is true scale.

In: a photo of one of our sheets with a blank ID-1 card laid on its field, or the typed length of
the check bars. Out: the print scale in per cent with its uncertainty; along the sheet's x and y as
components. "Fit to page" shows as 93 to 98 %.

The card's four edges are fitted, carried to the plane of the card's upper face and compared with
ISO/IEC 7810 ID-1 (85.60 x 53.98 mm, 0.76 mm thick; tolerances 85.47-85.72 and 53.92-54.03 mm, from
memory). Only the card's outline is used.

Typed keys of ``options.given``: ``check_bar_x_mm``, ``check_bar_y_mm`` (measured lengths of the
100 mm bars), ``check_bar_u_mm`` (standard uncertainty, 0.15 by default). For other readings on a
sheet: ``print_scale_percent``, ``print_scale_u_percent`` (0.1 by default).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.edges import EdgeFit, fit_edge, snap_line
from vision.measure import Options
from vision.photo import Photo
from vision.reading import BudgetPart, Component, Outcome, Reading, Refusal, Segment
from vision.sheet import SheetView, find_sheet
from vision.sheet_layouts import BAR_MM, CARD_MM, CARD_THICKNESS_MM

Array = NDArray[np.float64]
QUANTITY = "print-scale"
MEASURAND = "size of the print against the sheet's nominal millimetres (100 % = true scale)"
U_CARD_MM = (0.25 / math.sqrt(12), 0.11 / math.sqrt(12))  # rectangular over the tolerance
U_CARD_EDGE_MM = 0.03  # bevel of a card's edge; from memory
REACH_MM = 4.5
PLAUSIBLE = (0.80, 1.20)
UNLIKE = 0.012  # a printer's x and y scales differ by less (from memory); another object's do not


@dataclass(frozen=True)
class CardLines:
    """The card's four fitted edges, in the order left, right, bottom, top, and the sheet."""

    view: SheetView
    edges: tuple[EdgeFit, EdgeFit, EdgeFit, EdgeFit]


@dataclass(frozen=True)
class PrintScale:
    """Scale along the sheet's x and y (1 = true), standard uncertainty of each, and whence."""

    x: float
    y: float
    u: float
    source: str


def read_print_scale(photo: Photo, options: Options) -> Outcome:
    """Print scale from the card in the photo, or from typed check bars if they are given."""
    if "check_bar_x_mm" in options.given or "check_bar_y_mm" in options.given:
        return solve_check_bars(options.given)
    lines = find_print_scale(photo, options)
    if isinstance(lines, Refusal):
        return lines
    return solve_print_scale(lines)


def find_print_scale(photo: Photo, options: Options) -> CardLines | Refusal:
    """Find the sheet and the four edges of the card on it."""
    view = find_sheet(photo, QUANTITY, minimum=8)
    if isinstance(view, Refusal):
        return view
    return find_card(photo, view)


def find_card(photo: Photo, view: SheetView) -> CardLines | Refusal:
    """Find the card on a sheet whose pose is known."""
    if view.layout.card is None or view.null is not None:
        return Refusal(
            QUANTITY,
            f"This page of the {view.layout.name} sheet shows no card field.",
            "Photograph the page that has the grey card field, whole, from above.",
        )
    cx, cy = view.layout.card
    w, h = CARD_MM[0] / 2, CARD_MM[1] / 2
    sides = {
        "left": ((cx - w, cy - 14), (cx - w, cy + 14)),
        "right": ((cx + w, cy - 14), (cx + w, cy + 14)),
        "bottom": ((cx - 29, cy - h), (cx + 29, cy - h)),
        "top": ((cx - 29, cy + h), (cx + 29, cy + h)),
    }
    fitted: list[EdgeFit] = []
    looked: list[Segment] = []
    for name, ends in sides.items():
        p = view.to_image([[*e, CARD_THICKNESS_MM] for e in ends])
        looked.append(Segment(f"card {name}", "look", *map(float, p.ravel())))
        inside = np.asarray(p).min() > 2 and (
            p[:, 0].max() < photo.width - 3 and p[:, 1].max() < photo.height - 3
        )
        edge = _card_edge(photo, view, p) if inside else None
        if edge is None:
            return _no_card(f"The card's {name} edge was not found.", tuple(looked))
        fitted.append(edge)
    middle = np.mean([[e.x, e.y] for e in fitted], axis=0)
    inward = [e.contrast * np.sign((middle - [e.x, e.y]) @ e.normal) for e in fitted]
    if min(inward) * max(inward) <= 0 or min(np.abs(inward)) < 0.35 * max(np.abs(inward)):
        return _no_card("No card lies on the grey field, or its edges do not agree.", tuple(looked))
    return CardLines(view, (fitted[0], fitted[1], fitted[2], fitted[3]))


def solve_print_scale(lines: CardLines) -> Reading | Refusal:
    """Scale from the card's sides in the plane of its upper face."""
    size = _card_size(lines.view, lines)
    scale = _scales(size)
    turned = max(abs(size[2]), abs(size[3]))
    skew = abs(size[2] - size[3])
    unlike = abs(scale[0] - scale[1]) > UNLIKE
    odd = not all(PLAUSIBLE[0] < s < PLAUSIBLE[1] for s in scale)
    if odd or unlike or skew > 0.6 or turned > 5:
        return _no_card(
            f"What lies on the field measures {size[0]:.1f} mm x {size[1]:.1f} mm in the "
            "print's own millimetres and is no ID-1 card.",
            tuple(e.segment(f"card {i}", "look") for i, e in enumerate(lines.edges)),
        )
    weights = _weights(lines)

    def of_pose(view: SheetView) -> float:
        s = _scales(_card_size(view, lines))
        return float(100 * (weights[0] * s[0] + weights[1] * s[1]))

    edge = [100 * s * _edge_u(lines, i) for i, s in enumerate(scale)]
    size_u = [100 * s * U_CARD_MM[i] / CARD_MM[i] for i, s in enumerate(scale)]
    bevel = [100 * s * U_CARD_EDGE_MM * math.sqrt(2) / CARD_MM[i] for i, s in enumerate(scale)]
    parts = (
        *lines.view.budget(of_pose),
        BudgetPart("edge fit", math.hypot(*(w * e for w, e in zip(weights, edge, strict=True)))),
        BudgetPart("card size", math.hypot(*(w * e for w, e in zip(weights, size_u, strict=True)))),
        BudgetPart("card edge", math.hypot(*(w * e for w, e in zip(weights, bevel, strict=True)))),
        BudgetPart("x against y", 100 * abs(scale[0] - scale[1]) / 4, "half of half the gap"),
    )
    u = math.hypot(*(p.standard_uncertainty for p in parts))
    names = ("left", "right", "bottom", "top")
    reading = Reading(
        QUANTITY,
        float(weights[0] * scale[0] + weights[1] * scale[1]) * 100,
        "percent",
        MEASURAND,
        parts,
        components=(
            Component("along x", float(100 * scale[0]), "percent", float(max(u, edge[0]))),
            Component("along y", float(100 * scale[1]), "percent", float(max(u, edge[1]))),
        ),
        lines=tuple(
            e.segment(f"card {n}", "edge") for n, e in zip(names, lines.edges, strict=True)
        ),
    )
    return reading.flagged("print_scaled") if abs(reading.value - 100) > 0.5 else reading


def solve_check_bars(given: Mapping[str, float]) -> Reading | Refusal:
    """Print scale from one or both typed check bar lengths."""
    u = given.get("check_bar_u_mm", 0.15)
    measured = [given[k] for k in ("check_bar_x_mm", "check_bar_y_mm") if k in given]
    if not u > 0:
        raise ValueError(f"check_bar_u_mm: expected > 0 mm, got {u!r}")
    for length in measured:
        if not PLAUSIBLE[0] * BAR_MM < length < PLAUSIBLE[1] * BAR_MM:
            raise ValueError(f"check_bar: expected 80 to 120 mm, got {length!r}")
    value = 100 * float(np.mean(measured)) / BAR_MM
    parts = [BudgetPart("rule reading", 100 * u / BAR_MM / math.sqrt(len(measured)))]
    if len(measured) == 1:
        parts.append(BudgetPart("x against y", 0.1, "only one bar was measured"))
    else:
        parts.append(BudgetPart("x against y", abs(measured[0] - measured[1]) / 4))
    names = [k for k in ("check_bar_x_mm", "check_bar_y_mm") if k in given]
    components = tuple(
        Component(f"along {k[10]}", 100 * given[k] / BAR_MM, "percent", 100 * u / BAR_MM)
        for k in names
    )
    reading = Reading(QUANTITY, value, "percent", MEASURAND, tuple(parts), components=components)
    return reading.flagged("print_scaled") if abs(value - 100) > 0.5 else reading


def known_scale(photo: Photo, view: SheetView, options: Options) -> PrintScale | None:
    """The print scale of the sheet in view: typed, or from a card in the same photo, or None.

    Raises
    ------
    ValueError
        For a typed scale outside 80-120 % or an uncertainty that is not positive.
    """
    given = options.given
    if "print_scale_percent" in given:
        value, u = given["print_scale_percent"], given.get("print_scale_u_percent", 0.1)
        if not 80 <= value <= 120:
            raise ValueError(f"print_scale_percent: expected 80 to 120, got {value!r}")
        if not u > 0:
            raise ValueError(f"print_scale_u_percent: expected > 0, got {u!r}")
        return PrintScale(value / 100, value / 100, u / 100, "typed")
    if any(k in given for k in ("check_bar_x_mm", "check_bar_y_mm")):
        bars = solve_check_bars(given)
        assert isinstance(bars, Reading)
        return PrintScale(
            bars.value / 100, bars.value / 100, bars.standard_uncertainty / 100, "check bar"
        )
    if view.null is not None or view.layout.card is None:
        return None
    lines = find_card(photo, view)
    if isinstance(lines, Refusal):
        return None
    card = solve_print_scale(lines)
    if isinstance(card, Refusal):
        return None
    s = card.value / 100
    return PrintScale(s, s, card.standard_uncertainty / 100, "card")


# ---------------------------------------------------------------------------------------------


def _card_edge(photo: Photo, view: SheetView, ends: Array) -> EdgeFit | None:
    """Snap to the strongest step within reach, then fit it."""
    per_mm = float(np.linalg.norm(ends[1] - ends[0])) / 58.0
    across = view.pixels_per_mm(view.layout.card or (0.0, 0.0))
    reach = REACH_MM * max(across, per_mm * 0.5)
    snapped = snap_line(photo.grey, ends[0], ends[1], reach=reach, turn_deg=4.0)
    if snapped is None or abs(snapped[2]) < 0.004:
        return None
    width = float(np.clip(1.5 * across, 3.0, 8.0))
    return fit_edge(
        photo.grey, snapped[0], snapped[1], half_width=width, polarity=int(np.sign(snapped[2]))
    )


def _card_size(view: SheetView, lines: CardLines) -> tuple[float, float, float, float]:
    """Width, height (print millimetres) and the turn of the sides from x and y, degrees."""
    height = CARD_THICKNESS_MM
    size = (0.0, 0.0, 0.0, 0.0)
    for _ in range(2):
        flat = [view.to_sheet(np.array(e.ends), height) for e in lines.edges]
        left, right, bottom, top = flat
        size = (
            _gap(left, right),
            _gap(bottom, top),
            _turn(left, 90.0) / 2 + _turn(right, 90.0) / 2,
            _turn(bottom, 0.0) / 2 + _turn(top, 0.0) / 2,
        )
        height = CARD_THICKNESS_MM * size[0] / CARD_MM[0]
    return size


def _gap(a: Array, b: Array) -> float:
    """Distance of two nearly parallel segments, measured at their common middle."""
    da = (a[1] - a[0]) / np.linalg.norm(a[1] - a[0])
    db = (b[1] - b[0]) / np.linalg.norm(b[1] - b[0])
    d = da + db * np.sign(da @ db)
    d /= np.linalg.norm(d)
    n = np.array([-d[1], d[0]])
    middle = (a.mean(0) + b.mean(0)) / 2
    at = [p[0] + (p[1] - p[0]) * ((middle - p[0]) @ d) / ((p[1] - p[0]) @ d) for p in (a, b)]
    return abs(float((at[1] - at[0]) @ n))


def _turn(p: Array, from_deg: float) -> float:
    angle = math.degrees(math.atan2(*(p[1] - p[0])[::-1])) - from_deg
    return (angle + 90) % 180 - 90


def _scales(size: tuple[float, float, float, float]) -> tuple[float, float]:
    return CARD_MM[0] / size[0], CARD_MM[1] / size[1]


def _edge_u(lines: CardLines, axis: int) -> float:
    """Relative standard uncertainty of one side from the fits of its two edges."""
    per_mm = lines.view.pixels_per_mm(lines.view.layout.card or (0.0, 0.0))
    pair = lines.edges[2 * axis : 2 * axis + 2]
    offset = math.hypot(*(math.hypot(e.offset_u, 0.5 * e.straightness / 3) for e in pair))
    return offset / per_mm / CARD_MM[axis]


def _weights(lines: CardLines) -> tuple[float, float]:
    """Weights of the x and y sides in the mean, by their own uncertainty."""
    u = [
        math.hypot(_edge_u(lines, i), U_CARD_MM[i] / CARD_MM[i], U_CARD_EDGE_MM * 1.41 / CARD_MM[i])
        for i in (0, 1)
    ]
    w = 1 / np.square(u)
    return float(w[0] / w.sum()), float(w[1] / w.sum())


def _no_card(reason: str, looked: tuple[Segment, ...]) -> Refusal:
    return Refusal(
        QUANTITY,
        reason,
        "Lay a blank ID-1 card on the grey field within its corner marks, without glare, and "
        "photograph from above; or measure both check bars and type their lengths.",
        looked,
    )
