"""Print every figure that README quotes about the three angles.

    python -m tests.figures edges                 estimator against the bound and against peers
    python -m tests.figures photos DIR [--jobs 2] a set of photographs with truth.json
    python -m tests.figures time DIR              seconds and memory at 12 megapixels

A set is made by ``python -m tests.scenes.photosets`` (rendered photographs: nothing here was taken
by a real camera). Coverage and error are always printed together.
"""

from __future__ import annotations

import argparse
import json
import math
import resource
import statistics
import sys
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from scipy import stats
from scipy.special import ndtr

from vision.edges import cramer_rao_angle, fit_edge
from vision.measure import Options, measure_file
from vision.reading import Reading


@dataclass(frozen=True)
class Result:
    photo: str
    group: str
    truth: float | None
    value: float | None
    expanded_u: float | None
    seconds: float
    reason: str

    @property
    def error(self) -> float | None:
        if self.value is None or self.truth is None:
            return None
        return self.value - self.truth


def read_one(task: tuple[Path, dict[str, object]]) -> Result:
    cv2.setNumThreads(1)
    path, truth = task
    quantity = str(truth["quantity"])
    options = Options(tip=str(truth.get("tip", "")))
    began = time.perf_counter()
    try:
        outcome = measure_file(path, quantity, options)
        reason = ""
    except Exception as error:
        return Result(path.name, _group(truth), None, None, None, 0.0, f"FAULT {error!r}")
    seconds = time.perf_counter() - began
    true_value = truth.get("truth_deg")
    true_float = float(str(true_value)) if true_value is not None else None
    if isinstance(outcome, Reading):
        return Result(
            path.name,
            _group(truth),
            true_float,
            outcome.value,
            outcome.expanded_uncertainty,
            seconds,
            reason,
        )
    return Result(path.name, _group(truth), true_float, None, None, seconds, outcome.reason)


def _group(truth: dict[str, object]) -> str:
    if truth.get("truth_deg") is None:
        return f"unusable ({truth['quantity']})"
    surface = str(truth.get("surface", ""))
    if surface in ("record", "paper") or "card" in surface:
        return f"{truth['quantity']}, {surface}"
    return f"{truth['quantity']}, mirrors"


def photos(folder: Path, jobs: int, only: str | None, verbose: bool) -> list[Result]:
    truths = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    tasks = [
        (folder / name, truth)
        for name, truth in sorted(truths.items())
        if only is None or truth["quantity"] == only
    ]
    if not tasks:
        sys.exit(f"{folder}: no photographs of {only or 'any quantity'} in truth.json")
    with ProcessPoolExecutor(jobs) as pool:
        results = list(pool.map(read_one, tasks, chunksize=2))
    if verbose:
        for r in results:
            told = r.reason if r.error is None else f"{r.error:+.3f} U {r.expanded_u:.3f}"
            print(f"{r.photo:28s} {r.seconds:5.2f} s  {told}")
    return results


def table(results: list[Result]) -> str:
    """One row a group: coverage, error and honesty together."""
    head = (
        f"{'group':24s} {'n':>4s} {'answered':>9s} {'RMSE':>7s} {'worst':>7s} "
        f"{'within U':>9s} {'95 % interval':>14s} {'RMS(err/u)':>10s} {'median s':>9s}"
    )
    rows = [head]
    for group in sorted({r.group for r in results}):
        members = [r for r in results if r.group == group]
        errors = np.array([r.error for r in members if r.error is not None], float)
        u = np.array([r.expanded_u for r in members if r.error is not None], float)
        seconds = statistics.median(r.seconds for r in members)
        answered = sum(r.value is not None for r in members) / len(members)
        if errors.size == 0:
            rows.append(f"{group:24s} {len(members):4d} {answered:9.1%} {'':51s} {seconds:9.2f}")
            continue
        low, high = stats.binom.interval(0.95, errors.size, 0.95)
        rows.append(
            f"{group:24s} {len(members):4d} {answered:9.1%} "
            f"{math.sqrt(float(np.mean(errors**2))):6.3f}° {np.abs(errors).max():6.3f}° "
            f"{np.mean(np.abs(errors) <= u):9.1%} "
            f"{low / errors.size:6.1%}-{high / errors.size:6.1%} "
            f"{math.sqrt(float(np.mean((2 * errors / u) ** 2))):10.2f} {seconds:9.2f}"
        )
    return "\n".join(rows)


# --- the edge estimator against the bound and against peers -----------------------------------

Estimator = Callable[[np.ndarray, np.ndarray, np.ndarray, float], float | None]


def edge_crop(
    rng: np.random.Generator, length: float, blur: float, k: float
) -> tuple[np.ndarray, float, np.ndarray, np.ndarray]:
    """A noisy blurred step edge, its true angle, and a rough segment (1.5 px, 0.6 degrees off)."""
    size = int(length + 12 * blur + 50)
    angle = rng.uniform(-math.pi, math.pi)
    y, x = np.mgrid[:size, :size].astype(float)
    cx, cy = size / 2 + rng.uniform(-1, 1, 2)
    d = -(x - cx) * math.sin(angle) + (y - cy) * math.cos(angle)
    grey = 0.3 + 0.4 * ndtr(d / blur) + rng.normal(0, 0.4 * k, d.shape)
    rough = angle + math.radians(rng.uniform(-0.6, 0.6))
    middle = np.array([cx, cy]) + rng.uniform(-1.5, 1.5, 2)
    half = np.array([math.cos(rough), math.sin(rough)]) * length / 2
    return grey.astype(np.float32), angle, middle - half, middle + half


def ours(grey: np.ndarray, p0: np.ndarray, p1: np.ndarray, blur: float) -> float | None:
    fit = fit_edge(grey, p0, p1, half_width=max(6.0, 6 * blur))
    return None if fit is None else fit.angle


def peers() -> dict[str, Estimator]:
    """General-purpose estimators on the same crop, with the rough segment as their only hint."""
    from skimage.feature import structure_tensor
    from skimage.transform import hough_line, hough_line_peaks, radon

    def straightened(
        grey: np.ndarray, p0: np.ndarray, p1: np.ndarray, blur: float
    ) -> tuple[np.ndarray, float]:
        rough = math.atan2(*(p1 - p0)[::-1])
        length = float(np.linalg.norm(p1 - p0))
        half = max(8.0, 5 * blur)
        turn = np.array([[math.cos(rough), -math.sin(rough)], [math.sin(rough), math.cos(rough)]])
        origin = (p0 + p1) / 2 - turn @ np.array([length / 2, half])
        matrix = np.hstack([turn, origin[:, None]])
        strip = cv2.warpAffine(
            grey,
            matrix,
            (int(length), int(2 * half)),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        )
        return strip, rough

    def binary(strip: np.ndarray, blur: float) -> np.ndarray:
        smooth = cv2.GaussianBlur(strip, (0, 0), max(blur, 1.0))
        eight = np.clip(smooth * 255, 0, 255).astype(np.uint8)
        return cv2.Canny(eight, 10, 25)

    def hough_p(grey: np.ndarray, p0: np.ndarray, p1: np.ndarray, blur: float) -> float | None:
        strip, rough = straightened(grey, p0, p1, blur)
        lines = cv2.HoughLinesP(
            binary(strip, blur), 0.5, math.radians(0.1), 10, None, strip.shape[1] * 0.3, 10
        )
        if lines is None:
            return None
        best = max(lines.reshape(-1, 4), key=lambda s: math.hypot(s[2] - s[0], s[3] - s[1]))
        return rough + math.atan2(best[3] - best[1], best[2] - best[0])

    def lsd(grey: np.ndarray, p0: np.ndarray, p1: np.ndarray, blur: float) -> float | None:
        strip, rough = straightened(grey, p0, p1, blur)
        lines = cv2.createLineSegmentDetector().detect(
            np.clip(strip * 255, 0, 255).astype(np.uint8)
        )[0]
        if lines is None:
            return None
        best = max(lines.reshape(-1, 4), key=lambda s: math.hypot(s[2] - s[0], s[3] - s[1]))
        return rough + math.atan((best[3] - best[1]) / ((best[2] - best[0]) or 1e-9))

    def sk_hough(grey: np.ndarray, p0: np.ndarray, p1: np.ndarray, blur: float) -> float | None:
        strip, rough = straightened(grey, p0, p1, blur)
        thetas = math.pi / 2 + np.radians(np.arange(-3, 3.01, 0.1))
        accumulator, angles, distances = hough_line(binary(strip, blur) > 0, thetas)
        _, found, _ = hough_line_peaks(accumulator, angles, distances, num_peaks=1)
        return None if len(found) == 0 else rough + float(found[0]) - math.pi / 2

    def sk_radon(grey: np.ndarray, p0: np.ndarray, p1: np.ndarray, blur: float) -> float | None:
        strip, rough = straightened(grey, p0, p1, blur)
        slope = cv2.Sobel(cv2.GaussianBlur(strip, (0, 0), max(blur, 1.0)), cv2.CV_64F, 0, 1)
        degrees = 90 + np.arange(-3, 3.01, 0.1)
        sinogram = radon(slope, theta=degrees, circle=False)
        return rough - math.radians(float(degrees[int(np.argmax(sinogram.max(axis=0)))] - 90))

    def tensor(grey: np.ndarray, p0: np.ndarray, p1: np.ndarray, blur: float) -> float | None:
        strip, rough = straightened(grey, p0, p1, blur)
        smooth = cv2.GaussianBlur(strip, (0, 0), max(blur, 1.0))
        rr, rc, cc = structure_tensor(smooth[3:-3, 3:-3], sigma=1, order="rc")
        return rough - 0.5 * math.atan2(2 * float(rc.sum()), float(rr.sum() - cc.sum()))

    def gradient(grey: np.ndarray, p0: np.ndarray, p1: np.ndarray, blur: float) -> float | None:
        strip, rough = straightened(grey, p0, p1, blur)
        slope = np.abs(cv2.Sobel(cv2.GaussianBlur(strip, (0, 0), max(blur, 1.0)), cv2.CV_64F, 0, 1))
        rows = np.arange(slope.shape[0])[:, None]
        weight = slope**2
        centre = (weight * rows).sum(axis=0) / weight.sum(axis=0)
        points = np.stack([np.arange(len(centre)), centre], axis=1).astype(np.float32)
        vx, vy, _, _ = cv2.fitLine(points, cv2.DIST_HUBER, 0, 0.01, 0.01).ravel()
        return rough + math.atan(float(vy) / float(vx))

    return {
        "cv2.HoughLinesP": hough_p,
        "LSD": lsd,
        "skimage Hough": sk_hough,
        "skimage Radon": sk_radon,
        "structure tensor": tensor,
        "gradient+fitLine": gradient,
    }


CASES = [(50, 0.8, 0.01), (50, 1.5, 0.05), (100, 1.5, 0.04), (200, 2.0, 0.1), (400, 4.0, 0.03)]


def edges(repeats: int = 200, seed: int = 7) -> str:
    estimators: dict[str, Estimator] = {"fitted edge (ours)": ours, **peers()}
    rows = [
        f"{'estimator':20s} {'L px':>5s} {'blur':>5s} {'n/c':>5s} {'sd/bound':>9s} "
        f"{'bias/sd':>8s} {'failed':>7s} {'ms':>7s}"
    ]
    for length, blur, k in CASES:
        bound = cramer_rao_angle(length, blur, k)
        for name, estimate in estimators.items():
            rng = np.random.default_rng(seed)
            n = repeats if name.startswith("fitted") else max(repeats // 4, 20)
            errors, seconds = [], 0.0
            for _ in range(n):
                grey, angle, p0, p1 = edge_crop(rng, length, blur, k)
                began = time.perf_counter()
                found = estimate(grey, p0, p1, blur)
                seconds += time.perf_counter() - began
                if found is not None:
                    errors.append((found - angle + math.pi / 2) % math.pi - math.pi / 2)
            e = np.array(errors)
            sd = float(np.std(e)) if e.size > 1 else float("nan")
            bias = abs(float(np.mean(e))) / sd if e.size > 1 and sd > 0 else float("nan")
            rows.append(
                f"{name:20s} {length:5d} {blur:5.1f} {k:5.2f} {sd / bound:9.2f} {bias:8.2f} "
                f"{n - e.size:7d} {1e3 * seconds / n:7.2f}"
            )
    return "\n".join(rows)


def timing(folder: Path) -> str:
    """Median in-process seconds (decode included) at 12 MP and the peak memory of this process."""
    import io

    from PIL import Image

    truths = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    rows = [f"{'quantity':12s} {'median s':>9s} {'n':>3s}"]
    for quantity in ("rake", "cantilever", "azimuth"):
        names = [n for n, t in sorted(truths.items()) if t["quantity"] == quantity][:7]
        seconds = []
        for name in names:
            image = Image.open(folder / name)
            exif = image.getexif()
            large = image.convert("RGB").resize((4000, 3000), Image.Resampling.BICUBIC)
            held = io.BytesIO()
            large.save(held, "JPEG", quality=92, exif=exif)
            began = time.perf_counter()
            measure_file(held.getvalue(), quantity, name=name)
            seconds.append(time.perf_counter() - began)
        if seconds:
            rows.append(f"{quantity:12s} {statistics.median(seconds):9.2f} {len(seconds):3d}")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    rows.append(f"peak memory {peak:.0f} MB")
    return "\n".join(rows)


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.figures", description=__doc__)
    commands = parser.add_subparsers(dest="what", required=True)
    edge = commands.add_parser("edges")
    edge.add_argument("--repeats", type=int, default=200)
    photo = commands.add_parser("photos")
    photo.add_argument("folder", type=Path)
    photo.add_argument("--jobs", type=int, default=2)
    photo.add_argument("--only", choices=("rake", "cantilever", "azimuth"))
    photo.add_argument("--verbose", action="store_true")
    seconds = commands.add_parser("time")
    seconds.add_argument("folder", type=Path)
    args = parser.parse_args()
    if args.what == "edges":
        print(edges(args.repeats))
    elif args.what == "time":
        print(timing(args.folder))
    else:
        print("Rendered photographs; U is the expanded uncertainty, k = 2.")
        print(table(photos(args.folder, args.jobs, args.only, args.verbose)))


if __name__ == "__main__":
    main()
