"""Cantilever: plane pose against OpenCV, the solve against direct construction, drawn scenes.

Outside checks: `cv2.solvePnP` and `cv2.findHomography` (plane pose), Snell's law solved with
`scipy.optimize.brentq` (back-silvered glass; `grid_views`), pictures of `skimage.data`
(things that are no cantilever), and scenes built directly in three dimensions.
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import PIL.Image
import pytest
from numpy.typing import NDArray
from skimage import data
from skimage.measure import LineModelND, ransac

from tests.grid_views import grid_pose, seen_in_mirror
from tests.scenes import raster
from vision import cantilever, rod
from vision.camera import Camera
from vision.cantilever import combine_cantilever_photos, find_cantilever, read_cantilever
from vision.cantilever_solve import (
    LIMB_FLOOR_PX,
    CantileverLines,
    combine_cantilever,
    solve_cantilever,
)
from vision.grid import GLASS_INDEX, GridPose, find_grid
from vision.ink import find_ink
from vision.measure import Options, measure_file
from vision.photo import FocalPrior, Photo, load_photo
from vision.reading import Reading, Refusal
from vision.rod import RISE_DEG, RISE_U_DEG, Limb, Rod
from vision.rod_kinds import BODY, HEIGHT, ROD, WIDTH, Shown, look, rod_outline
from vision.rod_rise import RISES_DEG, rise_likelihood
from vision.rod_sight import image_points

Array = NDArray[np.float64]
TOL_NORMAL_DEG = 0.10  # a sharp 1200 px grid fixes the tilt to a few hundredths
TOL_SOLVE_DEG = 0.03  # the rise prior pulls a noiseless solve by less than this
TOL_SNELL_PX = 1e-3
RISE_TOLD_SD_DEG = 1.5  # by a reflection


# ----------------------------------------------------------------- scenes by construction


def _along(turn_deg: float, rise_deg: float) -> Array:
    t, r = math.radians(turn_deg), math.radians(rise_deg)
    return np.array([-math.sin(t) * math.cos(r), math.cos(t) * math.cos(r), math.sin(r)])


def _silhouette(eye: Array, start: Array, d: Array, radius: float, length: float) -> list[Array]:
    """The two lines along a cylinder where rays from ``eye`` touch it, (2 ends, 3) each."""
    across = (eye - start) - ((eye - start) @ d) * d
    distance = float(np.linalg.norm(across))
    u = across / distance
    v = np.cross(d, u)
    half = math.acos(radius / distance)
    out = []
    for sign in (1, -1):
        touch = start + radius * (math.cos(half) * u + sign * math.sin(half) * v)
        out.append(np.array([touch, touch + length * d]))
    return out


def _limb(ends: Array, sd_px: float = 0.02) -> Limb:
    length = float(np.hypot(*(ends[1] - ends[0])))
    return Limb(ends[0], ends[1], sd_px, sd_px * 3.5 / length, sd_px, 1.0, 9.0, np.empty((0, 2)))


def _pixels(pose: GridPose, points: Array) -> Array:
    return pose.project(points)


def _lines(
    pose: GridPose, turn_deg: float, rise_deg: float, reflected: bool = True, radius: float = 0.05
) -> CantileverLines:
    """What a perfect finder would return for a cylinder over the grid, on a mirror or on paper."""
    d = _along(turn_deg, rise_deg)
    start = np.array([0.1, 0.05, 0.12])
    eye = -pose.origin @ pose.rotation
    limbs = [_limb(_pixels(pose, e)) for e in _silhouette(eye, start, d, radius, 0.9)]
    limbs.sort(key=lambda limb: limb.p[0] + limb.q[0])
    rod = Rod(limbs[0], limbs[1], 100.0, float(np.linalg.norm(limbs[1].p - limbs[0].p)))
    if not reflected:
        return CantileverLines(pose, rod, plain=True)
    axis = seen_in_mirror(pose, np.array([start, start + 0.9 * d]))
    return CantileverLines(pose, rod, np.array([axis, axis]), rises=_told(rise_deg, 0.5))


def _told(rise_deg: float, sd_deg: float) -> Array:
    """What a reflection that tells the rise with a standard deviation says of each rise."""
    return np.asarray(-0.5 * ((RISES_DEG - rise_deg) / sd_deg) ** 2)


# ----------------------------------------------------------------- solve


@pytest.mark.parametrize("seed", range(12))
def test_solve_against_direct_construction(seed: int) -> None:
    rng = np.random.default_rng(seed)
    thickness = None if seed % 3 else float(rng.uniform(0.2, 0.8))
    pose = grid_pose(
        rng.uniform(25, 50), rng.uniform(-13, 13), rng.uniform(-4, 4), 9000.0, thickness
    )
    turn, rise = float(rng.uniform(-8, 8)), float(rng.uniform(15, 26))
    if abs(pose_elevation(pose) - rise) < 6:  # the reflection points at the camera
        rise = 15.0
    reading = solve_cantilever(_lines(pose, turn, rise))
    assert isinstance(reading, Reading)
    slack = TOL_SOLVE_DEG if thickness is None else 0.06
    assert reading.value == pytest.approx(turn, abs=max(slack, 0.5 * reading.standard_uncertainty))


def pose_elevation(pose: GridPose) -> float:
    return math.degrees(math.asin(-pose.normal[2]))


def test_refraction_against_snells_law() -> None:
    pose = grid_pose(28, 9, 2, thickness=0.7)
    points = np.array([[0.0, 0.0, 0.1], [0.4, 0.8, 0.5], [-0.6, 1.5, 0.9]])
    expected = seen_in_mirror(pose, points)
    assert np.allclose(image_points(points, pose), expected, atol=TOL_SNELL_PX)


def test_without_reflection_the_rise_prior_is_in_the_budget() -> None:
    pose = grid_pose(40, 8, 0)
    lines = _lines(pose, 3.0, 24.0, reflected=False)
    reading = solve_cantilever(lines)
    assert isinstance(reading, Reading)
    # on a mirror another photo would tell more
    assert isinstance(solve_cantilever(replace(lines, plain=False)), Refusal)
    assert {"no_reflection", "rise_assumed"} <= set(reading.flags)
    prior = next(p for p in reading.budget if p.name == "priors used")
    # dpsi/dr = sin psi / (cos^2 r (tan e + cos psi tan r)), psi from the camera
    psi, r, e = math.radians(3.0 + 8.0), math.radians(20), math.radians(40)
    slope = math.sin(psi) / (math.cos(r) ** 2 * (math.tan(e) + math.cos(psi) * math.tan(r)))
    assert prior.standard_uncertainty == pytest.approx(abs(slope) * 4.0, rel=0.12)
    assert abs(reading.value - 3.0) < reading.expanded_uncertainty


@pytest.mark.parametrize(("sd_deg", "assumed"), [(1.0, False), (40.0, True)])
def test_a_rise_told_without_an_image_is_not_called_assumed(sd_deg: float, assumed: bool) -> None:
    lines = _lines(grid_pose(40, 4, 0), 3.0, 24.0, reflected=False)
    reading = solve_cantilever(replace(lines, rises=_told(24.0, sd_deg)))
    assert isinstance(reading, Reading) and "no_reflection" in reading.flags
    assert ("rise_assumed" in reading.flags) == assumed


def test_left_and_right_photo_solved_jointly_need_no_reflection() -> None:
    rise = 26.0
    left = _lines(grid_pose(38, 7, 1), 2.5, rise, reflected=False)
    right = _lines(grid_pose(42, -9, -2), 2.5, rise, reflected=False)
    alone = solve_cantilever(left)
    both = combine_cantilever(left, right)
    assert isinstance(both, Reading) and isinstance(alone, Reading)
    assert abs(both.value - 2.5) < 0.1 < abs(alone.value - 2.5)
    assert both.standard_uncertainty < 0.5 * alone.standard_uncertainty


def test_a_photo_whose_edges_are_in_doubt_counts_less_beside_a_clear_one() -> None:
    left = _lines(grid_pose(38, 11, 1), 2.5, 22.0, reflected=False)
    right = _lines(grid_pose(42, -9, -2), 2.5, 22.0, reflected=False)
    wrong = _lines(grid_pose(38, 11, 1), 4.0, 22.0, reflected=False)  # such as a highlight
    pulled = combine_cantilever(wrong, right)
    doubted = combine_cantilever(replace(wrong, others=((left.rod, 1.0),)), right)
    assert isinstance(pulled, Reading) and isinstance(doubted, Reading)
    assert abs(doubted.value - 2.5) < 0.9 * abs(pulled.value - 2.5)
    assert abs(doubted.value - 2.5) < doubted.expanded_uncertainty


def test_photos_that_leave_the_direction_open_are_refused_together_too() -> None:
    lines = [_lines(grid_pose(40, aside, 0), 2.0, 20.0, reflected=False) for aside in (9, -9)]
    far = _lines(grid_pose(40, 9, 0), 6.5, 20.0, reflected=False).rod
    other = _lines(grid_pose(40, -9, 0), 6.5, 20.0, reflected=False).rod
    open_ = [
        replace(photo, others=((rod, 1.0),)) for photo, rod in zip(lines, (far, other), strict=True)
    ]
    assert isinstance(combine_cantilever(*lines), Reading)
    assert isinstance(combine_cantilever(*open_), Refusal)


def test_stated_uncertainty_matches_scatter() -> None:
    """z over simulated limb errors of the stated size has RMS near 1 (honesty of the solve)."""
    rng = np.random.default_rng(5)
    z = []
    for _ in range(150):
        pose = grid_pose(rng.uniform(30, 50), rng.uniform(-12, 12), rng.uniform(-3, 3))
        turn, rise = rng.uniform(-8, 8), rng.normal(20, 4)
        if abs(pose_elevation(pose) - rise) < 8:
            continue
        lines = _lines(pose, float(turn), float(rise))
        limbs = [_shaken(v, LIMB_FLOOR_PX, rng) for v in (lines.rod.left, lines.rod.right)]
        told = _told(float(rng.normal(rise, RISE_TOLD_SD_DEG)), RISE_TOLD_SD_DEG)
        noisy = replace(lines, rod=Rod(limbs[0], limbs[1], 100, 20), rises=told)
        reading = solve_cantilever(noisy)
        if isinstance(reading, Reading):
            z.append((reading.value - turn) / reading.standard_uncertainty)
    assert len(z) > 80
    assert 0.8 < float(np.sqrt(np.mean(np.square(z)))) < 1.25
    assert np.mean(np.abs(z) < 2) > 0.88


def _shaken(limb: Limb, floor_px: float, rng: np.random.Generator) -> Limb:
    """A limb moved at random by what the solve assumes: offset, and a bend over its length."""
    d = limb.q - limb.p
    length = float(np.hypot(*d))
    normal = np.array([-d[1], d[0]]) / length
    offset = rng.normal(0, math.hypot(limb.offset_sd, floor_px))
    angle = rng.normal(0, math.hypot(limb.angle_sd, floor_px * math.sqrt(12) / length))
    return Limb(
        limb.p + (offset - angle * length / 2) * normal,
        limb.q + (offset + angle * length / 2) * normal,
        *(limb.offset_sd, limb.angle_sd, limb.scatter_px, limb.coverage, limb.strength),
        limb.points,
    )


# ----------------------------------------------------------------- grid


def _grid_picture(pose: GridPose, k1: float = 0.0) -> NDArray[np.float32]:
    """A printed grid drawn through the pose: nearest line in grid coordinates, 2 x 2 samples."""
    camera = Camera(pose.camera.f, 799.5, 599.5, k1, 1000.0)
    total = np.zeros((1200, 1600))
    for dx in (-0.25, 0.25):
        for dy in (-0.25, 0.25):
            x, y = np.meshgrid(np.arange(1600) + dx, np.arange(1200) + dy)
            rays = camera.ray(np.stack([x.ravel(), y.ravel()], 1)) @ pose.rotation
            start = -pose.origin @ pose.rotation
            grid = start[:2] - rays[:, :2] * (start[2] / rays[:, 2])[:, None]
            ink = (np.abs(grid - np.round(grid)) < 0.02).any(axis=1)
            total += np.where(ink, 0.1, 0.85).reshape(1200, 1600)
    picture = cv2.GaussianBlur((total / 4).astype(np.float32), (0, 0), 1.0)
    return np.clip(picture + np.random.default_rng(1).normal(0, 0.01, picture.shape), 0, 1).astype(
        np.float32
    )


@pytest.mark.parametrize(
    ("elevation", "aside", "roll", "k1"), [(28, 9, 3, 0.0), (45, -6, -2, -0.03)]
)
def test_plane_pose_against_opencv(elevation: float, aside: float, roll: float, k1: float) -> None:
    pose = grid_pose(elevation, aside, roll)
    found = find_grid(_grid_picture(pose, k1), FocalPrior(9000 * 1.03, 0.05))
    assert found is not None
    nodes = np.array([[x, y, 0.0] for x in (-1, 0, 1, 2) for y in (-1, 0, 1, 2)])
    straight = Camera(9000.0, 799.5, 599.5)
    pixels = straight.project(pose.to_camera(nodes))
    matrix = np.array([[9000.0, 0, 799.5], [0, 9000.0, 599.5], [0, 0, 1]])
    ok, rvec, _ = cv2.solvePnP(nodes, pixels, matrix, None)
    assert ok
    theirs = cv2.Rodrigues(rvec)[0]
    for ours, column in ((found.normal, 2), (found.along, 1)):
        angle = math.degrees(math.acos(min(1.0, float(ours @ theirs[:, column]))))
        assert angle < TOL_NORMAL_DEG
    assert found.camera.f == pytest.approx(9000, rel=0.02)
    # the same lattice, up to a shift by whole cells: homography found by OpenCV on its nodes
    near = np.round(found.on_sheet(found.camera.distort(pixels)))
    homography, _ = cv2.findHomography(nodes[:, :2], near)
    assert homography is not None
    assert np.allclose(homography[:2, :2], np.eye(2), atol=1e-6)


def test_ghost_of_a_back_silvered_mirror_gives_the_glass() -> None:
    pose = grid_pose(32, 10, 1)
    picture = _grid_picture(pose)
    rays = None
    camera = pose.camera
    x, y = np.meshgrid(np.arange(1600.0), np.arange(1200.0))
    rays = camera.ray(np.stack([x.ravel(), y.ravel()], 1)) @ pose.rotation
    start = -pose.origin @ pose.rotation
    grid = start[:2] - rays[:, :2] * (start[2] / rays[:, 2])[:, None]
    sine = np.hypot(rays[:, 0], rays[:, 1]) / GLASS_INDEX  # Snell, then twice through 0.4 pitch
    run = 2 * 0.4 * np.tan(np.arcsin(sine))
    ghost = grid + run[:, None] * rays[:, :2] / np.hypot(rays[:, :1], rays[:, 1:2])
    ink = (np.abs(ghost - np.round(ghost)) < 0.02).any(axis=1).reshape(1200, 1600)
    layered = np.minimum(picture, cv2.GaussianBlur(np.where(ink, 0.3, 1.0), (0, 0), 1.0))
    found = find_grid(layered.astype(np.float32), FocalPrior(9000, 0.05))
    assert found is not None and found.thickness is not None
    assert found.thickness == pytest.approx(0.4, abs=0.02)
    angle = math.degrees(math.acos(min(1.0, float(found.normal @ pose.normal))))
    assert angle < 0.3  # ghosts beside their lines blur into them


# ----------------------------------------------------------------- drawn scenes


def _photo(drawing: raster.Drawing, flip: bool = False) -> tuple[Photo, float]:
    rgb, truth, focal_px = drawing
    if flip:
        rgb = np.ascontiguousarray(rgb[:, ::-1])
    sign = -1.0 if flip else 1.0
    photo = Photo("drawn", rgb, "0" * 64, FocalPrior(focal_px, 0.05))
    return photo, sign * float(truth["truth_deg"])


@pytest.mark.parametrize(
    ("surface", "turn", "sheet", "aside", "elevation"),
    [
        ("mirror", 3.0, -4.0, 9.0, 38.0),
        ("mirror", -5.0, 6.0, -7.0, 45.0),
        ("paper", 4.0, 2.0, 3.0, 45.0),
    ],
)
def test_drawn_scene(
    surface: str, turn: float, sheet: float, aside: float, elevation: float
) -> None:
    drawing = raster.draw_cantilever(
        np.random.default_rng(3),
        cantilever_deg=turn,
        sheet_yaw_deg=sheet,
        surface=surface,
        off_axis_deg=aside,
        elevation_deg=elevation,
        rod_grey=0.85 if surface == "mirror" else 0.35,
    )
    photo, truth = _photo(drawing)
    reading = read_cantilever(photo, Options())
    assert isinstance(reading, Reading)
    assert abs(reading.value - truth) < max(2.5 * reading.standard_uncertainty, 0.2)
    names = [line.name for line in reading.lines]
    assert {"left edge", "right edge", "axis", "grid line"} <= set(names)
    assert len(names) == len(set(names))
    assert {p.name for p in reading.budget} >= {
        "edge fit",
        "surface reference",
        "camera direction",
        "focal length and principal point",
        "lens distortion",
        "priors used",
    }


def test_a_mirrored_picture_turns_the_sign() -> None:
    drawing = raster.draw_cantilever(np.random.default_rng(4), cantilever_deg=5.0)
    there, truth = _photo(drawing)
    back, minus = _photo(drawing, flip=True)
    a, b = read_cantilever(there, Options()), read_cantilever(back, Options())
    assert isinstance(a, Reading) and isinstance(b, Reading)
    assert minus == -truth
    assert a.value > 0 > b.value
    assert a.value == pytest.approx(-b.value, abs=2.5 * a.standard_uncertainty + 0.1)


def test_lines_drawn_by_a_person_give_the_same_reading() -> None:
    photo, truth = _photo(raster.draw_cantilever(np.random.default_rng(6), cantilever_deg=-3.0))
    found = find_cantilever(photo, Options())
    assert isinstance(found, CantileverLines)
    marks = {}
    for segment, shift in zip(found.segments()[:2], ((4.0, 3.0), (-3.0, 5.0)), strict=True):
        marks[segment.name] = (
            (segment.x0 + shift[0], segment.y0 + 10),
            (segment.x1 + shift[1], segment.y1 - 10),
        )
    assert set(marks) == {"left edge", "right edge"}
    by_hand = read_cantilever(photo, Options(marks=marks))
    assert isinstance(by_hand, Reading)
    assert abs(by_hand.value - truth) < max(2.5 * by_hand.standard_uncertainty, 0.2)


def test_a_missing_mark_is_asked_for() -> None:
    photo, _ = _photo(raster.draw_cantilever(np.random.default_rng(6)))
    outcome = read_cantilever(photo, Options(marks={"left edge": ((800, 700), (800, 500))}))
    assert isinstance(outcome, Refusal)
    assert "right edge" in outcome.reason


@pytest.mark.parametrize("name", ["astronaut", "coffee", "checkerboard", "coins", "brick", "text"])
def test_other_subjects_are_refused(name: str) -> None:
    """Pictures of skimage.data show no cantilever over a grid: no number may come out."""
    picture = getattr(data, name)()
    if picture.ndim == 2:
        picture = np.repeat(picture[:, :, None], 3, axis=2)
    scale = 1200 / max(picture.shape)
    rgb = cv2.resize(np.ascontiguousarray(picture[:, :, :3]), None, fx=scale, fy=scale)
    photo = Photo(name, rgb, "0" * 64, FocalPrior(1200.0, 0.05))
    assert isinstance(read_cantilever(photo, Options()), Refusal)


def test_a_bare_grid_is_refused() -> None:
    grey = (_grid_picture(grid_pose(35, 5, 1)) * 255).astype(np.uint8)
    photo = Photo("grid", np.repeat(grey[:, :, None], 3, axis=2), "0" * 64, FocalPrior(9000, 0.05))
    assert isinstance(read_cantilever(photo, Options()), Refusal)


# ----------------------------------------------------------------- limbs and doubts


def test_a_second_edge_beside_part_of_a_limb_has_no_say() -> None:
    """Consensus line against skimage's RANSAC on points of two parallel edges."""
    rng = np.random.default_rng(4)
    s = np.linspace(-100, 100, 60)
    t = 0.4 + 0.006 * s + rng.normal(0, 0.08, 60)
    t[:18] += 1.8  # a highlight beside the lower third
    offset, slope = rod._consensus(s, t, np.ones(60))
    model, _ = ransac(
        np.column_stack([s, t]), LineModelND, min_samples=2, residual_threshold=0.4, rng=1
    )
    (x0, y0), (dx, dy) = model.origin, model.direction
    assert abs(slope - dy / dx) < 0.003
    assert abs(offset - (y0 - x0 * dy / dx)) < 0.2
    assert abs(np.polyfit(s, t, 1)[0] - 0.006) > 0.004  # plain least squares is misled


@pytest.mark.parametrize("rise", [15.0, 20.0, 23.0, 26.0])
def test_the_whole_reflection_tells_the_rise(rise: float) -> None:
    """A mirrored cylinder, printed lines over it, the cylinder over both: drawn with OpenCV."""
    pose = grid_pose(42, 12, 0)
    lines = _lines(pose, 2.0, rise)
    start, d = np.array([0.1, 0.05, 0.12]), _along(2.0, rise)
    eye = -pose.origin @ pose.rotation
    picture = np.full((1200, 1600, 3), 150, np.uint8)
    for flip in (-1, 1):
        a, b = _silhouette(eye, start * (1, 1, flip), d * (1, 1, flip), 0.05, 0.9)
        outline = _pixels(pose, np.concatenate([a, b[::-1]]))
        cv2.fillPoly(picture, [np.round(outline).astype(np.int32)], (90, 80, 70))
        if flip == -1:
            _print_lattice(picture, pose)
    noise = np.random.default_rng(3).normal(0, 6, picture.shape)
    noisy = np.clip(picture + noise, 0, 255).astype(np.uint8)
    found = rise_likelihood(noisy, find_ink(noisy, pose), lines.rod)
    assert found is not None
    weighed = found - 0.5 * ((RISES_DEG - RISE_DEG) / RISE_U_DEG) ** 2  # as the reading does
    assert abs(RISES_DEG[np.argmax(weighed)] - rise) < 1.1


def _print_lattice(picture: NDArray[np.uint8], pose: GridPose) -> None:
    w = pose.ink_half_width
    for k in range(-4, 5):
        column = [[k - w, -4, 0], [k + w, -4, 0], [k + w, 4, 0], [k - w, 4, 0]]
        for corners in (np.array(column), np.array(column)[:, [1, 0, 2]]):
            outline = np.round(pose.project(corners) * 16).astype(np.int32)
            cv2.fillConvexPoly(picture, outline, (30, 30, 30), cv2.LINE_AA, 4)


def test_edges_of_bold_columns_are_known() -> None:
    """Half widths of columns drawn with OpenCV, one of them bold."""
    pose = grid_pose(40, 0, 0, f=9000.0)
    picture = np.full((1200, 1600, 3), 220, np.uint8)
    for column in range(-3, 4):
        half = 0.03 if column == 0 else 0.015
        corners = [[column - half, -3, 0], [column + half, -3, 0],
                   [column + half, 3, 0], [column - half, 3, 0]]  # fmt: skip
        outline = np.round(pose.project(np.array(corners, float)) * 16).astype(np.int32)
        cv2.fillConvexPoly(picture, outline, (30, 30, 30), cv2.LINE_AA, 4)
    pose = replace(pose, ink_half_width=0.015)
    ink = find_ink(picture, pose)
    assert set(ink.bold) == {0}
    assert abs(ink.bold[0] - 0.03) < 0.004
    at = pose.camera.undistort(pose.project(np.array([[0.03, 0.2, 0.0], [0.5, 0.2, 0.0]])))
    assert ink.edge_near(at, 0.004).tolist() == [True, False]
    assert ink.covers(at, 0.002)[:, 0].tolist() == [True, False]


@pytest.mark.parametrize("cantilever_deg", [0.0, 0.05])
def test_a_true_cantilever_photographed_straight_along_its_line_is_read(
    cantilever_deg: float,
) -> None:
    photo, truth = _photo(
        raster.draw_cantilever(
            np.random.default_rng(5), cantilever_deg, off_axis_deg=0.0, elevation_deg=48.0
        )
    )
    outcome = read_cantilever(photo, Options())
    assert isinstance(outcome, Reading)
    assert abs(outcome.value - truth) <= outcome.expanded_uncertainty


def test_photos_read_before_are_not_searched_again(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Solving jointly gives the same from lines at hand as from lines found anew."""
    sources, readings = [], []
    for aside in (8.0, -8.0):
        rgb, _, focal_px = raster.draw_cantilever(
            np.random.default_rng(3), 4.0, surface="paper", off_axis_deg=aside, rod_grey=0.35
        )
        source = tmp_path / f"{aside}.png"
        PIL.Image.fromarray(rgb).save(source)
        sources.append(str(source))
        photo = replace(load_photo(source), focal=FocalPrior(focal_px, 0.05))
        reading = read_cantilever(photo, Options())
        assert isinstance(reading, Reading)
        readings.append(replace(reading, sha256=photo.sha256))
    searched: list[str] = []
    find = cantilever.find_cantilever

    def counted(photo: Photo, options: Options) -> CantileverLines | Refusal:
        searched.append(photo.name)
        return find(photo, options)

    monkeypatch.setattr(cantilever, "find_cantilever", counted)
    joint = combine_cantilever_photos(sources, readings, Options())
    assert searched == []
    monkeypatch.setattr(cantilever, "_FOUND", {})
    anew = combine_cantilever_photos(sources, readings, Options())
    assert len(searched) == 2
    assert isinstance(joint, Reading) and isinstance(anew, Reading)
    assert joint.value == pytest.approx(anew.value, abs=0.5)
    assert abs(joint.value - 4.0) <= joint.expanded_uncertainty


def _sample_rgb() -> np.ndarray:
    return load_photo(Path(__file__).parents[1] / "sample_images" / "cantilever-2.jpg").rgb


def _as_png(rgb: np.ndarray) -> bytes:
    ok, data = cv2.imencode(".png", cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR))
    assert ok
    return data.tobytes()


def test_glare_over_the_upper_end_is_refused() -> None:
    rgb = _sample_rgb().copy()
    assert isinstance(measure_file(_as_png(rgb), "cantilever"), Reading)
    outline = rod_outline(look(rgb))
    assert outline is not None
    low, high = outline.axis
    up = (high - low) / np.linalg.norm(high - low)
    centre = np.rint(high + 2.2 * outline.width * up).astype(int)
    cv2.circle(rgb, tuple(map(int, centre)), round(2.2 * outline.width), (255, 255, 255), -1)
    outcome = measure_file(_as_png(rgb), "cantilever")
    assert isinstance(outcome, Refusal)
    assert "Glare" in outcome.reason


@pytest.mark.parametrize("quantity", ["rake", "cantilever", "azimuth"])
def test_a_nearly_black_photo_is_refused(quantity: str) -> None:
    dark = (_sample_rgb() * 0.12).astype(np.uint8)
    outcome = measure_file(_as_png(dark), quantity)
    assert isinstance(outcome, Refusal)
    assert "black" in outcome.reason


def test_what_stands_far_off_the_printed_line_is_no_cantilever() -> None:
    """Such as the body's edge; people turn the sheet along the cantilever (common practice)."""
    pose = grid_pose(40, 3, 0)
    assert isinstance(solve_cantilever(_lines(pose, 12.0, 20.0)), Reading)
    refused = solve_cantilever(_lines(pose, 20.0, 20.0))
    assert isinstance(refused, Refusal) and "20° off" in refused.reason


def test_faint_edges_under_a_body_without_a_rod_are_no_cantilever() -> None:
    """What a network shows of a body whose cantilever lies outside the picture."""
    share = np.zeros((6, HEIGHT, WIDTH), np.float32)
    share[0] = 1
    share[:, :60], share[BODY, :60] = 0, 1
    cropped = Shown(share, 4.0)
    whole = Shown(share.copy(), 1.0)
    whole.share[:, 60:100, 200:206], whole.share[ROD, 60:100, 200:206] = 0, 1
    rod_ = _lines(grid_pose(40, 8, 0), 2.0, 20.0).rod
    length = float(np.linalg.norm(rod_.axis[1] - rod_.axis[0]))
    faint, clear = (replace(rod_, score=share * length) for share in (0.018, 0.06))
    assert cropped.rod_missing and not whole.rod_missing
    assert cantilever._made_up(faint, None, cropped)
    assert not cantilever._made_up(clear, None, cropped)
    assert not cantilever._made_up(faint, None, whole)
    # and edges in the midst of what looks like a body are its own
    inside = Shown(np.zeros_like(share), 4.0)
    inside.share[BODY] = 1
    assert inside.rod_missing
    assert cantilever._made_up(clear, None, inside)
