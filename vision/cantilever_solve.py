"""Direction of a cantilever against the printed line, from its lines in one photo or several.

In: `CantileverLines`. Out: a `Reading`, or a `Refusal` where it would be too uncertain.

With m the sheet's normal, g the printed line and n the normal of the plane through the camera and
the cantilever's axis, the axis direction d obeys n.d = 0, so that a rise gives one turn
atan2(m.(g x d), g.d). Rises are weighed by a prior (20 +- 4 degrees) and by what is seen of the
reflection (`rod_rise`). The value is the mean over the rises (numerical
marginalisation; Gelman et al., Bayesian Data Analysis, 3rd ed., ch. 3), its spread a part of the
uncertainty. Plane reflection and the pinhole model suffice (Hartley & Zisserman, Multiple View
Geometry, 2nd ed., ch. 2, 6); in a back-silvered mirror every ray is bent by Snell's law.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.grid import GridPose
from vision.reading import BudgetPart, Component, Reading, Refusal, Segment
from vision.rod import REFERENCE_HALF_DIAGONAL, RISE_DEG, RISE_U_DEG, SHADING_PX, Limb, Rod
from vision.rod_rise import RISES_DEG
from vision.rod_sight import (
    axis_normal,
    direction,
    turn_for_rise,
    turns_for_rises,
)

Array = NDArray[np.float64]
QUANTITY = "cantilever"
MEASURAND = (
    "direction of the cantilever's axis seen from above against the printed line, positive "
    "counter-clockwise"
)
GENERATOR_U_DEG = 0.5  # cantilever against generator: common practice, no source
LIMB_FLOOR_PX = SHADING_PX  # unseen in its scatter; like those below, of a 1600 x 1200 picture
SHADED_FLOOR_PX = 0.35  # over paper, where the rod's own shadow lies beside it
MOST_U_DEG, MOST_U_PAPER_DEG = 0.7, 2.0  # on a mirror another photo will tell more
LITTLE_TOLD = 0.85  # of the prior's spread: what spreads more is hardly told by anything else
MOST_TURN_DEG = 16.0  # sheets are turned by 10 at most, cantilevers a few degrees off that
OR_DRAW = "Or draw both edges of the cantilever and of its reflection, if you can see them."
STEP_DEG, RISE_RANGE_DEG = 0.05, 14.0  # of rises weighed, about the prior's
RETAKE = (
    "Photograph from the front, 30-50° above and 3-10° aside, with the stylus tip in the middle of "
    "the picture, the cantilever sharp and several grid lines visible each way: a grid of 5 mm "
    "shows more of them than one of 10 mm."
)


@dataclass(frozen=True)
class CantileverLines:
    """What one photo shows: the sheet's pose, the cantilever's limbs and its reflection.

    All in pixels of the full photo. ``image`` is both sides (2, 2, 2) of the reflection, None where
    none is seen. ``others`` are other limb pairs along the same cantilever, each with its weight
    against ``rod`` (0-1); ``plain`` tells that the sheet reflects nothing; ``rises`` is the
    log-likelihood of each of `RISES_DEG` from the reflection, None where it tells nothing.
    """

    pose: GridPose
    rod: Rod
    image: Array | None = None
    flags: tuple[str, ...] = ()
    others: tuple[tuple[Rod, float], ...] = ()
    plain: bool = False
    rises: Array | None = None

    def segments(self) -> tuple[Segment, ...]:
        """The fitted lines as named segments of the photo."""
        pose = self.pose

        def segment(name: str, role: str, p: Array, q: Array) -> Segment:
            ends = pose.camera.distort(np.array([p, q]))
            return Segment(name, role, *map(float, ends.ravel()))

        out = [
            segment("left edge", "edge", self.rod.left.p, self.rod.left.q),
            segment("right edge", "edge", self.rod.right.p, self.rod.right.q),
        ]
        if self.image is not None:
            for k, side in enumerate(self.image):
                out.append(segment(f"reflected edge {k + 1}", "reflection", *side))
            out.append(segment("reflected axis", "reflection", *self.image.mean(axis=0)))
        out.append(segment("axis", "axis", *self.rod.axis))
        out.append(self._grid_line())
        return tuple(out)

    def _grid_line(self) -> Segment:
        """The printed line nearest to the cantilever's lower end, over one cell each way."""
        low = self.pose.camera.distort(self.rod.axis[0])
        x, y = self.pose.on_sheet(low[None])[0]
        column = round(float(x))
        ends = self.pose.project(np.array([[column, y - 1, 0.0], [column, y + 0.5, 0.0]]))
        return Segment("grid line", "reference", *map(float, ends.ravel()))


def solve_cantilever(lines: CantileverLines) -> Reading | Refusal:
    """Direction of the cantilever from fitted lines.

    Parameters
    ----------
    lines : CantileverLines

    Returns
    -------
    Reading or Refusal
        Refusal where the uncertainty is too large to be of use.
    """
    return _solved_reading([lines])


def combine_cantilever(*photos: CantileverLines) -> Reading | Refusal:
    """One direction and one rise from photos of the same setting, such as one from each side.

    Parameters
    ----------
    *photos : CantileverLines

    Returns
    -------
    Reading or Refusal
        Refusal where the uncertainty is too large to be of use.
    """
    return _solved_reading(photos)


def _solved_reading(photos: Sequence[CantileverLines]) -> Reading | Refusal:
    solved = _solve(photos)
    parts = _budget(photos, solved)
    total = math.hypot(*(p.standard_uncertainty for p in parts))
    plain = all(p.plain for p in photos)
    if total > (MOST_U_PAPER_DEG if plain else MOST_U_DEG):
        reason = f"The {_what(photos)} the direction only to ±{2 * total:.1f}°."
        return _refusal(photos, reason, RETAKE if plain else f"{RETAKE} {OR_DRAW}")
    turn = abs(math.degrees(solved.turn))
    if turn > MOST_TURN_DEG:
        return _refusal(
            photos,
            f"What was found stands {turn:.0f}° off the printed line, which is not believable.",
            "Turn the sheet until its lines run along the cantilever, keep lamps out of the "
            "picture, and photograph again.",
        )
    return _reading(photos, solved, parts)


def _refusal(photos: Sequence[CantileverLines], reason: str, advice: str) -> Refusal:
    lines = tuple(replace(s, role="look") for s in photos[0].segments())
    return Refusal(QUANTITY, reason, advice, lines=lines)


def _what(photos: Sequence[CantileverLines]) -> str:
    return "photo gives" if len(photos) == 1 else "photos together give"


# --------------------------------------------------------------------------- solution


@dataclass(frozen=True)
class _Solved:
    """Turn and rise (radians), their spread over the rises, the turn's from the limbs, weights."""

    turn: float
    rise: float
    turn_spread: float
    rise_spread: float
    edge_sd: float
    shares: tuple[float, ...]  # of each photo in the turn


def _solve(photos: Sequence[CantileverLines]) -> _Solved:
    """Mean and spread of the turn over all rises, weighed by all that the photos show."""
    rises = np.radians(RISE_DEG + np.arange(-RISE_RANGE_DEG, RISE_RANGE_DEG + 1e-6, STEP_DEG))
    log = -0.5 * ((rises - math.radians(RISE_DEG)) / math.radians(RISE_U_DEG)) ** 2
    each, variance, precision = [], [], []
    for lines in photos:
        normal = axis_normal(lines.rod, lines.pose)
        each.append(turns_for_rises(normal, rises))
        d = direction(each[-1], rises)
        by_turn = np.stack([-d[:, 1], d[:, 0], 0 * rises], axis=1) @ normal
        edges = (_miss_sd(lines, d, *_limbs_sd(lines)) / by_turn) ** 2
        doubt = _choice(lines, math.radians(RISE_DEG)) if len(photos) > 1 else 0.0
        variance.append(edges)
        precision.append(1 / (edges + doubt**2))
        if lines.rises is not None:
            log = log + np.interp(np.degrees(rises), RISES_DEG, lines.rises)
    weight = np.array(precision)
    total = weight.sum(axis=0)
    share = weight / total
    turn = (share * each).sum(axis=0)
    log = log - 0.5 * (weight * (np.array(each) - turn) ** 2).sum(axis=0)
    w = np.exp(log - log.max())
    w /= w.sum()
    mean, rise = float(w @ turn), float(w @ rises)
    return _Solved(
        mean,
        rise,
        math.sqrt(float(w @ (turn - mean) ** 2)),
        math.sqrt(float(w @ (rises - rise) ** 2)),
        math.sqrt(float(w @ (share**2 * variance).sum(axis=0))),
        tuple(float(v) for v in share @ w),
    )


def _miss_sd(lines: CantileverLines, d: Array, angle: float, offset: float) -> Array:
    """Standard deviation of n.d, from a line's angle (rad) and offset (px)."""
    view = lines.pose.origin @ lines.pose.rotation
    view = view / np.linalg.norm(view)
    across = d @ view
    squared = angle**2 * (1 - across**2) + (offset / lines.pose.camera.f * across) ** 2
    return np.asarray(np.sqrt(np.maximum(squared, 1e-12)))


def _floor(lines: CantileverLines, px: float) -> float:
    return px * lines.pose.camera.half_diagonal / REFERENCE_HALF_DIAGONAL


def _limbs_sd(lines: CantileverLines) -> tuple[float, float]:
    """Standard deviations of the rod's axis: angle (rad) and offset (px)."""
    pair = (lines.rod.left, lines.rod.right)
    floor = _floor(lines, SHADED_FLOOR_PX if lines.plain else LIMB_FLOOR_PX)
    angle = math.hypot(*(_angle_sd(limb, floor) for limb in pair)) / 2
    return angle, math.hypot(*(math.hypot(limb.offset_sd, floor) for limb in pair)) / 2


def _angle_sd(limb: Limb, floor_px: float) -> float:
    """Fitted and floor: a shading error that bends over the length by ``floor_px``."""
    return math.hypot(limb.angle_sd, floor_px * math.sqrt(12) / max(limb.length, 1.0))


def _budget(photos: Sequence[CantileverLines], solved: _Solved) -> tuple[BudgetPart, ...]:
    surface = camera = focal = lens = 0.0
    for k in range(len(photos)):
        s, c, f = _pose_parts(photos, k, solved.turn)
        surface, camera, focal = math.hypot(surface, s), math.hypot(camera, c), focal + f
        lens += _lens_part(photos, k, solved.turn)
    choice = math.hypot(
        *(
            share * _choice(lines, solved.rise)
            for share, lines in zip(solved.shares, photos, strict=True)
        )
    )
    assumed = all(lines.image is None for lines in photos)
    values = {
        "choice of edges": math.hypot(choice, 0.0 if assumed else solved.turn_spread),
        "edge fit": solved.edge_sd,
        "surface reference": surface,
        "camera direction": camera,
        "focal length and principal point": focal,
        "lens distortion": lens,
        "priors used": solved.turn_spread if assumed else 0.0,
    }
    notes = {
        "choice of edges": "other lines along the same rod, such as highlights, or its reflection",
        "edge fit": "both edges of the cantilever",
        "surface reference": "direction of the printed line",
        "camera direction": "tilt of the sheet, from the grid",
        "priors used": f"rise {RISE_DEG:.0f}° ± {RISE_U_DEG:.0f}°",
    }
    return tuple(
        BudgetPart(name, math.degrees(value), notes.get(name, "")) for name, value in values.items()
    )


def _choice(lines: CantileverLines, rise: float) -> float:
    """Spread (radians) of the turn over the limb pairs along the rod, about the chosen one."""
    turn = turn_for_rise(axis_normal(lines.rod, lines.pose), rise)
    total, square = 1.0, 0.0
    for other, share in lines.others:
        miss = turn_for_rise(axis_normal(other, lines.pose), rise) - turn
        # further off it is the rod with a printed line or shadow beside it, unless it fits as well
        if abs(miss) < math.radians(2) or share > 0.3:
            total += share
            square += share * miss**2
    return math.sqrt(square / total)


def _turned(lines: CantileverLines, vector: Array, log_f: float) -> CantileverLines:
    pose = lines.pose
    camera = replace(pose.camera, f=pose.camera.f * math.exp(log_f))
    turn = np.asarray(cv2.Rodrigues(vector)[0])
    origin = pose.origin * (1, 1, math.exp(log_f))
    return replace(
        lines, pose=replace(pose, camera=camera, rotation=turn @ pose.rotation, origin=origin)
    )


def _pose_parts(
    photos: Sequence[CantileverLines], k: int, turn: float
) -> tuple[float, float, float]:
    """Standard uncertainty of the turn from the line's direction, the tilt and the focal length."""
    lines = photos[k]

    def moved(vector: Array, log_f: float) -> float:
        changed = [*photos[:k], _turned(lines, vector, log_f), *photos[k + 1 :]]
        return _solve(changed).turn - turn

    step = 1e-4
    axes = lines.pose.rotation.T  # grid axes as rotation vectors: x, y (tilts), normal
    slope = np.array([moved(step * axis, 0.0) / step for axis in axes] + [moved(0 * axes[0], step)])
    slope[3] /= step
    basis = np.eye(4)
    basis[:3, :3] = axes
    covariance = basis @ lines.pose.covariance @ basis.T
    u_f = math.sqrt(max(covariance[3, 3], 1e-12))
    with_f = covariance[:, 3] / u_f
    focal = abs(float(slope @ with_f))
    rest = covariance - np.outer(with_f, with_f)
    camera = math.sqrt(max(float(slope[:2] @ rest[:2, :2] @ slope[:2]), 0.0))
    surface = math.sqrt(max(float(slope[2] ** 2 * rest[2, 2]), 0.0))
    return surface, camera, focal


def _lens_part(photos: Sequence[CantileverLines], k: int, turn: float) -> float:
    """Effect of a radial term wrong by 0.005, its typical error after the fit to the grid."""
    lines = photos[k]
    camera = lines.pose.camera
    bent = replace(camera, k1=0.005)

    def moved(limb: Limb) -> Limb:
        return replace(limb, p=bent.undistort(limb.p), q=bent.undistort(limb.q))

    rod = replace(lines.rod, left=moved(lines.rod.left), right=moved(lines.rod.right))
    changed = [*photos[:k], replace(lines, rod=rod), *photos[k + 1 :]]
    return abs(_solve(changed).turn - turn)


def _reading(
    photos: Sequence[CantileverLines], solved: _Solved, parts: tuple[BudgetPart, ...]
) -> Reading:
    flags = list(photos[0].flags)
    if all(p.image is None for p in photos):
        flags += ["no_reflection"]
        if len(photos) == 1 and math.degrees(solved.rise_spread) > LITTLE_TOLD * RISE_U_DEG:
            flags += ["rise_assumed"]
    pose = photos[0].pose
    up = pose.normal
    elevation = math.degrees(math.asin(float(np.clip(-up[2], -1, 1))))
    return Reading(
        quantity=QUANTITY,
        value=math.degrees(solved.turn),
        unit="deg",
        measurand=MEASURAND,
        budget=parts,
        definitional_uncertainty=GENERATOR_U_DEG,
        components=(
            Component(
                "rise",
                math.degrees(solved.rise),
                "deg",
                math.degrees(solved.rise_spread),
            ),
            Component("camera elevation", elevation, "deg", 0.5),
        ),
        flags=tuple(dict.fromkeys(flags)),
        lines=photos[0].segments(),
    )
