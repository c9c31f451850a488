"""Mirror image, normal and grooves of side-on close-ups, against independent constructions.

The drawings of `tests.scenes.raster` project a stylus and rod, and their reflection, with the
cameras of `tests.scenes.world`; the true image of the normal is the projection of two points one
above the other by that camera. Textures are turned by SciPy.
"""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from scipy.ndimage import gaussian_filter, rotate
from scipy.stats import norm

from tests.scenes import raster, world
from vision.camera import Camera
from vision.groove import SHADOW_U_DEG, groove_slope
from vision.mirror_image import find_normal, find_symmetry
from vision.rake_model import Line, Predictor, solve
from vision.rake_surface import (
    CARD_U_DEG,
    ON_CARD,
    ON_RECORD,
    RECORD_GROOVE_U_DEG,
    WRONG,
    find_rod_over_surface,
    groove_lines,
    joined_line,
)
from vision.side_rod import RodLine, SideRod

POSES = [
    {"roll_deg": 0.0, "elevation_deg": 3.0, "off_axis_deg": 0.0},
    {"roll_deg": 4.0, "elevation_deg": 6.5, "off_axis_deg": -3.5},
    {"roll_deg": -4.5, "elevation_deg": 1.0, "off_axis_deg": 4.0, "pivot_side": "left"},
    {"roll_deg": 2.0, "elevation_deg": 7.5, "off_axis_deg": 3.0, "reflectance": 0.4},
]


def _view(pose: dict[str, float | str], size: tuple[int, int] = (1200, 900)) -> world.View:
    side = {"right": -90.0, "left": 90.0}[str(pose.get("pivot_side", "right"))]
    wide = 2 * math.degrees(math.atan(3.5 / 2 / 60.0))
    return world.look(
        side + float(pose["off_axis_deg"]), float(pose["elevation_deg"]), 60.0, (0.3, 0, 0.1),
        float(pose["roll_deg"]), wide, *size,
    )  # fmt: skip


def _between(a: float, b: float) -> float:
    """Angle from b to a in degrees, of undirected lines."""
    return math.degrees((a - b + math.pi / 2) % math.pi - math.pi / 2)


def _direction(p: np.ndarray, q: np.ndarray) -> float:
    return math.atan2(q[1] - p[1], q[0] - p[0])


@pytest.mark.parametrize("pose", POSES)
@pytest.mark.parametrize("rake", [90.0, 95.0])
def test_normal_of_a_mirror_against_the_projected_vertical(pose: dict, rake: float) -> None:
    rgb, _, _ = raster.draw_rake(np.random.default_rng(3), rake, **pose)
    found = find_rod_over_surface(rgb)
    assert found is not None
    assert found.normal is not None
    tip, above = _view(pose).project([[0, 0, 0], [0, 0, 0.3]])
    normal = found.normal.about(float(tip[0]), 0.3 * found.rod.thickness)
    off = _between(_direction(normal.p0, normal.p1), _direction(tip, above))
    assert abs(off) < 0.25
    assert abs(off) < 3 * math.degrees(normal.angle_u)
    assert normal.line.y_at(float(tip[0])) == pytest.approx(tip[1], abs=6)


def test_nothing_mirrors_itself_without_a_reflection() -> None:
    pose = POSES[1]
    rgb, _, _ = raster.draw_rake(np.random.default_rng(3), 93.0, **pose)
    tip = _view(pose).project([[0, 0, 0]])[0]
    x = np.arange(rgb.shape[1])
    line = find_symmetry(rgb)
    assert line is not None
    ground = np.full(3, 190, np.uint8)
    bare = rgb.copy()
    for column in x:
        bare[int(line.y_at(column)) + 2 :, column] = ground
    assert tip[1] == pytest.approx(line.y_at(float(tip[0])), abs=6)
    found = find_rod_over_surface(bare)
    assert found is not None
    assert found.normal is None
    assert not found.rod.mirrored


def test_a_smeared_reflection_is_no_mirror() -> None:
    """A record smears what it reflects along the normal: the image is far less steep."""
    rgb, _, _ = raster.draw_rake(np.random.default_rng(4), 93.0, **POSES[0])
    line = find_symmetry(rgb)
    assert line is not None
    below = int(line.y_at(rgb.shape[1] / 2)) + 1
    smeared = rgb.copy()
    smeared[below:] = gaussian_filter(rgb[below:].astype(float), (40, 12, 0)).astype(np.uint8)
    found = find_rod_over_surface(smeared)
    assert found is not None
    assert found.normal is None


def test_a_faint_sharp_image_is_a_mirror_and_a_strong_smeared_one_is_none() -> None:
    """The front face of glass reflects a seventh; contrast must not decide, sharpness must."""
    faint, _, _ = raster.draw_rake(np.random.default_rng(4), 93.0, reflectance=0.4, noise=0.004)
    found = find_rod_over_surface(faint)
    assert found is not None
    assert found.normal is not None
    assert found.normal.line.steepness < 0.7
    assert found.normal.line.focus == pytest.approx(1, abs=0.25)
    smeared = faint.copy()
    strong, _, _ = raster.draw_rake(np.random.default_rng(4), 93.0, noise=0.0)
    below = int(found.normal.line.y_at(600)) + 1
    smeared[below:] = gaussian_filter(strong[below:].astype(float), (14, 2, 0)).astype(np.uint8)
    found = find_rod_over_surface(smeared)
    assert found is not None
    assert found.normal is None


@pytest.mark.parametrize(("rise", "mirror"), [(20.0, True), (2.0, False)])
def test_a_bar_along_the_line_of_symmetry_is_no_cantilever(rise: float, mirror: bool) -> None:
    """A printed grid mirrors itself about its lines; the image is the picture turned by OpenCV."""
    tilt = -7.0
    size = (1200, 900)
    rgb = np.full((size[1], size[0], 3), 190, np.uint8)
    a = math.radians(tilt - rise)
    along, across = np.array([math.cos(a), math.sin(a)]), np.array([-math.sin(a), math.cos(a)])
    end = np.array([420.0, 380.0])
    bar = [end, end + 1200 * along, end + 1200 * along - 80 * across, end - 80 * across]
    cv2.fillConvexPoly(rgb, np.array(bar).astype(np.int32), (60, 60, 60), cv2.LINE_AA)
    tip, t = np.array([470.0, 470.0]), math.radians(tilt)
    cone = [tip, tip + (-40, -110), tip + (40, -110)]
    cv2.fillConvexPoly(rgb, np.array(cone).astype(np.int32), (20, 20, 20), cv2.LINE_AA)
    turned = np.array([[math.cos(2 * t), math.sin(2 * t)], [math.sin(2 * t), -math.cos(2 * t)]])
    matrix = np.column_stack([turned, tip - turned @ tip])
    image = cv2.warpAffine(rgb, matrix, size, borderMode=cv2.BORDER_REPLICATE)
    y, x = np.mgrid[: size[1], : size[0]]
    below = y - tip[1] > math.tan(t) * (x - tip[0])
    rgb[below] = image[below]
    rgb = cv2.GaussianBlur(rgb, (0, 0), 1.0)
    line = find_symmetry(rgb)
    assert line is not None
    assert line.y_at(float(tip[0])) == pytest.approx(tip[1], abs=6)
    found = find_rod_over_surface(rgb)
    assert found is not None
    assert (found.normal is not None) == mirror


@pytest.mark.parametrize("pose", POSES[:2])
def test_upright_edges_do_not_outvote_the_mirror(pose: dict) -> None:
    """Any stretch of an upright edge mirrors itself about its own middle, wherever that is."""
    rgb, _, _ = raster.draw_rake(np.random.default_rng(3), 93.0, **pose)
    rgb = rgb.copy()
    for x in range(10, 400, 26):
        rgb[20:330, x : x + 13] = 20
    tip = _view(pose).project([[0, 0, 0]])[0]
    line = find_symmetry(rgb)
    assert line is not None
    assert line.y_at(float(tip[0])) == pytest.approx(tip[1], abs=8)


def test_the_image_is_not_taken_for_the_rod() -> None:
    for pose in POSES:
        rgb, truth, _ = raster.draw_rake(np.random.default_rng(5), 92.0, **pose)
        found = find_rod_over_surface(rgb)
        assert found is not None
        assert found.rod.pivot_right == (truth["pivot_side_in_photo"] == "right")
        tip = truth["points_px"]["stylus tip"]
        assert found.rod.bottom.y0 < tip[1] > found.rod.bottom.y1


def test_rods_image_mirrors_the_rod_about_the_normal() -> None:
    rgb, _, _ = raster.draw_rake(np.random.default_rng(5), 92.0, **POSES[1])
    found = find_rod_over_surface(rgb)
    assert found is not None
    normal = found.normal
    assert normal is not None
    assert found.rod.mirrored
    for limb, image in found.rod.pairs:
        half = (limb.angle + image.angle) / 2
        assert _between(half + math.pi / 2, _direction(normal.p0, normal.p1)) == pytest.approx(
            0, abs=1e-6
        )


def test_no_normal_where_the_line_runs_above_the_rod() -> None:
    rgb, _, _ = raster.draw_rake(np.random.default_rng(5), 92.0, **POSES[0])
    found = find_rod_over_surface(rgb)
    assert found is not None
    line = find_symmetry(rgb)
    assert line is not None
    high = SimpleNamespace(
        point=np.array([0.0, 5.0]),
        tilt=0.0,
        y_at=lambda x: 5.0,
        matched=9.0,
        share=1,
        steepness=1,
        focus=1,
    )
    assert find_normal(rgb, found.rod, high) is None


def test_normal_is_not_slanted_by_the_camera() -> None:
    """Rolls the camera by the same angle and moves it aside: the normal's image only rolls."""
    camera = Camera(30000.0, 800.0, 600.0, 0.0, 1000.0)
    line = Line("normal", 800, 500, 800, 700, 0.01)
    groove = Line("surface", 700, 600, 900, 600, 0.01)
    start = {name: 0.0 for name in ("side_lean", "groove_yaw", "log_focal", "centre_x", "centre_y")}
    start |= {"k1": 0.0, "shank_taper": 0.0, "cone_half": 27.0, "cone_skew": 0.0, "rod_taper": 0.0}
    start |= {"rake": 92.0, "rise": 20.0, "roll": 0.0, "elevation": 8.0}
    predictor = Predictor([line, groove], camera, True)
    straight = predictor.angles(start | {"azimuth": 0.0})
    aside = predictor.angles(start | {"azimuth": 4.0})
    assert _between(float(aside[0]), float(straight[0])) == pytest.approx(0, abs=1e-6)
    slant = abs(_between(float(aside[1]), float(straight[1])))
    # plane geometry: tan(azimuth) sin(elevation)
    expected = math.degrees(math.atan(math.tan(math.radians(4)) * math.sin(math.radians(8))))
    assert slant == pytest.approx(expected, abs=0.01)


def _edges(taper: float, cone: tuple[float, float] | None = None) -> list[Line]:
    """A stylus 2 degrees off upright as seen, its shank's sides spread by ``taper`` each."""
    lines = []
    for name, angle, length in (
        ("shank left", 92 - taper, 200),
        ("shank right", 92 + taper, 200),
        *((("cone left", cone[0], 80), ("cone right", cone[1], 80)) if cone else ()),
    ):
        a = math.radians(angle)
        dx, dy = math.cos(a) * length / 2, math.sin(a) * length / 2
        lines.append(Line(name, 800 - dx, 600 - dy, 800 + dx, 600 + dy, math.radians(0.1)))
    return [*lines, Line("normal", 800, 500, 800, 700, math.radians(0.1))]


def test_sides_that_are_not_parallel_leave_doubt_unless_the_cone_agrees() -> None:
    camera = Camera(30000.0, 800.0, 600.0, 0.0, 1000.0)
    parallel = solve(_edges(0.0), camera, True)
    spread = solve(_edges(1.5), camera, True)
    agreed = solve(_edges(1.5, (92 - 27.0, 92 + 27.0)), camera, True)
    denied = solve(_edges(1.5, (93.5 - 27.0, 93.5 + 27.0)), camera, True)
    near = solve(_edges(0.3), camera, True)
    assert parallel.rake_u < 0.3
    # edges good to 0.1 degrees each that differ by 0.3 are most likely a straight shank's
    assert math.sqrt(near.rake_u**2 - parallel.rake_u**2) < 0.3 / 2
    # one wrong side turns the axis by the taper found; as likely as not: 1.5 / sqrt(2)
    assert spread.rake_u == pytest.approx(math.hypot(parallel.rake_u, 1.5 / math.sqrt(2)), rel=0.1)
    assert agreed.rake_u < 0.6 * spread.rake_u
    assert denied.rake_u > spread.rake_u


def test_a_wide_opening_is_a_taper_and_so_is_what_the_image_repeats() -> None:
    """No facet's edge lies five degrees off its side; no highlight is seen twice, lit alike."""
    camera = Camera(30000.0, 800.0, 600.0, 0.0, 1000.0)
    plain, wide = (solve(_edges(taper), camera, True) for taper in (1.5, 5.0))
    assert wide.rake_u < 0.5 * plain.rake_u

    def twice(lines: list[Line]) -> list[Line]:
        """The mirror's normal stands along y, so its image turns y over."""
        shanks = [x for x in lines if x.name.startswith("shank")]
        return lines + [replace(x, name=f"reflected {x.name}", y0=-x.y0, y1=-x.y1) for x in shanks]

    repeated = solve(twice(_edges(1.5)), camera, True)
    assert repeated.values["shank_taper"] == pytest.approx(plain.values["shank_taper"], abs=0.05)
    assert repeated.rake_u < 0.75 * plain.rake_u


def test_a_taper_seen_leaves_no_doubt_where_the_axis_comes_from_elsewhere() -> None:
    """Lines that weigh a hundredth of another's weight move the mean by a hundredth."""
    camera = Camera(30000.0, 800.0, 600.0, 0.0, 1000.0)
    a = math.radians(92)
    axis = Line("axis", 800, 700, 800 + 200 * math.cos(a), 700 + 200 * math.sin(a), 0.003)
    doubted = [replace(x, angle_u=0.03) if "shank" in x.name else x for x in _edges(1.5)]
    alone = solve([axis, *(x for x in doubted if "shank" not in x.name)], camera, True)
    both = solve([axis, *doubted], camera, True)
    assert both.rake_u == pytest.approx(alone.rake_u, rel=0.02)


@pytest.mark.parametrize(
    "told",
    [
        {"seen": (0.4, 0.6)},
        {"seen": (1.5, 0.6), "groove": (0.2, 0.35), "beyond": (0.1, 0.35)},
        {"seen": (1.0, 0.7), "beyond": (4.5, 0.35)},
        {"seen": (-0.2, 0.9), "grooves": (0.3, 0.35)},
    ],
)
def test_joined_line_against_bayes_on_a_fine_grid(told: dict[str, tuple[float, float]]) -> None:
    """Every source's error is one of two normal ones; mean and spread summed numerically."""
    slopes = np.linspace(-40, 40, 80001)
    density = np.ones_like(slopes)
    for name, (slope, u) in told.items():
        share, times = WRONG[name]
        right, wrong = (norm.pdf(slopes, slope, k * u) for k in (1.0, times))
        density *= (1 - share) * right + share * wrong
    density /= density.sum()
    mean = float(density @ slopes)
    spread = math.sqrt(float(density @ (slopes - mean) ** 2))
    line = joined_line(told, np.array([300.0, 200.0]), 50.0)
    assert math.degrees(line.angle) == pytest.approx(mean, abs=0.01)
    assert math.degrees(line.angle_u) == pytest.approx(spread, rel=0.01)
    assert line.middle == pytest.approx([300.0, 200.0])


def test_two_that_agree_outvote_a_third() -> None:
    told = {"seen": (1.5, 0.6), "groove": (0.2, 0.35)}
    tip = np.array([300.0, 200.0])
    with_third = joined_line({**told, "beyond": (0.2, 0.35)}, tip, 50.0)
    assert 0 < with_third.angle < joined_line(told, tip, 50.0).angle
    denied = joined_line({**told, "beyond": (3.0, 0.35)}, tip, 50.0)
    assert denied.angle_u > with_third.angle_u


def test_faint_grooves_on_what_may_be_a_card_are_believed_less() -> None:
    """On a card the rod's shadow passes for them and misleads the network alike."""
    told = {"seen": (1.0, 0.5), "groove": (0.8, 0.35)}
    tip = np.array([300.0, 200.0])
    lines = [joined_line(told, tip, 50.0, card) for card in (0.0, 0.3, 0.9)]
    us = [math.degrees(line.angle_u) for line in lines]
    assert us[0] < us[1] < us[2]
    assert us[0] < math.degrees(joined_line(told, tip, 50.0).angle_u)
    assert us[2] > CARD_U_DEG
    # the mean moves from the groove to what the network sees
    assert lines[0].angle < lines[1].angle < lines[2].angle < math.radians(1.0)


@pytest.mark.parametrize("card", [0.0, 0.4, 1.0])
def test_joined_line_is_the_mixture_of_record_and_card(card: float) -> None:
    """Drawn by chance: the surface first, then each source right or wrong about the slope."""
    told = {"seen": (1.5, 0.6), "groove": (0.5, 0.35)}
    slopes = np.linspace(-40, 40, 80001)

    def posterior(wrongs: dict[str, tuple[float, float]], most: float) -> np.ndarray:
        density = np.ones_like(slopes)
        for name, (slope, u) in told.items():
            own = min(u, most) if name == "groove" else u
            share, times = wrongs[name]
            right, wrong = (norm.pdf(slopes, slope, k * own) for k in (1.0, times))
            density *= (1 - share) * right + share * wrong
        return np.asarray(density / density.sum())

    record, shadow = posterior(ON_RECORD, RECORD_GROOVE_U_DEG), posterior(ON_CARD, 90.0)
    density = (1 - card) * record + card * shadow
    mean = float(density @ slopes)
    variance = float(density @ (slopes - mean) ** 2) + card * CARD_U_DEG**2
    line = joined_line(told, np.array([300.0, 200.0]), 50.0, card)
    assert math.degrees(line.angle) == pytest.approx(mean, abs=0.01)
    assert math.degrees(line.angle_u) == pytest.approx(math.sqrt(variance), rel=0.01)


def _grooved(slope: float, bend: float = 0.0) -> np.ndarray:
    """Lines at a slope (degrees, down to the right), bent left and right by a lens (radians)."""
    size = (900, 1200)
    rng = np.random.default_rng(2)
    texture = np.zeros(size)
    for y in np.arange(-600.0, 1500.0, 7.0):
        rows = y + bend / 2 * (np.arange(size[1]) - 600.0) ** 2 / 300.0
        inside = (rows > 0) & (rows < size[0] - 1)
        texture[rows[inside].astype(int), np.nonzero(inside)[0]] += 60 * rng.uniform(0.5, 1)
    grey = gaussian_filter(texture, (1.4, 0.6))
    grey = rotate(grey, -slope, reshape=False, order=1, mode="mirror")
    grey = 100 + 3 * grey + rng.normal(0, 1.5, size)
    return np.repeat(np.clip(grey, 0, 255).astype(np.uint8)[..., None], 3, axis=2)


def _rod(slope: float) -> SideRod:
    """A rod rising to the right over the texture, out of the way of it."""
    a = math.radians(slope - 20.0)
    limbs = [
        RodLine(600.0, 300.0 + d, 1190.0, 300.0 + d + 590 * math.tan(a), 50.0) for d in (-150, 0)
    ]
    return SideRod(limbs[0], limbs[1], np.array([600.0, 300.0]), 150.0, True, 50.0)


@pytest.mark.parametrize("slope", [-3.0, 0.7, 2.5])
def test_groove_slope_against_a_turned_texture(slope: float) -> None:
    groove = groove_slope(_grooved(slope), np.array([600.0, 500.0]), 60.0, _rod(slope))
    assert groove is not None
    assert groove.slope_deg == pytest.approx(slope, abs=3 * groove.u_deg)
    assert len(groove.sides) == 2
    assert groove.sides[0][0] < 600 < groove.sides[1][0]


def test_faint_grooves_among_streaks_are_less_certain_than_clear_ones() -> None:
    rng, tip, slope = np.random.default_rng(5), np.array([600.0, 500.0]), 1.3
    rows = np.repeat(gaussian_filter(rng.standard_normal((1400, 1)), (1.2, 0)), 1800, axis=1)
    lines = rotate(rows / rows.std(), -slope, reshape=False, order=1)[250:1150, 300:1500]
    streaks = gaussian_filter(rng.standard_normal(lines.shape), (1.2, 6.0))
    found = []
    for height in (2.0, 12.0):
        grey = np.clip(130 + height * lines + 6 * streaks / streaks.std(), 0, 255)
        rgb = np.repeat(grey.astype(np.uint8)[..., None], 3, axis=2)
        groove = groove_slope(rgb, tip, 60.0, _rod(slope))
        assert groove is not None
        assert abs(groove.slope_deg - slope) < 2 * groove.u_deg
        found.append(groove)
    faint, clear = found
    assert faint.u_deg > 0.3
    assert clear.u_deg < faint.u_deg / 2


@pytest.mark.parametrize("slope", [0.15, -0.25])
def test_groove_slope_in_a_small_photo(slope: float) -> None:
    """A slope of less than a pixel over a side's half width is not rounded to none."""
    small = _grooved(slope)[::2, ::2]
    a = math.radians(slope - 20.0)
    limbs = [RodLine(300, 150 + d, 595, 150 + d + 295 * math.tan(a), 50) for d in (-75, 0)]
    rod = SideRod(limbs[0], limbs[1], np.array([300.0, 150.0]), 75.0, True, 50.0)
    groove = groove_slope(small, np.array([300.0, 250.0]), 30.0, rod)
    assert groove is not None
    assert groove.slope_deg == pytest.approx(slope, abs=0.06)


def test_lines_on_one_side_are_less_certain_where_they_may_be_a_shadow() -> None:
    """The same texture to the right of the tip only, fine or as a shadow's two soft edges."""
    slope = 1.0
    tip = np.array([600.0, 500.0])
    fine = _grooved(slope)
    rng = np.random.default_rng(3)
    bare = np.repeat(rng.normal(130, 1.5, fine.shape[:2]).astype(np.uint8)[..., None], 3, axis=2)
    left = np.arange(fine.shape[1]) < 600
    one = groove_slope(np.where(left[None, :, None], bare, fine), tip, 60.0, _rod(slope))
    both = groove_slope(fine, tip, 60.0, _rod(slope))
    y, x = np.mgrid[: fine.shape[0], : fine.shape[1]]
    across = y - 505.0 - math.tan(math.radians(slope)) * (x - 600.0)
    shade = 40 * np.exp(-0.5 * (across / 8.0) ** 2) * ~left[None]
    shadow = groove_slope((bare - shade[..., None]).astype(np.uint8), tip, 60.0, _rod(slope))
    assert one is not None and both is not None and shadow is not None
    assert both.u_deg < 0.1
    assert one.u_deg < 0.3
    assert one.slope_deg == pytest.approx(slope, abs=3 * one.u_deg)
    assert shadow.u_deg >= SHADOW_U_DEG
    (line,) = groove_lines(one, tip, 50.0)
    assert line.middle[0] > 700


def test_bent_grooves_give_the_slope_at_the_tip() -> None:
    """A parabola's slope at its vertex is 0; the two sides differ by what its formula says."""
    bend = 0.01
    rgb = _grooved(0.0, bend)
    groove = groove_slope(rgb, np.array([600.0, 500.0]), 60.0, _rod(0.0))
    assert groove is not None
    assert groove.slope_deg == pytest.approx(0, abs=3 * groove.u_deg)
    (ax, _, left, _), (bx, _, right, _) = groove.sides
    assert right - left == pytest.approx(math.degrees(bend * (bx - ax) / 300.0), rel=0.25)
    lines = groove_lines(groove, np.array([600.0, 500.0]), 50.0)
    assert len({x.name for x in lines}) == 2
    assert all(x.name.startswith("surface") for x in lines)


def test_distortion_is_learnt_from_grooves_on_both_sides() -> None:
    """Lines drawn through a lens of k1 = -0.04: with both grooves the solver finds its sign."""
    lens = Camera(30000.0, 800.0, 600.0, -0.04, 1000.0)
    flat = {"rake": 92.0, "roll": 0.0, "elevation": 3.0, "azimuth": 0.0, "side_lean": 0.0}
    flat |= {"rise": 20.0, "shank_taper": 0.0, "cone_half": 27.0, "cone_skew": 0.0}
    flat |= {"rod_taper": 0.0, "groove_yaw": 0.0, "log_focal": 0.0, "centre_x": 0.0}
    flat |= {"centre_y": 0.0, "k1": 0.0}
    rough = [
        Line("shank left", 780, 700, 780, 900, math.radians(0.1)),
        Line("shank right", 820, 700, 820, 900, math.radians(0.1)),
        Line("surface one", 200, 950, 600, 950, math.radians(0.08)),
        Line("surface other", 1000, 950, 1400, 950, math.radians(0.08)),
    ]
    seen = []
    for line, angle in zip(rough, Predictor(rough, lens, True).angles(flat), strict=True):
        d = line.length / 2 * np.array([math.cos(angle), math.sin(angle)])
        (ax, ay), (bx, by) = line.middle - d, line.middle + d
        seen.append(Line(line.name, ax, ay, bx, by, line.angle_u))
    ideal = Camera(30000.0, 800.0, 600.0, 0.0, 1000.0)
    solution = solve(seen, ideal, True)
    assert solution.values["k1"] == pytest.approx(-0.04, abs=0.02)
    assert solution.rake == pytest.approx(92.0, abs=2 * solution.rake_u)
