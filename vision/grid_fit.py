"""Ridge points and a rough grid pose -> the pose that fits them, and how well it explains them.

Every ridge point is given to the nearest column, row or tick of the null's comb, on the front of
the sheet or (glass) in the silver; then robust Gauss-Newton least squares of pose, focal length,
radial term and glass thickness, with derivatives written out (Hartley & Zisserman, Multiple View
Geometry, 2nd ed., ch. 6; refraction by Snell's law).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vision.grid_lines import Ridges
from vision.grid_pose import GLASS_INDEX, GridPose

Array = NDArray[np.float64]
MIN_LINES = 2  # a family needs at least this many distinct lattice lines, or ticks
MIN_TICKS = 5
END_TRUST = 3.0  # an end of a tick is seen once, a line in many points
COMB_MM, TICK_NEAR_MM, TICK_FAR_MM = 10.4, 0.12, 0.56  # the comb's reach, where its ticks show
COLUMN, ROW, TICK = 0, 1, 2
ONE_LINE, TWO_LINES = 2.2, 4.5  # of the ridge's scale: front and ghost nearer, farther than this
SHARED_NOISE = 10.0  # ridge points along a line that share one error
# Standard uncertainty that fresh points would not lessen: shading of the lines, lens, ghosts.
FLOOR_DEG, GHOST_FLOOR_DEG, BLENDED_FLOOR_DEG = 0.008, 0.03, 0.15
EITHER_LAYER_DEG, EITHER_LAYER_SHARE = 1.5, 0.75
FEW_LINES = 3  # of a family, for one on the wrong layer to pass
CLEAN_PX = 0.3  # rms of ridge points about a clean line
RAGGED_PX = 0.28  # above the scatter of clean lines, 0.1 to 0.25 px


@dataclass(frozen=True)
class View:
    """Ridge points seen through a pose: grid coordinates, pixels per pitch, direction mismatch."""

    grid: Array  # (N, 2) on the front of the sheet
    slide: Array  # (N, 2) by which a ghost's grid coordinates move for glass one pitch thick
    across: Array  # (N, 2) signed pixels for one pitch, across columns and across rows
    turned: NDArray[np.bool_]  # (N, 2) ridge direction agrees with columns, with rows


def _bare_rays(pose: GridPose, xy: Array) -> Array:
    """Undistorted x/f, y/f of pixels."""
    c = pose.camera
    d = (xy - (c.cx, c.cy)) / c.half_diagonal
    scale = np.ones(len(d))
    if c.k1:
        far2 = d[:, 0] ** 2 + d[:, 1] ** 2
        for _ in range(4):
            scale = 1 / (1 + c.k1 * far2 * scale * scale)
    return np.asarray(d * (scale * (c.half_diagonal / c.f))[:, None])


def _landing(pose: GridPose, rays: Array) -> Array:
    """Grid x, y where rays (grid axes) meet the sheet."""
    start = -pose.origin @ pose.rotation
    return np.asarray(start[:2] - rays[:, :2] * (start[2] / rays[:, 2])[:, None])


def _slide(rays: Array) -> Array:
    """How far glass one pitch thick moves the ghost's grid coordinates (Snell's law)."""
    across2 = rays[:, 0] ** 2 + rays[:, 1] ** 2
    full = across2 + rays[:, 2] ** 2
    return np.asarray(2 * rays[:, :2] / np.sqrt(GLASS_INDEX**2 * full - across2)[:, None])


def view_of(pose: GridPose, points: Ridges) -> View:
    """Where the points lie in the grid, and which way their ridges run there."""
    bare = _bare_rays(pose, points.xy)
    r = pose.rotation
    rays = np.asarray(bare @ r[:2] + r[2])
    grid = _landing(pose, rays)
    start = -pose.origin @ r
    depth = -start[2] / rays[:, 2]
    scale = pose.camera.f / depth
    across = np.empty((len(grid), 2))
    turned = np.empty((len(grid), 2), bool)
    ex, ey = (scale[:, None] * (r[:2, k] - bare * r[2, k]) for k in (0, 1))
    area = ex[:, 0] * ey[:, 1] - ex[:, 1] * ey[:, 0]
    for axis, e in ((COLUMN, ey), (ROW, ex)):
        length = np.sqrt(e[:, 0] ** 2 + e[:, 1] ** 2)
        across[:, axis] = area / length
        # sine of the angle between the ridge and the lattice line
        turn = (e[:, 0] * points.sine - e[:, 1] * points.cosine) / length
        turned[:, axis] = (np.abs(turn) < math.sin(math.radians(9))) & (np.abs(across[:, axis]) > 8)
    return View(grid, _slide(rays), across, turned)


@dataclass(frozen=True)
class Match:
    """Ridge points with the lattice lines that they lie on."""

    which: NDArray[np.intp]
    axis: NDArray[np.intp]  # COLUMN, ROW or TICK
    index: Array  # of the line, or of the tick in millimetres
    ghost: NDArray[np.bool_]
    target: Array  # grid coordinate of the line, pitches
    share: Array  # 0 on the front, 1 in the silver, between where both blur into one line
    trust: Array
    miss: Array  # pixels
    across: Array  # pixels for one pitch

    def __len__(self) -> int:
        return len(self.which)

    def with_ends(self, ends: Array) -> Match:
        """Together with ends of ticks at grid x ``ends``, as if they were points of columns."""
        n, across = len(ends), float(np.median(np.abs(self.across[self.axis == COLUMN])))
        zero = np.zeros(n)
        more = Match(
            np.full(n, -1), np.full(n, COLUMN), zero, zero > 0, ends, zero,
            np.full(n, END_TRUST), zero, np.full(n, across),
        )  # fmt: skip
        return Match(
            *(
                np.concatenate([getattr(self, name), getattr(more, name)])
                for name in self.__dataclass_fields__
            )
        )

    def picked(self, pick: NDArray[np.intp] | NDArray[np.bool_]) -> Match:
        """A part of the points."""
        return Match(*(getattr(self, name)[pick] for name in self.__dataclass_fields__))


def match(pose: GridPose, points: Ridges, gate: float) -> Match:
    """Each point's nearest lattice line within ``gate`` px, on the front or in the silver."""
    view = view_of(pose, points)
    layers = [(0.0, view.grid)]
    if pose.thickness is not None:
        layers.append((1.0, view.grid + pose.thickness * view.slide))
    misses, targets, indices, shares, axes = [], [], [], [], []
    for share, where in layers:
        index = np.round(where)
        miss = np.where(view.turned, (where - index) * view.across, np.inf)
        for axis in (COLUMN, ROW):
            misses.append(miss[:, axis])
            targets.append(index[:, axis])
            indices.append(index[:, axis])
        shares += [share, share]
        axes += [COLUMN, ROW]
        if pose.pitch_mm is not None:
            mm = where * pose.pitch_mm
            tick = np.round(mm[:, 1])
            aside = np.abs(mm[:, 0])
            on = view.turned[:, 1] & (aside > TICK_NEAR_MM) & (aside < TICK_FAR_MM)
            on &= (np.abs(tick) < COMB_MM) & (np.mod(tick, pose.pitch_mm) != 0)
            pixels = (mm[:, 1] - tick) * view.across[:, 1] / pose.pitch_mm
            misses.append(np.where(on, pixels, np.inf))
            targets.append(tick / pose.pitch_mm)
            indices.append(tick)
            shares.append(share)
            axes.append(TICK)
    every, target = np.stack(misses, axis=1), np.stack(targets, axis=1)
    trust = np.ones(every.shape)
    layer: Array = np.broadcast_to(np.array(shares), every.shape)
    if pose.thickness is not None:
        # a line and its ghost close by make one ridge midway, or pull at each other
        per = len(axes) // 2
        front, back = every[:, :per], every[:, per:]
        with np.errstate(invalid="ignore"):
            apart = np.abs(front - back) / points.scale[:, None]
            middle = (front + back) / 2
        blurred = np.tile(apart < ONE_LINE, 2)
        trust = np.where(np.tile(apart < TWO_LINES, 2), 0.08, 1.0)
        every = np.where(blurred, np.tile(middle, 2), every)
        target = np.where(blurred, np.tile((target[:, :per] + target[:, per:]) / 2, 2), target)
        layer = np.where(blurred, 0.5, layer)
    pick = np.argmin(np.abs(every), axis=1)
    row = np.arange(len(every))
    which = np.nonzero(np.abs(every[row, pick]) < gate)[0]
    pick = pick[which]
    axis = np.asarray(axes)[pick]
    return Match(
        which,
        axis,
        np.stack(indices, axis=1)[which, pick],
        layer[which, pick] > 0.7,
        target[which, pick],
        layer[which, pick],
        trust[which, pick],
        every[which, pick],
        view.across[which, np.minimum(axis, 1)],
    )


def _moved(pose: GridPose, p: Array) -> GridPose:
    """Pose after the small change p: rotation vector, origin (3), log f, k1, thickness."""
    camera = replace(
        pose.camera, f=pose.camera.f * math.exp(float(p[6])), k1=pose.camera.k1 + float(p[7])
    )
    depth = float(np.linalg.norm(pose.origin))
    # the origin moves with the focal length, so that a change of f leaves the picture's scale
    origin = (pose.origin + depth * p[3:6]) * (1, 1, math.exp(float(p[6])))
    thickness = None if pose.thickness is None else pose.thickness + float(p[8])
    rotation = _small_turn(p[:3]) @ pose.rotation
    return replace(pose, camera=camera, rotation=rotation, origin=origin, thickness=thickness)


def _small_turn(v: Array) -> Array:
    """Rotation matrix of a rotation vector (Rodrigues' formula)."""
    angle = math.sqrt(float(v @ v))
    k = np.array([[0, -v[2], v[1]], [v[2], 0, -v[0]], [-v[1], v[0], 0]])
    if angle < 1e-9:
        return np.asarray(np.eye(3) + k)
    return np.asarray(
        np.eye(3) + math.sin(angle) / angle * k + (1 - math.cos(angle)) / angle**2 * (k @ k)
    )


def _cross(a: Array, b: Array) -> Array:
    """Cross products of rows; `numpy.cross` takes several times as long."""
    x, y, z = a.T
    p, q, r = b.T
    return np.stack([y * r - z * q, z * p - x * r, x * q - y * p], axis=1)


def residuals(pose: GridPose, xy: Array, matched: Match) -> tuple[Array, Array]:
    """Pixels from each point's lattice line, (N,), and their derivatives by `_moved`'s p, (N, 9).

    With X the landing of the ray u and o the origin, a coordinate of X in the grid changes by
    v.dX, v = e_axis less the sheet's normal times the ray's slope; a turn w gives
    v.((X - o) x w), a shift of o gives -v.do, a change of the ray gives depth v.du.
    """
    r = pose.rotation
    bare = _bare_rays(pose, xy)
    u = np.column_stack([bare, np.ones(len(bare))])
    rays = u @ r
    start = -pose.origin @ r
    depth = -start[2] / rays[:, 2]
    grid = start[:2] + rays[:, :2] * depth[:, None]
    side = np.minimum(matched.axis, 1)
    row = np.arange(len(xy))
    slope = rays[:, :2] / rays[:, 2:]
    vx = r[:, 0] - slope[:, :1] * r[:, 2]
    vy = r[:, 1] - slope[:, 1:] * r[:, 2]
    v = np.where(side[:, None] == 0, vx, vy)
    value = grid[row, side] - matched.target
    from_origin = depth[:, None] * u - pose.origin
    jac = np.empty((len(xy), 9))
    jac[:, :3] = _cross(v, from_origin)
    jac[:, 3:6] = -float(np.linalg.norm(pose.origin)) * v
    by_ray = depth[:, None] * v  # derivative by the ray
    jac[:, 8] = 0.0
    if pose.thickness is not None:
        t = matched.share * pose.thickness
        slide = _slide(rays)
        value = value + t * slide[row, side]
        q = -slope  # rays go down: their third component is negative
        long2 = (GLASS_INDEX**2 - 1) * (q[:, 0] ** 2 + q[:, 1] ** 2) + GLASS_INDEX**2
        long = np.sqrt(long2)
        a = -2 * q[row, side][:, None] * (GLASS_INDEX**2 - 1) * q / (long2 * long)[:, None]
        a[row, side] += 2 / long
        bent = (t / -rays[:, 2])[:, None] * (a[:, :1] * vx + a[:, 1:] * vy)
        jac[:, :3] += _cross(bent, u)
        by_ray = by_ray + bent
        jac[:, 8] = matched.share * slide[row, side]
    flat = by_ray[:, 0] * bare[:, 0] + by_ray[:, 1] * bare[:, 1]
    jac[:, 6] = -flat - v[:, 2] * pose.origin[2]
    r2 = (bare[:, 0] ** 2 + bare[:, 1] ** 2) * (pose.camera.f / pose.camera.half_diagonal) ** 2
    jac[:, 7] = -flat * r2 / (1 + 3 * pose.camera.k1 * r2)
    return value * matched.across, jac * matched.across[:, None]


def _equations(
    pose: GridPose, xy: Array, matched: Match, focal: tuple[float, float]
) -> tuple[Array, Array]:
    """Normal equations of `_moved`'s p, Cauchy weights and priors of the lens included."""
    r, jac = residuals(pose, xy, matched)
    sigma = max(1.48 * float(np.median(np.abs(r))), 0.12)
    weight = matched.trust / (1 + (r / (2 * sigma)) ** 2) / sigma**2
    weight /= SHARED_NOISE
    normal = (jac * weight[:, None]).T @ jac
    right = -(jac * weight[:, None]).T @ r
    normal[6, 6] += 1 / focal[1] ** 2
    right[6] += (focal[0] - math.log(pose.camera.f)) / focal[1] ** 2
    normal[7, 7] += 1 / 0.06**2
    right[7] -= pose.camera.k1 / 0.06**2
    normal[8, 8] += 1e-6 if pose.thickness is not None else 1e6
    return normal + 1e-9 * np.diag(np.diag(normal)), right


def fit(
    pose: GridPose,
    points: Ridges,
    focal: tuple[float, float],
    gates: tuple[float, ...] = (3.0, 1.5),
    most: int = 400,
    rounds: int = 4,
    ends: tuple[Array, Array] | None = None,
) -> GridPose | None:
    """Robust (Cauchy) Gauss-Newton of pose, focal length, radial term and glass thickness.

    Parameters
    ----------
    pose : GridPose
        Start; lines to within about a tenth of a pitch.
    points : Ridges
    focal : (float, float)
        Prior mean and standard deviation of the log of the focal length in pixels.
    gates : tuple of float
        Distances in pixels within which points count, one stage after another.
    most, rounds : int
        Points used, and steps a stage.
    ends : (ndarray (M, 2), ndarray (M,)), optional
        Pixels of ends of ticks, and their grid x.

    Returns
    -------
    GridPose or None
        None where too few points or lines lie on the lattice, or the lens would be absurd.
    """
    normal = np.eye(9)
    least = min(100.0, 0.1 * len(points.xy))
    for gate in gates:
        for _ in range(rounds):
            matched = match(pose, points, gate)
            if len(matched) > most:
                matched = matched.picked(np.linspace(0, len(matched) - 1, most).astype(int))
            if len(matched) < least:
                return None
            xy = points.xy[matched.which]
            if ends is not None:
                xy, matched = np.concatenate([xy, ends[0]]), matched.with_ends(ends[1])
            normal, right = _equations(pose, xy, matched, focal)
            try:
                step = np.linalg.solve(normal, right)
            except np.linalg.LinAlgError:
                return None
            step[6] = np.clip(step[6], -0.2, 0.2)
            if np.max(np.abs(step[:3])) > 0.3:
                return None
            pose = _moved(pose, np.asarray(step, float))
            if pose.thickness is not None and not 0.03 < pose.thickness < 4:
                pose = replace(pose, thickness=None)
            if abs(pose.camera.k1) > 0.3 or abs(math.log(pose.camera.f) - focal[0]) > max(
                4 * focal[1], 0.3
            ):
                return None
            if np.max(np.abs(step[:3])) < (3e-5 if gate == gates[-1] else 1e-3):
                break
    matched = match(pose, points, gates[-1])
    if len(matched) < least:
        return None
    columns, rows = (counted(matched.index[matched.axis == axis]) for axis in (COLUMN, ROW))
    ticks = len(counted(matched.index[matched.axis == TICK], 3))
    enough = 1 if ticks >= MIN_TICKS else MIN_LINES
    if min(len(columns), len(rows)) < enough:
        return None
    rms_px = float(np.sqrt(np.mean(matched.miss**2)))
    # scatter above that of clean ridges is shared by whole lines: bent, or not the lattice's
    shared = max(0.0, (rms_px / CLEAN_PX) ** 2 - 1)
    a_line = min(len(matched), most) / (2 * (len(columns) + len(rows) + ticks / 4))
    covariance = np.linalg.pinv(normal) * (1 + shared * a_line / SHARED_NOISE)
    floor = FLOOR_DEG if pose.thickness is None else GHOST_FLOOR_DEG
    for axis in (COLUMN, ROW):
        if np.sum((matched.axis == axis) & (matched.trust == 1)) < 10:
            # every line of the family has its ghost too near; ragged ones wander from midway
            floor = BLENDED_FLOOR_DEG * max(1.0, rms_px / RAGGED_PX) ** 2
    if on_either_layer(pose, columns, rows):
        floor = max(floor, EITHER_LAYER_DEG)
    covariance[:3, :3] += np.eye(3) * math.radians(floor) ** 2
    keep = [0, 1, 2, 6]
    return replace(
        pose,
        covariance=np.asarray(covariance[np.ix_(keep, keep)], float),
        rms_px=rms_px,
        columns=columns,
        rows=rows,
        ticks=ticks,
        support=float(points.weight[matched.which].sum() / points.weight.sum()),
    )


def on_either_layer(pose: GridPose, columns: tuple[int, ...], rows: tuple[int, ...]) -> bool:
    """Whether in glass a family has so few lines that one on the wrong layer would fit as well."""
    return pose.thickness is not None and min(len(columns), len(rows)) < FEW_LINES


def counted(index: Array, least: int = 5) -> tuple[int, ...]:
    """Indices that occur at least ``least`` times."""
    values, counts = np.unique(index, return_counts=True)
    return tuple(int(v) for v, c in zip(values, counts, strict=True) if c >= least)


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
    if on_either_layer(pose, pose.columns, pose.rows):
        share *= EITHER_LAYER_SHARE  # glass fits anything the better the fewer lines there are
    return share - 0.02 * oddness**2


def swapped(
    best: tuple[float, GridPose], points: Ridges, prior: tuple[float, float]
) -> tuple[float, GridPose]:
    """Undo a front/ghost mix-up in one family of lines, where that explains more.

    Fronts of the columns with ghosts of the rows also make a good lattice, but a tilted one.
    """
    _score, pose = best
    if pose.thickness is None:
        return best
    slide = np.median(view_of(pose, points).slide, axis=0) * pose.thickness
    some = points.thinned(600)
    level = explained(pose, some, prior, 2.0)
    for move in ((1, 0), (-1, 0), (0, 1), (0, -1)):
        start = replace(pose, origin=pose.origin + pose.rotation[:, :2] @ (slide * move))
        tried = fit(start, some, prior, (3.0, 2.0))
        if tried is None or explained(tried, some, prior, 2.0) < level - 0.05:
            continue
        tried = fit(tried, points, prior, (1.5,))
        reach = -1.0 if tried is None else explained(tried, points, prior)
        if tried is not None and reach > best[0]:
            best = (reach, tried)
    return best


def line_swapped(
    pose: GridPose, points: Ridges, prior: tuple[float, float]
) -> list[tuple[float, GridPose]]:
    """Poses with one line's front taken for its ghost, or the other way round, and their scores.

    A line that shows on one layer only may be on either. With two or three lines a family nothing
    but these poses' fits tells which, so that they are rivals of the first.
    """
    matched = match(pose, points, 1.5)
    out = []
    for axis in (COLUMN, ROW):
        of_axis = matched.axis == axis
        lines = counted(matched.index[of_axis])
        if len(lines) > FEW_LINES:
            continue
        for line in lines:
            here = of_axis & (matched.index == line) & (matched.trust == 1)
            front, ghost = (here & (matched.share == k) for k in (0.0, 1.0))
            if min(front.sum(), ghost.sum()) > 0.3 * max(front.sum(), ghost.sum(), 20):
                continue
            share = np.where(here, 1 - matched.share, matched.share)
            moved: GridPose | None = pose
            for _ in range(5):
                if moved is None or moved.thickness is None:
                    break
                normal, right = _equations(
                    moved, points.xy[matched.which], replace(matched, share=share), prior
                )
                step = np.asarray(np.linalg.solve(normal, right), float)
                step[6] = np.clip(step[6], -0.2, 0.2)
                moved = _moved(moved, step) if np.max(np.abs(step[:3])) < 0.3 else None
            moved = None if moved is None else fit(moved, points, prior, (3.0, 1.5))
            if moved is not None:
                out.append((explained(moved, points, prior), moved))
    return out


def has_ghosts(pose: GridPose, points: Ridges) -> bool:
    """Whether ghosts of columns and rows, three in all, were seen, in glass of a likely depth."""
    if pose.thickness is None or pose.thickness > 1.3:
        return False
    matched = match(pose, points, 1.5)
    alone = [counted(matched.index[matched.ghost & (matched.axis == k)]) for k in (COLUMN, ROW)]
    back = [
        counted(matched.index[(matched.share > 0) & (matched.axis == k)]) for k in (COLUMN, ROW)
    ]
    enough = len(back[0]) + len(back[1]) >= 3 and min(len(back[0]), len(back[1])) >= 1
    # ghosts of one family only, midway between its lines: as well the lines of smaller cells
    slide = np.median(view_of(pose, points).slide, axis=0) * pose.thickness
    midway = np.abs(np.mod(slide, 1) - 0.5) < 0.07
    if any(midway[k] and not alone[1 - k] for k in (COLUMN, ROW)):
        return False
    return enough and len(alone[0]) + len(alone[1]) >= 2


def with_ghost(pose: GridPose, points: Ridges) -> GridPose | None:
    """The pose with the glass thickness that explains most of what the front lattice does not."""
    view = view_of(pose, points)
    miss = np.where(view.turned, (view.grid - np.round(view.grid)) * view.across, np.inf)
    rest = np.all(np.abs(miss) > 2.0, axis=1) & np.any(view.turned, axis=1)
    if rest.sum() < 60:
        return None
    grid, slide = view.grid[rest], view.slide[rest]
    across, turned = view.across[rest], view.turned[rest]
    weight = points.weight[rest]
    steps = np.arange(0.10, 1.5, 0.015)
    gain = np.empty(len(steps))
    for k, thickness in enumerate(steps):
        where = grid + thickness * slide
        away = np.where(turned, (where - np.round(where)) * across, np.inf)
        m = np.min(np.abs(away), axis=1)
        gain[k] = np.sum(weight * np.maximum(0, 1 - (m / 3.0) ** 2))
    k = int(np.argmax(gain))
    if gain[k] < 0.12 * weight.sum() or gain[k] < 1.5 * np.median(gain):
        return None
    return replace(pose, thickness=float(steps[k]))


def twice_as_large(pose: GridPose) -> list[GridPose]:
    """Poses with cells twice as large where every other column, or every other row, is missing.

    Rows and their ghosts together pass for rows half as far apart.
    """
    columns, rows = (sorted({k % 2 for k in lines}) for lines in (pose.columns, pose.rows))
    if len(columns) == len(rows) == 2:
        return []
    thickness = None if pose.thickness is None else pose.thickness / 2
    return [
        replace(
            pose,
            origin=(pose.origin + pose.rotation[:, :2] @ np.array([i, j], float)) / 2,
            thickness=thickness,
            pitch_mm=None,
        )
        for i in columns
        for j in rows
    ]
