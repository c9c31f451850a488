"""An arm as points in space: turn its screws, read its angles. The truth that advice must reach.

Independent of `bench`: a cartridge body is a rotation, the pivot a point, and the angles are taken
from the vectors. Axes: x from the stylus to the pivot, y to the spindle side, z up, in mm. Every
turn is what a hand does, not the angle it should give; the stylus stays on the record.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from scipy.spatial.transform import Rotation

X, Y, Z = np.eye(3)


@dataclass
class Rig:
    """An arm with a cartridge; angles in degrees, lengths in mm."""

    length: float = 230.0
    distance: float = 211.95
    offset: float = 23.97
    bearing: str = "cartridge"
    pivot_height: float = 10.0
    shank_lean: float = 2.0
    twist: float = 0.0
    body: Rotation = field(default_factory=Rotation.identity)
    tube_slope: float = 0.0

    def _tail(self) -> np.ndarray:
        beta = math.radians(self.offset)
        return np.array([math.cos(beta), -math.sin(beta), 0.0])

    def raise_pivot(self, height: float) -> None:
        """Lift the pivot; the arm swings about its bearing axis back to the record."""
        axis = Y if self.bearing == "arm-line" else np.cross(Z, self._tail())
        low, high = -0.3, 0.3
        for _ in range(60):
            angle = (low + high) / 2
            lift = Rotation.from_rotvec(-axis * angle).apply(X * self.length) @ Z
            low, high = (angle, high) if lift < height else (low, angle)
        self.body = Rotation.from_rotvec(-axis * angle) * self.body
        self.tube_slope += math.degrees(math.asin(height / self.length))
        slant = math.hypot(self.length, self.pivot_height)
        self.pivot_height += height
        self.length = math.sqrt(slant**2 - self.pivot_height**2)

    def roll_headshell(self, clockwise: float) -> None:
        """Turn the headshell in its collar, clockwise for someone in front looking at it."""
        axis = self.body.apply(self._tail())
        self.body = Rotation.from_rotvec(axis * math.radians(clockwise)) * self.body

    def roll_tube(self, clockwise: float) -> None:
        """Roll the whole arm about the stylus-pivot line."""
        self.body = Rotation.from_rotvec(X * math.radians(clockwise)) * self.body

    def turn_cartridge(self, clockwise: float) -> None:
        """Turn the body about its spindle-side screw, clockwise seen from above."""
        outward = np.cross(Z, -self._tail())
        stylus = -9.5 * self._tail() + 6.35 * outward
        turn = Rotation.from_rotvec(-Z * math.radians(clockwise))
        self.length += (turn.apply(stylus) - stylus) @ -self._tail()
        self.twist -= clockwise
        self.body = turn * self.body

    def slide_cartridge(self, forward: float) -> None:
        """Slide the cartridge away from the pivot."""
        self.length += forward

    def move_base(self, outward: float) -> None:
        """Move the arm base away from the spindle."""
        self.distance += outward

    @property
    def rake(self) -> float:
        """Angle of the shank to the record from the pivot side, in the cantilever's plane."""
        tail = self._tail()
        lean = math.radians(self.shank_lean)
        axis = self.body.apply(-tail * math.sin(lean) + Z * math.cos(lean))
        forward = self.body.apply(-tail) * (1, 1, 0)
        forward /= np.linalg.norm(forward)
        return math.degrees(math.atan2(axis @ Z, -(axis @ forward)))

    @property
    def azimuth(self) -> float:
        """Rise of the viewer's left lower edge, seen from the front."""
        left = -np.cross(self._tail(), Z)
        return math.degrees(math.asin(self.body.apply(left) @ Z))

    @property
    def cantilever(self) -> float:
        """Direction from above, counter-clockwise, against where it should point."""
        return self.twist

    @property
    def overhang(self) -> float:
        """Stylus beyond the spindle."""
        return self.length - self.distance
