"""Speed from rendered videos: known mean, wow, eccentric hole, shake, readout; and bad clips."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from tests.scenes.video_scenes import Turn, write_video
from vision.measure import Options, measure_file
from vision.reading import Reading, Refusal
from vision.speed import find_speed, plot_speed, solve_speed, speed_advice

TOL_MEAN_PERCENT = 0.02  # asked for 30 s
TOL_WOW_PERCENT = 0.03
SMALL = {"size": (400, 300), "fps": 20.0}


def _part(reading: Reading, start: str) -> float:
    return next(c.value for c in reading.components if c.name.startswith(start))


def test_mean_speed_and_wow_of_a_hand_held_clip(tmp_path: Path) -> None:
    """True values are the renderer's own turn(t); a camera roll of 1.2 degrees is taken off."""
    turn = Turn(33.45, wow_percent=0.15, wow_hz=33.45 / 60)
    path = write_video(
        tmp_path / "a.mp4",
        turn,
        seconds=32,
        eccentric_mm=0.4,
        roll_deg=1.2,
        shake_deg=0.2,
        readout_s=0.025,
        jitter_s=0.004,
        **SMALL,
    )
    trace = find_speed(path, Options())
    assert not isinstance(trace, Refusal), trace
    reading = solve_speed(trace, Options())
    assert isinstance(reading, Reading), reading
    truth = 100 * (33.45 / (100 / 3) - 1)
    assert abs(reading.value - truth) < TOL_MEAN_PERCENT
    assert reading.expanded_uncertainty < TOL_MEAN_PERCENT
    assert _part(reading, "once per turn") == pytest.approx(0.15, abs=TOL_WOW_PERCENT)
    assert "weighted" not in reading.measurand
    assert all("unweighted" in c.name for c in reading.components if "fluctuation" in c.name)
    assert "turning_backwards" not in reading.flags
    assert "fast" in speed_advice(reading)
    assert "Unplug" in speed_advice(reading)
    picture = plot_speed(trace, 100 / 3, tmp_path / "speed.png")
    assert picture.stat().st_size > 10_000


def test_label_disc_at_45_backwards_with_dropped_frames(tmp_path: Path) -> None:
    path = write_video(
        tmp_path / "b.mp4",
        Turn(44.8),
        seconds=15,
        kind="label",
        forward=False,
        drop=0.03,
        **SMALL,
    )
    reading = measure_file(path, "speed")
    assert isinstance(reading, Reading), reading
    assert reading.value == pytest.approx(100 * (44.8 / 45 - 1), abs=0.03)
    assert {"turning_backwards", "frames_dropped", "short_video"} <= set(reading.flags)
    assert _part(reading, "nominal rpm") == 45.0
    assert reading.photo == "b.mp4"
    assert reading.sha256


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        ({"seconds": 3.0}, "s long"),
        ({"seconds": 12.0, "fps": 5.0}, "frames a second"),
        ({"seconds": 8.0, "fps": 30.0, "time_stretch": 2.0}, "near none"),
        ({"seconds": 11.0, "reference": False}, "stationary mark"),
        ({"seconds": 11.0, "repeat_every": 5}, "repeat"),
        ({"seconds": 11.0, "exposure_s": 0.5}, "disc"),
    ],
)
def test_bad_clips_are_refused(tmp_path: Path, fault: dict, words: str) -> None:
    how = {**SMALL, **fault}
    path = write_video(tmp_path / "bad.mp4", Turn(), **how)
    outcome = measure_file(path, "speed")
    assert isinstance(outcome, Refusal), outcome
    assert words in outcome.reason
    assert outcome.advice
    assert not outcome.unreadable


def test_slow_motion_rate_is_refused(tmp_path: Path) -> None:
    path = write_video(tmp_path / "slow.mp4", Turn(), seconds=0.6, size=(320, 240), fps=120.0)
    outcome = measure_file(path, "speed")
    assert isinstance(outcome, Refusal)
    assert "slow motion" in outcome.reason


def test_files_that_are_no_video(tmp_path: Path) -> None:
    empty, text = tmp_path / "empty.mp4", tmp_path / "text.mp4"
    empty.write_bytes(b"")
    text.write_bytes(b"not a video" * 100)
    for path in (empty, text, tmp_path / "missing.mp4"):
        outcome = measure_file(path, "speed")
        assert isinstance(outcome, Refusal)
        assert outcome.unreadable
        assert path.name in (outcome.photo or "")


def test_renderer_turns_as_it_says() -> None:
    """Turn.turns against numerical integration of its stated speed."""
    turn = Turn(45.0, 0.5, 0.75, 0.4)
    t = np.linspace(0, 10, 200_001)
    wow = 1 + 0.005 * np.sin(2 * math.pi * 0.75 * t)
    speed = 0.75 * (wow + 0.004 / 60 * t)
    area = float(np.sum((speed[1:] + speed[:-1]) / 2 * np.diff(t)))
    assert float(turn.turns(t)[-1]) == pytest.approx(area, rel=1e-6)
