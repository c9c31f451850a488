"""The overlay draws, never measures, and changes nothing."""

import numpy as np
import pytest

from vision.overlay import OKABE_ITO, draw_overlay
from vision.photo import FocalPrior, Photo
from vision.reading import BudgetPart, Reading, Refusal, Segment


def photo(width, height):
    rgb = np.full((height, width, 3), 120, np.uint8)
    return Photo("a.jpg", rgb, "0" * 64, FocalPrior(1000.0, 0.05))


def reading(width, height):
    lines = (
        Segment("shank left", "edge", 0.48 * width, 0.2 * height, 0.48 * width, 0.6 * height),
        Segment("axis", "axis", 0.5 * width, 0.2 * height, 0.5 * width, 0.7 * height),
        Segment("surface", "surface", 0.1 * width, 0.7 * height, 0.9 * width, 0.7 * height),
    )
    return Reading("rake", 91.8, "deg", "axis", (BudgetPart("edge fit", 0.1),), lines=lines)


def rgb_of(hex_colour):
    return tuple(int(hex_colour[i : i + 2], 16) for i in (1, 3, 5))


@pytest.mark.parametrize(("width", "height"), [(640, 480), (1600, 1200), (3000, 4000)])
def test_drawn_at_any_size_without_touching_the_photo(width, height):
    picture = photo(width, height)
    before = picture.rgb.copy()
    out = np.asarray(draw_overlay(picture, reading(width, height)))
    assert out.shape == (height, width, 3)
    assert np.array_equal(picture.rgb, before)
    for role in ("edge", "axis", "surface"):
        near = np.abs(out.astype(int) - rgb_of(OKABE_ITO[role])).sum(axis=2) < 12
        drawn = near.sum()
        # Line width grows with the picture: coverage is about a constant share of the frame.
        assert 0.0003 < drawn / (width * height) < 0.02, role


def test_the_tip_stays_visible():
    """Where axis and surface meet, the photo's own pixels still show."""
    width, height = 1600, 1200
    out = np.asarray(draw_overlay(photo(width, height), reading(width, height)))
    x, y = width // 2, int(0.7 * height)
    just_above = out[y - 12 : y - 4, x - 4 : x + 5]
    assert np.all(just_above == 120)


def test_refusal_carries_its_reason_and_look():
    refusal = Refusal(
        "rake",
        "The stylus spans 14 px.",
        "Move closer.",
        lines=(Segment("n", "look", 10, 200, 90, 200),),
    )
    out = np.asarray(draw_overlay(photo(640, 480), refusal, max_side=320))
    assert out.shape == (240, 320, 3)
    assert (out.std(axis=(0, 1)) > 5).all()
