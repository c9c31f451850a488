"""A thin rod that rises from a printed sheet, where the network shows none -> candidate limbs.

In: a colour picture and the sheet's plane. Out: `Rod`s in undistorted pixels. In a straightened
strip about each place that may hold a rod all straight edges are found, every pair of them is a
candidate, and the best pairs are fitted to sub-pixel accuracy before any is chosen.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from vision.grid import GridPose
from vision.ink import Ink, sheet_scale
from vision.rod import Limb, Rod, fit_limb, tilt
from vision.rod_places import (
    Place,
    along,
    apart_from_ink,
    central,
    find_places,
    near_node,
    usual_places,
)
from vision.rod_sight import ACROSS_PX, BESIDE, BOLD_TIMES, beside_columns, straight_px
from vision.strip import Edge, Line, Strip, all_edges, edge_outside, evidence, straightened

Array = NDArray[np.float64]

DOUBT_PX = 15.0  # evidence (px) at which two limbs are as likely something else
SURE_PX = 30.0  # evidence that leaves little doubt
PLAIN_PX = 45.0  # evidence of a rod on the null that makes it needless to look elsewhere
ROD_MM = (0.2, 0.75)  # usual widths
GHOST_SLANT = 0.02  # of a ghost against its column, where the glass is not known (Snell's law)
UNLIKE_INK, LEAST_UNLIKE = 0.4, 12.0  # share of the ground's contrast with ink; grey levels
LEAST_SHARE = 0.2  # candidates below this share of the best one's score have no say
ROUGH_PX = 3.0  # how far edges of a strip may lie off the limbs that are fitted to them
MOST_PAIRS, MOST_TRIES = 24, 8  # of edges that are judged, and fitted, in one strip
WIDER_SHARE = 0.8  # of its width, how far outside a pair another edge may be the limb


def find_rods(rgb: NDArray[np.uint8], ink: Ink) -> list[Rod]:
    """Candidate rods, best first.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (height, width, 3)
        Without specks (see `calm`).
    ink : Ink
        In pixels of ``rgb``.

    Returns
    -------
    list of Rod
        May be empty.
    """
    rods: list[Rod] = []
    for place in usual_places(rgb, ink.pose):
        _add_from(rods, rgb, ink, place)
    if max((r.score for r in rods), default=0.0) < PLAIN_PX:
        for place in find_places(rgb, ink):
            _add_from(rods, rgb, ink, place)
    rods.sort(key=lambda r: -r.score)
    for rod in rods[:2]:  # again, in a strip that now follows the rod
        least = LEAST_SHARE * rods[0].score
        more = limb_pairs(rgb, ink, rod.axis, rod.width_px, least=least, known=rods, about=rod)
        _add(rods, more)
    return sorted(rods, key=lambda r: -r.score)


def _add_from(rods: list[Rod], rgb: NDArray[np.uint8], ink: Ink, place: Place) -> None:
    """Take in what lies at a place, unless all edges about the best rod have been looked at."""
    best = max((r.score for r in rods), default=0.0)
    if any(r.score > SURE_PX and r.score == best and _within(place, r) for r in rods):
        return
    _add(
        rods,
        limb_pairs(rgb, ink, place.axis, place.width, least=LEAST_SHARE * best, known=rods),
    )


def _add(rods: list[Rod], more: list[Rod]) -> None:
    """Take in new candidates; of two with the same limbs the better one stays."""
    for rod in more:
        same = [k for k, r in enumerate(rods) if _same_limbs(rod, r)]
        if not same:
            rods.append(rod)
        elif rod.score > rods[same[0]].score:
            rods[same[0]] = rod


def _within(place: Place, rod: Rod) -> bool:
    """Whether a place lies along a rod and within its limbs, near enough."""
    return place.width < 1.3 * rod.width_px and along(place.axis, rod.axis, 0.4 * rod.width_px)


def _same_limbs(rod: Rod, other: Rod) -> bool:
    return along(rod.left.ends, other.left.ends, 2.5) and along(
        rod.right.ends, other.right.ends, 2.5
    )


def limb_pairs(
    rgb: NDArray[np.uint8],
    ink: Ink,
    axis: Line,
    width: float,
    most: int = 4,
    least: float = 0.0,
    known: Sequence[Rod] = (),
    about: Rod | None = None,
) -> list[Rod]:
    """Rods made of pairs of straight edges about an axis.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (height, width, 3)
    ink : Ink
    axis : (ndarray, ndarray)
        Lower and upper end of the place to search, undistorted pixels.
    width : float
        Rough width of the rod there, pixels.
    most : int
        How many pairs are fitted.
    least : float
        Score (px) below which a pair is passed over.
    known : sequence of Rod
        Pairs of limbs that need no second fit.
    about : Rod, optional
        A rod found there: edges just outside its limbs are tried too.

    Returns
    -------
    list of Rod
        Best first; may be empty.
    """
    length = float(np.linalg.norm(axis[1] - axis[0]))
    half = max(width + 14.0, 0.03 * rgb.shape[1]) + 0.05 * length
    reach = 0.3 * rgb.shape[1]
    spare = max(0.0, reach - length) + 0.15 * length
    strip = straightened(rgb, ink, axis, half, (0.5 * spare, 0.6 * spare))
    if strip is None:
        return []
    rows = (strip.stations > 0) & (strip.stations < length)
    if rows.sum() < 5:
        return []
    edges = all_edges(strip, rows)
    widest = 0.055 * rgb.shape[1]
    likely = []
    for one in edges:
        for two in edges:
            ends = [two.offset - one.offset + (two.slope - one.slope) * s for s in (0.0, length)]
            if min(ends) < 5 or max(ends) > widest:
                continue
            if abs(two.slope - one.slope) > math.tan(math.radians(9)):
                continue
            likely.append((min(one.strength, two.strength), one, two))
    likely.sort(key=lambda p: -p[0])
    pairs = []
    for _, one, two in likely[:MOST_PAIRS]:
        length_px = evidence(strip, one, two)[0]
        if length_px > least:
            pairs.append((length_px, one, two))
    pairs.sort(key=lambda p: -p[0])
    out: list[Rod] = []
    tries = 0
    for length_px, one, two in pairs:
        if length_px < 0.3 * pairs[0][0] or tries >= MOST_TRIES or len(out) >= most:
            break
        tries += 1
        lines = [strip.line(e.offset, e.slope, 0.0, length) for e in (one, two)]
        if any(
            along(lines[0], r.left.ends, 1.5) and along(lines[1], r.right.ends, 1.5) for r in known
        ):
            continue
        rod = settled(rgb, ink, strip, one, two, least)
        if rod is not None:
            out.append(rod)
            least = max(least, LEAST_SHARE * rod.score)
    if about is not None:
        _add(out, _wider(rgb, ink, strip, about, least))
    return sorted(out, key=lambda r: -r.score)


def _wider(rgb: NDArray[np.uint8], ink: Ink, strip: Strip, rod: Rod, least: float) -> list[Rod]:
    """Rods whose limbs are edges just outside a pair: that may be a highlight's, or one of it."""
    choices = []
    for limb, sign in ((rod.left, -1.0), (rod.right, 1.0)):
        edge = strip.edge_along(limb)
        s = sorted(float((v - strip.low) @ strip.along) for v in limb.ends)
        outer = edge_outside(strip, edge, sign, WIDER_SHARE * rod.width_px, (s[0], s[1]))
        choices.append([edge] if outer is None else [edge, outer])
    pairs = [p for p in product(*choices) if p != (choices[0][0], choices[1][0])]
    found = (settled(rgb, ink, strip, one, two, least) for one, two in pairs)
    return [r for r in found if r is not None]


def settled(
    rgb: NDArray[np.uint8], ink: Ink, strip: Strip, one: Edge, two: Edge, least: float = 0.0
) -> Rod | None:
    """Sub-pixel fit of two limbs from good starting edges, with its score.

    None where they cannot be fitted, or where the score would surely be below ``least``.
    """
    pose = ink.pose
    edges = (one, two)
    left = right = None
    length_px = 0.0
    for gate in (3.0, 2.0):
        length_px, first, last = evidence(strip, *edges)
        if length_px <= 0:
            return None
        lines = [strip.line(e.offset, e.slope, first, last) for e in edges]
        if left is None and length_px * _usual(rgb, pose, lines[0], lines[1], rough=True) < least:
            return None
        left = fit_limb(rgb, pose, *lines[0], gate, 1)
        right = fit_limb(rgb, pose, *lines[1], gate, -1)
        if left is None or right is None:
            return None
        edges = (strip.edge_along(left), strip.edge_along(right))
        if 2 * length_px * _whole(left, right) * _usual(rgb, pose, left.ends, right.ends) < least:
            return None
    assert left is not None and right is not None
    gap = _gap(left.ends, right.ends)
    if gap < 4 or abs(tilt(right) - tilt(left)) > math.radians(9):
        return None
    score = (
        length_px
        * _whole(left, right)
        * min(apart_from_ink(ink, left.ends, right.ends), printed(pose, left, right, rgb))
        * _usual(rgb, pose, left.ends, right.ends)
    )
    # where little of the rod is seen, its limbs may be something else
    doubt = math.hypot(1.0, DOUBT_PX / max(score, 1e-3))
    left, right = (
        replace(limb, offset_sd=doubt * limb.offset_sd, angle_sd=doubt * limb.angle_sd)
        for limb in (left, right)
    )
    return Rod(left, right, score, gap)


def _whole(left: Limb, right: Limb) -> float:
    """How much two limbs count for the share of them that is seen, and for their straightness."""
    whole = min(left.coverage, 0.7) * min(right.coverage, 0.7) / 0.49
    for limb in (left, right):
        whole /= 1 + (limb.scatter_px / 0.4) ** 2
    return math.sqrt(whole)


def _gap(left: Line, right: Line) -> float:
    """Mean distance (px) from the left line to the right one, across the lines."""
    run = (left[1] + right[1] - left[0] - right[0]) / 2
    normal = np.array([-run[1], run[0]]) / np.linalg.norm(run)
    return float(((right[0] + right[1] - left[0] - left[1]) / 2) @ normal)


def _usual(
    rgb: NDArray[np.uint8], pose: GridPose, left: Line, right: Line, rough: bool = False
) -> float:
    """How much the place and the shape of a pair are those of a rod, 0 to 1.

    Of ``rough`` lines it is the most that a fit within a few pixels may turn it into.
    """
    gap = _gap(left, right)
    if gap < 2:
        return 0.0
    runs = [q - p for p, q in (left, right)]
    length = min(float(np.linalg.norm(run)) for run in runs)
    one, two = (math.atan2(run[0], -run[1]) for run in runs)
    opening = two - one
    if rough:
        opening -= math.copysign(min(abs(opening), 2 * ROUGH_PX / length), opening)
    centre = np.array([(rgb.shape[1] - 1) / 2, (rgb.shape[0] - 1) / 2])
    axis = ((left[0] + right[0]) / 2, (left[1] + right[1]) / 2)
    value = (
        (1 - math.exp(-((length / (2 * gap)) ** 2)))
        * _likely_width(pose, axis[0], gap)
        * _likely_opening(opening)
        * near_node(pose, axis)
        * central(*axis, centre)
    )
    return min(1.0, 2 * value) if rough else value


def printed(pose: GridPose, left: Limb, right: Limb, rgb: NDArray[np.uint8] | None = None) -> float:
    """How much a pair counts that holds edges of a printed column, 0 to 1.

    A column's edge keeps its distance from the column's middle all along, whatever its width and
    whether or not it is drawn bolder there; a rod rises, and its limbs cross the columns' direction
    unless the photo is taken straight along them. Both edges of one column are no rod, unless the
    picture ``rgb`` shows another colour than ink between them. One of them with something that runs
    another way is hardly one.
    """
    sides = [beside_columns(pose, limb) for limb in (left, right)]
    opening = abs(math.degrees(tilt(right) - tilt(left)))
    value = 1.0
    bold = BOLD_TIMES * pose.ink_half_width
    for (one, drift, scale), (other, its_drift, _) in product(*sides):
        a, b = one - round(one), other - round(one)
        straight = drift < straight_px(left) or its_drift < straight_px(right)
        about = a * b < 0 and abs(a + b) * scale < 2.5 and max(abs(a), abs(b)) < bold
        column = straight and about and max(drift, its_drift) < ACROSS_PX
        if column and (rgb is None or _like_ink(rgb, pose, left, right)):
            return 0.0
    (one, drift, _), (other, its_drift, _) = sides[0][0], sides[1][0]
    if drift < straight_px(left) and its_drift < straight_px(right):
        # a ghost, a shadow or a reflection of a column, unless it lies over its column
        middle = (one + other) / 2
        value = 1.0 if abs(middle - round(middle)) < BESIDE else 0.0
        # or near it and unlike ink: in glass a ghost or its column lies there
        if value and rgb is not None and _like_ink(rgb, pose, left, right):
            return 0.0
    a, b = (at - round((one + other) / 2) for at in (one, other))
    slanted = max(drift / left.length, its_drift / right.length)
    if slanted < GHOST_SLANT and rgb is not None:
        # a column's ghost in glass that the grid does not know of, alone or with its column
        inner, ink = min(abs(a), abs(b)), pose.ink_half_width
        joined = abs(inner - ink) < 0.5 * ink and abs(a + b) > ink
        if joined or (a * b > 0 and _like_ink(rgb, pose, left, right)):
            return 0.0
    for k, limb in enumerate((left, right)):
        across = min(drift for _, drift, _ in sides[1 - k])
        for at, drift, _ in sides[k]:
            edge = abs(at - round(at)) < bold and drift < straight_px(limb)
            if edge and across > ACROSS_PX and opening > 1.0:
                value = 0.3
    return value


def _like_ink(rgb: NDArray[np.uint8], pose: GridPose, left: Limb, right: Limb) -> bool:
    """Whether what lies between two limbs has the colour of the column's ink before them.

    Over the whole of both; or just above their lower ends and just below, as in a mirror a
    column's colour changes along it with what it reflects.
    """
    x, y = pose.on_sheet(pose.camera.distort((left.p + right.p)[None] / 2))[0]
    for along_limbs, before in (((0.1, 0.9), (0.15, 0.85)), ((0.03, 0.3), (0.03, 0.3))):
        s = np.linspace(*along_limbs, 25)[:, None]
        one, two = (limb.p + s * (limb.q - limb.p) for limb in (left, right))
        inside = _colours(rgb, pose.camera.distort((one + two) / 2))
        outside = np.concatenate([2.5 * one - 1.5 * two, 2.5 * two - 1.5 * one])
        ground = _colours(rgb, pose.camera.distort(outside))
        steps = y - np.linspace(*before, 25)
        column = np.stack([np.full(25, round(float(x))), steps, np.zeros(25)], axis=1)
        ink = _colours(rgb, pose.project(column))
        if min(map(len, (inside, ground, ink))) < 10:
            return True
        middle, around, printed_on = (np.median(c, axis=0) for c in (inside, ground, ink))
        contrast = float(np.linalg.norm(around - printed_on))
        unlike = max(UNLIKE_INK * contrast, LEAST_UNLIKE)
        if float(np.linalg.norm(middle - printed_on)) < unlike:
            return True
    return False


def _colours(rgb: NDArray[np.uint8], xy: Array) -> Array:
    """Colours of the pixels nearest to points of the photo, those in the picture."""
    at = np.round(xy).astype(int)
    inside = (at >= 0).all(axis=1) & (at < (rgb.shape[1], rgb.shape[0])).all(axis=1)
    return rgb[at[inside, 1], at[inside, 0]].astype(float)


def _likely_opening(opening: float) -> float:
    """A rod is a cylinder or widens towards the body by up to 4 degrees."""
    degrees = math.degrees(opening)
    miss = max(0.0, -0.5 - degrees) / 1.0 + max(0.0, degrees - 4.0) / 1.5
    return math.exp(-0.5 * miss**2)


def _likely_width(pose: GridPose, at: Array, width: float) -> float:
    """Preference for 0.2 to 0.75 mm, on a grid of 5 or 10 mm where its pitch is unknown, mild."""
    share = width / sheet_scale(pose, at)
    if pose.pitch_mm is None:
        miss = min(abs(math.log(share / usual)) for usual in (0.45 / 5, 0.45 / 10))
    else:
        low, high = (math.log(share * pose.pitch_mm / limit) for limit in ROD_MM)
        miss = max(-low, high, 0.0)
    return math.exp(-0.5 * (miss / 0.55) ** 2)
