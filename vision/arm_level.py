"""Slope of the arm tube against the surface, from a side-on photo with the level card behind it.

In: the level sheet's card standing on the record or mirror close behind the tube, its arrow to the
pivot. Out: the slope of the tube's axis in degrees, positive = pivot end high.

Both silhouette edges of the tube are fitted; each, with the camera, spans a plane of normal n (in
the card's frame: x along its foot, y up, z towards the camera). A tube turned by psi from the card
has tan(slope) = -(n_x cos psi + n_z sin psi) / n_y; psi is taken as 0 with 2 degrees of standard
uncertainty, which matters as the camera rises above the tube (n_z / n_y). The mean of the two
edges' slopes is the axis' slope for a straight or evenly tapered tube; an S-shaped tube looks
straight from the side, and where it does not the reading is refused.

Without the card, ``options.marks`` may hold ``tube top``, ``tube bottom`` and ``surface`` (a line
along the record's or platter's edge, side-on): then slopes are compared in the picture, with a
wide allowance for perspective.

Keys: ``card_turn_u_deg`` (2.0).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.camera import plane_normal
from vision.edges import EdgeFit, fit_edge, half_turn
from vision.marks import snap_marks
from vision.measure import Options
from vision.photo import Photo
from vision.reading import BudgetPart, Component, Outcome, Reading, Refusal
from vision.sheet import SheetView, find_sheet

Array = NDArray[np.float64]
QUANTITY = "arm-level"
MEASURAND = "slope of the arm tube's axis against the surface the card stands on"
U_FOOT_DEG = 0.04  # foot cut 0.1 mm askew over 180 mm
U_ROW_DEG = 0.25  # picture-plane comparison without a card
SLOPE_LIMIT_DEG = 7.0
WIDTH_MM = (4.0, 24.0)
TAPER_LIMIT_DEG = 2.5


@dataclass(frozen=True)
class TubeLines:
    """Upper and lower edge of the tube, and the card's pose."""

    view: SheetView
    top: EdgeFit
    bottom: EdgeFit


def read_arm_level(photo: Photo, options: Options) -> Outcome:
    """Arm level with the card, or from drawn lines alone."""
    if options.marks and "surface" in options.marks:
        return _from_marks(photo, options)
    lines = find_arm_level(photo, options)
    if isinstance(lines, Refusal):
        return lines
    return solve_arm_level(lines, options)


def find_arm_level(photo: Photo, options: Options) -> TubeLines | Refusal:
    """Find the card and both edges of the tube in front of it."""
    view = find_sheet(photo, QUANTITY, ("level",), minimum=8, only="card")
    if isinstance(view, Refusal):
        return view
    if np.ptp(view.corners_mm[:, 0]) < 100:
        return Refusal(
            QUANTITY,
            "Only one of the card's two marker blocks is in view.",
            "Have both blocks of the level card in view, left and right of the tube.",
            view.outline(),
        )
    if options.marks and "tube top" in options.marks and "tube bottom" in options.marks:
        snapped = snap_marks(photo, options.marks, QUANTITY, ("tube top", "tube bottom"))
        if isinstance(snapped, Refusal):
            return snapped
        return TubeLines(view, snapped["tube top"], snapped["tube bottom"])
    rough = _rough_edges(photo, view)
    if rough is None:
        return Refusal(
            QUANTITY,
            "No tube with two straight edges crosses the card's window.",
            "Stand the card upright close behind the tube, so that the tube crosses the white "
            "window from side to side; light the card evenly.",
            view.outline(),
        )
    fits = [_fit(photo, view, ends) for ends in rough]
    if fits[0] is None or fits[1] is None:
        return Refusal(
            QUANTITY,
            "The tube's edges are not straight or not sharp enough to fit.",
            "Focus on the tube, keep the lens at tube height (an S-shaped tube looks straight "
            "from there), and avoid bright reflections along its edge.",
            view.outline(),
        )
    return TubeLines(view, fits[0], fits[1])


def solve_arm_level(lines: TubeLines, options: Options) -> Reading | Refusal:
    """Slope and budget."""
    turn_u = options.given.get("card_turn_u_deg", 2.0)
    sign = -1.0 if options.pivot == "left" else 1.0
    edges = (lines.top, lines.bottom)

    def slope(view: SheetView, nudge: tuple[float, float] = (0.0, 0.0), psi: float = 0.0) -> float:
        each = [_edge_slope(view, e, k, psi) for e, k in zip(edges, nudge, strict=True)]
        return sign * (each[0] + each[1]) / 2

    value = slope(lines.view)
    each = [_edge_slope(lines.view, e) for e in edges]
    taper = abs(each[0] - each[1])
    if taper > TAPER_LIMIT_DEG or abs(value) > SLOPE_LIMIT_DEG:
        return Refusal(
            QUANTITY,
            f"The two edges found slope {each[0]:.1f}° and {each[1]:.1f}°, which is no tube's "
            "outline.",
            "Keep headshell, counterweight and lift out of the card's window, or draw the tube's "
            "upper and lower edge.",
            tuple(e.segment(n, "look") for e, n in zip(edges, ("top", "bottom"), strict=True)),
        )
    by_turn = (slope(lines.view, psi=0.02) - slope(lines.view, psi=-0.02)) / 0.04
    fit_u = [abs(slope(lines.view, n) - value) for n in ((1.0, 0.0), (0.0, 1.0))]
    parts = (
        *lines.view.budget(slope),
        BudgetPart("edge fit", math.hypot(*fit_u)),
        BudgetPart("tube outline", 0.03 + 0.02 * taper, "roundness and taper"),
        BudgetPart("camera direction", abs(by_turn) * math.radians(turn_u), "card's turn"),
        BudgetPart("card's foot", U_FOOT_DEG, "cut edge against the print"),
    )
    height = math.degrees(math.atan(abs(by_turn) * math.pi / 180))
    reading = Reading(
        QUANTITY,
        value,
        "deg",
        MEASURAND,
        parts,
        components=(
            Component("taper", taper, "deg", math.hypot(*fit_u) * 2),
            Component("camera above the tube", height, "deg", 0.5),
        ),
        lines=(
            lines.top.segment("tube top", "edge"),
            lines.bottom.segment("tube bottom", "edge"),
            *lines.view.outline(),
        ),
    )
    return reading.flagged("tube_tapered") if taper > 0.3 else reading


# ---------------------------------------------------------------------------------------------


def _edge_slope(view: SheetView, edge: EdgeFit, sigmas: float = 0.0, psi: float = 0.0) -> float:
    """Slope in degrees of one edge in the card's frame, the fit turned by some sigmas."""
    turn = sigmas * math.hypot(edge.angle_u, 0.5 * edge.straightness / max(edge.length, 1.0) * 2)
    d = np.array([math.cos(edge.angle + turn), math.sin(edge.angle + turn)])
    middle = np.array([edge.x, edge.y])
    reach = edge.length / 2
    n = plane_normal(view.camera, middle - d * reach, middle + d * reach) @ view.rotation
    return math.degrees(math.atan(-(n[0] * math.cos(psi) + n[2] * math.sin(psi)) / n[1]))


def _rough_edges(photo: Photo, view: SheetView) -> list[Array] | None:
    """The outermost strong pair of long edges in the window: end points in px.

    The window is straightened; for every slope the rows are sheared level and averaged, so that
    a straight edge becomes a peak in the derivative (a Radon transform of few angles).
    """
    cx, cy = view.layout.points["window"]
    per = float(np.clip(view.pixels_per_mm((cx, cy)), 2, 6))
    xs = np.arange(cx - 54, cx + 54, 1 / per)
    ys = np.arange(cy + 26, cy - 26, -1 / per)
    gx, gy = np.meshgrid(xs, ys)
    pixels = view.to_image(np.column_stack([gx.ravel(), gy.ravel(), np.zeros(gx.size)]))
    maps = pixels.astype(np.float32).reshape(*gx.shape, 2)
    window = cv2.remap(photo.grey, maps[..., 0], maps[..., 1], cv2.INTER_LINEAR)
    smooth = cv2.GaussianBlur(window, (0, 0), max(0.3 * per, 0.8))
    slope = np.gradient(smooth, axis=0)
    angles = np.arange(-SLOPE_LIMIT_DEG - 1, SLOPE_LIMIT_DEG + 1.01, 0.25)
    columns = (xs - cx) * per
    rows = np.arange(len(ys))
    profiles = []
    for angle in angles:
        shift = np.tan(np.radians(angle)) * columns
        index = rows[:, None] - np.round(shift)[None, :].astype(int)
        valid = (index >= 0) & (index < len(ys))
        moved = np.take_along_axis(slope, np.clip(index, 0, len(ys) - 1), 0)
        profiles.append(np.where(valid, moved, 0).sum(1) / np.maximum(valid.sum(1), 1))
    table = np.array(profiles)
    tops, bottoms = _peaks(-table), _peaks(table)
    best = None
    for ta, tr, ts in tops:
        for ba, br, bs in bottoms:
            width = (br - tr) / per
            if not WIDTH_MM[0] < width < WIDTH_MM[1]:
                continue
            if abs(angles[ta] - angles[ba]) > TAPER_LIMIT_DEG:
                continue
            score = min(ts, bs) * (1 + 0.01 * width)
            if best is None or score > best[0]:
                best = (score, (ta, tr), (ba, br))
    if best is None or best[0] < 0.006:
        return None
    rough = []
    for angle, row in best[1:]:
        y = ys[0] - row / per
        lean = math.tan(math.radians(float(angles[angle])))
        ends = [(x, y + lean * (x - cx)) for x in (cx - 50, cx + 50)]
        rough.append(view.to_image(np.column_stack([ends, [0.0, 0.0]])))
    return rough


def _peaks(table: Array) -> list[tuple[int, int, float]]:
    """(angle, row, strength) of up to eight separate maxima."""
    left = table.copy()
    found: list[tuple[int, int, float]] = []
    for _ in range(8):
        k = int(np.argmax(left))
        a, r = divmod(k, left.shape[1])
        strength = float(left[a, r])
        if strength <= 0.003 or (found and strength < 0.15 * found[0][2]):
            break
        found.append((a, r, strength))
        left[max(a - 6, 0) : a + 7, max(r - 5, 0) : r + 6] = 0
    return found


def _fit(photo: Photo, view: SheetView, ends: Array) -> EdgeFit | None:
    """Fit along the window; shorten where the ends are hidden."""
    per = view.pixels_per_mm(view.layout.points["window"])
    for share in (0.98, 0.7):
        middle, half = ends.mean(0), (ends[1] - ends[0]) / 2 * share
        fit = fit_edge(
            photo.grey,
            middle - half,
            middle + half,
            half_width=float(np.clip(1.2 * per, 4, 12)),
            max_shift=float(np.clip(1.5 * per, 5, 20)),
        )
        if fit is not None and fit.straightness < 0.12 * per:
            return fit
    return None


def _from_marks(photo: Photo, options: Options) -> Outcome:
    """Slopes in the picture, without a card."""
    assert options.marks is not None
    names = ("tube top", "tube bottom", "surface")
    snapped = snap_marks(photo, options.marks, QUANTITY, names)
    if isinstance(snapped, Refusal):
        return snapped
    if options.pivot == "auto":
        return Refusal(
            QUANTITY,
            "Which side the pivot is on cannot be told from lines alone.",
            "Say --pivot left or --pivot right.",
        )
    sign = -1.0 if options.pivot == "left" else 1.0
    angle = [half_turn(snapped[n].angle) for n in names]
    value = sign * math.degrees(angle[2] - (angle[0] + angle[1]) / 2)
    fit = math.hypot(
        snapped[names[0]].angle_u / 2, snapped[names[1]].angle_u / 2, snapped[names[2]].angle_u
    )
    parts = (
        BudgetPart("edge fit", math.degrees(fit)),
        BudgetPart("camera direction", U_ROW_DEG, "compared in the picture, no card"),
    )
    return Reading(
        QUANTITY,
        value,
        "deg",
        MEASURAND,
        parts,
        lines=tuple(snapped[n].segment(n, "edge") for n in names),
    )
