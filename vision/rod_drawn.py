"""A rod and its reflection as a person drew them roughly.

Lines in; out: the outline that the networks' nearer looks show along them, and what the lines of
the reflection tell of the rod's rise. Lines good to ten pixels say where to look; how well the rod
is known comes from what is seen there, as where nobody drew.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.edges import half_turn
from vision.grid import GridPose
from vision.rod import Rod
from vision.rod_beside import REACH
from vision.rod_kinds import RodOutline
from vision.rod_mirrored import axes_above, half_widths, height_log_prior
from vision.rod_sight import image_points

Array = NDArray[np.float64]

REACH_PX, LEAST_REACH_PX = 12.0, 6.0  # of a line: pixels of the photo, and of the reduced picture
END_SD_PX = 5.0  # of an end that lies anywhere within ten pixels of its place
MOST_TURN_DEG = 4.0  # of an outline from lines drawn along it
DRAWN_OVERLAP = 0.88  # of an outline as rough as lines drawn by hand
# Log-likelihood of sides that are no reflection of the rod: four ends ten pixels off have -8, known
# scenes at worst -3
NOT_ITS = -15.0


@dataclass(frozen=True)
class Marked:
    """Lines that a person drew.

    Parameters
    ----------
    rod : ndarray, shape (2, 2, 2)
        Both sides, left first, lower ends first, pixels.
    image : ndarray, shape (2, 2, 2), or None
        Both sides of the reflection.
    reach : float
        How far off a line's ends may be, px.
    end_sd : float
        Standard deviation of an end across its side, px.
    """

    rod: Array
    image: Array | None
    reach: float
    end_sd: float

    def outline_of(
        self, shown: RodOutline | None, nearer: Callable[[RodOutline], RodOutline]
    ) -> RodOutline:
        """The outline that is meant: of what a nearer look shows, what lies along the lines.

        Where nothing does, the lines themselves. ``shown`` is what the whole picture shows.
        """
        drawn = RodOutline(self.rod[0], self.rod[1], DRAWN_OVERLAP, self.reach / REACH)
        for start in (shown, drawn):
            if start is not None:
                seen = nearer(start)
                if seen.sds is not None and self._lies_along(seen):
                    return seen
        return drawn

    def _lies_along(self, seen: RodOutline) -> bool:
        low, high = seen.axis
        along = (high - low) / np.linalg.norm(high - low)
        axis = self.rod.mean(axis=0)
        off = (axis - low) @ np.array([-along[1], along[0]])
        run = axis[1] - axis[0]
        turn = half_turn(float(np.arctan2(*run[::-1]) - np.arctan2(*along[::-1])))
        return bool(np.abs(off).max() < self.reach and abs(np.degrees(turn)) < MOST_TURN_DEG)


def as_drawn(
    pose: GridPose, rod: Rod, sides: Array, end_sd: float, rises: Array, heights: Array
) -> Array | None:
    """Log-likelihood of each rise from both sides of the reflection as a person drew them.

    How far each drawn end lies off the side's line counts, not where along it; heights are summed
    over by how usual they are (a marginal likelihood; JCGM 101:2008).

    Parameters
    ----------
    pose : GridPose
    rod : Rod
    sides : ndarray, shape (2, 2, 2)
        Ends of both sides, undistorted pixels, in any order.
    end_sd : float
        Standard deviation of a drawn end across its side, px.
    rises : ndarray, shape (R,)
        Radians.
    heights : ndarray, shape (H,)
        In rod widths.

    Returns
    -------
    ndarray, shape (R,), or None
        0 at the likeliest; None where no rise and height bring a reflection near the sides.
    """
    points = axes_above(pose, rod, rises, heights)
    ends, half = image_points(points, pose), half_widths(pose, rod, points)
    run = ends[..., 1, :] - ends[..., 0, :]
    length = np.maximum(np.linalg.norm(run, axis=-1), 1e-6)[..., None, None]
    along = run[..., None, None, :] / length[..., None]
    from_low = sides - ends[..., None, None, 0, :]  # (R, H, side, end, xy)
    off = from_low[..., 1] * along[..., 0] - from_low[..., 0] * along[..., 1]
    share = (from_low * along).sum(axis=-1) / length
    wide = half[..., None, None, 0] + (half[..., 1] - half[..., 0])[..., None, None] * share
    first = off[..., 0, :].mean(axis=-1) < off[..., 1, :].mean(axis=-1)
    sign = np.where(first[..., None], (-1.0, 1.0), (1.0, -1.0))[..., None]
    each = -0.5 * (((off - sign * wide) / end_sd) ** 2).sum(axis=(-1, -2))
    if each.max() < NOT_ITS:
        return None
    out = np.logaddexp.reduce(each + height_log_prior(heights), axis=1)
    return np.asarray(out - out.max())
