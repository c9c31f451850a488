"""Where a thin rod may lie above a printed sheet: a quick search of the picture's middle.

The picture is sampled on a plane rising along the printed lines, where a rod stands nearly upright
with parallel limbs. Colours are averaged along slightly slanted columns, printed ink left out;
pairs of columns that step together over one unbroken stretch are places.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.grid import GridPose
from vision.ink import Ink, sheet_scale, sheet_xy
from vision.rod import RISE_DEG
from vision.strip import Floats, Line, best_run

Array = NDArray[np.float64]

SLOPES_DEG = np.arange(-17.5, 17.6, 2.5)
MAP_WIDTH = 900  # map pixels to the width of the picture
WIDTH_SHARE = (0.007, 0.050)  # rod width / picture width
ROW_STEP, ROW_BLUR = 6, 3  # map rows a sample; samples averaged along a column
THRESHOLD = 0.45  # evidence that neither lengthens nor shortens a run
OPENINGS = (0, 1)  # steps of slope between the limbs: a rod may widen towards the body
MOST_PLACES = 6
AXIS_MM = 0.5  # of the rod's axis over the sheet at the stylus
SET_MM = 0.8  # people set the stylus on the null to this, and a rod may point past its stylus
BEGINS_MM, BEGIN_U_MM = (-2.5, 2.0), 0.7  # where limbs may begin to show, along it from the null
ENDS_MM = 8.0  # and where the body begins at the latest
NODE_HEIGHT = 0.1  # the same in pitches, where a pitch is not known in mm
USUAL_TURNS_DEG = (-7.0, 7.0)  # from the printed line; a strip also shows what is 9 degrees off
USUAL_LENGTH, USUAL_WIDTH = 0.15, 0.025  # of the picture's width
CENTRAL = 0.22  # of the half diagonal: people are told to put the tip in the middle


@dataclass(frozen=True)
class Place:
    """A stretch where two limbs may run: axis and width in undistorted pixels."""

    axis: Line
    width: float
    score: float
    limbs: tuple[Line, Line]


def find_places(rgb: NDArray[np.uint8], ink: Ink, most: int = MOST_PLACES) -> list[Place]:
    """Places that may hold a rod, best first."""
    pose = ink.pose
    h, cols, rows, pitch_step = _rising_map(rgb, pose)
    flat = _sampled(rgb, ink, h, cols, rows, pitch_step)
    views = [_view_along(flat, float(slope)) for slope in SLOPES_DEG]
    noise = float(np.median([np.median(v.raw[~v.blocked[1]]) for v in views]))
    found: list[Place] = []
    for opening in OPENINGS:
        for i in range(len(views) - opening):
            found += _runs(views[i], views[i + opening], noise + 0.6, h, rows)
    centre = np.array([(rgb.shape[1] - 1) / 2, (rgb.shape[0] - 1) / 2])
    scored = [
        (p.score * central(*p.axis, centre) * near_node(pose, p.axis), k)
        for k, p in enumerate(found)
    ]
    chosen: list[Place] = []
    for score, k in sorted(scored, reverse=True):
        place = found[k]
        if score <= 0 or apart_from_ink(ink, *place.limbs) == 0.0:
            continue
        near = max(4.0, 0.4 * place.width)
        if not any(along(place.axis, c.axis, near) for c in chosen):
            chosen.append(replace(place, score=score))
        if len(chosen) >= most:
            break
    return chosen


def usual_places(rgb: NDArray[np.uint8], pose: GridPose) -> list[Place]:
    """Where a rod is that stands as people are told to: on the null, in the printed direction.

    The null is the crossing nearest to the middle of the picture where nothing tells more. The
    places differ in direction and do not depend on what is seen.
    """
    height, width = rgb.shape[:2]
    if pose.pitch_mm is not None:
        node, above = np.zeros(2), AXIS_MM / pose.pitch_mm
    else:
        above = NODE_HEIGHT
        centre = pose.camera.undistort(np.array([[(width - 1) / 2, (height - 1) / 2]]))
        node = np.round(sheet_xy(pose, centre, height=above)[0])
    start = np.array([*node, above])
    rise = math.radians(RISE_DEG)
    out = []
    for turn in np.radians(USUAL_TURNS_DEG):
        d = np.array([-math.sin(turn), math.cos(turn), math.tan(rise)])
        low, ahead = pose.camera.undistort(pose.project(np.array([start, start + 0.05 * d])))
        run = ahead - low
        high = low + run * (USUAL_LENGTH * width / np.linalg.norm(run))
        half = np.array([-run[1], run[0]]) / np.linalg.norm(run) * USUAL_WIDTH * width / 2
        limbs = ((low + half, high + half), (low - half, high - half))
        out.append(Place((low, high), USUAL_WIDTH * width, 0.0, limbs))
    return out


def _rising_map(rgb: NDArray[np.uint8], pose: GridPose) -> tuple[Array, int, int, float]:
    """Homography map pixels -> undistorted pixels, columns, rows, pitches per map pixel."""
    height, width = rgb.shape[:2]
    middle = pose.on_sheet(np.array([[width / 2, height / 2]]))[0]
    rise = math.tan(math.radians(RISE_DEG))
    # camera-frame homography of the plane z = (y - y0) tan(rise)
    e1 = pose.rotation[:, 0]
    e2 = pose.rotation[:, 1] + rise * pose.rotation[:, 2]
    o = pose.origin - pose.rotation[:, 2] * rise * middle[1]
    k = np.array(
        [[pose.camera.f, 0, pose.camera.cx], [0, pose.camera.f, pose.camera.cy], [0, 0, 1]]
    )
    h = k @ np.column_stack([e1, e2, o])
    inverse = np.linalg.inv(h)
    x, y = np.meshgrid([0, width / 2, width - 1], [0, height / 2, height - 1])
    frame = np.column_stack([x.ravel(), y.ravel(), np.ones(9)]) @ inverse.T
    frame = frame[:, :2] / frame[:, 2:]
    centre = frame[4]
    scale = np.linalg.norm(_apply(h, centre + np.array([1e-3, 0.0])) - _apply(h, centre)) / 1e-3
    step = width / MAP_WIDTH / scale
    low, high = frame.min(axis=0), frame.max(axis=0)
    # the cantilever's tip is near the middle, its body end farther from the camera
    below, above = np.array([0.22, 0.17]), np.array([0.22, 0.32])
    low = np.maximum(low, centre - below * MAP_WIDTH * step)
    high = np.minimum(high, centre + above * MAP_WIDTH * step)
    cols, rows = np.maximum(((high - low) / step).astype(int), 8)
    to_plane = np.array([[step, 0, low[0]], [0, -step, high[1]], [0, 0, 1.0]])
    return h @ to_plane, int(cols), int(rows), float(step)


def _apply(h: Array, xy: Array) -> Array:
    p = h @ np.array([xy[0], xy[1], 1.0])
    return np.asarray(p[:2] / p[2])


def _sampled(
    rgb: NDArray[np.uint8], ink: Ink, h: Array, cols: int, rows: int, step: float
) -> tuple[Floats, Floats, Floats]:
    """The rising map: colour x weight and weight, twice; and where edges of ink lie.

    Printed rows and the outside of the picture weigh 0 in both; printed columns only in the second:
    a rod may lie over a column and hide it, so ink tells nothing about what is inside a rod.
    """
    shrink = min(1.0, 1.25 * MAP_WIDTH / rgb.shape[1])
    source = rgb
    if shrink < 0.75:
        size = (round(rgb.shape[1] * shrink), round(rgb.shape[0] * shrink))
        source = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA).astype(np.uint8, copy=False)
        shrink = size[0] / rgb.shape[1]
    else:
        shrink = 1.0
    shift = (shrink - 1) / 2
    down = np.array([[shrink, 0, shift], [0, shrink, shift], [0, 0, 1.0]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    flat = cv2.warpPerspective(
        source, down @ h, (cols, rows), flags=flags, borderMode=cv2.BORDER_REPLICATE
    ).astype(np.float32)
    inside = cv2.warpPerspective(
        np.ones(source.shape[:2], np.float32), down @ h, (cols, rows), flags=flags
    )
    x, y = np.meshgrid(np.arange(0, cols, 2.0), np.arange(0, rows, 2.0))
    p = np.stack([x, y, np.ones_like(x)], -1).reshape(-1, 3) @ h.T
    at = p[:, :2] / p[:, 2:]
    covered = ink.covers(at, 1.2 * step).reshape(*x.shape, 2)
    out = []
    for unseen in (covered[..., 1], np.asarray(covered.any(axis=-1))):
        weight = cv2.resize(
            (~unseen).astype(np.float32), (cols, rows), interpolation=cv2.INTER_NEAREST
        )
        weight = weight * (inside > 0.99)
        out.append(np.dstack([flat * weight[..., None], weight]).astype(np.float32, copy=False))
    edge = ink.edge_near(at, 0.35 * ink.pose.ink_half_width + 0.9 * step)
    near = cv2.resize(edge.reshape(x.shape).astype(np.float32), (cols, rows))
    return out[0], out[1], np.asarray(near, np.float32)


@dataclass(frozen=True)
class _View:
    """The rising map sheared so that limbs of one slope stand upright, a few rows a sample.

    ``sharp`` holds, for left and right limbs, colour steps where they peak, ``blocked`` where ink
    hides what is outside; ``raw`` holds unsharpened steps, ``level`` the brightness without ink,
    known where ``bare``.
    """

    slope: float
    level: Floats
    bare: NDArray[np.bool_]
    raw: Floats
    sharp: tuple[Floats, Floats]
    blocked: tuple[NDArray[np.bool_], NDArray[np.bool_]]


def _view_along(maps: tuple[Floats, Floats, Floats], slope: float) -> _View:
    rows, cols = maps[0].shape[:2]
    t = math.tan(math.radians(slope))
    # a column leans by the slope about the map's middle row
    shear = np.array([[1, t * ROW_STEP, t * (1 - (rows - 1) / 2)], [0, ROW_STEP, 1]], np.float32)
    size, flags = (cols, rows // ROW_STEP), cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    means, weights = [], []
    for flat in maps[:2]:
        mean = cv2.blur(cv2.warpAffine(flat, shear, size, flags=flags), (3, ROW_BLUR))
        weights.append(mean[..., 3])
        means.append(mean[..., :3] / np.maximum(mean[..., 3:], np.float32(1e-3)))
    near_ink = cv2.blur(cv2.warpAffine(maps[2], shear, size, flags=flags), (1, ROW_BLUR)) > 0.4
    sharps, blocks = [], []
    raw = np.zeros(weights[0].shape, np.float32)
    for inward in (1, -1):
        lower, upper = (slice(None, -4), slice(4, None))
        ins, outs = (upper, lower) if inward > 0 else (lower, upper)
        difference = means[0][:, ins] - means[1][:, outs]
        raw = np.zeros(weights[0].shape, np.float32)
        raw[:, 2:-2] = np.sqrt(np.einsum("ijk,ijk->ij", difference, difference))
        least = np.zeros(raw.shape, np.float32)
        least[:, 2:-2] = np.minimum(weights[0][:, ins], weights[1][:, outs])
        blocked = (least < 0.3) | near_ink
        raw[blocked] = 0
        peak = np.maximum(np.roll(raw, 1, axis=1), np.roll(raw, -1, axis=1))
        sharp = cv2.dilate(np.where(raw >= 0.9 * peak, raw, 0), np.ones((1, 5), np.uint8))
        sharps.append(np.asarray(sharp, np.float32))
        blocks.append(blocked)
    level = cv2.transform(means[1], np.array([[0.5, 0.6, 0.4]], np.float32))
    return _View(
        slope,
        np.asarray(level, np.float32),
        weights[1] > 0.3,
        raw,
        (sharps[0], sharps[1]),
        (blocks[0], blocks[1]),
    )


def _widths(picture_width: float) -> NDArray[np.intp]:
    low, high = (s * picture_width for s in WIDTH_SHARE)
    return np.unique(np.round(np.geomspace(max(low, 4), high, 11)).astype(int))


def _runs(left: _View, right: _View, noise: float, h: Array, rows: int) -> list[Place]:
    """Longest, surest pairs of steps with much the same background on both outer sides."""
    n_rows, cols = left.raw.shape
    lean = [math.tan(math.radians(v.slope)) for v in (right, left)]
    widths = _widths(float(MAP_WIDTH))
    stack = np.full((n_rows, len(widths), cols), -THRESHOLD, np.float32)
    outside = 4  # map pixels outside a limb where the background is read
    cap = np.float32(4 * noise)
    ones = np.minimum(right.sharp[0], cap) * (1 / cap)
    others = np.minimum(left.sharp[1], cap) * (1 / cap)
    hidden_ones, hidden_others = right.blocked[0], left.blocked[1]
    for k, w in enumerate(widths):
        span = cols - int(w)
        one, other = ones[:, :span], others[:, w:]
        hidden_one, hidden_other = hidden_ones[:, :span], hidden_others[:, w:]
        pair = np.minimum(one, other)
        inner = slice(outside, span - outside)
        apart = np.abs(right.level[:, : span - 2 * outside] - left.level[:, w + 2 * outside :])
        apart *= right.bare[:, : span - 2 * outside] & left.bare[:, w + 2 * outside :]
        both = right.sharp[0][:, :span][:, inner] + left.sharp[1][:, w:][:, inner]
        pair[:, inner] *= 1 - np.float32(0.6) * np.minimum(apart / (both + np.float32(1e-3)), 1)
        np.copyto(pair, np.float32(0.6) * other, where=hidden_one)
        np.copyto(pair, np.float32(0.6) * one, where=hidden_other)
        pair -= np.float32(THRESHOLD)
        pair[hidden_one & hidden_other] = -0.2
        stack[:, k, :span] = pair
    run = stack[0].copy()
    best = run.copy()
    for gain in stack[1:]:
        np.maximum(run, 0, out=run)
        run += gain
        np.maximum(best, run, out=best)
    out: list[Place] = []
    middle_row = (rows - 1) / 2

    def image(column: float, tangent: float, row: float) -> Array:
        return _apply(h, np.array([column + tangent * (row - middle_row), row]))

    for _ in range(6):
        k, c = divmod(int(np.argmax(best)), cols)
        if best[k, c] < 0.8:
            break
        w = int(widths[k])
        score, first, last = best_run(stack[:, k, c])
        y0, y1 = first * ROW_STEP + 1, last * ROW_STEP + 1
        one_line, two_line = (
            (image(column, tangent, y1), image(column, tangent, y0))
            for column, tangent in ((c, lean[0]), (c + w, lean[1]))
        )
        best[max(0, k - 1) : k + 2, max(0, c - 4) : c + 5] = 0
        gap = [float(two_line[e][0] - one_line[e][0]) for e in (0, 1)]
        if min(gap) < 3:
            continue
        axis = ((one_line[0] + two_line[0]) / 2, (one_line[1] + two_line[1]) / 2)
        out.append(Place(axis, float(np.mean(gap)), score, (one_line, two_line)))
    return out


def central(low: Array, high: Array, centre: Array) -> float:
    """People put what they photograph near the middle: a mild preference for it."""
    d = high - low
    t = float(np.clip((centre - low) @ d / (d @ d), 0.0, 0.5))
    away = np.linalg.norm(low + t * d - centre) / np.linalg.norm(centre)
    return float(math.exp(-((away / CENTRAL) ** 2)))


def near_node(pose: GridPose, axis: Line) -> float:
    """The stylus stands on a crossing of the grid, so the axis begins near one: mild.

    Where the null's comb of ticks told the null from other crossings, the axis must pass it; as a
    comb may be read a row too far up or down, the crossings next to it along its column count too.
    A rod runs on beyond the null, towards the body.
    """
    d = axis[1] - axis[0]
    if pose.pitch_mm is not None:
        ends = sheet_xy(pose, np.array(axis), height=AXIS_MM / pose.pitch_mm)
        along = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
        rel = np.array([[0.0, row] for row in (-1, 0, 1)]) - ends[0]
        miss_mm = float(np.abs(rel @ (-along[1], along[0])).min()) * pose.pitch_mm
        beyond_mm = float(ends[1, 1]) * pose.pitch_mm  # a reflection or a line may end at the null
        reach = min(max(beyond_mm, 0.25), 1.0)
        off = max(miss_mm - SET_MM, 0.0) / SET_MM
        return reach * math.exp(-(off**2) - (_off_null_mm(pose, axis) / BEGIN_U_MM) ** 2)
    s = np.linspace(-0.2, 0.2, 11)[:, None]
    xy = sheet_xy(pose, axis[0] + s * d, height=NODE_HEIGHT)
    miss = np.hypot(*(xy - np.round(xy)).T).min()
    return float(0.5 + 0.5 * math.exp(-((miss / 0.18) ** 2)))


def _off_null_mm(pose: GridPose, axis: Line) -> float:
    """How far, mm along it, a rod's ends lie from where those of one that stands on the null may.

    Ribs, shadows and edges on the body begin farther up, and run on for longer.
    """
    assert pose.pitch_mm is not None
    rise = math.tan(math.radians(RISE_DEG))
    up = np.array([0.0, 1.0, rise]) / pose.pitch_mm
    mm = np.array([0.0, 4.0])
    off = []
    for row in (0,) if pose.null_known else (-1, 0, 1):
        start = np.array([0.0, row, AXIS_MM / pose.pitch_mm])
        a, b = pose.camera.undistort(pose.project(start + mm[:, None] * up))
        d = (b - a) / mm[1]
        low, high = (float((end - a) @ d / (d @ d)) for end in axis)
        off.append(max(BEGINS_MM[0] - low, low - BEGINS_MM[1], high - ENDS_MM, 0.0))
    return min(off)


def apart_from_ink(ink: Ink, left: Line, right: Line) -> float:
    """Penalty for limbs that follow printed lines."""
    one, two = (_on_ink_edge(ink, line) for line in (left, right))
    if (one & two).mean() > 0.6:
        return 0.0
    share = float(np.clip((max(one.mean(), two.mean()) - 0.6) / 0.3, 0.0, 1.0))
    return 1.0 - 0.7 * share


def _on_ink_edge(ink: Ink, line: Line) -> NDArray[np.bool_]:
    """Where along a limb it follows the edge of a printed line or its ghost."""
    p, q = line
    xy = p + np.linspace(0.05, 0.95, 13)[:, None] * (q - p)
    scale = sheet_scale(ink.pose, (p + q) / 2)
    return ink.edge_near(xy, max(0.5 * ink.pose.ink_half_width, 2.5 / scale))


def along(line: Line, other: Line, near: float) -> bool:
    """Whether both ends of a line lie within ``near`` px of another line."""
    d = other[1] - other[0]
    normal = np.array([-d[1], d[0]]) / np.linalg.norm(d)
    return all(abs(float((p - other[0]) @ normal)) < near for p in line)
