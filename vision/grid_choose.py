"""Which of several grid poses is the printed grid: what each explains, and what speaks against it.

A lattice is judged by the share of ridges that lie on it, by gaps among its lines and by how odd
its camera would be; rivals that explain nearly as much widen the uncertainty or end in a refusal.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from vision.grid_fit import MIN_TICKS, on_either_layer
from vision.grid_lines import Ridges
from vision.grid_match import COLUMN, ROW, counted, doubled, match
from vision.grid_pose import GridPose, apart

Candidate = tuple[float, GridPose]  # score, pose
THIN = 1500  # ridge points by which poses are compared
END_WORTH, MOST_ENDS = 0.015, 20
MOST_ODD_LENS = 3.0  # standard deviations of the log of the focal length
SURE_SCORE, SURE_TICKS, SURE_SCORE_WITH_COMB = 0.75, 8, 0.55
RIVAL_FROM, MOST_RIVAL_DEG = 0.85, 2.0
LEAST_SUPPORT_WITH_TICKS = 0.4
ENOUGH_LINES = 8  # for scatter to be the sheet's, not chance
MOST_SCATTER_PX = 0.45  # half of that of points strewn within the gate of 1.5 px
EITHER_LAYER_TILT_DEG = 0.75
LEAST_SUPPORT, LEAST_FILLED = 0.51, 0.45  # right lattices reach 0.52-0.97 and 0.5-1.0
# of the ridges, or ends of many ticks: no chance, whatever the scatter of broad lines
MOST_OF_ALL, SURE_ENDS = 0.8, 12
EITHER_LAYER_SHARE = 0.75
USUAL_DOUBLED = 0.4  # of the lines' lengths in glass, seen on both layers


def filled(pose: GridPose) -> float:
    """Share of the lattice lines between the outermost ones that were seen."""
    columns, rows = (len(s) / (max(s) - min(s) + 1) for s in (pose.columns, pose.rows))
    return columns * rows


def explained(
    pose: GridPose, points: Ridges, prior: tuple[float, float], gate: float = 1.5
) -> float:
    """Share of ridge weight on lattice and ghost, less gaps, scatter and an odd focal length."""
    matched = match(pose, points, gate)
    weight = points.weight[matched.which]
    closeness = 1 - (matched.miss / gate) ** 2
    base = float(np.sum(weight * closeness))
    oddness = (math.log(pose.camera.f) - prior[0]) / prior[1]
    share = base / float(points.weight.sum()) * filled(pose) ** 0.75
    if on_either_layer(pose):
        share *= EITHER_LAYER_SHARE  # glass fits anything the better the fewer lines there are
    if pose.thickness is not None:
        share *= math.sqrt(min(1.0, doubled(matched) / USUAL_DOUBLED))
    return share - 0.02 * oddness**2


def different(found: list[Candidate]) -> list[Candidate]:
    """Without those that came to the same pose as a better one."""
    out: list[Candidate] = []
    for score, pose in found:
        if not any(np.allclose(pose.rotation, p.rotation, atol=2e-3)
                   and abs(pose.origin[2] / p.origin[2] - 1) < 0.05 for _, p in out):  # fmt: skip
            out.append((score, pose))
    return out


def worth(pose: GridPose) -> float:
    """What seen ends of ticks add to the share of ridges explained.

    Ticks that keep step with millimetres and end half a millimetre from their column on both sides
    are few pixels, but nothing else looks so.
    """
    return END_WORTH * min(pose.ends, MOST_ENDS)


def on_common_ground(
    first: list[Candidate],
    second: list[Candidate],
    dark: Ridges,
    every: Ridges,
    lens: tuple[float, float, float, float],
) -> tuple[list[Candidate], Ridges]:
    """All candidates judged on both sets of points, best first, and the points for the best.

    Bright ridges bring speckle, which lowers every share alike, and are all there is of ink before
    a black reflection: a candidate's shares of both sets are added.
    """
    prior = (math.log(lens[0]), lens[3])
    sets = [points.thinned(THIN) for points in (dark, every) if len(points.xy)]
    judged = [
        ([explained(pose, thin, prior) for thin in sets], pose)
        for _, pose in different(sorted(first + second, key=lambda c: -c[0]))
    ]
    if not judged:
        return [], dark
    judged.sort(key=lambda c: -sum(c[0]) - 2 * worth(c[1]))
    shares, best = judged[0]
    in_dark = len(sets) > 1 and shares[0] >= shares[1] and _shows(best, sets[0])
    points = dark if in_dark else every
    mean = sum(shares) / len(shares) + worth(best)
    scale = (max(shares) + worth(best)) / max(mean, 1e-6)  # as if on the better set alone
    return [((sum(some) / len(some) + worth(pose)) * scale, pose) for some, pose in judged], points


def _shows(pose: GridPose, points: Ridges) -> bool:
    """Whether lines of both families are among the points."""
    matched = match(pose, points, 1.5)
    return all(counted(matched.index[matched.axis == axis]) for axis in (COLUMN, ROW))


def is_sure(score: float, pose: GridPose) -> bool:
    """Whether so much is explained by so many lines that no other guess need be tried."""
    if min(len(pose.columns), len(pose.rows)) < 2:
        return False
    if pose.layers_told and score > SURE_SCORE_WITH_COMB:
        return True  # lines with their ghosts are twice as many
    if pose.ticks >= SURE_TICKS and score > SURE_SCORE_WITH_COMB:
        return True
    return score > SURE_SCORE and len(pose.columns) + len(pose.rows) >= 7


def is_plausible(pose: GridPose) -> bool:
    """Seen from above at 12 to 70 degrees, columns running away within 50 degrees."""
    ahead = np.array([0.0, 0.0, 1.0]) @ pose.rotation
    low, high = math.sin(math.radians(12)), math.sin(math.radians(70))
    return low < -ahead[2] < high and ahead[1] > math.cos(math.radians(50)) * np.hypot(*ahead[:2])


def usual_lens(pose: GridPose, prior: tuple[float, float]) -> bool:
    """With few lines a wrong number of cells between them passes for another focal length."""
    if len(pose.columns) + len(pose.rows) >= 7:
        return True
    return abs(math.log(pose.camera.f) - prior[0]) < MOST_ODD_LENS * prior[1]


def well_seen(pose: GridPose, free_focal: bool) -> bool:
    """Whether so much of the dark lines lies on the lattice that it can be no chance.

    Ticks count for lines, but with the lens free to fit them chance has them, too.
    """
    lines = (len(pose.columns) + len(pose.rows)) * (2 if pose.layers_told else 1)
    if any(len(family) == 2 and np.diff(family) > 1 for family in (pose.columns, pose.rows)):
        return False  # two lines of a family, and none seen between them
    told = pose.support >= MOST_OF_ALL or pose.ends >= SURE_ENDS
    combed = pose.ticks >= SURE_TICKS and told
    if lines < ENOUGH_LINES and pose.rms_px > MOST_SCATTER_PX and not combed:
        return False
    if pose.ticks >= MIN_TICKS and not (free_focal and pose.support < LEAST_SUPPORT_WITH_TICKS):
        return True
    return pose.support >= LEAST_SUPPORT and filled(pose) >= LEAST_FILLED


def tilt_u_deg(pose: GridPose) -> float:
    """Standard uncertainty of the sheet's tilt about the line across, degrees."""
    return turn_u_deg(pose, 0)


def turn_u_deg(pose: GridPose, axis: int) -> float:
    """Standard uncertainty of the sheet's turn about one of the grid's axes, degrees."""
    about = pose.rotation[:, axis]
    return math.degrees(math.sqrt(float(about @ pose.covariance[:3, :3] @ about)))


def with_layer_doubt(pose: GridPose) -> GridPose:
    """The pose with a wider tilt where two lines of a family may lie on two layers of glass.

    Where half the ridges are left over, ghosts may be among them, and one of the two lines be a
    ghost; ends of ticks compare the families' scales too roughly to tell.
    """
    few = min(len(pose.columns), len(pose.rows)) <= 2
    if pose.thickness is not None or not few or pose.support >= LEAST_SUPPORT:
        return pose
    covariance = pose.covariance.copy()
    across = pose.rotation[:, 0]
    covariance[:3, :3] += math.radians(EITHER_LAYER_TILT_DEG) ** 2 * np.outer(across, across)
    return replace(pose, covariance=covariance)


def with_rivals(pose: GridPose, rivals: list[Candidate], best: float) -> GridPose | None:
    """The covariance with its share of lattices that explain nearly as much; None if far off."""
    covariance, widest = pose.covariance.copy(), 0.0
    for score, rival in rivals:
        weight = (score / best - RIVAL_FROM) / (1 - RIVAL_FROM)
        if weight <= 0:
            continue
        turn = apart(rival, pose)
        away = weight * float(np.linalg.norm(turn))
        if away > widest:
            widest = away
            covariance[:3, :3] = pose.covariance[:3, :3] + weight**2 * np.outer(turn, turn)
    if math.degrees(widest) > MOST_RIVAL_DEG:
        return None
    return replace(pose, covariance=covariance)
