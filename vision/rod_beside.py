"""What the network shows of a rod -> pairs of straight edges that may be its limbs, best first.

In: a colour picture, the sheet's plane and the rod's outline. Out: `Rod`s in undistorted pixels. In
a strip along the outline all straight edges are found; those near the outline's left side are
paired with those near its right side, fitted to sub-pixel accuracy, and judged by the length along
which both are seen and by how near the outline they lie.
"""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import product

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.grid import GridPose
from vision.ink import Ink
from vision.rod import Limb, Rod, fit_limb
from vision.rod_kinds import RodOutline
from vision.strip import Edge, Line, Strip, all_edges, evidence, straightened

Array = NDArray[np.float64]

REACH = 2.2  # pixels of what the network sees, from the outline to an edge that may be the limb
MISS_SD = 0.7  # the same, standard deviation of the outline
MOST_OF_A_SIDE, MOST_PAIRS = 4, 9
LEAST_WIDTH_PX = 4.0
DOUBT_PX = 15.0  # evidence at which two limbs are as likely something else
WIDER_SHARE, WIDER_PX = 1.15, 2.0  # at the free end, what perspective, blur and noise leave
MOST_OPENING = 0.12  # of the limbs: 0.6 mm of thickness over 5 mm
FULL_PX = 25.0  # evidence (px) of edges that needs no outline


def calm(rgb: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """A picture without specks of a pixel (median of 3 x 3), as rods are looked for in it."""
    return cv2.medianBlur(rgb, 3).astype(np.uint8, copy=False)


def rods_beside(rgb: NDArray[np.uint8], ink: Ink, outline: RodOutline) -> list[Rod]:
    """Candidate rods along an outline, best first.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (height, width, 3)
        Without specks.
    ink : Ink
        In pixels of ``rgb``.
    outline : RodOutline
        In pixels of ``rgb``.

    Returns
    -------
    list of Rod
        May be empty; ``score`` is the length (px) along which both limbs are seen.
    """
    pose = ink.pose
    left, right = (pose.camera.undistort(side) for side in (outline.left, outline.right))
    axis: Line = ((left[0] + right[0]) / 2, (left[1] + right[1]) / 2)
    reach = REACH * outline.pixel
    length = float(np.linalg.norm(axis[1] - axis[0]))
    half = float(np.linalg.norm(right - left, axis=1).max()) / 2 + 2 * reach + 8
    strip = straightened(rgb, ink, axis, half, (0.03 * length, 0.0))
    if strip is None:
        return []
    rows = (strip.stations > 0) & (strip.stations < length)
    if rows.sum() < 5:
        return []
    found = all_edges(strip, rows, most=16)
    sides = []
    for side in (left, right):
        shown = _edge(strip, side)
        near = sorted((_miss(edge, shown, length), k) for k, edge in enumerate(found))
        taken = [found[k] for miss, k in near if miss < reach][:MOST_OF_A_SIDE]
        sides.append([shown, *taken])
    pairs = [(evidence(strip, a, b)[0], a, b) for a, b in product(*sides) if b.offset > a.offset]
    pairs.sort(key=lambda p: -p[0])
    out: list[Rod] = []
    for _, one, two in pairs[:MOST_PAIRS]:
        rod = _fitted(rgb, pose, strip, one, two, (left, right), outline)
        if rod is not None and not any(_same(rod, other) for other in out):
            out.append(rod)
    return sorted(out, key=lambda r: -r.score)


def widens_to_its_end(rod: Rod) -> bool:
    """Whether a pair of limbs is wider at its free end: one is a printed line's, not the rod's.

    Rods are cylinders or taper towards the stylus; perspective adds a few per cent.
    """
    (low, high), (other_low, other_high) = ((limb.p, limb.q) for limb in (rod.left, rod.right))
    end, body = (float(np.linalg.norm(b - a)) for a, b in ((low, other_low), (high, other_high)))
    return end > WIDER_SHARE * body + WIDER_PX


def opens_too_far(rod: Rod, foreshortened: float) -> bool:
    """Whether two limbs open upwards as no taper does: one is a shadow's that starts at the end.

    ``foreshortened`` is the rod's length as seen over its own.
    """
    one, two = rod.left.q - rod.left.p, rod.right.q - rod.right.p
    opening = foreshortened * float(one[0] * two[1] - one[1] * two[0])
    return opening > MOST_OPENING * rod.left.length * rod.right.length


def outline_alone(pose: GridPose, outline: RodOutline) -> Rod:
    """The outline itself, for where no edges are seen beside it."""
    left, right = (pose.camera.undistort(side) for side in (outline.left, outline.right))
    limbs = [
        Limb(side[0], side[1], math.sqrt(2) * outline.offset_sd, math.sqrt(2) * outline.angle_sd,
             outline.offset_sd, 0.0, 0.0, side)
        for side in (left, right)
    ]  # fmt: skip
    return Rod(limbs[0], limbs[1], 1.0, float(np.linalg.norm(right - left, axis=1).mean()))


def _edge(strip: Strip, side: Array) -> Edge:
    (s0, t0), (s1, t1) = (((v - strip.low) @ strip.along, (v - strip.low) @ strip.normal)
                          for v in side)  # fmt: skip
    slope = float((t1 - t0) / (s1 - s0))
    return Edge(float(t0 - slope * s0), slope, 0.5)


def _miss(edge: Edge, shown: Edge, length: float) -> float:
    """Root mean square distance (px) of two edges along a length."""
    a, slope = edge.offset - shown.offset, edge.slope - shown.slope
    return math.sqrt(max(a * a + a * slope * length + (slope * length) ** 2 / 3, 0.0))


def _fitted(
    rgb: NDArray[np.uint8],
    pose: GridPose,
    strip: Strip,
    one: Edge,
    two: Edge,
    sides: tuple[Array, Array],
    outline: RodOutline,
) -> Rod | None:
    """Limbs fitted near two edges; None where they cannot be, or lie off the outline's sides."""
    length, pixel = float(strip.stations[-1]), outline.pixel
    edges = (one, two)
    limbs: list[Limb] = []
    for gate in (3.0, 2.0):
        limbs = []
        for edge, inward in zip(edges, (1, -1), strict=True):
            limb = fit_limb(rgb, pose, *strip.line(edge.offset, edge.slope, 0.0, length),
                            gate, inward)  # fmt: skip
            if limb is None:
                return None
            limbs.append(limb)
        edges = (strip.edge_along(limbs[0]), strip.edge_along(limbs[1]))
    left, right = limbs
    middle = length / 2
    gap = edges[1].offset - edges[0].offset + (edges[1].slope - edges[0].slope) * middle
    if gap < LEAST_WIDTH_PX:
        return None
    misses = [_miss(e, _edge(strip, s), length) for e, s in zip(edges, sides, strict=True)]
    if max(misses) > REACH * pixel:
        return None
    seen = evidence(strip, *edges)[0]
    miss = math.hypot(*misses) / (MISS_SD * pixel)
    whole = min(left.coverage, 0.7) * min(right.coverage, 0.7) / 0.49
    for limb in limbs:
        whole /= 1 + (limb.scatter_px / 0.4) ** 2
    score = (seen + FULL_PX) * math.sqrt(whole) / (1 + 0.5 * miss**2)
    # where little of the rod is seen, its limbs may be something else
    doubt = math.hypot(1.0, DOUBT_PX / max(seen * math.sqrt(whole), 1e-3))
    left, right = (
        _with_outline(limb, doubt, side, outline) for limb, side in zip(limbs, sides, strict=True)
    )
    return Rod(left, right, score, float(gap))


def _with_outline(limb: Limb, doubt: float, side: Array, outline: RodOutline) -> Limb:
    """The weighted mean of a limb and of the outline's side along it.

    Both sides of an outline are off by the same, so that each of them weighs half.
    """
    offset_sd, angle_sd = doubt * limb.offset_sd, doubt * limb.angle_sd
    d = (limb.q - limb.p) / limb.length
    normal = np.array([-d[1], d[0]])
    middle = (limb.p + limb.q) / 2
    run = (side[1] - side[0]) / float((side[1] - side[0]) @ d)
    at = side[0] + run * float((middle - side[0]) @ d)
    away, turn = float((at - middle) @ normal), float(run @ normal)
    wo = offset_sd**2 / (offset_sd**2 + 2 * outline.offset_sd**2)
    wa = angle_sd**2 / (angle_sd**2 + 2 * outline.angle_sd**2)
    half = wa * turn * limb.length / 2 * normal
    moved = wo * away * normal
    return replace(
        limb,
        p=limb.p + moved - half,
        q=limb.q + moved + half,
        offset_sd=offset_sd * math.sqrt(1 - wo),
        angle_sd=angle_sd * math.sqrt(1 - wa),
    )


def _same(rod: Rod, other: Rod, px: float = 1.5) -> bool:
    return all(
        max(float(np.linalg.norm(a.p - b.p)), float(np.linalg.norm(a.q - b.q))) < px
        for a, b in ((rod.left, other.left), (rod.right, other.right))
    )
