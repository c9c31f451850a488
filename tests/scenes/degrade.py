"""What a phone does to a scene: a linear rendered picture becomes a JPEG with EXIF.

Comes in: a linear picture (H, W, 3) float32 with a margin round the wanted frame, and a plan drawn
from a random generator. Goes out: upright 8-bit RGB, the JPEG's bytes, and the map from rendered
pixels to photo pixels, so that known points follow lens distortion and scale.

The radial term is distorted = undistorted (1 + k1 r^2) with r = 1 at the frame's half diagonal
(Brown's first term). Focal lengths in EXIF: 35 mm equivalents by the diagonal of 43.27 mm
(CIPA DCG-001) or, as some phones do, by the width of 36 mm.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray
from PIL import Image

Picture = NDArray[np.float32]
MARGIN = 0.925  # share of the rendered width that the photo keeps
SIZES = ((1600, 1200), (2048, 1536), (2592, 1944), (3264, 2448), (4000, 3000))
SIZE_SHARES = (0.34, 0.24, 0.2, 0.12, 0.1)


def plan(
    rng: np.random.Generator, dim: bool = False, narrow_field: bool = False, strong: bool = False
) -> dict[str, Any]:
    """Draw one degradation.

    Parameters
    ----------
    rng : numpy.random.Generator
    dim : bool
        Little light: more noise, more denoising.
    narrow_field : bool
        A close-up: sometimes a clip-on lens of which EXIF knows nothing.
    strong : bool
        A wider choice of lens faults and processing.
    """
    width, height = SIZES[int(rng.choice(len(SIZES), p=SIZE_SHARES))]
    bend = 0.05 if strong or narrow_field else 0.03
    noise = rng.uniform(0.02, 0.05) if dim else np.exp(rng.uniform(np.log(0.004), np.log(0.025)))
    tags = ["diagonal", "width", "bare phone", "none"]
    shares = [0.5, 0.25, 0.17, 0.08] if narrow_field else [0.62, 0.3, 0.0, 0.08]
    out = {
        "width": width,
        "height": height,
        "radial_k1": rng.uniform(-bend, bend) if rng.random() < 0.6 else 0.0,
        "lateral_colour": rng.normal(0, 0.0005) if rng.random() < 0.6 else 0.0,
        "vignetting": rng.uniform(0, 0.35),
        "exposure": np.exp(rng.uniform(np.log(0.7), np.log(1.25))),
        "tint": [rng.uniform(0.9, 1.1), 1.0, rng.uniform(0.9, 1.1)],
        "haze": rng.uniform(0, 0.05) if rng.random() < 0.4 else 0.0,
        "blur_px": rng.uniform(0, 1.1),
        "motion_px": rng.uniform(0.5, 2.5) if rng.random() < 0.12 else 0.0,
        "motion_deg": rng.uniform(0, 180),
        "noise": noise,
        "denoise": str(rng.choice(["none", "chroma", "bilateral"], p=[0.35, 0.35, 0.3])),
        "sharpen": rng.uniform(0, 1.3),
        "sharpen_px": rng.uniform(0.7, 1.6),
        "contrast": rng.uniform(0, 0.5),
        "jpeg_quality": int(rng.integers(74, 97)),
        "orientation": int(rng.choice([1, 6, 8, 3], p=[0.82, 0.08, 0.06, 0.04])),
        "exif_focal": str(rng.choice(tags, p=shares)),
        "camera": f"Phone {rng.choice(list('ABCDEF'))}",
    }
    return {k: round(float(v), 6) if isinstance(v, float) else v for k, v in out.items()}


def focal_px(rendered_focal_px: float, rendered_width: int, plan: dict[str, Any]) -> float:
    """Focal length of the photo in its own pixels."""
    return rendered_focal_px * plan["width"] / (MARGIN * rendered_width)


def photo_points(
    points_px: ArrayLike, rendered_size: tuple[int, int], plan: dict[str, Any]
) -> NDArray[np.float64]:
    """Where rendered pixels (N, 2) end up in the upright photo."""
    p = np.atleast_2d(np.asarray(points_px, float))
    scale = plan["width"] / (MARGIN * rendered_size[0])
    half_diagonal = np.hypot(plan["width"], plan["height"]) / 2
    middle = (np.array(rendered_size) - 1) / 2
    u = (p - middle) * scale / half_diagonal
    d = u * (1 + plan["radial_k1"] * np.sum(u**2, axis=1, keepdims=True))
    return d * half_diagonal + (np.array([plan["width"], plan["height"]]) - 1) / 2


def rendered_points(
    points_px: ArrayLike, rendered_size: tuple[int, int], plan: dict[str, Any]
) -> NDArray[np.float64]:
    """Where photo pixels (N, 2) were in the render: the inverse of `photo_points`."""
    p = np.atleast_2d(np.asarray(points_px, float))
    photo_size = np.array([plan["width"], plan["height"]])
    half_diagonal = np.hypot(*photo_size) / 2
    bent = (p - (photo_size - 1) / 2) / half_diagonal
    straight = bent.copy()
    for _ in range(20):
        straight = bent / (1 + plan["radial_k1"] * np.sum(straight**2, 1, keepdims=True))
    scale = half_diagonal * MARGIN * rendered_size[0] / plan["width"]
    return np.asarray(straight * scale + (np.array(rendered_size) - 1) / 2)


@dataclass(frozen=True)
class Part:
    """A part of a photo, and of the render that it comes from.

    ``rendered`` is the size of the whole rendered frame, ``origin`` where in it the linear picture
    begins; ``window`` is left, top, width and height of the wanted part of the photo.
    """

    rendered: tuple[int, int]
    origin: tuple[int, int]
    window: tuple[int, int, int, int]


def degrade(
    linear: Picture, plan: dict[str, Any], rng: np.random.Generator, part: Part | None = None
) -> NDArray[np.uint8]:
    """The upright photo, 8-bit RGB, of a linear picture; or a part of it."""
    if part is None:
        whole = (0, 0, plan["width"], plan["height"])
        part = Part((linear.shape[1], linear.shape[0]), (0, 0), whole)
    image = _through_lens(linear, plan, part)
    image *= np.float32(plan["exposure"]) * np.array(plan["tint"], np.float32)
    scale = plan["width"] / 1600
    blur = plan["blur_px"] * scale
    if blur > 0.2:
        image = np.asarray(cv2.GaussianBlur(image, (0, 0), blur), np.float32)
    if plan["motion_px"]:
        image = motion(image, plan["motion_px"] * scale, plan["motion_deg"])
    image = _vignette(image, plan, part)
    image = image * np.float32(1 - plan["haze"]) + np.float32(plan["haze"])
    image = np.clip(image, 0, 1.6)
    image = _noise(image, plan["noise"], rng)
    if plan["denoise"] == "bilateral":
        smooth = cv2.bilateralFilter(np.clip(image, 0, 1), 5, 2.5 * plan["noise"], 1.5)
        image = np.asarray(smooth, np.float32)
    image = np.clip(image, 0, 1)
    gamma = np.where(image <= 0.0031308, 12.92 * image, 1.055 * image ** (1 / 2.4) - 0.055)
    gamma = gamma.astype(np.float32)
    s_curve = gamma * gamma * (3 - 2 * gamma)
    gamma += np.float32(plan["contrast"]) * (s_curve - gamma)
    if plan["denoise"] == "chroma":
        gamma = _chroma_blur(gamma, 2.0 * scale)
    if plan["sharpen"]:
        soft = cv2.GaussianBlur(gamma, (0, 0), plan["sharpen_px"])
        luma = (gamma - soft) @ np.array([0.299, 0.587, 0.114], np.float32)
        gamma = gamma + np.float32(plan["sharpen"]) * luma[..., None]
    return np.round(np.clip(gamma, 0, 1) * 255).astype(np.uint8)


def encode(rgb: NDArray[np.uint8], plan: dict[str, Any], focal: float) -> bytes:
    """JPEG bytes with EXIF; sideways when the plan says so."""
    image = Image.fromarray(rgb)
    # how the stored pixels are turned so that the tag brings them upright (EXIF 2.32, tag 274)
    back = {
        3: Image.Transpose.ROTATE_180,
        6: Image.Transpose.ROTATE_90,
        8: Image.Transpose.ROTATE_270,
    }
    if plan["orientation"] in back:
        image = image.transpose(back[plan["orientation"]])
    out = io.BytesIO()
    options: dict[str, Any] = {"quality": plan["jpeg_quality"], "subsampling": "4:2:0"}
    if plan["exif_focal"] != "none":
        options["exif"] = _exif(plan, focal)
    elif plan["orientation"] in back:
        tags = Image.Exif()
        tags[0x0112] = plan["orientation"]
        options["exif"] = tags
    image.save(out, "JPEG", **options)
    return out.getvalue()


def motion(image: Picture, length_px: float, deg: float) -> Picture:
    """Smear along a line."""
    size = int(np.ceil(length_px)) // 2 * 2 + 3
    kernel = np.zeros((size, size), np.float32)
    c, a = size // 2, np.radians(deg)
    for t in np.linspace(-length_px / 2, length_px / 2, 8 * size):
        x, y = c + t * np.cos(a), c - t * np.sin(a)
        i, j = int(np.floor(y)), int(np.floor(x))
        fy, fx = y - i, x - j
        for di, dj, weight in ((0, 0, (1 - fy) * (1 - fx)), (0, 1, (1 - fy) * fx),
                               (1, 0, fy * (1 - fx)), (1, 1, fy * fx)):  # fmt: skip
            if 0 <= i + di < size and 0 <= j + dj < size:
                kernel[i + di, j + dj] += weight
    return np.asarray(cv2.filter2D(image, -1, kernel / kernel.sum()), np.float32)


def _through_lens(linear: Picture, plan: dict[str, Any], part: Part) -> Picture:
    w, h = part.rendered
    width, height = plan["width"], plan["height"]
    left, top, wide, high = part.window
    scale = MARGIN * w / width
    half_diagonal = np.hypot(width, height) / 2
    x = (np.arange(left, left + wide, dtype=np.float32) - (width - 1) / 2) / half_diagonal
    y = (np.arange(top, top + high, dtype=np.float32) - (height - 1) / 2) / half_diagonal
    dx, dy = np.meshgrid(x, y)
    d2 = dx * dx + dy * dy
    grow = np.ones_like(d2)
    if plan["radial_k1"]:
        for _ in range(6):
            grow = 1 / (1 + np.float32(plan["radial_k1"]) * d2 * grow * grow)
    out = np.empty((high, wide, 3), np.float32)
    middle = (w - 1) / 2 - part.origin[0], (h - 1) / 2 - part.origin[1]
    for channel, shift in enumerate((plan["lateral_colour"], 0.0, -plan["lateral_colour"])):
        reach = np.float32(scale * half_diagonal * (1 - shift))
        out[..., channel] = cv2.remap(
            np.ascontiguousarray(linear[..., channel]),
            (dx * grow * reach + np.float32(middle[0])).astype(np.float32),
            (dy * grow * reach + np.float32(middle[1])).astype(np.float32),
            cv2.INTER_LANCZOS4,
            borderMode=cv2.BORDER_REFLECT_101,
        )
    return np.maximum(out, 0)


def _vignette(image: Picture, plan: dict[str, Any], part: Part) -> Picture:
    w, h = plan["width"], plan["height"]
    y, x = np.ogrid[-1 : 1 : h * 1j, -1 : 1 : w * 1j]
    left, top, wide, high = part.window
    x, y = x[:, left : left + wide], y[top : top + high]
    fall = 1 - plan["vignetting"] * (x * x * w * w + y * y * h * h) / (w * w + h * h)
    return np.asarray(image * fall[..., None].astype(np.float32), np.float32)


def _noise(image: Picture, noise: float, rng: np.random.Generator) -> Picture:
    """Photon noise, `noise` of white at white, and read noise a quarter of it; a little smeared."""
    spread = np.sqrt(image * np.float32(noise**2) + np.float32((noise / 4) ** 2))
    grain = rng.standard_normal(image.shape, dtype=np.float32)
    grain = np.asarray(cv2.GaussianBlur(grain, (0, 0), 0.55), np.float32)
    return image + spread * grain / np.float32(max(float(grain[:64].std()), 1e-3)) * np.float32(0.8)


def _chroma_blur(gamma: Picture, sigma: float) -> Picture:
    space = cv2.cvtColor(np.clip(gamma, 0, 1), cv2.COLOR_RGB2YCrCb)
    for channel in (1, 2):
        space[..., channel] = cv2.GaussianBlur(space[..., channel], (0, 0), sigma)
    return np.asarray(cv2.cvtColor(space, cv2.COLOR_YCrCb2RGB), np.float32)


def _exif(plan: dict[str, Any], focal: float) -> Image.Exif:
    by_width = focal * 36.0 / plan["width"]
    by_diagonal = focal * 43.27 / np.hypot(plan["width"], plan["height"])
    equivalent = {"diagonal": by_diagonal, "width": by_width, "bare phone": 26.0}[
        plan["exif_focal"]
    ]
    tags = Image.Exif()
    tags[0x0110] = plan["camera"]
    tags[0x0112] = plan["orientation"]
    details = tags.get_ifd(0x8769)
    details[0xA405] = min(round(equivalent), 65535)
    # a sensor of 5.6 mm width, as small phone sensors have (from memory)
    details[0x920A] = round(equivalent * 5.6 / 36.0, 2)
    details[0x9003] = "2024:05:01 12:00:00"
    return tags
