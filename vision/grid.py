"""A printed rectangular grid in a photo -> where its plane lies: normal, line directions, lens.

In: a grey picture and what is known of the focal length. Out: `GridPose` in units of the grid's
own pitch, or None. The grid may be printed on paper, on a first-surface mirror or on the front of
a back-silvered mirror; there every line has a ghost, the shadow that its ink throws on the silver,
which appears as a second lattice with the same directions at a greater depth.

Steps: dark ridges (largest eigenvalue of the Hessian, Lindeberg 1998, Int. J. Computer Vision 30),
lines by a Hough vote gated on ridge direction, square lattices from two and two lines by the plane
homography (Hartley & Zisserman, Multiple View Geometry, 2nd ed., ch. 2 and 8), then robust least
squares of pose, radial term and focal length on the ridge points themselves.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from vision.camera import Camera
from vision.photo import FocalPrior

Array = NDArray[np.float64]

COARSE_LONG_SIDE = 900
HYPOTHESES_KEPT = 8
MIN_RIDGE_PX = 14
SURE_SCORE, LEAST_SCORE = 0.45, 0.25
LEAST_SUPPORT, LEAST_FILLED = 0.51, 0.45  # right lattices reach 0.52-0.97 and 0.5-1.0
GLASS_INDEX = 1.52  # soda-lime float glass
MIN_LINES = 2  # a family needs at least this many distinct lattice lines
HORIZONTAL_MAX_DEG = 34.0
VERTICAL_MIN_DEG = 26.0


@dataclass(frozen=True)
class GridPose:
    """Where a printed square grid lies in front of the camera; lengths in units of its pitch.

    Parameters
    ----------
    camera : Camera
        In pixels of the picture given, with the focal length and radial term that fit the grid.
    rotation : ndarray, shape (3, 3)
        Columns: grid x (to the right), grid y (away from the camera), grid normal (towards the
        camera), in the camera frame.
    origin : ndarray, shape (3,)
        A lattice node in the camera frame.
    covariance : ndarray, shape (4, 4)
        Of the rotation vector (radians, camera frame) and of the log of the focal length.
    rms_px : float
        Scatter of the ridge points about the lattice.
    support : float
        Share of the found ridge points that the lattice (and its ghost) explains.
    columns, rows : tuple of int
        Lattice indices that were seen, lines along y and lines along x.
    thickness : float or None
        Thickness of a back-silvered mirror's glass in pitches; None where no ghost was found.
    ink_half_width : float
        Half the width of a printed line, in pitches, blur included.
    """

    camera: Camera
    rotation: Array
    origin: Array
    covariance: Array
    rms_px: float
    support: float
    columns: tuple[int, ...]
    rows: tuple[int, ...]
    thickness: float | None = None
    ink_half_width: float = 0.02

    @property
    def normal(self) -> Array:
        """Unit normal of the sheet towards the camera's side."""
        return np.asarray(self.rotation[:, 2])

    @property
    def along(self) -> Array:
        """Unit direction of the printed lines that run away from the camera."""
        return np.asarray(self.rotation[:, 1])

    def to_camera(self, xyz: ArrayLike) -> Array:
        """Grid coordinates (pitches; z up) to the camera frame."""
        return np.asarray(np.asarray(xyz, float) @ self.rotation.T + self.origin)

    def project(self, xyz: ArrayLike) -> Array:
        """Grid coordinates (pitches; z up) to pixels."""
        return self.camera.project(self.to_camera(xyz))

    def on_sheet(self, xy: ArrayLike, height: float = 0.0) -> Array:
        """Grid x, y (pitches) where pixels meet the plane at ``height`` above the sheet."""
        rays = self.camera.ray(xy)
        local = rays @ self.rotation
        start = -self.origin @ self.rotation
        s = (height - start[2]) / local[..., 2]
        return np.asarray(start[:2] + s[..., None] * local[..., :2])

    def scaled(self, factor: float) -> GridPose:
        """The same pose for the picture resized by ``factor`` (pixel centres at integers)."""
        c = self.camera
        shift = (factor - 1) / 2
        camera = Camera(
            c.f * factor,
            c.cx * factor + shift,
            c.cy * factor + shift,
            c.k1,
            c.half_diagonal * factor,
        )
        return replace(self, camera=camera, rms_px=self.rms_px * factor)


def find_grid(
    grey: NDArray[np.float32], focal: FocalPrior, centre: tuple[float, float] | None = None
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
    focal_range = _focal_range(focal, factor)
    best: tuple[float, GridPose, _Ridges] | None = None
    for ridges in (_dark_calm, _dark, _dark_and_bright):
        found = _attempt(ridges(small), coarse_centre, half_diagonal, focal_range)
        if found is not None and (best is None or found[0] > best[0]):
            best = found
        if best is not None and best[0] > SURE_SCORE:
            break
    if best is None or best[0] < LEAST_SCORE:
        return None
    _, pose, points = best
    prior = (math.log(focal_range[0]), focal_range[3])
    pose = _fit(pose, points, prior, (1.5,), most=3000) or pose
    if pose.support < LEAST_SUPPORT or _filled(pose) < LEAST_FILLED or not _plausible(pose):
        return None
    free_focal = focal.source == "guess" or focal.low_high is not None
    if free_focal and pose.thickness is None and min(len(pose.columns), len(pose.rows)) < 3:
        return None  # two lines each way cannot tell tilt from focal length
    pose = replace(pose, ink_half_width=_ink_half_width(small, pose, points))
    return pose.scaled(1 / factor)


def _plausible(pose: GridPose) -> bool:
    """Seen from above at 12 to 70 degrees, columns running away within 50 degrees."""
    ahead = np.array([0.0, 0.0, 1.0]) @ pose.rotation
    low, high = math.sin(math.radians(12)), math.sin(math.radians(70))
    return low < -ahead[2] < high and ahead[1] > math.cos(math.radians(50)) * np.hypot(*ahead[:2])


def _attempt(
    points: _Ridges,
    centre: tuple[float, float],
    half_diagonal: float,
    focal_range: tuple[float, float, float, float],
) -> tuple[float, GridPose, _Ridges] | None:
    """Best lattice through one set of ridge points, with its score."""
    if len(points.xy) < 300:
        return None
    f_px, f_low, f_high, f_sigma = focal_range
    k1 = _straightest(_thin(points, 5000), centre, half_diagonal)
    lines = _lines(points, centre, half_diagonal, k1)
    prior = (math.log(f_px), f_sigma)
    thin = _thin(points, 1800)
    plain: list[tuple[float, GridPose]] = []
    ghosted: list[tuple[float, GridPose]] = []
    for f, homography in _lattices(lines, centre, (f_low, f_high)):
        camera = Camera(f, *centre, k1, half_diagonal)
        start = _pose_from_homography(camera, homography)
        pose = None if start is None else _fit(start, thin, prior)
        if pose is None and start is not None:
            pose = _fit(start, thin, prior, (9.0, 4.0, 1.5))
        if pose is None:
            continue
        score = _explained(pose, thin, prior)
        plain.append((score, pose))
        if score < 0.5 * max(c[0] for c in plain):
            continue
        doubled = _with_ghost(pose, thin)
        if doubled is not None:
            doubled = _fit(doubled, thin, prior, (3.0, 2.0, 1.5))
        if doubled is not None:
            better = _explained(doubled, thin, prior)
            if better > score + 0.05:
                ghosted.append((better, doubled))
    found = [max(plain, key=lambda c: c[0])] if plain else []
    if ghosted:
        best = _swapped(max(ghosted, key=lambda c: c[0]), thin, prior)
        if _has_ghosts(best[1], thin):
            found.append(best)
    if not found:
        return None
    return (*max(found, key=lambda c: c[0]), points)


def _ink_half_width(grey: NDArray[np.float32], pose: GridPose, points: _Ridges) -> float:
    """Half width at half depth of the median profile across the lattice's columns, in pitches."""
    match = _match(pose, points, 1.5)
    chosen = (match.axis == 0) & ~match.ghost
    if chosen.sum() < 30:
        return 0.02
    pick = match.which[chosen][:: max(1, int(chosen.sum() // 400))]
    scale = float(np.median(np.abs(match.across[chosen])))
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


def _thin(points: _Ridges, most: int) -> _Ridges:
    if len(points.xy) <= most:
        return points
    pick = np.linspace(0, len(points.xy) - 1, most).astype(int)
    return _Ridges(points.xy[pick], points.angle[pick], points.weight[pick])


# --------------------------------------------------------------------------- ridges and lines


@dataclass(frozen=True)
class _Ridges:
    xy: Array
    angle: Array  # direction of the line through the point, radians in [0, pi)
    weight: Array

    @cached_property
    def cosine(self) -> Array:
        """Of ``angle``."""
        return np.cos(self.angle)

    @cached_property
    def sine(self) -> Array:
        """Of ``angle``."""
        return np.sin(self.angle)


def _dark_calm(grey: NDArray[np.float32]) -> _Ridges:
    return _ridges(grey, calm=True)


def _dark(grey: NDArray[np.float32]) -> _Ridges:
    return _ridges(grey, calm=False)


def _dark_and_bright(grey: NDArray[np.float32]) -> _Ridges:
    """Ink lies brighter than its surroundings where the mirror shows something black."""
    dark, bright = _ridges(grey, calm=True), _ridges(1 - grey, calm=True)
    return _Ridges(
        np.concatenate([dark.xy, bright.xy]),
        np.concatenate([dark.angle, bright.angle]),
        np.concatenate([dark.weight, bright.weight]),
    )


def _ridges(grey: NDArray[np.float32], calm: bool) -> _Ridges:
    """Sub-pixel centres of dark lines: where the Hessian's larger eigenvalue peaks across them."""
    if calm:  # speckle is not ink: a small median takes it away and leaves all but faint lines
        grey = cv2.medianBlur((grey * 255).astype(np.uint8), 3).astype(np.float32) / np.float32(255)
    best = np.zeros_like(grey)
    normal_x = np.zeros_like(grey)
    normal_y = np.zeros_like(grey)
    offset = np.zeros_like(grey)
    for sigma in (1.4, 2.3, 3.8):
        g = cv2.GaussianBlur(grey, (0, 0), sigma, borderType=cv2.BORDER_REFLECT_101)
        gx = cv2.Sobel(g, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8)
        gy = cv2.Sobel(g, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8)
        xx = cv2.Sobel(g, cv2.CV_32F, 2, 0, ksize=3, scale=1 / 4)
        yy = cv2.Sobel(g, cv2.CV_32F, 0, 2, ksize=3, scale=1 / 4)
        xy = cv2.Sobel(gx, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8)
        half = 0.5 * (xx - yy)
        root = np.sqrt(half * half + xy * xy)
        value = 0.5 * (xx + yy) + root
        theta = 0.5 * np.arctan2(2 * xy, xx - yy)
        nx, ny = np.cos(theta), np.sin(theta)
        t = -(gx * nx + gy * ny) / np.maximum(value, 1e-6)
        strength = value * np.float32(sigma**1.5)
        better = strength > best
        best = np.where(better, strength, best)
        normal_x, normal_y = np.where(better, nx, normal_x), np.where(better, ny, normal_y)
        offset = np.where(better, t, offset)
    border = 4
    inside = np.zeros(grey.shape, bool)
    inside[border:-border, border:-border] = True
    noise = float(np.median(best[inside])) + 1e-6
    # Ink over a dark patch is faint: judge each ridge against its surroundings.
    local = cv2.blur(best, (41, 41))
    keep = inside & (np.abs(offset) <= 0.6) & (best > 2.2 * local) & (best > 2.5 * noise)
    # Speckle makes ridges of a few pixels; ink makes long ones.
    _, label, stats, _ = cv2.connectedComponentsWithStats(keep.astype(np.uint8), connectivity=8)
    long_enough = stats[:, cv2.CC_STAT_AREA] >= MIN_RIDGE_PX
    long_enough[0] = False
    keep &= long_enough[label]
    ys, xs = np.nonzero(keep)
    if len(xs) > 40000:
        order = np.argsort(best[ys, xs])[-40000:]
        ys, xs = ys[order], xs[order]
    nx, ny, t = normal_x[ys, xs], normal_y[ys, xs], offset[ys, xs]
    xy_points = np.stack([xs + t * nx, ys + t * ny], axis=1).astype(float)
    angle = np.mod(np.arctan2(nx, -ny), np.pi).astype(float)
    strength = best[ys, xs].astype(float)
    cap = np.quantile(strength, 0.5) if len(strength) else 1.0
    return _Ridges(xy_points, angle, np.minimum(strength / max(cap, 1e-9), 1.0))


def _unbend(xy: Array, centre: tuple[float, float], half_diagonal: float, k1: float) -> Array:
    return Camera(1000.0, *centre, k1, half_diagonal).undistort(xy)


_ANGLE_STEP = math.radians(0.5)
_WINDOW = np.arange(-6, 7)


def _votes(xy: Array, angle: Array, weight: Array, reach: float) -> tuple[Array, int]:
    """Hough accumulator (angle bin, offset bin), each point voting only near its direction."""
    n_angles = round(math.pi / _ANGLE_STEP)
    n_offsets = int(2 * reach) + 3
    first = np.round(angle / _ANGLE_STEP).astype(int)
    bins = first[:, None] + _WINDOW[None, :]
    a = bins * _ANGLE_STEP
    rho = -np.sin(a) * xy[:, :1] + np.cos(a) * xy[:, 1:]
    wrapped = bins % n_angles
    rho = np.where(wrapped == bins, rho, -rho)
    column = np.clip(np.round(rho + reach), 0, n_offsets - 1).astype(int)
    flat = wrapped * n_offsets + column
    total = np.bincount(
        flat.ravel(), np.repeat(weight, len(_WINDOW)), minlength=n_angles * n_offsets
    )
    return np.asarray(total.reshape(n_angles, n_offsets), float), n_offsets


def _straightest(points: _Ridges, centre: tuple[float, float], half_diagonal: float) -> float:
    """Radial term that makes the ridges gather on the fewest straight lines."""
    trial = np.array([-0.10, -0.07, -0.045, -0.02, 0.0, 0.02, 0.045, 0.07, 0.10])
    score = np.empty(len(trial))
    for i, k1 in enumerate(trial):
        xy = _unbend(points.xy, centre, half_diagonal, k1) - centre
        total, _ = _votes(xy, points.angle, points.weight, 1.4 * half_diagonal)
        score[i] = np.sum(cv2.blur(total, (3, 1)) ** 3)
    score[trial == 0.0] *= 1.02
    best = int(np.clip(np.argmax(score), 1, len(trial) - 2))
    a, b, _ = np.polyfit(trial[best - 1 : best + 2], score[best - 1 : best + 2], 2)
    peak = -b / (2 * a) if a < 0 else trial[best]
    return float(np.clip(peak, trial[best - 1], trial[best + 1]))


@dataclass(frozen=True)
class _Line:
    """A straight run of ridge points, undistorted pixels about the principal point."""

    p: Array
    q: Array
    weight: float

    @property
    def tilt_deg(self) -> float:
        d = self.q - self.p
        return abs(math.degrees(math.atan2(abs(d[1]), abs(d[0]))))


def _lines(
    points: _Ridges, centre: tuple[float, float], half_diagonal: float, k1: float, limit: int = 44
) -> list[_Line]:
    xy = _unbend(points.xy, centre, half_diagonal, k1) - centre
    reach = 1.4 * half_diagonal
    alive = np.ones(len(xy), bool)
    total, n_offsets = _votes(xy, points.angle, points.weight, reach)
    shortest = 0.10 * half_diagonal
    found: list[_Line] = []
    for _ in range(limit):
        peak = int(np.argmax(total))
        if total.flat[peak] < 0.5 * shortest:
            break
        angle = (peak // n_offsets) * _ANGLE_STEP
        rho = peak % n_offsets - reach
        members = np.zeros(len(xy), bool)
        gate = 3.0
        for _ in range(3):
            n = np.array([-math.sin(angle), math.cos(angle)])
            miss = xy @ n - rho
            turn = np.abs((points.angle - angle + math.pi / 2) % math.pi - math.pi / 2)
            members = alive & (np.abs(miss) < gate) & (turn < math.radians(9))
            if members.sum() < 12:
                break
            w = points.weight[members]
            mean = np.average(xy[members], axis=0, weights=w)
            d = xy[members] - mean
            spread = (d * w[:, None]).T @ d
            direction = np.linalg.eigh(spread)[1][:, 1]
            angle = math.atan2(direction[1], direction[0]) % math.pi
            n = np.array([-math.sin(angle), math.cos(angle)])
            rho = float(mean @ n)
            gate = 2.0
        spent = members if members.sum() >= 12 else None
        if spent is None:
            total.flat[peak] = 0
            continue
        d = np.array([math.cos(angle), math.sin(angle)])
        along = np.sort(xy[members] @ d)
        low, high = np.quantile(along, [0.01, 0.99])
        base = n * rho
        # one pixel of a clean ridge is about one point
        weight = float(np.minimum(points.weight[members].sum(), high - low))
        if high - low > shortest and weight > 0.17 * (high - low):
            found.append(_Line(base + low * d, base + high * d, weight))
        near = alive & (np.abs(xy @ n - rho) < 3.0)
        turn = np.abs((points.angle - angle + math.pi / 2) % math.pi - math.pi / 2)
        near &= turn < math.radians(12)
        removed, _ = _votes(xy[near], points.angle[near], points.weight[near], reach)
        total -= removed
        alive &= ~near
    return found


# --------------------------------------------------------------------------- lattices


def _focal_range(focal: FocalPrior, factor: float) -> tuple[float, float, float, float]:
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


def _lattices(
    lines: list[_Line], centre: tuple[float, float], f_range: tuple[float, float]
) -> list[tuple[float, Array]]:
    """Best distinct (focal length, homography grid -> undistorted pixels) from 2 x 2 lines."""
    across = sorted((v for v in lines if v.tilt_deg <= HORIZONTAL_MAX_DEG), key=lambda v: -v.weight)
    along = sorted((v for v in lines if v.tilt_deg >= VERTICAL_MIN_DEG), key=lambda v: -v.weight)
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


def _pairs(lines: list[_Line]) -> list[tuple[_Line, _Line]]:
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


def _at(line: _Line, x: float) -> float:
    d = line.q - line.p
    return float(line.p[1] + d[1] * (x - line.p[0]) / (d[0] if abs(d[0]) > 1e-9 else 1e-9))


def _homogeneous(line: _Line) -> Array:
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


def _lattice_score(h: Array, along: list[_Line], across: list[_Line]) -> Array:
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


def _pose_from_homography(camera: Camera, h: Array) -> GridPose | None:
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


# --------------------------------------------------------------------------- fit


@dataclass(frozen=True)
class _View:
    """Ridge points seen through a pose: grid coordinates, pixels per pitch, direction mismatch."""

    grid: Array  # (N, 2) on the front of the sheet
    slide: Array  # (N, 2) by which a ghost's grid coordinates move for glass one pitch thick
    across: Array  # (N, 2) signed pixels for one pitch, across columns and across rows
    turned: NDArray[np.bool_]  # (N, 2) ridge direction agrees with columns, with rows


def _plane_rays(pose: GridPose, xy: Array) -> Array:
    """Rays through pixels in grid axes, third component along the normal; not normalised."""
    c = pose.camera
    d = (xy - (c.cx, c.cy)) / c.half_diagonal
    u = d
    if c.k1:
        for _ in range(4):
            u = d / (1 + c.k1 * np.sum(u * u, axis=1, keepdims=True))
    u = u * (c.half_diagonal / c.f)
    return np.asarray(u @ pose.rotation[:2] + pose.rotation[2])


def _landing(pose: GridPose, rays: Array) -> Array:
    """Grid x, y where rays (grid axes) meet the sheet."""
    start = -pose.origin @ pose.rotation
    return np.asarray(start[:2] - rays[:, :2] * (start[2] / rays[:, 2])[:, None])


def _slide(rays: Array) -> Array:
    """How far glass one pitch thick moves the ghost's grid coordinates (Snell's law)."""
    across2 = rays[:, 0] ** 2 + rays[:, 1] ** 2
    full = across2 + rays[:, 2] ** 2
    return np.asarray(2 * rays[:, :2] / np.sqrt(GLASS_INDEX**2 * full - across2)[:, None])


def _view(pose: GridPose, points: _Ridges) -> _View:
    rays = _plane_rays(pose, points.xy)
    grid = _landing(pose, rays)
    r = pose.rotation
    place = grid @ r[:, :2].T + pose.origin
    depth = place[:, 2]
    aim = place[:, :2] / depth[:, None]
    scale = (pose.camera.f / depth)[:, None]
    ex = scale * (r[:2, 0] - aim * r[2, 0])
    ey = scale * (r[:2, 1] - aim * r[2, 1])
    area = ex[:, 0] * ey[:, 1] - ex[:, 1] * ey[:, 0]
    across = np.empty((len(grid), 2))
    turned = np.empty((len(grid), 2), bool)
    for axis, e in ((0, ey), (1, ex)):
        length = np.hypot(e[:, 0], e[:, 1])
        across[:, axis] = area / length
        # sine of the angle between the ridge and the lattice line
        turn = (e[:, 0] * points.sine - e[:, 1] * points.cosine) / length
        turned[:, axis] = (np.abs(turn) < math.sin(math.radians(9))) & (np.abs(across[:, axis]) > 8)
    return _View(grid, _slide(rays), across, turned)


def _misses(view: _View, thickness: float) -> tuple[Array, Array]:
    """Pixels from the nearest column and row (inf where the direction disagrees), and indices."""
    where = view.grid + thickness * view.slide
    index = np.round(where)
    miss = np.where(view.turned, (where - index) * view.across, np.inf)
    return miss, index


@dataclass(frozen=True)
class _Match:
    which: NDArray[np.intp]
    axis: NDArray[np.intp]
    index: Array
    ghost: NDArray[np.bool_]
    miss: Array
    across: Array


def _match(pose: GridPose, points: _Ridges, gate: float) -> _Match:
    """Each point's nearest lattice line within ``gate`` px, on the front or in the silver."""
    view = _view(pose, points)
    miss, index = _misses(view, 0.0)
    candidates = [miss]
    indices = [index]
    if pose.thickness is not None:
        ghost_miss, ghost_index = _misses(view, pose.thickness)
        candidates.append(ghost_miss)
        indices.append(ghost_index)
    every = np.concatenate(candidates, axis=1)
    all_index = np.concatenate(indices, axis=1)
    pick = np.argmin(np.abs(every), axis=1)
    row = np.arange(len(every))
    best = every[row, pick]
    which = np.nonzero(np.abs(best) < gate)[0]
    pick = pick[which]
    return _Match(
        which,
        pick % 2,
        all_index[which, pick],
        pick >= 2,
        best[which],
        view.across[which, pick % 2],
    )


def _moved(pose: GridPose, p: Array) -> GridPose:
    """Pose after the small change p: rotation vector, origin (3), log f, k1, thickness."""
    turn = _small_turn(p[:3])
    camera = replace(
        pose.camera, f=pose.camera.f * math.exp(float(p[6])), k1=pose.camera.k1 + float(p[7])
    )
    depth = float(np.linalg.norm(pose.origin))
    # the origin moves with the focal length, so that a change of f leaves the picture's scale
    origin = (pose.origin + depth * p[3:6]) * (1, 1, math.exp(float(p[6])))
    thickness = None if pose.thickness is None else pose.thickness + float(p[8])
    return replace(
        pose,
        camera=camera,
        rotation=turn @ pose.rotation,
        origin=origin,
        thickness=thickness,
    )


def _small_turn(v: Array) -> Array:
    """Rotation matrix of a rotation vector (Rodrigues' formula)."""
    angle = math.sqrt(float(v @ v))
    k = np.array([[0, -v[2], v[1]], [v[2], 0, -v[0]], [-v[1], v[0], 0]])
    if angle < 1e-9:
        return np.asarray(np.eye(3) + k)
    return np.asarray(
        np.eye(3) + math.sin(angle) / angle * k + (1 - math.cos(angle)) / angle**2 * (k @ k)
    )


def _residuals(pose: GridPose, xy: Array, match: _Match) -> Array:
    rays = _plane_rays(pose, xy)
    grid = _landing(pose, rays)
    if pose.thickness is not None:
        grid = grid + np.where(match.ghost, pose.thickness, 0.0)[:, None] * _slide(rays)
    value = np.where(match.axis == 0, grid[:, 0], grid[:, 1]) - match.index
    return np.asarray(value * match.across)


_STEPS = np.array([1e-6, 1e-6, 1e-6, 1e-6, 1e-6, 1e-6, 1e-4, 1e-5, 1e-5])


def _fit(
    pose: GridPose,
    points: _Ridges,
    focal: tuple[float, float],
    gates: tuple[float, ...] = (3.0, 1.5),
    most: int = 400,
    rounds: int = 4,
) -> GridPose | None:
    """Robust (Cauchy) Gauss-Newton of pose, focal length, radial term and glass thickness."""
    normal = np.eye(9)
    for gate in gates:
        for _ in range(rounds):
            match = _match(pose, points, gate)
            if len(match.which) > most:
                match = _thinned(match, most)
            if len(match.which) < min(100, 0.1 * len(points.xy)):
                return None
            xy = points.xy[match.which]
            r = _residuals(pose, xy, match)
            jac = np.empty((len(r), 9))
            for k in range(9):
                dp = np.zeros(9)
                dp[k] = _STEPS[k]
                jac[:, k] = (_residuals(_moved(pose, dp), xy, match) - r) / _STEPS[k]
            sigma = max(1.48 * float(np.median(np.abs(r))), 0.12)
            weight = 1 / (1 + (r / (2 * sigma)) ** 2) / sigma**2
            # neighbouring ridge points share their noise: count every third as independent
            weight = weight * min(1.0, len(points.xy) / 3 / len(points.xy))
            normal = (jac * weight[:, None]).T @ jac
            right = -(jac * weight[:, None]).T @ r
            normal[6, 6] += 1 / focal[1] ** 2
            right[6] += (focal[0] - math.log(pose.camera.f)) / focal[1] ** 2
            normal[7, 7] += 1 / 0.06**2
            right[7] -= pose.camera.k1 / 0.06**2
            normal[8, 8] += 1e-6 if pose.thickness is not None else 1e6
            normal += 1e-9 * np.diag(np.diag(normal))
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
            if np.max(np.abs(step[:3])) < 3e-5:
                break
    match = _match(pose, points, gates[-1])
    if len(match.which) < min(100, 0.1 * len(points.xy)):
        return None
    columns = _counted(match.index[match.axis == 0])
    rows = _counted(match.index[match.axis == 1])
    if min(len(columns), len(rows)) < MIN_LINES:
        return None
    covariance = np.linalg.pinv(normal)
    keep = [0, 1, 2, 6]
    return replace(
        pose,
        covariance=np.asarray(covariance[np.ix_(keep, keep)], float),
        rms_px=float(np.sqrt(np.mean(match.miss**2))),
        columns=columns,
        rows=rows,
        support=float(points.weight[match.which].sum() / points.weight.sum()),
    )


def _thinned(match: _Match, most: int) -> _Match:
    pick = np.linspace(0, len(match.which) - 1, most).astype(int)
    return _Match(*(getattr(match, name)[pick] for name in match.__dataclass_fields__))


def _counted(index: Array) -> tuple[int, ...]:
    values, counts = np.unique(index, return_counts=True)
    return tuple(int(v) for v, c in zip(values, counts, strict=True) if c >= 5)


def _filled(pose: GridPose) -> float:
    """Share of the lattice lines between the outermost ones that were seen."""
    columns, rows = (len(s) / (max(s) - min(s) + 1) for s in (pose.columns, pose.rows))
    return columns * rows


def _explained(
    pose: GridPose, points: _Ridges, prior: tuple[float, float], gate: float = 1.5
) -> float:
    """Share of ridge weight on lattice and ghost, less gaps, scatter and an odd focal length."""
    match = _match(pose, points, gate)
    weight = points.weight[match.which]
    closeness = 1 - (match.miss / gate) ** 2
    base = float(np.sum(weight * closeness))
    gap = _filled(pose)
    oddness = (math.log(pose.camera.f) - prior[0]) / prior[1]
    return base / float(points.weight.sum()) * gap**0.5 - 0.02 * oddness**2


def _swapped(
    best: tuple[float, GridPose], points: _Ridges, prior: tuple[float, float]
) -> tuple[float, GridPose]:
    """Undo a front/ghost mix-up in one family of lines, where that explains more.

    Fronts of the columns with ghosts of the rows also make a good lattice, but a tilted one.
    """
    _score, pose = best
    if pose.thickness is None:
        return best
    slide = np.median(_view(pose, points).slide, axis=0) * pose.thickness
    for move in ((1, 0), (-1, 0), (0, 1), (0, -1)):
        start = replace(pose, origin=pose.origin + pose.rotation[:, :2] @ (slide * move))
        tried = _fit(start, points, prior, (3.0, 2.0, 1.5))
        if tried is None:
            continue
        reach = _explained(tried, points, prior)
        if reach > best[0]:
            best = (reach, tried)
    return best


def _has_ghosts(pose: GridPose, points: _Ridges) -> bool:
    """Whether ghosts of columns and rows, three in all, were seen, in glass of a likely depth."""
    if pose.thickness is None or pose.thickness > 1.3:
        return False
    match = _match(pose, points, 1.5)
    lines = [_counted(match.index[match.ghost & (match.axis == axis)]) for axis in (0, 1)]
    return len(lines[0]) + len(lines[1]) >= 3 and min(len(lines[0]), len(lines[1])) >= 1


def _with_ghost(pose: GridPose, points: _Ridges) -> GridPose | None:
    """The pose with the glass thickness that explains most of what the front lattice does not."""
    view = _view(pose, points)
    miss, _ = _misses(view, 0.0)
    rest = np.all(np.abs(miss) > 2.0, axis=1) & np.any(view.turned, axis=1)
    if rest.sum() < 60:
        return None
    left = _View(view.grid[rest], view.slide[rest], view.across[rest], view.turned[rest])
    weight = points.weight[rest]
    steps = np.arange(0.10, 1.5, 0.015)
    gain = np.empty(len(steps))
    for k, thickness in enumerate(steps):
        m = np.min(np.abs(_misses(left, thickness)[0]), axis=1)
        gain[k] = np.sum(weight * np.maximum(0, 1 - (m / 3.0) ** 2))
    k = int(np.argmax(gain))
    if gain[k] < 0.25 * weight.sum():
        return None
    return replace(pose, thickness=float(steps[k]))
