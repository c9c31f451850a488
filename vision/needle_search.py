"""A stylus and the rod -> the same with its mirror image, where the rod's own image is not seen.

In a small straightened copy (u to the right towards the pivot, y down) a stylus is five numbers:
apex, lean, half width, cone angle. Its score is the gradient summed along the two shank edges and
the two cone edges, which must answer on both sides with opposite signs.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.bilinear import between_pixels
from vision.needle_shape import HEIGHT_BIAS, SIDES, Frame, Grey, Shape
from vision.network import shrink
from vision.side_rod import SideRod

Array = NDArray[np.float64]

COARSE_THICKNESS = 44.0  # px of rod thickness in the copy that is searched
U_RANGE = (-1.5, 2.6)  # where a stylus may stand, in thicknesses from the rod's free end
HEIGHTS = (0.08, 3.6)  # below the rod, in thicknesses
KNEE = 0.02  # gradient (square root of intensity per px) that counts half
SAME_WAY = 0.5  # of an answer, where the two sides step the same way
LEAST_REFLECTION = 0.5  # of the stylus' own score
LUMA = np.array([0.299, 0.587, 0.114], np.float32)


@dataclass(frozen=True)
class Shrunk:
    """Area-averaged copy of the photo, its pixels per photo pixel, and the photo's own size."""

    picture: NDArray[np.uint8]
    ratio: Array
    width: int
    height: int


def shrunk(rgb: NDArray[np.uint8], thickness: float) -> Shrunk:
    """Copy in which a rod of ``thickness`` photo pixels is `COARSE_THICKNESS` pixels thick."""
    height, width = rgb.shape[:2]
    picture, ratio = shrink(rgb, min(1.0, COARSE_THICKNESS / thickness))
    return Shrunk(picture, ratio, width, height)


def search_reflection(
    photo: Shrunk, rod: SideRod, thickness: float, seen: Frame, shape: Shape
) -> Frame | None:
    """A stylus -> the copy levelled along the surface, where a clear reflection shows it.

    The direction of the surface is not known yet: tilts on both sides are tried.
    """
    lean = math.radians(shape.lean)
    apex = np.array([shape.apex_u, shape.apex_y])
    axis = np.array([math.sin(lean), -math.cos(lean)])
    tip, above = seen.to_photo(apex), seen.to_photo(apex + axis)
    best: tuple[float, Frame, tuple[Grey, Grey], Array] | None = None
    for tilt in np.radians(np.arange(-7.5, 7.6, 2.5)):
        frame = straightened(photo, rod, thickness, (tip, float(tilt)))
        field = _gradient_field(frame)
        u, y = frame.from_photo(above) - frame.from_photo(tip)
        turned = math.degrees(math.atan2(u, -y))
        start = np.array([0.0, 0.0, turned, shape.half_width, shape.cone_half])
        tries = np.repeat(start[None], 7, axis=0)
        tries[:, 1] = np.linspace(-0.15, 0.15, 7) * frame.thickness
        image = _scores(field, frame, tries, (-1.0,))
        k = int(np.argmax(image))
        if best is None or image[k] > best[0]:
            best = (float(image[k]), frame, field, tries[k])
    assert best is not None
    _, frame, field, start = best
    polished = _polished(field, frame, start)[None]
    own = float(_scores(field, frame, polished, (1.0,))[0])
    reflected = float(_scores(field, frame, polished, (-1.0,))[0])
    return frame if reflected > LEAST_REFLECTION * own else None


def straightened(
    photo: Shrunk, rod: SideRod, thickness: float, surface: tuple[Array, float] | None
) -> Frame:
    """The neighbourhood of the rod's free end turned level with ``surface``, pivot to the right."""
    scale = min(1.0, COARSE_THICKNESS / thickness)
    t = thickness * scale
    origin, tilt = (rod.free_end, 0.0) if surface is None else surface
    basis = (
        np.array([[math.cos(tilt), -math.sin(tilt)], [math.sin(tilt), math.cos(tilt)]])
        @ np.diag([1.0 if rod.pivot_right else -1.0, 1.0])
        / scale
    )
    inverse = np.linalg.inv(basis)
    a = inverse @ (np.array([rod.bottom.x0, rod.bottom.y0]) - origin)
    b = inverse @ (np.array([rod.bottom.x1, rod.bottom.y1]) - origin)
    slope = float((b[1] - a[1]) / (b[0] - a[0]))
    under = float(a[1] - slope * a[0])
    end = float((inverse @ (rod.free_end - origin))[0])
    u0, u1 = int(end + (U_RANGE[0] - 0.4) * t), int(end + (U_RANGE[1] + 0.4) * t)
    top = under + slope * end
    y0 = int(top - 1.5 * t)
    y1 = -y0 if surface is not None else int(top + (HEIGHTS[1] + 0.4) * t)
    y0, y1 = max(y0, int(-6 * t)), min(y1, int(6 * t))
    picture = _warped(photo, origin, basis, (u0, y0), (u1 - u0 + 1, y1 - y0 + 1))
    grid = np.stack(np.meshgrid(np.arange(u0, u1 + 1), np.arange(y0, y1 + 1)), axis=-1)
    at = origin + grid @ basis.T
    last = (photo.width - 2, photo.height - 2)
    within = np.asarray((at > 1).all(axis=2) & (at < last).all(axis=2), np.uint8)
    inside = np.asarray(cv2.erode(within, np.ones((5, 5), np.uint8))) > 0
    return Frame(origin, basis, picture, inside, u0, y0, t, under, slope, end, surface is not None)


def _warped(
    photo: Shrunk, origin: Array, basis: Array, first: tuple[int, int], size: tuple[int, int]
) -> NDArray[np.uint8]:
    start = origin + basis @ np.asarray(first, float)
    matrix = np.column_stack([photo.ratio[:, None] * basis, photo.ratio * (start + 0.5) - 0.5])
    warped = cv2.warpAffine(
        photo.picture,
        matrix,
        size,
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(warped, np.uint8)


def _gradient_field(frame: Frame) -> tuple[Grey, Grey]:
    """Gradient of the locally strongest of luma and two colour differences, soft-clipped to 1."""
    f = np.sqrt(frame.picture.astype(np.float32) / 255)
    planes = (f @ LUMA, 0.7 * (f[..., 0] - f[..., 1]), 0.7 * (f[..., 2] - f[..., 1]))
    best: list[Grey] = []
    for plane in planes:
        smooth = cv2.GaussianBlur(plane, (0, 0), 0.9)
        gx = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, scale=1 / 8)
        gy = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, scale=1 / 8)
        size = np.hypot(gx, gy)
        knee = max(3 * float(np.median(size)), KNEE)
        strength = size / knee
        here = [
            np.asarray(v, np.float32) for v in (gx / (size + knee), gy / (size + knee), strength)
        ]
        if best:
            wins = strength > 2.0 * best[2]
            here = [
                np.asarray(np.where(wins, new, old), np.float32)
                for new, old in zip(here, best, strict=True)
            ]
        best = here
    return best[0] * frame.inside, best[1] * frame.inside


def _both(a: Array, b: Array) -> Array:
    """The weaker side, less where both step the same way, as a side-lit shank does."""
    weaker = np.minimum(np.abs(a), np.abs(b))
    return np.asarray(np.where(a * b < 0, weaker, SAME_WAY * weaker))


def _polished(field: tuple[Grey, Grey], frame: Frame, start: Array) -> Array:
    """Random search round five numbers, spread shrinking; a fixed seed keeps answers the same."""
    rng = np.random.default_rng(20)
    t = frame.thickness
    spread = np.array([0.03 * t, 0.05 * t, 1.5, 0.02 * t, 3.0])
    best = start
    for closer in (1.0, 0.5, 0.25):
        tries = best + rng.standard_normal((60, 5)) * spread * closer
        tries[0] = best
        tries[:, 3] = np.clip(tries[:, 3], 0.05 * t, 0.5 * t)
        tries[:, 4] = np.clip(tries[:, 4], 12, 40)
        best = tries[int(np.argmax(_scores(field, frame, tries)))]
    return np.asarray(best)


def _scores(
    field: tuple[Grey, Grey], frame: Frame, p: Array, views: tuple[float, ...] = ()
) -> Array:
    """Answer of each stylus' edges; ``p`` has shape (n, 5); ``views`` 1 own, -1 image."""
    views = views or ((1.0, -1.0) if frame.mirrored else (1.0,))
    t = frame.thickness
    u, y, lean, width, cone = p.T
    lean, cone = np.radians(lean), np.radians(cone)
    axis = np.stack([np.sin(lean), -np.cos(lean)], 1)
    across = np.stack([np.cos(lean), np.sin(lean)], 1)
    apex = np.stack([u, y], 1)
    rise = width / np.tan(cone)
    answers: dict[tuple[str, int], list[Array]] = {}
    lengths: dict[tuple[str, int], Array] = {}
    steps = (np.arange(14) + 0.5) / 14
    for _, side in SIDES:
        corner = apex + rise[:, None] * axis + side * width[:, None] * across
        to_rod = (corner[:, 1] - frame.under - frame.under_slope * corner[:, 0]) / (
            np.cos(lean) + frame.under_slope * np.sin(lean)
        )
        free = np.maximum(to_rod - 0.08 * t, 0)
        share = np.clip(1 + np.minimum(to_rod, 0) / rise, 0.3, 1)[:, None]
        for kind, start, end in (
            ("shank", corner + 0.05 * free[:, None] * axis, corner + free[:, None] * axis),
            ("cone", apex + 0.15 * (corner - apex), apex + 0.95 * share * (corner - apex)),
        ):
            along = end - start
            length = np.linalg.norm(along, axis=1)
            normal = np.stack([-along[:, 1], along[:, 0]], 1) / np.maximum(length, 1e-9)[:, None]
            points = start[:, None] + steps[None, :, None] * along[:, None]
            lengths[kind, side] = length
            answers[kind, side] = []
            for flip in views:
                at = flip * points[..., 1] - frame.y0, points[..., 0] - frame.u0
                gx = between_pixels(field[0], *at)
                gy = flip * between_pixels(field[1], *at)
                answers[kind, side].append(
                    (gx * normal[:, None, 0] + gy * normal[:, None, 1]).mean(1)
                )
    total = np.zeros(len(p))
    for kind, weight in (("shank", 1.0), ("cone", 0.8)):
        length = (lengths[kind, -1] + lengths[kind, 1]) / 2
        both = np.minimum(lengths[kind, -1], lengths[kind, 1]) > 0
        for a, b in zip(answers[kind, -1], answers[kind, 1], strict=True):
            mean = (np.abs(a) + np.abs(b)) / 2
            total += np.where(both, weight * length * (0.6 * _both(a, b) + 0.4 * mean), 0)
    total /= len(views)
    height = y - frame.under - frame.under_slope * u
    return np.asarray(total / np.maximum(height + HEIGHT_BIAS * t, 1))
