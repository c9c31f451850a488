"""Lines as a person would draw them on a rendered photograph: true silhouettes, roughly placed.

Comes in: the truth of one photograph (`truth.json`). Goes out: named lines in its pixels, each end
up to ten pixels off and the direction up to three degrees, as a finger on a phone draws them. The
silhouettes come from the scene's own geometry, not from any finder.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from tests.scenes import assembly, degrade, photosets, rod_masks, world
from tests.scenes.world import Array

END_PX, TURN_DEG, LEAST_DRAWN_PX = 10.0, 3.0, 30.0
GLASS_INDEX = 1.52
# printed lines: each way, of the frame's longer side at least, about the null, before the body
MOST_LINES, LEAST_SEEN, REACH_MM, CLEAR_MM = 3, 0.08, 25.0, 0.5

Line = tuple[tuple[float, float], tuple[float, float]]


def drawn_lines(truth: dict[str, Any], rng: np.random.Generator) -> dict[str, Line]:
    """The lines that `truth["quantity"]` needs, roughly drawn."""
    return {name: roughly(line, rng) for name, line in true_lines(truth).items()}


def roughly(line: Array, rng: np.random.Generator) -> Line:
    """A line (2, 2) with each end moved within `END_PX`, turned by no more than `TURN_DEG`."""
    while True:
        away = rng.uniform(-1, 1, (2, 2))
        moved = line + END_PX * away
        before, after = line[1] - line[0], moved[1] - moved[0]
        cross = before[0] * after[1] - before[1] * after[0]
        turn = abs(np.degrees(np.arctan2(cross, before @ after)))
        if (np.linalg.norm(away, axis=1) <= 1).all() and turn <= TURN_DEG:
            (ax, ay), (bx, by) = moved.tolist()
            return (ax, ay), (bx, by)


def true_lines(truth: dict[str, Any]) -> dict[str, Array]:
    """Silhouette lines (2, 2) in pixels by the names that `vision` knows them by."""
    spec = photosets.spec_of(truth["quantity"], truth["seed"], truth["family"])
    scene = assembly.assemble(spec, photosets.WIDTH, photosets.HEIGHT)
    view = scene.view
    assert view is not None

    def pixels(points: Array) -> Array:
        placed = view.project(points)
        size = (photosets.WIDTH, photosets.HEIGHT)
        return np.asarray(degrade.photo_points(placed, size, truth["degradation"]))

    lines = {"rake": _shank, "cantilever": _limbs, "azimuth": _front_edge}[spec["quantity"]](
        spec, scene, view
    )
    deeper = 2 * _image_depth(spec)
    out = {}
    if spec["quantity"] == "cantilever":
        number = 0
        for way in _printed(spec, scene):
            runs = (_seen(pixels(line), truth["degradation"]) for line in way)
            for run in [run for run in runs if run is not None][:MOST_LINES]:
                number += 1
                out[f"grid line {number}"] = run
    for name, ends in lines.items():
        out[name] = pixels(ends)
        if spec["quantity"] != "cantilever":
            out[f"reflected {name}"] = pixels(ends * [1, 1, -1] - [0, 0, deeper])
    if spec["quantity"] == "cantilever" and spec["surface"] in rod_masks.MIRRORS:
        image = {
            name: _inside(pixels(line), truth["degradation"])
            for name, line in _mirrored_limbs(spec, scene, view).items()
        }
        whole = {name: line for name, line in image.items() if line is not None}
        out |= whole if len(whole) == len(image) else {}
    return out


def _printed(spec: dict[str, Any], scene: assembly.Assembly) -> list[list[Array]]:
    """Points along each printed line before the body, by the way they run, the null's first."""
    ground = spec["ground"]
    null = scene.points_mm["null"]
    along = world.unit(scene.points_mm["grid line far"] - null)
    square = np.cross([0.0, 0.0, 1.0], along)
    steps = ground["grid_pitch_mm"] * np.array([0, 1, -1, 2, -2, 3, -3])
    s = np.linspace(-REACH_MM, REACH_MM, 400)[:, None]
    before = spec["body"]["front_mm"] - CLEAR_MM
    ways = []
    for run, aside in ((along, square), (square, along)):
        lines = [null + k * aside + s * run for k in steps]
        ways.append([line[line[:, 0] < before] for line in lines])
    return ways


def _seen(line: Array, plan: dict[str, Any]) -> Array | None:
    """Both ends of what of a printed line lies in the photo, None where that is little."""
    ends = _inside(line, plan)
    least = LEAST_SEEN * max(plan["width"], plan["height"])
    return None if ends is None or np.linalg.norm(ends[1] - ends[0]) < least else ends


def _inside(line: Array, plan: dict[str, Any]) -> Array | None:
    """Both ends of what of a line of points lies in the photo, None where nothing to draw does."""
    size = np.array([plan["width"], plan["height"]])
    inside = line[((line > 0) & (line < size - 1)).all(axis=1)]
    if len(inside) < 2 or np.linalg.norm(inside[-1] - inside[0]) < LEAST_DRAWN_PX:
        return None
    return inside[[0, -1]]


def _image_depth(spec: dict[str, Any]) -> float:
    """How far below the front face the mirror seems to lie (mm): Snell's law in the glass.

    Seen at a grazing angle the front face itself reflects most.
    """
    if spec["surface"] != rod_masks.IN_GLASS or spec["camera"]["elevation_deg"] < 9:
        return 0.0
    incidence = np.radians(90 - spec["camera"]["elevation_deg"])
    inside = np.arcsin(np.sin(incidence) / GLASS_INDEX)
    return float(spec["ground"]["thickness_mm"] * np.tan(inside) / np.tan(incidence))


def _across(axis: Array, view: world.View, at: Array) -> Array:
    """Unit vector square to an axis and to the line of sight, to the viewer's right."""
    side = world.unit(np.cross(axis, at - view.position))
    return side if side @ view.right > 0 else -side


def _shank(spec: dict[str, Any], scene: assembly.Assembly, view: world.View) -> dict[str, Array]:
    """The longer straight stretch of each side: the shank's, or the cone's where little shows."""
    axis = world.stylus_axis(spec["rake_deg"], spec["side_lean_deg"], spec["cantilever_yaw_deg"])
    parts = ("stylus", "stylus tip", "stylus shank")
    vertices = np.concatenate([m.vertices for name, m, _ in scene.parts if name in parts])
    height = vertices @ axis
    levels = np.unique(np.round(height, 6))
    rod = float(scene.points_mm["shank under rod"] @ axis)
    across = _across(axis, view, scene.points_mm["cone top"])
    out = {}
    for name, side in (("shank left", -across), ("shank right", across)):
        reach = (vertices - height[:, None] * axis) @ side
        width = np.array([reach[abs(height - z) < 1e-5].max() for z in levels])
        slope = np.diff(width) / np.diff(levels)
        corner = levels[:-1][slope > 0.6 * np.median(slope[: len(slope) // 2])].max()
        cone, shank = (0.25 * corner, 0.9 * min(corner, rod)), (corner, rod)
        ends = np.array(max((cone, shank), key=lambda e: e[1] - e[0]))
        out[name] = np.outer(ends, axis) + np.outer(np.interp(ends, levels, width), side)
    return out


def _mirrored_limbs(
    spec: dict[str, Any], scene: assembly.Assembly, view: world.View
) -> dict[str, Array]:
    """The sides that the mirror shows, seen from below, where they are seen."""
    glass = rod_masks.glass_mm(spec)
    eye = rod_masks.mirrored(view.position[None], view.position, 0.0)[0]
    seen = {}
    for name, (low, high) in _limbs(spec, scene, replace(view, position=eye)).items():
        points = low + np.linspace(0, 1, 100)[:, None] * (high - low)
        seen[f"reflected {name}"] = rod_masks.mirrored(points, view.position, glass)
    return seen


def _limbs(spec: dict[str, Any], scene: assembly.Assembly, view: world.View) -> dict[str, Array]:
    rod = spec["cantilever"]
    along = world.cantilever_direction(spec["cantilever_yaw_deg"], spec["cantilever_rise_deg"])
    start = scene.points_mm["rod axis at free end"]
    reach = float((scene.points_mm["rod axis at body"] - start) @ along)
    ends = reach * (np.array([0.1, 0.4]) if rod["kind"] == "sleeved rod" else np.array([0.1, 0.85]))
    across = _across(along, view, start)
    grow = (rod["far_radius_mm"] - rod["radius_mm"]) / rod["length_mm"]
    radii = rod["radius_mm"] + grow * ends
    return {
        name: start + np.outer(ends, along) + np.outer(radii, side)
        for name, side in (("left edge", -across), ("right edge", across))
    }


def _front_edge(
    spec: dict[str, Any], scene: assembly.Assembly, view: world.View
) -> dict[str, Array]:
    ends = np.array([scene.points_mm["front edge left"], scene.points_mm["front edge right"]])
    body = spec["body"]
    turn = world.rotation_z(spec["body_yaw_deg"]) @ world.rotation_x(spec["azimuth_deg"])
    if body["kind"] == "open-front":
        # between the cheeks, the core's edge is the one to draw along
        half, low = body["width_mm"] / 2 * (1 - 1.6 * 0.12), body["gap_mm"] + 1.2
        core = np.array([[body["front_mm"] + 3.0, side * half, low] for side in (1, -1)])
        return {"lower edge": core @ (turn @ world.rotation_y(spec["body_pitch_deg"])).T}
    broken = body["bevel_mm"] * {"bevelled": 2.0}.get(body["kind"], 1.0)
    behind, above = ends + turn @ [broken, 0, 0], ends + turn @ [0, 0, broken]
    lower = max((behind, above), key=lambda e: float(view.project(e)[:, 1].mean()))
    return {"lower edge": lower}
