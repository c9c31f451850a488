"""Straight lines and ridge points -> guesses of the grid's pose.

Two ways. `lattices`: two and two lines with small spacings make a homography of square cells
(Hartley & Zisserman, Multiple View Geometry, 2nd ed., ch. 2 and 8). `crossed`: with the focal
length known, one column and one row that cross at right angles leave only the elevation and the
scale free; both are searched, and the null's comb of 1 mm ticks tells which cross is the null and
how many millimetres a cell has. One column, one row and the comb are enough.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vision.camera import Camera
from vision.grid_lines import Line, Ridges
from vision.grid_pose import GridPose
from vision.photo import FocalPrior

Array = NDArray[np.float64]
HYPOTHESES_KEPT = 8
HORIZONTAL_MAX_DEG = 34.0
VERTICAL_MIN_DEG = 26.0
PITCHES_MM = (5.0, 10.0)
DISTANCES_MM = (60.0, 260.0)  # of a phone from the stylus
LEAST_LINE_PX = 35.0  # of a printed line, for it to count as seen


def focal_range(focal: FocalPrior, factor: float) -> tuple[float, float, float, float]:
    """Likely, least and greatest focal length (px) and the log's standard deviation."""
    f = focal.f_px * factor
    if focal.source == "guess":
        # no EXIF: a main camera, or the same through a clip-on lens or cropped; the grid tells
        low, high = 0.6 * f, 12.0 * f
        return math.sqrt(low * high), low, high, math.log(high / low) / 2
    if focal.low_high is not None:
        low, high = (v * factor for v in focal.low_high)
        return math.sqrt(low * high), low, high, max(math.log(high / low) / 2, 0.3)
    spread = max(2.5 * focal.relative_u, 0.08)
    return f, f * math.exp(-spread), f * math.exp(spread), focal.relative_u


def families(lines: list[Line]) -> tuple[list[Line], list[Line]]:
    """Lines that may be columns and lines that may be rows, longest first."""
    along = sorted((v for v in lines if v.tilt_deg >= VERTICAL_MIN_DEG), key=lambda v: -v.weight)
    across = sorted((v for v in lines if v.tilt_deg <= HORIZONTAL_MAX_DEG), key=lambda v: -v.weight)
    return along, across


def lattices(
    lines: list[Line], centre: tuple[float, float], f_range: tuple[float, float]
) -> list[tuple[float, Array]]:
    """Best distinct (focal length, homography grid -> undistorted pixels) from 2 x 2 lines."""
    along, across = families(lines)
    if len(across) < 2 or len(along) < 2:
        return []
    pairs_a = _pairs(across[:10])
    pairs_v = _pairs(along[:9])
    if not pairs_a or not pairs_v:
        return []
    spacing = np.array(
        [(a, b) for a in (1, 2, 3) for b in (1, 2, 3) if not (a == b and a > 1)], float
    )
    every_v = np.array([[_homogeneous(x) for x in v] for v in pairs_v])
    every_h = np.array([[_homogeneous(x) for x in h] for h in pairs_a])
    i, j, k = (
        m.ravel()
        for m in np.meshgrid(
            np.arange(len(every_v)),
            np.arange(len(every_h)),
            np.arange(len(spacing)),
            indexing="ij",
        )
    )
    lv, lh, a, b = every_v[i], every_h[j], spacing[k, 0], spacing[k, 1]
    # node (i, j) is where column i meets row j; rows count upwards in the picture
    corners = np.stack(
        [
            np.cross(lv[:, 0], lh[:, 0]),
            np.cross(lv[:, 1], lh[:, 0]),
            np.cross(lv[:, 0], lh[:, 1]),
            np.cross(lv[:, 1], lh[:, 1]),
        ],
        axis=1,
    )
    with np.errstate(all="ignore"):
        corners = corners[:, :, :2] / corners[:, :, 2:]
    good = np.all(np.isfinite(corners) & (np.abs(corners) < 1e5), axis=(1, 2))
    grid = np.stack(
        [
            np.stack([0 * a, 0 * a], 1),
            np.stack([a, 0 * a], 1),
            np.stack([0 * a, b], 1),
            np.stack([a, b], 1),
        ],
        axis=1,
    )
    corners, grid = corners[good], grid[good]
    homographies = _homographies(grid, corners)
    f, mismatch = _square_mismatch(homographies, f_range)
    keep = mismatch < 0.12
    homographies, f, mismatch = homographies[keep], f[keep], mismatch[keep]
    if not len(homographies):
        return []
    score = _lattice_score(homographies, along, across)
    score *= np.exp(-0.5 * (mismatch / 0.06) ** 2)
    order = np.argsort(-score)
    chosen: list[tuple[float, Array]] = []
    seen: list[Array] = []
    for i in order:
        if score[i] < 0.5 * score[order[0]] or len(chosen) >= HYPOTHESES_KEPT:
            break
        signature = _signature(homographies[i])
        if any(np.all(np.abs(signature - s) < (0.03, 0.03, 0.02, 0.02, 0.04)) for s in seen):
            continue
        seen.append(signature)
        chosen.append((float(f[i]), homographies[i]))
    return chosen


def _pairs(lines: list[Line]) -> list[tuple[Line, Line]]:
    horizontal = lines[0].tilt_deg < 45
    out = []
    for i, p in enumerate(lines):
        for q in lines[i + 1 :]:
            mid_p, mid_q = (p.p + p.q) / 2, (q.p + q.q) / 2
            n = _homogeneous(p)
            if abs(n[:2] @ mid_q + n[2]) < 12:
                continue
            if horizontal:  # lower in the picture first: y of the grid points away
                out.append((p, q) if _at(p, 0) > _at(q, 0) else (q, p))
            else:
                out.append((p, q) if mid_p[0] < mid_q[0] else (q, p))
    return out


def _at(line: Line, x: float) -> float:
    d = line.q - line.p
    return float(line.p[1] + d[1] * (x - line.p[0]) / (d[0] if abs(d[0]) > 1e-9 else 1e-9))


def _homogeneous(line: Line) -> Array:
    d = line.q - line.p
    n = np.array([-d[1], d[0]]) / np.hypot(*d)
    return np.array([n[0], n[1], -n @ line.p])


def _homographies(src: Array, dst: Array) -> Array:
    """Exact homographies of four points each, batched, with the last element 1."""
    n = len(src)
    m = np.zeros((n, 8, 8))
    rhs = np.zeros((n, 8))
    for k in range(4):
        x, y = src[:, k, 0], src[:, k, 1]
        u, v = dst[:, k, 0], dst[:, k, 1]
        one, zero = np.ones(n), np.zeros(n)
        m[:, 2 * k] = np.stack([x, y, one, zero, zero, zero, -u * x, -u * y], 1)
        m[:, 2 * k + 1] = np.stack([zero, zero, zero, x, y, one, -v * x, -v * y], 1)
        rhs[:, 2 * k], rhs[:, 2 * k + 1] = u, v
    m += 1e-12 * np.eye(8)
    h = np.linalg.solve(m, rhs[:, :, None])[:, :, 0]
    return np.concatenate([h, np.ones((n, 1))], axis=1).reshape(n, 3, 3)


def _square_mismatch(h: Array, f_range: tuple[float, float]) -> tuple[Array, Array]:
    """Least mismatch from square cells at right angles over the focal range, and where."""
    steps = max(3, math.ceil(math.log(f_range[1] / f_range[0]) / 0.06))
    best = np.full(len(h), np.inf)
    chosen = np.zeros(len(h))
    for f in np.geomspace(f_range[0], f_range[1], steps):
        c1 = h[:, :, 0] / (f, f, 1)
        c2 = h[:, :, 1] / (f, f, 1)
        n1, n2 = np.linalg.norm(c1, axis=1), np.linalg.norm(c2, axis=1)
        dot = np.sum(c1 * c2, axis=1) / (n1 * n2)
        miss = np.hypot(np.log(n1 / n2), dot)
        chosen = np.where(miss < best, f, chosen)
        best = np.minimum(best, miss)
    return chosen, best


def _lattice_score(h: Array, along: list[Line], across: list[Line]) -> Array:
    inverse = np.linalg.inv(h)
    score = np.ones(len(h))
    for axis, family in ((0, along), (1, across)):
        ends = np.array([[ln.p, ln.q] for ln in family]).reshape(-1, 2)
        weight = np.array([ln.weight for ln in family])
        q = np.einsum("nij,kj->nki", inverse, np.column_stack([ends, np.ones(len(ends))]))
        with np.errstate(all="ignore"):
            where = (q[:, :, axis] / q[:, :, 2]).reshape(len(h), -1, 2)
        where = np.nan_to_num(where, nan=0.5, posinf=0.5, neginf=0.5)
        index = np.round(where.mean(axis=2))
        miss = where - index[:, :, None]
        fit = np.exp(-np.sum(miss**2, axis=2) / (2 * 0.035**2))
        explained = fit @ weight
        index = np.clip(index, -40, 40).astype(int) + 40
        table = np.zeros((len(h), 81))
        np.maximum.at(table, (np.arange(len(h))[:, None], index), fit)
        hit = table > 0.3
        count = hit.sum(axis=1)
        first = np.argmax(hit, axis=1)
        last = 80 - np.argmax(hit[:, ::-1], axis=1)
        extent = np.maximum(last - first + 1, 1)
        coverage = count / extent
        score *= explained * np.where(count >= 2, coverage**1.2, 0.0)
    return np.sqrt(score)


def _signature(h: Array) -> Array:
    """What tells two lattices apart: node position modulo the pitch, cell size and shape."""
    inverse = np.linalg.inv(h)
    o = inverse @ (0, 0, 1)
    x, y = o[:2] / o[2]
    step = 1e-3

    def image(u: float, v: float) -> Array:
        p = h @ (u, v, 1)
        return np.asarray(p[:2] / p[2])

    ex = (image(x + step, y) - image(x, y)) / step
    ey = (image(x, y + step) - image(x, y)) / step
    return np.array(
        [
            x - math.floor(x),
            y - math.floor(y),
            math.log(np.hypot(*ex)),
            math.log(np.hypot(*ey)),
            math.atan2(ey[1], ey[0]),
        ]
    )


def pose_from_homography(camera: Camera, h: Array) -> GridPose | None:
    """The nearest rigid pose to a homography grid -> undistorted pixels about the centre."""
    m = h / np.array([[camera.f], [camera.f], [1.0]])
    scale = 0.5 * (np.linalg.norm(m[:, 0]) + np.linalg.norm(m[:, 1]))
    m = m / scale
    if m[2, 2] < 0:
        m = -m
    x, y = m[:, 0], m[:, 1]
    z = np.cross(x, y)
    u, _, vt = np.linalg.svd(np.column_stack([x, y, z]))
    rotation = u @ np.diag([1, 1, np.linalg.det(u @ vt)]) @ vt
    origin = m[:, 2]
    if rotation[:, 2] @ origin > 0:  # the printed side must face the camera
        return None
    return GridPose(camera, rotation, origin, np.zeros((4, 4)), math.inf, 0.0, (), ())


# --------------------------------------------------------------------------- one and one line


def crossed(
    lines: list[Line], points: Ridges, camera: Camera, keep: int = 8
) -> list[tuple[float, GridPose]]:
    """Best distinct poses from one column, one row, an elevation and a scale, with their scores."""
    columns, rows = families(lines)
    planes = Planes.through(columns[:7], rows[:7], camera)
    if planes is None:
        return []
    thin = points.thinned(800)
    xy = (camera.undistort(thin.xy) - (camera.cx, camera.cy)) / camera.f
    x, y, weight_x, weight_y = planes.landings(xy, thin)
    # pixels at the cross, rows shortened as the camera sees them
    short = np.sin(planes.phi)
    x, y = x * camera.f, y * camera.f * short[:, None]
    reach = int(camera.half_diagonal)
    sums_x, sums_y = _running(x, weight_x, reach), _running(y, weight_y, reach)
    low = max(0.17 * reach, camera.f * PITCHES_MM[0] / DISTANCES_MM[1])
    high = min(1.9 * reach, camera.f * PITCHES_MM[1] / DISTANCES_MM[0])
    if low > 0.9 * high:
        return []
    pitch = np.geomspace(low, high, math.ceil(math.log(high / low) / 0.022) + 1)
    rise = _combs(sums_x, np.broadcast_to(pitch, (len(x), len(pitch))), reach)
    rise += _combs(sums_y, short[:, None] * pitch, reach)
    peak = rise.copy()
    peak[:, 1:-1] = np.where(
        (rise[:, 1:-1] >= rise[:, :-2]) & (rise[:, 1:-1] >= rise[:, 2:]), rise[:, 1:-1], -1.0
    )
    order = np.argsort(-peak, axis=None)[:700]
    plane, step = np.divmod(order, len(pitch))
    found = _judged(planes, plane, pitch[step] / camera.f, xy, thin, camera, len(points.xy))
    return _distinct(found, keep)


class Planes:
    """Planes at unit distance through a cross: axes, and the ray to the cross; M of them."""

    def __init__(self, across: Array, along: Array, normal: Array, cross: Array, phi: Array):
        self.across, self.along, self.normal, self.cross = across, along, normal, cross
        self.phi = phi

    @classmethod
    def through(
        cls, columns: list[Line], rows: list[Line], camera: Camera, every: int = 1
    ) -> Planes | None:
        """Planes of ``every`` so many elevations through each column and row, or None."""
        if not columns or not rows:
            return None
        to_ray = np.array([camera.f, camera.f, 1.0])
        normal_c = np.array([_homogeneous(v) for v in columns]) * to_ray
        normal_r = np.array([_homogeneous(v) for v in rows]) * to_ray
        i, j = (v.ravel() for v in np.meshgrid(range(len(columns)), range(len(rows))))
        nc, nr = normal_c[i], normal_r[j]
        cross = np.cross(nc, nr)
        cross *= np.sign(cross[:, 2:])
        with np.errstate(all="ignore"):
            away = camera.f * np.hypot(cross[:, 0], cross[:, 1]) / cross[:, 2]
        seen = away < camera.half_diagonal
        if not seen.any():
            return None
        nc, nr, cross = nc[seen], nr[seen], cross[seen]
        sines = np.geomspace(math.sin(math.radians(15)), math.sin(math.radians(58)), 28)[::every]
        phi = np.tile(np.arcsin(sines), len(nc))
        nc, nr, cross = (np.repeat(_unit(v), len(sines), axis=0) for v in (nc, nr, cross))
        up = np.cross(nc, cross)
        up *= -np.sign(up[:, 1:2])
        along = np.cos(phi)[:, None] * cross + np.sin(phi)[:, None] * up
        across = _unit(np.cross(nr, along))
        across *= np.sign(across[:, :1])
        normal = np.cross(across, along)
        rise = np.degrees(np.arcsin(np.clip(-normal[:, 2], -1, 1)))
        good = (rise > 13) & (rise < 62) & (np.sum(normal * cross, axis=1) < 0)
        if not good.any():
            return None
        return cls(*(v[good] for v in (across, along, normal, cross, phi)))

    def picked(self, some: NDArray[np.intp]) -> Planes:
        """Some of the planes."""
        every = (self.across, self.along, self.normal, self.cross, self.phi)
        return Planes(*(v[some] for v in every))

    def landings(self, xy: Array, points: Ridges) -> tuple[Array, Array, Array, Array]:
        """Plane x and y (M, N) of points, and their weights as parts of columns and of rows."""
        u = np.column_stack([xy, np.ones(len(xy))])
        du = np.column_stack([points.cosine, points.sine, np.zeros(len(xy))])
        b, a, m = self.across, self.along, self.normal
        bu, au, mu = b @ u.T, a @ u.T, m @ u.T
        height = np.sum(m * self.cross, axis=1)[:, None]
        with np.errstate(all="ignore"):
            t = height / mu
            x = t * bu - np.sum(b * self.cross, axis=1)[:, None]
            y = t * au - np.sum(a * self.cross, axis=1)[:, None]
            lift = (m @ du.T) / mu
            dx = np.abs(b @ du.T - lift * bu)
            dy = np.abs(a @ du.T - lift * au) * np.sin(self.phi)[:, None]
        visible = t > 0
        slope = math.tan(math.radians(10))
        weight = np.broadcast_to(points.weight, x.shape)
        return (
            x,
            y,
            np.where(visible & (dx < slope * dy), weight, 0.0),
            np.where(visible & (dy < slope * dx), weight, 0.0),
        )


def _unit(v: Array) -> Array:
    return np.asarray(v / np.linalg.norm(v, axis=1, keepdims=True))


def _running(x: Array, weight: Array, reach: int) -> Array:
    """Running sums of weight over pixels from -reach to reach, (M, 2 reach + 2)."""
    bins = 2 * reach + 1
    place = np.round(np.clip(x, -1e6, 1e6)).astype(np.int64) + reach
    inside = (place >= 0) & (place < bins) & (weight > 0)
    row = np.nonzero(inside)[0]
    flat = np.bincount(row * bins + place[inside], weight[inside], minlength=len(x) * bins).reshape(
        len(x), bins
    )
    out = np.zeros((len(x), bins + 1), np.float32)
    np.cumsum(flat, axis=1, out=out[:, 1:])
    return np.asarray(out)


def _combs(sums: Array, pitch: Array, reach: int) -> Array:
    """Weight near multiples of each pitch, less what chance would put there; (M, pitches)."""
    total = np.zeros(pitch.shape, np.float32)
    width = np.zeros(pitch.shape, np.float32)
    row = np.arange(len(sums))[:, None]
    least = float(pitch.min())
    for k in range(-6, 7):
        if abs(k) * least > reach:
            continue
        half = 3.0 + 0.012 * abs(k) * pitch
        low = np.clip(np.round(k * pitch - half).astype(int) + reach, 0, 2 * reach + 1)
        high = np.clip(np.round(k * pitch + half).astype(int) + reach + 1, 0, 2 * reach + 1)
        total += sums[row, high] - sums[row, low]
        width += (high - low).astype(np.float32)
    return np.asarray(total - sums[:, -1:] * width / (1.4 * reach))


def _judged(
    planes: Planes, plane: NDArray[np.intp], pitch: Array, xy: Array, points: Ridges,
    camera: Camera, of: int,
) -> list[tuple[float, GridPose]]:  # fmt: skip
    """Poses with the share of ridge weight that lattice and comb explain; pitch at distance 1."""
    some = np.unique(plane)
    part = planes.picked(some)
    x, y, weight_x, weight_y = part.landings(xy, points)
    where = np.searchsorted(some, plane)
    px = (pitch * camera.f)[:, None]
    py = px * np.sin(part.phi)[where][:, None]
    gx, gy = x[where] / pitch[:, None], y[where] / pitch[:, None]
    wx, wy = weight_x[where], weight_y[where]
    ix, iy = np.round(gx), np.round(gy)
    near_x = np.maximum(0, 1 - ((gx - ix) * px / (3 + 0.02 * np.abs(ix) * px)) ** 2)
    near_y = np.maximum(0, 1 - ((gy - iy) * py / (3 + 0.02 * np.abs(iy) * py)) ** 2)
    # what chance would explain of points strewn over a cell
    total = float(points.weight.sum())
    base_x = np.sum(wx * (near_x - 4 / px), axis=1)
    base_y = np.sum(wy * (near_y - 4 / py), axis=1)
    least = LEAST_LINE_PX * len(points.xy) / of
    base = base_x * filled_share(ix, wx * near_x, least) + base_y * filled_share(
        iy, wy * near_y, least
    )
    best = base / total
    best_mm = np.zeros(len(best))
    for mm in PITCHES_MM:
        ty, tx = gy * mm, np.abs(gx * mm)
        on = (tx > 0.14) & (tx < 0.52) & (np.abs(ty) < 10.4) & (wy > 0) & (near_y < 0.5)
        on &= py / mm > 6
        ring = np.sum(np.where(on, wy * np.cos(2 * np.pi * ty), 0), axis=1)
        score = (base + 1.5 * ring) / total
        better = (score > best + 0.02) & (ring > 0.5 * np.sum(np.where(on, wy, 0), axis=1))
        best, best_mm = np.where(better, score, best), np.where(better, mm, best_mm)
    found = []
    for n in np.argsort(-best)[:200]:
        k = plane[n]
        pose = pose_through(planes, int(k), float(pitch[n]), camera, float(best_mm[n]) or None)
        found.append((float(best[n]), pose))
    return found


def pose_through(
    planes: Planes, k: int, pitch: float, camera: Camera, pitch_mm: float | None
) -> GridPose:
    """The pose in plane ``k`` with the cross as its origin; ``pitch`` at unit distance."""
    rotation = np.column_stack([planes.across[k], planes.along[k], planes.normal[k]])
    origin = planes.cross[k] / pitch
    return GridPose(
        camera, rotation, origin, np.zeros((4, 4)), math.inf, 0.0, (), (), pitch_mm=pitch_mm
    )


def filled_share(index: Array, weight: Array, least: float) -> Array:
    """Share of lines seen between the outermost ones; (M,) of (M, N) points."""
    place = np.clip(index, -12, 12).astype(np.int64) + 12
    row = np.arange(len(index))[:, None] * 25
    mass = np.bincount((row + place).ravel(), weight.ravel(), minlength=25 * len(index))
    hit = mass.reshape(-1, 25) > least
    first, last = np.argmax(hit, axis=1), 24 - np.argmax(hit[:, ::-1], axis=1)
    return np.asarray(hit.sum(axis=1) / np.maximum(last - first + 1, 1))


def _distinct(found: list[tuple[float, GridPose]], keep: int) -> list[tuple[float, GridPose]]:
    """The best of poses that lay the same lattice on the picture, best first."""
    chosen: list[tuple[float, GridPose]] = []
    seen: list[Array] = []
    for score, pose in found:
        if len(chosen) >= keep or score < 0.4 * found[0][0]:
            break
        mark = np.append(signature(pose), pose.pitch_mm or 0.0)
        if any(alike(mark, other, (0.06, 0.06, 0.05, 0.08, 0.08, 0.1)) for other in seen):
            continue
        seen.append(mark)
        chosen.append((score, pose))
    return chosen


def signature(pose: GridPose) -> Array:
    """What tells a pose's lattice from others: node modulo the pitch, cell's size and shape."""
    f = pose.camera.f
    m = np.column_stack([pose.rotation[:, :2], pose.origin])
    return _signature(m * np.array([[f], [f], [1.0]]))


def alike(a: Array, b: Array, apart: tuple[float, ...]) -> bool:
    """Whether two signatures, and what was appended to them, differ by less than ``apart``."""
    d = np.abs(a - b)
    d[:2] = np.minimum(d[:2], 1 - d[:2])  # a node's place is known modulo the pitch
    return bool(np.all(d < apart))


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
