"""Random sheet photographs with their truth, a generator a quantity: seed in, photo and truth out.

Every number of a scene (pose, lens, print scale, curl, light, blur, noise, the subject itself)
comes from the seed. Used by the tests (a few seeds) and by ``python -m tests.figures_sheets``.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from bench.sheets import pages_pdf
from tests.scenes.sheet_scenes import Ink, Shot, View, lay_sheet, raster_pdf
from vision.photo import FocalPrior, Photo
from vision.sheet_layouts import JOIN_MM, Layout, TextBox, pages, pivot_cap

CARD = (42.80, 26.99)


@dataclass(frozen=True)
class Case:
    """A photo (or several), what was typed, and the true value."""

    photos: tuple[Photo, ...]
    truth: float
    given: dict[str, float] = field(default_factory=dict)
    extra: dict[str, float] = field(default_factory=dict)


def print_scale(seed: int) -> Case:
    """A sheet printed at some scale with a card (within its standard's tolerance) on its field."""
    rng = np.random.default_rng([1, seed])
    name = str(rng.choice(["alignment", "two-point", "level", "disc", "calibration"]))
    scale = rng.choice([1.0, 0.97, 0.94, 1.004]) * (1 + rng.normal(0, 0.001))
    view = View(
        (rng.uniform(-15, 15), -20 + rng.uniform(-15, 15), 0),
        rng.uniform(270, 380),
        rng.uniform(60, 90),
        -90 + rng.uniform(-20, 20),
        rng.uniform(-8, 8),
        k1=rng.uniform(-0.04, 0.02),
        width=1500,
        height=2000,
        f35=26 * rng.uniform(0.93, 1.07),
    )
    shot = Shot(view)
    curl = rng.normal(0, 0.15, 3) * [1, 0, 1]
    x, y = pages(name)[0].card or (0.0, 0.0)
    lay_sheet(
        shot,
        name,
        print_scale=(scale, scale),
        curl=curl,
        light=rng.uniform(-0.2, 0.2),
    )
    lift = curl[0] * (x * scale / 100) ** 2 + curl[2] * (y * scale / 100) ** 2
    half = (CARD[0] + rng.uniform(-0.06, 0.06), CARD[1] + rng.uniform(-0.025, 0.025))
    shot.rectangle(
        x * scale + rng.uniform(-1, 1),
        y * scale + rng.uniform(-1, 1),
        half,
        rng.uniform(-2, 2),
        0.76 + lift,
        float(rng.choice([0.85, 0.7, 0.15, 0.1])),
        3.18,
    )
    photo = _finish(shot, rng)
    return Case((photo,), 100 * scale)


def mounting_distance(seed: int, known_lens: bool = True) -> Case:
    """Distance sheet (one or two joined pages), spindle in a hand-cut hole, cap on the pivot."""
    rng = np.random.default_rng([2, seed])
    distance = rng.uniform(205, 320)
    two = distance > 225
    scale = rng.choice([1, 0.97, 1.002]) * (1 + rng.normal(0, 0.0005))
    spindle = np.array([-62.0, -106.0]) * scale + rng.normal(0, 0.25, 2)
    lean = np.radians(90 + rng.uniform(-3, 3))
    pivot = spindle + distance * np.array([np.cos(lean), np.sin(lean)])
    height = rng.uniform(15, 45)
    middle = (spindle + pivot) / 2
    above = rng.uniform(330, 430)
    off = float(np.hypot(*((pivot - middle) * rng.uniform(0.6, 1.1))))
    view = View(
        (middle[0] + 25 + rng.uniform(-12, 12), middle[1] + rng.uniform(-12, 12), 0),
        math.hypot(above, off),
        math.degrees(math.atan2(above, off)),
        90 + rng.uniform(-12, 12),
        rng.uniform(-5, 5),
        k1=rng.uniform(-0.03, 0.015),
        width=2100,
        height=2800,
        f35=26 * rng.uniform(0.95, 1.05),
    )
    shot = Shot(view)
    both = (scale, scale)
    if two:
        lay_sheet(
            shot,
            "distance",
            page=2,
            print_scale=both,
            shift=(rng.normal(0, 1.5), JOIN_MM * scale + rng.normal(0, 1.5)),
            turn=rng.normal(0, 0.4),
        )
    top = 114.0 if two else min(114.0, distance / scale - 106 - 25)
    lay_sheet(shot, "distance", print_scale=both, window=(-104, -148, 104, top))
    shot.rectangle(69 * scale, -31 * scale, (11, 11), 0, 0, 0.3)
    tall = rng.uniform(8, 15)
    shot.rod((*spindle, 0), (*spindle, tall), 3.57, 3.0, grey=rng.uniform(0.3, 0.7), floor=True)
    shot.rod((*pivot, 0), (*pivot, height - 1), 9, 9, grey=0.25)
    shot.sheet(
        _cap_ink(),
        window=(-11, -11, 11, 11),
        shift=(float(pivot[0]), float(pivot[1])),
        turn=rng.uniform(0, 360),
        height=height,
    )
    photo = _finish(shot, rng)
    if known_lens:
        photo = _known(photo, view, rng)
    given = {
        "pivot_height_mm": round(2 * height) / 2,
        "print_scale_percent": float(100 * scale + rng.normal(0, 0.08)),
        "print_scale_u_percent": 0.08,
    }
    return Case((photo,), distance, given)


def null_points(seed: int) -> Case:
    """The stylus within half a millimetre or so of a null cross; the spindle off in its hole.

    The truth is the radius error from the spindle itself, to first order in the hole's error.
    """
    rng = np.random.default_rng([3, seed])
    name = ("alignment", "two-point")[seed % 2]
    null = pages(name)[0].nulls[rng.integers(2)]
    scale = rng.choice([1, 0.97]) * (1 + rng.normal(0, 0.001))
    along, across = rng.normal(0, 0.45, 2)
    c, s = math.cos(math.radians(null.angle)), math.sin(math.radians(null.angle))
    tip = np.array([null.x + c * along - s * across, null.y + s * along + c * across]) * scale
    view = _front(rng, tip, null.angle, (32, 50), (120, 190))
    shot = Shot(view)
    lay_sheet(shot, name, print_scale=(scale, scale), dpi=250)
    hole = rng.normal(0, 0.2, 2)
    post = np.array(pages(name)[0].spindle) * scale + hole
    shot.rod((*post, 0), (*post, 11), 3.57, 3.2, grey=rng.uniform(0.3, 0.7), floor=True)
    _cartridge(shot, tip, null.angle, rng)
    photo = _finish(shot, rng)
    towards = float(-s * hole[0] + c * hole[1])
    truth = -across * scale + null.radius * (scale - 1) + towards
    along -= float(c * hole[0] + s * hole[1]) / scale
    given = {"print_scale_percent": 100 * float(scale)}
    return Case((photo,), float(truth), given, {"along the groove": along * scale})


def overhang(seed: int) -> Case:
    """The stylus on the overhang rule."""
    rng = np.random.default_rng([4, seed])
    name = ("alignment", "two-point")[seed % 2]
    scale = rng.choice([1, 0.97]) * (1 + rng.normal(0, 0.001))
    ring = np.array(pages(name)[0].spindle) * scale
    spindle = ring + rng.normal(0, 0.25, 2)
    beyond, beside = rng.uniform(14, 22), rng.normal(0, 0.5)
    tip = spindle + [-beyond, beside]
    view = _front(rng, ring + [20, -10], 0.0, (35, 50), (230, 290))
    shot = Shot(view)
    lay_sheet(shot, name, print_scale=(scale, scale), dpi=250)
    shot.rod((*spindle, 0), (*spindle, 10), 3.57, 3.0, grey=rng.uniform(0.3, 0.7), floor=True)
    _cartridge(shot, tip, rng.uniform(-4, 4), rng)
    truth = math.hypot(212 + beyond, beside) - 212
    return Case((_finish(shot, rng),), truth, {"print_scale_percent": 100 * float(scale)})


def arm_level(seed: int) -> Case:
    """A tube (every third one tapered) before the level card; lens near tube height."""
    rng = np.random.default_rng([5, seed])
    slope, turn = rng.uniform(-2.5, 2.5), rng.normal(0, 1.5)
    s, p = math.radians(slope), math.radians(turn)
    d = np.array([math.cos(s) * math.cos(p), math.sin(s), math.cos(s) * math.sin(p)])
    middle = np.array([0, 63 + rng.uniform(-8, 8), rng.uniform(8, 30)])
    above, aside = math.radians(rng.uniform(-2, 2)), math.radians(rng.uniform(-6, 6))
    back = np.array([math.tan(aside), math.tan(above), 1.0])
    view = View(
        (rng.uniform(-8, 8), 65.0, 0.0),
        rng.uniform(200, 300),
        math.degrees(math.atan2(1, math.hypot(back[0], back[1]))),
        math.degrees(math.atan2(back[1], back[0])),
        0.0,
        k1=rng.uniform(-0.03, 0.015),
        width=2000,
        height=1500,
        f35=26 * rng.uniform(0.95, 1.05),
    )
    _upright(view)
    view.roll += rng.uniform(-4, 4)
    shot = Shot(view)
    lay_sheet(shot, "level", window=(-95, 22, 95, 117), light=rng.uniform(-0.2, 0.2))
    thick = rng.uniform(4, 6.5)
    thin = thick * (rng.uniform(0.75, 1) if seed % 3 == 0 else 1)
    grey = float(rng.choice([0.12, 0.3, 0.5]))
    shot.rod(middle - 90 * d, middle + 90 * d, thin, thick, grey, rng.uniform(0.1, 0.6))
    return Case((_finish(shot, rng),), slope)


def platter_level(seed: int) -> Case:
    """Two photos of a bull's-eye level, turned half round between them."""
    rng = np.random.default_rng([6, seed])
    mat = np.array(pages("level")[0].points["mat"])
    sensitivity = float(rng.choice([10.0, 20.0, 30.0, 40.0]))
    tilt = rng.uniform(0, 0.5) * np.exp(1j * rng.uniform(0, 2 * math.pi))
    own = rng.uniform(0, 0.2) * np.exp(1j * rng.uniform(0, 2 * math.pi))
    per_mm = sensitivity / 120
    largest = max(abs(tilt + own), abs(tilt - own)) / per_mm
    if largest > 1.6:
        tilt, own = tilt * 1.6 / largest, own * 1.6 / largest
    ring = rng.uniform(4.5, 6.5)
    bubble, height = ring * rng.uniform(0.55, 0.72), rng.uniform(8, 14)
    middle = mat + rng.normal(0, 1.0, 2)
    liquid, dark = rng.uniform(0.45, 0.7), rng.uniform() < 0.4
    photos = []
    for sign in (1, -1):
        seen = (tilt + sign * own) / per_mm
        at = middle + [-seen.imag, seen.real]
        view = View(
            (mat[0] + rng.uniform(-8, 8), mat[1] + rng.uniform(-8, 8), 0),
            rng.uniform(150, 220),
            rng.uniform(75, 90),
            rng.uniform(-180, 180),
            rng.uniform(-8, 8),
            k1=rng.uniform(-0.03, 0.015),
            width=1600,
            height=1200,
            f35=26 * rng.uniform(0.95, 1.05),
        )
        shot = Shot(view)
        lay_sheet(shot, "level", window=(-96, -129, -5, -35))
        shot.rod((*middle, 2), (*middle, height - 6), 16, grey=0.3)
        shot.disc(*middle, height, 16, 0.3)
        shot.disc(*middle, height, 10, liquid)
        shot.disc(*at, height, bubble, liquid + (-0.15 if dark else 0.15))
        shot.ring(*at, height, bubble, 0.25, 0.2)
        shot.disc(at[0] + 0.4 * bubble, at[1] + 0.3 * bubble, height, 0.5, 1.0)
        shot.ring(*middle, height, ring, 0.35, 0.08)
        photos.append(_finish(shot, rng))
    given = {
        "bubble_sensitivity_arcmin_per_2mm": sensitivity,
        "bubble_sensitivity_u_percent": 3.0,
    }
    direction = math.degrees(np.angle(tilt)) % 360
    extra = {"direction": direction, "single": abs(tilt + own)}
    return Case(tuple(photos), abs(tilt), given, extra)


def body_square(
    seed: int,
    elevation: tuple[float, float] = (42, 65),
    distance: tuple[float, float] = (120, 190),
) -> Case:
    """A box body over a null grid, its azimuth read before; the cantilever points as it does."""
    rng = np.random.default_rng([7, seed])
    name = ("alignment", "two-point")[seed % 2]
    null = pages(name)[0].nulls[rng.integers(2)]
    tip = np.array([null.x, null.y]) + rng.normal(0, 0.5, 2)
    view = _front(rng, tip, null.angle, elevation, distance)
    shot = Shot(view)
    lay_sheet(shot, name, dpi=250)
    yaw, roll = rng.uniform(-3, 3), rng.normal(0, 0.5)
    _cartridge(shot, tip, null.angle + yaw, rng, roll)
    given = {"azimuth_deg": roll + rng.normal(0, 0.05), "body_roll_u_deg": 0.1}
    return Case((_finish(shot, rng),), yaw, given)


def calibration(seed: int, count: int = 7) -> tuple[list[Photo], View]:
    """Photos of the calibration board with one lens."""
    rng = np.random.default_rng([8, seed])
    lens = {
        "k1": rng.uniform(-0.06, 0.03),
        "width": 1600,
        "height": 1200,
        "f35": 26 * rng.uniform(0.92, 1.08),
    }
    photos = []
    view = View((0, 0, 0), 300, **lens)  # type: ignore[arg-type]
    for i in range(count):
        elevation = 88.0 if i == 0 else rng.uniform(45, 65)
        view = View(
            (rng.uniform(-15, 15), 36 + rng.uniform(-10, 10), 0),
            rng.uniform(190, 240),
            elevation,
            rng.uniform(-180, 180),
            rng.uniform(-10, 10),
            **lens,  # type: ignore[arg-type]
        )
        shot = Shot(view)
        lay_sheet(shot, "calibration")
        photos.append(replace(_finish(shot, rng), camera_key="Phone A|main|4.2"))
    return photos, view


CASES: dict[str, Callable[[int], Case]] = {
    "print-scale": print_scale,
    "mounting-distance": mounting_distance,
    "overhang": overhang,
    "null-points": null_points,
    "arm-level": arm_level,
    "platter-level": platter_level,
    "body-square": body_square,
}


# ---------------------------------------------------------------------------------------------


def _finish(shot: Shot, rng: np.random.Generator) -> Photo:
    return shot.photo(
        rng, blur=rng.uniform(0.6, 1.4), noise=rng.uniform(0.004, 0.015), f35_tag=26.0
    )


def _known(photo: Photo, view: View, rng: np.random.Generator) -> Photo:
    """The photo as a calibrated lens would present it, with that calibration's own error."""
    f = view.f_px * (1 + rng.normal(0, 0.003))
    focal = FocalPrior(float(f), 0.003, None, "profile")
    return replace(photo, focal=focal, k1=view.k1 + float(rng.normal(0, 0.002)))


def _front(
    rng: np.random.Generator,
    target: np.ndarray,
    angle: float,
    elevation: tuple[float, float],
    distance: tuple[float, float],
) -> View:
    """A camera ahead of the cartridge, looking towards the pivot and down."""
    return View(
        (target[0] + rng.uniform(-3, 3), target[1] + rng.uniform(-3, 3), 0),
        rng.uniform(*distance),
        rng.uniform(*elevation),
        180 + angle + rng.uniform(-8, 8),
        rng.uniform(-5, 5),
        k1=rng.uniform(-0.03, 0.015),
        width=2400,
        height=1800,
        f35=26 * rng.uniform(0.95, 1.05),
    )


def _upright(view: View) -> None:
    """Roll the camera so that the sheet's y is up in the picture."""
    rotation, _ = view.pose()
    up = rotation @ [0, 1, 0]
    roll = math.degrees(math.atan2(up[0], -up[1]))
    tried = []
    for candidate in (roll, -roll):
        view.roll = candidate
        tried.append((float((view.pose()[0] @ [0, 1, 0])[1]), candidate))
    view.roll = min(tried)[1]


def _cartridge(
    shot: Shot, tip: np.ndarray, angle: float, rng: np.random.Generator, roll: float = 0.0
) -> None:
    """Body, headshell, cantilever rising 20 degrees, and a stylus that ends on the paper."""
    a, e = math.radians(angle), math.radians(roll)
    u, z = np.array([math.cos(a), math.sin(a), 0.0]), np.array([0.0, 0.0, 1.0])
    w = np.array([-u[1], u[0], 0.0])
    side, up = w * math.cos(e) + z * math.sin(e), -w * math.sin(e) + z * math.cos(e)
    t = np.array([*tip, 0.0])
    grey, low, high = rng.uniform(0.1, 0.3), rng.uniform(3, 4.5), rng.uniform(11, 16)
    half = rng.uniform(7, 8.5)

    def at(along: float, across: float, above: float) -> np.ndarray:
        return t + along * u + across * side + above * up

    top = [at(x, y, high) for x in (5.5, 22) for y in (-half, half)]
    front = [at(5.5, y, h) for y in (-half, half) for h in (low, high)]
    shell = [at(x, y, h) for x in (18, 60) for y in (-5, 5) for h in (high, high + 3)]
    shot.box(np.array(top), 1.6 * grey)
    shot.box(np.array(front), grey)
    shot.box(np.array(shell), 0.25)
    rise = math.tan(math.radians(20))
    start, end = t - 0.3 * u + 0.55 * z, t + 7 * u + (0.55 + 7.3 * rise) * z
    shot.rod(start, end, 0.24, 0.3, grey=rng.uniform(0.25, 0.5))
    shot.rod(t + 0.05 * z, t + 0.5 * z, 0.03, 0.13, grey=0.2, floor=True)


def _cap_ink() -> Ink:
    layout = Layout("distance", 9, 9, "", (pivot_cap(),), (), TextBox(0, 0, 0))
    return raster_pdf(pages_pdf([layout], "a4"), 1, 250, (210.0, 297.0))
