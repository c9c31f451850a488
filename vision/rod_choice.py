"""Candidate rods -> how likely each is to be the cantilever.

A metal rod shows highlights inside its outline, and these run along it as limbs do: of two pairs of
edges, one inside the other and equally clean, the outer one is the rod. Most rods are cylinders: a
pair that opens is a cone, or a limb paired with a highlight or with something beside the rod.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import product

import numpy as np

from vision.grid import GridPose
from vision.ink import local_rays
from vision.rod import RISE_DEG, RISE_U_DEG, Rod, tilt
from vision.rod_places import along
from vision.rod_sight import axis_normal, mirrored_normal, mirrored_rays, turn_for_rise

INNER_SHARE = 0.25  # what is left of the weight of a pair inside a clean wider one
# a wider pair begins to count, and counts in full, with these shares of the inner one's score
OUTER_SHARES = (0.25, 0.5)
STRAIGHTER, SAME_LIMB_PX = 0.6, 2.5  # share of a crooked limb's scatter; limbs that are one
SHARPNESS = 2.0  # weights go with this power of the scores
LEAST_MIRRORED = 0.5  # a candidate may be the reflection of one with this share of its score
ALIKE = 1.4  # a reflection is as wide as the rod; ratio that errors of the fit leave
MOST_RISES = 2.5  # standard deviations of a usual rise
LEAST_HEIGHT, MOST_HEIGHT = 0.4, 4.5  # of a rod's axis over the sheet at its end, in widths
CONE_SHARE = 0.8  # how much a pair that opens counts against one that does not
LEAST_ROD = 8.0  # px of limb that both sides show, after all that speaks against it
MOST_RIVAL, SAME_DEG = 0.5, 1.0  # a rival elsewhere: its weight, and what counts as agreeing
CYLINDER_DEG = 0.8  # opening that perspective and errors of the fit leave a cylinder


def weights(rods: Sequence[Rod], pose: GridPose | None = None) -> np.ndarray:
    """Relative weights of candidates.

    Parameters
    ----------
    rods : sequence of Rod
    pose : GridPose, optional
        Of the sheet, which may be a mirror: what is another candidate's reflection is no rod.

    Returns
    -------
    ndarray, shape (len(rods),)
        0 to 1; the likeliest candidate has 1.
    """
    value = np.array([rod.score * _cylinder(rod) for rod in rods], float)
    out = value.copy()
    for i, inner in enumerate(rods):
        for j, outer in enumerate(rods):
            low, high = (share * value[i] for share in OUTER_SHARES)
            if i != j and value[j] > low and _inside(inner, outer):
                sure = min((value[j] - low) / max(high - low, 1e-12), 1.0)
                out[i] = min(out[i], (1 - (1 - INNER_SHARE) * sure) * value[i])
    if pose is not None:
        for i, j in product(range(len(rods)), repeat=2):
            if value[j] > LEAST_MIRRORED * value[i] and is_reflection(rods[i], rods[j], pose):
                out[i] = min(out[i], INNER_SHARE * value[j])
    out = out**SHARPNESS
    return np.asarray(out / max(out.max(initial=0.0), 1e-12))


def _cylinder(rod: Rod) -> float:
    """Preference for limbs that run parallel, mild."""
    opening = math.degrees(tilt(rod.right) - tilt(rod.left))
    return CONE_SHARE + (1 - CONE_SHARE) * math.exp(-((opening / CYLINDER_DEG) ** 2))


def _inside(inner: Rod, outer: Rod) -> bool:
    """Whether one pair lies within another that is as clean."""
    scatter = [(r.left.scatter_px + r.right.scatter_px) / 2 for r in (inner, outer)]
    if scatter[1] > scatter[0] + 0.1 or outer.width_px < inner.width_px + 5:
        return False
    opening = [math.degrees(tilt(r.right) - tilt(r.left)) for r in (inner, outer)]
    # lines along a cone meet in its tip, so they open in proportion to their distance
    wider = outer.width_px / inner.width_px
    if not -1.0 < opening[1] < max(opening[0], 0.0) * wider + 1.2 and not _cleaner(outer, inner):
        return False
    low, high = inner.axis
    d = (high - low) / np.linalg.norm(high - low)
    normal = np.array([-d[1], d[0]])

    def across(rod: Rod) -> tuple[np.ndarray, np.ndarray]:
        out = []
        for limb in (rod.left, rod.right):
            (s0, t0), (s1, t1) = (((v - low) @ d, (v - low) @ normal) for v in limb.ends)
            s = np.array([0.0, float((high - low) @ d)])
            out.append(t0 + (t1 - t0) / (s1 - s0) * (s - s0))
        return out[0], out[1]

    (a, b), (left, right) = across(inner), across(outer)
    return bool((left < a + 2.0).all() and (right > b - 2.0).all())


def _cleaner(outer: Rod, inner: Rod) -> bool:
    """Whether where two pairs differ, the outer one's limbs are much the straighter.

    A silhouette is a straight line; the shading within a cone hardly ever is.
    """
    differ = [
        (one, two)
        for one, two in ((outer.left, inner.left), (outer.right, inner.right))
        if not along(one.ends, two.ends, SAME_LIMB_PX)
    ]
    return bool(differ) and all(one.scatter_px < STRAIGHTER * two.scatter_px for one, two in differ)


def is_reflection(rod: Rod, other: Rod, pose: GridPose) -> bool:
    """Whether a candidate lies where the sheet, as a mirror, would show another one.

    The other axis' plane and the plane of the reflected rays meet in a line in space: it must rise
    as cantilevers do, and lie above the sheet by a few widths. Taken the other way round the line
    would fall by as much.
    """
    if same_place(other, rod) or not 1 / ALIKE < rod.width_px / other.width_px < ALIKE:
        return False
    p, q = rod.axis
    axis = replace(rod.left, p=p, q=q)
    normal, mirrored = axis_normal(other, pose), mirrored_normal(axis, pose)
    d = np.cross(normal, mirrored)
    d = d / max(float(np.linalg.norm(d)), 1e-12)
    rise = math.degrees(math.asin(float(d[2] if d[1] > 0 else -d[2])))
    if abs(rise - RISE_DEG) > MOST_RISES * RISE_U_DEG:
        return False
    ray = local_rays(other.axis[0], pose)
    eye = -pose.origin @ pose.rotation
    foot = mirrored_rays(p, pose)[0]
    height = eye[2] + ray[2] * float((foot - eye) @ mirrored) / float(ray @ mirrored)
    width = other.width_px / pose.camera.f * abs(float(eye[2] / ray[2]))
    return bool(LEAST_HEIGHT * width < height < MOST_HEIGHT * width)


def same_place(rod: Rod, other: Rod) -> bool:
    """Whether two candidates are readings of one and the same rod."""
    low, high = rod.axis
    d = (high - low) / np.linalg.norm(high - low)
    middle = (other.axis[0] + other.axis[1]) / 2
    away = abs(float((middle - low) @ np.array([-d[1], d[0]])))
    return away < 0.8 * max(rod.width_px, other.width_px)


def choose(rods: Sequence[Rod], pose: GridPose) -> tuple[Rod, list[tuple[Rod, float]]] | None:
    """The rod, and others in its place with their weights; None where none can be trusted.

    Parameters
    ----------
    rods : sequence of Rod
    pose : GridPose
    """
    if not rods:
        return None
    shares = weights(rods, pose)
    best = rods[int(np.argmax(shares))]
    if best.score < LEAST_ROD:
        return None
    rise = math.radians(RISE_DEG)
    turn = turn_for_rise(axis_normal(best, pose), rise)
    pairs = zip(rods, shares, strict=True)
    others = [(rod, float(share)) for rod, share in pairs if rod is not best]
    for rod, share in others:
        away = abs(turn_for_rise(axis_normal(rod, pose), rise) - turn)
        if share >= MOST_RIVAL and not same_place(best, rod) and away > math.radians(SAME_DEG):
            return None
    return best, [(rod, share) for rod, share in others if same_place(best, rod)]
