"""Lines drawn as by hand lie along the silhouettes that the scene's own geometry has."""

import math

import numpy as np
import pytest

from tests.scenes import assembly, degrade, hand_marks, photosets, recipe, rod_masks, world


def a_truth(quantity, seed, surface=None):
    spec = recipe.draw(quantity, seed, "tuning")
    scene = assembly.assemble(spec, photosets.WIDTH, photosets.HEIGHT)
    plan = degrade.plan(np.random.default_rng(seed)) | {"radial_k1": 0.0, "orientation": 1}
    focal = degrade.focal_px(scene.view.focal_px, photosets.WIDTH, plan)
    size = (photosets.WIDTH, photosets.HEIGHT)
    return photosets.truth_of(spec, scene, plan, focal, size), spec, scene


def direction(line):
    along = line[1] - line[0]
    return math.degrees(math.atan2(along[1], along[0]))


def apart(a, b):
    return abs((a - b + 90) % 180 - 90)


@pytest.mark.parametrize("seed", range(100, 106))
def test_shank_and_image_open_alike_about_the_axis(seed):
    """The bisector is the projected axis (0.3 degrees: perspective and a many-sided shank)."""
    truth, _, _ = a_truth("rake", seed)
    lines = hand_marks.true_lines(truth)
    points = truth["points_px"]
    axis = direction(np.array([points["stylus tip"], points["shank under rod"]]))
    left, right = direction(lines["shank left"]), direction(lines["shank right"])
    middle = left + ((right - left + 90) % 180 - 90) / 2
    assert apart(middle, axis) < 0.3
    assert lines["shank left"][:, 0].mean() < lines["shank right"][:, 0].mean()
    image = [direction(lines[f"reflected shank {side}"]) for side in ("left", "right")]
    assert apart(image[1] - image[0], left - right) < 1.0


@pytest.mark.parametrize("seed", range(100, 104))
def test_limbs_stand_a_radius_from_the_axis(seed):
    truth, spec, _ = a_truth("cantilever", seed)
    lines = hand_marks.true_lines(truth)
    points = truth["points_px"]
    free, body = (np.array(points[f"rod axis at {end}"]) for end in ("free end", "body"))
    along = (body - free) / np.linalg.norm(body - free)
    off = [
        float(np.cross(np.append(along, 0), np.append(lines[n].mean(axis=0) - free, 0))[2])
        for n in ("left edge", "right edge")
    ]
    assert off[0] * off[1] < 0
    assert sum(off) == pytest.approx(0, abs=0.05 * abs(off[0] - off[1]))
    scale = truth["focal_px"] / spec["camera"]["distance_mm"]
    assert abs(off[0] - off[1]) / 2 == pytest.approx(
        scale * spec["cantilever"]["radius_mm"], rel=0.6
    )


@pytest.mark.parametrize("seed", range(100, 112))
def test_reflected_limbs_stand_on_both_sides_of_the_reflected_axis(seed):
    """Over mirrors only; through glass as `rod_masks.mirrored` has it, by Snell's law."""
    truth, spec, scene = a_truth("cantilever", seed)
    lines = hand_marks.true_lines(truth)
    drawn = [lines[n] for n in ("reflected left edge", "reflected right edge") if n in lines]
    assert len(drawn) in (0, 2)
    assert not drawn or spec["surface"] in rod_masks.MIRRORS
    if not drawn:
        return
    size = (photosets.WIDTH, photosets.HEIGHT)
    axis = degrade.photo_points(
        scene.view.project(rod_masks.reflected_axis(scene, spec)), size, truth["degradation"]
    )
    along = (axis[1] - axis[0]) / np.linalg.norm(axis[1] - axis[0])
    left, right = ((line - axis[0]) @ [-along[1], along[0]] for line in drawn)
    assert left.max() * right.min() < 0 and left.min() * right.max() < 0
    assert left + right == pytest.approx(0, abs=0.1 * np.ptp([left, right]))


def test_the_lower_edge_and_its_image_lie_on_both_sides_of_the_mirror():
    truth, _, scene = a_truth("azimuth", 101)
    lines = hand_marks.true_lines(truth)
    height = {name: line[:, 1].mean() for name, line in lines.items()}
    assert height["lower edge"] < height["reflected lower edge"]
    assert world.azimuth_of(
        scene.points_mm["front edge left"] - scene.points_mm["front edge right"]
    ) == pytest.approx(truth["truth_deg"], abs=1e-3)


def test_rough_lines_stay_within_a_fingers_reach():
    rng = np.random.default_rng(1)
    line = np.array([[100.0, 200.0], [160.0, 420.0]])
    seen = []
    for _ in range(300):
        moved = np.array(hand_marks.roughly(line, rng))
        assert (np.linalg.norm(moved - line, axis=1) <= hand_marks.END_PX).all()
        seen.append(apart(direction(moved), direction(line)))
    assert max(seen) <= hand_marks.TURN_DEG
    assert max(seen) > 0.7 * hand_marks.TURN_DEG


@pytest.mark.parametrize("seed", range(100, 106))
def test_printed_lines_meet_where_the_grid_has_its_nodes(seed):
    """The null's column and row cross at the null; lines beside them are a whole pitch off."""
    truth, spec, scene = a_truth("cantilever", seed)
    lines = [v for name, v in hand_marks.true_lines(truth).items() if name.startswith("grid line")]
    assert len(lines) >= 2
    size = np.array([photosets.WIDTH, photosets.HEIGHT])
    along = world.unit(scene.points_mm["grid line far"] - scene.points_mm["null"])
    square = np.cross([0, 0, 1], along)
    pitch = spec["ground"]["grid_pitch_mm"]
    steps = np.arange(-4, 5)
    nodes = scene.points_mm["null"] + pitch * (
        steps[:, None, None] * along + steps[None, :, None] * square
    )
    placed = degrade.photo_points(
        scene.view.project(nodes.reshape(-1, 3)), size, truth["degradation"]
    )
    for line in lines:
        run = line[1] - line[0]
        normal = np.array([-run[1], run[0]]) / np.linalg.norm(run)
        assert (np.abs((placed - line[0]) @ normal) < 1.0).sum() >= 4
