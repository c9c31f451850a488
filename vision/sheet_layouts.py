"""Where everything on our printed sheets lies, in millimetres.

In: a sheet's name and the numbers it is drawn for (null radii, effective length). Out: `Layout`,
one a page: fiducial patches, marks and the ink itself as plain shapes. `bench/sheets.py` prints
from these data and `vision/sheet.py` reads photographs with them, so that the two cannot differ.

Frame: origin at the middle of the page, x right, y up, z out of the paper towards the viewer.
The ink keeps within 95 mm by 129 mm of the middle, so the same page serves A4 (ISO 216,
210 x 297 mm) and Letter (215.9 x 279.4 mm). Grid angles are counter-clockwise from +x.

A patch is a small chequerboard with an ArUco marker (dictionary 5x5, 1000 words; Garrido-Jurado
et al., Pattern Recognition 47, 2014) in each white square; the corners where four squares meet
keep their place under blur, and they alone are measured from. Marker numbers 0-299 belong to
version 1 of the sheets, 300-599 to version 0 (a proof print, no longer read), 600-995 carry digits.

Null points: Baerwald 1941 geometry, sin(offset) = (n1 + n2) / 2L, D = sqrt(L^2 - n1 n2).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cache

import numpy as np

VERSION = 1
PAPERS = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
CARD_MM = (85.60, 53.98)  # ISO/IEC 7810 ID-1
CARD_THICKNESS_MM = 0.76  # ISO/IEC 7810
SPINDLE_MM = 7.15  # common practice, no source: spindles are 7.05 to 7.2 mm thick
BAR_MM = 100.0
NAMES = ("alignment", "two-point", "distance", "level", "disc", "calibration", "check")
STROBE_BARS = {"33 1/3": (180, 216), "45": (133, 160), "78": (77, 92)}  # 120 f / rpm, 50 and 60 Hz

_FIRST_ID = {
    "alignment": 0,
    "two-point": 60,
    "distance": 120,
    "level": 170,
    "disc": 216,
    "check": 248,
    "calibration": 264,
}
_IDS_PER_VERSION = 300
_DIGIT_BASE = 66
DIGITS = 6
_FIRST_DIGIT_ID = 600


@dataclass(frozen=True)
class Marker:
    """One ArUco marker: its number, middle, side and angle of its own x axis."""

    number: int
    x: float
    y: float
    side: float
    angle: float = 0.0

    def corners(self) -> np.ndarray:
        """Corners (4, 2) in mm in OpenCV's order: top left, top right, bottom right, bottom left.

        "Top" is the marker's own +y side.
        """
        h = self.side / 2
        return _placed(np.array([[-h, h], [h, h], [h, -h], [-h, -h]]), self.x, self.y, self.angle)


@dataclass(frozen=True)
class Patch:
    """A chequerboard of ``cols`` by ``rows`` squares with markers in the white ones.

    ``x, y`` is the lower left corner; ``angle`` turns the patch about that corner.
    """

    name: str
    x: float
    y: float
    cols: int
    rows: int
    square: float
    first_number: int
    angle: float = 0.0

    def black(self) -> np.ndarray:
        """Corners (N, 4, 2) of the black squares, mm."""
        cells = [(c, r) for r in range(self.rows) for c in range(self.cols) if (c + r) % 2 == 0]
        unit = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], float)
        quads = np.array([(unit + cell) * self.square for cell in cells])
        return _placed(quads.reshape(-1, 2), self.x, self.y, self.angle).reshape(-1, 4, 2)

    def markers(self) -> tuple[Marker, ...]:
        """Markers in the white squares, numbered from the lower left, row by row."""
        cells = [(c, r) for r in range(self.rows) for c in range(self.cols) if (c + r) % 2 == 1]
        middles = (np.array(cells, float) + 0.5) * self.square
        return tuple(
            Marker(self.first_number + i, float(x), float(y), 0.7 * self.square, self.angle)
            for i, (x, y) in enumerate(_placed(middles, self.x, self.y, self.angle))
        )

    def saddles(self) -> np.ndarray:
        """Inner corners (N, 2), mm."""
        cells = [(c, r) for r in range(1, self.rows) for c in range(1, self.cols)]
        return _placed(np.array(cells, float) * self.square, self.x, self.y, self.angle)

    @property
    def count(self) -> int:
        """How many markers the patch holds."""
        return (self.cols * self.rows) // 2


@dataclass(frozen=True)
class Line:
    """A straight line of ink; ``dash`` in mm, 0 for solid."""

    x0: float
    y0: float
    x1: float
    y1: float
    width: float = 0.2
    grey: float = 0.0
    dash: float = 0.0


@dataclass(frozen=True)
class Circle:
    """A circle: filled when ``width`` is 0."""

    x: float
    y: float
    radius: float
    width: float = 0.2
    grey: float = 0.0


@dataclass(frozen=True)
class Polygon:
    """A filled polygon."""

    points: tuple[tuple[float, float], ...]
    grey: float = 0.0


@dataclass(frozen=True)
class Label:
    """Words on the sheet; ``size`` is the letter height in points."""

    x: float
    y: float
    text: str
    size: float = 7.0
    angle: float = 0.0
    align: str = "left"
    bold: bool = False
    grey: float = 0.0


Shape = Line | Circle | Polygon | Label


@dataclass(frozen=True)
class Null:
    """A null point on a sheet: its place, its radius from the spindle and its grid's direction."""

    name: str
    x: float
    y: float
    radius: float
    angle: float


@dataclass(frozen=True)
class TextBox:
    """Room for the instructions: left, top and width in mm."""

    x: float
    top: float
    width: float


@dataclass(frozen=True)
class Layout:
    """One printed page."""

    name: str
    page: int
    pages: int
    title: str
    patches: tuple[Patch, ...]
    shapes: tuple[Shape, ...]
    text: TextBox
    version: int = VERSION
    spindle: tuple[float, float] | None = None
    towards_pivot: float | None = None
    nulls: tuple[Null, ...] = ()
    card: tuple[float, float] | None = None
    loose: tuple[Marker, ...] = ()
    digits: tuple[Marker, ...] = ()
    numbers: Mapping[str, float] = field(default_factory=dict)
    points: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    bars: tuple[Line, ...] = ()

    def markers(self) -> tuple[Marker, ...]:
        """Every marker of the page that a pose may rest on."""
        return tuple(m for p in self.patches for m in p.markers()) + self.loose

    def saddles(self) -> np.ndarray:
        """Every inner corner of the page, (N, 2) mm."""
        found = [p.saddles() for p in self.patches if p.rows > 1 and p.cols > 1]
        return np.concatenate(found) if found else np.zeros((0, 2))


def pages(
    name: str,
    *,
    null_radii_mm: tuple[float, float] = (65.998, 120.891),
    effective_length_mm: float = 230.0,
    version: int = VERSION,
) -> tuple[Layout, ...]:
    """Return the pages of a sheet.

    Parameters
    ----------
    name : str
        One of `NAMES`.
    null_radii_mm : tuple of float
        Inner and outer null radius, for "alignment" and "two-point": 40-100 and 80-150 mm, at
        least 45 mm apart.
    effective_length_mm : float
        Pivot to stylus, 180-400 mm, for "alignment".
    version : {0, 1}

    Raises
    ------
    ValueError
        Unknown name or version, or numbers outside those ranges.
    """
    if name not in NAMES:
        raise ValueError(f"sheet: expected one of {', '.join(NAMES)}; got {name!r}")
    if version not in (0, 1):
        raise ValueError(f"version: expected 0 or 1, got {version}")
    n1, n2 = null_radii_mm
    if not (40 <= n1 <= 100 and 80 <= n2 <= 150 and n2 - n1 >= 45):
        raise ValueError(
            "null_radii_mm: expected an inner radius of 40-100 mm and an outer of 80-150 mm at "
            f"least 45 mm apart, got {n1:g} and {n2:g}"
        )
    if not 180 <= effective_length_mm <= 400:
        raise ValueError(f"effective_length_mm: expected 180-400, got {effective_length_mm:g}")
    first = _FIRST_ID[name] + (_IDS_PER_VERSION if version == 0 else 0)
    n1, n2, length = _stored(n1, n2, effective_length_mm)
    if name in ("alignment", "two-point"):
        made: tuple[Layout, ...] = (_null_sheet(name, n1, n2, length, first, version),)
    else:
        made = _BUILDERS[name](first, version)
    return made


def sheet_of(number: int) -> tuple[str, int] | None:
    """Return which sheet and version a marker number belongs to, or None."""
    if not 0 <= number < 2 * _IDS_PER_VERSION:
        return None
    version = 1 if number < _IDS_PER_VERSION else 0
    within = number % _IDS_PER_VERSION
    names = sorted(_FIRST_ID, key=lambda n: _FIRST_ID[n])
    return [n for n in names if _FIRST_ID[n] <= within][-1], version


@cache
def marker_bits(number: int) -> np.ndarray:
    """Return the marker as a 7 x 7 array, True = black, row 0 at the top, border included."""
    import cv2

    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
    return cv2.aruco.generateImageMarker(dictionary, number, 7, borderBits=1) < 128


def encode_numbers(n1: float, n2: float, length: float) -> tuple[int, ...]:
    """Null radii (to 0.05 mm) and effective length (to 0.1 mm) as six marker numbers.

    Each of the six has its own range of numbers, so their order needs no reading; the value holds
    a remainder by 17 as a check. Ranges as in `pages`.
    """
    value = (round((n1 - 40) / 0.05) * 1401 + round((n2 - 80) / 0.05)) * 2201
    value += round((length - 180) / 0.1)
    value = value * 17 + (7 * value + 5) % 17
    numbers = []
    for i in range(DIGITS):
        value, digit = divmod(value, _DIGIT_BASE)
        numbers.append(_FIRST_DIGIT_ID + i * _DIGIT_BASE + digit)
    return tuple(numbers)


def decode_numbers(numbers: Iterable[int]) -> tuple[float, float, float] | None:
    """Undo `encode_numbers` for numbers in any order; None where one is missing or wrong."""
    digits: dict[int, int] = {}
    for number in numbers:
        place, digit = divmod(number - _FIRST_DIGIT_ID, _DIGIT_BASE)
        if not 0 <= place < DIGITS or place in digits:
            return None
        digits[place] = digit
    if len(digits) != DIGITS:
        return None
    value, check = divmod(sum(d * _DIGIT_BASE**i for i, d in digits.items()), 17)
    if (7 * value + 5) % 17 != check:
        return None
    value, length = divmod(value, 2201)
    n1, n2 = divmod(value, 1401)
    found = 40 + 0.05 * n1, 80 + 0.05 * n2, 180 + 0.1 * length
    if not (found[0] <= 100 and found[1] - found[0] >= 44.9):
        return None
    return found


def digit_places(name: str) -> tuple[tuple[float, float, float], ...]:
    """Middle and side of the six digit markers of a sheet: x, y, side in mm."""
    if name not in ("alignment", "two-point"):
        return ()
    return tuple((50.0 + 15.0 * (i % 3), 111.0 - 12.5 * (i // 3), 9.5) for i in range(DIGITS))


def arm_geometry(n1: float, n2: float, length: float) -> tuple[float, float]:
    """Mounting distance (mm) and offset (rad) for two null radii and an effective length."""
    return math.sqrt(length**2 - n1 * n2), math.asin((n1 + n2) / (2 * length))


# ---------------------------------------------------------------------------------------------


def _stored(n1: float, n2: float, length: float) -> tuple[float, float, float]:
    """Round the numbers to what the digit markers can carry, so print and photo agree."""
    return round(n1 / 0.05) * 0.05, round(n2 / 0.05) * 0.05, round(length / 0.1) * 0.1


def _placed(points: np.ndarray, x: float, y: float, angle: float) -> np.ndarray:
    c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
    return points @ np.array([[c, s], [-s, c]]) + [x, y]


def _common(page: int, card: tuple[float, float] | None, bar_x: float, bar_y: float):
    """Check bars and card field: what every page carries. Returns shapes and bars."""
    bars = (
        Line(-5, 120, 95, 120, 0.25),
        Line(bar_x, bar_y, bar_x, bar_y + BAR_MM, 0.25),
    )
    shapes: list[Shape] = list(bars)
    for x in (-5, 95):
        shapes.append(Line(x, 118, x, 122, 0.2))
    for y in (bar_y, bar_y + BAR_MM):
        shapes.append(Line(bar_x - 2, y, bar_x + 2, y, 0.2))
    shapes.append(Label(45, 121, "check bar: 100 mm between the end strokes", 6.5, align="centre"))
    shapes.append(Label(bar_x - 1, bar_y + 50, "check bar: 100 mm", 6.5, 90, "centre"))
    if card:
        shapes += _card_field(*card)
    return shapes, bars


def _card_field(x: float, y: float) -> list[Shape]:
    """A grey field that straddles the card's edge, so that light and dark cards both show.

    No line follows the card's edge except at its corners: only the card itself can make the
    four edges that are measured.
    """
    w, h = CARD_MM[0] / 2, CARD_MM[1] / 2
    shapes: list[Shape] = [
        _box(x, y, w + 6, h + 6, 0.5),
        _box(x, y, w - 6, h - 6, 1.0),
    ]
    for sx in (-1, 1):
        for sy in (-1, 1):
            cx, cy = x + sx * w, y + sy * h
            shapes.append(Line(cx, cy, cx - sx * 8, cy, 0.25, 1.0))
            shapes.append(Line(cx, cy, cx, cy - sy * 8, 0.25, 1.0))
    shapes.append(Label(x, y + 4, "lay a blank card here (ISO/IEC 7810 ID-1)", 7, 0, "centre"))
    shapes.append(Label(x, y - 1, "85.60 mm x 53.98 mm", 7, 0, "centre"))
    shapes.append(Label(x, y - 6, "only its outline is used", 6.5, 0, "centre", grey=0.3))
    return shapes


def _box(x: float, y: float, w: float, h: float, grey: float) -> Polygon:
    return Polygon(((x - w, y - h), (x + w, y - h), (x + w, y + h), (x - w, y + h)), grey)


def _spindle_rings(x: float, y: float) -> list[Shape]:
    """White ground round the hole, then rings: the photo shows where the spindle truly stands."""
    shapes: list[Shape] = [Circle(x, y, r, 0.35) for r in (7.0, 9.0, 11.0)]
    shapes.append(Circle(x, y, SPINDLE_MM / 2, 0.1, 0.45))
    for angle in range(0, 180, 45):
        c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
        shapes.append(Line(x - 3.4 * c, y - 3.4 * s, x + 3.4 * c, y + 3.4 * s, 0.1, 0.45))
    return shapes


def _null_sheet(name: str, n1: float, n2: float, length: float, first: int, version: int) -> Layout:
    sx, sy = -28.0, 86.0
    distance, _ = arm_geometry(n1, n2, length)
    arc = name == "alignment"
    nulls = []
    for label, radius in (("inner", n1), ("outer", n2)):
        phi = math.pi / 2
        if arc:
            phi = math.acos((radius**2 + distance**2 - length**2) / (2 * radius * distance))
        nulls.append(
            Null(
                label,
                sx + radius * math.cos(phi),
                sy - radius * math.sin(phi),
                radius,
                math.degrees(math.pi / 2 - phi),
            )
        )
    card = (0.0, -95.5)
    shapes, bars = _common(1, card, -88.0, -48.0)
    shapes += _spindle_rings(sx, sy)
    patches = [
        Patch("card left", -95, -122.5, 4, 6, 9, first + 24),
        Patch("card right", 59, -122.5, 4, 6, 9, first + 36),
        Patch("head left", -95, 91, 3, 3, 8, first + 48),
        Patch("head right", 6, 92, 4, 3, 8, first + 52),
    ]
    number = first
    for null in nulls:
        shapes += _null_grid(null)
        for side, v in (("near spindle", 11.0), ("far from spindle", -20.0)):
            corner = _placed(np.array([[-17.5, v]]), null.x, null.y, null.angle)[0]
            patches.append(
                Patch(
                    f"{null.name} {side}",
                    float(corner[0]),
                    float(corner[1]),
                    6,
                    2,
                    4.5,
                    number,
                    null.angle,
                )
            )
            number += 6
    if arc:
        shapes += _arc(sx + distance, sy, length, nulls)
        shapes.append(Line(sx + 12, sy, 95, sy, 0.15, dash=3))
        shapes.append(Label(62, sy + 1.5, "sight line: point at the arm pivot", 6.5, 0, "centre"))
        shapes.append(Polygon(((95, sy), (91, sy + 1.6), (91, sy - 1.6))))
    shapes += _overhang_rule(sx, sy)
    shapes.append(Label(65, 90.5, f"{n1:.2f} / {n2:.2f} mm", 7, 0, "centre"))
    places = digit_places(name)
    digits = tuple(
        Marker(k, x, y, side)
        for k, (x, y, side) in zip(encode_numbers(n1, n2, length), places, strict=True)
    )
    title = "Alignment sheet" if arc else "Two-point sheet"
    return Layout(
        name,
        1,
        1,
        title,
        tuple(patches),
        tuple(shapes),
        TextBox(26, 78, 69),
        version,
        (sx, sy),
        0.0 if arc else None,
        tuple(nulls),
        card,
        digits=digits,
        numbers={
            "inner_null_mm": n1,
            "outer_null_mm": n2,
            "effective_length_mm": length,
            "mounting_distance_mm": distance,
        }
        if arc
        else {"inner_null_mm": n1, "outer_null_mm": n2},
        bars=bars,
    )


def _null_grid(null: Null) -> list[Shape]:
    """Lines 5 mm apart along the groove and across it, the null cross heavier.

    The middle of the cross and the cantilever's lane behind it stay white: what is seen there is
    the stylus and the cantilever and no print.
    """

    def line(u0: float, v0: float, u1: float, v1: float, width: float, grey: float = 0.0) -> Line:
        p = _placed(np.array([[u0, v0], [u1, v1]]), null.x, null.y, null.angle)
        (x0, y0), (x1, y1) = p.tolist()
        return Line(x0, y0, x1, y1, width, grey)

    shapes: list[Shape] = []
    for v in (-10, -5, 5, 10):
        shapes.append(line(-18, v, 14, v, 0.15, 0.25))
    for u in range(-15, 15, 5):
        width, grey, gap = (0.3, 0.0, OPEN_MM) if u == 0 else (0.15, 0.25, LANE_MM)
        if u < 0:
            shapes.append(line(u, -10, u, 10, width, grey))
        else:
            shapes.append(line(u, -10, u, -gap, width, grey))
            shapes.append(line(u, gap, u, 10, width, grey))
    shapes.append(line(-18, 0, -OPEN_MM, 0, 0.3))
    at = _placed(np.array([[-21.5, -0.9]]), null.x, null.y, null.angle)[0]
    shapes.append(Label(float(at[0]), float(at[1]), f"{null.name} null", 6.5, null.angle, "right"))
    return shapes


def _arc(px: float, py: float, length: float, nulls: list[Null]) -> list[Shape]:
    """The stylus' path as short chords, from 5 mm inside to 20 mm beyond the null points."""
    angles = [math.atan2(n.y - py, n.x - px) % (2 * math.pi) for n in nulls]
    first, last = angles[0] - 22 / length, angles[1] + 22 / length
    if first > last:
        first, last = angles[0] + 22 / length, angles[1] - 22 / length
    steps = np.linspace(first, last, 240)
    xy = np.stack([px + length * np.cos(steps), py + length * np.sin(steps)], 1)
    clear = np.ones(len(xy), bool)
    for null in nulls:
        uv = _placed(xy - [null.x, null.y], 0, 0, -null.angle)
        clear &= ~((np.abs(np.abs(uv[:, 1]) - 15.5) < 6) & (np.abs(uv[:, 0]) < 22))
        clear &= ~((np.abs(uv[:, 1]) < LANE_MM) & (uv[:, 0] > -OPEN_MM) & (uv[:, 0] < 20))
    return [
        Line(float(xy[i, 0]), float(xy[i, 1]), float(xy[i + 1, 0]), float(xy[i + 1, 1]), 0.15)
        for i in range(len(xy) - 1)
        if clear[i] and clear[i + 1]
    ]


def _overhang_rule(sx: float, sy: float) -> list[Shape]:
    """Millimetre rule beyond the spindle, away from the pivot."""
    line = sy - LANE_MM
    shapes: list[Shape] = [Line(sx - 12, line, sx - 45, line, 0.15)]
    for d in range(12, 46):
        tall = 3.0 if d % 10 == 0 else 2.2 if d % 5 == 0 else 1.2
        shapes.append(Line(sx - d, line, sx - d, line - tall, 0.12))
        if d % 10 == 0:
            shapes.append(Label(sx - d, sy - 8, str(d), 6, 0, "centre"))
    shapes.append(Label(sx - 30, sy - 12, "overhang, mm: stand the stylus", 6, 0, "centre"))
    shapes.append(Label(sx - 30, sy - 14.6, "just above the rule", 6, 0, "centre"))
    return shapes


def _distance(first: int, version: int) -> tuple[Layout, ...]:
    made = []
    sx, sy = -62.0, -106.0
    rows = {1: (-127.0, -75.0, -23.0, 29.0, 84.0), 2: (-104.0, -7.0, 90.0)}
    for page in (1, 2):
        start = first + (0 if page == 1 else 30)
        patches = []
        for i, y in enumerate(rows[page]):
            patches.append(Patch(f"left {i}", -95, y, 2, 3, 9, start + 6 * i))
            patches.append(Patch(f"right {i}", -47, y, 2, 3, 9, start + 6 * i + 3))
        card = (46.0, -95.5)
        shapes, bars = _common(page, card if page == 1 else None, 20.0, -52.0)
        zero = sy if page == 1 else sy - JOIN_MM
        low, high = (12, 218) if page == 1 else (220, 340)
        shapes.append(Line(sx, zero + low, sx, zero + high, 0.15))
        for d in range(low, high + 1):
            tall = 4.0 if d % 10 == 0 else 2.8 if d % 5 == 0 else 1.5
            shapes.append(Line(sx, zero + d, sx + tall, zero + d, 0.12))
            if d % 10 == 0:
                shapes.append(Label(sx + 5, zero + d - 0.9, str(d), 6.5))
        points: dict[str, tuple[float, float]] = {"zero": (sx, zero)}
        if page == 1:
            shapes += _spindle_rings(sx, sy)
            cap = Patch("pivot cap", 60, -40, 2, 2, 9, first + 48)
            shapes += _cap(cap)
            points["pivot cap"] = (69.0, -31.0)
            shapes.append(Line(-95, sy + 220, 95, sy + 220, 0.12, 0.4, 2))
            shapes.append(Label(-48, sy + 220.8, "cut here to join page 2", 6.5, grey=0.3))
        else:
            shapes.append(Line(-95, zero + 220, 95, zero + 220, 0.12, 0.4, 2))
            shapes.append(Label(-48, zero + 221, "lay the cut edge of page 1 here", 6.5, grey=0.3))
        made.append(
            Layout(
                "distance",
                page,
                2,
                f"Distance sheet, page {page} of 2",
                tuple(patches),
                tuple(shapes),
                TextBox(30, 112, 65),
                version,
                (sx, sy) if page == 1 else None,
                90.0,
                card=card if page == 1 else None,
                points=points,
                bars=bars,
            )
        )
    return tuple(made)


def pivot_cap(version: int = VERSION) -> Patch:
    """The cut-out that is laid on the arm's pivot: its middle corner is the mark."""
    first = _FIRST_ID["distance"] + (_IDS_PER_VERSION if version == 0 else 0)
    return Patch("pivot cap", -9, -9, 2, 2, 9, first + 48)


def _cap(cap: Patch) -> list[Shape]:
    shapes = _patch_ink(cap)
    mid = (cap.x + cap.square, cap.y + cap.square)
    edge = cap.square + 2
    box = [(-edge, -edge), (edge, -edge), (edge, edge), (-edge, edge)]
    for (x0, y0), (x1, y1) in zip(box, box[1:] + box[:1], strict=True):
        shapes.append(Line(mid[0] + x0, mid[1] + y0, mid[0] + x1, mid[1] + y1, 0.1, 0.3, 1.5))
    shapes.append(Label(mid[0], mid[1] + edge + 1.5, "pivot cap: cut out", 6.5, 0, "centre"))
    return shapes


def _patch_ink(patch: Patch) -> list[Shape]:
    shapes: list[Shape] = [
        Polygon(tuple((float(x), float(y)) for x, y in quad)) for quad in patch.black()
    ]
    for marker in patch.markers():
        shapes += marker_ink(marker)
    return shapes


def marker_ink(marker: Marker) -> list[Shape]:
    """Black cells of a marker, each reaching a little under its black neighbours: no seams."""
    bits = np.zeros((8, 8), bool)
    bits[:7, :7] = marker_bits(marker.number)
    cell = marker.side / 7
    shapes: list[Shape] = []
    for row, col in zip(*np.nonzero(bits), strict=True):
        right = 1.05 if bits[row, col + 1] else 1.0
        down = 1.05 if bits[row + 1, col] else 1.0
        x0, y1 = col - 3.5, 3.5 - row
        quad = np.array([[x0, y1 - down], [x0 + right, y1 - down], [x0 + right, y1], [x0, y1]])
        placed = _placed(quad * cell, marker.x, marker.y, marker.angle)
        shapes.append(Polygon(tuple((float(x), float(y)) for x, y in placed)))
        if right > 1 and down > 1 and bits[row + 1, col + 1]:
            joint = np.array([[0.95, -1.05], [1.05, -1.05], [1.05, -0.95], [0.95, -0.95]])
            placed = _placed((joint + np.array([x0, y1])) * cell, marker.x, marker.y, marker.angle)
            shapes.append(Polygon(tuple((float(x), float(y)) for x, y in placed)))
    return shapes


def _level(first: int, version: int) -> tuple[Layout, ...]:
    base = 22.0
    patches = [
        Patch("card left", -90, base + 8, 3, 8, 9, first),
        Patch("card right", 63, base + 8, 3, 8, 9, first + 12),
        Patch("field", -2, -61, 10, 2, 9, first + 24),
    ]
    mx, my = -50.0, -82.0
    for i, (x, y) in enumerate(((-93, -127), (-26, -127), (-93, -63), (-26, -63))):
        patches.append(Patch(f"mat {i}", x, y, 2, 3, 9, first + 34 + 3 * i))
    card = (46.0, -95.5)
    shapes, bars = _common(1, card, -93.0, 17.5)
    for above in (8, 14, 68, 74, 80):
        shapes.append(Line(-58, base + above, 58, base + above, 0.25))
    shapes.append(Line(-91, base, 93, base, 0.25))
    shapes.append(Label(0, base + 2, "stand the card on this cut edge", 6.5, 0, "centre"))
    shapes.append(Line(40, base + 11, 54, base + 11, 0.5))
    shapes.append(Polygon(((58, base + 11), (53, base + 12.6), (53, base + 9.4))))
    shapes.append(Label(38, base + 10, "arm pivot on this side", 7, 0, "right"))
    for r in (10.0, 15.0, 20.0):
        shapes.append(Circle(mx, my, r, 0.15, 0.5))
    shapes += [
        Line(mx, my + 27, mx, my + 38, 0.5),
        Polygon(((mx, my + 42), (mx - 2.2, my + 36), (mx + 2.2, my + 36))),
        Label(mx + 4, my + 33, "to the pivot", 7),
        Label(mx, my - 28, "stand the bull's-eye level on the rings", 6.5, 0, "centre"),
    ]
    layout = Layout(
        "level",
        1,
        1,
        "Level sheet",
        tuple(patches),
        tuple(shapes),
        TextBox(-8, 14, 103),
        version,
        card=card,
        points={"mat": (mx, my), "window": (0.0, base + 41)},
        bars=bars,
    )
    return (layout,)


OPEN_MM, LANE_MM = 2.2, 1.6  # clear middle of a null cross, half width of the lane behind it
JOIN_MM = 225.0  # how far page 2 of the distance sheet lies beyond page 1
DISC_RADIUS_MM = 88.0
LABEL_DISC_RADIUS_MM = 46.0


def disc_markers(kind: str, version: int = VERSION) -> tuple[Marker, ...]:
    """Markers of the "disc", "label" or "reference" part, about that part's own middle."""
    first = _FIRST_ID["disc"] + (_IDS_PER_VERSION if version == 0 else 0)
    if kind == "disc":
        return _ring_of_markers(first, 6, 41.0, 21.0)
    if kind == "label":
        return _ring_of_markers(first + 6, 5, 23.0, 14.0)
    if kind == "reference":
        return tuple(Marker(first + 11 + i, -28.5 + 19.0 * i, 0.0, 15.0) for i in range(4))
    raise ValueError(f"kind: expected disc, label or reference, got {kind!r}")


def _ring_of_markers(first: int, count: int, radius: float, side: float) -> tuple[Marker, ...]:
    made = []
    for i in range(count):
        angle = 360.0 * i / count
        x, y = radius * math.cos(math.radians(angle)), radius * math.sin(math.radians(angle))
        made.append(Marker(first + i, x, y, side, angle - 90))
    return tuple(made)


def _disc(first: int, version: int) -> tuple[Layout, ...]:
    card = (0.0, -95.5)
    shapes, bars = _common(1, card, -91.0, -128.0)
    cx, cy = 0.0, 28.5
    shapes += _disc_ink(cx, cy, DISC_RADIUS_MM, (59.5, 4.4), 6)
    flanks = (
        Patch("card left", -86, -122.5, 3, 5, 9, first + 15),
        Patch("card right", 59, -122.5, 4, 5, 9, first + 22),
    )
    page1 = Layout(
        "disc",
        1,
        2,
        "Speed disc, page 1 of 2",
        flanks,
        tuple(shapes),
        TextBox(0, 0, 0),
        version,
        (cx, cy),
        card=card,
        loose=tuple(_moved(m, cx, cy) for m in disc_markers("disc", version)),
        points={"disc": (cx, cy)},
        bars=bars,
    )
    shapes, bars = _common(2, None, -88.0, -120.0)
    lx, ly, rx, ry = -42.0, 58.0, -40.0, -12.0
    shapes += _disc_ink(lx, ly, LABEL_DISC_RADIUS_MM, (33.2, 3.9), 3)
    for x0, y0, x1, y1 in (
        (rx - 42, ry - 12, rx + 42, ry - 12),
        (rx + 42, ry - 12, rx + 42, ry + 12),
        (rx + 42, ry + 12, rx - 42, ry + 12),
        (rx - 42, ry + 12, rx - 42, ry - 12),
    ):
        shapes.append(Line(x0, y0, x1, y1, 0.15, 0.3, 2))
    shapes.append(Label(rx, ry - 11, "stationary card: cut out, keep it still", 6.5, 0, "centre"))
    loose = [_moved(m, lx, ly) for m in disc_markers("label", version)]
    loose += [_moved(m, rx, ry) for m in disc_markers("reference", version)]
    shapes += _card_field(30.0, -88.0)
    page2 = Layout(
        "disc",
        2,
        2,
        "Speed disc, page 2 of 2",
        (),
        tuple(shapes),
        TextBox(12, 110, 83),
        version,
        (lx, ly),
        loose=tuple(loose),
        points={"label": (lx, ly), "reference": (rx, ry)},
        bars=bars,
    )
    return page1, page2


def _moved(marker: Marker, x: float, y: float) -> Marker:
    return Marker(marker.number, marker.x + x, marker.y + y, marker.side, marker.angle)


def _disc_ink(
    x: float, y: float, radius: float, rings: tuple[float, float], count: int
) -> list[Shape]:
    """Outline, hole, and strobe rings from the inner radius outwards."""
    shapes: list[Shape] = [
        Circle(x, y, radius, 0.15, 0.3),
        Circle(x, y, SPINDLE_MM / 2, 0.15),
        Line(x - 6, y, x + 6, y, 0.1, 0.4),
        Line(x, y - 6, x, y + 6, 0.1, 0.4),
    ]
    inner, width = rings
    plan = [(speed, i) for speed in STROBE_BARS for i in (0, 1)]
    if count < len(plan):
        plan = [("33 1/3", 0), ("33 1/3", 1), ("45", 1)]
    for k, (speed, i) in enumerate(plan):
        bars = STROBE_BARS[speed][i]
        r0 = inner + k * width
        r1 = r0 + width - 1.9
        for b in range(bars):
            a0 = 2 * math.pi * b / bars
            a1 = a0 + math.pi / bars
            shapes.append(
                Polygon(
                    tuple(
                        (x + r * math.cos(a), y + r * math.sin(a))
                        for r, a in ((r0, a0), (r1, a0), (r1, a1), (r0, a1))
                    )
                )
            )
        shapes += _round_text(x, y, r1 + 0.45, f"{speed} rpm  {(50, 60)[i]} Hz  {bars} bars")
    return shapes


def _round_text(x: float, y: float, radius: float, text: str) -> list[Shape]:
    """Letters along a circle, at the top and at the bottom of the disc."""
    shapes: list[Shape] = []
    for start in (90.0, 270.0):
        for i, letter in enumerate(text):
            angle = start - math.degrees((i - len(text) / 2) * 0.85 / radius)
            c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
            place = (x + radius * c, y + radius * s)
            shapes.append(Label(*place, letter, 3.8, angle - 90, "centre"))
    return shapes


def _calibration(first: int, version: int) -> tuple[Layout, ...]:
    card = (0.0, -95.5)
    shapes, bars = _common(1, card, -91.5, -128.0)
    return (
        Layout(
            "calibration",
            1,
            1,
            "Calibration sheet",
            (Patch("board", -90, -44, 9, 8, 20, first),),
            tuple(shapes),
            TextBox(54, -64, 41),
            version,
            card=card,
            bars=bars,
        ),
    )


CHECKED = ("rake", "azimuth", "cantilever")


def _check(first: int, version: int) -> tuple[Layout, ...]:
    from vision.check_drawings import ANGLES, PANEL_MM, drawing

    card = (0.0, -95.5)
    mx, my = 0.0, 45.0
    made = []
    for page, quantity in enumerate(CHECKED, 1):
        shapes, bars = _common(page, card, -91.5, -128.0)
        for polygon, grey in drawing(quantity):
            shapes.append(Polygon(tuple((float(x) + mx, float(y) + my) for x, y in polygon), grey))
        w, h = PANEL_MM[0] / 2, PANEL_MM[1] / 2
        for sx in (-1, 1):
            for sy in (-1, 1):
                x, y = mx + sx * w, my + sy * h
                shapes.append(Line(x, y, x - sx * 4, y, 0.2, 0.6))
                shapes.append(Line(x, y, x, y - sy * 4, 0.2, 0.6))
        unit = f"{quantity} {ANGLES[quantity]:+.1f}°" if quantity != "rake" else "rake 93.0°"
        shapes.append(Label(mx, my - h - 5.5, f"drawn angle: {unit}", 9, 0, "centre", True))
        patches = (
            Patch("card left", -86, -122.5, 3, 5, 9, first),
            Patch("card right", 59, -122.5, 4, 4, 9, first + 7),
        )
        made.append(
            Layout(
                "check",
                page,
                3,
                f"Check sheet, page {page} of 3: {quantity}",
                patches if page == 1 else (),
                tuple(shapes),
                TextBox(54, -30, 41),
                version,
                card=card if page == 1 else None,
                points={"panel": (mx, my)},
                bars=bars,
            )
        )
    return tuple(made)


_BUILDERS = {
    "distance": _distance,
    "level": _level,
    "disc": _disc,
    "calibration": _calibration,
    "check": _check,
}
