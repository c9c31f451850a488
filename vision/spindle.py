"""The spindle in its printed ring: a photo and a sheet's pose in, the spindle's place out.

A hole cut by hand sits 0.3 to 0.5 mm off (common practice, no source), so the spindle's own
silhouette is fitted inside the white ring: the outline, on the paper, of a round post of known
thickness and unknown height, seen by the fitted camera. Only the half that faces the camera is
used, where the post meets the paper.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from vision.photo import Photo
from vision.sheet import SheetView
from vision.sheet_layouts import SPINDLE_MM

Array = NDArray[np.float64]
U_HIDDEN_MM = 0.3  # printed centre against the spindle in a hand-cut hole
U_RADIUS_MM = 0.03
LEVELS = 8


@dataclass(frozen=True)
class Spindle:
    """Place on the sheet (print mm), standard uncertainty of each coordinate, flags."""

    x: float
    y: float
    u: float
    flags: tuple[str, ...] = ()


def find_spindle(photo: Photo, view: SheetView, scale: float = 1.0) -> Spindle | None:
    """Find the spindle; None where the sheet has none or its ring lies outside the picture.

    Where the ring is in view but no post can be told from the paper, the printed centre is
    returned with the uncertainty of a hand-cut hole and the flag ``spindle_hidden``.

    Parameters
    ----------
    photo : Photo
    view : SheetView
    scale : float
        Print scale (true over nominal).
    """
    if view.layout.spindle is None or view.null is not None:
        return None
    middle = np.array(view.layout.spindle)
    ring = view.to_image(middle + 12 * np.array([[1, 0], [-1, 0], [0, 1], [0, -1]]))
    if ring.min() < 2 or ring[:, 0].max() > photo.width - 3 or ring[:, 1].max() > photo.height - 3:
        return None
    hidden = Spindle(float(middle[0]), float(middle[1]), U_HIDDEN_MM, ("spindle_hidden",))
    towards = view.eye[:2] - middle
    lean = math.hypot(*towards) / view.eye[2]
    start = math.atan2(towards[1], towards[0])
    reach = 2.0 if lean > 0.05 else math.pi
    angles = start + np.linspace(-reach, reach, 96)
    edge, strength = _outline(photo, view, middle, angles)
    good = np.isfinite(edge) & (strength > 0.35 * np.nanmax(strength, initial=0))
    if good.sum() < 40 or np.nanmax(strength) < 0.02:
        return hidden
    fit = _fit_post(view, middle, angles[good], edge[good], scale)
    if fit is None:
        return hidden
    x, y, radius, scatter, u_fit = fit
    gap = radius - SPINDLE_MM / 2 / scale
    flags: tuple[str, ...] = ()
    u = math.hypot(u_fit, 0.06)
    if gap > 0.15:
        u, flags = math.hypot(u, gap / math.sqrt(3)), ("spindle_gap",)
    if scatter > 0.25 or math.hypot(x - middle[0], y - middle[1]) > 1.6:
        return hidden
    return Spindle(x, y, u, flags)


def _outline(photo: Photo, view: SheetView, middle: Array, angles: Array) -> tuple[Array, Array]:
    """Radius of the outermost strong step along each direction, and the step's strength."""
    radii = np.arange(1.8, 6.4, 0.04)
    ray = np.stack([np.cos(angles), np.sin(angles)], 1)
    points = middle + ray[:, None, :] * radii[None, :, None]
    pixels = view.to_image(points.reshape(-1, 2)).reshape(*points.shape).astype(np.float32)
    strip = cv2.remap(photo.grey, pixels[..., 0], pixels[..., 1], cv2.INTER_LINEAR)
    smooth = max(0.5 / view.pixels_per_mm(middle) / 0.04, 2.0)
    strip = cv2.GaussianBlur(strip, (0, 0), sigmaX=smooth, sigmaY=1.0)
    slope = np.abs(np.gradient(strip, axis=1)) / 0.04 * 0.3
    edge = np.full(len(angles), np.nan)
    strength = np.full(len(angles), np.nan)
    for i, row in enumerate(slope):
        inner = row[4:-4]
        top = inner.max()
        peaks = [
            k
            for k in range(5, len(row) - 5)
            if row[k] >= row[k - 1] and row[k] > row[k + 1] and row[k] > 0.5 * top
        ]
        if not peaks:
            continue
        k = peaks[-1]
        a, b, c = row[k - 1 : k + 2]
        shift = 0.5 * (a - c) / (a - 2 * b + c) if a - 2 * b + c else 0.0
        edge[i] = radii[k] + 0.04 * shift
        strength[i] = row[k]
    return edge, strength


def _fit_post(
    view: SheetView, middle: Array, angles: Array, edge: Array, scale: float
) -> tuple[float, float, float, float, float] | None:
    """Least squares for centre, radius and height; the outline is a union of discs."""
    eye = view.eye
    ray = np.stack([np.cos(angles), np.sin(angles)], 1)
    r0 = SPINDLE_MM / 2 / scale

    def outline(p: Array) -> Array:
        reach = np.full(len(angles), -np.inf)
        for z in np.linspace(0, max(p[3], 0.0), LEVELS):
            grow = eye[2] / (eye[2] - z)
            centre = p[:2] + (p[:2] + middle - eye[:2]) * (grow - 1)
            along = ray @ centre
            square = (p[2] * grow) ** 2 - (centre @ centre - along**2)
            reach = np.maximum(reach, along + np.sqrt(np.maximum(square, 0)))
        return reach

    def residuals(p: Array) -> Array:
        prior = [max(p[2] - r0, 0) / 0.25 + min(p[2] - r0, 0) / U_RADIUS_MM, (p[3] - 11) / 5]
        return np.concatenate([(outline(p) - edge) / 0.06, prior])

    start = np.array([0.0, 0.0, r0, 11.0])
    fit = least_squares(residuals, start, loss="soft_l1", max_nfev=60)
    miss = outline(fit.x) - edge
    scatter = float(1.4826 * np.median(np.abs(miss)))
    information = fit.jac.T @ fit.jac
    if np.linalg.cond(information) > 1e12:
        return None
    # neighbouring directions share pixels: count one in four as independent
    covariance = np.linalg.inv(information) * max(1.0, (scatter / 0.06) ** 2) * 4
    u = math.sqrt(float(max(covariance[0, 0], covariance[1, 1])))
    x, y = middle + fit.x[:2]
    return float(x), float(y), float(fit.x[2]), scatter, u
