"""The fitted edge against the Cramér-Rao bound and against general-purpose estimators."""

from __future__ import annotations

import math
import time
from collections.abc import Callable

import cv2
import numpy as np
from scipy.special import ndtr

from vision.edges import cramer_rao_angle, fit_edge

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


def edges_table(repeats: int = 200, seed: int = 7) -> str:
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
