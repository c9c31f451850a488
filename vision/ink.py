"""Where the printed lines of a grid, and their ghosts in a back-silvered mirror, are to be seen.

Undistorted pixels in, lattice coordinates or yes and no out.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.grid import GLASS_INDEX, GridPose

Array = NDArray[np.float64]
BESIDE = (0.08, 0.12)  # pitches from a line's middle


def local_rays(undistorted: Array, pose: GridPose) -> Array:
    """Unit rays in grid axes through undistorted pixels, shape (..., 3)."""
    c = pose.camera
    u = (undistorted - (c.cx, c.cy)) / c.f
    rays = np.concatenate([u, np.ones((*u.shape[:-1], 1))], axis=-1)
    rays = rays / np.linalg.norm(rays, axis=-1, keepdims=True)
    return np.asarray(rays @ pose.rotation)


def ghost_shift(rays: Array) -> Array:
    """How far ink's ghost is seen from the ink, in glass thicknesses (Snell's law), (..., 2)."""
    return np.asarray(
        2 * rays[..., :2] / np.sqrt(GLASS_INDEX**2 - 1 + rays[..., 2] ** 2)[..., None]
    )


def sheet_xy(pose: GridPose, undistorted: Array, height: float = 0.0) -> Array:
    """Grid x, y (pitches) where rays meet the plane at ``height`` above the sheet."""
    rays = local_rays(undistorted, pose)
    start = -pose.origin @ pose.rotation
    s = (height - start[2]) / rays[..., 2]
    return np.asarray(start[:2] + s[..., None] * rays[..., :2])


def sheet_scale(pose: GridPose, undistorted: Array) -> float:
    """Pixels per pitch across the columns, at one pixel."""
    x, y = sheet_xy(pose, undistorted)
    ends = pose.to_camera(np.array([[x, y, 0.0], [x + 1e-3, y, 0.0]]))
    seen = ends[:, :2] / ends[:, 2:] * pose.camera.f
    return float(np.linalg.norm(seen[1] - seen[0]) / 1e-3)


def lattices(pose: GridPose, undistorted: Array) -> list[Array]:
    """Grid coordinates of pixels, and those of the ghost lattice where there is one."""
    rays = local_rays(undistorted, pose)
    start = -pose.origin @ pose.rotation
    grid = start[:2] - rays[..., :2] * (start[2] / rays[..., 2])[..., None]
    if pose.thickness is None:
        return [grid]
    return [grid, grid + pose.thickness * ghost_shift(rays)]


def share_beside_lattice(pose: GridPose, print_px: Array) -> float:
    """Share of printed pixels (N, 2) just beside a line of the lattice or of its ghost.

    Little of the print is there where the lattice is right, and more where it lies askew.
    """
    away = np.full(len(print_px), np.inf)
    for grid in lattices(pose, pose.camera.undistort(print_px)):
        away = np.minimum(away, np.abs(grid - np.round(grid)).min(axis=1))
    return float(((away >= BESIDE[0]) & (away < BESIDE[1])).mean())


@dataclass(frozen=True)
class Ink:
    """The printed lines of one photo: the lattice and how wide its columns are drawn.

    ``bold`` holds half widths (pitches) of columns drawn wider than most, as null crosses are.
    """

    pose: GridPose
    bold: dict[int, float]

    def half_width(self, columns: Array) -> Array:
        """Half width (pitches) of the columns with these indices."""
        out = np.full(columns.shape, self.pose.ink_half_width)
        for index, width in self.bold.items():
            out[columns == index] = width
        return out

    def covers(self, undistorted: Array, margin: float) -> NDArray[np.bool_]:
        """Whether a column's ink, and whether a row's, or its ghost lies there: shape (..., 2).

        ``margin`` (pitches) is added on both sides.
        """
        out = np.zeros(undistorted.shape, bool)
        row = self.row_half_width + margin
        for grid in lattices(self.pose, undistorted):
            nearest = np.round(grid)
            away = np.abs(grid - nearest)
            out[..., 0] |= away[..., 0] < self.half_width(nearest[..., 0]) + margin
            out[..., 1] |= away[..., 1] < row
        return out

    @property
    def row_half_width(self) -> float:
        """Rows are drawn like columns, ticks apart."""
        return max([self.pose.ink_half_width, *self.bold.values()])

    def edge_near(self, undistorted: Array, tolerance: float) -> NDArray[np.bool_]:
        """Whether an edge of a column, or of its ghost, lies within ``tolerance`` pitches."""
        out = np.zeros(undistorted.shape[:-1], bool)
        for grid in lattices(self.pose, undistorted):
            nearest = np.round(grid[..., 0])
            away = np.abs(grid[..., 0] - nearest)
            out |= np.abs(away - self.half_width(nearest)) < tolerance
            if self.bold:
                out |= np.abs(away - self.pose.ink_half_width) < tolerance
        return out


def find_ink(rgb: NDArray[np.uint8], pose: GridPose) -> Ink:
    """How wide each printed column near the middle is drawn.

    Each stretch of a column between two rows gives a width at half depth; a column counts as bold
    where some stretch is more than 1.3 times as wide as the lattice's lines.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (height, width, 3)
    pose : GridPose
        In pixels of ``rgb``.

    Returns
    -------
    Ink
    """
    if pose.thickness is not None:  # a line and its ghost beside it look like one bold line
        return Ink(pose, {})
    grey = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
    height, width = grey.shape
    middle = np.round(pose.on_sheet(np.array([[width / 2, height / 2]]))[0])
    scale = sheet_scale(pose, np.array([width / 2, height / 2]))
    t = np.arange(-0.12, 0.1201, max(0.6 / scale, 0.002))
    along = np.array([0.3, 0.38, 0.46, 0.54, 0.62, 0.7])
    bold: dict[int, float] = {}
    for column in range(int(middle[0]) - 2, int(middle[0]) + 3):
        widths = []
        for row in range(int(middle[1]) - 3, int(middle[1]) + 1):
            x, y = np.meshgrid(column + t, row + along)
            xy = pose.project(np.stack([x, y, np.zeros_like(x)], axis=-1)).astype(np.float32)
            if xy.min() < 2 or xy[..., 0].max() > width - 3 or xy[..., 1].max() > height - 3:
                continue
            profile = np.median(
                cv2.remap(grey, xy[..., 0], xy[..., 1], cv2.INTER_LINEAR).astype(np.float32), axis=0
            )
            found = _half_depth(t, profile)
            if found is not None:
                widths.append(found)
        wide = [w for w in widths if 1.3 * pose.ink_half_width < w]
        if wide:
            bold[column] = float(np.median(wide))
    return Ink(pose, bold)


def _half_depth(t: Array, profile: NDArray[np.float32]) -> float | None:
    """Half width at half depth of a dark line near t = 0, or None where it is not one."""
    outside = float(np.median(profile))
    centre = np.abs(t) < 0.02
    bottom = float(profile[centre].min())
    if outside - bottom < 8 or np.ptp(profile[np.abs(t) > 0.09]) > 0.6 * (outside - bottom):
        return None
    below = profile < (outside + bottom) / 2
    left = right = int(np.argmin(np.where(centre, profile, np.inf)))
    while left > 0 and below[left - 1]:
        left -= 1
    while right < len(t) - 1 and below[right + 1]:
        right += 1
    if left == 0 or right == len(t) - 1 or abs(t[left] + t[right]) > 0.03:
        return None
    return float((t[right] - t[left] + t[1] - t[0]) / 2)
