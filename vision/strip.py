"""A picture straightened about a line: straight edges along it, printed ink passed over.

Blocks along the line are averaged before edges are looked for, so that faint ones rise out of the
noise. Edges are found by a local Radon sum; a pair of them is judged by the best unbroken stretch
along which both are seen (maximum-sum run, Bentley 1984, Comm. ACM 27).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.ink import Ink, sheet_scale
from vision.rod import Limb, bent

Array = NDArray[np.float64]
Floats = NDArray[np.float32]
Line = tuple[Array, Array]  # lower and upper end, undistorted pixels

NEXT_PX, ALONG = 4.0, 0.04  # px from an edge to the next; slope (px per px) that nearly follows it
LEAST_OUTSIDE = 0.4  # evidence of an edge outside another one
BLOCK_PX = 7.0  # length averaged before edges are looked for


@dataclass(frozen=True)
class Strip:
    """A picture straightened about an axis: blocks along it, pixels across it.

    ``near`` is the evidence (0-1) of a colour step within a pixel of each place, ``clear`` where
    it could be seen apart from edges of ink, ``colour`` the block means with printed rows left out.
    """

    low: Array
    along: Array
    normal: Array
    stations: Array  # px along the axis from ``low``, block centres
    across: Array
    near: Floats
    clear: NDArray[np.bool_]
    colour: Floats
    inked: NDArray[np.bool_]
    noise: float

    def line(self, offset: float, slope: float, first: float, last: float) -> Line:
        """Undistorted ends of the line at ``offset`` + ``slope`` x station."""
        a, b = (
            self.low + s * self.along + (offset + slope * s) * self.normal for s in (first, last)
        )
        return a, b

    def read(self, values: NDArray[np.generic], offset: float, slope: float) -> Array:
        """Values along such a line, block by block."""
        where = offset + slope * self.stations
        column = np.round((where - self.across[0]) / (self.across[1] - self.across[0]))
        column = np.clip(column, 0, len(self.across) - 1).astype(int)
        return np.asarray(values[np.arange(len(self.stations)), column])

    def edge_along(self, limb: Limb) -> Edge:
        """A fitted limb as an edge of the strip."""
        (s0, t0), (s1, t1) = (
            ((v - self.low) @ self.along, (v - self.low) @ self.normal) for v in limb.ends
        )
        slope = (t1 - t0) / (s1 - s0)
        return Edge(float(t0 - slope * s0), float(slope), 1.0)


def straightened(
    rgb: NDArray[np.uint8],
    ink: Ink,
    axis: Line,
    half: float,
    more: tuple[float, float],
) -> Strip | None:
    """Picture straightened about an axis.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (height, width, 3)
    ink : Ink
        Rows count as unseen; the thing may lie over a column: there only edges of ink are passed
        over.
    axis : Line
    half : float
        Pixels each side.
    more : (float, float)
        Pixels beyond the axis' lower and upper end.
    """
    pose = ink.pose
    low, high = axis
    length = float(np.linalg.norm(high - low))
    d = (high - low) / length
    normal = np.array([-d[1], d[0]])
    n = int((length + sum(more)) / BLOCK_PX)
    if n < 6:
        return None
    stations = -more[0] + (np.arange(n) + 0.5) * BLOCK_PX
    inner = np.linspace(-0.5, 0.5, int(BLOCK_PX) + 1)[:-1] * BLOCK_PX + 0.5
    s = (stations[:, None] + inner).ravel()
    across = np.arange(-half, half + 0.01, 1.0)
    raw = bent(pose, low + s[:, None] * d, normal, across)
    picture = cv2.remap(
        rgb, raw[..., 0], raw[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    ).astype(np.float32)
    scale = sheet_scale(pose, (low + high) / 2)
    coarse = low + s[::3, None, None] * d + across[None, ::2, None] * normal
    covered = ink.covers(coarse, 0.7 / scale)
    any_ink = np.asarray(covered.any(axis=-1))
    inked = cv2.resize(any_ink[1::2].astype(np.float32), (len(across), n)) > 0.3
    unseen = covered[..., 1]
    shown = ~unseen & (
        (raw[::3, ::2] > 2) & (raw[::3, ::2] < (rgb.shape[1] - 3, rgb.shape[0] - 3))
    ).all(axis=-1)
    size = picture.shape[1::-1]
    weight = cv2.resize(shown.astype(np.float32), size, interpolation=cv2.INTER_NEAREST)
    tolerance = 2.5 / scale + 0.12 * pose.ink_half_width
    beside = ink.edge_near(coarse, tolerance).astype(np.float32)
    near_ink = cv2.resize(beside, size, interpolation=cv2.INTER_NEAREST)
    full = np.dstack([picture * weight[..., None], weight])
    blocks = full.reshape(n, len(inner), len(across), 4).mean(axis=1)
    calm = cv2.blur(blocks, (2, 1), anchor=(0, 0), borderType=cv2.BORDER_REPLICATE)
    mass = calm[..., 3]
    mean = calm[..., :3] / np.maximum(calm[..., 3:], np.float32(1e-3))
    step = np.zeros(mass.shape, np.float32)
    difference = mean[:, 3:] - mean[:, :-3]
    step[:, 2:-1] = np.sqrt(np.einsum("ijk,ijk->ij", difference, difference))
    clear = np.zeros(step.shape, bool)
    clear[:, 2:-1] = np.minimum(mass[:, 3:], mass[:, :-3]) > 0.35
    clear &= near_ink.reshape(n, len(inner), len(across)).mean(axis=1) < 0.5
    step[~clear] = 0
    noise = float(np.median(step[clear])) + 0.8 if clear.any() else 1.0
    peak = step >= 0.9 * np.asarray(cv2.dilate(step, np.ones((1, 5), np.uint8)))
    edge = np.where(peak, np.clip((step / noise - 1.2) / 3.0, 0, 1), 0).astype(np.float32)
    near = np.asarray(cv2.dilate(edge, np.ones((1, 3), np.uint8)), np.float32)
    return Strip(
        low,
        d,
        normal,
        np.asarray(stations, float),
        np.asarray(across, float),
        near,
        clear,
        np.asarray(mean, np.float32),
        np.asarray(inked),
        noise,
    )


@dataclass(frozen=True)
class Edge:
    """A straight edge: px across at station 0, px across per px along, and evidence (0-1)."""

    offset: float
    slope: float
    strength: float


def _edges(strip: Strip, rows: NDArray[np.bool_], most: int = 8) -> list[Edge]:
    """Straight edges in a strip with the most step along them, by a Radon sum over ``rows``."""
    s = strip.stations[rows]
    clear = strip.clear[rows]
    middle, reach = float(s.mean()), float(np.ptp(s)) / 2
    t = (s - middle) / reach
    offsets = np.arange(strip.across[0] + 3, strip.across[-1] - 2.9, 1.0)
    turn_most = min(0.17 * reach, 32.0)
    turns = np.linspace(-turn_most, turn_most, 2 * math.ceil(turn_most / 1.5) + 1)
    where = offsets[:, None, None] + turns[None, :, None] * t
    column = np.clip(np.round(where - strip.across[0]), 0, len(strip.across) - 1).astype(np.intp)
    flat = column + np.arange(len(s)) * len(strip.across)
    total = strip.near[rows].ravel()[flat].sum(axis=2)
    visible = clear.ravel()[flat].sum(axis=2)
    score = total / np.maximum(visible, 0.35 * len(s))
    out: list[Edge] = []
    best = float(score.max())
    for _ in range(most):
        i, j = np.unravel_index(int(np.argmax(score)), score.shape)
        if score[i, j] < max(0.18, 0.25 * best):
            break
        a, b = float(offsets[i]), float(turns[j])
        out.append(Edge(a - b * middle / reach, b / reach, float(score[i, j])))
        cross = np.abs(offsets[:, None] - a)
        score[cross < 2.6 + 0.6 * np.abs(turns[None, :] - b)] = 0
    return out


def all_edges(strip: Strip, rows: NDArray[np.bool_], most: int = 12) -> list[Edge]:
    """Edges along the whole stretch, and along its upper and its lower part."""
    which = np.flatnonzero(rows)
    parts = [which]
    if len(which) >= 16:
        third = len(which) // 3
        parts += [which[: 2 * third], which[third:]]
    if len(which) >= 24:
        half = len(which) // 2
        parts += [which[:half], which[half:]]
    out: list[Edge] = []
    length = float(strip.stations[which[-1]])
    for part in parts:
        chosen = np.zeros(len(rows), bool)
        chosen[part] = True
        for e in _edges(strip, chosen):
            ends = [
                [abs(e.offset - o.offset + (e.slope - o.slope) * s) for o in out]
                for s in (0.0, length)
            ]
            if not out or (np.maximum(ends[0], ends[1]) > 2.5).all():
                out.append(e)
    return sorted(out, key=lambda e: -e.strength)[:most]


def evidence(strip: Strip, one: Edge, two: Edge) -> tuple[float, float, float]:
    """Summed evidence (px) of the best stretch of a pair of edges, and its two ends."""
    seen, value = [], []
    for e in (one, two):
        seen.append(strip.read(strip.clear, e.offset, e.slope).astype(bool))
        value.append(_lasting(strip.read(strip.near, e.offset, e.slope)))
    left = np.where(seen[0], value[0], 0.65 * value[1])
    right = np.where(seen[1], value[1], 0.65 * value[0])
    middle = float(np.median(strip.stations))
    width = two.offset - one.offset + (two.slope - one.slope) * middle
    depth = float(np.clip(0.4 * width, 2.0, 6.0))
    out_l = strip.read(strip.colour, one.offset - depth, one.slope)
    out_r = strip.read(strip.colour, two.offset + depth, two.slope)
    in_l = strip.read(strip.colour, one.offset + depth, one.slope)
    in_r = strip.read(strip.colour, two.offset - depth, two.slope)
    # a rod differs from both sides; a bevel's colour lies between them; a scratch is no step
    apart = np.linalg.norm(out_l - out_r, axis=1)
    steps = [np.linalg.norm(o - i, axis=1) for o, i in ((out_l, in_l), (out_r, in_r))]
    distinct = 1 - np.clip(apart / np.maximum(steps[0] + steps[1], 1.0), 0, 1)
    over = strip.read(strip.inked, one.offset - depth, one.slope).astype(bool)
    over |= strip.read(strip.inked, two.offset + depth, two.slope).astype(bool)
    distinct[over] = np.maximum(distinct[over], 0.7)
    step = np.clip(np.minimum(*steps) / (3 * strip.noise), 0, 1)
    both = 0.25 * (left + right) + 0.5 * np.minimum(left, right)
    gain = both * (0.25 + 0.75 * step * (0.35 + 0.65 * distinct)) - 0.28
    gain[~seen[0] & ~seen[1]] = -0.1
    best, first, last = best_run(gain)
    if last - first < 3:
        return 0.0, 0.0, 0.0
    return best * BLOCK_PX, float(strip.stations[first]), float(strip.stations[last])


def edge_outside(
    strip: Strip, edge: Edge, sign: float, reach: float, ends: tuple[float, float]
) -> Edge | None:
    """The surest edge beside another one and nearly along it, farther out by up to ``reach`` px.

    Parameters
    ----------
    strip : Strip
    edge : Edge
    sign : float
        -1 where outside is to the left, +1 where it is to the right.
    reach : float
    ends : (float, float)
        Stations between which it is looked for.

    Returns
    -------
    Edge or None
        Its ``strength`` is the mean evidence (0-1) where it could be seen.
    """
    rows = (strip.stations >= ends[0]) & (strip.stations <= ends[1])
    s = strip.stations[rows]
    if len(s) < 5:
        return None
    away = np.arange(NEXT_PX, max(reach, NEXT_PX + 1), 1.0) * sign
    turns = np.linspace(-ALONG, ALONG, 7)
    middle = float(s.mean())
    beyond = away[:, None, None] + turns[None, :, None] * (s - middle)
    where = edge.offset + edge.slope * s + beyond
    column = np.round(where - strip.across[0]).astype(np.intp)
    inside = (column >= 0) & (column < len(strip.across)) & (beyond * sign > NEXT_PX - 1)
    flat = np.clip(column, 0, len(strip.across) - 1) + np.arange(len(s)) * len(strip.across)
    clear = strip.clear[rows].ravel()[flat] & inside
    near = strip.near[rows].ravel()[flat] * clear
    seen = clear.sum(axis=2)
    value = np.where(seen >= 0.5 * len(s), near.sum(axis=2) / np.maximum(seen, 1), 0.0)
    beside = np.pad(value, ((1, 1), (0, 0)))
    best = value + 0.25 * (beside[:-2] + beside[2:])  # evidence is spread: its middle
    i, j = np.unravel_index(int(np.argmax(best)), value.shape)
    if value[i, j] < LEAST_OUTSIDE:
        return None
    turn = float(turns[j])
    offset = edge.offset + float(away[i]) - turn * middle
    return Edge(offset, edge.slope + turn, float(value[i, j]))


def _lasting(values: Array) -> Array:
    """Values less what lasts for fewer than three of five blocks, as the ends of ticks do."""
    padded = np.concatenate([values[2:0:-1], values, values[-2:-4:-1]])
    around = np.stack([padded[k : k + len(values)] for k in range(5)])
    return np.minimum(values, np.sort(around, axis=0)[2])


def best_run(gain: NDArray[np.floating]) -> tuple[float, int, int]:
    """Largest sum over consecutive values, and the first and last of them."""
    best, run, start, first, last = 0.0, 0.0, 0, 0, 0
    for i, g in enumerate(gain):
        if run <= 0:
            run, start = 0.0, i
        run += float(g)
        if run > best:
            best, first, last = run, start, i
    return best, first, last
