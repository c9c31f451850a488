"""Lines that a person drew along a rod and its reflection.

Outside checks: the reflection of a cylinder built point by point in three dimensions, through
glass by Snell's law solved with `scipy.optimize.brentq` (`grid_views`); 95 % within two standard
deviations (JCGM 100:2008); the truth of rendered photographs.
"""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.grid_views import grid_pose, seen_in_mirror
from tests.limbs import cylinder_rings, cylinder_rod, turn_between
from tests.scenes import hand_marks
from vision.cantilever import IMAGE_MARKS, _drawn_above, find_cantilever, read_cantilever
from vision.cantilever_solve import CantileverLines
from vision.grid import GridPose
from vision.measure import Options
from vision.network import mean_and_spread
from vision.photo import load_photo
from vision.reading import Reading, Refusal
from vision.rod import Rod
from vision.rod_drawn import Marked, as_drawn
from vision.rod_kinds import RodOutline
from vision.rod_rise import RISES_DEG as LOOKED_AT_DEG

Array = NDArray[np.float64]
SAMPLES = Path(__file__).parents[1] / "sample_images"
TRUTH = json.loads((SAMPLES / "truth.json").read_text(encoding="utf-8"))
RISES_DEG = np.arange(8.0, 34.0, 0.25)
RISES = np.radians(RISES_DEG)
HEIGHTS = np.geomspace(0.4, 5.0, 60)


def mirrored_sides(pose: GridPose, rise_deg: float) -> Array:
    """Both sides (2, 2, 2) of a cylinder's mirror image: its outermost points at two places."""
    rings = cylinder_rings(rise_deg, np.array([0.05, 0.75]), 720)
    seen = [seen_in_mirror(pose, ring) for ring in rings]
    run = seen[1].mean(axis=0) - seen[0].mean(axis=0)
    across = np.array([-run[1], run[0]])
    return np.array([[at[pick(at @ across)] for at in seen] for pick in (np.argmin, np.argmax)])


def log_of(pose: GridPose, rod: Rod, sides: Array, sd: float) -> Array:
    """What drawn sides tell of each rise."""
    log = as_drawn(pose, rod, sides, sd, RISES, HEIGHTS)
    assert log is not None
    return log


@pytest.mark.parametrize("thickness", [None, 0.4])
@pytest.mark.parametrize("aside", [12.0, -8.0])
@pytest.mark.parametrize("rise", [15.0, 20.0, 26.0])
def test_lines_along_the_reflection_tell_the_rise(
    rise: float, aside: float, thickness: float | None
) -> None:
    pose = grid_pose(42, aside, 0, thickness=thickness)
    rod = cylinder_rod(pose, rise)
    sides = mirrored_sides(pose, rise)
    for order in (sides, sides[::-1], sides[:, ::-1]):
        told, u = mean_and_spread(log_of(pose, rod, order, 0.5), RISES_DEG)
        assert abs(told - rise) < 0.5
        assert u < 0.6
    rng = np.random.default_rng(round(rise + aside))
    off = []
    for _ in range(60):
        reach = rng.normal(0, 5.0, sides.shape)
        told, u = mean_and_spread(log_of(pose, rod, sides + reach, 5.0), RISES_DEG)
        off.append(abs(told - rise) / u)
    assert np.mean(np.array(off) < 2) > 0.85
    assert np.median(off) > 0.3


def test_sides_that_are_no_reflection_of_the_rod_tell_nothing() -> None:
    pose = grid_pose(42, 12.0, 0)
    rod = cylinder_rod(pose, 20.0)
    sides = mirrored_sides(pose, 20.0)
    assert as_drawn(pose, rod, sides + [10.0, -10.0], 5.0, RISES, HEIGHTS) is not None
    assert as_drawn(pose, rod, sides + [0.0, 600.0], 5.0, RISES, HEIGHTS) is None


def test_a_drawn_reflection_tells_that_there_is_no_glass() -> None:
    bare = grid_pose(42, 12.0, 0)
    rod = cylinder_rod(bare, 20.0)
    sides = bare.camera.distort(mirrored_sides(bare, 20.0))
    marked = Marked(np.zeros((2, 2, 2)), sides, 12.0, 5.0)
    deep = replace(bare, thickness=1.2)
    for pose, expected in ((bare, None), (deep, None), (replace(bare, thickness=0.05), 0.05)):
        found = _drawn_above(pose, rod, marked)
        assert found is not None
        assert found[0].thickness == expected
        told, u = mean_and_spread(found[2], LOOKED_AT_DEG)
        assert abs(told - 20.0) < 2 * u
    assert _drawn_above(deep, rod, replace(marked, image=sides + [0.0, 600.0])) is None


def test_a_reflection_drawn_elsewhere_is_refused() -> None:
    name, marks = a_drawn_photo()
    for side in ("left", "right"):
        (x0, y0), (x1, y1) = marks[f"reflected {side} edge"]
        marks[f"reflected {side} edge"] = ((x0, y0 + 500.0), (x1, y1 + 500.0))
    outcome = read_cantilever(load_photo(SAMPLES / name), Options(marks=marks))
    assert isinstance(outcome, Refusal)
    assert "reflection" in outcome.reason


def a_drawn_photo() -> tuple[str, dict[str, hand_marks.Line]]:
    name = "cantilever-3.jpg"  # over a back-silvered mirror
    truth = TRUTH[name] | {"family": "samples"}
    return name, hand_marks.drawn_lines(truth, np.random.default_rng(3))


def test_a_drawn_reflection_leaves_less_of_the_rise_open() -> None:
    name, marks = a_drawn_photo()
    photo = load_photo(SAMPLES / name)
    plain = {n: line for n, line in marks.items() if n not in IMAGE_MARKS}
    assert set(IMAGE_MARKS) <= set(marks)
    without, read = (read_cantilever(photo, Options(marks=m)) for m in (plain, marks))
    assert isinstance(read, Reading) and isinstance(without, Reading)
    assert abs(read.value - TRUTH[name]["truth_deg"]) < read.expanded_uncertainty
    rises = [r.components[0].standard_uncertainty for r in (read, without)]
    assert rises[0] < rises[1]
    assert abs(read.components[0].value - TRUTH[name]["cantilever_rise_deg"]) < 4 * rises[0]


def test_one_drawn_side_of_the_reflection_is_not_enough() -> None:
    name, marks = a_drawn_photo()
    del marks["reflected right edge"]
    outcome = read_cantilever(load_photo(SAMPLES / name), Options(marks=marks))
    assert isinstance(outcome, Refusal)
    assert "reflected right edge" in outcome.reason


def outline(low: tuple[float, float], high: tuple[float, float]) -> RodOutline:
    axis = np.array([low, high])
    return RodOutline(axis - [9, 0], axis + [9, 0], 0.95, 4.0, sds=(0.3, 0.004))


def test_of_what_is_shown_only_what_lies_along_the_lines_is_taken() -> None:
    marked = Marked(
        np.array([[[95, 300], [92, 100]], [[114, 296], [108, 104]]], float), None, 12, 5
    )
    along, beside = outline((100, 300), (100, 100)), outline((140, 300), (140, 100))
    turned = outline((100, 300), (122, 100))
    assert marked.outline_of(along, lambda o: o) is along
    for other in (beside, turned):
        drawn = marked.outline_of(other, lambda o: o)
        assert drawn.sds is None
        np.testing.assert_allclose(drawn.left, marked.rod[0])
    # a nearer look along the lines finds what the whole picture did not show
    assert marked.outline_of(None, lambda _: along) is along


def test_lines_drawn_beside_a_rod_do_not_bend_its_edges() -> None:
    """Drawn ten pixels off or not, the same edges are found."""
    name, marks = a_drawn_photo()
    photo = load_photo(SAMPLES / name)
    rods = []
    for m in (None, marks):
        lines = find_cantilever(photo, Options(marks=m))
        assert isinstance(lines, CantileverLines)
        rods.append(np.array(lines.rod.axis))
    run = rods[0][1] - rods[0][0]
    assert abs(math.degrees(turn_between(*rods[1], (rods[0][0], rods[0][1])))) < 0.2
    off = (rods[1].mean(axis=0) - rods[0][0]) @ np.array([-run[1], run[0]]) / np.linalg.norm(run)
    assert abs(off) < 1.5
