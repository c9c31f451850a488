"""Directions in space -> the image directions of stylus, rod and groove, and back again.

In: image lines by name (direction at a place, with its uncertainty). Out: the rake, its standard
uncertainty split over what it comes from, and which lines disagreed.

Geometry. A line of direction d (camera frame) through the pixel p runs along f d_xy - (p - c) d_z
in the image (differentiate the pinhole projection; Hartley & Zisserman, Multiple View Geometry,
2nd ed., ch. 6), whatever its distance. A mirror image has the direction Hd, H = I - 2 m m^T. The
unknowns are the camera's roll, elevation and azimuth, the stylus' rake and side lean, the rod's
rise, and small nuisances; what the lines leave open is held by stated priors. Solved by weighted
least squares (Gauss-Newton), with priors as further observations, so that the posterior variance
is exactly the sum of what each line and each prior contributes (JCGM 100:2008, 5.1.2).

World axes: x from the stylus towards the pivot along the cantilever, z up (DEVELOPERS.md,
Conventions).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.camera import Camera

Array = NDArray[np.float64]

# Name: (start, standard deviation) in degrees unless noted; wide ones only keep the start finite.
PRIORS: dict[str, tuple[float, float]] = {
    "rake": (92.0, 40.0),
    "roll": (0.0, 20.0),
    "elevation": (4.8, 2.3),  # 0.5 to 8 degrees up, as the guide asks; the mean is the RMS
    "azimuth": (0.0, 2.3),  # within 4 degrees of side-on, as the guide asks
    "side_lean": (0.0, 1.5),
    "rise": (20.0, 4.0),
    "shank_taper": (0.0, 3.0),
    "cone_half": (27.5, 8.0),
    "cone_skew": (0.0, 0.3),  # a turned pyramid's two flanks end at different heights
    "rod_taper": (0.0, 2.0),
    "groove_yaw": (0.0, 1.8),  # tracking error and a skewed cantilever, two degrees each
    "log_focal": (0.0, 0.05),
    "centre_x": (0.0, 0.02),  # of the frame's diagonal
    "centre_y": (0.0, 0.02),
    "k1": (0.0, 0.03),  # clip-on lenses bend more than phones, which correct theirs
}
_DEGREES = frozenset(PRIORS) - {"log_focal", "centre_x", "centre_y", "k1"}
GROUPS = {
    "rake": "camera direction",
    "roll": "camera direction",
    "elevation": "camera direction",
    "azimuth": "camera direction",
    "side_lean": "priors used",
    "rise": "priors used",
    "shank_taper": "priors used",
    "cone_half": "priors used",
    "cone_skew": "priors used",
    "rod_taper": "priors used",
    "groove_yaw": "priors used",
    "log_focal": "focal length and principal point",
    "centre_x": "focal length and principal point",
    "centre_y": "focal length and principal point",
    "k1": "lens distortion",
}
_NAMES = tuple(PRIORS)
_REFERENCES = ("reflected", "surface", "normal")
SIDES = ("left", "right")
LEAST_SCATTER_DEG = 0.2  # of half the angle between a straight shank's edges as found
LEAST_LIKELY = 1e-6  # where the cone denies both, it is the cone that is wrong
CONE_AXIS_U_DEG = 0.6  # of the axis halving the cone: edges and unequal flanks
# What is taken for a straight shank's side without being it (a facet's edge, a highlight, a run of
# glue) runs nearly along it; a turned taper is as wide as its prior.
BESIDE_DEG = 1.2
REPEATED = 0.2  # as likely where the image shows the same: it is lit and seen from below
_DROP_AT = 3.5  # standard deviations


@dataclass(frozen=True)
class Line:
    """A named image line: two points in pixels and the standard uncertainty of its direction."""

    name: str
    x0: float
    y0: float
    x1: float
    y1: float
    angle_u: float

    @property
    def middle(self) -> Array:
        """Middle of the line, pixels."""
        return np.array([(self.x0 + self.x1) / 2, (self.y0 + self.y1) / 2])

    @property
    def angle(self) -> float:
        """Image direction in radians, modulo pi."""
        return math.atan2(self.y1 - self.y0, self.x1 - self.x0)

    @property
    def length(self) -> float:
        """Length in pixels."""
        return math.hypot(self.x1 - self.x0, self.y1 - self.y0)


@dataclass(frozen=True)
class Solution:
    """Rake and nuisances (degrees where they are angles), and where the uncertainty comes from."""

    values: Mapping[str, float]
    standard_uncertainties: Mapping[str, float]
    parts: Mapping[str, float]
    dropped: tuple[str, ...]
    residuals: Mapping[str, float]
    chi_square: float
    freedom: int

    @property
    def rake(self) -> float:
        """Degrees."""
        return self.values["rake"]

    @property
    def rake_u(self) -> float:
        """Standard uncertainty, degrees."""
        return math.hypot(*self.parts.values())


def camera_axes(roll: float, elevation: float, azimuth: float, pivot_right: bool) -> Array:
    """Rows right, down and forwards of the camera in world axes, shape (3, 3); radians.

    ``azimuth`` turns the camera about the vertical from side-on; ``elevation`` is how far it
    looks down; ``roll`` turns it about its own axis.
    """
    side = 1.0 if pivot_right else -1.0
    forwards = np.array(
        [
            math.sin(azimuth) * math.cos(elevation),
            side * math.cos(azimuth) * math.cos(elevation),
            -math.sin(elevation),
        ]
    )
    level = np.array([forwards[1], -forwards[0], 0.0]) / math.hypot(forwards[0], forwards[1])
    upright = np.cross(level, forwards)
    right = math.cos(roll) * level + math.sin(roll) * upright
    up = -math.sin(roll) * level + math.cos(roll) * upright
    return np.stack([right, -up, forwards])


class Predictor:
    """Image directions of a set of named lines, all at once.

    Parameters
    ----------
    lines : sequence of Line
    camera : Camera
        Best guess; the values' ``log_focal``, ``centre_x``, ``centre_y`` and ``k1`` change it.
    pivot_right : bool
    """

    def __init__(self, lines: Sequence[Line], camera: Camera, pivot_right: bool) -> None:
        self.camera, self.pivot_right = camera, pivot_right
        self.middles = np.array([line.middle for line in lines])
        names = [line.name.removeprefix("reflected ") for line in lines]
        self.flip = np.array([-1.0 if x.name.startswith("reflected") else 1.0 for x in lines])
        side = np.array([-1.0 if n.endswith("left") else 1.0 for n in names])
        shank, cone, axis, rod = (
            np.array([n.startswith(kind) for n in names])
            for kind in ("shank", "cone", "axis", "rod")
        )
        normal = np.array([n == "normal" for n in names])
        self.kind = np.where(shank | cone | axis, 0, np.where(rod, 1, np.where(normal, 3, 2)))
        limb = np.array([{"rod top": 1.0, "rod bottom": -1.0}.get(n, 0.0) for n in names])
        self.turns = np.stack(
            [-side * self.flip * shank, side * self.flip * cone, 1.0 * cone, limb * self.flip]
        )

    def angles(self, values: Mapping[str, float]) -> Array:
        """Radians, modulo pi, one a line."""
        v = {k: math.radians(x) if k in _DEGREES else x for k, x in values.items()}
        axes = camera_axes(v["roll"], v["elevation"], v["azimuth"], self.pivot_right)
        lean = v["side_lean"]
        directions = np.array(
            [
                [
                    math.cos(v["rake"]) * math.cos(lean),
                    math.sin(lean),
                    math.sin(v["rake"]) * math.cos(lean),
                ],
                [math.cos(v["rise"]), 0.0, math.sin(v["rise"])],
                [math.cos(v["groove_yaw"]), math.sin(v["groove_yaw"]), 0.0],
                [0.0, 0.0, 1.0],
            ]
        )[self.kind]
        directions[:, 2] *= self.flip
        seen = directions @ axes.T
        diagonal = 2 * self.camera.half_diagonal
        lens = Camera(
            self.camera.f * math.exp(v["log_focal"]),
            self.camera.cx + v["centre_x"] * diagonal,
            self.camera.cy + v["centre_y"] * diagonal,
            self.camera.k1 + v["k1"],
            self.camera.half_diagonal,
        )
        u = lens.undistort(self.middles) - (lens.cx, lens.cy)
        along = lens.f * seen[:, :2] - u * seen[:, 2:]
        q = u / lens.half_diagonal
        radial = np.sum(q * along, axis=1, keepdims=True)
        along = (1 + lens.k1 * np.sum(q * q, axis=1, keepdims=True)) * along
        along = along + 2 * lens.k1 * q * radial
        turn = np.array([v["shank_taper"], v["cone_half"], v["cone_skew"], v["rod_taper"]])
        return np.asarray(np.arctan2(along[:, 1], along[:, 0]) + turn @ self.turns)


def solve(
    lines: Sequence[Line],
    camera: Camera,
    pivot_right: bool,
    prior_sd: Mapping[str, float] | None = None,
    prior_mean: Mapping[str, float] | None = None,
) -> Solution:
    """Rake from named lines by least squares with priors; lines that disagree are dropped.

    Parameters
    ----------
    lines : sequence of Line
        Names: ``shank|cone left|right``, ``axis``, ``rod top|bottom``, each also ``reflected ...``,
        ``surface ...`` (groove, or any line along the surface under the cantilever), and ``normal``
        (from a point to its mirror image).
    camera : Camera
        Best guess; its uncertainty comes from the priors.
    pivot_right : bool
        Whether the arm's pivot lies to the right in the photo.
    prior_sd, prior_mean : mapping, optional
        Replaces entries of `PRIORS`.

    Raises
    ------
    ValueError
        With no line of the stylus, or without reflection or surface.
    """
    if not any(x.name.startswith(("shank", "cone", "axis")) for x in lines):
        raise ValueError("lines: expected at least one of shank, cone or axis")
    if not any(x.name.startswith(_REFERENCES) for x in lines):
        raise ValueError("lines: expected a reflected line, the surface or its normal")
    mean = {k: v[0] for k, v in PRIORS.items()} | dict(prior_mean or {})
    sd = {k: v[1] for k, v in PRIORS.items()} | dict(prior_sd or {})
    kept = list(lines)
    dropped: list[str] = []
    while True:
        x, covariance, gain, misses = _gauss_newton(kept, camera, pivot_right, mean, sd)
        if np.max(np.abs(misses[: len(kept)])) < _DROP_AT:
            break
        # the one without which the others agree best: it need not be the one that misses most
        tries = [kept[:i] + kept[i + 1 :] for i in range(len(kept))]
        left = [
            float(np.sum(_gauss_newton(rest, camera, pivot_right, mean, sd)[3] ** 2))
            if _enough(rest)
            else math.inf
            for rest in tries
        ]
        best = int(np.argmin(left))
        if not math.isfinite(left[best]):
            break
        dropped.append(kept[best].name)
        kept = tries[best]
    count = len(kept)
    chi_square = float(np.sum(misses**2))
    freedom = max(count - 7, 1)
    scale = math.sqrt(max(1.0, float(np.sum(misses[:count] ** 2)) / max(count - 3, 1)))
    parts = {"edge fit": 0.0, "surface reference": 0.0} | dict.fromkeys(GROUPS.values(), 0.0)
    row = gain[_NAMES.index("rake")]
    for i, share in enumerate(row):
        if i < count:
            ref = kept[i].name.removeprefix("reflected ").startswith(("rod", "surface", "normal"))
            group, share = ("surface reference" if ref else "edge fit"), share * scale
        else:
            group = GROUPS[_NAMES[i - count]]
        parts[group] = math.hypot(parts[group], share)
    values = dict(zip(_NAMES, map(float, x), strict=True))
    spreads = dict(zip(_NAMES, np.sqrt(np.diag(covariance)).tolist(), strict=True))
    # Second order (JCGM 100:2008, 5.1.2, note): a camera off side-on turns the stylus' side lean
    # into rake by their product, whose first derivatives vanish where both are near zero.
    leak = spreads["azimuth"] * math.radians(spreads["side_lean"])
    parts["camera direction"] = math.hypot(parts["camera direction"], leak)
    told = sum(
        abs(share) / math.degrees(line.angle_u)
        for line, share in zip(kept, row, strict=False)
        if line.name.removeprefix("reflected ").startswith("shank")
    )
    doubt = min(told, 1.0) * _taper_doubt(kept, values["shank_taper"])
    parts["edge fit"] = math.hypot(parts["edge fit"], doubt)
    return Solution(
        values,
        spreads,
        parts,
        tuple(dropped),
        {line.name: float(m) for line, m in zip(kept, misses, strict=False)},
        chi_square,
        freedom,
    )


def _taper_doubt(lines: Sequence[Line], taper: float) -> float:
    """Uncertainty, degrees, from not knowing why the shank's two sides are not parallel.

    Either the shank tapers, and its axis halves the angle; or one line is no side of it (a facet's
    edge, a highlight) and the axis found is off by the taper found; or the shank is straight and
    its edges scatter, which the lines' own uncertainty tells. The first two are equally likely
    beforehand (the second less where the mirror image shows the same), the third as likely as both.
    A wrong line runs nearly along the side it is taken for, and the cone's axis tells it from the
    others as well as that is known.
    """
    angle = {line.name: line.angle for line in lines}
    names = {n.removeprefix("reflected ") for n in angle}
    if not {"shank left", "shank right"} <= names:
        return 0.0
    same = 1.0
    wide = PRIORS["shank_taper"][1]
    other = wide / BESIDE_DEG * math.exp(-0.5 * taper**2 * (BESIDE_DEG**-2 - wide**-2))
    if all(f"{view}shank {side}" in angle for view in ("", "reflected ") for side in SIDES):
        other *= REPEATED
    differences = []
    for view, sign in (("", 1.0), ("reflected ", -1.0)):
        sides = [[f"{view}{kind} {side}" for side in SIDES] for kind in ("shank", "cone")]
        if all(n in angle for pair in sides for n in pair):
            pairs = np.array([[angle[n] for n in pair] for pair in sides])
            shank, cone = pairs[:, 0] + _wrap(pairs[:, 1] - pairs[:, 0]) / 2
            differences.append(sign * math.degrees(float(_wrap(np.array([cone - shank]))[0])))
    if differences:
        off = float(np.mean(differences))
        same = math.exp(-0.5 * (off / CONE_AXIS_U_DEG) ** 2)
        other *= (
            sum(math.exp(-0.5 * ((off + s * taper) / CONE_AXIS_U_DEG) ** 2) for s in (-1, 1)) / 2
        )
    u = [
        min(x.angle_u for x in lines if x.name.removeprefix("reflected ") == f"shank {side}")
        for side in SIDES
    ]
    scatter = max(math.degrees(math.hypot(*u)) / 2, LEAST_SCATTER_DEG)
    straight = 2 * math.exp(-0.5 * taper**2 * (scatter**-2 - wide**-2)) * wide / scatter
    same, other = max(same, LEAST_LIKELY), max(other, LEAST_LIKELY)
    return abs(taper) * math.sqrt(other / (same * (1 + straight) + other))


def _enough(lines: Sequence[Line]) -> bool:
    stylus = any(x.name.startswith(("shank", "cone", "axis")) for x in lines)
    return stylus and any(x.name.startswith(_REFERENCES) for x in lines)


def _gauss_newton(
    lines: Sequence[Line],
    camera: Camera,
    pivot_right: bool,
    mean: Mapping[str, float],
    sd: Mapping[str, float],
) -> tuple[Array, Array, Array, Array]:
    """Solution, covariance, gain (change of solution per standard deviation), weighted misses."""
    centre = np.array([mean[k] for k in _NAMES])
    spread = np.array([sd[k] for k in _NAMES])
    sigma = np.array([math.degrees(line.angle_u) for line in lines])
    x = centre.copy()

    predictor = Predictor(lines, camera, pivot_right)

    def angles(at: Array) -> Array:
        return predictor.angles(dict(zip(_NAMES, at, strict=True)))

    seen = np.array([line.angle for line in lines])
    for _ in range(12):
        base = angles(x)
        jacobian = np.empty((len(lines), len(x)))
        for j in range(len(x)):
            step = 1e-3 * spread[j]
            moved = x.copy()
            moved[j] += step
            jacobian[:, j] = np.degrees(_wrap(angles(moved) - base)) / step
        miss = np.degrees(_wrap(seen - base))
        design = np.vstack([jacobian / sigma[:, None], np.diag(1 / spread)])
        target = np.concatenate([miss / sigma, (centre - x) / spread])
        # columns scaled by the spreads, so that the normal matrix is well conditioned
        scaled = design * spread
        covariance = np.linalg.inv(scaled.T @ scaled)
        gain = spread[:, None] * (covariance @ scaled.T)
        delta = gain @ target
        x = x + delta
        if float(np.max(np.abs(delta / spread))) < 1e-6:
            break
    miss = np.degrees(_wrap(seen - angles(x)))
    misses = np.concatenate([miss / sigma, (centre - x) / spread])
    return x, covariance * np.outer(spread, spread), gain, misses


def _wrap(a: Array) -> Array:
    """Angles modulo pi, to -pi/2..pi/2."""
    return np.asarray((a + np.pi / 2) % np.pi - np.pi / 2)
