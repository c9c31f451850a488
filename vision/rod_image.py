"""The reflection of a thin rod in the mirror below it -> its axis line.

In: a colour picture, the sheet's plane and the rod's limbs. Out: `Image`, or None. Once the plane
through the camera and the rod's axis is known, the reflection's place follows from the rod's rise
and height: both are searched, then the best places are fitted and compared.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.grid import GLASS_INDEX, GridPose
from vision.rod import Limb, Rod

Array = NDArray[np.float64]

RISE_GUESS_DEG = 20.0


@dataclass(frozen=True)
class Image:
    """The rod's mirror image: its axis line, fitted to both limbs at once.

    ``axis`` is the line midway between the reflected limbs; ``limbs`` the limbs where they are in
    sight; ``share`` the part of the visible outline that fits, ``count`` how many stretches that
    is, ``paired`` how many have a partner on the other limb, ``tell`` the part of its visible
    length whose inside differs from what lies beside it.
    ``rivals`` are axes of other places that fit nearly as well.
    """

    axis: Limb
    limbs: tuple[Limb, ...]
    share: float
    count: int
    paired: int
    tell: float
    rivals: tuple[Limb, ...] = ()

    @property
    def merit(self) -> float:
        """What rival reflections are compared by."""
        return (0.6 * self.count + 1.4 * self.paired) * self.share * self.tell


def axis_normal(rod: Rod, pose: GridPose) -> Array:
    """Normal, in grid axes, of the plane through the camera and the rod's axis.

    The axis lies midway between the two tangent planes of the limbs (exact for cylinder and cone).
    """
    normals = [line_normal(limb, pose) for limb in (rod.left, rod.right)]
    n = normals[0] + normals[1]
    return np.asarray(n / np.linalg.norm(n))


def line_normal(limb: Limb, pose: GridPose) -> Array:
    """Unit normal, in grid axes, of the plane through the camera and an undistorted line."""
    rays = _local_rays(np.array([limb.p, limb.q]), pose)
    n = np.cross(rays[0], rays[1])
    return np.asarray(n / np.linalg.norm(n))


def _local_rays(undistorted: Array, pose: GridPose) -> Array:
    c = pose.camera
    u = (undistorted - (c.cx, c.cy)) / c.f
    rays = np.concatenate([u, np.ones((*u.shape[:-1], 1))], axis=-1)
    rays = rays / np.linalg.norm(rays, axis=-1, keepdims=True)
    return np.asarray(rays @ pose.rotation)


def mirrored_rays(undistorted: Array, pose: GridPose) -> tuple[Array, Array]:
    """Where rays leave the mirror upwards (grid x, y, 0) and their directions, in grid axes."""
    rays = _local_rays(undistorted, pose)
    start = -pose.origin @ pose.rotation
    foot = start - rays * (start[2] / rays[..., 2])[..., None]
    if pose.thickness is not None:
        slide = 2 * rays[..., :2] / np.sqrt(GLASS_INDEX**2 - 1 + rays[..., 2] ** 2)[..., None]
        foot = foot + pose.thickness * np.concatenate(
            [slide, np.zeros((*slide.shape[:-1], 1))], axis=-1
        )
    return foot, rays * (1, 1, -1)


def mirrored_normal(limb: Limb, pose: GridPose) -> Array:
    """Like `line_normal` for a line seen in the mirror: the plane holds the reflected rays."""
    foot, up = mirrored_rays(np.array([limb.p, limb.q]), pose)
    n = np.cross(foot[1] - foot[0], up[0] + up[1])
    return np.asarray(n / np.linalg.norm(n))


def image_points(xyz: Array, pose: GridPose) -> Array:
    """Undistorted pixels where points above the mirror (grid axes) are seen reflected."""
    c = pose.camera
    thickness = pose.thickness or 0.0
    foot = xyz * (1, 1, -1)
    eye = -pose.origin @ pose.rotation
    for _ in range(4):
        ray = foot - eye
        ray = ray / np.linalg.norm(ray, axis=-1, keepdims=True)
        slide = 2 * ray[..., :2] / np.sqrt(GLASS_INDEX**2 - 1 + ray[..., 2] ** 2)[..., None]
        run = ray[..., :2] / -ray[..., 2:] * xyz[..., 2:]
        on_sheet = xyz[..., :2] - run - thickness * slide
        foot = np.concatenate([on_sheet, np.zeros((*on_sheet.shape[:-1], 1))], axis=-1)
    q = foot @ pose.rotation.T + pose.origin
    return np.asarray(q[..., :2] / q[..., 2:] * c.f + (c.cx, c.cy))


def direction(turn: float, rise: float) -> Array:
    """Unit vector in grid axes: ``turn`` counter-clockwise from the printed line, ``rise`` up."""
    return np.array(
        [-math.sin(turn) * math.cos(rise), math.cos(turn) * math.cos(rise), math.sin(rise)]
    )


def turn_for_rise(normal: Array, rise: float) -> float:
    """Turn of the direction of the given rise that lies in the plane with this normal."""
    a, b = normal[1] * math.cos(rise), -normal[0] * math.cos(rise)
    middle = math.atan2(b, a)
    half = math.acos(max(-1.0, min(1.0, -normal[2] * math.sin(rise) / math.hypot(a, b))))
    turns = [math.remainder(middle + s * half, 2 * math.pi) for s in (1, -1)]
    return min(turns, key=abs)


PLAIN_SPREAD = 0.2  # paper: at most 0.11 on the tuning photographs; mirrors: 0.29 and more
RISES_DEG = np.arange(11.0, 31.1, 0.5)
HEIGHTS = np.linspace(0.2, 5.0, 33)  # of the axis at the rod's lower end, in rod widths


def find_image(rgb: NDArray[np.uint8], pose: GridPose, rod: Rod) -> Image | None:
    """The rod's reflection in the mirror, searched over the rod's rise and height.

    Both follow from where the reflection lies once the axis plane is known. Stretches hidden by
    the rod itself, or beside known ink, count neither for nor against.
    """
    normal = axis_normal(rod, pose)
    low, high = rod.axis
    rays = _local_rays(np.array([low, high]), pose)
    eye = -pose.origin @ pose.rotation
    # rod width in pitches, near enough: width over distance
    distance = abs(eye[2] / rays[0, 2])
    width = rod.width_px / pose.camera.f * distance
    stations = np.linspace(0.0, 1.0, 40)
    rises, _ = np.meshgrid(np.radians(RISES_DEG), HEIGHTS * width, indexing="ij")
    axis = np.empty((*rises.shape, len(stations), 3))
    for i, rise in enumerate(np.radians(RISES_DEG)):
        d = direction(turn_for_rise(normal, float(rise)), float(rise))
        for j, h in enumerate(HEIGHTS * width):
            foot = eye + rays[0] * ((h - eye[2]) / rays[0, 2])
            # length along d until the ray through the upper end passes nearest
            reach = _meet(foot, d, eye, rays[1])
            axis[i, j] = foot + stations[:, None] * reach * d
    seen = image_points(axis, pose)
    along = seen[:, :, -1] - seen[:, :, 0]
    length = np.linalg.norm(along, axis=-1, keepdims=True)
    unit = along / np.maximum(length, 1e-9)
    side = np.stack([-unit[..., 1], unit[..., 0]], axis=-1)
    half = 0.49 * _width_along(rod, stations)
    total = np.zeros(rises.shape)
    field = _Steps(rgb, pose, seen, rod.width_px)
    for sign in (-1.0, 1.0):
        at = seen + sign * half[:, None] * side[:, :, None, :]
        evidence, visible = field.read(at, side, rod)
        total += np.sum((evidence - 0.42) * visible, axis=2)
    prior = np.exp(-0.5 * ((np.degrees(rises) - RISE_GUESS_DEG) / 5) ** 2)
    # seen along the rows, ticks and rows look like limbs
    ahead = pose.on_sheet(pose.camera.distort(seen[:, :, 20]))
    base = np.concatenate([ahead, np.zeros((*ahead.shape[:-1], 1))], axis=-1)
    row = pose.project(base + np.array([0.02, 0.0, 0.0])) - pose.project(base)
    row /= np.maximum(np.linalg.norm(row, axis=-1, keepdims=True), 1e-9)
    slanted = np.abs(row[..., 0] * unit[..., 1] - row[..., 1] * unit[..., 0]) > math.sin(
        math.radians(14)
    )
    total = np.where(length[..., 0] > 0.8 * rod.width_px, total, 0) * (0.5 + 0.5 * prior)
    total *= np.sqrt(length[..., 0] / rod.width_px) * slanted
    tried: list[tuple[float, Image]] = []
    room = total.copy()
    for _ in range(7):
        i, j = divmod(int(np.argmax(room)), room.shape[1])
        if room[i, j] < 2.0:
            break
        found = _fit_image(rgb, pose, rod, seen[i, j], half)
        if found is not None and not _along_rows(found.axis, pose):
            tried.append((found.merit * (0.1 + 0.9 * float(prior[i, j])), found))
        apart = np.linalg.norm(seen[:, :, 20] - seen[i, j, 20], axis=-1)
        tilt = np.sum(unit * unit[i, j], axis=-1)
        room[(apart < 0.35 * rod.width_px) & (tilt > 0.99)] = 0
    if not tried:
        return None
    tried.sort(key=lambda m: -m[0])
    best = tried[0][1]
    rivals = tuple(other.axis for merit, other in tried[1:] if merit > 0.7 * tried[0][0])
    return replace(best, rivals=rivals)


def _along_rows(axis: Limb, pose: GridPose) -> bool:
    """Whether a line runs along the sheet's rows, as ticks do."""
    foot = pose.on_sheet(pose.camera.distort((axis.p + axis.q) / 2)[None])[0]
    row = pose.project(np.array([[foot[0] + 0.05, foot[1], 0.0], [foot[0] - 0.05, foot[1], 0.0]]))
    r, d = row[0] - row[1], axis.q - axis.p
    cross = abs(float(r[0] * d[1] - r[1] * d[0])) / float(np.hypot(*r) * np.hypot(*d))
    return cross < math.sin(math.radians(12))


def _meet(foot: Array, d: Array, eye: Array, ray: Array) -> float:
    """Length along d from foot to where it passes nearest to a ray."""
    w = foot - eye
    b = float(d @ ray)
    return float((b * (ray @ w) - d @ w) / (1 - b * b))


def _width_along(rod: Rod, stations: Array) -> Array:
    bottom = float(np.linalg.norm(rod.right.p - rod.left.p))
    top = float(np.linalg.norm(rod.right.q - rod.left.q))
    return np.asarray(bottom + (top - bottom) * stations)


class _Steps:
    """Colour gradients of the neighbourhood, read along predicted edges."""

    def __init__(self, rgb: NDArray[np.uint8], pose: GridPose, seen: Array, width: float) -> None:
        raw = pose.camera.distort(seen.reshape(-1, 2))
        margin = width + 8
        low = np.maximum(np.floor(raw.min(axis=0) - margin), 0).astype(int)
        high = np.minimum(np.ceil(raw.max(axis=0) + margin), rgb.shape[1::-1]).astype(int)
        self.low = low
        self.pose = pose
        self.gradient: list[NDArray[np.float32]] = []
        crop = rgb[low[1] : high[1], low[0] : high[0]].astype(np.float32)
        self.empty = min(crop.shape[:2]) < 8
        if self.empty:
            return
        smooth = cv2.GaussianBlur(crop, (0, 0), 1.2)
        gx = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 4)
        gy = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 4)
        self.gx, self.gy = gx, gy
        size = np.sqrt(np.sum(gx**2 + gy**2, axis=2))
        self.noise = float(np.median(size)) + 0.7

    def read(self, at: Array, side: Array, rod: Rod) -> tuple[Array, Array]:
        """Evidence 0-1 of a step across ``side`` at pixels, and which of them are in sight."""
        if self.empty:
            return np.zeros(at.shape[:-1]), np.zeros(at.shape[:-1], bool)
        raw = self.pose.camera.distort(at) - self.low
        flat = raw.reshape(-1, raw.shape[-2], 2).astype(np.float32)
        gx = cv2.remap(self.gx, flat[..., 0], flat[..., 1], cv2.INTER_LINEAR).reshape(
            *at.shape[:-1], 3
        )
        gy = cv2.remap(self.gy, flat[..., 0], flat[..., 1], cv2.INTER_LINEAR).reshape(
            *at.shape[:-1], 3
        )
        s = side[:, :, None, :]
        across = np.linalg.norm(gx * s[..., :1] + gy * s[..., 1:], axis=-1)
        evidence = np.clip((across / self.noise - 1.5) / 3.5, 0, 1)
        h, w = self.gx.shape[:2]
        inside = (
            (raw[..., 0] > 2) & (raw[..., 1] > 2) & (raw[..., 0] < w - 3) & (raw[..., 1] < h - 3)
        )
        return evidence, inside & ~_hidden(at, rod) & ~_on_ink(self.pose, at)


def _hidden(at: Array, rod: Rod) -> NDArray[np.bool_]:
    """Behind the rod itself, or above its upper end, where the body begins."""
    low, high = rod.axis
    d = (high - low) / np.linalg.norm(high - low)
    normal = np.array([-d[1], d[0]])
    rel = at - low
    along = rel @ d
    off = np.abs(rel @ normal)
    length = np.linalg.norm(high - low)
    beside = off < rod.width_at(at) / 2 + 3.0
    return (beside & (along > -0.6 * rod.width_px)) | (along > length)


def _on_ink(pose: GridPose, at: Array) -> NDArray[np.bool_]:
    xy = pose.camera.distort(at.reshape(-1, 2))
    rays = pose.camera.ray(xy) @ pose.rotation
    start = -pose.origin @ pose.rotation
    grid = start[:2] - rays[:, :2] * (start[2] / rays[:, 2])[:, None]
    margin = 2 * pose.ink_half_width + 0.008  # crosses are often drawn bolder
    ink = (np.abs(grid - np.round(grid)) < margin).any(axis=1)
    if pose.thickness is not None:
        slide = 2 * rays[:, :2] / np.sqrt(GLASS_INDEX**2 - 1 + rays[:, 2] ** 2)[:, None]
        ghost = grid + pose.thickness * slide
        ink |= (np.abs(ghost - np.round(ghost)) < margin).any(axis=1)
    return np.asarray(ink.reshape(at.shape[:-1]))


def _fit_image(
    rgb: NDArray[np.uint8], pose: GridPose, rod: Rod, seen: Array, half: Array
) -> Image | None:
    """Fit offset, tilt and width of one predicted reflection to both its limbs."""
    spread_width = 0.06 * float(half.mean())
    for gate in (0.30 * rod.width_px, 0.2 * rod.width_px, 0.12 * rod.width_px):
        gate = max(gate, 2.0)
        p, q = seen[0], seen[-1]
        length = float(np.linalg.norm(q - p))
        if length < 0.8 * rod.width_px:
            return None
        unit = (q - p) / length
        side = np.array([-unit[1], unit[0]])
        n = int(np.clip(length / 3.0, 8, 90))
        s = np.linspace(-1, 1, n)
        line = p + (s[:, None] + 1) / 2 * (q - p)
        wide = np.interp(s, np.linspace(-1, 1, len(half)), half)
        read = [
            _peaks(rgb, pose, rod, line + sign * wide[:, None] * side, side, gate)
            for sign in (-1.0, 1.0)
        ]
        t = np.concatenate([r[0] for r in read])
        strength = np.concatenate([r[1] for r in read])
        visible = np.concatenate([r[2] for r in read])
        sign = np.repeat([-1.0, 1.0], n)
        station = np.tile(s, 2)
        use = visible & (strength > 1.8)
        if use.sum() < 8 or np.ptp(station[use]) * length / 2 < 0.8 * rod.width_px:
            return None
        design = np.stack([np.ones(2 * n), station, sign, sign * station], axis=1)[use]
        base = np.minimum(strength[use] / 6, 1)
        x = np.array([float(np.median(t[use])), 0.0, 0.0, 0.0])
        prior = np.diag([0.0, 1e-6, 1 / spread_width**2, 1 / (0.5 * spread_width) ** 2])
        scale, normal = 1.0, np.eye(4)
        for _ in range(12):
            r = t[use] - design @ x
            scale = max(1.48 * float(np.median(np.abs(r))), 0.15)
            w = base / (1 + (r / (2 * scale)) ** 2) / scale**2
            normal = (design * w[:, None]).T @ design + prior
            x = np.linalg.solve(normal, (design * w[:, None]).T @ t[use])
        r = t[use] - design @ x
        fits = np.abs(r) < max(2.5 * scale, 0.8)
        shift = x[0] + np.array([-1.0, 1.0]) * x[1]
        seen = (p + shift[0] * side)[None] + np.linspace(0, 1, len(half))[:, None] * (
            q + shift[1] * side - p - shift[0] * side
        )
        half = half + x[2] + x[3] * np.linspace(-1, 1, len(half))
    if half.min() <= 0.5:
        return None
    count = int(fits.sum())
    share = count / max(int(visible.sum()), 1)
    per_limb = [int((fits & (sign[use] == which)).sum()) for which in (-1.0, 1.0)]
    paired = min(per_limb)
    covariance = np.linalg.inv(normal)
    stretch = station[use][fits]
    if count < 8 or np.ptp(stretch) * length / 2 < 0.8 * rod.width_px:
        return None
    first, last = float(stretch.min()), float(stretch.max())
    ends = [seen[0] + (v + 1) / 2 * (seen[-1] - seen[0]) for v in (first, last)]
    middle = (first + last) / 2
    across = np.array([1.0, middle, 0.0, 0.0])
    axis = Limb(
        ends[0],
        ends[1],
        math.sqrt(float(across @ covariance @ across)),
        math.sqrt(float(covariance[1, 1])) / (length / 2),
        float(np.sqrt(np.mean(r[fits] ** 2))),
        share,
        float(np.mean(strength[use][fits])),
        np.empty((0, 2)),
    )
    limbs = []
    for k, which in enumerate((-1.0, 1.0)):
        mine = station[use][fits & (sign[use] == which)]
        if len(mine) < 4:
            continue
        span = np.array([mine.min(), mine.max()])
        wide = np.interp(span, np.linspace(-1, 1, len(half)), half)
        base_line = seen[0] + (span[:, None] + 1) / 2 * (seen[-1] - seen[0])
        edge = base_line + which * wide[:, None] * side
        limbs.append(replace(axis, p=edge[0], q=edge[1]))
        del k
    tell = _tells(rgb, pose, rod, seen, half, side)
    return Image(axis, tuple(limbs), share, count, paired, tell)


def _tells(
    rgb: NDArray[np.uint8], pose: GridPose, rod: Rod, seen: Array, half: Array, side: Array
) -> float:
    """Share of the visible length along which inside and outside differ in colour."""
    places = [seen, seen - (half + 4)[:, None] * side, seen + (half + 4)[:, None] * side]
    in_sight = [~_hidden(p, rod) & ~_on_ink(pose, p) for p in places]
    colour = []
    low = np.floor(np.min([p.min(axis=0) for p in places], axis=0)).astype(int) - 12
    high = np.ceil(np.max([p.max(axis=0) for p in places], axis=0)).astype(int) + 13
    low, high = np.maximum(low, 0), np.minimum(high, rgb.shape[1::-1])
    crop = rgb[low[1] : high[1], low[0] : high[0]]
    if min(crop.shape[:2]) < 12:
        return 0.0
    calm = cv2.blur(crop, (5, 5)).astype(np.float32)
    noise = float(np.median(np.abs(calm[:, 4:] - calm[:, :-4]))) + 1.0
    for p in places:
        raw = (pose.camera.distort(p) - low).astype(np.float32)[None]
        colour.append(
            cv2.remap(
                calm, raw[..., 0], raw[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
            )[0]
        )
    seen_beside = np.zeros(len(seen), bool)
    differs = np.ones(len(seen), bool)
    for k in (1, 2):
        usable = in_sight[0] & in_sight[k]
        step = np.linalg.norm(colour[0] - colour[k], axis=1)
        differs &= ~usable | (step > 3.0 * noise)
        seen_beside |= usable
    if seen_beside.sum() < 4:
        return 0.3
    return float(differs[seen_beside].mean())


def _peaks(
    rgb: NDArray[np.uint8], pose: GridPose, rod: Rod, at: Array, side: Array, gate: float
) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Where the strongest colour step lies across each point, how strong, and whether in sight."""
    across = np.arange(-gate - 2.5, gate + 2.51, 0.5)
    xy = at[:, None, :] + across[None, :, None] * side
    raw = pose.camera.distort(xy).astype(np.float32)
    strip = cv2.remap(
        rgb, raw[..., 0], raw[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    ).astype(np.float32)
    strip = cv2.GaussianBlur(strip, (5, 5), 1.0, borderType=cv2.BORDER_REPLICATE).astype(np.float32)
    step = (strip[:, 2:] - strip[:, :-2]).astype(float)
    size2 = np.sum(step**2, axis=2)
    noise2 = float(np.median(size2)) + 0.5
    where = across[1:-1]
    masked = np.where(np.abs(where) <= gate, size2, 0)
    peak = np.argmax(masked, axis=1)
    top = masked[np.arange(len(at)), peak]
    local = np.abs(where[None, :] - where[peak][:, None]) <= 1.5
    weight = np.where(local, np.maximum(size2 - noise2, 0), 0)
    total = weight.sum(axis=1)
    t = (weight @ where) / np.maximum(total, 1e-9)
    height, width = rgb.shape[:2]
    middle = raw[:, len(across) // 2]
    inside = (
        (middle[:, 0] > 3)
        & (middle[:, 1] > 3)
        & (middle[:, 0] < width - 4)
        & (middle[:, 1] < height - 4)
    )
    return t, np.sqrt(top / noise2), inside & ~_hidden(at, rod) & ~_on_ink(pose, at)


def shows_nothing(rgb: NDArray[np.uint8], pose: GridPose, rod: Rod) -> bool:
    """Whether the sheet in front of the rod is plain, as paper is and a mirror is not."""
    low = pose.camera.distort(rod.axis[0])
    origin = pose.on_sheet(low[None])[0]
    steps = np.arange(-12, 13)[:, None] + np.array([0.2, 0.35, 0.5, 0.65, 0.8])
    x, y = np.meshgrid(steps.ravel(), steps.ravel())
    x, y = x.ravel() + round(float(origin[0])), y.ravel() + round(float(origin[1]))
    rel = np.stack([x - origin[0], y - origin[1]], axis=1)
    near = (np.abs(rel[:, 0]) < 1.6) & (rel[:, 1] < -0.2) & (rel[:, 1] > -1.8)
    xy = pose.project(np.stack([x[near], y[near], 0 * x[near]], axis=1))
    height, width = rgb.shape[:2]
    ok = (xy[:, 0] > 4) & (xy[:, 1] > 4) & (xy[:, 0] < width - 5) & (xy[:, 1] < height - 5)
    if ok.sum() < 20:
        return False
    at = xy[ok].astype(int)
    level = cv2.blur(rgb, (7, 7))[at[:, 1], at[:, 0]].astype(float)
    spread = np.quantile(level, 0.85, axis=0) - np.quantile(level, 0.15, axis=0)
    return bool(np.max(spread) < PLAIN_SPREAD * max(float(np.median(level)), 20.0))
