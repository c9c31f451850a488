"""The surface's far edge, drawn as a blurred step turned by SciPy, beside a rod."""

import math

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter, rotate

from vision.far_edge import ABOVE, FAR_U_DEG, far_edge
from vision.side_rod import RodLine, SideRod

SIZE = (900, 1200)
TIP = np.array([500.0, 700.0])
THICKNESS = 100.0


def _rod(rise: float = 20.0) -> SideRod:
    """A rod to the right that ends over the tip."""
    slope = math.tan(math.radians(rise))
    limbs = [
        RodLine(480.0, 550.0 + d, 1190.0, 550.0 + d - 710 * slope, 50.0) for d in (-THICKNESS, 0)
    ]
    return SideRod(limbs[0], limbs[1], np.array([480.0, 550.0]), THICKNESS, True, 50.0)


def _picture(slope: float, above: float, step: float) -> np.ndarray:
    """Light that changes by ``step`` along a line that falls to the right by ``slope`` degrees."""
    grey = np.full(SIZE, 90.0)
    grey[: SIZE[0] // 2] += step
    grey = rotate(grey, -slope, reshape=False, order=1, mode="nearest")
    middle = SIZE[0] / 2 + math.tan(math.radians(slope)) * (TIP[0] - SIZE[1] / 2)
    grey = np.roll(grey, round(TIP[1] - above - middle), axis=0)
    grey[: round(TIP[1] - above) // 2] = 90.0 + step
    grey = gaussian_filter(grey, 9.0) + np.random.default_rng(4).normal(0, 2.0, SIZE)
    return np.repeat(np.clip(grey, 0, 255).astype(np.uint8)[..., None], 3, axis=2)


@pytest.mark.parametrize("slope", [-3.0, 0.6, 2.0])
def test_slope_of_a_blurred_edge(slope: float) -> None:
    line = far_edge(_picture(slope, 300.0, 60.0), TIP, 60.0, _rod())
    assert line is not None
    assert math.degrees(line.angle) == pytest.approx(slope, abs=0.2)
    assert line.angle_u >= math.radians(FAR_U_DEG)
    height = line.middle[1] + math.tan(line.angle) * (TIP[0] - line.middle[0])
    assert height == pytest.approx(TIP[1] - 300.0, abs=12)


def test_no_edge_and_what_lies_by_the_tip_give_none() -> None:
    assert far_edge(_picture(1.0, 300.0, 0.0), TIP, 60.0, _rod()) is None
    near = far_edge(_picture(1.0, 0.5 * ABOVE * THICKNESS, 60.0), TIP, 60.0, _rod())
    assert near is None


def test_an_edge_that_would_make_the_cantilever_fall_is_none_of_the_surface() -> None:
    """A line along the rod itself, or steeper, is a thing behind."""
    assert far_edge(_picture(-8.0, 300.0, 60.0), TIP, 60.0, _rod(14.0)) is None
