"""The network that shows the stylus, and the crops it is taught from.

Outside checks: drawn styli whose corners are known, and the pinhole projection of `tests.scenes`.
"""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from scipy.optimize import approx_fprime

from tests.scenes import assembly, degrade, lessons, outlines, photosets, recipe
from vision import needle
from vision.needle_search import shrunk, straightened
from vision.outline import _border, _border_slopes, find_image, find_outline
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
    own = find_outline(rgb, rod, THICK)
    assert own is not None
    image = find_image(flipped, rod, own, np.diag([1.0, -1.0]), np.array([0.0, len(rgb) - 1.0]))
    assert image is not None
    # the same pixels, so the same answer, turned over
    assert image.tip[0] == pytest.approx(own.tip[0], abs=0.3)
    assert image.tip[1] == pytest.approx(len(rgb) - 1 - own.tip[1], abs=0.3)
    assert image.axis * [1, -1] == pytest.approx(own.axis, abs=0.003)


@pytest.mark.parametrize("shown", [0.9, 0.7, 0.5])
def test_an_image_that_the_photo_cuts_off_is_an_image_still(shown: float) -> None:
    """Beyond its border the network sees the rim drawn out, as a longer shank that is upright."""
    rgb, rod = _picture(6.0)
    level = round(TIP[1]) + 2
    both = np.vstack([rgb[:level], rgb[:level][::-1]])
    own = find_outline(both, rod, THICK)
    assert own is not None
    cut = np.ascontiguousarray(both[: round(2 * level - TIP[1] + shown * own.length)])
    middle = np.array([0.0, level - 0.5])
    frame = straightened(shrunk(cut, THICK), rod, THICK, (middle, 0.0))
    image = needle._image(cut, rod, frame, own)
    assert image is not None
    assert image.length == pytest.approx(shown * own.length, rel=0.1)
    off = math.degrees(math.atan2(image.axis[0], image.axis[1])) - 6.0
    assert abs(off) < 3 * image.axis_u_deg


def test_no_stylus_is_seen_where_there_is_none() -> None:
    rgb, rod = _picture(None)
    outline = find_outline(rgb, rod, THICK)
    assert outline is None or outline.overlap < 0.95


def _cut(seed: int, near: bool) -> tuple[np.ndarray, np.ndarray, dict[str, np.ndarray]]:
    """Mask, matrix from photo to crop, and where the camera puts known points of the scene."""
    spec = recipe.draw("rake", seed, "second")
    plan = degrade.plan(np.random.default_rng(seed))
    rgb = np.full((plan["height"], plan["width"], 3), 120, np.uint8)
    scene = photosets.assembly.assemble(spec, photosets.WIDTH, photosets.HEIGHT)
    assert scene.view is not None
    seen = outlines.seen_by(scene, plan, False)
    frame = (outlines.near_frame if near else outlines.wide_frame)(scene, spec, seen, False)
    size = outlines.NEAR_SIZE if near else outlines.WIDE_SIZE
    crop, mask = outlines.cut(rgb, frame, size, scene, seen)
    assert crop.shape == (*mask.shape, 3)
    rendered = scene.view.project(list(scene.points_mm.values()))
    points = degrade.photo_points(rendered, (scene.view.width, scene.view.height), plan)
    return mask, frame, dict(zip(scene.points_mm, points, strict=True))


def _low_and_middle(mask: np.ndarray) -> list[np.ndarray]:
    y, x = np.nonzero(mask == outlines.STYLUS_VALUE)
    assert len(y) > 50
    low, high = y.max(), y.min()
    return [np.array([x[y == v].mean(), v]) for v in (low, int(0.7 * high + 0.3 * low))]


@pytest.mark.parametrize("seed", [3, 8, 21])
def test_wide_crops_show_the_stylus_where_the_camera_puts_it(seed: int) -> None:
    mask, frame, points = _cut(seed, near=False)
    tip, top, end = (points[n] for n in ("stylus tip", "shank under rod", "rod axis at free end"))
    right = points["rod axis at body"][0] > end[0]
    # the same direction as from tip to rod, and the same lowest point
    low, middle = _low_and_middle(mask)
    lean = math.atan2(*(middle - low) * [1, -1])
    up = (top - tip) * [1 if right else -1, -1]
    assert math.degrees(lean) == pytest.approx(math.degrees(math.atan2(*up)), abs=6)
    k = abs(frame[1, 1])
    assert np.abs(low - outlines.WIDE_END) == pytest.approx(k * np.abs(tip - end), abs=12)


@pytest.mark.parametrize("seed", [3, 8, 21])
def test_near_crops_show_the_stylus_upright(seed: int) -> None:
    mask, frame, points = _cut(seed, near=True)
    low, middle = _low_and_middle(mask)
    assert low == pytest.approx(outlines.NEAR_TIP, abs=4)
    assert math.degrees(math.atan2(*(middle - low) * [1, -1])) == pytest.approx(0, abs=4)
    # the rod rises to the right, by the angle the camera shows
    a, b = (frame[:, :2] @ points[n] for n in ("rod axis at free end", "rod axis at body"))
    assert b[0] > a[0]
    assert b[1] < a[1]


@pytest.mark.parametrize(("drift", "believed"), [(0.1, True), (1.0, False)])
def test_what_turns_from_look_to_look_is_no_image(
    drift: float, believed: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    rgb, rod = _picture(4.0)
    own = find_outline(rgb, rod, THICK)
    assert own is not None
    shown = replace(own, drift_deg=drift)
    monkeypatch.setattr(needle, "find_image", lambda *_: shown)
    frame = straightened(shrunk(rgb, THICK), rod, THICK, None)
    assert (needle._image(rgb, rod, frame, own) is not None) == believed


@pytest.mark.parametrize("kind", lessons.LESSONS)
def test_lessons_cut_what_is_wanted_from_the_middle(kind: str) -> None:
    lesson, quantity = lessons.LESSONS[kind], kind.partition("-")[0]
    seed = next(s for s in range(9) if "mirror" in recipe.draw(quantity, s, "odd")["surface"])
    spec = recipe.draw(quantity, seed, "odd")
    whole = assembly.assemble(spec, photosets.WIDTH, photosets.HEIGHT)
    plan = degrade.plan(np.random.default_rng(seed), False, quantity == "rake", True)
    scene = lessons.turned(whole, spec, lesson, plan)
    size = lessons.frame_size(scene, plan, lesson, spec)
    small = replace(scene, view=lessons.resized(scene.view, size))
    half = lessons.half_window([small], [plan], lesson, spec)
    low = (size[0] // 2 - half[0], size[1] // 2 - half[1])
    assert size[0] <= photosets.WIDTH and max(half) < photosets.WIDTH
    assert scene.view is not None and whole.view is not None
    assert lesson.whole == np.array_equal(scene.view.forward, whole.view.forward)
    # a frame of another size changes neither what a picture shows nor where it is cut
    frames = [lesson.frames(one, spec, plan) for one in (scene, small)]
    full = lesson.drawing(scene, spec, (0, 0, photosets.WIDTH, photosets.HEIGHT))
    part = lesson.drawing(small, spec, (*low, 2 * half[0], 2 * half[1]))
    for name, frame in frames[0].items():
        assert frames[1][name] == pytest.approx(frame, rel=2e-3, abs=0.5)
        masks = [full(name, frame, plan), part(name, frames[1][name], plan)]
        assert masks[0].shape == lesson.size(name)[::-1]
        assert (masks[0] != masks[1]).mean() < 0.02
        assert len(np.unique(masks[0])) > 1 or "beside" in name or name == "far"


def test_a_smaller_photo_is_no_finer_than_its_pictures_and_no_noisier() -> None:
    lesson = lessons.LESSONS["rake-wide"]
    spec = recipe.draw("rake", 4, "odd")
    scene = assembly.assemble(spec, photosets.WIDTH, photosets.HEIGHT)
    plan = degrade.plan(np.random.default_rng(4), False, True, True)
    small = lessons.smaller(plan, scene, lesson, spec)
    share = small["width"] / plan["width"]
    assert 0 < share <= 1 and 3 * small["width"] == 4 * small["height"]
    assert small["noise"] == pytest.approx(share * plan["noise"], rel=0.01)
    finest = max(np.linalg.norm(f[:, :2], 2) for f in lesson.frames(scene, spec, small).values())
    wanted = 1 / lessons.FINER if small["width"] > lessons.LEAST_WIDE + 4 else finest
    assert finest == pytest.approx(wanted, rel=0.01)


def test_slopes_are_written_beside_the_pictures_that_they_are_of(tmp_path: Path) -> None:
    for folder in ("wide", "far"):
        (tmp_path / folder).mkdir()
    written = {"wide/7-0": 1.5, "wide/7-0-image": None, "far/7-0": 1.5}
    lessons.write_slopes(tmp_path, written)
    told = [json.loads((tmp_path / f / "slopes.json").read_text()) for f in ("wide", "far")]
    assert told == [{"7-0": 1.5}, {"7-0": 1.5}]


def test_slopes_of_the_model_are_those_of_its_border() -> None:
    # scipy's finite differences are the reference
    rng = np.random.default_rng(3)
    x, y = rng.uniform(20, 108, 200), rng.uniform(20, 180, 200)
    for lean, taper in ((0.07, 0.03), (-0.2, -0.05), (0.0, 0.0)):
        p = np.array([64.0, 150.0, lean, 20.0, 0.45, taper])
        reference = approx_fprime(p, lambda q: _border(q, x, y), 1e-7)
        assert _border_slopes(p, x, y) == pytest.approx(reference, abs=1e-4)
