"""Accuracy and honesty of the sheet readings on rendered photographs.

    python -m tests.figures_sheets [--n 150] [--first 1000] [--only QUANTITY] [--videos 6]

Prints for each quantity: number of photographs, answered %, RMSE, worst, share with |error| <= U
(k = 2) and the exact binomial 95 % interval that an honest 95 % would give, median seconds. Seeds
below 1000 were used while the readers were written; the default starts at 1000.
"""

from __future__ import annotations

import argparse
import math
import tempfile
import time
from pathlib import Path

import numpy as np
from scipy.stats import binom

from tests.scenes.sheet_cases import CASES, Case, calibration
from tests.scenes.video_scenes import Turn, write_video
from vision.measure import Options, measure
from vision.platter_level import combine_platter_level
from vision.profile import CameraProfile, calibrate
from vision.reading import Outcome, Reading
from vision.speed import read_speed

UNITS = {"print-scale": "%", "arm-level": "deg", "platter-level": "deg", "body-square": "deg"}


def read_case(quantity: str, case: Case) -> Outcome:
    """Read a case as a person would; two level photos are combined by reversal."""
    options = Options(given=case.given)
    outcomes = [measure(photo, quantity, options) for photo in case.photos]
    readings = [o for o in outcomes if isinstance(o, Reading)]
    if len(readings) < len(outcomes):
        return next(o for o in outcomes if not isinstance(o, Reading))
    if quantity == "platter-level":
        return combine_platter_level(readings, (0.0, 180.0))
    return readings[0]


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description="figures of the sheet readings")
    parser.add_argument("--n", type=int, default=150)
    parser.add_argument("--first", type=int, default=1000)
    parser.add_argument("--only", choices=[*CASES, "camera", "speed"])
    parser.add_argument("--videos", type=int, default=6)
    args = parser.parse_args()
    print(
        f"{'quantity':18} {'n':>4} {'answered':>9} {'RMSE':>9} {'worst':>9} {'within U':>9}"
        f" {'honest':>13} {'s':>6}"
    )
    for quantity in CASES:
        if args.only in (None, quantity):
            _photos(quantity, args.first, args.n)
    if args.only in (None, "camera"):
        _camera(args.first, max(args.n // 10, 3))
    if args.only in (None, "speed"):
        _speed(args.first, args.videos)


def _photos(quantity: str, first: int, count: int) -> None:
    errors, inside, seconds = [], [], []
    for seed in range(first, first + count):
        case = CASES[quantity](seed)
        start = time.perf_counter()
        outcome = read_case(quantity, case)
        seconds.append((time.perf_counter() - start) / len(case.photos))
        if isinstance(outcome, Reading):
            errors.append(outcome.value - case.truth)
            inside.append(abs(errors[-1]) <= outcome.expanded_uncertainty)
    _row(quantity, count, errors, inside, seconds, UNITS.get(quantity, "mm"))


def _camera(first: int, count: int) -> None:
    errors, inside, seconds = [], [], []
    for seed in range(first, first + count):
        photos, view = calibration(seed)
        start = time.perf_counter()
        profile = calibrate(photos)
        seconds.append(time.perf_counter() - start)
        if isinstance(profile, CameraProfile):
            errors.append(100 * (profile.f_px / view.f_px - 1))
            inside.append(abs(errors[-1]) <= 200 * profile.relative_u)
    _row("camera focal", count, errors, inside, seconds, "%")


def _speed(first: int, count: int) -> None:
    errors, inside, seconds = [], [], []
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(first, first + count):
            rng = np.random.default_rng([9, seed])
            rpm = float(rng.choice([100 / 3, 45.0, 78.0]))
            turn = Turn(rpm * (1 + rng.uniform(-0.02, 0.02)), rng.uniform(0, 0.2), rpm / 60)
            path = write_video(
                Path(folder) / f"{seed}.mp4",
                turn,
                seconds=32,
                fps=float(rng.choice([25, 30])),
                size=(480, 360),
                eccentric_mm=rng.uniform(0, 0.4),
                shake_deg=rng.uniform(0, 0.4),
                roll_deg=rng.uniform(-1.2, 1.2),
                readout_s=rng.uniform(0.01, 0.03),
                jitter_s=0.004,
                seed=seed,
            )
            start = time.perf_counter()
            outcome = read_speed(path, Options())
            seconds.append(time.perf_counter() - start)
            if isinstance(outcome, Reading):
                errors.append(outcome.value - 100 * (turn.rpm / rpm - 1))
                inside.append(abs(errors[-1]) <= outcome.expanded_uncertainty)
    _row("speed", count, errors, inside, seconds, "%")


def _row(
    name: str,
    count: int,
    errors: list[float],
    inside: list[bool],
    seconds: list[float],
    unit: str,
) -> None:
    answered = len(errors)
    if not answered:
        print(f"{name:18} {count:4d} {0:8.0f}%")
        return
    low, high = binom.interval(0.95, answered, 0.95)
    rmse = math.sqrt(float(np.mean(np.square(errors))))
    print(
        f"{name:18} {count:4d} {100 * answered / count:8.1f}% {rmse:7.3f} {unit:2}"
        f"{np.abs(errors).max():7.3f} {unit:2} {100 * np.mean(inside):7.1f}%"
        f" {100 * low / answered:5.1f}-{100 * high / answered:5.1f}% {np.median(seconds):6.2f}",
        flush=True,
    )


if __name__ == "__main__":
    main()
