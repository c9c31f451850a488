"""Roughly drawn lines snap to the edges they were drawn along."""

import json
import math

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from tests.figures_edges import edge_crop
from vision.edges import EdgeFit
from vision.marks import edges_beside, load_marks, snap_marks
from vision.photo import FocalPrior, Photo
from vision.reading import Refusal

TOL_DEG = 0.25  # 5 x the bound at L = 130 px, blur 1.5 px, noise/contrast 0.04


def a_photo(seed=0):
    rng = np.random.default_rng(seed)
    grey, angle, p0, p1 = edge_crop(rng, 160, 1.5, 0.02)
    rgb = np.repeat(np.clip(grey * 255 + 0.5, 0, 255).astype(np.uint8)[:, :, None], 3, axis=2)
    return Photo("a.png", rgb, "0" * 64, FocalPrior(1000.0, 0.05)), angle, p0, p1, rng


@pytest.mark.parametrize("seed", range(12))
def test_ten_pixels_and_three_degrees_off(seed):
    photo, angle, p0, p1, rng = a_photo(seed)
    middle = (p0 + p1) / 2 + rng.uniform(-6, 6, 2)
    rough = angle + math.radians(rng.uniform(-3, 3))
    half = np.array([math.cos(rough), math.sin(rough)]) * 65
    marks = {"edge": (tuple(middle - half), tuple(middle + half))}
    fits = snap_marks(photo, marks, "rake", ("edge",))
    assert isinstance(fits, dict)
    fit = fits["edge"]
    assert isinstance(fit, EdgeFit)
    miss = (math.degrees(fit.angle - angle) + 90) % 180 - 90
    assert abs(miss) < TOL_DEG


def test_missing_mark_and_no_edge_are_refused():
    photo, *_ = a_photo()
    missing = snap_marks(photo, {}, "rake", ("shank left",))
    assert isinstance(missing, Refusal)
    assert "shank left" in missing.reason
    flat = Photo("b.png", np.full((300, 300, 3), 99, np.uint8), "0" * 64, FocalPrior(1000.0, 0.05))
    nothing = snap_marks(flat, {"edge": ((50, 50), (200, 60))}, "rake", ("edge",))
    assert isinstance(nothing, Refusal)
    assert nothing.lines


@pytest.mark.parametrize(
    "text", ["not json", "[]", "{}", '{"a": [[1, 2]]}', '{"a": [[1, 2], [3, "x"]]}', '{"a": 3}']
)
def test_bad_marks_files_are_named(text, tmp_path):
    path = tmp_path / "marks.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ValueError, match="marks"):
        load_marks(path)


def test_marks_file_round_trip(tmp_path):
    path = tmp_path / "marks.json"
    path.write_text(json.dumps({"edge": [[1, 2.5], [3, 4]]}), encoding="utf-8")
    assert load_marks(path) == {"edge": ((1.0, 2.5), (3.0, 4.0))}
    with pytest.raises(ValueError, match="cannot be read"):
        load_marks(tmp_path / "none.json")


def a_scene(paint, size=320):
    """A photo painted by `paint(x, y) -> (H, W, 3)`, blurred by 1.2 px, with noise of 0.01."""
    y, x = np.mgrid[:size, :size].astype(float)
    picture = paint(x, y)
    picture = np.stack([gaussian_filter(picture[..., k], 1.2) for k in range(3)], axis=-1)
    picture += np.random.default_rng(3).normal(0, 0.01, picture.shape)
    rgb = np.clip(picture * 255 + 0.5, 0, 255).astype(np.uint8)
    return Photo("a.png", rgb, "0" * 64, FocalPrior(1000.0, 0.05))


def off_deg(fit, angle):
    return abs((math.degrees(fit.angle - angle) + 90) % 180 - 90)


def test_a_colour_edge_without_brightness_is_found():
    angle = math.radians(7)

    def paint(x, y):
        right = -(x - 160) * math.sin(angle) + (y - 160) * math.cos(angle) > 0
        return np.where(right[..., None], [0.55, 0.35, 0.4], [0.35, 0.43, 0.41])

    found = edges_beside(a_scene(paint), (90, 157), (230, 165))
    assert found
    fit = found[0].fit
    assert off_deg(fit, angle) < TOL_DEG


def test_a_long_weak_edge_beats_a_short_strong_one():
    def paint(x, y):
        grey = np.where(x > 160, 0.55, 0.45) + np.where((x > 152) & (y > 210), 0.3, 0.0)
        return np.repeat(grey[..., None], 3, axis=2)

    found = edges_beside(a_scene(paint), (156, 90), (158, 250))
    assert found
    fit = found[0].fit
    assert abs(fit.x - 160 + 0.5) < 1.0
    assert off_deg(fit, math.pi / 2) < TOL_DEG


def test_a_line_drawn_too_long_is_cut_to_the_edge():
    def paint(x, y):
        grey = np.where((x > 160) & (y > 150), 0.7, 0.3)
        return np.repeat(grey[..., None], 3, axis=2)

    found = edges_beside(a_scene(paint), (163, 100), (158, 260))
    assert found
    fit = found[0].fit
    assert 85 < fit.length < 125
    assert off_deg(fit, math.pi / 2) < TOL_DEG


def test_an_object_and_its_image_are_chosen_together():
    """A stronger line beside one reflected edge is passed over: it would make the image wider."""

    def paint(x, y):
        grey = np.where((abs(x - 160) < 30) & (y < 150), 0.2, 0.6)
        grey = np.where((abs(x - 160) < 30) & (y >= 170), 0.35, grey)
        grey = np.where((x >= 190) & (x < 198) & (y >= 170), 0.95, grey)
        return np.repeat(grey[..., None], 3, axis=2)

    photo = a_scene(paint)
    marks = {
        "shank left": ((128, 60), (131, 145)),
        "shank right": ((192, 60), (188, 145)),
        "reflected shank left": ((131, 180), (129, 260)),
        "reflected shank right": ((195, 180), (197, 260)),
    }
    fits = snap_marks(photo, marks, "rake", tuple(marks))
    assert isinstance(fits, dict)
    assert abs(fits["reflected shank right"].x - 189.5) < 1.0
