"""Printed grid: derivatives, few lines with the null's comb, glass, pictures without a grid.

Outside checks: `scipy.optimize.approx_fprime` (derivatives), scenes of `tests.scenes.raster` whose
camera and sheet come from `tests.scenes.world` (written apart from the package), Snell's law solved
with `scipy.optimize.brentq`, and pictures of `skimage.data` (things that are no grid).
"""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import approx_fprime, brentq
from scipy.spatial.transform import Rotation
from skimage import data

from tests.grid_views import grid_pose
from tests.scenes import raster, world
from vision import grid
from vision.camera import Camera
from vision.cantilever import find_cantilever
from vision.grid import GLASS_INDEX, GridPose, find_grid
from vision.grid_choose import on_common_ground, well_seen, with_layer_doubt, with_rivals
from vision.grid_comb import _at_half, tick_ends, with_cells_told, with_end_bias
from vision.grid_fit import fit, moved_by, residuals
from vision.grid_guess import twice_as_large
from vision.grid_lines import Line, Ridges
from vision.grid_match import Match, doubled
from vision.grid_ticks import ticked
from vision.ink import share_beside_lattice
from vision.measure import Options
from vision.photo import FocalPrior, Photo
from vision.reading import Refusal
from vision.rod_kinds import HEIGHT, INK, WIDTH, Shown

Array = NDArray[np.float64]
SIZE = (1600, 1200)
TOL_DEG = 0.08  # a sharp picture with two lines each way and the comb
TOL_ENDS_DEG = 0.5  # one column: the scale across comes from ends of ticks alone
TOL_NULL_PX = 0.6


def _angle(a: Array, b: Array) -> float:
    return math.degrees(math.acos(min(1.0, float(a @ b))))


@pytest.mark.parametrize("thickness", [None, 0.6])
def test_derivatives_against_finite_differences(thickness: float | None) -> None:
    rng = np.random.default_rng(2)
    pose = grid_pose(33, 8, 2, 7000.0, thickness)
    n = 12
    xy = rng.uniform((100, 100), (1500, 1100), (n, 2))
    share = rng.choice([0.0, 0.5, 1.0], n) if thickness else np.zeros(n)
    matched = Match(
        np.arange(n), rng.integers(0, 2, n), np.zeros(n), share > 0.7, np.zeros(n), share,
        np.ones(n), np.zeros(n), np.full(n, 60.0),
    )  # fmt: skip
    _, jacobian = residuals(pose, xy, matched)
    last = 9 if thickness else 8
    for k in range(n):
        one = matched.picked(np.array([k]))
        place = xy[k : k + 1]

        def miss(p: Array, one: Match = one, place: Array = place) -> float:
            return float(residuals(moved_by(pose, p), place, one)[0][0])

        theirs = approx_fprime(np.zeros(9), miss, 1e-7)
        assert np.allclose(jacobian[k, :last], theirs[:last], rtol=2e-4, atol=2e-2)


def test_cells_twice_as_large_have_their_nodes_on_every_other_line() -> None:
    pose = replace(grid_pose(35, 6, 1, thickness=0.8), columns=(-3, -1, 1), rows=(-2, -1, 0, 1))
    larger = twice_as_large(pose)
    assert len(larger) == 2  # odd columns; rows of either parity
    nodes = np.array([[x, y, 0.0] for x in (-1, 0, 1) for y in (-1, 0, 1)])
    for one, parity in zip(larger, (0, 1), strict=True):
        small = pose.on_sheet(one.project(nodes))
        assert np.allclose(small, 2 * nodes[:, :2] + (1, parity), atol=1e-9)
        assert one.thickness == pytest.approx(0.4)
    assert twice_as_large(replace(pose, columns=(-1, 0, 1))) == []


def test_a_lattice_that_explains_as_much_widens_the_uncertainty() -> None:
    pose = replace(grid_pose(35, 6, 1), covariance=np.zeros((4, 4)))

    def tilted(deg: float) -> GridPose:
        turn = Rotation.from_rotvec(math.radians(deg) * pose.rotation[:, 0]).as_matrix()
        return replace(pose, rotation=turn @ pose.rotation)

    def stated(candidates: list[tuple[float, GridPose]]) -> float:
        found = with_rivals(pose, candidates[1:], candidates[0][0])
        assert found is not None
        return math.degrees(math.sqrt(float(np.trace(found.covariance[:3, :3]))))

    assert stated([(0.6, pose), (0.6, tilted(0.8))]) == pytest.approx(0.8, rel=1e-3)
    assert stated([(0.6, pose), (0.4, tilted(0.8))]) == 0.0
    assert 0 < stated([(0.6, pose), (0.55, tilted(0.8))]) < 0.5
    assert with_rivals(pose, [(0.59, tilted(6.0))], 0.6) is None


def _ridges_along(pose: GridPose, ends: list[tuple[Array, Array]]) -> Ridges:
    """Ridge points a pixel apart along straight lines of the sheet."""
    xy, angle = [], []
    for p, q in ends:
        a, b = pose.project(np.array([*p, 0.0])), pose.project(np.array([*q, 0.0]))
        steps = np.linspace(0, 1, max(2, int(np.hypot(*(b - a)))))[:, None]
        xy.append(a + steps * (b - a))
        angle.append(np.full(len(steps), math.atan2(b[1] - a[1], b[0] - a[0]) % math.pi))
    points, angles = np.concatenate(xy), np.concatenate(angle)
    return Ridges(points, angles, np.ones(len(points)), np.full(len(points), 2.0))


@pytest.mark.parametrize(("elevation", "aside"), [(25.0, 15.0), (40.0, -6.0)])
def test_ticks_along_one_column_give_the_scale(elevation: float, aside: float) -> None:
    pose = replace(grid_pose(elevation, aside, 1.0, f=14000.0), origin=np.array([0.0, 0.0, 14.0]))
    mm = 0.1  # pitches of 10 mm, so that the camera is 140 mm away
    ends = [
        (np.array([0.0, -0.5]), np.array([0.0, 0.5])),
        (np.array([-0.6, 0]), np.array([0.6, 0])),
    ]
    ends += [
        (np.array([s * 0.15 * mm, k * mm]), np.array([s * 0.5 * mm, k * mm]))
        for k in range(-5, 6)
        if k
        for s in (-1, 1)
    ]
    points = _ridges_along(pose, ends)
    centre = np.array([pose.camera.cx, pose.camera.cy])
    places = [[pose.project(np.array([*e, 0.0])) - centre for e in pair] for pair in ends[:2]]
    lines = [Line(p, q, 100.0) for p, q in places]
    starts = [p for _, p in ticked(lines, points, pose.camera) if p.pitch_mm == 10.0]
    assert min(_angle(p.normal, pose.normal) for p in starts) < 4.0
    assert min(abs(p.origin[2] / 14.0 - 1) for p in starts) < 0.06
    untold = _ridges_along(pose, ends[:2])  # without ticks nothing gives the scale
    assert ticked(lines, untold, pose.camera) == []


def test_ink_in_glass_shows_on_both_layers() -> None:
    def seen(shares: list[list[float]]) -> float:
        share = np.concatenate(shares)
        n = len(share)
        line = np.repeat(np.arange(len(shares)), [len(s) for s in shares]).astype(float)
        zero = np.zeros(n)
        return doubled(
            Match(
                np.arange(n), np.zeros(n, int), line, share > 0.7, zero, share, zero + 1, zero, zero
            )
        )

    assert seen([[0.0] * 20 + [1.0] * 20, [0.5] * 20]) == 1.0
    assert seen([[0.0] * 30, [1.0] * 30]) == 0.0  # fronts here, ghosts there
    assert seen([[0.0] * 30 + [1.0] * 10]) == pytest.approx(1 / 3)


@pytest.mark.parametrize("count", [0, 8])
def test_too_few_points_are_no_lattice(count: int) -> None:
    # a picture whose only lines are bright ones has no dark ridges at all
    x, y = np.divmod(np.arange(count), 3)
    pose = grid_pose(30, 5, 1)
    xy = pose.project(np.stack([x, y, 0 * x], axis=1).astype(float).reshape(-1, 3))
    one = np.ones(count)
    assert fit(pose, Ridges(xy, 0 * one, one, one), (math.log(pose.camera.f), 0.05)) is None


def test_ends_of_ticks_without_a_column_are_no_lattice() -> None:
    # rows only: nothing says which way the ends run
    pose = grid_pose(30, 5, 1)
    x, y = np.divmod(np.arange(80), 4)
    xy = pose.project(np.stack([0.3 + 0.02 * x, y - 1.0, 0.0 * x], axis=1))
    one = np.ones(len(xy))
    points = Ridges(xy, 0 * one, one, one)
    ends = pose.project(np.array([[0.1, 0.2, 0.0], [0.1, 0.4, 0.0], [-0.1, 0.2, 0.0]]))
    targets = np.array([0.1, 0.1, -0.1])
    prior = (math.log(pose.camera.f), 0.05)
    assert fit(pose, points, prior, (1.5,), ends=(ends, targets)) is None


def _one_column(pose: GridPose, bend: float) -> Ridges:
    """A column, a row and ticks; ``bend`` (pitches a pitch squared) moves the ticks along."""
    mm = 0.1
    ends = [
        (np.array([0.0, -0.5]), np.array([0.0, 0.5])),
        (np.array([-0.6, 0]), np.array([0.6, 0])),
    ]
    for k in (*range(-5, 0), *range(1, 6)):
        y = k * mm + bend * (k * mm) ** 2
        ends += [(np.array([s * 0.15 * mm, y]), np.array([s * 0.5 * mm, y])) for s in (-1, 1)]
    return _ridges_along(pose, ends)


@pytest.mark.parametrize(("noise_px", "lens_u"), [(0.1, 0.01), (0.4, 0.05)])
def test_ends_that_agree_outweigh_bent_ticks_and_the_lens_stays_usual(
    noise_px: float, lens_u: float
) -> None:
    """Print that is not quite flat bends the perspective; ends of ticks give the tilt all the same.

    Counted for outliers they left it 5 degrees off, and ragged lines fitted an odd lens to the
    bend.
    """
    pose = replace(
        grid_pose(48.0, -9.0, 1.0, f=11000.0), origin=np.array([0.0, 0, 15.0]), pitch_mm=10.0
    )
    clean = _one_column(pose, 0.01)
    noise = np.random.default_rng(1).normal(0, noise_px, clean.xy.shape)
    points = replace(clean, xy=clean.xy + noise)
    places = np.array([(s * 0.05, k * 0.1, 0.0) for s in (-1, 1) for k in range(-5, 6) if k])
    prior = (math.log(pose.camera.f), lens_u)
    strayed = fit(pose, points, prior, (1.5,), most=3000)
    assert strayed is not None and _angle(strayed.normal, pose.normal) > 5
    ends = pose.project(places), places[:, 0]
    found = fit(strayed, points, prior, (1.5,), most=3000, ends=ends)
    assert found is not None and _angle(found.normal, pose.normal) < 0.6
    assert abs(math.log(found.camera.f) - prior[0]) < max(0.04, lens_u)


def test_faint_ticks_show_their_ends() -> None:
    grey, pose = _true_view(14.0)
    noise = cv2.GaussianBlur(np.random.default_rng(1).normal(0, 1, grey.shape), (0, 0), 2.0)
    faint = np.asarray(0.5 + 0.15 * (grey - 0.5) + 0.05 * noise, np.float32)
    assert tick_ends(grey, pose) is not None
    ends = tick_ends(faint, pose)
    assert ends is not None
    assert np.median(np.abs(pose.on_sheet(ends[0])[:, 0])) == pytest.approx(0.05, abs=0.0025)


def test_strewn_ends_tell_less() -> None:
    pose = replace(grid_pose(40, 5, 1), pitch_mm=10.0)
    places = np.array([(s * 0.05, k * 0.1, 0.0) for s in (-1, 1) for k in range(1, 6)])
    away = np.zeros_like(places)
    away[:, 0] = np.tile([-0.003, 0.003], 5)
    biases = []

    def refit(moved: tuple[Array, Array]) -> GridPose:
        biases.append(float(moved[1][-1] / 0.05 - 1))
        return pose

    for some in (places, places + away):
        assert with_end_bias(pose, (pose.project(some), places[:, 0]), refit) is not None
    assert biases[1] == pytest.approx(0.03 / 0.5 / math.sqrt(10), rel=0.05)
    assert biases[0] < 0.5 * biases[1]


def test_ticks_at_half_the_cells_are_no_rows() -> None:
    pose = replace(
        grid_pose(40, 5, 1, f=14000.0), origin=np.array([0.0, 0, 28.0]), pitch_mm=5.0,
        columns=(0,), rows=(-1, 0, 1),
    )  # fmt: skip
    tick = [(np.array([s * 0.03, k]), np.array([s * 0.1, k])) for s in (-1, 1) for k in (-1.0, 1.0)]
    lines = [
        (np.array([0.0, -1.5]), np.array([0.0, 1.5])),
        (np.array([-1.5, 0]), np.array([1.5, 0])),
    ]
    told = with_cells_told(pose, _ridges_along(pose, lines + tick), (5.0, 10.0))
    assert (told.pitch_mm, told.columns, told.rows) == (10.0, (0,), (0,))
    assert np.allclose(told.project([0.0, 0.5, 0.0]), pose.project([0.0, 1.0, 0.0]))
    lines += [(np.array([-1.5, k]), np.array([1.5, k])) for k in (-1.0, 1.0)]
    assert with_cells_told(pose, _ridges_along(pose, lines), (5.0, 10.0)) is pose


def test_a_column_of_bright_ink_is_fitted_on_bright_ridges_too() -> None:
    pose = replace(grid_pose(40, 5, 1, f=14000.0), origin=np.array([0.0, 0, 28.0]), columns=(0,),
                   rows=(0, 1))  # fmt: skip
    rows = [(np.array([-1.5, k]), np.array([1.5, k])) for k in (0.0, 1.0)]
    dark = _ridges_along(pose, rows)
    hairs = [(np.array([-1.5, 0.2 + 0.1 * k]), np.array([1.5, 0.5 + 0.1 * k])) for k in range(4)]
    every = _ridges_along(pose, [*rows, (np.array([0.0, -1]), np.array([0.0, 1])), *hairs])
    lens = (14000.0, 13000.0, 15000.0, 0.05)
    _, points = on_common_ground([(0.5, pose)], [], dark, every, lens)
    assert points is every
    wide = replace(pose, columns=(-1, 0))
    _, points = on_common_ground([(0.5, wide)], [], _ridges_along(pose, [*rows, (
        np.array([0.0, -1]), np.array([0.0, 1]))]), every, lens)  # fmt: skip
    assert points is not every


def test_a_pose_with_ends_is_fitted_by_them_where_it_strays_without(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    start = replace(
        grid_pose(40, 5, 1, f=11000.0), origin=np.array([0.0, 0, 15.0]), pitch_mm=10.0, ends=12
    )
    points = _one_column(start, 0.0)

    def by_ends(grey: Array, pose: GridPose, *others: object) -> GridPose | None:
        return replace(pose, columns=(0,), rows=(0,), ticks=9, support=0.9) if pose.ends else None

    strayed = replace(start, columns=(0,), rows=(0,), ends=0)
    monkeypatch.setattr(grid, "fit", lambda *args, **kind: strayed)
    monkeypatch.setattr(grid, "_by_ends", by_ends)
    blank = np.zeros(SIZE[::-1], np.float32)
    lens = (11000.0, 10000.0, 12000.0, 0.05)
    sight = grid.Sight(blank, points, points, 1.0, (0.0, 0.0), 1.0, lens, False)
    assert grid._polished(start, points, sight) is not None
    assert grid._polished(replace(start, ends=0), points, sight) is None


def test_a_closer_look_is_taken_where_what_looks_printed_leaves_a_doubt() -> None:
    pose = grid_pose(36, 6, 1)
    picture = _comb_picture(pose, 5.0, True, False)
    focal = FocalPrior(9000.0, 0.05)
    wide = replace(pose, pitch_mm=5.0, covariance=np.diag([0.02, 0.02, 0.02, 0.1]) ** 2)
    found = find_grid(picture, focal, closer=lambda: wide)
    assert found is not None
    # the lines of the picture say more, and agree
    assert _angle(found.normal, pose.normal) < TOL_DEG
    assert np.trace(found.covariance[:3, :3]) < 1e-3 * np.trace(wide.covariance[:3, :3])
    turn = Rotation.from_rotvec(0.06 * pose.rotation[:, 0]).as_matrix()
    sure = replace(wide, rotation=turn @ pose.rotation, covariance=np.diag([1e-3] * 4) ** 2)
    kept = find_grid(picture, focal, closer=lambda: sure)
    assert kept is not None  # they do not agree: its word stands
    assert _angle(kept.normal, sure.normal) < 1e-3
    empty = np.full_like(picture, 0.6)
    assert find_grid(empty, focal, closer=lambda: wide) is not None
    assert find_grid(empty, focal, closer=lambda: None) is None


def test_no_closer_look_is_taken_where_what_looks_printed_is_sure() -> None:
    pose = grid_pose(36, 6, 1)

    def never() -> GridPose | None:
        raise AssertionError

    picture = _comb_picture(pose, 5.0, True, False)
    found = find_grid(
        picture, FocalPrior(9000.0, 0.05), shown=_shown_ink(pose, range(-4, 5)), closer=never
    )
    assert found is not None
    assert _angle(found.normal, pose.normal) < TOL_DEG


def test_two_lines_with_none_seen_between_them_are_no_family() -> None:
    pose = replace(grid_pose(35, 6, 1), columns=(0, 1), rows=(0, 1), ticks=12, support=0.9)
    assert well_seen(pose, free_focal=False)
    assert not well_seen(replace(pose, rows=(0, 2)), free_focal=False)
    assert well_seen(replace(pose, rows=(0, 2, 3)), free_focal=False)


def test_scatter_as_by_chance_is_no_lattice() -> None:
    strewn = np.sqrt(np.mean(np.random.default_rng(1).uniform(-1.5, 1.5, 4000) ** 2))
    pose = replace(grid_pose(35, 6, 1), columns=(0, 1), rows=(0, 1, 2), ticks=9)
    assert well_seen(replace(pose, rms_px=0.3 * strewn), free_focal=False)
    assert not well_seen(replace(pose, rms_px=0.6 * strewn, support=0.7), free_focal=False)
    assert not well_seen(replace(pose, rms_px=0.3 * strewn, support=0.3), free_focal=True)
    # broad, half bleached lines scatter, but chance puts no ten ticks and nearly all ink on them
    combed = replace(pose, rms_px=0.6 * strewn, ticks=10)
    assert well_seen(replace(combed, support=0.87), free_focal=False)
    assert not well_seen(replace(combed, support=0.6), free_focal=False)
    assert well_seen(replace(combed, support=0.6, ends=13), free_focal=False)  # nor their ends


def test_two_lines_with_much_left_over_may_lie_on_two_layers() -> None:
    pose = replace(grid_pose(35, 6, 1), columns=(0, 1), rows=(0, 1, 2), support=0.4)
    across = pose.rotation[:, 0]

    def u_deg(one: GridPose) -> float:
        return math.degrees(math.sqrt(float(across @ one.covariance[:3, :3] @ across)))

    assert u_deg(with_layer_doubt(pose)) > 0.7
    assert u_deg(with_layer_doubt(replace(pose, support=0.8))) < 0.1
    assert u_deg(with_layer_doubt(replace(pose, columns=(0, 1, 2)))) < 0.1


def _drawn(seed: int, **kind: float | str) -> tuple[NDArray[np.float32], float, Array, Array]:
    """Picture, focal length, true axes (columns right, away, up) and the null's pixel."""
    settings: dict[str, float | str] = {
        "off_axis_deg": 5.0, "elevation_deg": 38.0, "roll_deg": 1.0, "field_mm": 20.0,
        "sheet_yaw_deg": 3.0, "distance_mm": 120.0,
    } | kind  # fmt: skip
    rgb, truth, focal = raster.draw_cantilever(np.random.default_rng(seed), **settings)  # type: ignore[arg-type]
    wide = 2 * math.degrees(math.atan(settings["field_mm"] / 2 / settings["distance_mm"]))  # type: ignore[operator]
    view = world.look(
        180 + float(settings["off_axis_deg"]), float(settings["elevation_deg"]),
        float(settings["distance_mm"]), (1.5, 0, 0.4), float(settings["roll_deg"]), wide, *SIZE,
    )  # fmt: skip
    sheet = world.rotation_z(float(settings["sheet_yaw_deg"]))
    axes = np.stack(
        [view.to_camera(sheet @ np.array(v)) for v in ([0, -1, 0], [1, 0, 0], [0, 0, 1])], 1
    )
    grey = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY).astype(np.float32) / np.float32(255)
    return grey, focal, axes, np.array(truth["points_px"]["null"])


@pytest.mark.parametrize(
    ("surface", "pitch", "field", "elevation", "yaw"),
    [
        ("mirror", 10.0, 19.0, 42.0, 4.0),
        ("mirror", 10.0, 17.0, 31.0, -8.0),
        ("paper", 10.0, 17.0, 26.0, 9.0),
        ("paper", 5.0, 13.0, 40.0, -5.0),
    ],
)
def test_few_lines_with_the_comb(
    surface: str, pitch: float, field: float, elevation: float, yaw: float
) -> None:
    grey, focal, axes, null = _drawn(
        5, surface=surface, pitch_mm=pitch, field_mm=field, elevation_deg=elevation,
        sheet_yaw_deg=yaw,
    )  # fmt: skip
    found = find_grid(grey, FocalPrior(focal * 1.03, 0.05))
    assert found is not None
    assert _angle(found.normal, axes[:, 2]) < TOL_DEG
    assert _angle(found.along, axes[:, 1]) < TOL_DEG
    assert found.pitch_mm == pitch
    assert np.hypot(*(found.project(np.zeros(3)) - null)) < TOL_NULL_PX


def test_one_column_needs_the_ends_of_the_ticks() -> None:
    grey, focal, axes, null = _drawn(
        6, surface="paper", pitch_mm=10.0, field_mm=12.5, elevation_deg=27.0, sheet_yaw_deg=-2.0,
        off_axis_deg=2.0,
    )  # fmt: skip
    found = find_grid(grey, FocalPrior(focal * 1.03, 0.05))
    assert found is not None
    assert len(found.columns) == 1
    tilt = _angle(found.normal, axes[:, 2])
    assert tilt < TOL_ENDS_DEG
    stated = math.degrees(math.sqrt(np.trace(found.covariance[:3, :3])))
    assert tilt < 3 * stated
    assert _angle(found.along, axes[:, 1]) < TOL_ENDS_DEG
    assert np.hypot(*(found.project(np.zeros(3)) - null)) < 2 * TOL_NULL_PX


def _true_view(field_mm: float) -> tuple[NDArray[np.float32], GridPose]:
    """A drawing of a sheet with 10 mm cells and the pose that it was drawn with."""
    grey, focal, axes, null = _drawn(7, surface="paper", pitch_mm=10.0, field_mm=field_mm)
    camera = Camera(focal, 799.5, 599.5, 0.0, 1000.0)
    ray = camera.ray(null)
    # the null lies where the sheet's plane, known from the drawing's camera, meets its ray
    true_view = world.look(
        185.0, 38.0, 120.0, (1.5, 0, 0.4), 1.0,
        2 * math.degrees(math.atan(field_mm / 2 / 120.0)), *SIZE,
    )  # fmt: skip
    depth = np.linalg.norm(true_view.position)
    pose = GridPose(
        camera, axes, ray * depth / 10.0, np.zeros((4, 4)), 0.2, 1.0, (0,), (0,), pitch_mm=10.0
    )
    return grey, pose


def test_ends_of_ticks_against_the_drawing() -> None:
    """On the true pose the ticks end half a millimetre from the column, as drawn."""
    grey, pose = _true_view(14.0)
    ends = tick_ends(grey, pose)
    assert ends is not None
    place = pose.on_sheet(ends[0])[:, 0] * 10.0
    assert set(np.sign(place)) == {-1.0, 1.0}
    assert np.median(np.abs(place)) == pytest.approx(0.5, abs=0.012)


def _hidden(
    grey: NDArray[np.float32], pose: GridPose, x_mm: tuple[float, float], y_mm: tuple[float, float]
) -> NDArray[np.float32]:
    """The picture with a part of the sheet beneath something plain, as a rod would be."""
    x, y = (np.array(v) / (pose.pitch_mm or 1.0) for v in (x_mm, y_mm))
    corners = np.stack([x[[0, 1, 1, 0]], y[[0, 0, 1, 1]], np.zeros(4)], axis=1)
    out = grey.copy()
    cv2.fillConvexPoly(out, np.rint(pose.project(corners)).astype(np.int32), 0.55)
    return out


def _column_picture() -> tuple[NDArray[np.float32], GridPose]:
    """One column with its ticks and three rows, drawn through the pose's own camera."""
    pose = replace(
        grid_pose(33.0, -4.0, 1.0, f=14000.0), origin=np.array([0.0, 0, 15.0]), pitch_mm=10.0,
        columns=(0,), rows=(-1, 0, 1),
    )  # fmt: skip
    return _comb_picture(pose, 10.0, bold=False, cut=False), pose


def test_ends_on_one_side_will_do_if_there_are_as_many() -> None:
    """A rod over the ticks of one side leaves the other's and the column's own middle."""
    grey, pose = _column_picture()
    both = tick_ends(grey, pose)
    assert both is not None and min(np.sum(both[1] < 0), np.sum(both[1] > 0)) > 8
    hidden = _hidden(grey, pose, (0.15, 2.0), (-14, 14))
    one = tick_ends(hidden, pose)
    assert one is not None and np.all(one[1] < 0)
    assert np.median(pose.on_sheet(one[0])[:, 0]) == pytest.approx(-0.05, abs=0.0012)
    found = find_grid(hidden, FocalPrior(14000 * 1.03, 0.05))
    assert found is not None and found.columns == (0,)
    tilt, spun = _angle(found.normal, pose.normal), _angle(found.along, pose.along)
    stated = math.degrees(math.sqrt(np.trace(found.covariance[:3, :3])))
    assert max(tilt, spun) < min(2 * stated, 2 * TOL_ENDS_DEG)
    few = _hidden(hidden, pose, (-2.0, 2.0), (3.5, 14))
    assert tick_ends(_hidden(few, pose, (-2.0, 2.0), (-14, -3.5)), pose) is None


def test_a_side_with_few_ends_counts_those_as_long_as_the_others() -> None:
    out = np.linspace(0.36, 0.68, 33)
    ends = np.full((2, 9), 0.5)
    ends[1, :4] = 0.62, 0.44, 0.51, 0.62
    share = np.clip(0.5 + (ends[..., None] - out) * 20, 0, 1)
    clear = np.ones((2, 9), bool)
    clear[1, 4:] = False
    assert _at_half(share, out, clear, one_side=False) is None
    found = _at_half(share, out, clear, one_side=True)
    assert found is not None
    assert found[0][1].sum() == 9 and list(np.nonzero(found[1][1])[0]) == [2]
    clear[0, 6:] = False
    assert _at_half(share, out, clear, one_side=True) is None  # seven in all


def test_the_column_is_as_doubtful_as_the_ends_of_one_side() -> None:
    pose = replace(grid_pose(40, 5, 1), pitch_mm=10.0)
    places = np.array([(s * 0.05, k * 0.1, 0.0) for s in (-1, 1) for k in range(1, 6)])
    biases = []

    def refit(moved: tuple[Array, Array]) -> GridPose:
        biases.append(float(abs(moved[1][-1]) / 0.05 - 1))
        return pose

    for some in (places, places[:5]):
        assert with_end_bias(pose, (pose.project(some), some[:, 0]), refit) is not None
    assert biases[1] == pytest.approx(2 * biases[0], rel=1e-3)


def test_ends_lost_on_the_way_are_held_where_no_other_lattice_keeps_them(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    pose = replace(
        grid_pose(40, 5, 1, f=11000.0), origin=np.array([0.0, 0, 15.0]), pitch_mm=10.0,
        columns=(0,), rows=(0,),
    )  # fmt: skip
    points = _one_column(pose, 0.0)
    places = np.array([(s * 0.05, k * 0.1, 0.0) for s in (-1, 1) for k in range(-5, 6) if k])
    ends = pose.project(places), places[:, 0]
    shown = {"first": 1, "second": 9}  # how often each shows its ends
    prior = (math.log(pose.camera.f), 0.05)

    def seen(grey: Array, one: GridPose) -> tuple[Array, Array] | None:
        name = "first" if one.null_known else "second"
        shown[name] -= 1
        return ends if shown[name] >= 0 else None

    monkeypatch.setattr(grid, "tick_ends", seen)
    blank = np.zeros(SIZE[::-1], np.float32)
    lens = (11000.0, 10000.0, 12000.0, 0.05)
    sight = grid.Sight(blank, points, points, 1.0, (0.0, 0.0), 1.0, lens, False)
    first, second = replace(pose, null_known=True), pose
    chosen = grid._chosen([(0.9, first), (0.88, second)], points, sight)
    assert chosen is not None and not chosen.null_known
    for held in (False, True):
        shown |= {"first": 2}
        assert (grid._by_ends(blank, first, points, prior, held) is not None) is held


@pytest.mark.parametrize("clutter", [False, True])
def test_ends_of_one_side_may_be_those_of_ghosts_where_much_is_left_over(clutter: bool) -> None:
    pose = replace(
        grid_pose(40, 5, 1, f=11000.0), origin=np.array([0.0, 0, 15.0]), pitch_mm=10.0,
        columns=(0,), rows=(0,),
    )  # fmt: skip
    points = _one_column(pose, 0.0)
    if clutter:
        hairs = [(np.array([-0.6, 0.23 + k]), np.array([0.6, 0.53 + k])) for k in (-0.6, 0.0, 0.3)]
        hairs += [(-a, b + np.array([0, 0.4])) for a, b in hairs]
        more = _ridges_along(pose, hairs)
        points = Ridges(*(
            np.concatenate([getattr(points, name), getattr(more, name)])
            for name in ("xy", "angle", "weight", "scale")
        ))  # fmt: skip
    left = np.array([(-0.05, k * 0.1, 0.0) for k in range(-5, 6) if k])
    both = np.concatenate([left, left * (-1, 1, 1)])
    prior = (math.log(pose.camera.f), 0.05)
    blank = np.zeros(SIZE[::-1], np.float32)
    for places, told in ((left, not clutter), (both, True)):
        ends = pose.project(places), places[:, 0]
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(grid, "tick_ends", lambda *_, seen=ends: seen)
            assert (grid._by_ends(blank, pose, points, prior, held=False) is not None) is told


def test_ticks_tell_the_tilt_without_a_lens() -> None:
    """One column and the comb: their ends give the elevation, and the lens is found with it."""
    grey, pose = _column_picture()
    found = find_grid(grey, FocalPrior(14000 / 5, 0.2, source="guess"))
    assert found is not None and found.columns == (0,)
    assert _angle(found.normal, pose.normal) < TOL_ENDS_DEG
    assert _angle(found.along, pose.along) < TOL_ENDS_DEG
    assert found.ends >= 12 and found.support >= 0.8
    few = replace(found, ends=11)
    assert grid._least_lines(found, True) == 1
    assert (grid._least_lines(few, True), grid._least_lines(few, False)) == (2, 3)


def _glass_picture(pose: GridPose, ink: float, seed: int) -> NDArray[np.float32]:
    """Front ink and its ghost in the silver, drawn through Snell's law by root finding."""
    assert pose.thickness is not None
    eye = -pose.origin @ pose.rotation
    runs = np.linspace(0.0, 60.0, 200)
    thickness = pose.thickness

    def shifted(span: float) -> float:
        """How far from the foot of the eye a ray that enters at ``span`` comes out again."""
        angle = math.atan2(span, eye[2])

        def bent(inside: float) -> float:
            return math.sin(angle) - GLASS_INDEX * math.sin(inside)

        return 2 * thickness * math.tan(brentq(bent, 0.0, 1.5))

    table = np.array([shifted(v) for v in runs])
    total = np.zeros((1200, 1600))
    for dx in (-0.25, 0.25):
        for dy in (-0.25, 0.25):
            x, y = np.meshgrid(np.arange(1600) + dx, np.arange(1200) + dy)
            rays = pose.camera.ray(np.stack([x.ravel(), y.ravel()], 1)) @ pose.rotation
            grid = eye[:2] - rays[:, :2] * (eye[2] / rays[:, 2])[:, None]
            foot = grid - eye[:2]
            span = np.hypot(*foot.T)
            ghost = grid + foot / span[:, None] * np.interp(span, runs, table)[:, None]
            dark = np.zeros(len(grid), bool)
            for layer in (grid, ghost):
                dark |= (np.abs(layer - np.round(layer)) < ink / 2).any(axis=1)
            total += np.where(dark, 0.1, 0.8).reshape(1200, 1600)
    picture = cv2.GaussianBlur((total / 4).astype(np.float32), (0, 0), 1.2)
    noise = np.random.default_rng(seed).normal(0, 0.01, picture.shape)
    return np.clip(picture + noise, 0, 1).astype(np.float32)


@pytest.mark.parametrize(("elevation", "aside", "ink"), [(30, 9, 0.03), (36, 1, 0.045)])
def test_ghosts_beside_their_lines_do_not_tilt_the_sheet(
    elevation: float, aside: float, ink: float
) -> None:
    """With the camera nearly above a column, the column and its ghost blur into one line."""
    pose = grid_pose(elevation, aside, 1, thickness=0.6)
    found = find_grid(_glass_picture(pose, ink, 3), FocalPrior(9000, 0.05))
    assert found is not None and found.thickness is not None
    assert found.thickness == pytest.approx(0.6, abs=0.01)
    assert _angle(found.normal, pose.normal) < TOL_DEG
    assert _angle(found.along, pose.along) < TOL_DEG


def _comb_picture(
    pose: GridPose, mm: float, bold: bool, cut: bool, comb_mm: float = 10.4
) -> NDArray[np.float32]:
    """A printed grid with its comb of ticks; the null's cross may lack; ``cut`` hides one end."""
    total = np.zeros((1200, 1600))
    for dx in (-0.25, 0.25):
        for dy in (-0.25, 0.25):
            x, y = np.meshgrid(np.arange(1600) + dx, np.arange(1200) + dy)
            grid = pose.on_sheet(np.stack([x.ravel(), y.ravel()], 1)) * mm
            ink = 0.09
            dark = (np.abs(grid - mm * np.round(grid / mm)) < ink).any(axis=1)
            tick = (np.abs(grid[:, 1] - np.round(grid[:, 1])) < 0.6 * ink) & (
                np.abs(grid[:, 0]) < 0.5
            )
            dark |= tick & (np.abs(grid[:, 1]) < comb_mm)
            if bold:
                far, near = np.abs(grid), 1.5 * ink
                dark |= ((far < 1.2) & (far[:, ::-1] < near)).any(axis=1)
            hidden = (grid[:, 1] > 3.5) & (grid[:, 0] > -7) & (grid[:, 0] < 7) & cut
            total += np.where(hidden, 0.35, np.where(dark, 0.1, 0.8)).reshape(1200, 1600)
    picture = cv2.GaussianBlur((total / 4).astype(np.float32), (0, 0), 1.2)
    noise = np.random.default_rng(4).normal(0, 0.01, picture.shape)
    return np.clip(picture + noise, 0, 1).astype(np.float32)


@pytest.mark.parametrize(("bold", "cut"), [(True, True), (True, False), (False, True)])
def test_the_null_is_told_by_its_bold_cross_only(bold: bool, cut: bool) -> None:
    pose = grid_pose(36, 4, 1)
    found = find_grid(_comb_picture(pose, 5.0, bold, cut), FocalPrior(9000, 0.05))
    assert found is not None and found.pitch_mm == 5.0
    assert found.null_known == bold
    null = pose.project(np.zeros(3))
    away = found.on_sheet(null[None])[0]
    if bold:
        assert np.hypot(*away) < 0.01
    else:  # some node of the ticked column
        assert np.allclose(away, (0, round(float(away[1]))), atol=0.01)


def _ribs(grey: NDArray[np.float32]) -> NDArray[np.float32]:
    """The picture with dark strokes in no lattice's order over it."""
    rng = np.random.default_rng(8)
    out = grey.copy()
    for _ in range(160):
        at = rng.uniform((0, 0), SIZE)
        turn, length = rng.uniform(0, math.pi), rng.uniform(120, 400)
        to = at + length * np.array([math.cos(turn), math.sin(turn)])
        cv2.line(out, tuple(map(int, at)), tuple(map(int, to)), 0.2, 6, cv2.LINE_AA)
    return out


def test_lines_drawn_by_hand_find_the_grid_among_other_lines() -> None:
    """Roughly drawn: ends up to six pixels off."""
    pose = grid_pose(36, 5, 1)
    grey = _ribs(_comb_picture(pose, 5.0, False, False, comb_mm=0.0))
    assert find_grid(grey, FocalPrior(9200, 0.05)) is None
    rng = np.random.default_rng(3)
    drawn = []
    for k in (-1, 0, 1):
        for ends in ([[k, -1.5, 0], [k, 1.5, 0]], [[-1.8, k, 0], [1.8, k, 0]]):
            drawn.append(pose.project(np.array(ends, float)) + rng.uniform(-6, 6, (2, 2)))
    found = find_grid(grey, FocalPrior(9200, 0.05), None, np.array(drawn))
    assert found is not None
    assert _angle(found.normal, pose.normal) < 2 * TOL_DEG
    assert _angle(found.along, pose.along) < 2 * TOL_DEG
    one_way = np.array(drawn)[::2]
    assert find_grid(grey, FocalPrior(9200, 0.05), None, one_way) is None


def test_drawn_grid_lines_reach_the_finder(monkeypatch: pytest.MonkeyPatch) -> None:
    pose = grid_pose(36, 5, 1)
    grey = _ribs(_comb_picture(pose, 5.0, False, False, comb_mm=0.0))
    rgb = np.repeat((255 * grey).astype(np.uint8)[:, :, None], 3, axis=2)
    photo = Photo("drawn", rgb, "0" * 64, FocalPrior(9200, 0.05))
    ends = [pose.project(np.array([[k, -1.5, 0], [k, 1.5, 0]], float)) for k in (-1, 0, 1)]
    ends += [pose.project(np.array([[-1.8, k, 0], [1.8, k, 0]], float)) for k in (-1, 0, 1)]
    marks = {f"grid line {n}": tuple(map(tuple, e.tolist())) for n, e in enumerate(ends)}
    nothing = Shown(np.zeros((6, HEIGHT, WIDTH), np.float32), SIZE[0] / WIDTH)
    monkeypatch.setattr("vision.cantilever.look", lambda rgb: nothing)
    alone = find_cantilever(photo, Options())
    assert isinstance(alone, Refusal) and "grid" in alone.reason
    seen: list[GridPose] = []

    def above(rgb: NDArray[np.uint8], pose: GridPose, *others: object) -> Refusal:
        seen.append(pose)
        return Refusal("cantilever", "There is no rod in this picture.", "")

    monkeypatch.setattr("vision.cantilever.lines_above", above)
    find_cantilever(photo, Options(marks=marks))
    assert len(seen) == 1 and _angle(seen[0].normal, pose.normal) < 2 * TOL_DEG


@pytest.mark.parametrize(
    "name", ["astronaut", "coffee", "checkerboard", "coins", "brick", "text", "grass", "page"]
)
def test_pictures_without_a_grid(name: str) -> None:
    picture = getattr(data, name)()
    if picture.ndim == 3:
        picture = cv2.cvtColor(np.ascontiguousarray(picture[:, :, :3]), cv2.COLOR_RGB2GRAY)
    scale = 1600 / max(picture.shape)
    grey = cv2.resize(picture.astype(np.float32) / 255, None, fx=scale, fy=scale)
    assert find_grid(np.asarray(grey, np.float32), FocalPrior(7000, 0.05)) is None


def test_a_grid_seen_from_straight_above_is_not_taken() -> None:
    x, y = np.meshgrid(np.arange(1600.0), np.arange(1200.0))
    lines = (np.minimum(x % 300, y % 300) < 9).astype(np.float32)
    grey = cv2.GaussianBlur(0.85 - 0.75 * lines, (0, 0), 1.5)
    found = find_grid(np.asarray(grey, np.float32), FocalPrior(7000, 0.05))
    assert found is None


def _shown_ink(pose: GridPose, lines: range) -> Shown:
    """What a network would show of printed lines, drawn with OpenCV in its copy."""
    share = np.zeros((6, HEIGHT, WIDTH), np.float32)
    k = SIZE[0] / WIDTH
    steps = np.linspace(-6.0, 6.0, 400)
    for index in lines:
        for axis in (0, 1):
            points = np.zeros((len(steps), 3))
            points[:, axis], points[:, 1 - axis] = index, steps
            at = ((pose.project(points) + 0.5) / k - 0.5) * 16
            cv2.polylines(
                share[INK], [np.round(at).astype(np.int32)], False, 1.0, 2, cv2.LINE_AA, 4
            )
    return Shown(cv2.GaussianBlur(share.transpose(1, 2, 0), (0, 0), 0.7).transpose(2, 0, 1), k)


@pytest.mark.parametrize("thickness", [None, 0.5])
def test_print_lies_beside_a_lattice_that_is_turned(thickness: float | None) -> None:
    """Printed pixels by OpenCV's `projectPoints` of a plane's lines, through the same camera."""
    pose = grid_pose(33, 8, 2, 7000.0, thickness)
    c = pose.camera
    matrix = np.array([[c.f, 0, c.cx], [0, c.f, c.cy], [0, 0, 1.0]])
    along = np.linspace(-2, 2, 40)
    lines = [(float(k), float(s)) for k in range(-2, 3) for s in along]
    printed = np.array([(x, y, 0.0) for x, y in lines + [(y, x) for x, y in lines]])
    turn, _ = cv2.Rodrigues(pose.rotation)
    pixels = cv2.projectPoints(printed, turn, pose.origin, matrix, np.zeros(5))[0][:, 0]
    assert share_beside_lattice(pose, pixels) < 0.01
    turned = np.array([[math.cos(0.06), -math.sin(0.06), 0], [math.sin(0.06), math.cos(0.06), 0],
                       [0, 0, 1.0]])  # fmt: skip
    assert share_beside_lattice(replace(pose, rotation=pose.rotation @ turned), pixels) > 0.1
