"""A look at all around a rod, or around its reflection, that a network takes.

In the copy that it sees a rod stands upright, `ACROSS_PX` wide where it fits in. The network says
the same six kinds as `rod_kinds`; taught from several thousand scenes over mirrors, it knows
reflections that are seen nearly end-on, turned or far from where they usually lie. On the rod
itself it is a second witness beside `rod_near`, whose errors are its own.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vision.network import part_of, rescaled, shares_of
from vision.rod_kinds import RodOutline
from vision.rod_near import LEAST_OVERLAP, Near, sides_of

Array = NDArray[np.float64]

FILE = "rod_around.onnx"
WIDTH, HEIGHT = 160, 224  # of the copy
ACROSS_PX, ALONG_PX = 20.0, 175.0  # a rod's width and its greatest length in it
LEAST_LONG = 0.6  # widths; a shorter reflection has no direction, the rod's own is taken
TIMES = 1.5  # of what it shows' uncertainty, to a nearer look's: known scenes


def frame(
    low: Array,
    high: Array,
    width: float,
    long: float = ALONG_PX,
    middle: float = HEIGHT / 2,
    across: float = ACROSS_PX,
    wide: int = WIDTH,
) -> Array:
    """Matrix from pixels of the photo to pixels of the copy.

    Parameters
    ----------
    low, high : ndarray, shape (2,)
        Lower and upper end of an axis, pixels of the photo; it comes to stand upright.
    width : float
        Of the rod, pixels of the photo.
    long : float
        Greatest length of the axis in the copy.
    middle : float
        How far down in the copy its middle lies.
    across : float
        The width in the copy, where ``long`` allows it.
    wide : int
        Of the copy.

    Returns
    -------
    ndarray, shape (2, 3)
        ``copy = frame[:, :2] @ photo + frame[:, 2]``
    """
    run = high - low
    length = max(float(np.linalg.norm(run)), 1e-9)
    up = run / length
    k = min(across / width, long / length)
    turn = k * np.array([[-up[1], up[0]], -up])
    return np.column_stack([turn, np.array([wide / 2, middle]) - turn @ ((low + high) / 2)])


def standing_ends(seen: Array, rod: Array, width: float) -> Array:
    """What of a reflection comes to stand upright: its ends, or of a short one some of the rod's.

    Parameters
    ----------
    seen, rod : ndarray, shape (2, 2)
        Lower and upper end of the reflection and of the rod, pixels of the photo.
    width : float
        Of the reflection.

    Returns
    -------
    ndarray, shape (2, 2)
    """
    if np.linalg.norm(seen[1] - seen[0]) >= LEAST_LONG * width:
        return seen
    low, high = rod
    up = LEAST_LONG / 2 * width * (high - low) / np.linalg.norm(high - low)
    return np.asarray(seen.mean(axis=0) + np.array([-up, up]))


def copy_of(rgb: NDArray[np.uint8], framed: Array, factor: float = 1.0) -> NDArray[np.uint8]:
    """The copy that this network sees; all that comes in is as for `rod_near.look`."""
    return part_of(rgb, rescaled(framed, factor), (WIDTH, HEIGHT))


def shown_in(copy: NDArray[np.uint8], framed: Array) -> Near:
    """What the pixels of a copy show."""
    return Near(shares_of(FILE, copy), framed)


def second_outline(
    rgb: NDArray[np.uint8], outline: RodOutline, end_on: float, factor: float = 1.0
) -> RodOutline:
    """The mean of a rod's outline and of the one that this look shows.

    All that comes in is as for `rod_near.nearer`.

    Returns
    -------
    RodOutline
        What was given where this look shows no rod.
    """
    framed = frame(*outline.axis, outline.width)
    near = shown_in(copy_of(rgb, framed, factor), framed)
    sides = sides_of(near, end_on)
    if sides is None or sides.overlap < LEAST_OVERLAP:
        return outline
    left, right = (sides.ends(near, sign, sides.low, sides.high) for sign in (-1.0, 1.0))
    sds = (TIMES * sides.offset_sd / near.across, TIMES * sides.slope_sd)
    return joined(outline, replace(outline, left=left, right=right, sds=sds))


def joined(one: RodOutline, two: RodOutline) -> RodOutline:
    """The weighted mean of two outlines of a rod, with the first one's ends.

    Offset and direction are weighed apart. Where the two differ by more than their uncertainties
    allow, these grow until they do (Birge, Phys. Rev. 40 (1932) 207).
    """
    low, high = one.axis
    run = high - low
    length = float(np.linalg.norm(run))
    up = run / length
    side = np.array([-up[1], up[0]])

    def beside(line: Array) -> tuple[float, float]:
        """Distance at the first outline's middle and slope of a side, to its right."""
        d = line[1] - line[0]
        slope = float(d @ side) / float(d @ up)
        start = line[0] - low
        return float(start @ side) + slope * (length / 2 - float(start @ up)), slope

    (a, b), (c, d) = ([beside(line) for line in (v.left, v.right)] for v in (one, two))
    away = ((c[0] + d[0]) - (a[0] + b[0])) / 2
    turned = ((c[1] + d[1]) - (a[1] + b[1])) / 2
    sds, moved = [], []
    for own, other, miss in ((one.offset_sd, two.offset_sd, away),
                             (one.angle_sd, two.angle_sd, turned)):  # fmt: skip
        both = own**2 + other**2
        sds.append(own * other / both**0.5 * max(1.0, abs(miss) / both**0.5))
        moved.append(miss * own**2 / both)
    ends = []
    for (at, slope), (at_two, _) in ((a, c), (b, d)):
        wide = ((at_two - away) - at) / 2  # half of what the second outline is wider by, here
        run_at = np.array([-0.5, 0.5]) * length
        across = at + wide + moved[0] + (slope + moved[1]) * run_at
        ends.append(low + (run_at + length / 2)[:, None] * up + across[:, None] * side)
    return replace(one, left=ends[0], right=ends[1], sds=(sds[0], sds[1]))
