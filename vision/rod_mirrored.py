"""Where a rod that is seen, and its reflection in the mirror below, lie for each rise and height.

In: the sheet's plane and the rod's limbs, rises and heights. Out: the axis in grid axes, and where
its reflection is seen. Given the plane through the camera and the rod's axis, rise and height fix
both.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.grid import GridPose
from vision.ink import local_rays
from vision.rod import RISE_DEG, Rod
from vision.rod_sight import axis_normal, direction, image_points, turns_for_rises

Array = NDArray[np.float64]

# of the axis above the sheet at the rod's lower end, in rod widths: a stylus 0.2-0.8 mm long
# under a rod 0.2-0.7 mm thick
LEAST_HEIGHT, LIKELY_HEIGHT, MOST_HEIGHT, HEIGHT_LOG_SD = 0.4, 1.45, 5.0, 0.4


def height_log_prior(heights: Array) -> Array:
    """How usual heights (rod widths) are: logarithm of the prior, 0 at the likeliest."""
    unusual = np.log(heights / LIKELY_HEIGHT) / HEIGHT_LOG_SD
    return np.asarray(-0.5 * unusual**2)


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


def reflections(pose: GridPose, rod: Rod, rises: Array, heights: Array) -> Array:
    """Lower and upper end (R, H, 2, 2) of the reflections of `axes_above`, undistorted pixels."""
    return image_points(axes_above(pose, rod, rises, heights), pose)


def half_widths(pose: GridPose, rod: Rod, points: Array) -> Array:
    """Half widths (..., 2), px, of reflections of the ends (..., 2, 3) of a rod that is seen."""
    eye = -pose.origin @ pose.rotation
    limbs = ((rod.left.p, rod.right.p), (rod.left.q, rod.right.q))
    half = [float(np.linalg.norm(b - a)) / 2 for a, b in limbs]
    near = np.linalg.norm(points - eye, axis=-1)
    far = np.linalg.norm(points * (1, 1, -1) - eye, axis=-1)
    return np.asarray(half * near / far)


def usual_reflection(pose: GridPose, rod: Rod) -> Array:
    """Ends (2, 2) of the reflected axis at the usual rise and height, undistorted pixels."""
    ends = reflections(pose, rod, np.radians([RISE_DEG]), np.array([LIKELY_HEIGHT]))
    return np.asarray(ends[0, 0])
