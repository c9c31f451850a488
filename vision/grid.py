"""A printed rectangular grid in a photo -> where its plane lies: normal, line directions, lens.

In: a grey picture and what is known of the focal length. Out: `GridPose` in units of the grid's
own pitch, or None. The grid may be printed on paper, on a first-surface mirror or on the front of
a back-silvered mirror, where every line has a ghost in the silver.

Steps: ridge points and straight lines (`grid_lines`), guesses of the pose (`grid_guess`), robust
least squares on the ridge points for each guess (`grid_fit`), and the choice among them here.
"""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.camera import Camera
from vision.grid_comb import ends_agree, ends_seen, tick_ends, with_comb, with_end_bias, with_null
from vision.grid_fit import (
    COLUMN,
    MIN_TICKS,
    explained,
    filled,
    fit,
    has_ghosts,
    line_swapped,
    match,
    swapped,
    twice_as_large,
    with_ghost,
)
from vision.grid_guess import PITCHES_MM, crossed, focal_range, lattices, pose_from_homography
from vision.grid_lines import (
    Ridges,
    along_drawn,
    dark_lines,
    find_lines,
    straightest,
    with_bright_lines,
)
from vision.grid_pose import GLASS_INDEX, GridPose
from vision.photo import FocalPrior

__all__ = ["GLASS_INDEX", "GridPose", "find_grid"]

_Candidate = tuple[float, GridPose]  # score, pose
COARSE_LONG_SIDE = 900
THIN, FEW = 1500, 500  # ridge points for the search, and for a first look
FITTED = 6  # starts that pass the first look
END_WORTH, MOST_ENDS = 0.015, 20
MOST_ODD_LENS = 3.0  # standard deviations of the log of the focal length
WEAK_TILT_DEG = 0.3
SURE_SCORE, LEAST_SCORE = 0.75, 0.25
SURE_TICKS, SURE_SCORE_WITH_COMB = 8, 0.55
RIVAL_FROM, MOST_RIVAL_DEG = 0.85, 2.0
LEAST_SUPPORT, LEAST_FILLED = 0.51, 0.45  # right lattices reach 0.52-0.97 and 0.5-1.0


def find_grid(
    grey: NDArray[np.float32],
    focal: FocalPrior,
    centre: tuple[float, float] | None = None,
    drawn: NDArray[np.float64] | None = None,
) -> GridPose | None:
    """Find the printed grid and the plane it lies in.

    Parameters
    ----------
    grey : ndarray of float32, shape (height, width)
        0 to 1.
    focal : FocalPrior
        In pixels of ``grey``.
    centre : (float, float), optional
        Principal point; the middle of the frame by default.
    drawn : ndarray, shape (N, 2, 2), optional
        Pixels of the ends of printed lines that a person drew roughly, two or more each way; the
        lattice is sought through these alone.

    Returns
    -------
    GridPose or None
        None where no lattice explains the dark lines.
    """
    height, width = grey.shape
    factor = min(1.0, COARSE_LONG_SIDE / max(width, height))
    small = grey
    if factor < 1.0:
        size = (max(1, round(width * factor)), max(1, round(height * factor)))
        small = cv2.resize(grey, size, interpolation=cv2.INTER_AREA).astype(np.float32)
        factor = size[0] / width
    shift = (factor - 1) / 2
    c = centre if centre is not None else ((width - 1) / 2, (height - 1) / 2)
    coarse_centre = (c[0] * factor + shift, c[1] * factor + shift)
    half_diagonal = math.hypot(small.shape[1], small.shape[0]) / 2
    lens = focal_range(focal, factor)
    dark = dark_lines(small)
    if drawn is not None:
        points = along_drawn(with_bright_lines(dark, small), drawn * factor + shift)
        candidates = _through_lines(points, dark, small, coarse_centre, half_diagonal, lens)
    else:
        points, candidates = dark, _attempt(dark, small, coarse_centre, half_diagonal, lens)
    if drawn is None and (not candidates or not _sure(*candidates[0])):
        every = with_bright_lines(dark, small)
        more = _attempt(every, small, coarse_centre, half_diagonal, lens)
        candidates, points = _on_common_ground(candidates, more, dark, every, lens)
    prior = (math.log(lens[0]), lens[3])
    candidates = [c for c in candidates if _plausible(c[1]) and _usual_lens(c[1], prior)]
    if not candidates:
        return None
    free_focal = focal.source == "guess" or focal.low_high is not None
    near = [c for c in candidates if c[0] >= max(LEAST_SCORE, RIVAL_FROM * candidates[0][0])]
    pose, rivals = None, candidates
    while near and pose is None:  # a lattice that contradicts itself is no rival either
        pose, rivals = _polished(small, near.pop(0)[1], points, prior, free_focal), rivals[1:]
    doubtful = None if pose is None else _with_rivals(pose, rivals, candidates[0][0])
    if doubtful is None:
        return None
    pose = with_null(small, doubtful)
    pose = replace(pose, ink_half_width=_ink_half_width(small, pose, points))
    return pose.scaled(1 / factor)


def _through_lines(
    points: Ridges,
    dark: Ridges,
    grey: NDArray[np.float32],
    centre: tuple[float, float],
    half_diagonal: float,
    lens: tuple[float, float, float, float],
) -> list[_Candidate]:
    """Lattices through ridges along drawn lines, best first.

    Through two and two lines pass lattices of several cells: what else is dark tells which.
    """
    if len(points.xy) < 100:
        return []
    prior = (math.log(lens[0]), lens[3])
    lines = find_lines(points, centre, half_diagonal, 0.0)
    starts = [
        pose_from_homography(Camera(f, *centre, 0.0, half_diagonal), homography)
        for f, homography in lattices(lines, centre, lens[1:3])
    ]
    thin = points.thinned(THIN)
    found = _refined([s for s in starts if s is not None], grey, points, thin, prior)
    rest = dark.thinned(THIN)
    judged = [(score + explained(pose, rest, prior), pose) for score, pose in found]
    return sorted(judged, key=lambda c: -c[0])


def _polished(
    grey: NDArray[np.float32],
    start: GridPose,
    points: Ridges,
    prior: tuple[float, float],
    free_focal: bool,
) -> GridPose | None:
    """The pose that fits all points, or None where it cannot be the printed grid."""
    pose = fit(start, points, prior, (1.5,), most=3000) or start
    few = min(len(pose.columns), len(pose.rows))
    if few < 2 or _tilt_u_deg(pose) > WEAK_TILT_DEG:
        ended = _by_ends(grey, pose, points, prior)
        if ended is None and few < 2:
            return None
        pose = ended or pose
    if not _plausible(pose) or not _well_seen(pose) or not _usual_lens(pose, prior):
        return None
    ends = tick_ends(grey, pose)
    if ends is not None and not ends_agree(ends, pose):
        return None
    least = 2 if ends is not None else 3
    if free_focal and min(len(pose.columns), len(pose.rows)) < least:
        return None  # two lines each way cannot tell tilt from focal length
    return pose


def _on_common_ground(
    first: list[_Candidate],
    second: list[_Candidate],
    dark: Ridges,
    every: Ridges,
    lens: tuple[float, float, float, float],
) -> tuple[list[_Candidate], Ridges]:
    """All candidates judged on both sets of points, best first, and the points for the best.

    Bright ridges bring speckle, which lowers every share alike, and are all there is of ink before
    a black reflection: a candidate's shares of both sets are added.
    """
    prior = (math.log(lens[0]), lens[3])
    sets = [points.thinned(THIN) for points in (dark, every) if len(points.xy)]
    judged = [
        ([explained(pose, thin, prior) for thin in sets], pose)
        for _, pose in _different(sorted(first + second, key=lambda c: -c[0]))
    ]
    if not judged:
        return [], dark
    judged.sort(key=lambda c: -sum(c[0]) - 2 * _worth(c[1]))
    shares, best = judged[0]
    points = every if len(sets) == 1 or shares[1] > shares[0] else dark
    mean = sum(shares) / len(shares) + _worth(best)
    scale = (max(shares) + _worth(best)) / max(mean, 1e-6)  # as if on the better set alone
    return [((sum(some) / len(some) + _worth(pose)) * scale, pose) for some, pose in judged], points


def _worth(pose: GridPose) -> float:
    """What seen ends of ticks add to the share of ridges explained.

    Ticks that keep step with millimetres and end half a millimetre from their column on both sides
    are few pixels, but nothing else looks so.
    """
    return END_WORTH * min(pose.ends, MOST_ENDS)


def _usual_lens(pose: GridPose, prior: tuple[float, float]) -> bool:
    """With few lines a wrong number of cells between them passes for another focal length."""
    if len(pose.columns) + len(pose.rows) >= 7:
        return True
    return abs(math.log(pose.camera.f) - prior[0]) < MOST_ODD_LENS * prior[1]


def _tilt_u_deg(pose: GridPose) -> float:
    """Standard uncertainty of the sheet's tilt about the line across, degrees."""
    across = pose.rotation[:, 0]
    return math.degrees(math.sqrt(float(across @ pose.covariance[:3, :3] @ across)))


def _with_rivals(pose: GridPose, rivals: list[_Candidate], best: float) -> GridPose | None:
    """The covariance with its share of lattices that explain nearly as much; None if far off."""
    covariance, widest = pose.covariance.copy(), 0.0
    for score, rival in rivals:
        weight = (score / best - RIVAL_FROM) / (1 - RIVAL_FROM)
        if weight <= 0:
            continue
        turn = rival.rotation @ pose.rotation.T
        apart = 0.5 * np.array(
            [turn[2, 1] - turn[1, 2], turn[0, 2] - turn[2, 0], turn[1, 0] - turn[0, 1]]
        )
        away = weight * float(np.linalg.norm(apart))
        if away > widest:
            widest = away
            covariance[:3, :3] = pose.covariance[:3, :3] + weight**2 * np.outer(apart, apart)
    if math.degrees(widest) > MOST_RIVAL_DEG:
        return None
    return replace(pose, covariance=covariance)


def _by_ends(
    grey: NDArray[np.float32], pose: GridPose, points: Ridges, prior: tuple[float, float]
) -> GridPose | None:
    """With one column, the ends of the ticks are what gives the scale across it."""
    for _ in range(3):
        ends = tick_ends(grey, pose)
        better = None if ends is None else fit(pose, points, prior, (1.5,), most=3000, ends=ends)
        if better is None:
            return None
        pose = better
    return with_end_bias(pose)


def _checked_by_ends(
    grey: NDArray[np.float32], pose: GridPose, points: Ridges, prior: tuple[float, float]
) -> GridPose:
    """The pose with the number of ticks' ends that lie where the comb puts them.

    Where they do not, but all alike, the pose is drawn towards them.
    """
    for _ in range(2):
        ends = tick_ends(grey, pose)
        if ends is None:
            return pose
        seen = ends_seen(ends, pose)
        if seen >= 0.7 * len(ends[1]):
            return replace(pose, ends=seen)
        drawn = fit(pose, points, prior, (2.0, 1.5), ends=ends)
        if drawn is None or drawn.ticks < MIN_TICKS:
            return pose
        pose = drawn
    ends = tick_ends(grey, pose)
    return pose if ends is None else replace(pose, ends=ends_seen(ends, pose))


def _sure(score: float, pose: GridPose) -> bool:
    if min(len(pose.columns), len(pose.rows)) < 2:
        return False
    if pose.ticks >= SURE_TICKS and score > SURE_SCORE_WITH_COMB:
        return True
    return score > SURE_SCORE and len(pose.columns) + len(pose.rows) >= 7


def _well_seen(pose: GridPose) -> bool:
    """Whether so much of the dark lines lies on the lattice that it can be no chance."""
    if pose.ticks >= MIN_TICKS:
        return True
    return pose.support >= LEAST_SUPPORT and filled(pose) >= LEAST_FILLED


def _plausible(pose: GridPose) -> bool:
    """Seen from above at 12 to 70 degrees, columns running away within 50 degrees."""
    ahead = np.array([0.0, 0.0, 1.0]) @ pose.rotation
    low, high = math.sin(math.radians(12)), math.sin(math.radians(70))
    return low < -ahead[2] < high and ahead[1] > math.cos(math.radians(50)) * np.hypot(*ahead[:2])


def _attempt(
    points: Ridges,
    grey: NDArray[np.float32],
    centre: tuple[float, float],
    half_diagonal: float,
    lens: tuple[float, float, float, float],
) -> list[_Candidate]:
    """Lattices through one set of ridge points, best first."""
    if len(points.xy) < 300:
        return []
    f_px, f_low, f_high, f_sigma = lens
    k1 = straightest(points.thinned(2000), centre, half_diagonal)
    lines = find_lines(points, centre, half_diagonal, k1)
    prior = (math.log(f_px), f_sigma)
    thin = points.thinned(THIN)
    starts, lenses = [], [f_px]
    for f, homography in lattices(lines, centre, (f_low, f_high)):
        start = pose_from_homography(Camera(f, *centre, k1, half_diagonal), homography)
        if start is not None:
            starts.append(start)
            if f_sigma > 0.1 and len(lenses) < 3:
                lenses.append(f)
    best = _refined(starts, grey, points, thin, prior)
    if not best or not _sure(*best[0]):
        starts = [pose for _, pose in best[:1]]
        for f in lenses:
            starts += [p for _, p in crossed(lines, points, Camera(f, *centre, k1, half_diagonal))]
        best = sorted(best + _refined(starts, grey, points, thin, prior), key=lambda c: -c[0])
    return best


def _refined(
    starts: list[GridPose],
    grey: NDArray[np.float32],
    points: Ridges,
    thin: Ridges,
    prior: tuple[float, float],
) -> list[_Candidate]:
    """What least squares makes of the starts, with ghosts and comb where they show, best first."""
    plain: list[_Candidate] = []
    few = thin.thinned(FEW)
    rough = []
    for start in starts:
        pose = fit(start, few, prior, (6.0, 3.0))
        if pose is not None:
            rough.append((explained(pose, few, prior, 3.0), pose))
    for _, pose in _different(sorted(rough, key=lambda c: -c[0]))[:FITTED]:
        pose = fit(pose, thin, prior, (3.0, 1.5))
        if pose is not None:
            plain.append((explained(pose, thin, prior), pose))
    for _, pose in sorted(plain, key=lambda c: -c[0])[:3]:
        for start in twice_as_large(pose):
            larger = fit(start, thin, prior, (3.0, 1.5))
            if larger is not None:
                plain.append((explained(larger, thin, prior), larger))
    found = _different(sorted(plain, key=lambda c: -c[0]))[:4]
    ghosted = []
    for score, pose in found:
        doubled = None if pose.thickness is not None else with_ghost(pose, thin)
        if doubled is not None:
            doubled = fit(doubled, thin, prior, (3.0, 2.0, 1.5))
        if doubled is not None:
            better = explained(doubled, thin, prior)
            if better > score + 0.05:
                ghosted.append((better, doubled))
    ghosted.sort(key=lambda c: -c[0])
    for best in ghosted[:2]:
        if best[0] > 0.8 * ghosted[0][0]:
            best = swapped(best, thin, prior)
            others = line_swapped(best[1], thin, prior)
            found += [one for one in (best, *others) if has_ghosts(one[1], thin)]
    found = _different(sorted(found, key=lambda c: -c[0]))
    judged = []
    for score, pose in found[:5]:
        if score > 0.6 * found[0][0]:
            judged.append((score, pose))
            combed = with_comb(pose, points, PITCHES_MM)
            if combed is not None:
                combed = fit(combed, thin, prior, (2.0, 1.5))
            if combed is not None:
                combed = _checked_by_ends(grey, combed, thin, prior)
                judged.append((explained(combed, thin, prior) + _worth(combed), combed))
    return sorted(judged, key=lambda c: -c[0])


def _different(found: list[_Candidate]) -> list[_Candidate]:
    """Without those that came to the same pose as a better one."""
    out: list[_Candidate] = []
    for score, pose in found:
        if not any(np.allclose(pose.rotation, p.rotation, atol=2e-3)
                   and abs(pose.origin[2] / p.origin[2] - 1) < 0.05 for _, p in out):  # fmt: skip
            out.append((score, pose))
    return out


def _ink_half_width(grey: NDArray[np.float32], pose: GridPose, points: Ridges) -> float:
    """Half width at half depth of the median profile across the lattice's columns, in pitches."""
    matched = match(pose, points, 1.5)
    chosen = (matched.axis == COLUMN) & ~matched.ghost & (matched.trust == 1)
    if chosen.sum() < 30:
        return 0.02
    pick = matched.which[chosen][:: max(1, int(chosen.sum() // 400))]
    scale = float(np.median(np.abs(matched.across[chosen])))
    t = np.arange(-0.1, 0.1001, 0.5 / scale)
    normal = np.stack([-np.sin(points.angle[pick]), np.cos(points.angle[pick])], axis=1)
    xy = points.xy[pick][:, None, :] + (t * scale)[None, :, None] * normal[:, None, :]
    xy = xy.astype(np.float32)
    rows = cv2.remap(grey, xy[..., 0], xy[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
    depth = np.median(rows, axis=0)
    outside = float(np.quantile(depth, 0.8))
    below = depth < (outside + float(depth.min())) / 2
    middle = len(t) // 2
    left = right = middle
    while left > 0 and below[left - 1]:
        left -= 1
    while right < len(t) - 1 and below[right + 1]:
        right += 1
    return float(np.clip((t[right] - t[left] + t[1] - t[0]) / 2, 0.004, 0.06))
