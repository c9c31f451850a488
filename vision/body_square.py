"""The cartridge body's front edge against the printed grid, for when the cantilever is hidden.

In: a photo, from straight ahead and high, of the body over a null grid of the alignment or
two-point sheet. Out: the body's turn against the grid in degrees, positive = counter-clockwise
from above.

A level edge seen by a camera lies in the plane through the camera with normal n; it also lies
square to the paper's normal m, so its direction is n x m whatever its height. A body that rolls by
e about the arm's direction shifts the answer by e / tan(elevation of the view): photograph from
high above, and set the azimuth first.

What it cannot know: whether cantilever and generator lie square in the body. That is the
definitional uncertainty (commonly 0.5 to 1 degree; common practice, no source).

Keys: ``azimuth_deg`` (the body's azimuth as read, 0) and ``body_roll_u_deg`` (its standard
uncertainty, 0.5; give 0.1 with a read azimuth).
``options.marks`` may hold ``front``, a line drawn along the front edge.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.camera import plane_normal
from vision.edges import EdgeFit, fit_edge
from vision.marks import snap_marks
from vision.measure import Options
from vision.null_points import typed_numbers
from vision.photo import Photo
from vision.reading import BudgetPart, Component, Outcome, Reading, Refusal
from vision.sheet import SheetView, find_sheet
from vision.sheet_layouts import Null
from vision.tip import Window

Array = NDArray[np.float64]
QUANTITY = "body-square"
MEASURAND = "cartridge body's front edge against the grid (not the cantilever, not the generator)"
U_DEFINITION_DEG = 0.7
BODY_HEIGHT_MM = 8.0
LIMIT_DEG = 9.0
LENGTH_MM = 9.0


@dataclass(frozen=True)
class FrontEdges:
    """Sheet, null grid, and one or two level front edges of the body."""

    view: SheetView
    null: Null
    edges: tuple[EdgeFit, ...]


def read_body_square(photo: Photo, options: Options) -> Outcome:
    """Turn of the body against the grid."""
    found = find_body_square(photo, options)
    if isinstance(found, Refusal):
        return found
    return solve_body_square(found, options)


def find_body_square(photo: Photo, options: Options) -> FrontEdges | Refusal:
    """Find the sheet and the body's front edges."""
    names, numbers = ("alignment", "two-point"), typed_numbers(options)
    refusal: Refusal | None = None
    best: FrontEdges | None = None
    for prefer in ("null", "inner", "outer"):
        view = find_sheet(photo, QUANTITY, names, numbers, prefer=prefer)
        if isinstance(view, Refusal):
            refusal = refusal or view
            continue
        nulls = [view.null] if view.null else list(view.layout.nulls)
        marks = options.marks or {}
        if "front" in marks:
            return _marked(photo, view, nulls, marks["front"])
        for null in nulls if view.whole or view.null else []:
            edges = _front_edges(photo, view, null)
            if edges and (best is None or edges[0].length > best.edges[0].length):
                best = FrontEdges(view, null, edges)
        if view.whole or best:
            break
        refusal = _NO_EDGE
    if best is None:
        return refusal or _NO_EDGE
    return best


def solve_body_square(found: FrontEdges, options: Options) -> Reading | Refusal:
    """Angle and budget."""
    view, null, edges = found.view, found.null, found.edges
    each = [_angle(view, e, null) for e in edges]
    if len(each) > 1 and abs(each[0] - each[1]) > 1.5:
        return Refusal(
            QUANTITY,
            f"Two front edges disagree ({each[0]:.1f}° and {each[1]:.1f}°).",
            "Draw a line along the body's level front edge.",
            tuple(e.segment(f"front {i}", "look") for i, e in enumerate(edges)),
        )

    fit = [abs(_angle(view, e, null, 1.0) - a) for e, a in zip(edges, each, strict=True)]
    at = view.to_sheet([[edges[0].x, edges[0].y]], BODY_HEIGHT_MM)[0]
    flat = math.hypot(*(view.eye[:2] - at))
    elevation = math.atan2(view.eye[2] - BODY_HEIGHT_MM, flat)
    roll = options.given.get("body_roll_u_deg", 0.5)
    known = options.given.get("azimuth_deg", 0.0) / math.tan(elevation)

    def turn(v: SheetView) -> float:
        return float(np.mean([_angle(v, e, null) for e in edges])) + known

    parts = (
        *view.budget(turn),
        BudgetPart("edge fit", math.hypot(*fit) / len(fit)),
        BudgetPart("edges' difference", abs(each[0] - each[-1]) / 2),
        BudgetPart("body roll", roll / math.tan(elevation), "azimuth of the body"),
    )
    return Reading(
        QUANTITY,
        turn(view),
        "deg",
        MEASURAND,
        parts,
        definitional_uncertainty=U_DEFINITION_DEG,
        components=(
            Component("elevation of the view", math.degrees(elevation), "deg", 1.0),
            Component("null radius", null.radius, "mm", 0.0),
        ),
        lines=tuple(e.segment(f"front edge {i + 1}", "edge") for i, e in enumerate(edges)),
    )


# ---------------------------------------------------------------------------------------------

_NO_EDGE = Refusal(
    QUANTITY,
    "No straight front edge of a cartridge body stands out over a null grid.",
    "Photograph from straight ahead, 45–65° up, the body over the grid, evenly lit; or draw a "
    "line along the body's front edge.",
)


def _marked(
    photo: Photo, view: SheetView, nulls: list[Null], mark: tuple[tuple[float, float], ...]
) -> FrontEdges | Refusal:
    snapped = snap_marks(photo, {"front": (mark[0], mark[1])}, QUANTITY, ("front",))
    if isinstance(snapped, Refusal):
        return snapped
    edge = snapped["front"]
    at = view.to_sheet([[edge.x, edge.y]], BODY_HEIGHT_MM)[0]
    return FrontEdges(view, min(nulls, key=lambda n: math.hypot(n.x - at[0], n.y - at[1])), (edge,))


def _angle(view: SheetView, edge: EdgeFit, null: Null, sigmas: float = 0.0) -> float:
    """Turn of a level edge from the grid's across direction, degrees, folded to +-90."""
    turn = sigmas * math.hypot(edge.angle_u, edge.straightness / max(edge.length, 1.0))
    d = np.array([math.cos(edge.angle + turn), math.sin(edge.angle + turn)]) * edge.length / 2
    middle = np.array([edge.x, edge.y])
    n = plane_normal(view.camera, middle - d, middle + d) @ view.rotation
    x, y = np.cross(n, [0.0, 0.0, 1.0])[:2]
    across = null.angle + 90.0
    angle = math.degrees(math.atan2(y, x)) - across
    return (angle + 90) % 180 - 90


def _front_edges(photo: Photo, view: SheetView, null: Null) -> tuple[EdgeFit, ...]:
    """The one or two longest level steps across the grid, at the height of a body.

    The area is straightened at body height; for every turn the columns are sheared, averaged and
    searched for a step (not a line) that runs at least 9 mm across.
    """
    window = Window(null.x, null.y, null.angle, (-6.0, 40.0), (-12.0, 12.0))
    per = float(np.clip(view.pixels_per_mm((null.x, null.y)), 4, 10))
    us, vs = np.arange(*window.u, 1 / per), np.arange(*window.v, 1 / per)
    gu, gv = np.meshgrid(us, vs)
    xy = window.to_sheet(np.column_stack([gu.ravel(), gv.ravel()]))
    points = np.column_stack([xy, np.full(len(xy), BODY_HEIGHT_MM)])
    pixels = view.to_image(points).astype(np.float32).reshape(*gu.shape, 2)
    picture = cv2.remap(photo.grey, pixels[..., 0], pixels[..., 1], cv2.INTER_LINEAR)
    smooth = cv2.GaussianBlur(picture, (0, 0), max(0.15 * per, 0.8))
    near, far = round(0.35 * per), round(0.9 * per)
    step = _step(smooth, near, far)
    rows = np.arange(len(vs))
    middle = (len(vs) - 1) / 2
    found: list[tuple[float, EdgeFit]] = []
    scores = []
    for angle in np.arange(-LIMIT_DEG, LIMIT_DEG + 0.1, 0.5):
        shift = np.round((rows - middle) * math.tan(math.radians(angle))).astype(int)
        index = np.arange(len(us))[None, :] + shift[:, None]
        ok = (index >= 0) & (index < len(us))
        moved = np.where(ok, np.take_along_axis(step, np.clip(index, 0, len(us) - 1), 1), 0)
        for sign in (-1, 1):
            long = (sign * moved > 0.10).sum(0) / per
            scores.append((np.where(long >= LENGTH_MM, np.abs(moved.mean(0)), 0), angle, sign))
    for score, angle, sign in sorted(scores, key=lambda s: -float(s[0].max()))[:12]:
        column = int(np.argmax(score))
        if score[column] <= 0:
            break
        ends = _run(step, column, angle, sign, middle, per)
        if ends is None:
            continue
        uv = np.array([[us[0] + c / per, vs[0] + r / per] for c, r in ends])
        px = view.to_image(np.column_stack([window.to_sheet(uv), [BODY_HEIGHT_MM] * 2]))
        fit = fit_edge(photo.grey, px[0], px[1], half_width=float(np.clip(0.5 * per, 3, 6)))
        if fit is None or fit.straightness > 1.0 or abs(_angle(view, fit, null)) > LIMIT_DEG:
            continue
        if all(math.hypot(fit.x - e.x, fit.y - e.y) > 6 for _, e in found):
            found.append((float(score[column]), fit))
        if len(found) == 2:
            break
    turns = [_angle(view, e, null) for _, e in found]
    if len(found) == 2 and abs(turns[0] - turns[1]) > 1.5:
        found = found[:1]
    return tuple(e for _, e in found)


def _step(smooth: NDArray[Any], near: int, far: int) -> Array:
    """Brightness beyond a place minus before it, along u, skipping the place itself.

    The smaller of the two nearest differences is kept, so that a thin line gives nothing.
    """
    ahead = [np.roll(smooth, -k, axis=1) for k in (near, far)]
    back = [np.roll(smooth, k, axis=1) for k in (near, far)]
    differences = np.stack([a - b for a in ahead for b in back])
    smallest = np.abs(differences).min(0)
    same = np.abs(np.sign(differences).sum(0)) == len(differences)
    result = np.where(same, np.sign(differences[0]) * smallest, 0.0)
    result[:, :far], result[:, -far:] = 0, 0
    return np.asarray(result)


def _run(
    step: Array, column: int, angle: float, sign: int, middle: float, per: float
) -> list[tuple[float, float]] | None:
    """Ends (column, row) of the longest unbroken stretch of the step along a sheared column."""
    rows = np.arange(step.shape[0])
    lean = math.tan(math.radians(angle))
    columns = np.clip(np.round(column + (rows - middle) * lean).astype(int), 0, step.shape[1] - 1)
    on = sign * step[rows, columns] > 0.05
    on = cv2.morphologyEx(on.astype(np.uint8)[:, None], cv2.MORPH_CLOSE, np.ones((5, 1)))[:, 0]
    edges = np.flatnonzero(np.diff(np.concatenate([[0], on, [0]])))
    if len(edges) < 2:
        return None
    runs = edges.reshape(-1, 2)
    first, last = max(runs.tolist(), key=lambda r: r[1] - r[0])
    trim = 0.08 * (last - first)
    a, b = first + trim, last - 1 - trim
    if (b - a) / per < LENGTH_MM * 0.8:
        return None
    return [(column + (r - middle) * lean, r) for r in (a, b)]
