"""The reflection of a thin rod in the mirror below it -> its axis line.

In: a colour picture, the sheet's plane and the rod's limbs. Out: `Image`, or None. Once the plane
through the camera and the rod's axis is known, the reflection's place follows from the rod's rise
and height: both are searched, then the best places are fitted and compared.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import product

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.grid import GLASS_INDEX, GridPose
from vision.ink import Ink, lattices, local_rays, sheet_scale
from vision.rod import RISE_DEG, RISE_U_DEG, Limb, Rod, fit_limb
from vision.strip import Edge, Line, Strip, all_edges, evidence, straightened

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Image:
    """The rod's mirror image.

    ``axis`` is the line midway between the reflected limbs, ``limbs`` those of them that are in
    sight, ``score`` the length (px) along which they are seen, less what speaks against them.
    ``rivals`` are axes of other places that fit nearly as well, each with its share of the score.
    """

    axis: Limb
    limbs: tuple[Limb, ...]
    score: float
    rivals: tuple[tuple[Limb, float], ...] = ()

    @property
    def sure(self) -> bool:
        """Whether it would be believed even where the sheet looks like paper."""
        return len(self.limbs) == 2 and self.score > SURE_SCORE


def axis_normal(rod: Rod, pose: GridPose) -> Array:
    """Normal, in grid axes, of the plane through the camera and the rod's axis.

    The axis lies midway between the two tangent planes of the limbs (exact for cylinder and cone).
    """
    normals = [line_normal(limb, pose) for limb in (rod.left, rod.right)]
    n = normals[0] + normals[1]
    return np.asarray(n / np.linalg.norm(n))


def line_normal(limb: Limb, pose: GridPose) -> Array:
    """Unit normal, in grid axes, of the plane through the camera and an undistorted line."""
    rays = local_rays(np.array([limb.p, limb.q]), pose)
    n = np.cross(rays[0], rays[1])
    return np.asarray(n / np.linalg.norm(n))


def mirrored_rays(undistorted: Array, pose: GridPose) -> tuple[Array, Array]:
    """Where rays leave the mirror upwards (grid x, y, 0) and their directions, in grid axes."""
    rays = local_rays(undistorted, pose)
    start = -pose.origin @ pose.rotation
    foot = start - rays * (start[2] / rays[..., 2])[..., None]
    if pose.thickness is not None:
        slide = 2 * rays[..., :2] / np.sqrt(GLASS_INDEX**2 - 1 + rays[..., 2] ** 2)[..., None]
        foot = foot + pose.thickness * np.concatenate(
            [slide, np.zeros((*slide.shape[:-1], 1))], axis=-1
        )
    return foot, rays * (1, 1, -1)


def mirrored_normal(limb: Limb, pose: GridPose) -> Array:
    """Like `line_normal` for a line seen in the mirror: the plane holds the reflected rays."""
    foot, up = mirrored_rays(np.array([limb.p, limb.q]), pose)
    n = np.cross(foot[1] - foot[0], up[0] + up[1])
    return np.asarray(n / np.linalg.norm(n))


def image_points(xyz: Array, pose: GridPose) -> Array:
    """Undistorted pixels where points above the mirror (grid axes) are seen reflected."""
    c = pose.camera
    thickness = pose.thickness or 0.0
    foot = xyz * (1, 1, -1)
    eye = -pose.origin @ pose.rotation
    for _ in range(4):
        ray = foot - eye
        ray = ray / np.linalg.norm(ray, axis=-1, keepdims=True)
        slide = 2 * ray[..., :2] / np.sqrt(GLASS_INDEX**2 - 1 + ray[..., 2] ** 2)[..., None]
        run = ray[..., :2] / -ray[..., 2:] * xyz[..., 2:]
        on_sheet = xyz[..., :2] - run - thickness * slide
        foot = np.concatenate([on_sheet, np.zeros((*on_sheet.shape[:-1], 1))], axis=-1)
    q = foot @ pose.rotation.T + pose.origin
    return np.asarray(q[..., :2] / q[..., 2:] * c.f + (c.cx, c.cy))


def direction(turn: Array | float, rise: Array | float) -> Array:
    """Unit vectors in grid axes (..., 3): ``turn`` counter-clockwise from the line, ``rise`` up."""
    level = np.cos(rise)
    return np.stack(
        np.broadcast_arrays(-np.sin(turn) * level, np.cos(turn) * level, np.sin(rise)), axis=-1
    )


def turns_for_rises(normal: Array, rises: Array) -> Array:
    """Turns of the directions of the given rises that lie in the plane with this normal.

    Of the two solutions, the one that runs away from the camera.
    """
    a, b = normal[1] * np.cos(rises), -normal[0] * np.cos(rises)
    half = np.arccos(np.clip(-normal[2] * np.sin(rises) / np.hypot(a, b), -1, 1))
    both = np.arctan2(b, a) + np.stack([half, -half])
    both = (both + math.pi) % (2 * math.pi) - math.pi
    return np.asarray(np.where(np.abs(both[0]) < np.abs(both[1]), both[0], both[1]))


def turn_for_rise(normal: Array, rise: float) -> float:
    """One of `turns_for_rises`."""
    return float(turns_for_rises(normal, np.array(rise)))


PLAIN_SPREAD = 0.2  # paper: at most 0.11 on the tuning photographs; mirrors: 0.29 and more
RISES_DEG = np.arange(11.0, 31.1, 0.5)
HEIGHTS = (-1.0, 4.5)  # of the axis over the sheet at the limbs' lower end, in rod widths
FAN_DEG = 7.0  # directions in the picture that one strip serves
BLOCK_PX = 5.0
LEAST_SCORE, SURE_SCORE = 5.0, 20.0
BESIDE = 0.12  # pitches from a column at which a line along it is not its own
COLUMN_PX = 1.5  # what the middle and the sides of a column are off by at most
ACROSS_PX = 4.0  # a limb that drifts so far from a column's direction is none of its edges
BOLD_TIMES = 3.0  # a null column is drawn at most so many times as wide as the others
LEAST_LEVERAGE_DEG = 0.08  # below, the reflection would not change the reading


def find_image(rgb: NDArray[np.uint8], ink: Ink, rod: Rod) -> Image | None:
    """The rod's reflection in the mirror, or None.

    Once the plane through the camera and the axis is known, the reflection's direction in the
    picture follows from the rise and its place from the height. Strips about a fan of directions
    are searched for edges; each edge is one limb of a reflection as wide as the rod, or the other.
    What the rod hides and what ink covers counts neither for nor against.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (height, width, 3)
        Without specks (see `vision.rod_beside.calm`).
    ink : Ink
        In pixels of ``rgb``.
    rod : Rod

    Returns
    -------
    Image or None
        None where nothing fits, or where the reflection would not change the reading.
    """
    normal = axis_normal(rod, ink.pose)
    if not matters(normal):
        return None
    tried = _candidates(rgb, ink, rod, normal)
    if not tried:
        return None
    tried.sort(key=lambda t: -t[0])
    score, best, rise = tried[0]
    rivals: list[tuple[Limb, float]] = []
    taken = [rise]
    for other, image, its_rise in tried[1:]:
        if other > 0.3 * score and min(abs(its_rise - r) for r in taken) > 0.5:
            rivals.append((image.axis, other / score))
            taken.append(its_rise)
    return replace(best, rivals=tuple(rivals))


def matters(normal: Array) -> bool:
    """Whether knowing the rise would change the reading of an axis in the plane of this normal."""
    spread = [turn_for_rise(normal, math.radians(RISE_DEG + v)) for v in (-RISE_U_DEG, RISE_U_DEG)]
    return math.degrees(abs(spread[1] - spread[0])) / 2 > LEAST_LEVERAGE_DEG


def _candidates(
    rgb: NDArray[np.uint8], ink: Ink, rod: Rod, normal: Array
) -> list[tuple[float, Image, float]]:
    """Score, reflection and rise (degrees) of each guess that could be fitted."""
    pose = ink.pose

    def hidden(at: Array) -> NDArray[np.bool_]:
        return hidden_by_rod(at, rod)

    tried: list[tuple[float, Image, float]] = []
    for axis, half, whole in _fan(pose, rod, normal, 0.2 * rgb.shape[1]):
        strip = straightened(rgb, ink, axis, half, (1.2 * rod.width_px, 0.0), hidden, BLOCK_PX)
        if strip is None or not strip.clear.any():
            continue
        for score, one, two in _limb_guesses(strip, rod, whole):
            if score < max([LEAST_SCORE, *(0.3 * t[0] for t in tried)]):
                break
            image = _fitted(rgb, pose, rod, strip, one, two, hidden, score)
            if image is None or _along_rows(image.axis, pose):
                continue
            if len(image.limbs) == 2 and printed(pose, *image.limbs):
                continue  # both edges of a printed column, however bold
            rise = _rise(normal, mirrored_normal(image.axis, pose))
            likely = math.exp(-0.5 * ((rise - RISE_DEG) / RISE_U_DEG) ** 2)
            if abs(rise - RISE_DEG) < 2.6 * RISE_U_DEG:
                score = image.score * math.sqrt(0.1 + 0.9 * likely)
                tried.append((score, replace(image, score=score), rise))
    return tried


def _rise(normal: Array, mirrored: Array) -> float:
    """Rise (degrees) of the direction square to both normals."""
    d = np.cross(normal, mirrored)
    d = d / max(float(np.linalg.norm(d)), 1e-12)
    return math.degrees(math.asin(float(d[2] if d[1] > 0 else -d[2])))


def _fan(pose: GridPose, rod: Rod, normal: Array, most: float) -> list[tuple[Line, float, float]]:
    """Expected axes of the reflection by direction, half widths of strips, whole lengths."""
    low, high = rod.axis
    rays = local_rays(np.array([low, high]), pose)
    eye = -pose.origin @ pose.rotation
    distance = abs(eye[2] / rays[0, 2])
    width = rod.width_px / pose.camera.f * distance  # in pitches, near enough
    heights = np.array([HEIGHTS[0], 1.5, HEIGHTS[1]]) * width
    out: list[tuple[Line, float, float]] = []
    before: Array | None = None
    for rise in np.radians(RISES_DEG):
        d = direction(turn_for_rise(normal, float(rise)), float(rise))
        ends = []
        for h in heights:
            foot = eye + rays[0] * ((h - eye[2]) / rays[0, 2])
            # length along d until the ray through the upper end passes nearest
            ends.append([foot, foot + _meet(foot, d, eye, rays[1]) * d])
        seen = image_points(np.array(ends), pose)
        p, q = seen[1]
        length = float(np.linalg.norm(q - p))
        if length < rod.width_px:
            continue
        along = (q - p) / length
        if before is not None and along @ before > math.cos(math.radians(FAN_DEG)):
            continue
        before = along
        side = np.array([-along[1], along[0]])
        reach = float(np.abs((seen[:, 0] - p) @ side).max())
        half = min(reach + rod.width_px + 6, 4.5 * rod.width_px)
        out.append(((p, p + along * min(length, most)), half, length))
    return out


def _limb_guesses(strip: Strip, rod: Rod, whole: float) -> list[tuple[float, Edge, Edge]]:
    """Pairs of an edge and a partner as far away as the rod is wide, best first."""
    out = []
    # the reflection lies a little farther off than the rod, and ends where it is narrowest
    widths = [
        0.97 * float(np.linalg.norm(b - a))
        for a, b in zip(*(r.ends for r in (rod.left, rod.right)), strict=True)
    ]
    rows = np.asarray(strip.clear.any(axis=1))
    if rows.sum() < 5:
        return []
    length = float(strip.stations[-1])
    slope = (widths[1] - widths[0]) / whole
    for edge in all_edges(strip, rows, most=10):
        for sign in (1.0, -1.0):
            partner = Edge(edge.offset + sign * widths[0], edge.slope + sign * slope, 0.0)
            one, two = (edge, partner) if sign > 0 else (partner, edge)
            if (
                max(abs(partner.offset + partner.slope * s) for s in (0.0, length))
                > strip.across[-1]
            ):
                continue
            score = evidence(strip, one, two, spread=max(2, round(0.07 * widths[0])))[0]
            if score > 0:
                out.append((score, one, two))
    out.sort(key=lambda g: -g[0])
    return out[:4]


def _fitted(
    rgb: NDArray[np.uint8],
    pose: GridPose,
    rod: Rod,
    strip: Strip,
    one: Edge,
    two: Edge,
    hidden: Callable[[Array], NDArray[np.bool_]],
    score: float,
) -> Image | None:
    """Sub-pixel fit of a guessed reflection: both limbs, or one and the rod's width."""
    spread = max(2, round(0.07 * rod.width_px))
    _, first, last = evidence(strip, one, two, spread=spread)
    fits = []
    for edge in (one, two):
        gate = 3.0 if edge.strength > 0 else 2.0 + 0.07 * rod.width_px
        limb = fit_limb(
            rgb, pose, *strip.line(edge.offset, edge.slope, first, last), gate, 0, hidden
        )
        fits.append(limb if limb is not None and len(limb.points) >= 5 else None)
    left, right = fits
    if left is None and right is None:
        return None
    if left is not None and right is not None:
        ends = (left.p + right.p) / 2, (left.q + right.q) / 2
        sd = math.hypot(left.offset_sd, right.offset_sd) / 2
        angle = math.hypot(left.angle_sd, right.angle_sd) / 2
        width = float(np.linalg.norm(right.p + right.q - left.p - left.q) / 2)
        middle = (first + last) / 2
        expected = abs(two.offset - one.offset + (two.slope - one.slope) * middle)
        if abs(width - expected) > max(3.0, 0.15 * expected):
            return None
        limbs: tuple[Limb, ...] = (left, right)
        base = left
    else:
        only = left if left is not None else right
        assert only is not None
        base = only
        sign, mine, edge = (1.0, one, two) if left is not None else (-1.0, two, one)
        s = np.array([first, last])
        apart = np.abs(edge.offset - mine.offset + (edge.slope - mine.slope) * s)
        d = (base.q - base.p) / base.length
        side = np.array([-d[1], d[0]]) * sign / 2
        ends = base.p + apart[0] * side, base.q + apart[1] * side
        sd = math.hypot(base.offset_sd, 0.05 * float(apart.mean()))
        angle = math.hypot(base.angle_sd, 0.04 * float(apart.mean()) / base.length)
        limbs = (base,)
        score *= 0.6
    axis = replace(
        base, p=ends[0], q=ends[1], offset_sd=sd, angle_sd=angle, points=np.empty((0, 2))
    )
    return Image(axis, limbs, score)


def _along_rows(axis: Limb, pose: GridPose) -> bool:
    """Whether a line runs along the sheet's rows, as ticks do."""
    foot = pose.on_sheet(pose.camera.distort((axis.p + axis.q) / 2)[None])[0]
    row = pose.project(np.array([[foot[0] + 0.05, foot[1], 0.0], [foot[0] - 0.05, foot[1], 0.0]]))
    r, d = row[0] - row[1], axis.q - axis.p
    cross = abs(float(r[0] * d[1] - r[1] * d[0])) / float(np.hypot(*r) * np.hypot(*d))
    return cross < math.sin(math.radians(5))


def _meet(foot: Array, d: Array, eye: Array, ray: Array) -> float:
    """Length along d from foot to where it passes nearest to a ray."""
    w = foot - eye
    b = float(d @ ray)
    return float((b * (ray @ w) - d @ w) / (1 - b * b))


def hidden_by_rod(at: Array, rod: Rod) -> NDArray[np.bool_]:
    """Behind the rod itself, or above its upper end, where the body begins."""
    low, high = rod.axis
    d = (high - low) / np.linalg.norm(high - low)
    normal = np.array([-d[1], d[0]])
    rel = at - low
    along = rel @ d
    off = np.abs(rel @ normal)
    length = np.linalg.norm(high - low)
    beside = off < rod.width_at(at) / 2 + 3.0
    return (beside & (along > -0.6 * rod.width_px)) | (along > length)


def shows_nothing(rgb: NDArray[np.uint8], pose: GridPose, rod: Rod) -> bool:
    """Whether the sheet in front of the rod is plain, as paper is and a mirror is not."""
    low = pose.camera.distort(rod.axis[0])
    origin = pose.on_sheet(low[None])[0]
    steps = np.arange(-12, 13)[:, None] + np.array([0.2, 0.35, 0.5, 0.65, 0.8])
    x, y = np.meshgrid(steps.ravel(), steps.ravel())
    x, y = x.ravel() + round(float(origin[0])), y.ravel() + round(float(origin[1]))
    rel = np.stack([x - origin[0], y - origin[1]], axis=1)
    near = (np.abs(rel[:, 0]) < 1.6) & (rel[:, 1] < -0.2) & (rel[:, 1] > -1.8)
    xy = pose.project(np.stack([x[near], y[near], 0 * x[near]], axis=1))
    height, width = rgb.shape[:2]
    ok = (xy[:, 0] > 4) & (xy[:, 1] > 4) & (xy[:, 0] < width - 5) & (xy[:, 1] < height - 5)
    if ok.sum() < 20:
        return False
    at = xy[ok].astype(int)
    level = cv2.blur(rgb, (7, 7))[at[:, 1], at[:, 0]].astype(float)
    spread = np.quantile(level, 0.85, axis=0) - np.quantile(level, 0.15, axis=0)
    return bool(np.max(spread) < PLAIN_SPREAD * max(float(np.median(level)), 20.0))


def printed(pose: GridPose, left: Limb, right: Limb) -> bool:
    """Whether a pair holds both edges of a printed column, however bold.

    A column's edge keeps its distance from the column's middle all along, whatever its width and
    whether or not it is drawn bolder there.
    """
    bold = BOLD_TIMES * pose.ink_half_width
    sides = [beside_columns(pose, limb) for limb in (left, right)]
    for (one, drift, scale), (other, its_drift, _) in product(*sides):
        a, b = one - round(one), other - round(other)
        straight = drift < straight_px(left) or its_drift < straight_px(right)
        about = a * b < 0 and abs(a + b) * scale < 2.5 and max(abs(a), abs(b)) < bold
        if straight and about and max(drift, its_drift) < ACROSS_PX:
            return True
    (one, drift, _), (other, its_drift, _) = sides[0][0], sides[1][0]
    middle = (one + other) / 2
    along = drift < straight_px(left) and its_drift < straight_px(right)
    return along and abs(middle - round(middle)) >= BESIDE  # a ghost, a shadow of a column


def straight_px(limb: Limb) -> float:
    """Drift (px) that errors of the grid and of the fit leave an edge of ink."""
    return max(1.5, 3 * math.sqrt(12 / len(limb.points)) * limb.scatter_px)


def beside_columns(pose: GridPose, limb: Limb) -> list[tuple[float, float, float]]:
    """Mean lattice x of a limb on the sheet, its drift (px) over the length, px a pitch.

    One entry for the lattice and one for its ghost.
    """
    s = np.linspace(0.0, 1.0, 7)
    scale = sheet_scale(pose, (limb.p + limb.q) / 2)
    out = []
    for grid in lattices(pose, limb.p + s[:, None] * (limb.q - limb.p)):
        x = grid[:, 0]
        slope = float((s - 0.5) @ (x - x.mean()) / ((s - 0.5) @ (s - 0.5)))
        out.append((float(x.mean()), abs(slope) * scale, scale))
    return out


def is_column(rod: Rod, pose: GridPose) -> bool:
    """Whether a rod has the place, the course and the width of a printed column."""
    for (one, drift, scale), (other, its_drift, _) in zip(
        *(beside_columns(pose, limb) for limb in (rod.left, rod.right)), strict=True
    ):
        middle, half = (one + other) / 2, abs(other - one) / 2
        beside = abs(middle - round(middle)) * scale
        wider = abs(half - pose.ink_half_width) * scale
        if max(drift, its_drift) < ACROSS_PX and beside < COLUMN_PX and wider < COLUMN_PX:
            return True
    return False
