"""Where a rod's reflection would lie for each rise and height, in pictures of known scenes.

Comes in: a scene, its parameters and a photo's plan. Goes out: the frame of the look around the
reflection (`vision.rise_seen`), and the places in it as `tests.teach_rise` learns from them. The
rod and the sheet's plane are as a reading would find them, a little off.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.scenes import assembly, degrade, rod_masks
from vision import rise_seen
from vision.camera import Camera
from vision.grid_pose import GridPose
from vision.rod import Limb, Rod
from vision.rod_mirrored import axes_above, half_widths, usual_reflection
from vision.rod_near import IMAGE_WIDTH
from vision.rod_sight import image_points

Array = NDArray[np.float64]
Plan = dict[str, Any]
Spec = dict[str, Any]

SIZE = (304, 368)  # of a picture, with room round the look to move in
VARIANTS = 2
TAUGHT_DEG = np.arange(9.0, 33.1, 0.5)
RISES = TAUGHT_DEG[::4]  # few enough to keep; others lie between
HEIGHTS = np.geomspace(rise_seen.HEIGHTS[0], rise_seen.HEIGHTS[-1], 10)
# how far off rods are found in spent sets: sideways and in width (of the width), in direction
# (widths from end to end), at the ends; how often an end is found late, and by how much (lengths)
OFF, TURNED, WIDER, ENDS, LATE, LATEST = 0.012, 0.02, 0.07, 0.05, 0.12, 0.5
ABOVE = 0.25  # of the length, of the upper end
TILT_DEG, GLASS = 0.05, 0.02  # of the plane; of the glass's thickness, a share


def pose_of(scene: assembly.Assembly, spec: Spec) -> GridPose:
    """The plane in the rendered frame; lengths in mm, grid y along the world's x."""
    view = scene.view
    assert view is not None
    axes = view.to_camera(np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])).T
    centre = view.centre
    camera = Camera(view.focal_px, *centre, 0.0, float(np.hypot(view.width, view.height)) / 2)
    thickness = rod_masks.glass_mm(spec) or None
    return GridPose(
        camera, axes, view.to_camera(-view.position), np.zeros((4, 4)), 0.0, 1.0, (), (), thickness
    )


def rod_between(ends: Array, widths: Array) -> Rod:
    """A rod with such ends (2, 2) and widths (2,), pixels."""
    up = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
    side = np.array([-up[1], up[0]]) * widths[:, None] / 2
    left, right = ends + side, ends - side
    limbs = [Limb(v[0], v[1], 0.1, 0.001, 0.1, 1.0, 10.0, v) for v in (left, right)]
    return Rod(limbs[0], limbs[1], 1.0, float(widths.mean()))


def true_rod(scene: assembly.Assembly, spec: Spec, axis: Array) -> Rod:
    """The rod with such ends (2, 3) of its axis, as it is seen."""
    view = scene.view
    assert view is not None
    away = np.linalg.norm(axis - view.position, axis=1)
    return rod_between(
        view.project(axis), 2 * spec["cantilever"]["radius_mm"] * view.focal_px / away
    )


def frame(scene: assembly.Assembly, spec: Spec, plan: Plan) -> Array:
    """Frame of a picture around the usual reflection."""
    view = scene.view
    assert view is not None
    pose, rod = pose_of(scene, spec), true_rod(scene, spec, rod_masks.rod_axis(scene))
    size = (view.width, view.height)
    seen = degrade.photo_points(usual_reflection(pose, rod), size, plan)
    own = degrade.photo_points(np.array(rod.axis), size, plan)
    k = plan["width"] / (degrade.MARGIN * view.width)
    framed = rise_seen.frame_of(seen, own, IMAGE_WIDTH * rod.width_px * k)
    return rod_masks.widened(framed, (rise_seen.WIDTH, rise_seen.HEIGHT), SIZE)


def told(scene: assembly.Assembly, spec: Spec, plan: Plan, name: str, framed: Array) -> list[float]:
    """True rise and logarithm of the height, then all places, of each of some variants.

    A place is its lower and upper end and its half widths, pixels of the picture: 6 numbers for
    each of `RISES` and `HEIGHTS`.
    """
    view = scene.view
    assert view is not None
    # the same wherever the picture lies
    seed = [spec["seed"], plan["width"], round(1e3 * abs(float(view.position[0])))]
    rng = np.random.default_rng(seed)
    out: list[float] = []
    for _ in range(VARIANTS):
        out += _variant(scene, spec, plan, framed, rng)
    return [round(v, 2 if k % (len(out) // VARIANTS) > 1 else 4) for k, v in enumerate(out)]


def _variant(
    scene: assembly.Assembly, spec: Spec, plan: Plan, framed: Array, rng: np.random.Generator
) -> list[float]:
    view = scene.view
    assert view is not None
    axis = rod_masks.rod_axis(scene)
    run = axis[1] - axis[0]
    begin = rng.uniform(0, LATEST) if rng.random() < LATE else 0.0
    thick = 2 * spec["cantilever"]["radius_mm"] / np.linalg.norm(run)
    begin += rng.normal(0, ENDS) * thick
    end = 1 + rng.normal(0, ABOVE) * min(1.0, 6 * thick)
    axis = axis[0] + np.array([begin, max(end, begin + 0.3)])[:, None] * run
    true = true_rod(scene, spec, axis)
    ends = np.array(true.axis)
    up = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
    off = true.width_px * (rng.normal(0, OFF) + rng.normal(0, TURNED) * np.array([-0.5, 0.5]))
    ends = ends + off[:, None] * np.array([-up[1], up[0]])
    widths = true.width_px * np.exp(rng.normal(0, WIDER) + rng.normal(0, WIDER / 2, 2))
    rod = rod_between(ends, widths)
    pose = moved(pose_of(scene, spec), rng)
    points = axes_above(pose, rod, np.radians(RISES), HEIGHTS)
    size = (view.width, view.height)
    seen = degrade.photo_points(image_points(points, pose).reshape(-1, 2), size, plan)
    seen = (seen @ framed[:, :2].T + framed[:, 2]).reshape(len(RISES), len(HEIGHTS), 4)
    k = plan["width"] / (degrade.MARGIN * view.width) * np.linalg.norm(framed[:, 0])
    half = k * half_widths(pose, rod, points)
    eye = -pose.origin @ pose.rotation
    ray = axis[0] - view.position
    width = rod.width_px / view.focal_px * abs(eye[2] * np.linalg.norm(ray) / ray[2])
    truth = [spec["cantilever_rise_deg"], float(np.log(axis[0, 2] / width))]
    return truth + np.concatenate([seen, half], axis=-1).ravel().tolist()


def moved(pose: GridPose, rng: np.random.Generator) -> GridPose:
    """A plane a little off, as one found is."""
    turn = np.asarray(cv2.Rodrigues(np.radians(rng.normal(0, TILT_DEG, 3)))[0])
    thickness = pose.thickness
    if thickness is not None:
        thickness *= float(np.exp(rng.normal(0, GLASS)))
    return replace(pose, rotation=turn @ pose.rotation, thickness=thickness)
