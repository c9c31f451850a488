"""Pinhole rays, mirror normals and straight edges seen with their mirror images.

Numbers in, numbers out: no pixels of a picture, no files. Angles are in radians. The camera frame
has x right, y down, z forwards; pixels as in DEVELOPERS.md, "Conventions".

Geometry. A point X and its mirror image X' span, with the camera centre, a plane that contains the
mirror's normal m: with a = ray(p) x ray(p') for one pair and b for a second, m is along a x b. A
straight edge with direction d projects to an image line whose plane through the camera has normal
n, so n.d = 0; its mirror image has direction Hd with H = I - 2 m m^T and plane normal n', so
n'.Hd = 0, that is (Hn').d = 0. These follow from the pinhole model and plane reflection alone
(Hartley & Zisserman, Multiple View Geometry, 2nd ed., ch. 2 and 6; Householder reflection).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Camera:
    """A pinhole camera with one radial term.

    Parameters
    ----------
    f : float
        Focal length in pixels, > 0.
    cx, cy : float
        Principal point in pixels.
    k1 : float
        Radial distortion: distorted = undistorted * (1 + k1 r^2), r in units of the half
        diagonal of the frame (`half_diagonal`), so that k1 = -0.05 means 5 % at the corner.
    half_diagonal : float
        In pixels; only used with ``k1``.

    Raises
    ------
    ValueError
        If ``f`` or ``half_diagonal`` is not positive.
    """

    f: float
    cx: float
    cy: float
    k1: float = 0.0
    half_diagonal: float = 1000.0

    def __post_init__(self) -> None:
        if not self.f > 0:
            raise ValueError(f"f: expected a focal length > 0 px, got {self.f!r}")
        if not self.half_diagonal > 0:
            raise ValueError(f"half_diagonal: expected > 0 px, got {self.half_diagonal!r}")

    def undistort(self, xy: ArrayLike) -> Array:
        """Undistorted pixel coordinates, shape (..., 2)."""
        p = np.asarray(xy, float)
        if self.k1 == 0.0:
            return p
        d = (p - (self.cx, self.cy)) / self.half_diagonal
        u = d.copy()
        for _ in range(8):
            u = d / (1 + self.k1 * np.sum(u * u, axis=-1, keepdims=True))
        return u * self.half_diagonal + (self.cx, self.cy)

    def distort(self, xy: ArrayLike) -> Array:
        """Inverse of `undistort`."""
        u = (np.asarray(xy, float) - (self.cx, self.cy)) / self.half_diagonal
        r2 = np.sum(u * u, axis=-1, keepdims=True)
        return u * (1 + self.k1 * r2) * self.half_diagonal + (self.cx, self.cy)

    def ray(self, xy: ArrayLike) -> Array:
        """Unit rays through pixels, shape (..., 3)."""
        u = self.undistort(xy)
        r = np.stack(
            [
                (u[..., 0] - self.cx) / self.f,
                (u[..., 1] - self.cy) / self.f,
                np.ones(u.shape[:-1]),
            ],
            axis=-1,
        )
        return np.asarray(r / np.linalg.norm(r, axis=-1, keepdims=True))

    def project(self, xyz: ArrayLike) -> Array:
        """Pixels of points in the camera frame (z > 0), shape (..., 2)."""
        q = np.asarray(xyz, float)
        u = q[..., :2] / q[..., 2:3] * self.f + (self.cx, self.cy)
        return self.distort(u) if self.k1 else u


def unit(v: ArrayLike) -> Array:
    """Vector(s) scaled to length 1 along the last axis."""
    a = np.asarray(v, float)
    return np.asarray(a / np.linalg.norm(a, axis=-1, keepdims=True))


def plane_normal(camera: Camera, p: ArrayLike, q: ArrayLike) -> Array:
    """Unit normal of the plane through the camera centre and the image points p and q.

    For an image line taken from left to right the normal points downwards in the image (+y).
    """
    rays = camera.ray(np.stack([np.asarray(p, float), np.asarray(q, float)]))
    return unit(np.cross(rays[0], rays[1]))


def reflection(m: ArrayLike) -> Array:
    """Householder matrix I - 2 m m^T of a mirror with normal m."""
    n = unit(m)
    return np.eye(3) - 2.0 * np.outer(n, n)


def mirror_normal(camera: Camera, pairs: Sequence[tuple[ArrayLike, ArrayLike]]) -> Array:
    """Mirror normal from two or more (point, image point) pairs, pointing up in the picture.

    Parameters
    ----------
    pairs : sequence of (p, p')
        Pixels of points and of their mirror images; the pairs must not share one image line.

    Returns
    -------
    ndarray, shape (3,)
        Unit normal with negative y (up in the image): the least-squares solution of
        m.(ray(p) x ray(p')) = 0 with each constraint scaled by its own length.

    Raises
    ------
    ValueError
        With fewer than two pairs.
    """
    if len(pairs) < 2:
        raise ValueError(f"pairs: expected at least 2, got {len(pairs)}")
    normals = np.stack([np.cross(camera.ray(p), camera.ray(q)) for p, q in pairs])
    m = np.linalg.svd(normals)[2][-1]
    return np.asarray(m if m[1] < 0 else -m)


def frame_from_up(up: ArrayLike, towards: ArrayLike) -> Array:
    """Right-handed rows (x, y, z) with z along ``up`` and x the part of ``towards`` square to it.

    Raises
    ------
    ValueError
        If the two directions are parallel.
    """
    z = unit(up)
    t = np.asarray(towards, float)
    x = t - z * float(t @ z)
    if np.linalg.norm(x) < 1e-9 * np.linalg.norm(t):
        raise ValueError("towards: must not be parallel to up")
    x = unit(x)
    return np.stack([x, np.cross(z, x), z])


def solve_direction(
    constraints: Sequence[tuple[ArrayLike, float]],
    start: ArrayLike,
    priors: Sequence[tuple[ArrayLike, float, float]] = (),
    iterations: int = 20,
) -> tuple[Array, Array]:
    """Unit direction from plane constraints, by weighted least squares with priors.

    Parameters
    ----------
    constraints : sequence of (normal, sigma)
        ``normal . d = 0`` known to ``sigma`` radians (> 0).
    start : array_like, shape (3,)
        Starting direction.
    priors : sequence of (axis, value, sigma)
        ``asin(axis . d) = value`` known to ``sigma`` radians: for instance the side lean.
    iterations : int

    Returns
    -------
    d : ndarray, shape (3,)
        Unit direction.
    covariance : ndarray, shape (2, 2)
        In the tangent plane of ``d``, along the rows of `tangent_basis`.

    Raises
    ------
    ValueError
        If the constraints and priors do not determine a direction.
    """
    d = unit(start)
    for _ in range(iterations):
        basis = tangent_basis(d)
        rows, misses = [], []
        for normal, sigma in constraints:
            n = unit(normal)
            rows.append(basis @ n / sigma)
            misses.append(-float(n @ d) / sigma)
        for axis, value, sigma in priors:
            a = unit(axis)
            s = float(np.clip(a @ d, -0.999999, 0.999999))
            rows.append(basis @ a / np.sqrt(1 - s * s) / sigma)
            misses.append((value - np.arcsin(s)) / sigma)
        normal_matrix = np.asarray(rows).T @ np.asarray(rows)
        if np.linalg.cond(normal_matrix) > 1e14:
            raise ValueError("constraints and priors do not determine a direction")
        step = np.linalg.solve(normal_matrix, np.asarray(rows).T @ np.asarray(misses))
        d = unit(d + step @ basis)
        if np.linalg.norm(step) < 1e-12:
            break
    return d, np.asarray(np.linalg.inv(normal_matrix))


def tangent_basis(d: ArrayLike) -> Array:
    """Two unit rows square to ``d`` and to each other, shape (2, 3)."""
    v = unit(d)
    helper = np.eye(3)[int(np.argmin(np.abs(v)))]
    a = unit(np.cross(v, helper))
    return np.stack([a, np.cross(v, a)])
