"""Which way the surface runs in a side-on close-up: mirror image or grooves.

In: the photo, then the rod and the stylus. Out: the rod with its mirror image, and lines
for `vision.rake_model`: ``normal`` (from a mirror image) or ``surface`` (from grooves).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from vision.groove import RISE_RANGE_DEG, Groove
from vision.mirror_image import Normal, SymmetryLine, find_normal, find_symmetry
from vision.rake_model import Line
from vision.side_rod import Pair, RodLine, SideRod, find_side_rod

Array = NDArray[np.float64]
Picture = NDArray[np.uint8]

ABOUT_STYLUS = 0.3  # of the rod's thickness: what lies so near the stylus counts as stylus
# What makes a mirror image: blocks found again, times their share, times the image's contrast;
LEAST_MATCHED, LEAST_EVIDENCE = 5.0, 1.0
LEAST_START = 2.0  # the same before the rod is known, fewer being looked for
FOCUS = (0.65, 1.45)  # as sharp as the object (a record smears what it reflects),
STEEPNESS = (0.35, 1.45)  # and neither very faint nor of more contrast than the object.
HIGHER = 0.85  # of the line's height: without what lies on the mirror, where the rod is looked for
# Where no grooves are clear: how often what tells of the surface is wrong, and how many times its
# uncertainty it is then off. Faint grooves on one side of the stylus may be a shadow's edge, which
# misleads the network too; a far edge may be a shelf's; a network is never quite wrong.
WRONG = {"groove": (0.45, 8.0), "grooves": (0.1, 8.0), "beyond": (0.4, 10.0), "seen": (0.1, 2.5)}
FAINT_GROOVE_U_DEG = 0.35  # of such grooves, if they are grooves
SEEN_ALONE = 1.4  # times its uncertainty: the slope seen where no line at all shows by the stylus
# The same where faint grooves show, on a record and on a card. There they are the rod's shadow,
# along which the network sees the surface run, too: an error common to all that tells.
RECORD_GROOVE_U_DEG, CARD_U_DEG = 0.2, 0.75
ON_RECORD = WRONG | {"groove": (0.06, 8.0), "grooves": (0.06, 8.0)}
ON_CARD = WRONG | {"groove": (0.9, 8.0), "grooves": (0.9, 8.0)}
# Half of 2 mm along a groove of 60 to 146 mm radius, seen at the usual few degrees of elevation.
ARC_U_DEG = 0.04


@dataclass(frozen=True)
class RodOverSurface:
    """The cantilever, and the mirror's normal where there is a mirror.

    ``rod.pairs`` then hold the rod's limbs mirrored about the line of symmetry.
    """

    rod: SideRod
    normal: Normal | None


def find_rod_over_surface(rgb: Picture, pivot: str = "auto") -> RodOverSurface | None:
    """The cantilever of a side-on photo and the mirror under it, or None without a cantilever.

    The line of symmetry is looked for first, so that the rod's image is not taken for the rod.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (H, W, 3)
    pivot : {"auto", "left", "right"}
    """
    line = find_symmetry(rgb)
    sure = line is not None and _is_mirror(line)
    if line is not None and line.matched > LEAST_START:
        lowest = max(line.y_at(0), line.y_at(rgb.shape[1]))
        for share in (1.0, HIGHER) if sure else (1.0,):
            rod = find_side_rod(rgb[: max(int(share * lowest), 1)], pivot)
            normal = None if rod is None else find_normal(rgb, rod, line)
            if rod is not None and normal is not None and _over_mirror(rod, normal):
                return RodOverSurface(_mirrored(rod, normal), normal)
    rod = find_side_rod(rgb, pivot)
    if rod is None:
        return None
    if rod.mirrored and not sure:
        height, tilt = rod.surface_at_free_end()
        point = np.array([rod.free_end[0], height])
        line = SymmetryLine(point, tilt, 0.0, 0.0, 0.0, 0.0)
    if line is not None and (sure or rod.mirrored):
        normal = find_normal(rgb, rod, line)
        if normal is not None and _over_mirror(rod, normal):
            return RodOverSurface(_mirrored(rod, normal), normal)
    return RodOverSurface(replace(rod, pairs=(), mirror_score=0.0), None)


def normal_line(normal: Normal, stylus_x: float, rod: SideRod) -> Line:
    """The mirror's normal, as the stylus shows it, as a line for `vision.rake_model.solve`."""
    normal = normal.about(stylus_x, ABOUT_STYLUS * rod.thickness)
    (ax, ay), (bx, by) = normal.p0, normal.p1
    return Line("normal", float(ax), float(ay), float(bx), float(by), normal.angle_u)


def groove_lines(groove: Groove, tip: Array, reach: float) -> list[Line]:
    """The grooves' direction as lines for `vision.rake_model.solve`.

    One for each side of the tip on which they show, where they were seen, so that the lens'
    distortion is allowed for; an arc's own bend up to the tip is part of their uncertainty.
    """
    sides = [
        (f"surface {side}", x, y, slope, math.hypot(u, ARC_U_DEG))
        for side, (x, y, slope, u) in zip(("one", "other"), groove.sides, strict=False)
    ] or [("surface", float(tip[0]), float(tip[1]), groove.slope_deg, groove.u_deg)]
    return [_sloping(name, x, y, slope, u, reach) for name, x, y, slope, u in sides]


def _sloping(name: str, x: float, y: float, slope: float, u: float, reach: float) -> Line:
    """A line through a point by its slope and that slope's standard uncertainty, degrees."""
    dx, dy = reach * math.cos(math.radians(slope)), reach * math.sin(math.radians(slope))
    return Line(name, x - dx, y - dy, x + dx, y + dy, math.radians(u))


def joined_line(
    told: Mapping[str, tuple[float, float]],
    tip: Array,
    reach: float,
    card: float | None = None,
) -> Line:
    """One line along the surface at the tip from all that tells doubtfully of its slope.

    Each may be right or wrong; every way to be so is as likely as it makes their differences, and
    the line has mean and variance over all of them. So two that agree outvote a third.

    Parameters
    ----------
    told : mapping of names in `WRONG` to (slope, standard uncertainty), degrees
    tip : ndarray, shape (2,)
    reach : float
        Half the line's length, pixels.
    card : float, optional
        How likely it is that faint grooves are none, but a card's shadows
        (`vision.sunk_tip.card_chance`); where grooves show.
    """
    if card is None:
        slope, u = _joined(told, WRONG)
    else:
        fine = {
            name: (slope, min(u, RECORD_GROOVE_U_DEG) if name.startswith("groove") else u)
            for name, (slope, u) in told.items()
        }
        on_record, record_u = _joined(fine, ON_RECORD)
        on_card, card_u = _joined(told, ON_CARD)
        slope = (1 - card) * on_record + card * on_card
        u = math.sqrt(
            (1 - card) * (record_u**2 + (on_record - slope) ** 2)
            + card * (card_u**2 + CARD_U_DEG**2 + (on_card - slope) ** 2)
        )
    return _sloping("surface", float(tip[0]), float(tip[1]), slope, u, reach)


def _joined(
    told: Mapping[str, tuple[float, float]], wrongs: Mapping[str, tuple[float, float]]
) -> tuple[float, float]:
    """Mean and standard deviation of the slope over all ways to be right or wrong, degrees."""
    slopes = np.array([slope for slope, _ in told.values()])
    likely, means, variances = [], [], []
    for wrong in product((False, True), repeat=len(told)):
        weight, precisions = 1.0, []
        for (name, (_, u)), is_wrong in zip(told.items(), wrong, strict=True):
            share, times = wrongs[name]
            weight *= share if is_wrong else 1 - share
            precisions.append((u * (times if is_wrong else 1.0)) ** -2)
        p = np.array(precisions)
        means.append(float(p @ slopes / p.sum()))
        variances.append(float(1 / p.sum()))
        miss = float(p @ (slopes - means[-1]) ** 2)
        likely.append(weight * math.sqrt(float(p.prod() / p.sum())) * math.exp(-0.5 * miss))
    shares = np.array(likely) / sum(likely)
    slope = float(shares @ means)
    u = math.sqrt(float(shares @ (np.array(variances) + (np.array(means) - slope) ** 2)))
    return slope, u


def _over_mirror(rod: SideRod, normal: Normal) -> bool:
    """Whether a mirror's image was found, and the rod rises from the mirror as a cantilever does.

    A printed grid mirrors itself about each of its lines, and those about one another.
    """
    rise = math.degrees(normal.line.tilt - rod.slope) * (1 if rod.pivot_right else -1)
    return RISE_RANGE_DEG[0] < rise < RISE_RANGE_DEG[1] and _is_mirror(normal.line)


def _is_mirror(line: SymmetryLine) -> bool:
    """Whether the image has the object's sharpness and enough of it is found again.

    A record smears what it reflects; textures match anything a little. Black glass and a bare
    front face give a faint image, but a sharp one.
    """
    evidence = line.matched * line.share * min(1.0, line.steepness)
    alike = FOCUS[0] < line.focus < FOCUS[1] and STEEPNESS[0] < line.steepness < STEEPNESS[1]
    return alike and line.matched > LEAST_MATCHED and evidence > LEAST_EVIDENCE


def _mirrored(rod: SideRod, normal: Normal) -> SideRod:
    """The rod with its limbs mirrored across the normal, about the line at its free end."""
    along = normal.p1 - normal.p0
    along = along / np.linalg.norm(along)
    x = float(rod.free_end[0])
    foot = np.array([x, normal.line.y_at(x)])

    def image(limb: RodLine) -> RodLine:
        a, b = (
            p - 2 * along * float((p - foot) @ along)
            for p in (np.array([limb.x0, limb.y0]), np.array([limb.x1, limb.y1]))
        )
        return RodLine(float(a[0]), float(a[1]), float(b[0]), float(b[1]), limb.support)

    pairs: tuple[Pair, ...] = ((rod.top, image(rod.top)), (rod.bottom, image(rod.bottom)))
    return replace(rod, pairs=pairs, mirror_score=rod.score)
