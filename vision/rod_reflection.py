"""The reflection of a rod in the mirror below it, as a nearer look shows it -> its axis.

In: a colour picture, the sheet's plane and the rod. Out: `Image`, or None. The first look is where
a reflection usually lies, the second about what the first one shows.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vision.grid import GridPose
from vision.ink import local_rays
from vision.rod import RISE_DEG, RISE_U_DEG, Limb, Rod
from vision.rod_kinds import ROD_IMAGE
from vision.rod_mirrored import reflections, rises_of, usual_reflection
from vision.rod_near import IMAGE_WIDTH, Near, Sides, frame, look, sides_of
from vision.rod_sight import Image, axis_normal, direction, matters, turn_for_rise

Array = NDArray[np.float64]
LOOKS = 2
LEAST_OVERLAP = 0.7
NEXT_SD = 0.04  # rod widths, radians: how near the second look keeps to what the first one shows
RISES = np.radians(np.arange(8.0, 34.0, 0.5))


def find_image(
    rgb: NDArray[np.uint8], pose: GridPose, rod: Rod, factor: float = 1.0
) -> Image | None:
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
    Image or None
        None where none is shown, or where it would not change the reading.
    """
    if not matters(axis_normal(rod, pose)):
        return None
    ends, image = usual_reflection(pose, rod), None
    for _ in range(LOOKS):
        if image is not None:
            ends = _place(pose, rod, image)
        seen = pose.camera.distort(ends)
        near = look(rgb, frame(seen[0], seen[1], IMAGE_WIDTH * rod.width_px), factor)
        sides = sides_of(near, ROD_IMAGE, _end_on(pose, rod, ends), _width(rod, near, seen))
        if sides is None or sides.overlap < LEAST_OVERLAP:
            return None
        image = _image(near, sides, pose)
    return image


def _end_on(pose: GridPose, rod: Rod, ends: Array) -> float:
    """Cosine of the angle between a usual rod and the reflected line of sight."""
    rise = math.radians(RISE_DEG)
    d = direction(turn_for_rise(axis_normal(rod, pose), rise), rise)
    return abs(float(d @ (local_rays(ends.mean(axis=0), pose) * (1, 1, -1))))


def _width(rod: Rod, near: Near, seen: Array) -> tuple[float, float]:
    """Half width of the reflection at the copy's middle and its growth upwards, as the rod's."""
    low, high = (
        IMAGE_WIDTH * float(np.linalg.norm(b - a)) / 2 * near.across
        for a, b in ((rod.left.p, rod.right.p), (rod.left.q, rod.right.q))
    )
    return (low + high) / 2, (high - low) / (float(np.linalg.norm(seen[1] - seen[0])) * near.along)


def _image(near: Near, sides: Sides, pose: GridPose) -> Image:
    offset_sd = sides.offset_sd / near.across
    angle_sd = sides.slope_sd * near.along / near.across

    def line(sign: float, low: float, high: float) -> Limb:
        p, q = pose.camera.undistort(sides.ends(near, sign, low, high))
        return Limb(p, q, offset_sd, angle_sd, offset_sd, 1.0, 1.0, np.empty((0, 2)))

    half = max(
        min(sides.high - sides.pivot, sides.pivot - sides.low), (sides.high - sides.low) / 4, 1.0
    )
    return Image(
        line(0.0, sides.pivot - half, sides.pivot + half),  # its middle: where the pivot is
        (line(-1.0, sides.low, sides.high), line(1.0, sides.low, sides.high)),
        sides.overlap,
    )


def _place(pose: GridPose, rod: Rod, image: Image) -> Array:
    """Ends of the reflected axis at the likeliest rise and height, as near as can be to it."""
    axis = replace(image.axis, offset_sd=NEXT_SD * rod.width_px, angle_sd=NEXT_SD)
    seen = rises_of(pose, rod, axis, RISES)
    unusual = ((np.degrees(RISES) - RISE_DEG) / RISE_U_DEG) ** 2
    k = int(np.argmin(seen.misses + unusual))
    return np.asarray(reflections(pose, rod, RISES[[k]], seen.heights[[k]])[0, 0])
