"""Camera profiles against the renderer's lens and against cv2.calibrateCamera."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from tests.scenes import sheet_cases
from ui.cli import main
from vision.photo import FocalPrior
from vision.profile import (
    CameraProfile,
    calibrate,
    load_profiles,
    save_profile,
    with_profile,
)
from vision.reading import Refusal
from vision.sheet import SheetView, find_sheet

TOL_FOCAL = 0.006  # relative
TOL_K1 = 0.006


@pytest.fixture(scope="module")
def board():
    return sheet_cases.calibration(3, 6)


def test_against_truth_and_opencv(board) -> None:
    photos, view = board
    profile = calibrate(photos)
    assert isinstance(profile, CameraProfile), profile
    assert abs(profile.f_px / view.f_px - 1) < TOL_FOCAL
    assert abs(profile.f_px / view.f_px - 1) < 3 * profile.relative_u
    assert abs(profile.k1 - view.k1) < TOL_K1
    places, pixels = [], []
    for photo in photos:
        seen = find_sheet(photo, "camera", ("calibration",))
        assert isinstance(seen, SheetView)
        flat = np.column_stack([seen.corners_mm, np.zeros(len(seen.corners_mm))])
        places.append(flat.astype(np.float32))
        pixels.append(seen.corners_px.astype(np.float32))
    flags = cv2.CALIB_FIX_K2 | cv2.CALIB_FIX_K3 | cv2.CALIB_ZERO_TANGENT_DIST
    flags |= cv2.CALIB_FIX_ASPECT_RATIO
    start = np.array([[1200.0, 0, 799.5], [0, 1200.0, 599.5], [0, 0, 1]])
    _, matrix, bend, _, _ = cv2.calibrateCamera(
        places, pixels, (view.width, view.height), start, None, flags=flags
    )
    assert profile.f_px == pytest.approx(matrix[0, 0], rel=0.002)
    # theirs: r in units of the focal length; ours: of the half diagonal
    half = np.hypot(view.width, view.height) / 2
    assert profile.k1 == pytest.approx(bend.ravel()[0] * (half / matrix[0, 0]) ** 2, abs=0.003)


def test_refusals(board) -> None:
    photos, _ = board
    few = calibrate(photos[:3])
    assert isinstance(few, Refusal)
    other = calibrate([*photos[:4], replace(photos[4], camera_key="Phone B|tele|9")])
    assert isinstance(other, Refusal)
    assert "another phone or lens" in other.reason
    head_on = calibrate([photos[0]] * 5)
    assert isinstance(head_on, Refusal)
    assert "focal length" in head_on.reason


def test_kept_and_used(tmp_path: Path, board, monkeypatch: pytest.MonkeyPatch) -> None:
    photos, _ = board
    monkeypatch.setenv("DECKPLUMB_CAMERAS", str(tmp_path / "c" / "cameras.json"))
    assert with_profile(photos[0]).focal.source == "exif"
    profile = CameraProfile(
        "Phone A|main|4.2", 1600, 1200, 990.0, 801, 602, -0.02, 0.002, 6, 300, 0.2
    )
    save_profile(profile)
    save_profile(replace(profile, key="Phone B|main|4.2"))
    assert set(load_profiles()) == {"Phone A|main|4.2", "Phone B|main|4.2"}
    used = with_profile(photos[0])
    assert used.focal == FocalPrior(990.0, 0.002, None, "profile")
    assert used.k1 == -0.02
    half = replace(photos[0], rgb=np.ascontiguousarray(photos[0].rgb[::2, ::2]))
    assert with_profile(half).focal.f_px == pytest.approx(495.0)
    upright = replace(photos[0], rgb=np.ascontiguousarray(photos[0].rgb.transpose(1, 0, 2)))
    assert with_profile(upright).focal.f_px == pytest.approx(990.0)
    square = replace(photos[0], rgb=np.ascontiguousarray(photos[0].rgb[:, :1200]))
    assert with_profile(square).focal.source == "exif"
    cropped = replace(photos[0], focal=FocalPrior(3000.0, 0.6, (1000.0, 8000.0), "cropped"))
    assert with_profile(cropped).focal.source == "cropped"
    with pytest.raises(ValueError, match="key"):
        save_profile(replace(profile, key=""))
    (tmp_path / "c" / "cameras.json").write_text("{broken")
    assert load_profiles() == {}


def test_command_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("DECKPLUMB_CAMERAS", str(tmp_path / "cameras.json"))
    assert main(["camera", "calibrate", str(tmp_path / "none.jpg")]) == 2
    assert "none.jpg" in capsys.readouterr().err
    plain = tmp_path / "plain.png"
    cv2.imwrite(str(plain), np.full((300, 400), 128, np.uint8))
    assert main(["camera", "calibrate", "--json", *[str(plain)] * 4]) == 3
    assert json.loads(capsys.readouterr().out)["refusal"]["reason"]
    assert main(["camera", "list"]) == 0
    assert "calibrate" in capsys.readouterr().out
