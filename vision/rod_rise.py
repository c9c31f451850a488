"""How steeply a rod rises above a mirror, from the whole of its reflection at once.

In: a colour picture, the sheet's plane and the rod's limbs. Out: the log-likelihood of each rise.

Given the plane through the camera and the rod's axis, rise and height fix where both limbs of the
reflection lie. For each rise and height the colour steps along the two predicted limbs are
compared with the steps found anywhere near: a stretch whose step is among the largest speaks for
that rise, one with hardly a step against it, one that is hidden or inked not at all. Heights are
summed over (a marginal likelihood; JCGM 101:2008 for the use of distributions).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.grid import GridPose
from vision.ink import Ink, lattices, local_rays, sheet_scale
from vision.rod import Rod
from vision.rod_image import axis_normal, direction, hidden_by_rod, image_points, turn_for_rise

Array = NDArray[np.float64]
Floats = NDArray[np.float32]

RISES_DEG = np.arange(9.0, 33.1, 0.5)
# of the axis above the sheet at the rod's lower end, in rod widths: a stylus 0.2-0.8 mm long
# under a rod 0.2-0.7 mm thick
LEAST_HEIGHT, LIKELY_HEIGHT, MOST_HEIGHT, HEIGHT_LOG_SD = 0.6, 1.45, 4.2, 0.4
HEIGHT_STEP_PX = 1.5
# the limbs found may begin and end these shares of their length before the rod does
BELOW, ABOVE = 0.35, 0.2
STRETCH_PX, PER_STRETCH = 9.0, 8  # long enough to average noise, and how often it is sampled
LEAST_SEEN = 3  # samples of a stretch in sight
# a limb of the reflection shows no step along this share; elsewhere rank r of its step among all
# steps (0 the largest) is distributed as SHAPE r^(SHAPE - 1)
BLIND, SHAPE, LEAST_RANK = 0.3, 0.2, 0.003
ONE_LIMB = 0.5  # what a limb counts whose partner is missing: other edges come singly
ALIKE = 0.4  # the same step inwards on both sides: the inside has one colour, and so has the ground
INDEPENDENT = 0.6  # stretches beside one another are not independent
LEAST_SEEN_STEPS = 50
# ink of bold lines: this near to a line (pitches) and that near to its colour (share of contrast)
INK_REACH, INK_LIKE = 0.1, 0.35


@dataclass(frozen=True)
class _Reflections:
    """Predicted limbs by rise and height: ends of the axis (R, H, 2, 2), half widths (R, H, 2)."""

    ends: Array
    half: Array
    heights: Array  # in rod widths


def rise_likelihood(rgb: NDArray[np.uint8], ink: Ink, rod: Rod) -> Array | None:
    """Log-likelihood of each of `RISES_DEG`, up to a constant.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (height, width, 3)
    ink : Ink
        In pixels of ``rgb``.
    rod : Rod

    Returns
    -------
    ndarray, shape (len(RISES_DEG),), or None
        None where too little of the mirror is in sight.
    """
    predicted = _reflections(ink.pose, rod)
    ends, half = predicted.ends, predicted.half
    run = ends[:, :, 1] - ends[:, :, 0]
    corners = np.concatenate([ends[:, :, 0] - BELOW * run, ends[:, :, 1] + ABOVE * run])
    corners = corners.reshape(-1, 2)
    margin = float(half.max()) + 8
    low = np.floor(corners.min(axis=0) - margin).astype(int)
    high = np.ceil(corners.max(axis=0) + margin).astype(int)
    low = np.maximum(low, -20)
    high = np.minimum(high, np.array(rgb.shape[1::-1]) + 20)
    if (high - low < 20).any():
        return None
    steps, seen = _colour_steps(rgb, ink, rod, low, high)
    measured = [_along_limbs(e, w, steps, seen, low) for e, w in zip(ends, half, strict=True)]
    everywhere = np.sort(np.concatenate([size[ok] for size, ok, _ in measured]))
    if len(everywhere) < LEAST_SEEN_STEPS:
        return None
    prior = -0.5 * (np.log(predicted.heights / LIKELY_HEIGHT) / HEIGHT_LOG_SD) ** 2
    out = np.empty(len(measured))
    for k, (size, ok, cosine) in enumerate(measured):
        rank = 1 - np.searchsorted(everywhere, size) / (len(everywhere) + 1)
        ratio = BLIND + (1 - BLIND) * SHAPE * np.maximum(rank, LEAST_RANK) ** (SHAPE - 1)
        gain = np.where(ok, np.log(ratio), 0.0)
        less, more = gain.min(axis=1), gain.max(axis=1)
        both = ok.all(axis=1)
        total = less + more * np.where(both & (less < 0) & (more > 0), ONE_LIMB, 1.0)
        total += ALIKE * np.where(both & (less > 0), cosine, 0.0)
        value = INDEPENDENT * total.sum(axis=1) + prior
        top = float(value.max())
        out[k] = top + math.log(float(np.exp(value - top).sum()))
    return out - out.max()


def _reflections(pose: GridPose, rod: Rod) -> _Reflections:
    """Where the reflection's limbs would be for each rise and height."""
    normal = axis_normal(rod, pose)
    rays = local_rays(np.array(rod.axis), pose)
    eye = -pose.origin @ pose.rotation
    width = rod.width_px / pose.camera.f * abs(eye[2] / rays[0, 2])
    half = [float(np.linalg.norm(b - a)) / 2 for a, b in _across(rod)]

    def seen(rise: float, heights: Array) -> tuple[Array, Array]:
        d = direction(turn_for_rise(normal, rise), rise)
        foot = eye + rays[0] * ((heights[:, None] - eye[2]) / rays[0, 2])
        b, w = float(d @ rays[1]), foot - eye
        run = (b * (w @ rays[1]) - w @ d) / (1 - b * b)  # to where it passes the upper ray
        points = np.stack([foot, foot + run[:, None] * d], axis=1)
        near = np.linalg.norm(points - eye, axis=-1)
        far = np.linalg.norm(points * (1, 1, -1) - eye, axis=-1)
        return image_points(points, pose), half * near / far

    pair = seen(math.radians(20), np.array([1.0, 2.0]) * width)[0]
    moved = float(np.linalg.norm(pair[1, 0] - pair[0, 0]))  # px by one rod width of height
    count = int(np.clip((MOST_HEIGHT - LEAST_HEIGHT) * moved / HEIGHT_STEP_PX, 20, 160))
    heights = np.linspace(LEAST_HEIGHT, MOST_HEIGHT, count)
    both = [seen(float(rise), heights * width) for rise in np.radians(RISES_DEG)]
    return _Reflections(np.array([e for e, _ in both]), np.array([w for _, w in both]), heights)


def _across(rod: Rod) -> list[tuple[Array, Array]]:
    return [(rod.left.p, rod.right.p), (rod.left.q, rod.right.q)]


def _colour_steps(
    rgb: NDArray[np.uint8], ink: Ink, rod: Rod, low: NDArray[np.int_], high: NDArray[np.int_]
) -> tuple[tuple[Floats, Floats], Floats]:
    """Colour gradients by x and by y over undistorted pixels low..high, and what is in sight."""
    pose = ink.pose
    x, y = np.meshgrid(np.arange(low[0], high[0]), np.arange(low[1], high[1]))
    coarse = np.stack([x[::4, ::4], y[::4, ::4]], axis=-1).astype(float)
    size = x.shape[1::-1]
    raw = _spread(pose.camera.distort(coarse).astype(np.float32), size)
    picture = cv2.remap(
        rgb, raw[..., 0], raw[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    # wide enough to take away specks and ticks, narrow enough to leave the rod
    picture = cv2.medianBlur(picture, int(np.clip(rod.width_px / 3, 3, 11)) | 1)
    smooth = cv2.GaussianBlur(picture.astype(np.float32), (0, 0), 1.0)
    by_x = np.asarray(cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=3), np.float32)
    by_y = np.asarray(cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=3), np.float32)
    at = np.stack([x[::2, ::2], y[::2, ::2]], axis=-1).astype(float)
    scale = sheet_scale(pose, (rod.axis[0] + rod.axis[1]) / 2)
    covered = ink.covers(at, 2.0 / scale).any(axis=-1)
    if pose.thickness is not None:  # the null's column may be bold, and its width is not known
        column = round(float(lattices(pose, rod.axis[0][None])[0][0, 0]))
        for grid in lattices(pose, at):
            away = np.abs(grid[..., 0] - column)
            covered |= away < 2.0 * pose.ink_half_width + 2.0 / scale
    covered |= _bold_ink(picture[::2, ::2].astype(np.float32), pose, at)
    covered |= hidden_by_rod(at, rod)
    seen = cv2.resize((~covered).astype(np.float32), size, interpolation=cv2.INTER_NEAREST)
    inside = (raw > 3).all(axis=-1) & (raw < np.array(rgb.shape[1::-1]) - 4).all(axis=-1)
    return (by_x, by_y), np.asarray(seen * inside, np.float32)


def _bold_ink(picture: Floats, pose: GridPose, at: Array) -> NDArray[np.bool_]:
    """Pixels near a line, or its ghost, that have the colour of that line's ink thereabouts."""
    out = np.zeros(at.shape[:-1], bool)
    ground = cv2.blur(picture, (41, 41))
    for grid in lattices(pose, at):
        away = np.abs(grid - np.round(grid))
        for k in (0, 1):
            core = (away[..., k] < 0.7 * pose.ink_half_width).astype(np.float32)
            share = cv2.blur(core, (25, 25))
            inked = np.asarray(cv2.blur(picture * core[..., None], (25, 25)), np.float32)
            ink = inked / np.maximum(share, 1e-3)[..., None]
            contrast = np.linalg.norm(ground - ink, axis=-1)
            like = np.linalg.norm(picture - ink, axis=-1) < np.minimum(
                INK_LIKE * contrast + 4, contrast - 4
            )
            out |= (away[..., k] < INK_REACH) & (share > 0.01) & like
    return np.asarray(cv2.dilate(out.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0)


def _spread(coarse: Floats, size: tuple[int, ...]) -> Floats:
    """Every fourth pixel's values -> all pixels', linearly."""
    x, y = np.arange(size[0], dtype=np.float32) / 4, np.arange(size[1], dtype=np.float32) / 4
    at = np.meshgrid(
        np.minimum(x, coarse.shape[1] - 1).astype(np.float32),
        np.minimum(y, coarse.shape[0] - 1).astype(np.float32),
    )
    return np.asarray(cv2.remap(coarse, at[0], at[1], cv2.INTER_LINEAR), np.float32)


def _along_limbs(
    ends: Array,
    half: Array,
    steps: tuple[Floats, Floats],
    seen: Floats,
    low: NDArray[np.int_],
) -> tuple[Floats, NDArray[np.bool_], Floats]:
    """Mean colour step across both limbs by stretch, whether it is in sight, and their likeness.

    ``ends`` (H, 2, 2) and ``half`` (H, 2) are those of one rise. Shapes (H, 2 limbs, stretches)
    twice, and (H, stretches): the cosine between the steps inwards on the two sides.
    """
    axis = (ends[:, 1] - ends[:, 0]).astype(np.float32)
    length = np.linalg.norm(axis, axis=1)
    stretches = int(np.clip(float(length.mean()) * (1 + BELOW + ABOVE) / STRETCH_PX, 1, 15))
    n = stretches * PER_STRETCH
    s = (-BELOW + (1 + BELOW + ABOVE) * (np.arange(n) + 0.5) / n).astype(np.float32)
    normal = np.stack([-axis[:, 1], axis[:, 0]], axis=1) / length[:, None]
    width = (half[:, :1] + (half[:, 1:] - half[:, :1]) * s).astype(np.float32)
    sides = np.array([-1, 1], np.float32)[None, :, None] * width[:, None, :]
    start = (ends[:, 0] - low).astype(np.float32)
    at = [
        start[:, k, None, None] + axis[:, k, None, None] * s + normal[:, k, None, None] * sides
        for k in (0, 1)
    ]
    x, y = (np.asarray(v, np.float32).reshape(len(ends), -1) for v in at)

    def read(values: Floats) -> Floats:
        got = cv2.remap(values, x, y, cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT)
        return np.asarray(got.reshape(*at[0].shape, -1), np.float32)

    shown = read(seen)
    across = normal.astype(np.float32)[:, :, None, None, None]
    step = (read(steps[0]) * across[:, 0] + read(steps[1]) * across[:, 1]) * shown
    grouped = step.reshape(len(ends), 2, stretches, PER_STRETCH, 3).sum(axis=3)
    count = shown.reshape(len(ends), 2, stretches, PER_STRETCH).sum(axis=3)
    grouped /= np.maximum(count, 1)[..., None]
    size = np.sqrt(np.einsum("hlsc,hlsc->hls", grouped, grouped))
    dot = -np.einsum("hsc,hsc->hs", grouped[:, 0], grouped[:, 1])
    cosine = dot / np.maximum(size[:, 0] * size[:, 1], 1e-6)
    beside = np.maximum(
        np.concatenate([size[1:], size[:1] * 0]), np.concatenate([size[:1] * 0, size[:-1]])
    )
    # an edge is where the step is larger than at the heights beside
    size = size * np.clip(size / np.maximum(beside, 1e-6), 0, 1) ** 4
    return size, np.asarray(count >= LEAST_SEEN), cosine
