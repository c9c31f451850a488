"""The plane pose that a printed square grid gives: normal, line directions, lens, glass.

Lengths are in units of the grid's own pitch, the camera frame is x right, y down, z forwards.
In a back-silvered mirror every line has a ghost, the shadow that its ink throws on the silver; it
lies where a ray that enters the glass at the sheet and comes back from the silver meets the ink
(Snell's law).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vision.camera import Camera

Array = NDArray[np.float64]
GLASS_INDEX = 1.52  # soda-lime float glass


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
    pitch_mm : float or None
        Known where the comb of 1 mm ticks was seen; then ``origin`` lies on the null's column.
    ticks : int
        How many ticks of that comb were seen.
    ends : int
        How many ends of those ticks were seen where they belong.
    layers_told : bool
        Whether each family has two lines seen on both layers of the glass, so that neither can be
        taken for the other's ghost, or a network tells print from ghosts.
    null_known : bool
        Whether ``origin`` is the null itself, told from the other nodes by its bold cross.
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
    pitch_mm: float | None = None
    ticks: int = 0
    ends: int = 0
    layers_told: bool = False
    null_known: bool = False

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


def apart(one: GridPose, other: GridPose) -> Array:
    """Small rotation vector (radians, camera frame) that takes the other pose to the one."""
    turn = one.rotation @ other.rotation.T
    return 0.5 * np.array(
        [turn[2, 1] - turn[1, 2], turn[0, 2] - turn[2, 0], turn[1, 0] - turn[0, 1]]
    )
