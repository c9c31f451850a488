"""How steeply a rod rises above a mirror, from where the axis of its reflection is seen.

In: the sheet's plane, the rod's limbs and the reflected axis. Out: the log-likelihood of each rise.

Given the plane through the camera and the rod's axis, rise and height fix where the reflected axis
lies. For each of them its distance and direction from the one that is seen are weighed, and heights
are summed over by how usual they are (a marginal likelihood; JCGM 101:2008 for the use of
distributions).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.grid import GridPose
from vision.ink import local_rays
from vision.rod import RISE_DEG, Limb, Rod
from vision.rod_sight import axis_normal, direction, image_points, turns_for_rises

Array = NDArray[np.float64]

# of the axis above the sheet at the rod's lower end, in rod widths: a stylus 0.2-0.8 mm long
# under a rod 0.2-0.7 mm thick
LEAST_HEIGHT, LIKELY_HEIGHT, MOST_HEIGHT, HEIGHT_LOG_SD = 0.4, 1.45, 5.0, 0.4
HEIGHTS = np.geomspace(LEAST_HEIGHT, MOST_HEIGHT, 16)


def axes_above(pose: GridPose, rod: Rod, rises: Array, heights: Array) -> Array:
    """Where the axis of a rod that is seen lies for each rise and height.

    Parameters
    ----------
    pose : GridPose
    rod : Rod
    rises : ndarray, shape (R,)
        Radians.
    heights : ndarray, shape (H,)
        Of the axis above the sheet at the rod's lower end, in rod widths.

    Returns
    -------
    ndarray, shape (R, H, 2, 3)
        Its lower and upper end in grid axes, pitches.
    """
    normal = axis_normal(rod, pose)
    rays = local_rays(np.array(rod.axis), pose)
    eye = -pose.origin @ pose.rotation
    width = rod.width_px / pose.camera.f * abs(eye[2] / rays[0, 2])  # in pitches, near enough
    d = direction(turns_for_rises(normal, rises), rises)
    foot = eye + rays[0] * ((heights[:, None] * width - eye[2]) / rays[0, 2])
    b, w = (d @ rays[1])[:, None], foot - eye
    run = (b * (w @ rays[1]) - d @ w.T) / (1 - b * b)  # to where it passes the upper ray
    upper = foot + run[..., None] * d[:, None]
    return np.stack(np.broadcast_arrays(foot, upper), axis=2)


def reflections(pose: GridPose, rod: Rod, rises: Array, heights: Array = HEIGHTS) -> Array:
    """Lower and upper end (R, H, 2, 2) of the reflections of `axes_above`, undistorted pixels."""
    return image_points(axes_above(pose, rod, rises, heights), pose)


@dataclass(frozen=True)
class Rises:
    """How well each rise (R,) explains a reflected axis, at its best height and over all."""

    log: Array  # log-likelihood, heights summed over
    misses: Array  # squared misses at the best height, and its own from the usual
    heights: Array  # the best ones, in rod widths


def rises_of(pose: GridPose, rod: Rod, axis: Limb, rises: Array) -> Rises:
    """How well rises explain the reflected axis that is seen.

    Parameters
    ----------
    pose : GridPose
    rod : Rod
    axis : Limb
        The reflected axis, with the standard deviations of its middle and its direction.
    rises : ndarray, shape (R,)
        Radians.

    Returns
    -------
    Rises
    """
    ends = reflections(pose, rod, rises)
    d = (axis.q - axis.p) / axis.length
    normal = np.array([-d[1], d[0]])
    run = ends[..., 1, :] - ends[..., 0, :]
    ahead = run @ d
    ahead = np.where(np.abs(ahead) > 1e-6, ahead, 1e-6)
    start = ends[..., 0, :] - (axis.p + axis.q) / 2
    away = start @ normal - (start @ d) * (run @ normal) / ahead
    turn = np.arctan(run @ normal / ahead)  # of lines: a short reflection may point either way
    unusual = np.log(HEIGHTS / LIKELY_HEIGHT) / HEIGHT_LOG_SD
    miss = np.stack(
        [away / axis.offset_sd, turn / axis.angle_sd, np.broadcast_to(unusual, away.shape)]
    )
    best = np.argmin((miss**2).sum(axis=0), axis=1)
    rows, step = np.arange(len(rises)), float(unusual[1] - unusual[0])
    at, slope = miss[:, rows, best], np.gradient(miss, step, axis=2)[:, rows, best]
    stiff = (slope**2).sum(axis=0)
    move = np.clip(-(at * slope).sum(axis=0) / stiff, -step, step)
    misses = ((at + slope * move) ** 2).sum(axis=0)
    heights = LIKELY_HEIGHT * np.exp((unusual[best] + move) * HEIGHT_LOG_SD)
    return Rises(-0.5 * (misses + np.log(stiff)), misses, heights)


def usual_reflection(pose: GridPose, rod: Rod) -> Array:
    """Ends (2, 2) of the reflected axis at the usual rise and height, undistorted pixels."""
    ends = reflections(pose, rod, np.radians([RISE_DEG]), np.array([LIKELY_HEIGHT]))
    return np.asarray(ends[0, 0])
