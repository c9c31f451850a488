"""Rendered videos of the turning speed disc, written with PyAV.

The disc's page is rasterised from its own PDF and sampled for every pixel at the angle the disc
has when that row is read out, so rolling readout, eccentric holes, wow, drift, hand-held shake,
variable frame times and dropped frames all come from one formula per pixel.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np

from tests.scenes.sheet_scenes import raster


@dataclass(frozen=True)
class Turn:
    """How the disc turns: angle(t) in turns, clockwise from above."""

    rpm: float = 100 / 3
    wow_percent: float = 0.0
    wow_hz: float = 0.5556
    drift_percent_per_minute: float = 0.0

    def turns(self, t: np.ndarray) -> np.ndarray:
        w = 2 * math.pi * self.wow_hz
        wow = self.wow_percent / 100 * (1 - np.cos(w * t)) / w
        drift = self.drift_percent_per_minute / 100 / 60 * t * t / 2
        return self.rpm / 60 * (t + wow + drift)


def write_video(
    path: str | Path,
    turn: Turn,
    *,
    seconds: float = 31.0,
    fps: float = 30.0,
    size: tuple[int, int] = (640, 480),
    kind: str = "disc",
    eccentric_mm: float = 0.0,
    shake_deg: float = 0.0,
    roll_deg: float = 0.0,
    readout_s: float = 0.02,
    jitter_s: float = 0.0,
    drop: float = 0.0,
    repeat_every: int = 0,
    reference: bool = True,
    tilt_deg: float = 8.0,
    noise: float = 0.01,
    time_stretch: float = 1.0,
    seed: int = 0,
    forward: bool = True,
    exposure_s: float = 0.0,
) -> Path:
    """Write an H.264 file; keywords are the faults to be rendered (degrees, mm, seconds)."""
    rng = np.random.default_rng(seed)
    page = 1 if kind == "disc" else 2
    disc, card = raster("disc", page=page, dpi=110), raster("disc", page=2, dpi=110)
    disc_middle = (0.0, 28.5) if kind == "disc" else (-42.0, 58.0)
    radius = 88.0 if kind == "disc" else 46.0
    width, height = size
    gx, gy = np.meshgrid(np.arange(width, dtype=np.float32), np.arange(height, dtype=np.float32))
    f = 0.9 * width
    distance = f * (radius + 22) / (height / 2)
    target = Path(path)
    rows = np.arange(height)[:, None] / height * readout_s
    still = shake_deg == roll_deg == 0
    cached = None
    container = av.open(str(target), "w")
    stream = container.add_stream("libx264", rate=Fraction(round(fps * 1000), 1000))
    stream.width, stream.height = width, height
    stream.pix_fmt = "yuv420p"
    stream.options = {"crf": "20", "preset": "ultrafast"}
    stream.time_base = Fraction(1, 90000)
    stream.codec_context.time_base = Fraction(1, 90000)
    count = int(seconds * fps)
    picture = None
    sway = rng.uniform(0, 2 * math.pi, 3)
    for i in range(count):
        t = i / fps + (rng.uniform(-jitter_s, jitter_s) if jitter_s else 0.0)
        if drop and 0 < i < count - 1 and rng.uniform() < drop:
            continue
        if not (repeat_every and picture is not None and i % repeat_every == 0):
            roll = roll_deg * t / seconds + shake_deg * math.sin(2 * math.pi * 0.7 * t + sway[0])
            lean = tilt_deg + shake_deg * math.sin(2 * math.pi * 0.9 * t + sway[1])
            if cached is None or not still:
                cached = _plane(gx, gy, f, distance, math.radians(lean), math.radians(roll), size)
            x, y = cached
            picture = _look(
                x + 1.5 * shake_deg * math.sin(2 * math.pi * 0.5 * t + sway[2]),
                y,
                disc,
                disc_middle,
                radius,
                card if reference else None,
                eccentric_mm,
                [
                    (turn.turns(t + rows + e) * (1 if forward else -1)).astype(np.float32)
                    for e in (np.linspace(-0.5, 0.5, 3) * exposure_s if exposure_s else [0.0])
                ],
            )
            picture = cv2.GaussianBlur(picture, (0, 0), 0.6)
        noisy = picture + rng.normal(0, noise, picture.shape).astype(np.float32)
        grey = np.clip(noisy * 255 + 0.5, 0, 255).astype(np.uint8)
        frame = av.VideoFrame.from_ndarray(np.repeat(grey[..., None], 3, 2), format="rgb24")
        frame.pts = round(t * time_stretch * 90000) + 9000
        frame.time_base = Fraction(1, 90000)
        for packet in stream.encode(frame):
            container.mux(packet)
    for packet in stream.encode():
        container.mux(packet)
    container.close()
    return target


def _plane(gx, gy, f, distance, lean, roll, size):
    """Where each pixel's ray meets the disc's plane, mm, y up."""
    u = (gx - (size[0] - 1) / 2) / f
    v = -(gy - (size[1] - 1) / 2) / f
    c, s = math.cos(roll), math.sin(roll)
    u, v = c * u - s * v, s * u + c * v
    cl, sl = math.cos(lean), math.sin(lean)
    dy, dz = cl * v + sl, -cl + sl * v
    k = distance * cl / -dz
    return u * k, dy * k - distance * sl


def _look(x, y, disc, middle, radius, card, eccentric, turns):
    layers = np.zeros(x.shape, np.float32)
    for angle in turns:
        a = 2 * math.pi * angle  # clockwise from above
        c, s = np.cos(a), np.sin(a)
        dx, dy = c * x - s * y + eccentric, s * x + c * y
        layers += _sample(disc, dx + middle[0], dy + middle[1])
    layers /= len(turns)
    inside = np.hypot(x, y) < radius - abs(eccentric)
    floor = np.full(x.shape, 0.3, np.float32)
    out = np.where(inside, 0.06 + 0.84 * layers, floor)
    if card is not None:
        # the card lies 21 mm deep below the disc's far edge, turned by a right angle
        lx, ly = y, -(x - (radius + 17))
        on = (np.abs(lx) < 42) & (np.abs(ly) < 12)
        out = np.where(on, 0.06 + 0.84 * _sample(card, lx - 40.0, ly - 12.0), out)
    return out.astype(np.float32)


def _sample(ink, x, y):
    t = ink.to_px
    px = (t[0, 0] * x + t[0, 1] * y + t[0, 2]).astype(np.float32)
    py = (t[1, 0] * x + t[1, 1] * y + t[1, 2]).astype(np.float32)
    return cv2.remap(ink.grey, px, py, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
