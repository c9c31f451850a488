"""Photographs that must never be answered with a number: a careful person would take them again.

Comes in: cached renders, and scikit-image's own example pictures. Goes out: JPEGs and `truth.json`
that says for each which quantity is asked for and why it cannot be read. Wrong subjects are chosen
so that the angle asked for is truly not in the picture: a side-on close-up asked for azimuth or
cantilever, a view from the front asked for rake.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.scenes import assembly, degrade, photosets, recipe

PER_QUANTITY = {
    "defocus": 6, "motion": 5, "glare": 5, "cropped": 6, "dark": 2, "wrong subject": 5, "object": 4,
}  # fmt: skip
OBJECTS = ("astronaut", "camera", "coffee", "chelsea", "rocket", "coins", "page", "text",
           "clock", "brick", "grass", "horse")  # fmt: skip

# name, quantity asked for, what was spoiled, what the picture shows
SAMPLES = [
    ("retake-1.jpg", "rake", "defocus", "Stylus far out of focus"),
    ("retake-2.jpg", "rake", "cropped", "The stylus is outside the frame"),
    ("retake-3.jpg", "azimuth", "glare", "A lamp shines into the lens"),
    ("retake-4.jpg", "cantilever", "motion", "The camera moved during the exposure"),
]


def featureless(height: int, width: int) -> list[NDArray[np.uint8]]:
    """Pictures (height, width, 3) of nothing: noise, soft noise, grey."""
    noise = np.random.default_rng(1).integers(90, 160, (height, width, 3)).astype(np.uint8)
    soft = np.asarray(cv2.GaussianBlur(noise, (0, 0), 20), np.uint8)
    return [noise, soft, np.full_like(noise, 128)]


def write_unusable(cache: Path, out: Path, scenes: str = "tuning") -> None:
    """Write a hundred unusable photographs from the scenes of a set, each set with its own seed."""
    salt = 4242 + photosets.SCENES[scenes][0] - photosets.SCENES["tuning"][0]
    truth: dict[str, Any] = {}
    for quantity in recipe.QUANTITIES:
        own = photosets.cached(cache, scenes, quantity)
        others = [q for q in recipe.QUANTITIES if q != quantity] if quantity == "rake" else ["rake"]
        foreign = [s for q in others for s in photosets.cached(cache, scenes, q)]
        number = 0
        for kind, count in PER_QUANTITY.items():
            extra = 1 if quantity == "rake" and kind == "object" else 0
            for _ in range(count + extra):
                rng = np.random.default_rng([recipe.QUANTITIES.index(quantity), number, salt])
                name = f"{quantity}-{kind.replace(' ', '-')}-{number:02d}.jpg"
                record: dict[str, Any] = {"quantity": quantity, "spoiled": kind, "truth_deg": None}
                if kind == "object":
                    record["object"] = OBJECTS[
                        (number + 3 * recipe.QUANTITIES.index(quantity)) % 12
                    ]
                    data = picture_of(record["object"], rng)
                else:
                    stems = foreign if kind == "wrong subject" else own
                    stem = stems[int(rng.integers(len(stems)))]
                    linear, spec = photosets.load(stem)
                    data = spoil(kind, linear, spec, rng)
                    record["scene"] = stem.name
                (out / name).write_bytes(data)
                truth[name] = record
                number += 1
        (out / "truth.json").write_text(json.dumps(truth, indent=1) + "\n")


def spoil(
    kind: str,
    linear: NDArray[np.float32],
    spec: dict[str, Any],
    rng: np.random.Generator,
    size: tuple[int, int] | None = None,
    quality: int | None = None,
) -> bytes:
    """A render made unreadable in one way, as JPEG bytes.

    Parameters
    ----------
    kind : {"defocus", "motion", "glare", "cropped", "dark", "wrong subject"}
    linear, spec
        From `photosets.load`.
    size, quality : optional
        Photo size in pixels and JPEG quality; drawn at random otherwise.
    """
    plan = degrade.plan(rng, spec["light"] == "dim", spec["quantity"] == "rake")
    plan |= {"motion_px": 0.0}
    if size is not None:
        plan |= {"width": size[0], "height": size[1], "orientation": 1}
    if quality is not None:
        plan["jpeg_quality"] = quality
    height, width = linear.shape[:2]
    scene = assembly.assemble(spec, width, height)
    assert scene.view is not None
    points = {n: scene.view.project(p)[0] for n, p in scene.points_mm.items()}
    if kind == "defocus":
        # a disc about as wide as twice the stylus, or a tenth of the frame
        stylus_px = width * spec["stylus"]["width_mm"] / spec["camera"]["field_mm"]
        least = min(max(0.8 * stylus_px, 45.0), 110.0) if spec["quantity"] == "rake" else 55.0
        linear = disc_blur(linear, rng.uniform(least, least + 40.0))
    elif kind == "motion":
        # across the edges that carry the angle: along them a smear would do no harm
        across = 90.0 if spec["quantity"] == "azimuth" else 0.0
        linear = degrade.motion(linear, rng.uniform(90, 200), across + rng.uniform(-30, 30))
    elif kind == "glare":
        linear = _glare(linear, _subject(points, spec["quantity"]), rng)
    elif kind == "cropped":
        linear = _cropped(linear, points, spec["quantity"], rng)
    elif kind == "dark":
        plan |= {"exposure": float(rng.uniform(0.002, 0.006)), "haze": 0.0, "noise": 0.03}
    focal = degrade.focal_px(scene.view.focal_px, width, plan)
    return degrade.encode(degrade.degrade(linear, plan, rng), plan, focal)


def disc_blur(linear: NDArray[np.float32], radius_px: float) -> NDArray[np.float32]:
    """Blur by an evenly lit disc, as a lens out of focus does."""
    r = int(np.ceil(radius_px))
    y, x = np.ogrid[-r : r + 1, -r : r + 1]
    disc = np.clip(radius_px + 0.5 - np.hypot(x, y), 0, 1).astype(np.float32)
    return np.asarray(cv2.filter2D(linear, -1, disc / disc.sum()), np.float32)


def picture_of(name: str, rng: np.random.Generator) -> bytes:
    """One of scikit-image's example pictures as a phone photo."""
    import skimage.data

    image = np.asarray(getattr(skimage.data, name)())
    if image.dtype == bool:
        image = image.astype(np.uint8) * 255
    if image.ndim == 2:
        image = np.stack([image] * 3, -1)
    wide = degrade.plan(rng)
    need = (int(photosets.WIDTH), int(photosets.HEIGHT))
    scale = max(need[0] / image.shape[1], need[1] / image.shape[0])
    image = cv2.resize(image[..., :3], None, fx=scale, fy=scale, interpolation=cv2.INTER_CUBIC)
    top, left = (image.shape[0] - need[1]) // 2, (image.shape[1] - need[0]) // 2
    image = image[top : top + need[1], left : left + need[0]]
    linear = ((image.astype(np.float32) / 255) ** 2.2).astype(np.float32)
    return degrade.encode(degrade.degrade(linear, wide, rng), wide, 0.75 * wide["width"])


def _subject(points: dict[str, NDArray[np.float64]], quantity: str) -> NDArray[np.float64]:
    names = {
        "rake": ["stylus tip", "shank under rod"],
        "cantilever": ["rod axis at free end", "rod axis at body"],
        "azimuth": ["front edge left", "front edge right"],
    }[quantity]
    return np.array([points[n] for n in names])


def _glare(
    linear: NDArray[np.float32], subject: NDArray[np.float64], rng: np.random.Generator
) -> NDArray[np.float32]:
    height, width = linear.shape[:2]
    y, x = np.mgrid[:height, :width].astype(np.float32)
    middle = subject.mean(0) + rng.uniform(-0.03, 0.03, 2) * width
    span = max(float(np.linalg.norm(subject[0] - subject[1])), 0.25 * width)
    reach = np.float32(span * rng.uniform(0.45, 0.65))
    spot = np.exp(-((((x - middle[0]) ** 2 + (y - middle[1]) ** 2) / (2 * reach**2)) ** 2))
    return np.asarray(0.3 * linear + 0.12 + 3.0 * spot[..., None], np.float32)


def _cropped(
    linear: NDArray[np.float32], points: dict[str, NDArray[np.float64]], quantity: str,
    rng: np.random.Generator,
) -> NDArray[np.float32]:  # fmt: skip
    """A piece of the picture without the parts that carry the angle, enlarged."""
    height, width = linear.shape[:2]
    subject = _subject(points, quantity)
    if quantity == "azimuth":
        # only above the lower edge: neither the edge nor its mirror image is in the frame
        share = min(0.5, (float(subject[:, 1].min()) - 0.03 * height) / height)
        low = float(subject[:, 1].min()) - 0.03 * height
    else:
        share, low = 0.42, float(height)
    share = max(share, 0.12)
    w, h = int(share * width), int(share * height)
    best, place = -1.0, (0, 0)
    for _ in range(400):
        x, y = rng.uniform(0, width - w), rng.uniform(0, max(min(low, height) - h, 1))
        inside = np.clip(subject, [x, y], [x + w, y + h])
        gap = float(np.min(np.linalg.norm(subject - inside, axis=1)))
        if gap > 0.06 * width or (quantity == "azimuth" and y + h <= low):
            # among the places that miss the subject, one with something in it
            interest = float(linear[int(y) : int(y) + h : 8, int(x) : int(x) + w : 8].std())
            if interest > best:
                best, place = interest, (int(x), int(y))
    x0, y0 = place
    piece = linear[y0 : y0 + h, x0 : x0 + w]
    big = cv2.resize(piece, (width, height), interpolation=cv2.INTER_CUBIC)
    return np.asarray(np.maximum(big, 0), np.float32)
