"""The rendered scenes hold their own truth: signs, projection, shapes, phone processing.

What the scenes say is checked against constructions that do not use them: OpenCV's projection,
mirrored and turned scenes, shapes measured on their own vertices, Pillow's reading of EXIF.
"""

from __future__ import annotations

import io
import json
import math
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from PIL import Image, ImageOps
from scipy.ndimage import gaussian_filter
from scipy.optimize import brentq
from skimage.draw import polygon

from tests.scenes import (
    assembly,
    calm,
    degrade,
    lessons,
    photosets,
    physical,
    raster,
    recipe,
    rod_masks,
    shapes,
    unusable,
    world,
)
from vision.edge_blocks import fit_blocks
from vision.print_seen import GHOST

TOL_DEG = 1e-6  # double precision through a few rotations
MESH_TOL_DEG = 0.02  # 128-sided meshes of finite length
PIXEL_TOL = 1e-6


def _spec(quantity: str, seed: int = 3, family: str = "tuning") -> dict:
    return recipe.draw(quantity, seed, family)


def _part(scene: assembly.Assembly, *names: str) -> np.ndarray:
    return np.concatenate([m.vertices for n, m, _ in scene.parts if n in names])


# --- signs -------------------------------------------------------------------------------------


def test_rake_above_ninety_leans_away_from_the_pivot() -> None:
    assert world.stylus_axis(95.0)[0] < 0
    assert world.stylus_axis(85.0)[0] > 0
    assert world.rake_of(world.stylus_axis(93.4, 1.2, 2.0), 2.0) == pytest.approx(93.4, abs=TOL_DEG)


def test_mirroring_across_the_rake_plane_keeps_rake_and_flips_azimuth_and_cantilever() -> None:
    flip = np.array([1.0, -1.0, 1.0])
    assert world.rake_of(world.stylus_axis(94.0, 0.7) * flip) == pytest.approx(94.0, abs=TOL_DEG)
    along = world.cantilever_direction(3.0, 20.0)
    assert world.yaw_of(along * flip) == pytest.approx(-3.0, abs=TOL_DEG)
    edge = world.rotation_x(2.5) @ np.array([0.0, 1.0, 0.0])
    # the mirrored edge is named from the viewer's right to left again: the sign turns
    assert world.azimuth_of(-edge * flip) == pytest.approx(-2.5, abs=TOL_DEG)


def test_turning_a_scene_turns_cantilever_and_grid_alike() -> None:
    spec = _spec("cantilever")
    before = photosets.asked_deg(spec)
    turned = spec | {
        "cantilever_yaw_deg": spec["cantilever_yaw_deg"] + 4.0,
        "sheet_yaw_deg": spec["sheet_yaw_deg"] + 4.0,
    }
    assert photosets.asked_deg(turned) == pytest.approx(before, abs=TOL_DEG)


def test_positive_azimuth_is_clockwise_in_a_picture_taken_head_on() -> None:
    view = world.look(180.0, 5.0, 120.0, (0, 0, 0), 0.0, 15.0, 1600, 1200)
    ends = view.project((world.rotation_x(2.0) @ np.array([[0, 5.0, 2], [0, -5.0, 2]]).T).T)
    assert ends[0, 0] < ends[1, 0]  # +y is on the viewer's left
    assert ends[0, 1] < ends[1, 1]  # and stands higher: y grows downwards


def test_positive_cantilever_points_counter_clockwise_seen_from_above() -> None:
    above = world.look(180.0, 89.9, 120.0, (0, 0, 0), 0.0, 15.0, 1600, 1200)
    tip, end = above.project([[0, 0, 0], world.cantilever_direction(5.0, 0.0) * 5])
    # seen from above with +x upwards in the picture, counter-clockwise is to the left
    assert end[1] < tip[1] and end[0] < tip[0]


@pytest.mark.parametrize(("side", "sign"), [("right", 1), ("left", -1)])
def test_the_pivot_lies_on_the_named_side_of_the_photo(side: str, sign: int) -> None:
    spec = _spec("rake")
    spec["camera"] |= {"pivot_side": side}
    scene = assembly.assemble(spec, 800, 600)
    assert scene.view is not None
    tip, pivot = scene.view.project([[0, 0, 0], [3.0, 0, 1.0]])
    assert np.sign(pivot[0] - tip[0]) == sign


# --- camera ------------------------------------------------------------------------------------


def test_projection_agrees_with_opencv() -> None:
    # cv2.projectPoints: pinhole of OpenCV's calib3d, camera x right, y down, z forwards
    rng = np.random.default_rng(5)
    view = world.look(200.0, 12.0, 90.0, (1, 2, 0.5), 4.0, 14.0, 1600, 1200)
    points = rng.uniform(-5, 5, (40, 3))
    rotation = np.stack([view.right, -view.up, view.forward])
    matrix = np.array([[view.focal_px, 0, 799.5], [0, view.focal_px, 599.5], [0, 0, 1.0]])
    turn = cv2.Rodrigues(rotation)[0]
    there = cv2.projectPoints(points, turn, -rotation @ view.position, matrix, np.zeros(5))[0]
    np.testing.assert_allclose(view.project(points), there.reshape(-1, 2), atol=1e-4)


def test_positive_roll_turns_the_content_counter_clockwise() -> None:
    view = world.look(180.0, 0.0, 100.0, (0, 0, 0), 3.0, 12.0, 800, 600)
    left, right = view.project([[0, 3, 0], [0, -3, 0]])
    slope = np.degrees(np.arctan2(right[1] - left[1], right[0] - left[0]))
    assert slope == pytest.approx(-3.0, abs=TOL_DEG)  # the right end rises


# --- shapes hold the angles --------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("family", recipe.FAMILIES)
def test_needle_and_rod_meshes_lie_on_their_axes(seed: int, family: str) -> None:
    spec = _spec("rake", seed, family)
    scene = assembly.assemble(spec, 800, 600)
    needle = _part(scene, "stylus", "stylus tip", "stylus shank")
    axis = world.stylus_axis(spec["rake_deg"], spec["side_lean_deg"], spec["cantilever_yaw_deg"])
    height = needle @ axis
    low = needle[np.abs(height - np.quantile(height, 0.3)) < 2e-3].mean(0)
    high = needle[height > height.max() - 1e-6].mean(0)
    measured = world.rake_of(high - low, spec["cantilever_yaw_deg"])
    assert measured == pytest.approx(photosets.asked_deg(spec), abs=MESH_TOL_DEG)
    rod = _part(scene, "cantilever")
    along = world.cantilever_direction(spec["cantilever_yaw_deg"], spec["cantilever_rise_deg"])
    at = rod @ along
    ends = rod[at > at.max() - 1e-6].mean(0) - rod[at < at.min() + 1e-6].mean(0)
    assert world.yaw_of(ends) == pytest.approx(spec["cantilever_yaw_deg"], abs=MESH_TOL_DEG)
    assert np.degrees(np.arcsin(world.unit(ends)[2])) == pytest.approx(
        spec["cantilever_rise_deg"], abs=MESH_TOL_DEG
    )


def test_the_needle_stands_on_the_surface() -> None:
    for seed in range(6):
        scene = assembly.assemble(_spec("rake", seed), 400, 300)
        lowest = _part(scene, "stylus", "stylus tip")[:, 2].min()
        assert abs(lowest) < 1e-3


@pytest.mark.parametrize("kind", recipe.BODIES["eighteenth"])
def test_the_lowest_front_edge_of_every_body_has_the_stated_azimuth(kind: str) -> None:
    spec = _spec("azimuth", 11, "eighteenth")
    spec["body"] |= {"kind": kind, "slant": 0.3 if kind == "prow" else 0.0}
    scene = assembly.assemble(spec, 800, 600)
    names = ("body", "cheek", "lower body", "nose", "flange")
    body = _part(scene, *names)
    turn = world.rotation_z(spec["body_yaw_deg"]) @ world.rotation_x(spec["azimuth_deg"])
    own = body @ (turn @ world.rotation_y(spec["body_pitch_deg"]))
    lowest = body[own[:, 2] < own[:, 2].min() + 1e-6]
    front = lowest[lowest[:, 0] < lowest[:, 0].min() + 0.8 * np.ptp(lowest[:, 0]) + 1e-6]
    left, right = front[front[:, 1].argmax()], front[front[:, 1].argmin()]
    across = turn @ np.array([0.0, 1.0, 0.0])
    # the same front corner on both sides: remove what lies along the body
    span = (left - right) @ across * across
    assert world.azimuth_of(span) == pytest.approx(spec["azimuth_deg"], abs=TOL_DEG)
    known = scene.points_mm["front edge left"] - scene.points_mm["front edge right"]
    assert world.azimuth_of(known) == pytest.approx(photosets.asked_deg(spec), abs=TOL_DEG)
    # symmetrical about its own middle plane, so that sides say the same as the edge
    assert own[:, 1].max() == pytest.approx(-own[:, 1].min(), abs=1e-9)


def test_meshes_point_outwards() -> None:
    # divergence theorem: a closed mesh wound outwards has a positive signed volume
    for mesh in (
        shapes.needle("square", 0.2, 55, 0.7)[0], shapes.rod(5, 0.2, 0.3),
        shapes.rod(5, 0.2, 0.2, square=True), shapes.box((1, 2, 3), (1, 1, 1)),
        shapes.prism(shapes.outline("round", 15, 1, 10, 2, 0.1), 3, 20, 0.4),
        shapes.ball((0, 0, 0), 1.0),
    ):  # fmt: skip
        a, b, c = (mesh.vertices[mesh.faces[:, k]] for k in range(3))
        assert np.sum(a * np.cross(b, c)) / 6 > 0
    m = shapes.ball((0, 0, 0), 1.0)
    a, b, c = (m.vertices[m.faces[:, k]] for k in range(3))
    # a 20-sided, 12-step ball is a little smaller than 4/3 pi
    assert np.sum(a * np.cross(b, c)) / 6 == pytest.approx(4 / 3 * np.pi, rel=0.05)


# --- recipes -----------------------------------------------------------------------------------


@pytest.mark.parametrize("quantity", recipe.QUANTITIES)
def test_recipes_repeat_by_seed_and_stay_in_their_ranges(quantity: str) -> None:
    assert _spec(quantity, 8) == _spec(quantity, 8)
    assert _spec(quantity, 8) != _spec(quantity, 9)
    ranges = {
        "rake": (4.0, 0.5, 8.0), "cantilever": (15.0, 20.0, 50.0), "azimuth": (6.0, 3.0, 15.0),
    }[quantity]  # fmt: skip
    for seed in range(60):
        spec = _spec(quantity, seed, "eighteenth")
        json.dumps(spec)
        camera = spec["camera"]
        assert abs(camera["off_axis_deg"]) <= ranges[0]
        assert ranges[1] <= camera["elevation_deg"] <= ranges[2]
        assert abs(camera["roll_deg"]) <= 5
        assert 0.12 <= spec["stylus"]["width_mm"] <= 0.30
        assert 45 <= spec["stylus"]["cone_deg"] <= 65


@pytest.mark.parametrize("quantity", recipe.QUANTITIES)
def test_common_scenes_show_common_shapes_in_any_light(quantity: str) -> None:
    common = [_spec(quantity, s, "common") for s in range(200)]
    odd = [_spec(quantity, s, "eighteenth") for s in range(200)]
    assert all(map(recipe.common_shape, common))
    assert 0 < sum(map(recipe.common_shape, odd)) < 150
    assert {s["light"] for s in common} == set(recipe.LIGHTS["eighteenth"])


def test_each_family_shows_shapes_that_those_before_it_never_show() -> None:
    bodies = [
        {_spec("azimuth", s, family)["body"]["kind"] for s in range(300)}
        for family in recipe.FAMILIES
        if family not in ("odd", "common")
    ]
    common = {_spec("azimuth", s, "common")["body"]["kind"] for s in range(300)}
    assert common == bodies[0]
    assert all(earlier < later for earlier, later in pairwise(bodies))
    seeds = [set(range(a, a + n)) for a, n, _ in photosets.SCENES.values()]
    assert len(set().union(*seeds)) == sum(map(len, seeds))


@pytest.mark.parametrize("name", photosets.SCENES)
def test_every_set_can_be_drawn(name: str) -> None:
    first, _, family = photosets.SCENES[name]
    assert photosets.spec_of("cantilever", first, family)["quantity"] == "cantilever"


def test_pairs_show_one_setting_from_both_sides() -> None:
    left, right = photosets.pair_of(3004), photosets.pair_of(3005)
    assert left["camera"]["off_axis_deg"] < -4 and right["camera"]["off_axis_deg"] > 4
    changed = {k for k in left if left[k] != right[k]}
    assert changed == {"camera", "seed"}
    assert photosets.asked_deg(left) == photosets.asked_deg(right)


def test_recipes_name_a_wrong_quantity() -> None:
    with pytest.raises(ValueError, match="quantity: 'yaw'; allowed: rake"):
        recipe.draw("yaw", 1)


# --- phone processing --------------------------------------------------------------------------


def _plan(**changes: object) -> dict:
    plain = {
        "width": 800, "height": 600, "radial_k1": 0.0, "lateral_colour": 0.0, "vignetting": 0.0,
        "exposure": 1.0, "tint": [1.0, 1.0, 1.0], "haze": 0.0, "blur_px": 0.0, "motion_px": 0.0,
        "motion_deg": 0.0, "noise": 0.0, "denoise": "none", "sharpen": 0.0, "sharpen_px": 1.0,
        "contrast": 0.0, "jpeg_quality": 95, "orientation": 1, "exif_focal": "diagonal",
        "camera": "Phone A",
    }  # fmt: skip
    return plain | changes


@pytest.mark.parametrize("k1", [0.0, -0.05, 0.04])
def test_known_points_follow_lens_distortion(k1: float) -> None:
    size = (865, 649)
    spots = np.array([[150.0, 120.0], [700.0, 500.0], [432.0, 324.0], [640.0, 110.0]])
    linear = np.zeros((size[1], size[0], 3), np.float32)
    y, x = np.mgrid[: size[1], : size[0]]
    for sx, sy in spots:
        linear += np.exp(-((x - sx) ** 2 + (y - sy) ** 2) / (2 * 2.5**2))[..., None].astype(
            np.float32
        )
    photo = degrade.degrade(linear, _plan(radial_k1=k1), np.random.default_rng(0)).astype(float)
    for px, py in degrade.photo_points(spots, size, _plan(radial_k1=k1)):
        i, j = round(py), round(px)
        window = photo[i - 12 : i + 13, j - 12 : j + 13].sum(-1) ** 2
        wy, wx = np.mgrid[i - 12 : i + 13, j - 12 : j + 13]
        found = np.array([(window * wx).sum(), (window * wy).sum()]) / window.sum()
        np.testing.assert_allclose(found, [px, py], atol=0.06)


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_a_sideways_file_comes_upright_by_its_exif(orientation: int) -> None:
    rgb = np.zeros((60, 80, 3), np.uint8)
    rgb[:20, :30] = 255  # bright in the upper left
    data = degrade.encode(rgb, _plan(orientation=orientation, width=80, height=60), 1000.0)
    upright = np.asarray(ImageOps.exif_transpose(Image.open(io.BytesIO(data))))
    assert upright.shape == rgb.shape
    assert upright[:15, :25].min() > 200 and upright[30:, 40:].max() < 60


@pytest.mark.parametrize(("rule", "frame_mm"), [("diagonal", 43.27), ("width", 36.0)])
def test_exif_focal_length_is_the_true_one_by_its_rule(rule: str, frame_mm: float) -> None:
    # 36 x 24 mm frame: width 36 mm, diagonal 43.27 mm (CIPA DCG-001)
    rgb = np.zeros((1200, 1600, 3), np.uint8)
    data = degrade.encode(rgb, _plan(width=1600, height=1200, exif_focal=rule), 5000.0)
    tags = Image.open(io.BytesIO(data)).getexif().get_ifd(0x8769)
    across = 1600 if rule == "width" else 2000
    assert tags[0xA405] * across / frame_mm == pytest.approx(5000.0, rel=0.005)


def test_noise_has_the_stated_size_and_the_generator_decides() -> None:
    grey = np.full((700, 900, 3), 1.0, np.float32) * np.float32(0.5)
    plan = _plan(noise=0.02)
    one = degrade.degrade(grey, plan, np.random.default_rng(1))
    assert (one == degrade.degrade(grey, plan, np.random.default_rng(1))).all()
    assert (one != degrade.degrade(grey, plan, np.random.default_rng(2))).any()
    # slope of the sRGB curve at 0.5 linear (IEC 61966-2-1), and the 0.8 of a smeared grain
    slope = 1.055 / 2.4 * 0.5 ** (1 / 2.4 - 1)
    expected = 0.8 * slope * np.hypot(0.02 * np.sqrt(0.5), 0.005) * 255
    assert one[..., 1].std() == pytest.approx(expected, rel=0.1)


def test_fireflies_go_and_edges_stay() -> None:
    linear = np.full((40, 40, 3), 0.2, np.float32)
    linear[:, 20:] = 0.9
    clean = linear.copy()
    linear[10, 10] = 50.0
    np.testing.assert_array_equal(physical.without_fireflies(linear), clean)
    rng = np.random.default_rng(3)
    nine = [rng.random((6, 7, 3), dtype=np.float32) for _ in range(9)]
    np.testing.assert_array_equal(physical.median_of_nine(nine), np.median(np.stack(nine), 0))


def test_a_stored_render_comes_back_with_its_parameters(tmp_path: Path) -> None:
    spec = _spec("rake", 5)
    ramp = np.linspace(0, 1.2, 120, dtype=np.float32)
    linear = np.broadcast_to(ramp[None, :, None], (90, 120, 3)).copy()
    photosets.store(tmp_path / "tuning-rake-5", linear, spec)
    again, same = photosets.load(tmp_path / "tuning-rake-5")
    assert same == spec
    np.testing.assert_allclose(again, linear, atol=0.02)
    assert photosets.cached(tmp_path, "tuning", "rake") == [tmp_path / "tuning-rake-5"]


# --- raster drawings ---------------------------------------------------------------------------


def test_drawn_edges_lie_where_projection_puts_them() -> None:
    rgb, truth, _ = raster.draw_azimuth(
        np.random.default_rng(0), 2.0, roll_deg=1.5, blur_px=1.0, noise=0.0, jpeg_quality=None,
        size=(800, 600), body_grey=0.05,
    )  # fmt: skip
    left, right = (np.array(truth["points_px"][f"front edge {s}"]) for s in ("left", "right"))
    grey = rgb[..., 0].astype(float)
    for share in (0.15, 0.3, 0.8, 0.9):
        x, y = left + share * (right - left)
        column = grey[round(y) - 8 : round(y) + 9, round(x)]
        # half-way crossing of dark body to the brighter mirror below it
        level = (column[0] + column[-1]) / 2
        k = int(np.nonzero(column > level)[0][0])
        cross = round(y) - 8 + k - (column[k] - level) / (column[k] - column[k - 1])
        expected = y + (round(x) - x) * (right[1] - left[1]) / (right[0] - left[0])
        assert cross == pytest.approx(expected, abs=0.1)


@pytest.mark.parametrize("side", ["left", "right"])
def test_half_the_angle_between_drawn_needle_and_image_is_the_lean(side: str) -> None:
    # camera level with the surface and square on: the classical bisector holds exactly
    _, truth, _ = raster.draw_rake(
        np.random.default_rng(0), 94.0, side, elevation_deg=0.2, size=(400, 300), distance_mm=4000.0
    )
    tip, cone = (np.array(truth["points_px"][n]) for n in ("stylus tip", "cone top"))
    d = cone - tip
    toward_pivot = d[0] if side == "right" else -d[0]
    assert np.degrees(np.arctan2(-d[1], toward_pivot)) == pytest.approx(94.0, abs=0.05)


@pytest.mark.parametrize("draw", [raster.draw_rake, raster.draw_cantilever, raster.draw_azimuth])
def test_drawings_repeat_by_generator(draw) -> None:
    one, truth, focal = draw(np.random.default_rng(4), size=(320, 240))
    two = draw(np.random.default_rng(4), size=(320, 240))[0]
    other = draw(np.random.default_rng(5), size=(320, 240))[0]
    assert one.dtype == np.uint8 and one.shape == (240, 320, 3)
    assert (one == two).all() and (one != other).any()
    assert focal > 320 and np.isfinite(truth["truth_deg"])


# --- unusable and sample photographs -----------------------------------------------------------


@pytest.mark.parametrize("kind", ["defocus", "motion", "glare", "cropped", "dark"])
def test_spoiled_photos_are_files_and_differ_from_the_scene(kind: str) -> None:
    spec = _spec("rake", 4)
    rgb, _, _ = raster.draw_rake(np.random.default_rng(0), size=(433, 325), jpeg_quality=None)
    linear = (rgb / np.float32(255)) ** np.float32(2.2)
    data = unusable.spoil(kind, linear, spec, np.random.default_rng(6), size=(400, 300))
    photo = np.asarray(Image.open(io.BytesIO(data)).convert("L"), float)
    assert photo.shape == (300, 400)
    plain = degrade.degrade(linear, _plan(width=400, height=300), np.random.default_rng(0))
    assert np.abs(photo - plain.mean(-1)).mean() > 4


SAMPLES = Path(__file__).parents[1] / "sample_images"


def test_samples_have_truth_and_stay_small() -> None:
    truth = json.loads((SAMPLES / "truth.json").read_text())
    files = {p.name for p in SAMPLES.glob("*.jpg")}
    assert files == set(truth)
    assert sum(p.stat().st_size for p in SAMPLES.iterdir()) < 4_200_000
    for quantity in recipe.QUANTITIES:
        own = [t for t in truth.values() if t["usable"] and t["quantity"] == quantity]
        assert len(own) >= 5
    assert sum(not t["usable"] for t in truth.values()) >= 4
    turned = set()
    for path in SAMPLES.glob("*.jpg"):
        with Image.open(path) as image:
            turned.add(image.getexif().get(0x0112, 1))
    assert turned >= {1, 6}


def test_sample_truth_follows_from_the_pinned_scenes() -> None:
    from tests.scenes import samples

    truth = json.loads((SAMPLES / "truth.json").read_text())
    for key in json.loads(samples.PINNED.read_text()):
        quantity, seed = key.split("-")
        record = truth[f"{quantity}-{int(seed) % 100 + 1}.jpg"]
        spec = samples.spec_of(quantity, int(seed))
        assert record["truth_deg"] == pytest.approx(photosets.asked_deg(spec), abs=1e-4)


# --- the renderer itself -----------------------------------------------------------------------


def test_a_tiny_render_puts_the_body_where_projection_says() -> None:
    pytest.importorskip("mitsuba", reason="the extra 'render' is not installed")
    spec = _spec("azimuth", 2)
    spec |= {"light": "soft", "surface": "mirror"}
    spec["body"] |= {"kind": "box", "colour": [0.01, 0.01, 0.01], "gloss": None, "slant": 0.0,
                     "taper": 0.0, "label": False}  # fmt: skip
    spec["clutter"] |= {"things": 0, "foreground": False, "shadow": False, "backdrop": [0.8] * 3}
    spec["ground"] |= {"grid_pitch_mm": 0.0, "lint": 0, "dust": 0, "scratches": 0}
    linear = physical.render(spec, 96, 72, 16)
    scene = assembly.assemble(spec, 96, 72)
    assert scene.view is not None
    turn = world.rotation_z(spec["body_yaw_deg"]) @ world.rotation_x(spec["azimuth_deg"])
    b = spec["body"]
    for side in (-1, 1):
        edge = turn @ np.array([b["front_mm"], side * b["width_mm"] / 2, b["gap_mm"] + 2.0])
        x, y = scene.view.project(edge)[0]
        inside = linear[round(y), round(x) + 3 * side, 1]  # +y lies to the left: inwards is right
        outside = linear[round(y), round(x) - 3 * side, 1]
        assert inside < 0.5 * outside


def test_calmed_renders_have_less_speckle_and_the_same_edge() -> None:
    """A faint step of known slope, sprinkled as a path tracer does (noise filtered by scipy)."""
    pytest.importorskip("mitsuba_oidn", reason="the extra 'render' is not installed")
    rng = np.random.default_rng(8)
    y, x = np.mgrid[:360, :480].astype(float)
    slope = math.tan(math.radians(2.3))
    off = y - 180 - slope * (x - 240)
    smooth = gaussian_filter(0.20 + 0.06 * (off > 0), 1.0)
    paths = smooth + 0.6 * (rng.random(y.shape) < 0.04) * rng.exponential(1.0, y.shape)
    speckled = gaussian_filter(paths, 0.5)
    calmed = calm.denoised(np.repeat(speckled[:, :, None], 3, axis=2).astype(np.float32))
    flat = np.abs(off) > 30
    before, after = (np.std((p - smooth)[flat]) for p in (speckled, calmed[:, :, 1]))
    assert after < before / 4
    fit = fit_blocks(calmed, (20, 172), (460, 188))
    assert fit is not None
    assert abs(math.degrees(fit.edge.angle) - 2.3) < 0.1


def test_lessons_show_rakes_wider_than_any_stylus_stands() -> None:
    rakes = [lessons.drawn("rake", seed)["rake_deg"] for seed in range(80)]
    low, high = lessons.RAKES_DEG
    assert low <= min(rakes) < 83 and 101 < max(rakes) <= high
    assert lessons.drawn("azimuth", 3) == recipe.draw("azimuth", 3, lessons.FAMILIES[3])


def test_faces_are_drawn_where_they_are_and_the_nearer_one_last() -> None:
    # skimage.draw.polygon is the reference for what a triangle covers
    def project(points: np.ndarray) -> np.ndarray:
        return points[:, :2] * 10 / points[:, 2:]

    view = SimpleNamespace(
        width=90, height=70, position=np.zeros(3), forward=np.array([0.0, 0.0, 1.0]),
        project=project,
    )  # fmt: skip
    shown = []
    for order in ((0, 1), (1, 0)):
        canvas = rod_masks.Canvas(view, 1.0)
        corners = (
            np.array([(5.3, 4.2), (80.6, 12.7), (30.1, 61.8)]),
            np.array([(2.4, 50.9), (85.2, 33.3), (40.7, 8.1)]),
        )
        for k in order:
            depth = (40.0, 60.0)[k]
            mesh = np.column_stack([corners[k] * depth / 10, np.full(3, depth)])
            canvas.draw(mesh, np.array([[0, 1, 2]], np.int32), k + 1)
        shown.append(canvas.shows)
    expected = np.full((70, 90), rod_masks.UNDRAWN, np.uint8)
    for k in (1, 0):
        expected[polygon(corners[k][:, 1], corners[k][:, 0])] = k + 1
    assert (shown[0] == shown[1]).all()
    assert (shown[0] != expected).sum() <= 3  # pixels on an edge


def test_lessons_prefer_scenes_that_are_hard_to_read() -> None:
    share = lessons.LESSONS["azimuth"].share
    for kind, surface, expected in (
        ("guard", "mirror", 1.0),
        ("box", "black glass", 1.0),
        ("box", "mirror", lessons.EASY_BODIES),
    ):
        assert share({"surface": surface, "body": {"kind": kind}}) == expected
    rods = lessons.LESSONS["cantilever"].share
    for surface, material, expected in (
        ("mirror", "metal", 0.6),
        ("mirror", "black", 1.0),
        ("back-silvered mirror", "metal", 1.0),
        ("paper", "black", 0.3),
    ):
        assert rods({"surface": surface, "cantilever": {"material": material}}) == expected
    prints = lessons.LESSONS["cantilever-print"].share
    for surface, pitch, expected in (
        ("back-silvered mirror", 10.0, 1.0),
        ("back-silvered mirror", 5.0, 0.5),
        ("mirror", 10.0, 0.6),
        ("paper", 5.0, 0.125),
    ):
        assert prints({"surface": surface, "ground": {"grid_pitch_mm": pitch}}) == expected
    assert lessons.LESSONS["rake-wide"].share({"surface": "mirror"}) == 0.35
    assert lessons.LESSONS["rake-wide"].share({"surface": "record"}) == 1.0


def test_quarters_of_a_render_are_cleaned_by_themselves() -> None:
    picture = np.arange(6 * 8 * 3, dtype=np.float32).reshape(6, 8, 3)
    assert np.array_equal(calm.by_quarters(picture, lambda part: part), picture)
    flat = calm.by_quarters(picture, lambda part: np.full_like(part, part.mean()))
    assert len(np.unique(flat)) == 4
    assert flat[1, 2, 0] == picture[1::2, 0::2].mean()


def test_ghosts_of_print_lie_where_snells_law_puts_them() -> None:
    seed = next(
        k for k in range(99)
        if recipe.draw("cantilever", k, "common")["surface"] == rod_masks.IN_GLASS
    )  # fmt: skip
    spec = recipe.draw("cantilever", seed, "common")
    scene = assembly.assemble(spec, photosets.WIDTH, photosets.HEIGHT)
    view = scene.view
    assert view is not None
    shows = rod_masks.drawing(scene, spec, scale=1.0, ghosts=True)
    assert not (rod_masks.drawing(scene, spec, scale=1.0) == GHOST).any()
    turn = world.rotation_z(spec["sheet_yaw_deg"])
    thick, (x, y) = spec["ground"]["thickness_mm"], spec["ground"]["null_offset_mm"]
    seen = []
    for k in np.linspace(-14, 14, 57):  # along the null's row, print seen from below in the silver
        point = turn @ np.array([x, y + k, 0.0])
        foot = point[:2] - view.position[:2]
        far = float(np.hypot(*foot))

        def miss(out: float, far: float = far) -> float:
            angle = math.atan2(out, view.position[2])
            return out + 2 * thick * math.tan(math.asin(math.sin(angle) / 1.52)) - far

        share = brentq(miss, 0.0, far) / far
        at = np.array([*(view.position[:2] + share * foot), 0.0])
        u, v = np.rint(view.project(at)[0]).astype(int)
        if 0 <= u < shows.shape[1] and 0 <= v < shows.shape[0]:
            seen.append(shows[v, u])
    assert len(seen) > 20
    before = (rod_masks.INK, rod_masks.ROD, rod_masks.BODY)  # on the front, or above it
    assert sum(kind == GHOST or kind in before for kind in seen) >= 0.9 * len(seen)
    assert seen.count(GHOST) >= 0.7 * len(seen)
