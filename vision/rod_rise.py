"""How steeply a rod rises above a mirror, from the whole of its reflection at once.

In: a colour picture, the sheet's plane and the rod's limbs. Out: the log-likelihood of each rise.

Given the plane through the camera and the rod's axis, rise and height fix where both limbs of the
reflection lie. For each rise and height the colour steps along the two predicted limbs are
compared with the steps found anywhere near: a stretch whose step is among the largest speaks for
that rise, one with hardly a step against it, one that is hidden or inked not at all. Heights are
summed over (a marginal likelihood; JCGM 101:2008 for the use of distributions).

Ink leaves edges of its own behind however it is taken out. So it is done in two ways, each with
its own remains: ink and a margin hidden, or ink alone, filled from what lies around it
(normalised convolution; Knutsson & Westin, CVPR 1993). The mean of both counts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.grid import GridPose
from vision.ink import Ink, lattices, sheet_scale
from vision.rod import Rod
from vision.rod_mirrored import axes_above, half_widths, height_log_prior, reflections
from vision.rod_sight import hidden_by_rod, image_points

Array = NDArray[np.float64]
Floats = NDArray[np.float32]

RISES_DEG = np.arange(9.0, 33.1, 1.0)  # twice as many tell no more
LEAST_HEIGHT, MOST_HEIGHT = 0.6, 4.2  # of the axis above the sheet at the rod's lower end, widths
HEIGHT_STEP_PX = 1.5
# the limbs found may begin and end these shares of their length before the rod does
BELOW, ABOVE = 0.35, 0.2
LATEST_START, EARLIEST_END = 0.25, 0.75  # of the reflection, in the same measure
STRETCH_PX, PER_STRETCH = 9.0, 5  # long enough to average noise, and how often it is sampled
LEAST_SEEN = 2  # samples of a stretch in sight
# a limb of the reflection shows no step along this share; elsewhere rank r of its step among all
# steps (0 the largest) is distributed as SHAPE r^(SHAPE - 1)
BLIND, SHAPE, LEAST_RANK = 0.3, 0.2, 0.003
ONE_LIMB = 0.5  # what a limb counts whose partner is missing: other edges come singly
ALIKE = 0.4  # the same step inwards on both sides: the inside has one colour, and so has the ground
INDEPENDENT = 0.72  # stretches beside one another are not independent
ELSE = 0.007  # what a rise keeps however badly it fits: the edges seen may be something else's
LEAST_SEEN_STEPS = 50
SIZE_BINS = 2000
FILLED_FROM = ((2.0, 1.0), (5.0, 1e-2), (12.0, 1e-4))  # px around, and what it counts
# ink of bold lines: this near to a line (pitches) and that near to its colour (share of contrast)
INK_REACH, INK_LIKE = 0.1, 0.35


@dataclass(frozen=True)
class Reflections:
    """Predicted limbs by rise and height: ends of the axis (R, H, 2, 2), half widths (R, H, 2)."""

    ends: Array
    half: Array
    heights: Array  # in rod widths


def rise_likelihood(rgb: NDArray[np.uint8], ink: Ink, rod: Rod) -> Array | None:
    """Log-likelihood of each of `RISES_DEG`, about 0 at the likeliest.

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
    predicted = _predicted(ink.pose, rod)
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
    evidence = []
    for view in _views(rgb, ink, rod, low, high):
        found = _evidence(predicted, view, low)
        if found is None:
            return None
        evidence.append(found)
    value = np.mean(evidence, axis=0) + height_log_prior(predicted.heights)
    top = value.max(axis=1)
    out = top + np.log(np.exp(value - top[:, None]).sum(axis=1))
    return np.log(np.exp(out - out.max()) + ELSE)


@dataclass(frozen=True)
class _View:
    """A part of the picture without ink: colour gradients (0 out of sight) and what is in sight."""

    by_x: Floats
    by_y: Floats
    seen: Floats
    ends_known: bool  # whether the whole of the predicted limbs is asked for


def _evidence(predicted: Reflections, view: _View, low: NDArray[np.int_]) -> Array | None:
    """Log-likelihood ratio of each rise and height (R, H), None where too little is seen."""
    measured = [
        _along_limbs(e, w, view, low) for e, w in zip(predicted.ends, predicted.half, strict=True)
    ]
    everywhere = np.sort(np.concatenate([size[ok] for size, ok, _ in measured]))
    if len(everywhere) < LEAST_SEEN_STEPS:
        return None
    bins = np.linspace(0.0, math.sqrt(float(everywhere[-1])) + 1e-6, SIZE_BINS)
    rank = 1 - np.searchsorted(everywhere, bins**2) / (len(everywhere) + 1)
    gains = np.log(BLIND + (1 - BLIND) * SHAPE * np.maximum(rank, LEAST_RANK) ** (SHAPE - 1))
    out = np.empty((len(measured), len(predicted.heights)))
    for k, (size, ok, cosine) in enumerate(measured):
        which = np.minimum(np.sqrt(size) * ((SIZE_BINS - 1) / bins[-1]) + 0.5, SIZE_BINS - 1)
        gain = np.where(ok, gains[which.astype(np.intp)], 0.0)
        less, more = np.minimum(gain[:, 0], gain[:, 1]), np.maximum(gain[:, 0], gain[:, 1])
        both = ok[:, 0] & ok[:, 1]
        total = less + more * np.where(both & (less < 0) & (more > 0), ONE_LIMB, 1.0)
        total += ALIKE * np.where(both & (less > 0), cosine, 0.0)
        total *= INDEPENDENT
        out[k] = total.sum(axis=1) if view.ends_known else _between_ends(total)
    return out


def _between_ends(total: Array) -> Array:
    """Sum along the stretches (H, S), averaged over where the reflection may begin and end."""
    count = total.shape[1]
    whole = 1 + BELOW + ABOVE
    first = max(1, math.ceil(count * (BELOW + LATEST_START) / whole))
    last = min(int(count * (BELOW + EARLIEST_END) / whole), count - 1)
    run = np.concatenate([np.zeros((len(total), 1)), np.cumsum(total, axis=1)], axis=1)
    return _log_mean(-run[:, :first]) + _log_mean(run[:, last + 1 :])


def _log_mean(values: Array) -> Array:
    top = values.max(axis=1)
    return np.asarray(top + np.log(np.exp(values - top[:, None]).mean(axis=1)))


def _predicted(pose: GridPose, rod: Rod) -> Reflections:
    """Where the reflection's limbs would be for each rise and height."""
    pair = reflections(pose, rod, np.radians([20.0]), np.array([1.0, 2.0]))[0]
    moved = float(np.linalg.norm(pair[1, 0] - pair[0, 0]))  # px by one rod width of height
    count = int(np.clip((MOST_HEIGHT - LEAST_HEIGHT) * moved / HEIGHT_STEP_PX, 20, 160))
    heights = np.linspace(LEAST_HEIGHT, MOST_HEIGHT, count)
    points = axes_above(pose, rod, np.radians(RISES_DEG), heights)
    return Reflections(image_points(points, pose), half_widths(pose, rod, points), heights)


def _views(
    rgb: NDArray[np.uint8], ink: Ink, rod: Rod, low: NDArray[np.int_], high: NDArray[np.int_]
) -> tuple[_View, _View]:
    """Undistorted pixels low..high with ink hidden widely, and with ink filled in."""
    camera = ink.pose.camera
    x, y = np.meshgrid(np.arange(low[0], high[0]), np.arange(low[1], high[1]))
    coarse = np.stack([x[::4, ::4], y[::4, ::4]], axis=-1).astype(float)
    raw = _spread(camera.distort(coarse).astype(np.float32), x.shape[1::-1])
    picture = cv2.remap(
        rgb, raw[..., 0], raw[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    inside = (raw > 3).all(axis=-1) & (raw < np.array(rgb.shape[1::-1]) - 4).all(axis=-1)
    at = np.stack([x[::2, ::2], y[::2, ::2]], axis=-1).astype(float)

    def calm(share: float, most: int) -> NDArray[np.uint8]:
        """Without specks and ticks, the rod left."""
        blurred = cv2.medianBlur(picture, int(np.clip(rod.width_px / share, 3, most)) | 1)
        return np.asarray(blurred, np.uint8)

    def in_sight(calmed: NDArray[np.uint8], margin_px: float) -> Floats:
        hidden = _hidden(calmed[::2, ::2], ink, rod, at, margin_px).astype(np.float32)
        full = cv2.resize(hidden, x.shape[1::-1], interpolation=cv2.INTER_NEAREST)
        return np.asarray((full == 0) & inside, np.float32)

    wide, fine = calm(3, 11), calm(5, 7)
    seen = np.asarray(cv2.erode(in_sight(fine, 1.2), np.ones((3, 3), np.uint8)), np.float32)
    return (
        _view(wide.astype(np.float32), in_sight(wide, 2.0), 1.0, True),
        _view(_filled(fine.astype(np.float32), seen), seen, 0.9, False),
    )


def _view(picture: Floats, seen: Floats, blur_px: float, ends_known: bool) -> _View:
    smooth = cv2.GaussianBlur(picture, (0, 0), blur_px)
    by_x, by_y = (
        np.asarray(cv2.Sobel(smooth, cv2.CV_32F, k, 1 - k, ksize=3) * seen[..., None], np.float32)
        for k in (1, 0)
    )
    return _View(by_x, by_y, seen, ends_known)


def _hidden(
    picture: NDArray[np.generic], ink: Ink, rod: Rod, at: Array, margin_px: float
) -> NDArray[np.bool_]:
    """Whether ink, its ghost or the rod itself lies at each pixel of a picture."""
    pose = ink.pose
    margin = margin_px / sheet_scale(pose, (rod.axis[0] + rod.axis[1]) / 2)
    covered = ink.covers(at, margin).any(axis=-1)
    if pose.thickness is not None:  # the null's column may be bold, and its width is not known
        column = round(float(lattices(pose, rod.axis[0][None])[0][0, 0]))
        for grid in lattices(pose, at):
            covered |= np.abs(grid[..., 0] - column) < 2.0 * pose.ink_half_width + margin
    covered |= _bold_ink(picture.astype(np.float32), pose, at)
    return np.asarray(covered | hidden_by_rod(at, rod))


def _filled(picture: Floats, seen: Floats) -> Floats:
    """A picture with what is not seen replaced by the mean of what is seen around it."""
    known = picture * seen[..., None]
    total, mass = np.zeros_like(picture), np.zeros_like(seen)
    for reach, share in FILLED_FROM:
        total += share * cv2.GaussianBlur(known, (0, 0), reach)
        mass += share * cv2.GaussianBlur(seen, (0, 0), reach)
    fill = total / np.maximum(mass, 1e-9)[..., None]
    return np.where(seen[..., None] > 0, picture, fill).astype(np.float32)


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
    view: _View,
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

    shown = read(view.seen)
    across = normal.astype(np.float32)[:, :, None, None, None]
    step = read(view.by_x) * across[:, 0] + read(view.by_y) * across[:, 1]
    grouped = step[:, :, 0::PER_STRETCH].copy()
    count = shown[:, :, 0::PER_STRETCH, 0].copy()
    for k in range(1, PER_STRETCH):
        grouped += step[:, :, k::PER_STRETCH]
        count += shown[:, :, k::PER_STRETCH, 0]
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
