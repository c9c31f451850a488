"""How deep a stylus stands in the dark line that runs past its tip: in a groove, or on a card.

Seen from the side a dark line often runs along the surface from the stylus towards the pivot. On a
record it lies on the lands (a groove's edge, or what the rod takes from their light), and the tip
has sunk below it by half a groove's width; on a card it is the rod's shadow, with the tip on it.
Where the tip is comes from the outline of the whole stylus (`vision.outline`), which is carried on
to where its flanks would meet: below the round tip by as much more as the cone is sharper.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.network import framed, part_of
from vision.outline import Outline
from vision.side_rod import SideRod

Array = NDArray[np.float64]

ROD_PX = 88.0  # thickness of the rod in the working copy, pivot to the right
BESIDE, BEYOND = 8.0, 150.0  # px of it from the stylus' side, where the line is looked for
LEAST_PX = 30.0  # so much of that must be in the photo
ABOUT, NEAR = 36.0, 24.0  # px above and below the tip: what is looked at; where the line may be
BENT_DEG = np.arange(-1.5, 1.6, 0.5)  # by how much it may run otherwise than the surface seems to
SMOOTH_PX, BROAD_PX = 0.7, 20.0
STEP_PX = 0.5
ROUND = 0.06  # radius of a usual tip and what blurs it, in widths of the stylus
# So far below the line a stylus stands as often on a card as on a record (widths of it, from known
# scenes), and over so much more it is e times as likely a record; how often it is a card where it
# cannot be seen
EVEN, FOLD, USUAL = 0.046, 0.0435, 0.33
LEAST_CHANCE = 0.03


def card_chance(sunk: float | None) -> float:
    """How likely the surface is a card by how far the tip stands below the line, 0..1."""
    if sunk is None:
        return USUAL
    return max(1 / (1 + math.exp(min((sunk - EVEN) / FOLD, 50.0))), LEAST_CHANCE)


def sunk_tip(
    rgb: NDArray[np.uint8], outline: Outline, rod: SideRod, slope_deg: float
) -> float | None:
    """How far below the line the tip stands, in widths of the stylus; None where it cannot be seen.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (H, W, 3)
    outline : Outline
        Of the stylus.
    rod : SideRod
    slope_deg : float
        Of the surface in the photo, positive where it falls to the right.
    """
    side = 1.0 if rod.pivot_right else -1.0
    per = rod.thickness / ROD_PX
    half = outline.half_width / per
    room = (rgb.shape[1] - 1 - outline.tip[0] if rod.pivot_right else outline.tip[0]) / per
    x = np.arange(half + BESIDE, min(half + BEYOND, room - 3))
    if len(x) < LEAST_PX:
        return None
    tall = ABOUT + math.ceil(x[-1] * math.tan(math.radians(abs(slope_deg) + BENT_DEG[-1]))) + 3
    basis = per * np.diag([side, 1.0])
    frame = framed(basis, outline.tip - basis @ np.array([0.0, tall]))
    copy = part_of(rgb, frame, (math.ceil(x[-1]) + 3, int(2 * tall) + 1))
    light = cv2.GaussianBlur(np.sqrt(copy.astype(np.float32)).mean(axis=2), (0, 0), SMOOTH_PX)
    rows = np.arange(-ABOUT, ABOUT + 0.1, STEP_PX)
    near = np.abs(rows) < NEAR
    darkest, at = 0.0, 0.0
    for bent in BENT_DEG:
        down = np.tan(np.radians(side * slope_deg + bent)) * x[None]
        y = (tall + rows[:, None] + down).astype(np.float32)
        along = np.broadcast_to(x.astype(np.float32), y.shape)
        level = cv2.remap(light, np.ascontiguousarray(along), y, cv2.INTER_LINEAR).mean(axis=1)
        line = level - cv2.GaussianBlur(level[:, None], (0, 0), BROAD_PX)[:, 0]
        line = np.where(near, line / level.mean(), 0.0)
        if line.min() < darkest:
            darkest, at = float(line.min()), float(rows[int(np.argmin(line))])
    pointed = ROUND * (1 / math.sin(math.radians(outline.cone_half)) - 1)
    return -at / (2 * half) - pointed
