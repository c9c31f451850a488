"""Fitted edges of a body and of its reflection -> azimuth with its uncertainty.

Comes in: lines in pixels with covariances (no picture). Goes out: a `Solution`. One weighted
least-squares adjustment holds everything: the pinhole camera with one radial term
(`vision.camera`), a mirror with unit normal m, the lower edge with direction d at azimuth alpha
(d.m = -sin alpha for d pointing to the right), the two sides, and their mirror images by the
Householder reflection. What the photo cannot show (focal length, elevation, side view) enters as
observations with their own standard uncertainties, so nothing is divided by a vanishing cross
product; the covariance of alpha is that of the adjustment (JCGM 102:2011, 6.2), and its parts are
the shares of each group of observations.

Only the direction of the edges matters: the reflected edge may be another edge of the body than
the lower one, as long as the two are parallel (a bevel's other side).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from vision.edges import EdgeFit

Array = NDArray[np.float64]

U_ELEVATION_DEG, ELEVATION_DEG = 4.0, 8.5  # of the line of sight, 3 to 15 asked for
U_SIDE_VIEW_DEG = 4.0  # camera up to 6 degrees aside
U_ROLL_DEG = 6.0
U_K1 = 0.02  # phones' main cameras after their own correction, and clip-on lenses; from memory
U_CENTRE = 0.01  # principal point, in widths of the frame
U_TAPER_DIFFERENCE_DEG = 1.0
U_FRONT_PITCH_DEG = 3.0
# What a printed or moulded edge departs from a straight edge parallel to its neighbours, and what
# shading at a rounded edge does to its place; from the tuning photographs.
EDGE_FLOOR_DEG = 0.015
SIDE_FLOOR_DEG = 0.25
SIDE_FLOOR_WIDTHS = 0.004

_A_X, _A_Y, _WIDTH, _HEIGHT, _ROLL, _ELEVATION, _YAW, _ALPHA = range(8)
_FOCAL, _K1, _TAPER, _TAPER_DIFFERENCE, _PITCH, _CX, _CY = range(8, 15)


@dataclass(frozen=True)
class Lens:
    """What is known of the lens: pixels of the full picture."""

    f: float
    relative_u: float
    cx: float
    cy: float
    half_diagonal: float
    k1: float = 0.0
    k1_u: float = U_K1


@dataclass(frozen=True)
class Solution:
    """Result of the adjustment; angles in radians.

    ``parts`` are the standard uncertainties of ``alpha`` by group of observations; their root sum
    of squares is its standard uncertainty. ``misfit`` is the root of chi-squared per degree of
    freedom; ``worst`` the largest miss of each group, in standard uncertainties, the sides singly
    ("surface reference/left image"). ``sight`` is the elevation of the line of sight.
    """

    alpha: float
    roll: float
    elevation: float
    yaw: float
    f: float
    k1: float
    parts: Mapping[str, float]
    misfit: float
    up: Array
    direction: Array
    sides_alpha: float | None
    sides_alpha_u: float
    sight: float
    worst: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Depth:
    """A line of the body that runs straight away from its front, as seen: a point and a direction.

    Pixels, radians; ``u`` is the standard uncertainty of the direction.
    """

    x: float
    y: float
    angle: float
    u: float


def solve_lines(
    edge: EdgeFit,
    image: EdgeFit,
    sides: Mapping[str, EdgeFit],
    lens: Lens,
    depths: Sequence[Depth] = (),
) -> Solution:
    """Adjust camera, mirror and body to the lines.

    Parameters
    ----------
    edge, image : EdgeFit
        The lower edge and the reflected lower edge, drawn from left to right.
    sides : mapping of {"left", "right", "left image", "right image"} to EdgeFit
        Those that are known, any of them may be missing.
    lens : Lens
    depths : sequence of Depth
        Borders of the underside's image that run away from the camera; they tell the side view.

    Returns
    -------
    Solution

    Raises
    ------
    ValueError
        If the reflected edge does not lie below the edge, or no solution is found.
    """
    if image.y <= edge.y:
        raise ValueError("image: the reflected edge must lie below the edge in the picture")
    groups: list[str] = []
    model = _Model(edge, image, dict(sides), lens, tuple(depths))
    p = model.start()
    for iteration in range(12):
        r, groups = model.residuals(p)
        jacobian = _jacobian(model, p, r)
        normal = jacobian.T @ jacobian
        step = -np.linalg.solve(normal, jacobian.T @ r)
        limit = np.maximum(1.0, np.abs(step) / model.step_limits())
        p = p + step / limit.max()
        if iteration >= 2 and float(np.abs(step / model.scales()).max()) < 0.1:
            break
    r, groups = model.residuals(p)
    jacobian = _jacobian(model, p, r)
    inverse = np.linalg.inv(jacobian.T @ jacobian)
    influence = (inverse @ jacobian.T)[_ALPHA]
    if not np.all(np.isfinite(p)) or not np.all(np.isfinite(influence)):
        raise ValueError("the lines do not determine the azimuth")
    parts: dict[str, float] = {}
    worst: dict[str, float] = {}
    for group, share, value in zip(groups, influence, r, strict=True):
        name = group.split("/")[0]
        parts[name] = math.hypot(parts.get(name, 0.0), float(share))
        worst[group] = max(worst.get(group, 0.0), abs(float(value)))
    freedom = max(len(r) - len(p), 1)
    line_of_sight, up, direction = model.frame(p)
    by_sides, by_sides_u = _from_sides(sides)
    return Solution(
        alpha=float(p[_ALPHA]),
        roll=float(p[_ROLL]),
        elevation=float(p[_ELEVATION]),
        yaw=float(p[_YAW]),
        f=lens.f * math.exp(float(p[_FOCAL])),
        k1=float(p[_K1]),
        parts=parts,
        misfit=math.sqrt(float(r @ r) / freedom),
        up=up,
        direction=direction,
        sides_alpha=by_sides,
        sides_alpha_u=by_sides_u,
        sight=math.asin(float(-line_of_sight @ up)),
        worst=worst,
    )


def _from_sides(sides: Mapping[str, EdgeFit]) -> tuple[float | None, float]:
    """Azimuth from the four sides alone, taper taken as alike left and right; radians."""
    names = ("left", "right", "left image", "right image")
    if any(n not in sides for n in names):
        return None, math.inf
    lean = [_lean(sides[n].angle) for n in names]
    value = (lean[0] + lean[1] - lean[2] - lean[3]) / 4
    u = math.sqrt(
        sum(sides[n].angle_u ** 2 for n in names) / 16 + math.radians(SIDE_FLOOR_DEG) ** 2 / 2
    )
    return value, u


def _lean(angle: float) -> float:
    """Clockwise turn of a steep line from upright, radians, within half a turn."""
    return (angle % math.pi) - math.pi / 2


@dataclass
class _Model:
    edge: EdgeFit
    image: EdgeFit
    sides: dict[str, EdgeFit]
    lens: Lens
    depths: tuple[Depth, ...] = ()

    def start(self) -> Array:
        """Start from half the slopes' difference and their mean."""
        f = self.lens.f
        alpha = (self.edge.angle - self.image.angle) / 2
        roll = (self.edge.angle + self.image.angle) / 2
        a, b = self._ends(self.edge)
        p = np.zeros(15)
        p[_A_X], p[_A_Y] = a
        p[_WIDTH] = float(np.linalg.norm(b - a)) / f
        p[_HEIGHT] = max(self.image.y - self.edge.y, 1.0) / f / 2
        p[_ROLL], p[_ALPHA] = roll, alpha
        los = math.atan2((self.edge.y + self.image.y) / 2 - self.lens.cy, f)
        p[_ELEVATION] = math.radians(ELEVATION_DEG) - los
        if self.left_lean() is not None and self.right_lean() is not None:
            p[_TAPER] = (self.left_lean() - self.right_lean()) / 2  # type: ignore[operator]
        if self.depths:
            lean = sum(1 / math.tan(d.angle) for d in self.depths) / len(self.depths) + roll
            p[_YAW] = math.atan(lean * math.sin(math.radians(ELEVATION_DEG)))
        p[_K1] = self.lens.k1
        p[_CX], p[_CY] = self.lens.cx, self.lens.cy
        return p

    def left_lean(self) -> float | None:
        fit = self.sides.get("left")
        return None if fit is None else _lean(fit.angle)

    def right_lean(self) -> float | None:
        fit = self.sides.get("right")
        return None if fit is None else _lean(fit.angle)

    def _ends(self, fit: EdgeFit) -> tuple[Array, Array]:
        a, b = fit.ends
        left, right = self.sides.get("left"), self.sides.get("right")
        if fit is self.edge:
            a = _cross(fit, left) if left is not None else a
            b = _cross(fit, right) if right is not None else b
        return a, b

    def scales(self) -> Array:
        """Size of a small change of each parameter."""
        one = math.radians(0.01)
        return np.array(
            [0.05, 0.05, 1e-4, 1e-5, one, one, one, one / 10, 1e-3, 1e-4, one, one, one, 0.5, 0.5]
        )

    def step_limits(self) -> Array:
        """Largest change of each parameter in one iteration."""
        ten = math.radians(10)
        return np.array(
            [80, 80, 0.1, 0.1, ten, ten, ten, ten, 0.5, 0.1, ten, ten, ten, 100, 100], float
        )

    def frame(self, p: Array) -> tuple[Array, Array, Array]:
        """Line of sight, mirror normal (up) and edge direction (to the right), camera frame.

        Parameters, like those of all that follows, may be many sets of them, shape (..., 15).
        """
        ce, se = np.cos(p[..., _ELEVATION]), np.sin(p[..., _ELEVATION])
        roll, yaw, alpha = (p[..., k, None] for k in (_ROLL, _YAW, _ALPHA))
        up = np.stack([np.sin(roll[..., 0]) * ce, -np.cos(roll[..., 0]) * ce, -se], axis=-1)
        middle = np.array([self.edge.x + self.image.x, self.edge.y + self.image.y]) / 2
        sight = self._ray(p, np.broadcast_to(middle, (*p.shape[:-1], 2)))
        right = _unit(np.cross(sight, up))
        flat = np.cos(yaw) * right + np.sin(yaw) * np.cross(up, right)
        return sight, up, np.cos(alpha) * flat - np.sin(alpha) * up

    def _ray(self, p: Array, xy: Array) -> Array:
        f = self.lens.f * np.exp(p[..., _FOCAL])
        x, y = (xy[..., 0] - p[..., _CX]) / f, (xy[..., 1] - p[..., _CY]) / f
        return _unit(np.stack([x, y, np.ones_like(x)], axis=-1))

    def _pixels(self, p: Array, xyz: Array) -> Array:
        """Where points (..., N, 3) are seen, shape (..., N, 2)."""
        f = self.lens.f * np.exp(p[..., _FOCAL, None, None])
        u = xyz[..., :2] / xyz[..., 2:] * f / self.lens.half_diagonal
        u = u * (1 + p[..., _K1, None, None] * np.sum(u * u, axis=-1, keepdims=True))
        return np.asarray(u * self.lens.half_diagonal + p[..., None, [_CX, _CY]])

    def residuals(self, p: Array) -> tuple[Array, list[str]]:
        """All misses over their standard uncertainties, shape (..., N), and the group of each."""
        sight, up, d = self.frame(p)
        a = self._ray(p, p[..., :2])
        a = a / a[..., 2:]
        width, pitch = p[..., _WIDTH, None], p[..., _PITCH, None]
        b = a + width * d
        upright = _unit(up - _dot(up, d)[..., None] * d)
        rise = np.cos(pitch) * upright + np.sin(pitch) * np.cross(d, upright)
        left = p[..., _TAPER, None] + p[..., _TAPER_DIFFERENCE, None] / 2
        right = p[..., _TAPER, None] - p[..., _TAPER_DIFFERENCE, None] / 2
        a2 = a + 0.3 * width * (np.cos(left) * rise - np.sin(left) * d)
        b2 = b + 0.3 * width * (np.cos(right) * rise + np.sin(right) * d)
        points = np.stack([a, b, a2, b2], axis=-2)
        foot = a - p[..., _HEIGHT, None] * up
        high = _dot(points - foot[..., None, :], up[..., None, :])
        seen = self._pixels(p, points)
        mirrored = self._pixels(p, points - 2 * high[..., None] * up[..., None, :])
        r: list[Array] = []
        groups: list[str] = []

        def add(group: str, *values: Array) -> None:
            r.extend(values)
            groups.extend([group] * len(values))

        size = np.linalg.norm(seen[..., 1, :] - seen[..., 0, :], axis=-1)
        for fit, ends in ((self.edge, seen), (self.image, mirrored)):
            floors = math.radians(EDGE_FLOOR_DEG), 0.3
            add("edge fit", *_to_line(fit, ends[..., 0, :], ends[..., 1, :], *floors))
        for name, which, end, top in (
            ("left", seen, 0, 2),
            ("right", seen, 1, 3),
            ("left image", mirrored, 0, 2),
            ("right image", mirrored, 1, 3),
        ):
            if name in self.sides:
                floors = math.radians(SIDE_FLOOR_DEG), SIDE_FLOOR_WIDTHS * size
                side = which[..., end, :], which[..., top, :]
                add(f"surface reference/{name}", *_to_line(self.sides[name], *side, *floors))
        start, stop = self._ends(self.edge)
        add(
            "priors used",
            (seen[..., 0, :] - start) @ self.edge.direction / (0.1 * size),
            (seen[..., 1, :] - stop) @ self.edge.direction / (0.1 * size),
            p[..., _TAPER_DIFFERENCE] / math.radians(U_TAPER_DIFFERENCE_DEG),
            p[..., _TAPER] / math.radians(12.0),
            p[..., _PITCH] / math.radians(U_FRONT_PITCH_DEG),
        )
        add(
            "camera direction",
            (np.arcsin(-_dot(sight, up)) - math.radians(ELEVATION_DEG))
            / math.radians(U_ELEVATION_DEG),
            p[..., _YAW] / math.radians(U_SIDE_VIEW_DEG),
            p[..., _ROLL] / math.radians(U_ROLL_DEG),
        )
        gone = self._pixels(p, _unit(np.cross(up, d))[..., None, :])[..., 0, :]
        for depth in self.depths:
            seen_angle = np.arctan2(gone[..., 1] - depth.y, gone[..., 0] - depth.x)
            turn = _half_turn(seen_angle - depth.angle) / depth.u
            # One that is no such line says little: Cauchy's loss.
            add("camera direction/depth", np.copysign(np.sqrt(np.log1p(turn**2)), turn))
        centre_u = U_CENTRE * self.lens.half_diagonal * 1.6
        add(
            "focal length and principal point",
            p[..., _FOCAL] / self.lens.relative_u,
            (p[..., _CX] - self.lens.cx) / centre_u,
            (p[..., _CY] - self.lens.cy) / centre_u,
        )
        add("lens distortion", (p[..., _K1] - self.lens.k1) / self.lens.k1_u)
        return np.stack(r, axis=-1), groups


def _dot(a: Array, b: Array) -> Array:
    return np.asarray(np.sum(a * b, axis=-1))


def _unit(v: Array) -> Array:
    return np.asarray(v / np.linalg.norm(v, axis=-1, keepdims=True))


def _half_turn(angle: Array) -> Array:
    """An angle less whole half turns, within a quarter turn either way."""
    return np.asarray(angle - math.pi * np.rint(angle / math.pi))


def _to_line(
    fit: EdgeFit, a: Array, b: Array, angle_floor: float, offset_floor: float | Array
) -> tuple[Array, Array]:
    """Miss of the points a, b from a fitted line: mean offset and turn, over their u."""
    middle = np.array([fit.x, fit.y])
    da, db = (a - middle) @ fit.normal, (b - middle) @ fit.normal
    along = ((a + b) / 2 - middle) @ fit.direction
    apart = (b - a) @ fit.direction
    offset_u = np.sqrt(
        float(fit.covariance[0, 0])
        + 2 * along * float(fit.covariance[0, 1])
        + along**2 * float(fit.covariance[1, 1])
        + np.square(offset_floor)
    )
    turn_u = math.hypot(fit.angle_u, angle_floor)
    return (da + db) / 2 / offset_u, _half_turn(np.arctan2(db - da, apart)) / turn_u


def _cross(one: EdgeFit, other: EdgeFit) -> Array:
    """Intersection of two fitted lines."""
    a = np.array([one.direction, -other.direction]).T
    t = np.linalg.solve(a, np.array([other.x - one.x, other.y - one.y]))
    return np.asarray(np.array([one.x, one.y]) + t[0] * one.direction)


def _jacobian(model: _Model, p: Array, r: Array) -> Array:
    steps = model.scales()
    return np.asarray((model.residuals(p + np.diag(steps))[0] - r).T / steps)
