"""Sets of rendered photographs with truth, made from a cache of renders.

    python -m tests.scenes.photosets render tuning --cache DIR [--variant cuda_ad_rgb] [--workers 8]
    python -m tests.scenes.photosets SET --cache DIR --out DIR

`render` path-traces the scenes of a set once (slow; resumes where it stopped). The other commands
take renders from the cache, degrade each in several ways and write JPEGs with `truth.json`. All is
fixed by seeds. The sets: "tuning" is for looking at; so are "second" to "twenty-sixth",
earlier sealed sets with shapes and lights that tuning never shows; "lessons" and "more-lessons"
are more scenes like theirs for the networks to learn from, "odd-lessons" scenes of any shape;
"sealed" exists only to be counted: scenes with other seeds, of the shapes that makers use and
"tuning" shows, in any of the lights; "rehearsal" is more scenes drawn like it, to be looked at;
"unusable" must never be answered with a number, and "sealed-unusable" is the same from sealed
scenes; "pairs" are settings over paper photographed from the left and from the right;
"nightly" is a small picture of some second scenes for
`tests/photos/`; "samples" are the pictures of `sample_images/`.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import time
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from tests.scenes import assembly, recipe, world

WIDTH, HEIGHT, SAMPLES = 1730, 1298, 128
HEADROOM = 1.5  # the brightest linear value a stored render can hold
SCENES = {
    "tuning": (100, 27, "tuning"),
    "second": (1000, 40, "second"),
    "third": (7000, 92, "third"),
    "fourth": (11000, 125, "fourth"),
    "fifth": (21000, 75, "fifth"),
    "sixth": (31000, 75, "sixth"),
    "lessons": (41000, 800, "sixth"),
    "seventh": (33000, 75, "seventh"),
    "more-lessons": (43000, 1200, "seventh"),
    "eighth": (34000, 75, "eighth"),
    "odd-lessons": (45000, 1200, "odd"),
    "ninth": (35000, 75, "ninth"),
    "tenth": (36000, 75, "tenth"),
    "eleventh": (40000, 60, "eleventh"),
    "twelfth": (50000, 60, "twelfth"),
    "thirteenth": (60000, 60, "thirteenth"),
    "fourteenth": (62000, 60, "fourteenth"),
    "fifteenth": (64000, 60, "fifteenth"),
    "sixteenth": (66000, 60, "sixteenth"),
    "seventeenth": (68000, 60, "seventeenth"),
    "eighteenth": (90000, 60, "eighteenth"),
    "nineteenth": (91000, 60, "common"),
    "rehearsal": (92000, 120, "common"),
    "twentieth": (93000, 48, "common"),
    "twenty-first": (95000, 40, "common"),
    "twenty-second": (97000, 40, "common"),
    "twenty-third": (99000, 40, "common"),
    "twenty-fourth": (83000, 40, "common"),
    "twenty-fifth": (73000, 40, "common"),
    "twenty-sixth": (77000, 35, "common"),
    "sealed": (79000, 38, "common"),
    "pairs": (78000, 24, "pairs"),
    "samples": (5000, 5, "samples"),
}
PAIRED = ("cantilever",)
OTHERS = ("unusable", "sealed-unusable", "nightly", "samples")
COPIES = {"tuning": 4, "second": 6, "third": 6, "fourth": 4, "fifth": 4, "sixth": 4,
          "lessons": 3, "seventh": 4, "more-lessons": 2, "eighth": 4,
          "odd-lessons": 2, "ninth": 4, "tenth": 4, "eleventh": 4,
          "twelfth": 4, "thirteenth": 4, "fourteenth": 4, "fifteenth": 4,
          "sixteenth": 4, "seventeenth": 4, "eighteenth": 4, "nineteenth": 4,
          "rehearsal": 4, "twentieth": 4, "twenty-first": 4, "twenty-second": 4,
          "twenty-third": 4, "twenty-fourth": 4, "twenty-fifth": 4,
          "twenty-sixth": 4, "sealed": 4,
          "pairs": 3}  # fmt: skip


def main(arguments: list[str] | None = None) -> int:
    """Run one command; see the module's text."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.scenes.photosets",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("command", choices=["render", *COPIES, *OTHERS])
    parser.add_argument("set", nargs="*", help="for render: which sets")
    parser.add_argument("--cache", type=Path, required=True)
    parser.add_argument("--out", type=Path)
    parser.add_argument("--variant", default="scalar_rgb")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--only", choices=recipe.QUANTITIES, help="for render: one quantity")
    parser.add_argument("--scenes", type=int, help="for render: only so many a quantity")
    parser.add_argument("--first", type=int, default=0, help="for render: pass over so many")
    parser.add_argument("--scale", type=float, default=1.0, help="for render: size factor")
    parser.add_argument("--paths", type=int, default=SAMPLES, help="for render: paths a pixel")
    parser.add_argument("--seconds", type=float, default=1e9, help="for render: start none after")
    args = parser.parse_args(arguments)
    if args.command == "render":
        render_sets(args.set, args.cache, args.variant, args.workers, args.first, args.scenes,
                    args.scale, args.paths, args.seconds, args.only)  # fmt: skip
        return 0
    if args.out is None:
        parser.error("--out is needed")
    args.out.mkdir(parents=True, exist_ok=True)
    if args.command in COPIES:
        write_set(args.command, args.cache, args.out)
    elif args.command.endswith("unusable"):
        from tests.scenes.unusable import write_unusable

        write_unusable(args.cache, args.out, "sealed" if "sealed" in args.command else "tuning")
    elif args.command == "nightly":
        write_nightly(args.cache, args.out)
    else:
        from tests.scenes.samples import write_samples

        write_samples(args.cache, args.out)
    return 0


def render_sets(
    sets: list[str], cache: Path, variant: str, workers: int, passed: int, limit: int | None,
    scale: float, paths: int, seconds: float, only: str | None = None,
) -> None:  # fmt: skip
    """Render the scenes of some sets into the cache, quantities by turns."""
    cache.mkdir(parents=True, exist_ok=True)
    end = time.time() + seconds
    size = (round(WIDTH * scale), round(HEIGHT * scale))
    jobs = []
    for name in sets:
        first, count, family = SCENES[name]
        for i in range(passed, min(count, passed + (limit or count))):
            for quantity in (only,) if only else recipe.QUANTITIES if name != "pairs" else PAIRED:
                stem = cache / f"{name}-{quantity}-{first + i}"
                jobs.append((stem, quantity, first + i, family, size, paths, variant, end))
    todo = [j for j in jobs if not j[0].with_suffix(".jpg").exists()]
    if workers == 1:
        for job in todo:
            _render_one(job)
        return
    with multiprocessing.get_context("spawn").Pool(workers) as pool:
        for _ in pool.imap_unordered(_render_one, todo):
            pass


def _render_one(job: tuple[Any, ...]) -> None:
    from tests.scenes import physical

    stem, quantity, seed, family, (width, height), paths, variant, end = job
    started = time.time()
    if started > end:
        return
    spec = spec_of(quantity, seed, family)
    try:
        linear = physical.render(spec, width, height, paths, variant)
    except Exception as problem:  # one scene that fails must not stop the batch
        print(f"FAILED {stem.name}: {problem!r}", flush=True)
        return
    store(stem, linear, spec)
    print(f"{stem.name} {time.time() - started:.1f} s", flush=True)


def spec_of(quantity: str, seed: int, family: str) -> dict[str, Any]:
    """Parameters of a scene of any set."""
    if family == "samples":
        from tests.scenes import samples

        return samples.spec_of(quantity, seed)
    if family == "pairs":
        return pair_of(seed)
    return recipe.draw(quantity, seed, family)


def pair_of(seed: int) -> dict[str, Any]:
    """One of two views of a setting over paper: even seeds from one side, odd from the other."""
    spec = recipe.draw("cantilever", seed - seed % 2, "second")
    rng = np.random.default_rng([seed, 31])
    bearing = float(rng.uniform(5, 14)) * (1 if seed % 2 else -1)
    spec["camera"] |= {"off_axis_deg": round(bearing, 4), "roll_deg": round(rng.uniform(-5, 5), 4),
                       "elevation_deg": round(rng.uniform(28, 50), 4)}  # fmt: skip
    spec["clutter"] |= {"foreground": False}
    return spec | {"surface": "paper", "seed": seed, "family": "pairs"}


def store(stem: Path, linear: NDArray[np.float32], spec: dict[str, Any]) -> None:
    """Keep a render: square-root coded, 8 bits, 4:4:4, and its parameters."""
    coded = np.round(255 * np.sqrt(np.clip(linear / HEADROOM, 0, 1))).astype(np.uint8)
    stem.with_suffix(".json").write_text(json.dumps(spec))
    part = stem.with_suffix(".part")
    for quality in (95, 91, 86, 80):
        Image.fromarray(coded).save(
            part, "JPEG", quality=quality, subsampling="4:4:4", optimize=True
        )
        if part.stat().st_size < 460_000:
            break
    os.replace(part, stem.with_suffix(".jpg"))


def load(stem: Path) -> tuple[NDArray[np.float32], dict[str, Any]]:
    """A stored render as a linear picture, and its parameters."""
    with Image.open(stem.with_suffix(".jpg")) as image:
        coded = np.asarray(image, np.float32) / np.float32(255)
    return coded * coded * np.float32(HEADROOM), json.loads(stem.with_suffix(".json").read_text())


def cached(cache: Path, name: str, quantity: str | None = None) -> list[Path]:
    """Stems of the renders of a set, in order of seed."""
    found = cache.glob(f"{name}-{quantity or '*'}-*.jpg")
    return sorted(
        (p.with_suffix("") for p in found),
        key=lambda p: (p.name.split("-")[-2], int(p.name.split("-")[-1])),
    )


def write_set(name: str, cache: Path, out: Path) -> None:
    """Degrade every cached render of a set several ways."""
    from tests.scenes import degrade

    truth: dict[str, Any] = {}
    for stem in cached(cache, name):
        linear, spec = load(stem)
        for copy in range(COPIES[name]):
            rng = np.random.default_rng(
                [spec["seed"], recipe.QUANTITIES.index(spec["quantity"]), copy]
            )
            plan = degrade.plan(
                rng,
                spec["light"] == "dim",
                spec["quantity"] == "rake",
                name not in ("tuning", "pairs"),
            )
            photo = f"{spec['quantity']}-{spec['seed']}-{copy}.jpg"
            truth[photo] = write_photo(out / photo, linear, spec, plan, rng)
        (out / "truth.json").write_text(json.dumps(truth, indent=1))
        print(stem.name, flush=True)


def write_nightly(cache: Path, out: Path) -> None:
    """Every fourth render of the second set, one copy each, at the smallest size phones make."""
    from tests.scenes import degrade

    truth: dict[str, Any] = {}
    for stem in cached(cache, "second"):
        linear, spec = load(stem)
        if spec["seed"] % 4:
            continue
        rng = np.random.default_rng([spec["seed"], recipe.QUANTITIES.index(spec["quantity"]), 77])
        plan = degrade.plan(rng, spec["light"] == "dim", spec["quantity"] == "rake", True)
        plan |= {"width": degrade.SIZES[0][0], "height": degrade.SIZES[0][1]}
        photo = f"{spec['quantity']}-{spec['seed']}.jpg"
        truth[photo] = write_photo(out / photo, linear, spec, plan, rng)
    (out / "truth.json").write_text(json.dumps(truth, indent=1) + "\n")


def write_photo(
    path: Path, linear: NDArray[np.float32], spec: dict[str, Any], plan: dict[str, Any],
    rng: np.random.Generator,
) -> dict[str, Any]:  # fmt: skip
    """Write one photograph; its truth comes back."""
    from tests.scenes import degrade

    height, width = linear.shape[:2]
    scene = assembly.assemble(spec, width, height)
    assert scene.view is not None
    focal = degrade.focal_px(scene.view.focal_px, width, plan)
    path.write_bytes(degrade.encode(degrade.degrade(linear, plan, rng), plan, focal))
    return truth_of(spec, scene, plan, focal, (width, height))


def truth_of(
    spec: dict[str, Any], scene: assembly.Assembly, plan: dict[str, Any], focal: float,
    rendered: tuple[int, int],
) -> dict[str, Any]:  # fmt: skip
    """What is known of a photograph: the angle asked for, the scene, the camera, known points.

    `points_px` are in the upright photo, lens distortion included; `focal_px` is the true one.
    """
    from tests.scenes import degrade

    view, camera = scene.view, dict(spec["camera"])
    assert view is not None
    camera |= {
        "bearing_deg": round(assembly.bearing_deg(spec), 4),
        "horizontal_field_deg": round(
            float(np.degrees(2 * np.arctan(plan["width"] / 2 / focal))), 4
        ),
        "radial_k1": plan["radial_k1"],
        "lateral_colour": plan["lateral_colour"],
        "field_mm": round(camera["field_mm"] * degrade.MARGIN, 4),
    }
    glass = spec["ground"]["thickness_mm"] if spec["surface"] == "back-silvered mirror" else None
    names = list(scene.points_mm)
    pixels = degrade.photo_points(view.project([scene.points_mm[n] for n in names]), rendered, plan)
    return {
        "truth_deg": round(asked_deg(spec), 4),
        "quantity": spec["quantity"],
        "surface": spec["surface"],
        "light": spec["light"],
        "background": spec["background"],
        "pivot_side_in_photo": camera.pop("pivot_side"),
        "camera": camera,
        **{k: spec[k] for k in ("rake_deg", "side_lean_deg", "azimuth_deg", "cantilever_yaw_deg",
                                "cantilever_rise_deg", "sheet_yaw_deg", "body_yaw_deg", "seed",
                                "family")},
        "grid_pitch_mm": spec["ground"]["grid_pitch_mm"],
        "glass_mm": glass,
        "stylus": spec["stylus"],
        "cantilever": spec["cantilever"],
        "body": spec["body"],
        "ground": spec["ground"],
        "dust": spec["ground"]["dust"],
        "foreground": spec["clutter"]["foreground"],
        "shadow": spec["clutter"]["shadow"],
        "focal_px": round(focal, 2),
        "points_px": dict(zip(names, np.round(pixels, 2).tolist(), strict=True)),
        "degradation": plan,
    }  # fmt: skip


def asked_deg(spec: dict[str, Any]) -> float:
    """The true angle a photo asks for, from the scene's own directions."""
    if spec["quantity"] == "rake":
        axis = world.stylus_axis(
            spec["rake_deg"], spec["side_lean_deg"], spec["cantilever_yaw_deg"]
        )
        return world.rake_of(axis, spec["cantilever_yaw_deg"])
    if spec["quantity"] == "cantilever":
        along = world.cantilever_direction(spec["cantilever_yaw_deg"], spec["cantilever_rise_deg"])
        line = world.rotation_z(spec["sheet_yaw_deg"]) @ np.array([1.0, 0.0, 0.0])
        return world.yaw_of(along) - world.yaw_of(line)
    turn = world.rotation_z(spec["body_yaw_deg"]) @ world.rotation_x(spec["azimuth_deg"])
    return world.azimuth_of(
        turn @ world.rotation_y(spec["body_pitch_deg"]) @ np.array([0.0, 1.0, 0.0])
    )


if __name__ == "__main__":
    raise SystemExit(main())
