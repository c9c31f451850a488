"""Print told from its ghosts: what is expected at a pose, and the pose fitted to what is shown.

Outside checks: lines, ticks and cross placed by OpenCV's `projectPoints`; ghosts by Snell's law
solved with `scipy.optimize.brentq` (`grid_views`); derivatives by `scipy.optimize.approx_fprime`;
the scatter of repeated fits against the uncertainty that each states (JCGM 100, type A).
"""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import approx_fprime

from tests.grid_views import grid_pose, seen_in_mirror
from vision import print_fit
from vision.camera import Camera
from vision.grid import GridPose, find_shown
from vision.photo import FocalPrior
from vision.print_fit import Fit, Pixels, best_fits, fitted
from vision.print_model import Inked, landed, layers
from vision.print_seen import HEIGHT, WIDTH, Print, look
from vision.rod_kinds import INK

Array = NDArray[np.float64]
FOCAL, INK_HALF = 4000.0, 0.012
PRIOR = (math.log(FOCAL), 0.05)


def _pose(
    elevation: float = 34.0, aside: float = 7.0, thickness: float | None = None, far: float = 7.5
) -> GridPose:
    """In the copy, with 10 mm cells of which the picture shows two or so."""
    big = grid_pose(elevation, aside, 2.0, thickness=thickness)
    camera = Camera(FOCAL, (WIDTH - 1) / 2, (HEIGHT - 1) / 2, 0.0, math.hypot(WIDTH, HEIGHT) / 2)
    return replace(big, camera=camera, origin=np.array([0.02, -0.05, far]), pitch_mm=10.0)


def _pixels_of(pose: GridPose, points: Array) -> Array:
    c = pose.camera
    matrix = np.array([[c.f, 0, c.cx], [0, c.f, c.cy], [0, 0, 1.0]])
    turn, _ = cv2.Rodrigues(pose.rotation)
    return np.asarray(cv2.projectPoints(points, turn, pose.origin, matrix, np.zeros(5))[0][:, 0])


def _boxes() -> list[tuple[float, float, float, float]]:
    """Middles and half sizes of all that is printed near the null, pitches of 10 mm."""
    boxes = [(k, 0.0, INK_HALF, 4.0) for k in (-1.0, 0.0, 1.0)]
    boxes += [(0.0, k, 4.0, INK_HALF) for k in (-1.0, 0.0, 1.0)]
    boxes += [(0.0, k / 10, 0.05, 0.6 * INK_HALF) for k in range(-10, 11) if k % 10]
    return [*boxes, (0.0, 0.0, 0.12, 1.5 * INK_HALF), (0.0, 0.0, 1.5 * INK_HALF, 0.12)]


def _drawn(pose: GridPose, deeper: bool = False) -> NDArray[np.float32]:
    """Print, or its ghost, as OpenCV fills its outlines, sixteen times as finely each way."""
    fine = np.zeros((HEIGHT * 4, WIDTH * 4), np.uint8)
    for x, y, half_x, half_y in _boxes():
        n = 40
        edge = np.linspace(-1, 1, n)
        outline = np.concatenate([
            np.column_stack([x + half_x * edge, np.full(n, y - half_y)]),
            np.column_stack([np.full(n, x + half_x), y + half_y * edge]),
            np.column_stack([x - half_x * edge, np.full(n, y + half_y)]),
            np.column_stack([np.full(n, x - half_x), y - half_y * edge]),
        ])  # fmt: skip
        flat = np.column_stack([outline, np.zeros(len(outline))])
        at = seen_in_mirror(pose, flat) if deeper else _pixels_of(pose, flat)
        cv2.fillPoly(fine, [np.round((4 * at + 1.5) * 16).astype(np.int32)], 255, cv2.LINE_8, 4)
    small = cv2.resize(fine, (WIDTH, HEIGHT), interpolation=cv2.INTER_AREA)
    return np.asarray(small.astype(np.float32) / np.float32(255))


def _print(pose: GridPose, noise: float = 0.0, seed: int = 1) -> Print:
    """What a network would show at best, with noise of whole patches."""
    front = _drawn(pose)
    ghost = np.zeros_like(front)
    if pose.thickness is not None:
        ghost = _drawn(pose, deeper=True) * (1 - front)
    if noise:
        rng = np.random.default_rng(seed)
        front, ghost = (
            np.clip(v + cv2.GaussianBlur(rng.normal(0, noise * 8, v.shape), (0, 0), 2.0), 0, 1)
            for v in (front, ghost)
        )
    soft = [cv2.GaussianBlur(v.astype(np.float32), (0, 0), 0.6) for v in (front, ghost)]
    return Print(*(np.asarray(v, np.float32) for v in soft), np.ones_like(front), 1.0)


def _apart_deg(one: GridPose, other: GridPose) -> float:
    return math.degrees(float(np.linalg.norm(print_fit.apart(one, other))))


@pytest.mark.parametrize("thickness", [None, 0.3])
def test_what_is_expected_is_what_is_drawn(thickness: float | None) -> None:
    pose = _pose(thickness=thickness)
    some = Pixels.of(_print(pose), 1, 0.6)
    front, *rest = layers(pose, landed(pose, some.at), Inked(INK_HALF), 0.9)
    ghost = rest[0] if rest else None
    assert np.abs(front - some.front).mean() < 0.004
    assert np.corrcoef(front, some.front)[0, 1] > 0.985
    assert (ghost is None) == (thickness is None)
    if ghost is not None:
        assert np.corrcoef(ghost, some.ghost)[0, 1] > 0.975


def test_nothing_is_expected_above_the_horizon() -> None:
    pose = _pose(elevation=13.0)
    turned = replace(pose, rotation=cv2.Rodrigues(np.array([-0.3, 0, 0]))[0] @ pose.rotation)
    at = np.array([[300.0, 5.0], [500.0, 20.0]])
    rays = turned.camera.ray(at) @ turned.rotation
    assert (rays[:, 2] > 0).all()
    (front,) = layers(turned, landed(turned, at), Inked(INK_HALF), 1.0)
    assert np.isfinite(front).all()


@pytest.mark.parametrize("thickness", [None, 0.3])
def test_slopes_against_finite_differences(thickness: float | None) -> None:
    pose = _pose(thickness=thickness)
    some = Pixels.of(_print(pose, noise=0.05), 7, 3.0).near(pose, Inked(INK_HALF), 8.0)
    unknown = [k for k in range(11) if k != print_fit.GHOST or thickness]
    stage = print_fit._Stage(pose, Inked(INK_HALF), some, unknown, PRIOR, 7)
    aside = np.resize([0.5, -0.4, 0.3], len(unknown)) * print_fit.SCALE[unknown]
    ours = stage.slopes(aside)

    def summed(p: Array) -> Array:
        """Of all pixels, so that the corners of borders that fade even out."""
        miss = stage.missed(p)
        return np.array([0.5 * miss @ miss])

    theirs = approx_fprime(aside, lambda p: summed(p)[0], 1e-6)
    gradient = ours.T @ stage.missed(aside)
    ours_scaled, theirs_scaled = (v * print_fit.SCALE[unknown] for v in (gradient, theirs))
    # what the change of scale from pixel to pixel does to widths is left out of ours
    ours_long, theirs_long = np.linalg.norm(ours_scaled), np.linalg.norm(theirs_scaled)
    assert ours_scaled @ theirs_scaled > 0.99 * ours_long * theirs_long
    assert ours_long == pytest.approx(theirs_long, rel=0.15)


@pytest.mark.parametrize(("thickness", "far"), [(None, 7.5), (0.27, 7.5), (None, 5.0), (0.4, 5.0)])
def test_a_rough_start_comes_to_the_pose_that_was_drawn(
    thickness: float | None, far: float
) -> None:
    pose = _pose(thickness=thickness, far=far)
    start = replace(
        pose, rotation=cv2.Rodrigues(np.array([0.02, -0.01, 0.006]))[0] @ pose.rotation,
        origin=pose.origin * (1.02, 0.98, 1.01), thickness=None,
    )  # fmt: skip
    found = best_fits([start], _print(pose, noise=0.03), PRIOR)
    assert found and found[0].holds
    assert _apart_deg(found[0].pose, pose) < 0.25
    assert found[0].ink.half == pytest.approx(INK_HALF, rel=0.15)
    if thickness is None:
        assert found[0].pose.thickness is None
    else:
        assert found[0].pose.thickness == pytest.approx(thickness, abs=0.01)
        assert found[0].pose.layers_told


def test_fits_scatter_less_than_they_state() -> None:
    pose = _pose(thickness=0.3, far=9.0)
    turns, stated = [], []
    for seed in range(8):
        fit = fitted(Fit(pose, Inked(INK_HALF), 0, 0, None), _print(pose, 0.06, seed), PRIOR)
        assert fit is not None
        turns.append(print_fit.apart(fit.pose, pose))
        stated.append(np.sqrt(np.diag(fit.pose.covariance)[:3]))
    assert (np.std(turns, axis=0) < np.mean(stated, axis=0)).all()


def test_ghosts_taken_for_print_do_not_hold() -> None:
    """The wrong way round, or a lattice turned aside, explains too little."""
    pose = _pose(thickness=0.3)
    seen = _print(pose)
    swapped = replace(seen, front=seen.ghost, ghost=seen.front)
    fits = best_fits([pose], swapped, PRIOR)
    assert not any(fit.holds for fit in fits)
    turned = replace(pose, rotation=pose.rotation @ cv2.Rodrigues(np.array([0, 0, 0.2]))[0])
    assert not any(fit.holds for fit in best_fits([turned], seen, PRIOR))


def test_one_line_each_way_is_found_by_its_ticks_if_the_lens_is_known() -> None:
    pose = _pose(elevation=38.0, far=5.0)
    seen = _print(pose, noise=0.03)
    known = find_shown(seen, FocalPrior(FOCAL * 1.02, 0.05))
    assert known is not None
    assert min(len(known.columns), len(known.rows)) == 1
    stated = math.degrees(math.sqrt(float(np.trace(known.covariance[:3, :3]))))
    assert _apart_deg(known, pose) < max(3 * stated, 0.3)
    assert find_shown(seen, FocalPrior(FOCAL, 0.5, source="guess")) is None


def test_what_is_no_print_is_no_grid() -> None:
    rng = np.random.default_rng(3)
    front = np.zeros((HEIGHT, WIDTH), np.float32)
    for _ in range(14):
        a, b = rng.integers(0, (WIDTH, HEIGHT), (2, 2))
        cv2.line(front, [int(v) for v in a], [int(v) for v in b], 1.0, 5, cv2.LINE_AA)
    nothing = np.zeros_like(front)
    seen = Print(front, nothing, np.ones_like(front), 1.0)
    assert find_shown(seen, FocalPrior(FOCAL, 0.05)) is None
    assert find_shown(replace(seen, front=nothing), FocalPrior(FOCAL, 0.05)) is None


def test_the_network_sees_print() -> None:
    """A drawn mirror of `tests.scenes.raster`: print where it lies, nothing far from it."""
    from tests.scenes import raster

    rgb, truth, _ = raster.draw_cantilever(
        np.random.default_rng(5), surface="mirror", pitch_mm=10.0, field_mm=19.0,
        elevation_deg=40.0,
    )  # fmt: skip
    seen = look(rgb)
    assert seen.front.shape == (HEIGHT, WIDTH) and seen.k == pytest.approx(rgb.shape[1] / WIDTH)
    x, y = (np.array(truth["points_px"]["null"]) + 0.5) / seen.k - 0.5
    assert seen.front[round(y) + 40, round(x) - 3 : round(x) + 60].max() > 0.5
    assert 0.005 < (seen.front > 0.5).mean() < 0.2
    assert INK == 5
