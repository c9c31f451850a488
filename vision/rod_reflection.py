"""The reflection of a rod in the mirror below it, as a look around it shows it -> the rod's rise.

In: a colour picture, the sheet's plane and the rod. Out: the log-likelihood of each rise, and where
the reflection lies if one is seen.

Given the plane through the camera and the rod's axis, rise and height fix where the reflection
lies. The log odds that the network gives each pixel of showing it are added up over the place that
each rise and height, and each beginning and end of it, would cover: what covers all that is shown
and nothing else is the likeliest. What hides the mirror (rod, body, print) tells nothing. Heights
and ends are summed over by how usual they are (a marginal likelihood; JCGM 101:2008 for the use of
distributions).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.grid import GridPose
from vision.rod import RISE_DEG, RISE_U_DEG, Rod
from vision.rod_around import HEIGHT, copy_of, frame, shown_in, standing_ends
from vision.rod_kinds import BODY_IMAGE, ROD_IMAGE
from vision.rod_mirrored import (
    LEAST_HEIGHT,
    MOST_HEIGHT,
    axes_above,
    half_widths,
    height_log_prior,
    usual_reflection,
)
from vision.rod_near import IMAGE_WIDTH, Near
from vision.rod_rise import RISES_DEG
from vision.rod_sight import axis_normal, image_points, matters

Array = NDArray[np.float64]

# reflections lie a little nearer than the usual one, or much farther
USUAL_AT, LONGEST_PX = HEIGHT / 2 - 20, 130.0
LEAST_SHARE, MOST_LOG_ODDS = 1e-3, 4.0
# pixels are not independent: known scenes; what a rise keeps however badly it fits, as what is
# shown may be something else; what nothing shown at all weighs
INDEPENDENT, ELSE, NOTHING = 0.005, 0.01, 1.0
# where the reflection begins and ends: of its length, and of its width
BEFORE, BEYOND, EARLIEST_END = (0.25, 0.6), (0.5, 1.2), 0.7
STEPS, ACROSS = 28, 7
HEIGHTS = np.geomspace(LEAST_HEIGHT, MOST_HEIGHT, 48)  # in rod widths


@dataclass(frozen=True)
class Reflection:
    """What is known of a rod's reflection.

    ``log`` is the log-likelihood of each of `RISES_DEG`; ``sides`` are the lower and upper ends
    (2, 2, 2) of both its sides, in undistorted pixels, None where none is seen; ``evidence`` is the
    log-likelihood ratio of a usual reflection, wherever it lies, to none.
    """

    log: Array
    sides: Array | None
    evidence: float = 0.0


def find_reflection(
    rgb: NDArray[np.uint8], pose: GridPose, rod: Rod, factor: float = 1.0
) -> Reflection | None:
    """The rod's reflection.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (height, width, 3)
    pose : GridPose
    rod : Rod
        Like ``pose``, in pixels of the working picture.
    factor : float
        Pixels of the working picture a pixel of ``rgb``.

    Returns
    -------
    Reflection or None
        None where it would not change the reading.
    """
    if not matters(axis_normal(rod, pose)):
        return None
    framed = _frame(pose, rod)
    return reflection_in(shown_in(copy_of(rgb, framed, factor), framed), pose, rod)


def reflection_in(near: Near, pose: GridPose, rod: Rod) -> Reflection:
    """What a look around a reflection tells of it."""
    points = axes_above(pose, rod, np.radians(RISES_DEG), HEIGHTS)
    ends, half = image_points(points, pose), half_widths(pose, rod, points)
    prior = np.exp(height_log_prior(HEIGHTS))
    each = _covered(near, pose, ends, half) + np.log(prior / prior.sum())
    top = float(each.max())
    seen = np.exp(each - top).sum(axis=1)
    nothing = NOTHING * np.exp(min(-top, 50.0))
    log = np.log(seen / seen.max() + ELSE + nothing / seen.max())
    log -= log.max()
    usual = each - 0.5 * ((RISES_DEG[:, None] - RISE_DEG) / RISE_U_DEG) ** 2
    evidence = float(np.logaddexp.reduce(usual, axis=None))
    if top < 0:
        return Reflection(log, None, evidence=evidence)
    at = np.unravel_index(int(np.argmax(usual)), each.shape)
    run = ends[at][1] - ends[at][0]
    normal = np.array([-run[1], run[0]]) / max(float(np.linalg.norm(run)), 1e-9)
    sides = [ends[at] + sign * half[at][:, None] * normal for sign in (-1.0, 1.0)]
    return Reflection(log, np.array(sides), evidence=evidence)


def _frame(pose: GridPose, rod: Rod) -> Array:
    """Frame of the look around the usual reflection."""
    seen = pose.camera.distort(usual_reflection(pose, rod))
    width = IMAGE_WIDTH * rod.width_px
    ends = standing_ends(seen, pose.camera.distort(np.array(rod.axis)), width)
    return frame(ends[0], ends[1], width, LONGEST_PX, USUAL_AT)


def _covered(near: Near, pose: GridPose, ends: Array, half: Array) -> Array:
    """Log-likelihood ratio (R, H) of reflections with ends (R, H, 2, 2) and half widths (R, H, 2).

    Against none at all; where they begin and end is summed over.
    """
    image = near.share[ROD_IMAGE]
    ground = near.share[0] + near.share[BODY_IMAGE]
    odds = np.log((image + LEAST_SHARE) / (ground + LEAST_SHARE))
    odds = np.clip(odds, -MOST_LOG_ODDS, MOST_LOG_ODDS) * (image + ground)
    turn, shift = near.frame[:, :2], near.frame[:, 2]
    at = pose.camera.distort(ends.reshape(-1, 2)).reshape(ends.shape) @ turn.T + shift
    half = half * near.across
    run = at[..., 1, :] - at[..., 0, :]
    length = np.maximum(np.linalg.norm(run, axis=-1), 1e-6)
    up = run / length[..., None]
    side = np.stack([-up[..., 1], up[..., 0]], axis=-1)
    wide = half.mean(axis=-1)
    before, beyond = (a * length + b * wide for a, b in (BEFORE, BEYOND))
    whole = before + length + beyond
    s = -before[..., None] + whole[..., None] * (np.arange(STEPS) + 0.5) / STEPS
    t = 1 - 2 * (np.arange(ACROSS) + 0.5) / ACROSS
    grown = np.clip(s / length[..., None], -0.3, 1.5)
    own = half[..., :1] + (half[..., 1:] - half[..., :1]) * grown
    x, y = (
        at[..., 0, k, None, None]
        + up[..., k, None, None] * s[..., None]
        + side[..., k, None, None] * own[..., None] * t
        for k in (0, 1)
    )
    flat = (len(x), -1)
    read = cv2.remap(
        odds.astype(np.float32), x.reshape(flat).astype(np.float32),
        y.reshape(flat).astype(np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT,
    ).reshape(x.shape)  # fmt: skip
    area = 2 * own * (whole / STEPS)[..., None]
    total = np.zeros((*length.shape, STEPS + 1))
    total[..., 1:] = INDEPENDENT * np.cumsum(read.mean(axis=-1) * area, axis=-1)
    border = -before[..., None] + whole[..., None] * np.arange(STEPS + 1) / STEPS
    begins = border <= np.maximum(BEFORE[0] * length, BEFORE[1] * wide)[..., None]
    finishes = border >= EARLIEST_END * length[..., None]
    return _log_mean(-total, begins) + _log_mean(total, finishes)


def _log_mean(log: Array, where: NDArray[np.bool_]) -> Array:
    """Logarithm of the mean of exponentials over the last axis, all steps counted."""
    log = np.where(where, log, -np.inf)
    top = log.max(axis=-1)
    return np.asarray(top + np.log(np.exp(log - top[..., None]).mean(axis=-1)))
