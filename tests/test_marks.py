"""Roughly drawn lines snap to the edges they were drawn along."""

import json
import math

import numpy as np
import pytest

from tests.figures_edges import edge_crop
from vision.edges import EdgeFit
from vision.marks import load_marks, snap_marks
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
