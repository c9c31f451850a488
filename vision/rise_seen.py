"""What a look around a rod's reflection tells of the rod's rise, as two networks see it.

In: a colour picture, the sheet's plane and the rod. Out: the log-likelihood of each rise.

Given the plane through the camera and the rod's axis, rise and height fix where the reflection
lies (`rod_mirrored`). One network turns the copy of the picture that it sees into maps of what may
tell; the other says, from what these show along and across the place that a rise and a height
would give the reflection, how likely it is there. Both were taught together, by
`tests.teach_rise`, to give the true place its share among all others: what ends, edges and
highlights are worth, and what a reflection in the reflection is, they learned from that. Heights
are summed over by how usual they are (a marginal likelihood; JCGM 101:2008 for the use of
distributions).
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.grid import GridPose
from vision.network import logits_of, part_of, rescaled, scores_of
from vision.rod import Rod
from vision.rod_around import frame, standing_ends
from vision.rod_mirrored import axes_above, half_widths, height_log_prior, usual_reflection
from vision.rod_near import IMAGE_WIDTH
from vision.rod_rise import RISES_DEG
from vision.rod_sight import image_points

Array = NDArray[np.float64]

MAPS, FITS = "rise_maps.onnx", "rise_fits.onnx"
WIDTH, HEIGHT = 224, 288  # of the copy
ACROSS_PX, LONGEST_PX = 28.0, 170.0  # the reflection's width and its greatest length in it
USUAL_AT = HEIGHT / 2 - 24  # where the usual reflection lies: others lie much farther, not nearer
HEIGHTS = np.geomspace(0.5, 5.0, 60)  # of the axis above the sheet at its lower end, rod widths
ASKED = HEIGHTS[::2]  # as good in known scenes
# what is seen of a place: from before its lower end to beyond its upper one, of its length and of
# its half width; so many steps along, and so far across, in half widths
BEFORE, BEYOND, STEPS = (0.25, 1.2), (0.4, 2.0), 28
ACROSS = np.linspace(-1.8, 1.8, 9)
CHANNELS = 12  # of the maps
TOLD = 4  # what else the second network is told of each step along a place


def places(ends: Any, half: Any, along: Any, across: Any) -> tuple[Any, Any, tuple[Any, ...]]:
    """Where a reflection's place is looked at, and what is told of each step along it.

    For NumPy's arrays as for PyTorch's.

    Parameters
    ----------
    ends : array, shape (..., 2, 2)
        Lower and upper end of the reflected axis, pixels of the copy.
    half : array, shape (..., 2)
        Half widths there.
    along : array, shape (STEPS,)
        Shares of the way from first to last.
    across : array, shape (len(ACROSS),)

    Returns
    -------
    x, y : array, shape (..., STEPS, len(ACROSS))
    told : tuple of array, shape (..., STEPS)
    """
    run = ends[..., 1, :] - ends[..., 0, :]
    length = ((run**2).sum(-1) ** 0.5).clip(min=1e-3)
    wide = half.mean(-1)
    before = BEFORE[0] * length + BEFORE[1] * wide
    whole = before + length + BEYOND[0] * length + BEYOND[1] * wide
    s = whole[..., None] * along - before[..., None]
    share = s / length[..., None]
    own = half[..., :1] + (half[..., 1:] - half[..., :1]) * share.clip(min=-0.3, max=1.5)
    ux, uy = run[..., 0] / length, run[..., 1] / length
    off = own[..., None] * across
    x = (ends[..., 0, 0, None] + ux[..., None] * s)[..., None] - uy[..., None, None] * off
    y = (ends[..., 0, 1, None] + uy[..., None] * s)[..., None] + ux[..., None, None] * off
    same = 0 * s
    told = (
        share.clip(min=-1.0, max=2.0),
        (s / wide[..., None] / 8).clip(min=-1.0, max=3.0),
        (length / wide / 8)[..., None] + same,
        own / (ACROSS_PX / 2),
    )
    return x, y, told


def frame_around(pose: GridPose, rod: Rod) -> Array:
    """Frame (2, 3), from pixels of the photo to those of the copy, around the usual reflection."""
    return frame_of(
        pose.camera.distort(usual_reflection(pose, rod)),
        pose.camera.distort(np.array(rod.axis)),
        IMAGE_WIDTH * rod.width_px,
    )


def frame_of(seen: Array, rod: Array, width: float) -> Array:
    """Frame around a reflection with ends ``seen`` of a rod with ends ``rod``, both (2, 2)."""
    low, high = standing_ends(seen, rod, width)
    return frame(low, high, width, LONGEST_PX, USUAL_AT, ACROSS_PX, WIDTH)


def rises_told(rgb: NDArray[np.uint8], pose: GridPose, rod: Rod, factor: float = 1.0) -> Array:
    """Log-likelihood (len(RISES_DEG),) of each rise, 0 at the likeliest.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (height, width, 3)
    pose : GridPose
    rod : Rod
        Like ``pose``, in pixels of the working picture.
    factor : float
        Pixels of the working picture a pixel of ``rgb``.
    """
    framed = frame_around(pose, rod)
    copy = part_of(rgb, rescaled(framed, factor), (WIDTH, HEIGHT))
    points = axes_above(pose, rod, np.radians(RISES_DEG), ASKED)
    ends = pose.camera.distort(image_points(points, pose).reshape(-1, 2)) @ framed[:, :2].T
    ends = (ends + framed[:, 2]).reshape(-1, 2, 2)
    half = np.linalg.norm(framed[:, 0]) * half_widths(pose, rod, points).reshape(-1, 2)
    each = fits(copy, ends, half).reshape(len(RISES_DEG), len(ASKED))
    log = np.logaddexp.reduce(each + height_log_prior(ASKED), axis=1)
    return np.asarray(log - log.max())


def fits(copy: NDArray[np.uint8], ends: Array, half: Array) -> Array:
    """What speaks for each of some places (N,), ends (N, 2, 2) and half widths (N, 2) in a copy."""
    maps = logits_of(MAPS, copy, lean=True)
    along = ((np.arange(STEPS) + 0.5) / STEPS).astype(np.float32)
    x, y, told = places(
        ends.astype(np.float32), half.astype(np.float32), along, ACROSS.astype(np.float32)
    )
    flat = (len(ends), -1)
    x, y = x.reshape(flat), y.reshape(flat)
    seen = [
        cv2.remap(
            np.ascontiguousarray(maps[k : k + 4].transpose(1, 2, 0)), x, y, cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        for k in range(0, CHANNELS, 4)
    ]  # fmt: skip
    shape = (len(ends), STEPS, len(ACROSS) * CHANNELS)
    looked = np.concatenate(seen, axis=-1).reshape(shape)
    looked = np.concatenate([looked, np.stack(told, axis=-1)], axis=-1)
    return scores_of(FITS, np.asarray(looked, np.float32))
