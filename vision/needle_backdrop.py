"""Whether what lies just outside an edge is the backdrop, or still the stylus.

The backdrop of a close-up is out of focus and so changes slowly. Beside a stylus' own outline the
colour next to the edge is that found further out; beside a facet's edge, a highlight or the rim of
a shadow inside the outline it is the stylus' colour, and differs from what lies further out by more
than the backdrop differs from itself.
"""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from vision.needle_shape import HEIGHT_BIAS, SIDES, Frame, Grey, Shape, as_row

Array = NDArray[np.float64]

INSIDE_PX, NEAR_PX = 3.0, (2.5, 3.5)  # of the straightened copy, from the edge
BLUR_SHARE = 0.08  # of an edge's own step, that its blur may leave there
FAR = np.array([0.3, 0.45, 0.6, 0.8])  # of the rod's thickness
ALONG = 12  # places looked at along an edge
LEAST_SEEN = 4  # of them
LEAST_FAR = 2
BELOW_ROD = 0.12  # of the rod's thickness, clear of its lower limb
FLOOR = 0.006  # square root of intensity: what compression and steps of grey may add
NOISES = 3.0  # standard errors
HALF_INSIDE = 0.8
OUTSIDE = 5  # lines looked at on either side of a shank
CLEAR_PX = 3.5  # of the copy: past the edge itself
OUT_TO = 1.2  # half widths outside
OUTSIDE_LOSS = 0.5


def departures(frame: Frame, ends: Array, outwards: Array, reflected: NDArray[np.bool_]) -> Array:
    """How much the colour just outside each edge differs from the backdrop's further out.

    Parameters
    ----------
    frame : Frame
    ends : ndarray, shape (N, 2, 2)
        Ends (u, y) of the edges in the straightened copy.
    outwards : ndarray, shape (N,)
        1 where the outside lies towards larger u, else -1.
    reflected : ndarray of bool, shape (N,)
        Edges of the mirror image, below the surface.

    Returns
    -------
    ndarray, shape (N,)
        Difference over what noise and the backdrop's own changes allow; 0 where too little of the
        backdrop is seen to tell.
    """
    colour = _beside(frame, ends, outwards, reflected)
    step, _, _ = _medians(colour[:, :1])
    near, near_noise, _ = _medians(colour[:, 1 : 1 + len(NEAR_PX)].reshape(len(ends), 1, -1, 3))
    far, far_noise, enough = _medians(colour[:, 1 + len(NEAR_PX) :])
    backdrop, _, _ = _medians(far[:, None])
    ordered = np.sort(np.where(enough[..., None], far, np.nan), axis=1)
    # of all four one may be lint, or still the stylus
    own = np.minimum(ordered[:, 2] - ordered[:, 0], ordered[:, 3] - ordered[:, 1])
    own = np.where(np.isfinite(own), own, np.fmax.reduce(ordered, axis=1) - ordered[:, 0])
    noise = np.where(enough[..., None], far_noise, 0.0).max(axis=1)
    noise = np.maximum(noise, np.nan_to_num(near_noise[:, 0]))
    allowed = FLOOR + NOISES * noise / math.sqrt(ALONG) + own
    allowed = allowed + BLUR_SHARE * np.nan_to_num(np.abs(step - near)[:, 0])
    away = np.max(np.abs(near[:, 0] - backdrop[:, 0]) / allowed, axis=1)
    told = (enough.sum(axis=1) >= LEAST_FAR) & np.isfinite(away)
    return np.where(told, away, 0.0)


def outline_share(departure: Array) -> Array:
    """1 for an edge beside the backdrop, half where it departs by `HALF_INSIDE`, and so on."""
    return np.asarray(1 / (1 + (departure / HALF_INSIDE) ** 2))


def less_inside(frame: Frame, shapes: list[Shape]) -> list[Shape]:
    """Scores lowered where what lies just outside a shape's edges is not the backdrop."""
    if not shapes:
        return shapes
    axis, _, apex, _, sides = _outlines(frame, shapes)
    ends, outwards, lengths = [], [], []
    for side, corner, free in sides:
        free = np.maximum(free - 0.08 * frame.thickness, 0)
        for start, end in ((corner, corner + free[:, None] * axis), (apex, corner)):
            ends.append(np.stack([start, end], 1))
            outwards.append(np.full(len(shapes), float(side)))
            lengths.append(np.linalg.norm(end - start, axis=1))
    count = len(ends)
    if frame.mirrored:
        ends += [e * (1.0, -1.0) for e in ends]
        outwards, lengths = 2 * outwards, 2 * lengths
    away = departures(
        frame,
        np.concatenate(ends),
        np.concatenate(outwards),
        np.arange(len(ends) * len(shapes)) >= count * len(shapes),
    ).reshape(len(ends), -1)
    weight = np.array(lengths) + 1e-6
    share = np.sum(weight * outline_share(away), axis=0) / weight.sum(axis=0)
    return [replace(s, score=s.score * float(v)) for s, v in zip(shapes, share, strict=True)]


def less_outside(field: tuple[Grey, Grey], frame: Frame, shapes: list[Shape]) -> list[Shape]:
    """Scores lowered where a clear line runs along the shank outside it.

    Facets, highlights and shading lie inside the silhouette; outside it is the backdrop.
    """
    if not shapes:
        return shapes
    axis, across, apex, width, sides = _outlines(frame, shapes)
    steps = (np.arange(8) + 0.5) / 8
    shares = (np.arange(OUTSIDE) + 0.5) / OUTSIDE
    lost = np.zeros(len(shapes))
    for side, corner, free in sides:
        free = np.maximum(0.75 * free - 0.1 * frame.thickness, 0)  # clear of rod and glue
        out = CLEAR_PX + shares * (OUT_TO * width[:, None])
        start = corner[:, None] + side * out[..., None] * across[:, None]
        points = start[:, :, None] + (steps * free[:, None])[:, None, :, None] * axis[:, None, None]
        for flip in (1.0, -1.0) if frame.mirrored else (1.0,):
            at = [flip * points[..., 1] - frame.y0, points[..., 0] - frame.u0]
            gx = map_coordinates(field[0], at, order=1, mode="nearest")
            gy = flip * map_coordinates(field[1], at, order=1, mode="nearest")
            normal = across[:, None, None]
            line = np.abs((gx * normal[..., 0] + gy * normal[..., 1]).mean(axis=2)).max(axis=1)
            lost += free * line * (0.5 if frame.mirrored else 1.0)
    height = apex[:, 1] - frame.under - frame.under_slope * apex[:, 0]
    lost /= np.maximum(height + HEIGHT_BIAS * frame.thickness, 1)
    return [
        replace(s, score=s.score - OUTSIDE_LOSS * float(v))
        for s, v in zip(shapes, lost, strict=True)
    ]


def _outlines(
    frame: Frame, shapes: list[Shape]
) -> tuple[Array, Array, Array, Array, list[tuple[int, Array, Array]]]:
    """Directions along and across, apex (each (N, 2)) and half width (N,) of shapes.

    Then for either side: its sign, where cone and shank meet (N, 2), and how far from there to the
    rod's lower limb (N,).
    """
    u, y, lean, width, cone = np.array([as_row(s) for s in shapes]).T
    lean = np.radians(lean)
    axis = np.stack([np.sin(lean), -np.cos(lean)], 1)
    across = np.stack([np.cos(lean), np.sin(lean)], 1)
    apex = np.stack([u, y], 1)
    rise = width / np.tan(np.radians(cone))
    sides = []
    for _, side in SIDES:
        corner = apex + rise[:, None] * axis + side * width[:, None] * across
        free = (corner[:, 1] - frame.under - frame.under_slope * corner[:, 0]) / (
            np.cos(lean) + frame.under_slope * np.sin(lean)
        )
        sides.append((side, corner, free))
    return axis, across, apex, width, sides


def _beside(frame: Frame, ends: Array, outwards: Array, reflected: NDArray[np.bool_]) -> Array:
    """Square root of intensity, shape (N, offsets, ALONG, 3).

    NaN where the rod or the frame's border is in the way.
    """
    along = ends[:, 1] - ends[:, 0]
    normal = np.stack([-along[:, 1], along[:, 0]], 1)
    normal *= (np.sign(normal[:, 0]) * outwards / np.maximum(np.hypot(*along.T), 1e-6))[:, None]
    out = np.concatenate([[-INSIDE_PX], NEAR_PX, FAR * frame.thickness])
    steps = 0.1 + 0.8 * (np.arange(ALONG) + 0.5) / ALONG
    on = ends[:, 0, None] + steps[:, None] * along[:, None]
    points = on[:, None] + out[:, None, None] * normal[:, None, None]
    u, y = points[..., 0], points[..., 1]
    seen = cv2.remap(
        frame.picture,
        np.asarray((u - frame.u0).reshape(len(ends), -1), np.float32),
        np.asarray((y - frame.y0).reshape(len(ends), -1), np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    colour = np.sqrt(seen.reshape(*u.shape, 3) / 255.0)
    depth = np.where(reflected[:, None, None], -y, y) - frame.under - frame.under_slope * u
    height, width = frame.inside.shape
    column = np.clip(np.rint(u - frame.u0), 0, width - 1).astype(np.intp)
    row = np.clip(np.rint(y - frame.y0), 0, height - 1).astype(np.intp)
    colour[~frame.inside[row, column] | (depth < BELOW_ROD * frame.thickness)] = np.nan
    return np.asarray(colour, float)


def _medians(colour: Array) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Median and scatter over the last axis but one, and where enough of it is no NaN."""
    count = np.isfinite(colour[..., 0]).sum(axis=-1)

    def middle(values: Array) -> Array:
        ordered = np.sort(values, axis=-2)
        low, high = np.maximum(count - 1, 0) // 2, count // 2
        high = np.minimum(high, values.shape[-2] - 1)
        pick = [np.take_along_axis(ordered, k[..., None, None], -2)[..., 0, :] for k in (low, high)]
        return np.asarray((pick[0] + pick[1]) / 2)

    centre = middle(colour)
    scatter = 1.4826 * middle(np.abs(colour - centre[..., None, :]))
    return centre, scatter, count >= min(LEAST_SEEN, colour.shape[-2])
