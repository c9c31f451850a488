"""A photo and its outcome -> an annotated copy. Draws, never measures, never changes its input.

Line width and type grow with the picture, so that a 1 MP and a 12 MP photo look alike on a screen.
Colours are from the Okabe-Ito palette (Okabe & Ito 2008, "Color Universal Design"), which people
with colour-vision deficiencies can tell apart; roles also differ by dash, so colour is never the
only sign. Lines stop short of the place where stylus edges meet, so that the tip stays visible.
"""

from __future__ import annotations

import math

from PIL import Image, ImageDraw, ImageFont

from vision.photo import Photo
from vision.reading import Outcome, Reading, Segment

OKABE_ITO = {
    "edge": "#E69F00",
    "axis": "#56B4E9",
    "surface": "#009E73",
    "reflection": "#F0E442",
    "reference": "#CC79A7",
    "look": "#D55E00",
}
DASHED = ("reflection", "reference", "look")
HALO = (0, 0, 0, 150)


def draw_overlay(photo: Photo, outcome: Outcome, max_side: int | None = None) -> Image.Image:
    """Annotated copy of the photo.

    Parameters
    ----------
    photo : Photo
    outcome : Reading or Refusal
    max_side : int, optional
        Shrink so that the longer side has at most this many pixels.

    Returns
    -------
    PIL.Image.Image
        RGB, upright.
    """
    picture = Image.fromarray(photo.rgb)
    scale = 1.0
    if max_side and max(picture.size) > max_side:
        scale = max_side / max(picture.size)
        size = (round(picture.width * scale), round(picture.height * scale))
        picture = picture.resize(size, Image.Resampling.LANCZOS)
    unit = max(picture.size) / 1600
    layer = Image.new("RGBA", picture.size, (0, 0, 0, 0))
    draw = ImageDraw.Draw(layer)
    for segment in outcome.lines:
        _draw_segment(draw, segment, scale, unit)
    if isinstance(outcome, Reading):
        _draw_arc(draw, outcome, scale, unit)
    _draw_label(draw, picture.size, outcome, unit)
    return Image.alpha_composite(picture.convert("RGBA"), layer).convert("RGB")


def _draw_segment(draw: ImageDraw.ImageDraw, segment: Segment, scale: float, unit: float) -> None:
    x0, y0, x1, y1 = (v * scale for v in (segment.x0, segment.y0, segment.x1, segment.y1))
    if segment.role == "axis":  # a gap at each end keeps the tip and the crossing in view
        x0, y0, x1, y1 = _shortened(x0, y0, x1, y1, min(0.08, 0.5))
    width = max(round((2.2 if segment.role == "axis" else 1.6) * unit), 1)
    colour = OKABE_ITO.get(segment.role, OKABE_ITO["reference"])
    for line in (
        _dashes(x0, y0, x1, y1, 14 * unit) if segment.role in DASHED else [(x0, y0, x1, y1)]
    ):
        draw.line(line, fill=HALO, width=width + max(round(1.6 * unit), 2))
        draw.line(line, fill=colour, width=width)


def _shortened(
    x0: float, y0: float, x1: float, y1: float, share: float
) -> tuple[float, float, float, float]:
    dx, dy = (x1 - x0) * share, (y1 - y0) * share
    return x0 + dx, y0 + dy, x1 - dx, y1 - dy


def _dashes(
    x0: float, y0: float, x1: float, y1: float, dash: float
) -> list[tuple[float, float, float, float]]:
    count = max(int(math.hypot(x1 - x0, y1 - y0) / (1.6 * dash)), 1)
    pieces = []
    for i in range(count):
        a, b = i / count, (i + 0.62) / count
        pieces.append(
            (x0 + (x1 - x0) * a, y0 + (y1 - y0) * a, x0 + (x1 - x0) * b, y0 + (y1 - y0) * b)
        )
    return pieces


def _draw_arc(draw: ImageDraw.ImageDraw, reading: Reading, scale: float, unit: float) -> None:
    """Arc between the axis (or first edge) and the surface (or reference) where they meet."""
    if reading.unit != "deg":
        return
    first = _first(reading.lines, "axis") or _first(reading.lines, "edge")
    second = _first(reading.lines, "surface") or _first(reading.lines, "reference")
    if first is None or second is None:
        return
    meeting = _crossing(first, second)
    if meeting is None:
        return
    x, y = meeting[0] * scale, meeting[1] * scale
    if not (-0.2 * 1600 * unit < x < 1.2 * 1600 * unit):
        return
    radius = 70 * unit
    a = math.degrees(math.atan2(*_away(first, meeting)[::-1]))
    b = math.degrees(math.atan2(*_away(second, meeting)[::-1]))
    start, end = (a, b) if (b - a) % 360 <= 180 else (b, a)
    box = (x - radius, y - radius, x + radius, y + radius)
    width = max(round(2 * unit), 1)
    draw.arc(box, start, end, fill=HALO, width=width + max(round(1.6 * unit), 2))
    draw.arc(box, start, end, fill="#FFFFFF", width=width)


def _first(lines: tuple[Segment, ...], role: str) -> Segment | None:
    return next((s for s in lines if s.role == role), None)


def _crossing(a: Segment, b: Segment) -> tuple[float, float] | None:
    ax, ay, bx, by = a.x1 - a.x0, a.y1 - a.y0, b.x1 - b.x0, b.y1 - b.y0
    det = ax * by - ay * bx
    if abs(det) < 1e-6 * a.length * b.length:
        return None
    t = ((b.x0 - a.x0) * by - (b.y0 - a.y0) * bx) / det
    return a.x0 + t * ax, a.y0 + t * ay


def _away(segment: Segment, meeting: tuple[float, float]) -> tuple[float, float]:
    """Direction of the segment's farther end from the meeting point."""
    ends = [
        (segment.x0 - meeting[0], segment.y0 - meeting[1]),
        (segment.x1 - meeting[0], segment.y1 - meeting[1]),
    ]
    return max(ends, key=lambda e: math.hypot(*e))


def _draw_label(
    draw: ImageDraw.ImageDraw, size: tuple[int, int], outcome: Outcome, unit: float
) -> None:
    margin = 18 * unit
    if isinstance(outcome, Reading):
        head, body = f"{outcome.quantity}  {outcome.text()}", ""
    else:
        head, body = f"{outcome.quantity}: no reading", outcome.reason
    big, small = _font(40 * unit), _font(26 * unit)
    lines = [(head, big)] + [(line, small) for line in _wrap(draw, body, small, size[0] * 0.9)]
    heights = [draw.textbbox((0, 0), text, font=font)[3] for text, font in lines]
    width = max(draw.textlength(text, font=font) for text, font in lines)
    height = sum(heights) + margin * 0.4 * len(lines)
    draw.rectangle(
        (margin, margin, margin * 2.2 + width, margin * 1.8 + height), fill=(18, 20, 24, 205)
    )
    y = margin * 1.4
    for (text, font), line_height in zip(lines, heights, strict=True):
        draw.text((margin * 1.6, y), text, font=font, fill="#FFFFFF")
        y += line_height + margin * 0.4


def _wrap(
    draw: ImageDraw.ImageDraw, text: str, font: ImageFont.FreeTypeFont, width: float
) -> list[str]:
    lines: list[str] = []
    for word in text.split():
        if lines and draw.textlength(f"{lines[-1]} {word}", font=font) <= width:
            lines[-1] = f"{lines[-1]} {word}"
        else:
            lines.append(word)
    return lines


def _font(size: float) -> ImageFont.FreeTypeFont:
    font = ImageFont.load_default(max(size, 8))
    assert isinstance(font, ImageFont.FreeTypeFont)
    return font
