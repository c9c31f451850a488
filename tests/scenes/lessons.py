"""Scenes -> small pictures of what a network looks at nearly, and what each pixel of them shows.

    python -m tests.scenes.lessons rake OUT --first 100000 --count 4000 --variant cuda_ad_rgb

Nothing but the surroundings of what is looked at is rendered and degraded, from several cameras
turned to it, and no finer than the network sees it, so that thousands are to be had. Each picture
lies as the network's look would, with room round it to move in; a mask drawn from the meshes is
written with each. They are what `tests.teach near`, `rods-around`, `rods-near` and `bodies-near`
teach from. The wide ones ("rake-wide" and so on) show the whole photo, or as much of it as the
first look does, for `outline`, `rods`, `print`, `bodies` and `tests.teach_slope`. To `slopes.json`
beside them is written which way the surface runs in a wide rake's, for `tests.teach_tilt` which way
the lower edge and its image in an azimuth's, and for `tests.teach_rise` where the reflection would
lie at each rise in a "cantilever-rise" one (`rise_places`).
"""

from __future__ import annotations

import argparse
import io
import json
import math
import multiprocessing
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from tests.scenes import (
    assembly,
    body_masks,
    degrade,
    outlines,
    photosets,
    physical,
    recipe,
    rise_places,
    rod_masks,
    world,
)
from tests.scenes.rod_masks import Window
from vision import azimuth_near, print_seen, rod_near
from vision.network import out_of, part_of
from vision.rod_around import ACROSS_PX

Array = NDArray[np.float64]
Mask = NDArray[np.uint8]
Frames = dict[str, Array]
Plan = dict[str, Any]
Spec = dict[str, Any]
Size = tuple[int, int]

AROUND_SIZE = (300, 360)  # of a picture of the rod's surroundings
FAMILIES = ("common", "odd", "common", "common")  # by turns
# Of how many of the scenes pictures are made. On cards the network has least to go by, and few of a
# rake's scenes are there; over paper and card no reflection of a rod is seen; and which body over
# which surface is hardest to tell from its image.
RAKE_SHARES = {"mirror": 0.35, rod_masks.IN_GLASS: 0.5}
ROD_SHARES = {"paper": 0.3, "glossy card": 0.3}
RISE_SHARES = {"paper": 0.0, "glossy card": 0.0, "mirror": 0.8}
PRINT_SHARES = {"paper": 0.25, "glossy card": 0.25, "mirror": 0.6}
WIDE_GRID_MM, NARROW_GRIDS = 10.0, 0.5  # the wider the fewer lines are seen; share of the others
EASY_RODS = 0.6  # shares over a mirror's first surface, of rods that are neither black nor clear
HARD_RODS = ("black", "translucent")
EASY_BODIES = 0.4  # of those over a mirror's first surface
HARD_BODIES = ("guard", "rounded", "bevelled", "open-front")
HARD_SURFACES = ("black glass", rod_masks.IN_GLASS)
# Wider than any stylus stands, so that a network has nothing to go by but what it sees.
RAKES_DEG = (80.0, 104.0)
RISES_DEG = (9.5, 32.5)
PATHS = 16  # with FINER 1.5: 36 a pixel of a picture
MARGIN_PX = 12  # round what is rendered, for what a phone's processing draws from
FINER = 1.5  # rendered pixels a pixel of the picture
LEAST_LONG = 0.6  # widths: a shorter reflection has no direction; the rod's own is taken
MOST_WIDE = (2592, 1944)  # pixels of a photo
LEAST_WIDE = 640  # of a photo made smaller because its pictures are
LEAST_QUALITY = 90  # of its JPEG, whose blocks are larger in what is shown
LEAST_HIGH = 64  # pixels of a photo or a render that are cut out

Drawing = Callable[[assembly.Assembly, Spec, Window], Callable[[str, Array, Plan], Mask]]
Slopes = float | list[float]


@dataclass(frozen=True)
class Lesson:
    """How a quantity's pictures are cut: their sizes, where (by name), and how masks are drawn.

    A picture's name is its folder's, by which ``sizes`` go, and what follows its number.
    ``drawing`` comes once for all pictures of a view; it gives what draws the mask of one of them.
    ``whole`` ones are of the photo as it was taken: the camera is not turned to anything.
    ``share`` says of how many scenes like one pictures are made;
    ``slopes`` gives what is told of a picture beside its mask, degrees.
    """

    sizes: dict[str, Size]
    frames: Callable[[assembly.Assembly, Spec, Plan], Frames]
    drawing: Drawing
    whole: bool = False
    share: Callable[[Spec], float] = lambda _spec: 1.0
    slopes: Callable[[assembly.Assembly, Spec, Plan, str, Array], Slopes | None] | None = None

    def size(self, name: str) -> Size:
        """Of a picture."""
        return size_of(name, self.sizes)


def over(shares: dict[str, float]) -> Callable[[Spec], float]:
    """A share of the scenes over each of some surfaces, all over others."""
    return lambda spec: shares.get(spec["surface"], 1.0)


def of_bodies(spec: Spec) -> float:
    """All scenes that are hard to read an azimuth from, some of the others."""
    hard = spec["surface"] in HARD_SURFACES or spec["body"]["kind"] in HARD_BODIES
    return 1.0 if hard else EASY_BODIES


def of_rods(spec: Spec) -> float:
    """All scenes whose reflection is hard to see, some of the others."""
    if spec["surface"] in ROD_SHARES:
        return ROD_SHARES[spec["surface"]]
    hard = spec["surface"] == rod_masks.IN_GLASS or spec["cantilever"]["material"] in HARD_RODS
    return 1.0 if hard else EASY_RODS


def of_prints(spec: Spec) -> float:
    """All scenes whose print is hard to tell from its ghost or shows few lines, some others."""
    wide = spec["ground"]["grid_pitch_mm"] == WIDE_GRID_MM
    return PRINT_SHARES.get(spec["surface"], 1.0) * (1.0 if wide else NARROW_GRIDS)


def size_of(name: str, sizes: dict[str, Size]) -> Size:
    """Of a picture, whose folder's name comes before what follows its number."""
    return sizes[name.partition("-")[0]]


def rake_frames(scene: assembly.Assembly, spec: Spec, plan: Plan) -> Frames:
    """The stylus, and over a mirror its image, turned upright."""
    names = ("", "-image") if spec["surface"] == "mirror" else ("",)
    return {
        name: outlines.near_frame(
            scene, spec, outlines.seen_by(scene, plan, bool(name)), bool(name)
        )
        for name in names
    }


def rake_drawing(sizes: dict[str, Size]) -> Drawing:
    """Outlines of stylus and rod; none for "far" pictures, which only teach slopes."""

    def of_view(
        scene: assembly.Assembly, _spec: Spec, _window: Window
    ) -> Callable[[str, Array, Plan], Mask]:
        def draw(name: str, frame: Array, plan: Plan) -> Mask:
            if name == "far":
                return np.zeros(size_of(name, sizes)[::-1], np.uint8)
            seen = outlines.seen_by(scene, plan, "image" in name)
            return outlines.mask_of(frame, size_of(name, sizes), scene, seen)

        return draw

    return of_view


def wide_rake_frames(scene: assembly.Assembly, spec: Spec, plan: Plan) -> Frames:
    """The rod's free end, over a mirror its image, and twice as much round it."""
    seen = outlines.seen_by(scene, plan, False)
    frames = {"wide": outlines.wide_frame(scene, spec, seen, False)}
    frames["far"] = frames["wide"] * 0.5
    frames["far"][:, 2] += 0.5 * np.array(outlines.WIDE_END)
    if spec["surface"] == "mirror":
        seen = outlines.seen_by(scene, plan, True)
        frames["wide-image"] = outlines.wide_frame(scene, spec, seen, True)
    return frames


def surface_slope(
    scene: assembly.Assembly, spec: Spec, plan: Plan, name: str, _frame: Array
) -> float | None:
    """Which way the surface runs, but in pictures of an image."""
    seen = outlines.seen_by(scene, plan, False)
    return None if "image" in name else outlines.slope_deg(spec, seen)


def edge_slopes(
    scene: assembly.Assembly, spec: Spec, plan: Plan, _name: str, frame: Array
) -> list[float]:
    """Which way the lower edge and its mirror image run in a picture."""
    seen = (ends @ frame[:, :2].T for ends in body_masks.edges(scene, spec, plan))
    return [math.degrees(math.atan2(*(ends[1] - ends[0])[::-1])) for ends in seen]


def whole_frames(size: Size) -> Callable[[assembly.Assembly, Spec, Plan], Frames]:
    """The whole photo shrunk to a size."""
    return lambda _scene, _spec, plan: {"": rod_masks.shrunk(size, plan)}


def rod_frames(scene: assembly.Assembly, spec: Spec, plan: Plan) -> Frames:
    """Looks around, and nearer ones along, the rod and over mirrors its reflection.

    "around": the reflection upright in the middle, its free end below; "around-rod": the rod so;
    "near", "near-image": rod and reflection in `rod_near.frame`; "near-beside": mostly neither.
    """
    view = scene.view
    assert view is not None
    size = (view.width, view.height)
    ends = rod_masks.rod_axis(scene)
    own = degrade.photo_points(view.project(ends), size, plan)
    width = width_in_photo(ends, scene, spec, plan)
    up = own[1] - own[0]
    near = rod_near.frame(own[0], own[1], width)
    frames = {"around-rod": upright(own[0] + 0.3 * up, up, ACROSS_PX / width), "near": near}
    frames["near-beside"] = rod_masks.beside(near, spec, plan, (0.6, 1.0))
    if spec["surface"] in rod_masks.MIRRORS:
        below = rod_masks.reflected_axis(scene, spec)
        image = degrade.photo_points(view.project(below), size, plan)
        width = width_in_photo(below, scene, spec, plan)
        lies = image[1] - image[0]
        if np.linalg.norm(lies) < LEAST_LONG * width:
            lies = up
        else:
            frames["near-image"] = rod_near.frame(image[0], image[1], width)
        frames["around"] = upright(image.mean(axis=0), lies, ACROSS_PX / width)
    small = (rod_near.WIDTH, rod_near.HEIGHT)
    return {
        name: rod_masks.widened(frame, small, rod_masks.NEAR_SIZE) if "near" in name else frame
        for name, frame in frames.items()
    }


def width_in_photo(ends: Array, scene: assembly.Assembly, spec: Spec, plan: Plan) -> float:
    """Pixels of the photo that a rod with such ends is wide."""
    view = scene.view
    assert view is not None
    away = float(np.linalg.norm(ends.mean(axis=0) - view.position))
    width = 2 * spec["cantilever"]["radius_mm"] * view.focal_px / away
    return width * plan["width"] / (view.width * degrade.MARGIN)


def upright(middle: Array, up: Array, per: float) -> Array:
    """Frame with a direction upright, a point in the middle, and so many pixels a photo pixel."""
    up = up / np.linalg.norm(up)
    turn = per * np.array([[-up[1], up[0]], [-up[0], -up[1]]])
    return np.column_stack([turn, (np.array(AROUND_SIZE) - 1) / 2 - turn @ middle])


def body_frames(scene: assembly.Assembly, spec: Spec, plan: Plan) -> Frames:
    """The body's lower edge and its image."""
    frame = body_masks.near_frame(scene, spec, plan)
    small = (azimuth_near.WIDTH, azimuth_near.HEIGHT)
    return {"": rod_masks.widened(frame, small, body_masks.NEAR_SIZE)}


def through_lens(drawing: Callable[..., Mask], sizes: dict[str, Size]) -> Drawing:
    """Masks of their sizes from what is drawn of a whole view: ``drawing(scene, spec, window)``."""

    def of_view(
        scene: assembly.Assembly, spec: Spec, window: Window
    ) -> Callable[[str, Array, Plan], Mask]:
        drawn = drawing(scene, spec, window)

        def draw(name: str, frame: Array, plan: Plan) -> Mask:
            size = size_of(name, sizes)
            at = rod_masks.pixels_of(size, frame)
            return rod_masks.through_lens(drawn, scene.view, plan, at, size)

        return draw

    return of_view


ROD_SIZES = {"around": AROUND_SIZE, "near": rod_masks.NEAR_SIZE}
BODY_SIZES = {"": body_masks.NEAR_SIZE}
AROUND_IMAGE = {"": rise_places.SIZE}
RAKE_SIZES = {"": outlines.NEAR_SIZE}
WIDE_RAKE_SIZES = {"wide": outlines.WIDE_SIZE, "far": outlines.WIDE_SIZE}
WHOLE_PRINT = {"": (print_seen.WIDTH, print_seen.HEIGHT)}
WHOLE_ROD, WHOLE_BODY = {"": rod_masks.SIZE}, {"": body_masks.SIZE}
LESSONS = {
    "rake": Lesson(RAKE_SIZES, rake_frames, rake_drawing(RAKE_SIZES)),
    "rake-wide": Lesson(
        WIDE_RAKE_SIZES,
        wide_rake_frames,
        rake_drawing(WIDE_RAKE_SIZES),
        whole=True,
        share=over(RAKE_SHARES),
        slopes=surface_slope,
    ),
    "cantilever-wide": Lesson(
        WHOLE_ROD,
        whole_frames(rod_masks.SIZE),
        through_lens(rod_masks.drawing, WHOLE_ROD),
        whole=True,
    ),
    "cantilever-print": Lesson(
        WHOLE_PRINT,
        whole_frames(WHOLE_PRINT[""]),
        through_lens(partial(rod_masks.drawing, scale=1.0, ghosts=True), WHOLE_PRINT),
        whole=True,
        share=of_prints,
    ),
    "azimuth-wide": Lesson(
        WHOLE_BODY,
        whole_frames(body_masks.SIZE),
        through_lens(body_masks.draw, WHOLE_BODY),
        whole=True,
        share=of_bodies,
    ),
    "cantilever": Lesson(
        ROD_SIZES,
        rod_frames,
        through_lens(partial(rod_masks.drawing, scale=1.0), ROD_SIZES),
        share=of_rods,
    ),
    "cantilever-rise": Lesson(
        AROUND_IMAGE,
        lambda scene, spec, plan: {"": rise_places.frame(scene, spec, plan)},
        through_lens(partial(rod_masks.drawing, scale=1.0), AROUND_IMAGE),
        share=over(RISE_SHARES),
        slopes=rise_places.told,
    ),
    "azimuth": Lesson(
        BODY_SIZES,
        body_frames,
        through_lens(body_masks.draw, BODY_SIZES),
        share=of_bodies,
        slopes=edge_slopes,
    ),
}


def drawn(kind: str, seed: int) -> Spec:
    """Parameters of a scene to learn from."""
    quantity = kind.partition("-")[0]
    spec = recipe.draw(quantity, seed, FAMILIES[seed % len(FAMILIES)])
    if kind == "cantilever-rise":
        rise = np.random.default_rng([seed, 74]).uniform(*RISES_DEG)
        spec["cantilever_rise_deg"] = float(rise)
    if quantity == "rake":
        spec["rake_deg"] = float(np.random.default_rng([seed, 74]).uniform(*RAKES_DEG))
    return spec


def pictures(kind: str, seed: int, variant: str, out: Path, views: int) -> dict[str, Slopes | None]:
    """Render one scene from several cameras, write its pictures; their paths in ``out``.

    With each goes what is told of it beside its mask.
    """
    cv2.setNumThreads(1)
    lesson = LESSONS[kind]
    quantity = kind.partition("-")[0]
    spec = drawn(kind, seed)
    if np.random.default_rng([seed, 73]).random() > lesson.share(spec):
        return {}
    whole = assembly.assemble(spec, photosets.WIDTH, photosets.HEIGHT)
    plans, scenes = [], []
    for k in range(views):
        rng = np.random.default_rng([seed, 71, k])
        plan = degrade.plan(rng, spec["light"] == "dim", quantity == "rake", True)
        if plan["width"] > MOST_WIDE[0]:  # what is finer is shrunk again, and costs much
            plan |= dict(zip(("width", "height"), MOST_WIDE, strict=True))
        seen = spec if k == 0 else spec | {"camera": recipe.another_camera(rng, spec)}
        scenes.append(turned(whole, seen, lesson, plan))
        plans.append(smaller(plan, scenes[-1], lesson, spec) if lesson.whole else plan)
    sizes = [
        frame_size(scene, plan, lesson, spec) for scene, plan in zip(scenes, plans, strict=True)
    ]
    scenes = [
        replace(scene, view=resized(scene.view, n)) for scene, n in zip(scenes, sizes, strict=True)
    ]
    half = half_window(scenes, plans, lesson, spec)
    cameras = [(scene.view, scene.aperture_mm, scene.focus_mm) for scene in scenes]
    rendered = physical.render_views(spec, scenes[0], cameras, half, PATHS, variant)
    written: dict[str, Slopes | None] = {}
    for k, (scene, plan, linear) in enumerate(zip(scenes, plans, rendered, strict=True)):
        rng = np.random.default_rng([seed, 72, k])
        frames = lesson.frames(scene, spec, plan)
        size = sizes[k]
        low = (size[0] // 2 - half[0], size[1] // 2 - half[1])
        draw = lesson.drawing(scene, spec, (*low, 2 * half[0], 2 * half[1]))
        part = photo_window(frames, plan, lesson)
        told = degrade.Part(size, low, part)
        packed = io.BytesIO()
        photo = Image.fromarray(degrade.degrade(linear, plan, rng, told))
        photo.save(packed, "JPEG", quality=plan["jpeg_quality"])
        rgb = np.asarray(Image.open(packed))
        for name, frame in frames.items():
            moved = frame.copy()
            moved[:, 2] += frame[:, :2] @ np.array(part[:2])
            crop = part_of(rgb, moved, lesson.size(name))
            folder, dash, rest = name.partition("-")
            path = f"{folder}/{seed}-{k}{dash}{rest}".lstrip("/")
            outlines.save(out / path, crop, draw(name, frame, plan))
            written[path] = None
            if lesson.slopes is not None:
                written[path] = lesson.slopes(scene, spec, plan, name, frame)
    return written


def turned(scene: assembly.Assembly, spec: Spec, lesson: Lesson, plan: Plan) -> assembly.Assembly:
    """The scene seen by another camera, which is turned to what is wanted of a part of it."""
    size = (photosets.WIDTH, photosets.HEIGHT)
    seen = assembly.assemble(spec, *size)
    view = seen.view
    assert view is not None
    out = replace(scene, view=view, aperture_mm=seen.aperture_mm, focus_mm=seen.focus_mm)
    if lesson.whole:
        return out
    at = corners(lesson.frames(out, spec, plan), lesson)
    at = degrade.rendered_points(at, size, plan)
    x, y = (at.min(axis=0) + at.max(axis=0)) / 2 - view.centre
    forward = world.unit(view.forward * view.focal_px + x * view.right - y * view.up)
    right = world.unit(view.right - (view.right @ forward) * forward)
    up = np.cross(right, forward)
    return replace(out, view=replace(view, forward=forward, right=right, up=up))


def smaller(plan: Plan, scene: assembly.Assembly, lesson: Lesson, spec: Spec) -> Plan:
    """The plan of a photo no finer than its pictures need, with as much noise in them."""
    share = min(
        1.0, max(FINER * finest(lesson.frames(scene, spec, plan)), LEAST_WIDE / plan["width"])
    )
    return plan | {
        "width": 4 * round(plan["width"] * share / 4),
        "height": 3 * round(plan["width"] * share / 4),
        "noise": plan["noise"] * share,
        "sharpen": plan["sharpen"] * share,
        "jpeg_quality": max(plan["jpeg_quality"], LEAST_QUALITY),
    }


def finest(frames: Frames) -> float:
    """Pixels of a picture a pixel of the photo, in the finest of them."""
    return float(max(np.linalg.norm(frame[:, :2], 2) for frame in frames.values()))


def corners(frames: Frames, lesson: Lesson) -> Array:
    """Where the corners of pictures lie in the photo, (N, 2)."""
    unit = np.array([(0, 0), (1, 0), (0, 1), (1, 1)], float)
    return np.concatenate([out_of(f, unit * lesson.size(name)) for name, f in frames.items()])


def frame_size(scene: assembly.Assembly, plan: Plan, lesson: Lesson, spec: Spec) -> tuple[int, int]:
    """Even width and height of a rendered frame no finer than the pictures need."""
    pixels = FINER * finest(lesson.frames(scene, spec, plan)) * plan["width"]
    scale = min(1.0, pixels / (degrade.MARGIN * photosets.WIDTH))
    return 2 * round(photosets.WIDTH * scale / 2), 2 * round(photosets.HEIGHT * scale / 2)


def half_window(
    scenes: list[assembly.Assembly], plans: list[Plan], lesson: Lesson, spec: Spec
) -> tuple[int, int]:
    """Half the width and height, in the middle of the frames, that hold all views' pictures."""
    half = np.full(2, LEAST_HIGH // 2)
    for scene, plan in zip(scenes, plans, strict=True):
        assert scene.view is not None
        size = (scene.view.width, scene.view.height)
        at = corners(lesson.frames(scene, spec, plan), lesson)
        at = degrade.rendered_points(at, size, plan)
        reach = np.abs(at - scene.view.centre).max(axis=0)
        wanted = np.minimum(np.ceil(reach).astype(int) + MARGIN_PX, np.array(size) // 2)
        half = np.maximum(half, wanted)
    return int(half[0]), int(half[1])


def resized(view: world.View | None, size: tuple[int, int]) -> world.View:
    """The same view in a frame of another size."""
    assert view is not None
    focal = view.focal_px * size[0] / view.width
    return replace(view, width=size[0], height=size[1], focal_px=focal)


def photo_window(frames: Frames, plan: Plan, lesson: Lesson) -> Window:
    """The part of the photo that its pictures show, with a margin."""
    at = corners(frames, lesson)
    last = np.array([plan["width"], plan["height"]])
    low = np.clip(np.floor(at.min(axis=0)).astype(int) - MARGIN_PX, 0, last - LEAST_HIGH)
    high = np.clip(np.ceil(at.max(axis=0)).astype(int) + MARGIN_PX, low + LEAST_HIGH, last)
    return int(low[0]), int(low[1]), int(high[0] - low[0]), int(high[1] - low[1])


def _one(job: tuple[str, int, str, Path, int, float]) -> dict[str, Slopes | None]:
    if time.time() > job[-1]:
        return {}
    try:
        return pictures(*job[:-1])
    except Exception as problem:  # one scene that fails must not stop the batch
        print(f"FAILED {job[1]}: {problem!r}", flush=True)
        return {}


def write_slopes(out: Path, written: dict[str, Slopes | None]) -> None:
    """`slopes.json` in each folder of pictures of which slopes are told."""
    told: dict[str, dict[str, Slopes]] = {}
    for path, slopes in written.items():
        if slopes is not None:
            folder, _, name = path.rpartition("/")
            told.setdefault(folder, {})[name] = slopes
    for folder, known in told.items():
        (out / folder / "slopes.json").write_text(json.dumps(known))


def main() -> None:
    """Parse the command line; see the module's text."""
    parser = argparse.ArgumentParser(prog="python -m tests.scenes.lessons")
    parser.add_argument("kind", choices=list(LESSONS))
    parser.add_argument("out", type=Path)
    parser.add_argument("--first", type=int, required=True)
    parser.add_argument("--count", type=int, required=True)
    parser.add_argument("--step", type=int, default=1)
    parser.add_argument("--views", type=int, default=3)
    parser.add_argument("--variant", default="scalar_rgb")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=1e9)
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    begun = time.time()
    jobs = [
        (args.kind, args.first + k, args.variant, args.out, args.views, begun + args.seconds)
        for k in range(0, args.count, args.step)
    ]
    written: dict[str, Slopes | None] = {}
    if args.workers == 1:
        for some in map(_one, jobs):
            written |= some
    else:
        with multiprocessing.get_context("spawn").Pool(args.workers) as pool:
            for some in pool.imap_unordered(_one, jobs):
                written |= some
    write_slopes(args.out, written)
    print(json.dumps({"pictures": len(written), "seconds": round(time.time() - begun)}))


if __name__ == "__main__":
    main()
