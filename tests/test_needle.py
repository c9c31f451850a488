"""The needle finder on drawn pictures whose outlines are known, and on made-up sets of edges.

Truth comes from the corners the polygons are drawn from (OpenCV's `fillPoly`), never from the
finder's own model.
"""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest

from vision.needle import Needle, find_needle, usable
from vision.needle_choose import (
    NeedleEdge,
    chosen,
    off_axis,
    quality,
    taper_seen,
)
from vision.side_rod import RodLine, SideRod, find_side_rod

WIDTH, HEIGHT, SCALE = 1200, 900, 3
TIP = np.array([520.0, 640.0])
ROD_T = 160.0
TOL_DEG = 0.25  # of one side, 150 px long, noise 2 of 255


def _axes(lean: float) -> tuple[np.ndarray, np.ndarray]:
    a = math.radians(lean)
    return np.array([math.sin(a), -math.cos(a)]), np.array([math.cos(a), math.sin(a)])


def _outline(lean: float, taper: float, half: float, cone: float = 90.0) -> np.ndarray:
    """Tip, right corner, right top, left top, left corner; ``taper`` degrees a side."""
    axis, across = _axes(lean)
    top = 330.0
    wide = half + (top - cone) * math.tan(math.radians(taper))
    return np.array(
        [
            TIP,
            TIP + cone * axis + half * across,
            TIP + top * axis + wide * across,
            TIP + top * axis - wide * across,
            TIP + cone * axis - half * across,
        ]
    )


def _fill(picture: np.ndarray, corners: np.ndarray, grey: float) -> None:
    at = np.round(((corners + 0.5) * SCALE - 0.5) * 16).astype(np.int32)
    cv2.fillPoly(picture, [at], grey, cv2.LINE_AA, 4)


def _rod() -> tuple[SideRod, np.ndarray]:
    """A rod rising to the right above the tip, and its corners."""
    along = np.array([math.cos(math.radians(18)), -math.sin(math.radians(18))])
    down = np.array([-along[1], along[0]])
    low = TIP + np.array([0.0, -270.0])
    a, b = low - 110 * along, low + 900 * along
    corners = np.array([a, b, b - ROD_T * down, a - ROD_T * down])
    top = RodLine(*map(float, (*corners[3], *corners[2])), 50.0)
    bottom = RodLine(*map(float, (*a, *b)), 50.0)
    return SideRod(top, bottom, a, ROD_T, True, 50.0), corners


def _finish(picture: np.ndarray, blur: float = 1.2) -> np.ndarray:
    small = cv2.resize(picture, (WIDTH, HEIGHT), interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), blur)
    small = small + np.random.default_rng(8).normal(0, 2.0, small.shape)
    return np.repeat(np.clip(small + 0.5, 0, 255).astype(np.uint8)[..., None], 3, axis=2)


def _backdrop(left: float, right: float) -> np.ndarray:
    picture = np.full((HEIGHT * SCALE, WIDTH * SCALE), right, np.float32)
    picture[:, : int(TIP[0] * SCALE)] = left
    return picture


def _lean(edge: NeedleEdge) -> float:
    dx, dy = edge.p1 - edge.p0
    return math.degrees(math.atan(-dx / dy))


def _drawn_lean(corners: np.ndarray, a: int, b: int) -> float:
    dx, dy = corners[b] - corners[a]
    return math.degrees(math.atan(-dx / dy))


def _found(rgb: np.ndarray) -> Needle:
    needle = find_needle(rgb, _rod()[0])
    assert needle is not None
    assert {"shank left", "shank right"} <= set(needle.edges)
    return needle


@pytest.mark.parametrize("taper", [0.0, 3.0, 5.0])
@pytest.mark.parametrize("lean", [-6.0, 3.0])
def test_both_sides_of_the_shank_are_kept(taper: float, lean: float) -> None:
    outline = _outline(lean, taper, 45.0)
    picture = _backdrop(170, 170)
    _fill(picture, outline, 70)
    _fill(picture, _rod()[1], 40)
    needle = _found(_finish(picture))
    left, right = (_lean(needle.edges[f"shank {hand}"]) for hand in ("left", "right"))
    assert left == pytest.approx(_drawn_lean(outline, 3, 4), abs=TOL_DEG)
    assert right == pytest.approx(_drawn_lean(outline, 1, 2), abs=TOL_DEG)
    assert (left + right) / 2 == pytest.approx(lean, abs=TOL_DEG)


def test_sides_may_step_the_same_way() -> None:
    """Backdrop darker on the left and brighter on the right than the needle."""
    outline = _outline(2.0, 0.0, 45.0)
    picture = _backdrop(80, 190)
    _fill(picture, outline, 135)
    _fill(picture, _rod()[1], 30)
    needle = _found(_finish(picture))
    for hand, (a, b) in (("left", (3, 4)), ("right", (1, 2))):
        edge = needle.edges[f"shank {hand}"]
        assert _lean(edge) == pytest.approx(_drawn_lean(outline, a, b), abs=TOL_DEG)
        middle = (outline[a] + outline[b]) / 2
        _, across = _axes(2.0)
        assert abs((edge.p0 - middle) @ across) < 3


def test_a_bright_facet_is_not_taken_for_the_needle() -> None:
    """A strip of stronger contrast inside the shank: the silhouette is what counts."""
    outline = _outline(-3.0, 0.0, 60.0)
    axis, across = _axes(-3.0)
    picture = _backdrop(150, 150)
    _fill(picture, outline, 100)
    facet = [TIP + h * axis + s * across for h, s in ((95, 2), (95, 34), (330, 34), (330, 2))]
    _fill(picture, np.array(facet), 235)
    _fill(picture, _rod()[1], 40)
    needle = _found(_finish(picture))
    for hand, side in (("left", -1), ("right", 1)):
        edge = needle.edges[f"shank {hand}"]
        assert (edge.p0 - TIP) @ across == pytest.approx(side * 60, abs=3)


def test_a_faint_outline_outside_a_strong_facet_is_found() -> None:
    """A pale side before a pale backdrop: eight grey levels, against a hundred at the facet."""
    outline = _outline(2.0, 3.0, 55.0)
    axis, across = _axes(2.0)
    picture = _backdrop(180, 180)
    _fill(picture, outline, 80)
    pale = [TIP + h * axis + s * across for h, s in ((95, 12), (95, 75), (330, 75), (330, 12))]
    mask = np.zeros_like(picture)
    _fill(mask, outline, 1)
    side = np.zeros_like(picture)
    _fill(side, np.array(pale), 1)
    picture = np.where((mask > 0.5) & (side > 0.5), np.float32(172), picture)
    _fill(picture, _rod()[1], 40)
    needle = _found(_finish(picture))
    for hand, (a, b) in (("left", (3, 4)), ("right", (1, 2))):
        edge = needle.edges[f"shank {hand}"]
        assert abs((edge.p0 - (outline[a] + outline[b]) / 2) @ across) < 12
        assert _lean(edge) == pytest.approx(
            _drawn_lean(outline, a, b), abs=1.2
        )  # the facet leans 3 less


def test_a_soft_picture_still_shows_both_sides() -> None:
    outline = _outline(4.0, 0.0, 50.0)
    picture = _backdrop(170, 170)
    _fill(picture, outline, 90)
    _fill(picture, _rod()[1], 60)
    needle = _found(_finish(picture, blur=6.0))
    pair = [_lean(needle.edges[f"shank {hand}"]) for hand in ("left", "right")]
    assert np.mean(pair) == pytest.approx(4.0, abs=1.5)
    # edges so soft may count for little: then the outline tells
    seen = math.degrees(math.atan2(needle.outline.axis[0], -needle.outline.axis[1]))
    assert seen == pytest.approx(4.0, abs=2 * needle.axis_u_deg)
    assert needle.axis_u_deg < 1.0


def test_an_empty_place_has_no_needle_with_two_clear_sides() -> None:
    picture = _backdrop(170, 170)
    _fill(picture, _rod()[1], 40)
    needle = find_needle(_finish(picture), _rod()[0])
    assert needle is None or needle.axis_u_deg > 2  # `vision.rake` refuses that


def _edge(lean: float, place: float, strength: float = 10.0) -> NeedleEdge:
    axis, across = _axes(lean)
    p0 = np.array([500.0, 500.0]) + place * across
    return NeedleEdge(
        p0, p0 + 150 * axis, 0.002, 1.0, strength, lean, place, 0, 1, strength / 100, 1.2
    )


def test_a_clear_lone_edge_does_not_outweigh_a_pair() -> None:
    lone, left, right = _edge(4.0, -30, 12.0), _edge(0.1, -50, 8.0), _edge(-0.1, 50, 8.0)
    edges = chosen({"shank left": [lone, left], "shank right": [right]}, 100.0, 1.0, 1.0)
    assert edges["shank left"] is left
    assert edges["shank right"] is right
    pair = quality(edges, 100.0, 1.0)
    assert pair > 2 * quality({"shank left": left}, 100.0, 1.0)


def test_the_two_views_agree_on_the_width() -> None:
    """A facet answers in the direct view; only the silhouette has its like in the reflection."""
    slots = {
        "shank left": [_edge(0.0, -50)],
        "shank right": [_edge(0.0, 25, 11.0), _edge(0.2, 50, 10.0)],
        "reflected shank left": [_edge(0.1, -50)],
        "reflected shank right": [_edge(0.0, 50)],
    }
    edges = chosen(slots, 100.0, 1.0, 1.0)
    assert edges["shank right"].place == 50


def test_the_cone_stands_below_its_shank() -> None:
    """One wall of a glass shank is a clear strip too, but the cone is not under its middle."""
    slots = {
        "shank left": [_edge(0.0, -50)],
        "shank right": [_edge(0.0, -10, 12.0), _edge(0.2, 50, 6.0)],
        "cone left": [_edge(-26.0, -45)],
        "cone right": [_edge(26.0, 45)],
    }
    edges = chosen(slots, 100.0, 1.0, 1.0)
    assert edges["shank right"].place == 50


def test_the_tip_lies_on_the_axis_of_the_shank() -> None:
    """Flanks through a known tip; a facet's edge instead of the outline shifts the axis."""

    def flank(lean: float, up: float) -> NeedleEdge:
        axis, _ = _axes(lean)
        p0 = np.array([500.0, 700.0]) + 20 * up * axis
        return NeedleEdge(p0, p0 + 90 * up * axis, 0.002, 1.0, 9.0, lean, 0.0, 0, 1, 0.1, 1.2)

    shank = {"shank left": _edge(0.0, -50), "shank right": _edge(0.0, 50)}
    facet = {**shank, "shank right": _edge(0.0, 10)}
    flanks = {"cone left": flank(-26.0, 1.0), "cone right": flank(26.0, 1.0)}
    assert off_axis({**shank, **flanks}) == pytest.approx(0.0, abs=0.01)
    assert off_axis({**facet, **flanks}) == pytest.approx(20 / 60, abs=0.01)
    image = {"cone left": flank(-26.0, 1.0), "reflected cone left": flank(26.0, -1.0)}
    assert off_axis({**facet, **image}) == pytest.approx(20 / 60, abs=0.01)
    assert off_axis(facet) == 0.0
    assert off_axis(facet, np.array([500.0, 700.0])) == pytest.approx(20 / 60, abs=0.01)
    assert quality({**facet, **flanks}, 100.0, 1.0) < 0.3 * quality({**shank, **flanks}, 100.0, 1.0)


def test_a_tapering_shank_is_less_certain_than_a_straight_one() -> None:
    """Its sides need not taper alike; the taper seen is the one drawn."""
    u = []
    for taper in (0.0, 4.0):
        picture = _backdrop(185, 185)
        _fill(picture, _outline(1.5, taper, 48.0), 70)
        _fill(picture, _rod()[1], 40)
        edges = _found(_finish(picture)).edges
        assert taper_seen(edges) == pytest.approx(taper, abs=TOL_DEG)
        u.append(math.degrees(edges["shank left"].angle_u))
    assert u[1] > u[0] + 0.1


def test_weak_edges_are_left_out_and_lone_cones_less_certain() -> None:
    sides = {"shank left": _edge(0.0, -50, 3.0), "shank right": _edge(0.0, 50)}
    cones = {"cone left": _edge(-27.0, -20), "cone right": _edge(27.0, 20)}
    alone, beside = dict(usable(cones)), dict(usable({**cones, **sides}))
    assert alone["cone left"].angle_u > beside["cone left"].angle_u
    none = replace(sides["shank right"], strength=1.0)
    assert "shank right" not in dict(usable({"shank right": none}))


def test_limbs_that_the_frame_cuts_still_make_a_rod() -> None:
    """So close that the upper limb leaves the frame where the lower one begins."""
    along = np.array([math.cos(math.radians(25)), -math.sin(math.radians(25))])
    down = np.array([-along[1], along[0]])
    a = np.array([430.0, 620.0])
    b = a + 1500 * along
    thickness = 330.0
    picture = np.full((HEIGHT * SCALE, WIDTH * SCALE), 190, np.float32)
    _fill(picture, np.array([a, b, b - thickness * down, a - thickness * down]), 60)
    rod = find_side_rod(_finish(picture))
    assert rod is not None
    assert rod.pivot_right
    assert rod.thickness == pytest.approx(thickness, rel=0.05)
    assert math.degrees(rod.slope) == pytest.approx(-25.0, abs=0.5)


def _rod_picture(*lines: tuple[tuple[float, float], tuple[float, float]]) -> np.ndarray:
    """A dark rod on a paler ground, crossed or accompanied by thin pale threads."""
    picture = _backdrop(150, 150)
    _fill(picture, _rod()[1], 40)
    for a, b in lines:
        ends = [np.round(np.array(p) * SCALE).astype(int).tolist() for p in (a, b)]
        cv2.line(picture, ends[0], ends[1], 250.0, 5 * SCALE, cv2.LINE_AA)
    return _finish(picture)


def test_a_thread_below_the_rod_is_not_its_lower_limb() -> None:
    alone = find_side_rod(_rod_picture())
    beside = find_side_rod(_rod_picture(((620.0, 470.0), (860.0, 395.0))))
    assert alone is not None
    assert beside is not None
    assert alone.thickness == pytest.approx(ROD_T, rel=0.06)
    assert beside.thickness == pytest.approx(alone.thickness, rel=0.03)


def test_two_edges_across_the_whole_picture_are_no_rod() -> None:
    """A seam and the edge of a table run from border to border; a rod ends in the picture."""
    picture = _rod_picture(((0.0, 800.0), (1199.0, 690.0)), ((0.0, 880.0), (1199.0, 770.0)))
    rod = find_side_rod(picture)
    assert rod is not None
    assert rod.thickness == pytest.approx(ROD_T, rel=0.06)
    assert abs(rod.free_end[0] - _rod()[0].free_end[0]) < 0.3 * ROD_T
