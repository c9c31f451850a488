"""A printed rectangular grid in a photo -> where its plane lies: normal, line directions, lens.

In: a grey picture and what is known of the focal length. Out: `GridPose` in units of the grid's
own pitch, or None. The grid may be printed on paper, on a first-surface mirror or on the front of
a back-silvered mirror, where every line has a ghost in the silver.

Steps: ridge points and straight lines (`grid_lines`), guesses of the pose (`grid_guess`), robust
least squares on the ridge points for each guess (`grid_fit`), with ghosts (`grid_glass`) and the
null's ticks (`grid_comb`) where they show, and the choice among the poses (`grid_choose`). Before
all lines are searched a closer look at print is asked (`find_shown`, by `print_fit`).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.camera import Camera
from vision.grid_choose import (
    LEAST_SUPPORT,
    MOST_OF_ALL,
    RIVAL_FROM,
    SURE_ENDS,
    SURE_SCORE,
    Candidate,
    different,
    explained,
    is_plausible,
    is_sure,
    on_common_ground,
    tilt_u_deg,
    turn_u_deg,
    usual_lens,
    well_seen,
    with_layer_doubt,
    with_rivals,
    worth,
)
from vision.grid_comb import (
    ends_agree,
    ends_seen,
    lopsided,
    tick_ends,
    with_cells_told,
    with_comb,
    with_end_bias,
    with_null,
)
from vision.grid_fit import MIN_TICKS, fit, on_either_layer
from vision.grid_glass import has_ghosts, line_swapped, swapped, with_ghost
from vision.grid_guess import (
    PITCHES_MM,
    crossed,
    focal_range,
    lattices,
    pose_from_homography,
    twice_as_large,
)
from vision.grid_layers import in_glass
from vision.grid_lines import (
    Line,
    Ridges,
    along_drawn,
    dark_and_all_lines,
    dark_lines,
    find_lines,
    straightest,
)
from vision.grid_match import COLUMN, match
from vision.grid_pose import GLASS_INDEX, GridPose, apart
from vision.grid_ticks import ticked
from vision.photo import FocalPrior
from vision.print_fit import best_fits, likeliest
from vision.print_seen import Print
from vision.rod_kinds import INK, Shown

Array = NDArray[np.float64]
__all__ = ["GLASS_INDEX", "GridPose", "find_grid"]

COARSE_LONG_SIDE = 900
LEAST_RIDGES = 300
THIN, FEW = 1500, 500  # ridge points for the search, and for a first look
FITTED, TICKED_FITTED = 6, 3  # starts that pass the first look
FOR_TICKS = 4000  # ridge points by which ticks are counted: each has few
WEAK_TILT_DEG = 0.3
KNOWN_LENS = 0.1  # standard deviation of the log of the focal length
GOOD_SCORE = 0.65
LEAST_PRINT, SURE_PRINT = 0.3, 0.7  # of what looks printed, on the lattice
MOST_DEPTH, GHOSTS_WORTH = 1.1, 0.06  # of glass, pitches; share of dark ridges that ghosts explain
LEAST_SCORE = 0.25
MOST_APART = 11.3  # chi squared of three turns, one in a hundred
FAINT, SURE_SHOWN = 0.2, 0.4  # shares of print: below no print, from here a line's middle
INK_DEPTH = 0.8  # that shares of print are drawn with


@dataclass(frozen=True)
class Sight:
    """A coarse picture, its lines and what is known of the lens, in its pixels.

    ``lens`` is the likely focal length, the least and the greatest, and the standard deviation of
    its log.
    """

    grey: NDArray[np.float32]
    dark: Ridges
    every: Ridges  # bright lines too
    factor: float  # pixels of it a pixel of the picture given
    centre: tuple[float, float]
    half_diagonal: float
    lens: tuple[float, float, float, float]
    free_focal: bool

    @property
    def prior(self) -> tuple[float, float]:
        """Of the log of the focal length: mean and standard deviation."""
        return math.log(self.lens[0]), self.lens[3]

    def camera(self, f: float, k1: float = 0.0) -> Camera:
        """Of such a focal length and radial term."""
        return Camera(f, *self.centre, k1, self.half_diagonal)


def find_grid(
    grey: NDArray[np.float32],
    focal: FocalPrior,
    centre: tuple[float, float] | None = None,
    drawn: NDArray[np.float64] | None = None,
    shown: Shown | None = None,
    askew: Callable[[GridPose], bool] | None = None,
    closer: Callable[[], GridPose | None] | None = None,
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
    shown : Shown, optional
        What ``grey`` shows: the lattice is sought in what looks printed first.
    askew : callable, optional
        Whether a pose contradicts what else is known; another is sought then.
    closer : callable, optional
        What a closer look at the print tells (`find_shown`), asked where what looks printed leaves
        no lattice, or a doubt.

    Returns
    -------
    GridPose or None
        None where no lattice explains the dark lines.
    """
    sight = _sight(grey, focal, centre)
    back = 1 / sight.factor

    def held(pose: GridPose | None) -> GridPose | None:
        return None if pose is None or (askew and askew(pose.scaled(back))) else pose

    in_print = _in_print(sight, shown) if drawn is None and shown is not None else None
    if in_print is not None and held(in_print[0]) is None:
        in_print = None
    if in_print is not None and in_print[1] > SURE_PRINT and not on_either_layer(in_print[0]):
        return in_print[0].scaled(back)
    told = None if closer is None else closer()
    if told is not None:
        return _surer(told.scaled(sight.factor), sight).scaled(back)
    if drawn is not None:
        points = along_drawn(sight.every, drawn * sight.factor + (sight.factor - 1) / 2)
        candidates = _through_lines(points, sight)
    else:
        points, candidates = _through_all(sight)
    found = _chosen(_credible(candidates, sight.prior), points, sight)
    if found is not None and shown is not None:
        found = _with_glass(found, sight.dark, sight.prior)
    pose = held(found)
    if pose is None and in_print is not None:
        return in_print[0].scaled(back)
    return None if pose is None else _finished(pose, points, sight).scaled(back)


def _surer(told: GridPose, sight: Sight) -> GridPose:
    """The pose, or where it is weak the one that the picture's lines make it if these say more."""
    if tilt_u_deg(told) < WEAK_TILT_DEG:
        return told
    fine = _polished(told, sight.dark, sight)
    if fine is None or (fine.thickness is None) != (told.thickness is None):
        return told
    away = apart(fine, told)
    far = float(away @ np.linalg.solve(told.covariance[:3, :3], away))
    if far > MOST_APART or any(turn_u_deg(fine, k) > turn_u_deg(told, k) for k in (0, 2)):
        return told
    return _finished(fine, sight.dark, sight)


def find_shown(
    seen: Print, focal: FocalPrior, centre: tuple[float, float] | None = None
) -> GridPose | None:
    """Find the printed grid in what `print_seen` shows, print told from its ghosts in glass.

    Parameters
    ----------
    seen : Print
    focal : FocalPrior
        Like all here in pixels of the copy that was looked at.
    centre : (float, float), optional
        Principal point; the middle of the frame by default.

    Returns
    -------
    GridPose or None
        None where no lattice covers what is shown and shows what it should.
    """
    clear = np.where(seen.front > FAINT, seen.front, np.float32(0))
    # the copy is no larger than what lines are sought in: its pixels are the sight's
    sight = _sight((1 - INK_DEPTH * clear).astype(np.float32), focal, centre, bright=False)
    at = np.rint(sight.dark.xy).astype(int)
    points = sight.dark.picked(seen.front[at[:, 1], at[:, 0]] > SURE_SHOWN)
    starts = _credible(_attempt(points, sight, seek_glass=False), sight.prior)
    fits = best_fits([pose for _, pose in starts], seen, sight.prior)
    if not fits or not fits[0].holds:
        return None
    pose, few = fits[0].pose, 2 if sight.free_focal else 1
    if min(len(pose.columns), len(pose.rows)) < few:
        return None
    if not is_plausible(pose) or not usual_lens(pose, sight.prior):
        return None
    return replace(with_null(sight.grey, likeliest(fits)), ink_half_width=fits[0].ink.half)


def _sight(
    grey: NDArray[np.float32],
    focal: FocalPrior,
    centre: tuple[float, float] | None,
    bright: bool = True,
) -> Sight:
    """The picture reduced, with its dark lines, and bright ones too where they are wanted."""
    height, width = grey.shape
    factor = min(1.0, COARSE_LONG_SIDE / max(width, height))
    small = grey
    if factor < 1.0:
        size = (max(1, round(width * factor)), max(1, round(height * factor)))
        small = cv2.resize(grey, size, interpolation=cv2.INTER_AREA).astype(np.float32)
        factor = size[0] / width
    shift = (factor - 1) / 2
    c = centre if centre is not None else ((width - 1) / 2, (height - 1) / 2)
    dark, every = dark_and_all_lines(small) if bright else (dark_lines(small),) * 2
    return Sight(
        small,
        dark,
        every,
        factor,
        (c[0] * factor + shift, c[1] * factor + shift),
        math.hypot(small.shape[1], small.shape[0]) / 2,
        focal_range(focal, factor),
        focal.source == "guess" or focal.low_high is not None,
    )


def _finished(pose: GridPose, points: Ridges, sight: Sight) -> GridPose:
    """The pose with its null and the width of its lines."""
    pose = with_null(sight.grey, pose)
    return replace(pose, ink_half_width=_ink_half_width(sight.grey, pose, points))


def _through_all(sight: Sight) -> tuple[Ridges, list[Candidate]]:
    """Lattices through dark lines, or through bright ones too where these leave doubts."""
    candidates = _attempt(sight.dark, sight)
    if candidates and is_sure(*candidates[0]):
        return sight.dark, candidates
    more = _attempt(sight.every, sight, seek_glass=False)
    found, points = on_common_ground(candidates, more, sight.dark, sight.every, sight.lens)
    return points, found


def _credible(
    candidates: list[tuple[float, GridPose]], prior: tuple[float, float]
) -> list[tuple[float, GridPose]]:
    """Candidates that a camera may see, through a usual lens."""
    return [c for c in candidates if is_plausible(c[1]) and usual_lens(c[1], prior)]


def _printed(sight: Sight, shown: Shown) -> Ridges:
    """The ridges that look printed."""
    at = (sight.every.xy - (sight.factor - 1) / 2) / sight.factor
    return sight.every.picked(shown.crest(INK, at))


def _in_print(sight: Sight, shown: Shown) -> tuple[GridPose, float] | None:
    """The lattice through what looks printed, with its ghosts; what share of print lies on it."""
    points = _printed(sight, shown)
    candidates = _attempt(points, sight, seek_glass=False)
    pose = _chosen(_credible(candidates, sight.prior), points, sight)
    if pose is None or pose.support < LEAST_PRINT:
        return None
    support = pose.support
    glazed = _with_glass(pose, sight.dark, sight.prior)
    return None if glazed is None else (_finished(glazed, points, sight), support)


def _with_glass(pose: GridPose, dark: Ridges, prior: tuple[float, float]) -> GridPose | None:
    """The pose with ghosts and the depth of the glass, where these explain enough more."""
    thin = dark.thinned(THIN)
    if pose.thickness is not None:
        return pose
    doubled = with_ghost(pose, thin)
    doubled = None if doubled is None else fit(doubled, thin, prior, (3.0, 2.0, 1.5))
    if doubled is None or not 0.1 < (doubled.thickness or 0.0) < MOST_DEPTH:
        return pose
    score = explained(doubled, thin, prior)
    if score < explained(pose, thin, prior) + GHOSTS_WORTH:
        return pose
    best = swapped((score, doubled), thin, prior)
    found = sorted([best, *line_swapped(best[1], thin, prior)], key=lambda c: -c[0])
    fitted = fit(found[0][1], dark, prior, (1.5,), most=3000) or found[0][1]
    return with_rivals(fitted, different(found)[1:], found[0][0])


def _through_lines(points: Ridges, sight: Sight) -> list[Candidate]:
    """Lattices through ridges along drawn lines, best first.

    Through two and two lines pass lattices of several cells: what else is dark tells which.
    """
    if len(points.xy) < 100:
        return []
    lines = find_lines(points, sight.centre, sight.half_diagonal, 0.0)
    starts = [
        pose_from_homography(sight.camera(f), homography)
        for f, homography in lattices(lines, sight.centre, sight.lens[1:3])
    ]
    thin = points.thinned(THIN)
    found = _refined([s for s in starts if s is not None], sight.grey, points, thin, sight.prior)
    rest = sight.dark.thinned(THIN)
    judged = [(score + explained(pose, rest, sight.prior), pose) for score, pose in found]
    return sorted(judged, key=lambda c: -c[0])


def _chosen(candidates: list[Candidate], points: Ridges, sight: Sight) -> GridPose | None:
    """The best candidate that holds, fitted to all points, its rivals in its covariance."""
    if not candidates:
        return None
    near = [c for c in candidates if c[0] >= max(LEAST_SCORE, RIVAL_FROM * candidates[0][0])]
    for held in (False, True):
        for n, (_, start) in enumerate(near):
            pose = _polished(start, points, sight, held)
            if pose is not None:  # a lattice that contradicts itself is no rival either
                return with_rivals(pose, candidates[n + 1 :], candidates[0][0])
    return None


def _polished(start: GridPose, points: Ridges, sight: Sight, held: bool = False) -> GridPose | None:
    """The pose that fits all points, or None where it cannot be the printed grid.

    Ends of ticks are ``held`` that the fit to them leaves a little too few of.
    """
    grey, prior, free_focal = sight.grey, sight.prior, sight.free_focal
    start = with_cells_told(start, points, PITCHES_MM)
    pose = fit(start, points, prior, (1.5,), most=3000) or start
    few, by_ends = min(len(pose.columns), len(pose.rows)), None
    if few < 2 or tilt_u_deg(pose) > WEAK_TILT_DEG:
        by_ends = _by_ends(grey, pose, points, prior, held)
        if by_ends is None and start.ends > 0:  # without them the pose strayed from its ticks
            by_ends = _by_ends(grey, start, points, prior, held)
        if by_ends is None and few < 2:
            return None
        pose = by_ends or pose
    ends = tick_ends(grey, pose)
    if ends is not None:
        if not ends_agree(ends, pose):
            return None
        pose = replace(pose, ends=ends_seen(ends, pose))
    if not is_plausible(pose) or not well_seen(pose, free_focal) or not usual_lens(pose, prior):
        return None
    if free_focal and min(len(pose.columns), len(pose.rows)) < _least_lines(pose, ends is not None):
        return None
    return with_layer_doubt(pose) if by_ends is None else pose


def _least_lines(pose: GridPose, ended: bool) -> int:
    """Lines each way by which tilt is told from focal length: two alone cannot.

    How long ticks are against their spacing tells the tilt, whatever the lens.
    """
    if pose.support >= MOST_OF_ALL and pose.ends >= SURE_ENDS:
        return 1
    return 2 if ended else 3


def _by_ends(
    grey: NDArray[np.float32],
    pose: GridPose,
    points: Ridges,
    prior: tuple[float, float],
    held: bool,
) -> GridPose | None:
    """With one column, the ends of the ticks are what gives the scale across it.

    ``held``: where the fit leaves too few of them, those that led to it still count.
    """
    ends = None
    for _ in range(3):
        seen = tick_ends(grey, pose)
        ends = ends if seen is None and held else seen
        better = None if ends is None else fit(pose, points, prior, (1.5,), most=3000, ends=ends)
        if ends is None or better is None:
            return None
        pose = better
    if ends is None or not ends_agree(ends, pose):
        return None
    if pose.support < LEAST_SUPPORT and (held or lopsided(ends)):
        return None  # with half the ridges left over, ends may be those of ghosts

    def refit(moved: tuple[Array, Array]) -> GridPose | None:
        return fit(pose, points, prior, (1.5,), most=3000, ends=moved)

    return with_end_bias(pose, ends, refit)


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


def _attempt(points: Ridges, sight: Sight, seek_glass: bool = True) -> list[Candidate]:
    """Lattices through one set of ridge points, best first."""
    if len(points.xy) < LEAST_RIDGES:
        return []
    (f_px, f_low, f_high, f_sigma), grey, prior = sight.lens, sight.grey, sight.prior
    k1 = straightest(points.thinned(2000), sight.centre, sight.half_diagonal)
    lines = find_lines(points, sight.centre, sight.half_diagonal, k1)
    thin = points.thinned(THIN)
    starts, lenses = [], [f_px]
    for f, homography in lattices(lines, sight.centre, (f_low, f_high)):
        start = pose_from_homography(sight.camera(f, k1), homography)
        if start is not None:
            starts.append(start)
            if f_sigma > 0.1 and len(lenses) < 3:
                lenses.append(f)
    best = _refined(starts, grey, points, thin, prior)
    if not best or not is_sure(*best[0]):
        starts = [pose for _, pose in best[:1]]
        for f in lenses:
            starts += [pose for _, pose in crossed(lines, points, sight.camera(f, k1))]
        glass = []
        if seek_glass and f_sigma <= KNOWN_LENS and (not best or best[0][0] < GOOD_SCORE):
            glass = [pose for _, pose in in_glass(lines, points, sight.camera(f_px, k1))]
        more = _refined(starts, grey, points, thin, prior, glass)
        best = sorted(best + more, key=lambda c: -c[0])
    if not best or (
        best[0][1].ticks < MIN_TICKS and best[0][0] < SURE_SCORE and not is_sure(*best[0])
    ):
        ticked_ones = _by_ticks(lines, points, grey, sight.camera(f_px, k1), prior)
        best = sorted(best + ticked_ones, key=lambda c: -c[0])
    return best


def _by_ticks(
    lines: list[Line],
    points: Ridges,
    grey: NDArray[np.float32],
    camera: Camera,
    prior: tuple[float, float],
) -> list[Candidate]:
    """Poses whose scale the null's ticks give, with one line each way or more, best first."""
    many, thin = points.thinned(FOR_TICKS), points.thinned(THIN)
    fitted = []
    for _, start in ticked(lines, points, camera):
        ghost = with_ghost(start, thin)
        for one in (start, ghost):
            pose = None if one is None else fit(one, many, prior, (4.0, 2.0))
            if pose is not None and pose.ticks >= MIN_TICKS:
                fitted.append((explained(pose, many, prior, 2.0), pose))
    out = []
    for _, pose in different(sorted(fitted, key=lambda c: -c[0]))[:TICKED_FITTED]:
        ended = _checked_by_ends(grey, pose, many, prior)
        if ended.ends > 0:
            out.append((explained(ended, thin, prior) + worth(ended), ended))
    return sorted(out, key=lambda c: -c[0])


def _fitted(starts: list[GridPose], thin: Ridges, prior: tuple[float, float]) -> list[Candidate]:
    """The starts that a first look at few points leaves, fitted."""
    few = thin.thinned(FEW)
    rough, out = [], []
    for start in starts:
        pose = fit(start, few, prior, (6.0, 3.0))
        if pose is not None:
            rough.append((explained(pose, few, prior, 3.0), pose))
    for _, pose in different(sorted(rough, key=lambda c: -c[0]))[:FITTED]:
        pose = fit(pose, thin, prior, (3.0, 1.5))
        if pose is not None:
            out.append((explained(pose, thin, prior), pose))
    return out


def _refined(
    starts: list[GridPose],
    grey: NDArray[np.float32],
    points: Ridges,
    thin: Ridges,
    prior: tuple[float, float],
    glass: list[GridPose] | None = None,
) -> list[Candidate]:
    """What least squares makes of the starts, with ghosts and comb where they show, best first."""
    plain = _fitted(starts, thin, prior)
    for _, pose in sorted(plain, key=lambda c: -c[0])[:3]:
        for start in twice_as_large(pose):
            larger = fit(start, thin, prior, (3.0, 1.5))
            if larger is not None:
                plain.append((explained(larger, thin, prior), larger))
    found = different(sorted(plain, key=lambda c: -c[0]))[:4]
    ghosted = _fitted(glass or [], thin, prior)
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
    found = different(sorted(found, key=lambda c: -c[0]))
    judged = []
    for score, pose in found[:5]:
        if score > 0.6 * found[0][0]:
            judged.append((score, pose))
            combed = with_comb(pose, points, PITCHES_MM)
            if combed is not None:
                combed = fit(combed, thin, prior, (2.0, 1.5))
            if combed is not None:
                combed = _checked_by_ends(grey, combed, thin, prior)
                judged.append((explained(combed, thin, prior) + worth(combed), combed))
    return sorted(judged, key=lambda c: -c[0])


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
