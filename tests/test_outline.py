"""The network that shows the stylus, and the crops it is taught from.

Outside checks: drawn styli whose corners are known, and the pinhole projection of `tests.scenes`.
"""

from __future__ import annotations

import math
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from tests.scenes import degrade, outlines, photosets, recipe
from vision.outline import find_outline, seen_kinds
from vision.side_rod import RodLine, SideRod

END, ALONG, THICK = np.array([300.0, 250.0]), np.array([0.94, -0.342]), 60.0
TIP = np.array([350.0, 390.0])


def _picture(lean: float | None) -> tuple[np.ndarray, SideRod]:
    """A rod and a stylus 40 px wide before a plain backdrop; without the stylus where None."""
    picture = np.full((600, 800, 3), 170, np.uint8)
    if lean is not None:
        a = math.radians(lean)
        axis = np.array([math.sin(a), -math.cos(a)])
        across = np.array([math.cos(a), math.sin(a)])
        corners = [(0, 0), (42, 20), (190, 20), (190, -20), (42, -20)]
        drawn = np.array([TIP + h * axis + s * across for h, s in corners])
        cv2.fillPoly(picture, [np.rint(drawn * 16).astype(np.int32)], (70, 70, 75), 16, 4)
    down = np.array([-ALONG[1], ALONG[0]]) * THICK
    rod = np.array([END - down, END, END + 700 * ALONG, END + 700 * ALONG - down])
    cv2.fillPoly(picture, [np.rint(rod * 16).astype(np.int32)], (40, 42, 45), 16, 4)
    picture = cv2.GaussianBlur(picture, (0, 0), 1.2)
    noise = np.random.default_rng(3).normal(0, 2, picture.shape)
    limbs = []
    for start in (END - down, END):
        end = start + 450 * ALONG
        limbs.append(RodLine(*map(float, (*start, *end)), 400.0))
    side = SideRod(limbs[0], limbs[1], END, THICK, True, 400.0)
    return np.clip(picture + noise, 0, 255).astype(np.uint8), side


@pytest.mark.parametrize("lean", [-7.0, 0.0, 5.0])
def test_a_drawn_stylus_is_outlined(lean: float) -> None:
    rgb, rod = _picture(lean)
    outline = find_outline(rgb, rod, THICK)
    assert outline is not None
    assert outline.overlap > 0.95
    seen = math.degrees(math.atan2(outline.axis[0], -outline.axis[1]))
    assert abs(seen - lean) < 3 * outline.axis_u_deg
    assert 2 * outline.half_width == pytest.approx(40, rel=0.15)
    assert np.linalg.norm(outline.tip - TIP) < 8


def test_its_mirror_image_is_outlined_alike() -> None:
    rgb, rod = _picture(4.0)
    flipped = np.ascontiguousarray(rgb[::-1])
    mirror = (np.diag([1.0, -1.0]), np.array([0.0, len(rgb) - 1.0]))
    own, image = find_outline(rgb, rod, THICK), find_outline(flipped, rod, THICK, mirror)
    assert own is not None
    assert image is not None
    # the same pixels, so the same answer, turned over
    assert image.tip[0] == pytest.approx(own.tip[0], abs=0.3)
    assert image.tip[1] == pytest.approx(len(rgb) - 1 - own.tip[1], abs=0.3)
    assert image.axis * [1, -1] == pytest.approx(own.axis, abs=0.003)


def test_no_stylus_is_seen_where_there_is_none() -> None:
    rgb, rod = _picture(None)
    kinds, _, _ = seen_kinds(rgb, rod, THICK)
    assert kinds.sum(axis=0) == pytest.approx(1, abs=1e-5)
    outline = find_outline(rgb, rod, THICK)
    assert outline is None or outline.overlap < 0.95


@pytest.mark.parametrize("seed", [3, 8, 21])
def test_crops_show_the_stylus_where_the_camera_puts_it(seed: int, tmp_path: Path) -> None:
    spec = recipe.draw("rake", seed, "second")
    plan = degrade.plan(np.random.default_rng(seed))
    path = tmp_path / "photo.png"
    Image.new("RGB", (plan["width"], plan["height"]), (90, 120, 150)).save(path)
    scene = photosets.assembly.assemble(spec, photosets.WIDTH, photosets.HEIGHT)
    assert scene.view is not None
    crop, mask = outlines.crop_of(path, spec, {"degradation": plan})
    assert crop.shape == (*mask.shape, 3)
    names = ("stylus tip", "shank under rod", "rod axis at free end", "rod axis at body")
    points = degrade.photo_points(
        scene.view.project([scene.points_mm[n] for n in names]),
        (scene.view.width, scene.view.height),
        plan,
    )
    right = points[3][0] > points[2][0]
    y, x = np.nonzero(mask == outlines.STYLUS_VALUE)
    assert len(y) > 50
    # the same direction as from tip to rod, and the same lowest point
    low, high = y.max(), y.min()
    ends = [np.array([x[y == v].mean(), v]) for v in (low, int(0.7 * high + 0.3 * low))]
    lean = math.atan2(*(ends[1] - ends[0]) * [1, -1])
    up = (points[1] - points[0]) * [1 if right else -1, -1]
    assert math.degrees(lean) == pytest.approx(math.degrees(math.atan2(*up)), abs=6)
    end = np.array([outlines.LEFT, outlines.UP]) * outlines.ROD_PX
    thickness = 2 * spec["cantilever"]["radius_mm"]
    away = np.abs(points[0] - points[2]) / np.linalg.norm(points[3] - points[2])
    span = np.linalg.norm(scene.points_mm[names[3]] - scene.points_mm[names[2]])
    expected = away * span / thickness * outlines.ROD_PX
    assert np.abs(ends[0] - end) == pytest.approx(expected, abs=12)
